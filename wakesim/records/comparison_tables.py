"""Tidy CSV tables of a comparison. Lines that begin with "# " state title, columns and origin."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any

from wakesim.outputs.wording import INVENTED_BANNER, comment_line
from wakesim.records.comparison import Comparison

Columns = tuple[tuple[str, str], ...]
Rows = Iterable[Sequence[Any]]

_ENDS = ("90 % interval, lower end", "90 % interval, upper end")


def tables(result: Comparison) -> dict[str, tuple[Columns, Callable[[Comparison], Rows]]]:
    """Columns and rows of each table that the comparison gives, by file name."""
    found: dict[str, tuple[Columns, Callable[[Comparison], Rows]]] = {
        "quantities.csv": (_QUANTITIES, _quantities),
        "exceedance.csv": (_EXCEEDANCE, _exceedance),
    }
    if result.curves.frequency_hz.size:
        found["spectrum.csv"] = (_SPECTRUM, _spectrum)
    if result.signatures:
        found["pass-averages.csv"] = (_PASSES, _passes)
    if result.points:
        found["points.csv"] = (_POINTS, _points)
    return found


def write_table(result: Comparison, name: str, path: Path) -> None:
    """Write the table ``name``; OSError when it cannot be written."""
    columns, rows = tables(result)[name]
    head = [f"{result.case.title}: comparison with {result.inputs.record.path}"]
    if result.case.invented_data:
        head.append(INVENTED_BANNER)
    head += [f"{column}: {meaning}" for column, meaning in columns]
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow([column for column, _ in columns])
    for row in rows(result):
        writer.writerow([_cell(value) for value in row])
    path.write_text("".join(map(comment_line, head)) + text.getvalue(), encoding="utf-8")


def _cell(value: Any) -> Any:
    if not isinstance(value, float):
        return value
    return f"{value:.6g}" if math.isfinite(value) else "nan"


_QUANTITIES = (
    ("quantity", "key, as in comparison.json"),
    ("unit", "of the values"),
    ("record", "measured value"),
    ("record_low", _ENDS[0]),
    ("record_high", _ENDS[1]),
    ("model", "modelled value"),
    ("model_low", "sampling, " + _ENDS[0]),
    ("model_high", "sampling, " + _ENDS[1]),
    ("model_interval_low", "with the model's constants moved, lower end"),
    ("model_interval_high", "with the model's constants moved, upper end"),
    ("ratio", "record over model"),
    ("ratio_low", _ENDS[0]),
    ("ratio_high", _ENDS[1]),
    ("verdict", "agrees, too low, too high (the model) or cannot be judged"),
)


def _quantities(result: Comparison) -> Rows:
    for j in result.judgements:
        yield (
            j.key, j.unit, j.record, *j.record_interval, j.model, *j.model_sampling_interval,
            *j.model_interval, j.ratio, *j.ratio_interval, j.verdict,
        )  # fmt: skip


_EXCEEDANCE = (
    ("speed_m_s", "m/s"),
    ("record_share", "share of the time above that speed, measured"),
    ("record_low", _ENDS[0]),
    ("record_high", _ENDS[1]),
    ("model_share", "modelled"),
    ("model_low", "sampling, " + _ENDS[0]),
    ("model_high", "sampling, " + _ENDS[1]),
    ("model_interval_low", "with the model's constants moved, lower end"),
    ("model_interval_high", "with the model's constants moved, upper end"),
)


def _exceedance(result: Comparison) -> Rows:
    c = result.curves
    columns = (
        c.speed_m_s, c.record.share, c.record.low, c.record.high,
        c.model.share, c.model.low, c.model.high, *c.share_range,
    )  # fmt: skip
    return (tuple(map(float, row)) for row in zip(*columns, strict=True))


_SPECTRUM = (
    ("frequency_hz", "Hz, centre of the band"),
    ("record_m2_s", "m2/s2/Hz, measured"),
    ("relative_error", "half the 90 % interval of the measured density over the density"),
    ("model_m2_s", "m2/s2/Hz, modelled"),
    ("model_interval_low", "with the model's constants moved, lower end"),
    ("model_interval_high", "with the model's constants moved, upper end"),
    ("residual_m2_s", "m2/s2/Hz, measured less modelled mean, or nan"),
    ("model_residual_m2_s", "m2/s2/Hz, what the model leaves about its own mean, or nan"),
)


def _spectrum(result: Comparison) -> Rows:
    c = result.curves
    empty = [math.nan] * c.frequency_hz.size
    columns = (
        c.frequency_hz, c.record_density, c.relative_error, c.model_density, *c.model_range,
        empty if c.residual is None else c.residual,
        empty if c.model_residual is None else c.model_residual,
    )  # fmt: skip
    return (tuple(map(float, row)) for row in zip(*columns, strict=True))


_PASSES = (
    ("vehicle", "vehicle class"),
    ("lane", "lane"),
    ("channel", "u: along the road; v: across it, away from the traffic; speed: horizontal"),
    ("time_s", "s, after the nose is abreast"),
    ("record_m_s", "m/s, measured mean over the passes, less that just before them"),
    ("record_low", _ENDS[0]),
    ("record_high", _ENDS[1]),
    ("model_m_s", "m/s, modelled, averaged over the same passes"),
    ("other_law_m_s", "m/s, the same with the other wake law"),
)


def _passes(result: Comparison) -> Rows:
    for signature in result.signatures:
        for channel, curve in signature.curves.items():
            mine = curve.record
            for row in zip(
                mine.time_s, mine.mean, mine.low, mine.high, curve.model, curve.other, strict=True
            ):
                yield signature.vehicle, signature.lane, channel, *map(float, row)


_POINTS = (
    ("points", "block_means or pass_peaks"),
    ("time_s", "s, from the first compared sample"),
    ("record_m_s", "m/s, measured"),
    ("model_m_s", "m/s, modelled, mean over draws of the turbulence"),
)


def _points(result: Comparison) -> Rows:
    for p in result.points:
        for row in zip(p.time_s, p.measured, p.modelled, strict=True):
            yield p.key, *map(float, row)
