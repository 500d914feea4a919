"""comparison.json: the whole comparison in one small file for programs.

No NaN or infinity: what is not known is ``null``. Units end the key. Intervals are [lower, upper],
90 %. Keys:

format_version   integer, raised when a key changes its meaning
title            title of the case
invented_data    true when case or record say that they are made up
case             path, sha256, wake_law, weak_shear_mixing, couple_spread, momentum_spread,
                 turbulence_factor
record           path, sha256, start_utc (null: seconds on a clock), duration_s and samples (of what
                 was compared), step_s, gap_share, components (u and v, not the speed alone)
log              null without one: path, sha256, passes (by class)
mount            name, offset_m, height_m (of the instrument), cut_in_m_s
instrument       kind and keys as in [instrument]
other_instrument why the record looks like that of another one, "" when it does not
ambient          "case", "record" or "mast": where the slow wind of the comparison comes from
ambient_mast     null without one: path, sha256, height_m, wind_speed_m_s and wind_angle_deg (mean)
second           null without one: path, sha256, offset_m, height_m of the second anemometer
clock            null without a log: offset_s (of the record's clock ahead of the log's, at half
                 time), offset_interval_s, rate (1e-6: the record's runs 1 ppm fast), rate_interval,
                 correlation, chance (probability of such a peak by accident), significant, applied,
                 axes (rows: along and across the road; columns: recorded u and v)
log_time_error   null without a log: sd_s (of single times), interval_s, origin ("given", "record":
                 found from it, "stamps": their rounding alone)
blocks           number of blocks behind the sampling intervals, and block_s
simulated_s      time of the modelled record
hours            clock hours simulated without a log
quantities       list, one object each:
  key, unit, words
  record, record_interval
  model, model_sampling_interval
  model_interval         with the model's uncertain constants moved; of average passes only from one
                         wake law to the comparator
  ratio, ratio_interval  record over model
  verdict                "agrees", "too low", "too high" (the model) or "cannot be judged"
  text                   the verdict in words
  within_model_interval  whether record and model interval overlap, null when not known
metrics          list: key, words, n, fractional_bias, nmse, fac2, correlation, each of them null
                 where not defined, and intervals (object of the same names)
signatures       list: vehicle, label, lane, passes, candidates, clear_before_s, clear_after_s
variants         list: parameter, setting, and change (of the quantities, by key)
fit              null without --fit: constants (list of name, value (null when it cannot be fitted),
                 interval, case_value, status, effective_blocks, note), correlation (matrix in the
                 order of names), names, explained, background_sd_m_s, converged, clock_offset_s,
                 clock_interval_s, notes
needs_log        sentences: what only a passing log allows (empty with one)
notes            sentences: what is doubtful, left out or assumed
method, limits, cautions   sentences
provenance       program, version, case_text, case_sha256, seed, created_utc, python, platform,
                 libraries, files_sha256
files            names of the files written with this one, relative to its folder

Tidy CSV tables of a comparison. Lines that begin with "# " state title, columns and origin.
"""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from wakesim import runtime
from wakesim.outputs.summary import plain
from wakesim.outputs.wording import CAUTIONS, INVENTED_BANNER, comment_line
from wakesim.records import words
from wakesim.records.comparison import Comparison
from wakesim.records.fit import FitResult
from wakesim.records.judgement import QUANTITIES

FORMAT_VERSION = 1
_CONSTANTS = (
    "wake_law", "weak_shear_mixing", "couple_spread", "momentum_spread", "turbulence_factor",
)  # fmt: skip


def write_json(result: Comparison, path: Path, files: Sequence[str]) -> None:
    """Write comparison.json; raises OSError when the file cannot be written."""
    text = json.dumps(as_plain(result, files), indent=2, ensure_ascii=False, allow_nan=False)
    path.write_text(text + "\n", encoding="utf-8")


def as_plain(result: Comparison, files: Sequence[str] = ()) -> dict[str, Any]:
    """The comparison as plain JSON values; keys in the module's text."""
    inputs, case = result.inputs, result.case
    record, log, mount = inputs.record, inputs.log, inputs.mount
    values: dict[str, Any] = plain(
        {
            "format_version": FORMAT_VERSION,
            "title": case.title,
            "invented_data": bool(case.invented_data),
            "case": {"path": case.path, "sha256": case.sha256}
            | {key: getattr(case.model, key) for key in _CONSTANTS},
            "record": {
                "path": record.path,
                "sha256": record.sha256,
                "start_utc": None if record.start is None else record.start.isoformat(),
                "duration_s": result.record.duration_s,
                "samples": result.record.speed_m_s.size,
                "step_s": record.dt_s,
                "gap_share": record.gap_share,
                "components": result.curves.channel == "u",
            },
            "log": None
            if log is None
            else {"path": log.path, "sha256": log.sha256, "passes": log.counts},
            "mount": {
                "name": mount.name,
                "offset_m": mount.offset_m,
                "height_m": mount.height_m,
                "cut_in_m_s": mount.cut_in_m_s,
            },
            "instrument": inputs.instrument.model_dump(),
            "other_instrument": inputs.other_instrument,
            "ambient": result.ambient,
            "ambient_mast": _mast(result),
            "second": _second(result),
            "clock": _clock(result),
            "log_time_error": None if result.time_error is None else asdict(result.time_error),
            "blocks": {"number": result.pair.blocks, "block_s": result.pair.block_s},
            "simulated_s": result.simulated_s,
            "hours": result.hours,
            "quantities": [asdict(judgement) for judgement in result.judgements],
            "metrics": [
                {"key": p.key, "words": p.words, "n": p.measured.size}
                | p.values
                | {"intervals": p.intervals}
                for p in result.points
            ],
            "signatures": [
                {
                    "vehicle": s.vehicle,
                    "label": s.label,
                    "lane": s.lane,
                    "passes": s.passes,
                    "candidates": s.candidates,
                    "clear_before_s": s.clear_s[0],
                    "clear_after_s": s.clear_s[1],
                }
                for s in result.signatures
            ],
            "variants": [
                {
                    "parameter": v.parameter,
                    "setting": v.setting,
                    "change": {q.key: v.change[i] for i, q in enumerate(QUANTITIES)},
                }
                for v in result.spread.variants
            ],
            "fit": None if result.fit is None else _fit(result.fit),
            "needs_log": () if log is not None else words.NEEDS_LOG,
            "notes": result.notes,
            "method": method(result),
            "limits": words.LIMITS,
            "cautions": CAUTIONS,
            "provenance": provenance(result),
            "files": list(files),
        }
    )
    return values


def method(result: Comparison) -> tuple[str, ...]:
    """How the figures were made, in sentences."""
    first = words.METHOD_NO_LOG if result.inputs.log is None else words.METHOD_LOG
    return (*first, *words.METHOD, words.AMBIENT_WORDS[result.ambient])


def provenance(result: Comparison) -> dict[str, Any]:
    """Where the figures come from."""
    case, inputs = result.case, result.inputs
    seed = case.traffic.seed if case.traffic else 0
    hashes = {"record": inputs.record.sha256}
    if inputs.log is not None:
        hashes["log"] = inputs.log.sha256
    if inputs.second is not None:
        hashes["second"] = inputs.second.record.sha256
    if inputs.mast is not None:
        hashes["ambient_mast"] = inputs.mast.record.sha256
    return runtime.provenance(case.text, seed) | {"files_sha256": hashes}


def _clock(result: Comparison) -> dict[str, Any] | None:
    clock = result.clock
    if clock is None:
        return None
    return {
        "offset_s": clock.clock.offset_s,
        "offset_interval_s": clock.offset_interval_s,
        "rate": clock.clock.rate,
        "rate_interval": clock.rate_interval,
        "correlation": clock.correlation,
        "chance": clock.chance,
        "significant": bool(clock.significant),
        "applied": bool(clock.significant),
        "axes": clock.axes.tolist(),
    }


def _mast(result: Comparison) -> dict[str, Any] | None:
    mast, wind = result.inputs.mast, result.case.air.wind
    if mast is None or wind is None:
        return None
    return {
        "path": mast.record.path,
        "sha256": mast.record.sha256,
        "height_m": mast.height_m,
        "wind_speed_m_s": wind.speed_m_s,
        "wind_angle_deg": wind.angle_deg,
    }


def _second(result: Comparison) -> dict[str, Any] | None:
    second = result.inputs.second
    if second is None:
        return None
    return {
        "path": second.record.path,
        "sha256": second.record.sha256,
        "offset_m": second.mount.offset_m,
        "height_m": second.mount.height_m,
    }


def _fit(fit: FitResult) -> dict[str, Any]:
    return {
        "constants": [
            {
                "name": c.name,
                "value": c.value,
                "interval": (c.low, c.high),
                "case_value": c.case_value,
                "status": c.status,
                "effective_blocks": c.effective_blocks,
                "note": c.note,
            }
            for c in fit.constants.values()
        ],
        "names": fit.names,
        "correlation": fit.correlation,
        "explained": fit.explained,
        "background_sd_m_s": fit.background_sd_m_s,
        "converged": bool(fit.converged),
        "clock_offset_s": fit.clock.offset_s,
        "clock_interval_s": fit.clock_interval_s,
        "notes": (*fit.notes, words.FITTED_CAUTION),
    }


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
