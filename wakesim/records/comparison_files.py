"""The files of a comparison: tables, figures, page and comparison.json.

comparison.json holds the whole comparison for programs.

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

Tidy CSV tables of a comparison: one header line, units in the names of the columns, empty cells
where a value is missing, and in the last column whether the data are invented; columns.csv says
what the columns are.
"""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from wakesim.errors import CaseError
from wakesim.folders import COMPARISON, FIGURES, publish
from wakesim.outputs.summary import plain
from wakesim.outputs.tables import COLUMNS_FILE, INVENTED
from wakesim.outputs.wording import CAUTIONS
from wakesim.records.comparison import Comparison
from wakesim.records.comparison_figures import render
from wakesim.records.comparison_report import provenance, sentences, write_report
from wakesim.records.fit import FitResult
from wakesim.records.fitted_case import fitted_text
from wakesim.records.judgement import QUANTITIES

FITTED = "fitted-case.toml"
FORMAT_VERSION = 1
_CONSTANTS = (
    "wake_law", "weak_shear_mixing", "couple_spread", "momentum_spread", "turbulence_factor",
)  # fmt: skip


def save(
    result: Comparison, folder: Path, force: bool = False
) -> tuple[list[Path], tuple[str, ...]]:
    """Write everything; the paths, and which fitted constants the fitted case could not take.

    Raises OutputError as ``folders.publish`` does.
    """
    fitted, left_out = "", ()
    if result.fit is not None:
        try:
            fitted, left_out = fitted_text(result.inputs.case, result.fit)
        except CaseError as error:
            left_out = (str(error),)

    def write(place: Path) -> list[str]:
        names = write_tables(result, place)
        if fitted:
            (place / FITTED).write_text(fitted, encoding="utf-8")
            names.append(FITTED)
        (place / FIGURES).mkdir()
        figures = render(result, place / FIGURES)
        for figure in figures:
            names += [f"{FIGURES}/{figure.stem}.svg", f"{FIGURES}/{figure.stem}.png"]
        write_report(result, figures, left_out, place / "comparison.html")
        names += ["comparison.html", "comparison.json"]
        write_json(result, place / "comparison.json", names)
        return names

    return publish(folder, COMPARISON, write, force), left_out


def write_json(result: Comparison, path: Path, files: Sequence[str]) -> None:
    """Write comparison.json; raises OSError when the file cannot be written."""
    text = json.dumps(as_plain(result, files), indent=2, ensure_ascii=False, allow_nan=False)
    path.write_text(text + "\n", encoding="utf-8")


def as_plain(result: Comparison, files: Sequence[str] = ()) -> dict[str, Any]:
    """The comparison as plain JSON values; keys in the module's text."""
    inputs, case, texts = result.inputs, result.case, sentences(result)
    record, second, mast, wind = inputs.record, inputs.second, inputs.mast, case.air.wind
    start = None if record.start is None else record.start.isoformat()
    values: dict[str, Any] = plain(
        {
            "format_version": FORMAT_VERSION,
            "title": case.title,
            "invented_data": bool(case.invented_data),
            "case": _of(case, "path", "sha256") | _of(case.model, *_CONSTANTS),
            "record": _of(record, "path", "sha256")
            | {
                "start_utc": start,
                "duration_s": result.record.duration_s,
                "samples": result.record.speed_m_s.size,
                "step_s": record.dt_s,
                "gap_share": record.gap_share,
                "components": result.curves.channel == "u",
            },
            "log": inputs.log and _of(inputs.log, "path", "sha256") | {"passes": inputs.log.counts},
            "mount": _of(inputs.mount, "name", "offset_m", "height_m", "cut_in_m_s"),
            "instrument": inputs.instrument.model_dump(),
            "other_instrument": inputs.other_instrument,
            "ambient": result.ambient,
            "ambient_mast": mast
            and wind
            and _of(mast.record, "path", "sha256")
            | {
                "height_m": mast.height_m,
                "wind_speed_m_s": wind.speed_m_s,
                "wind_angle_deg": wind.angle_deg,
            },
            "second": second
            and _of(second.record, "path", "sha256") | _of(second.mount, "offset_m", "height_m"),
            **_of_log(result),
            "needs_log": texts["needs_log"],
            "notes": result.notes,
            "method": texts["method"],
            "limits": texts["limits"],
            "cautions": CAUTIONS,
            "provenance": provenance(result),
            "files": list(files),
        }
    )
    if values["fit"]:
        values["fit"]["notes"] += texts["caution"]
    return values


def _of(thing: object, *names: str) -> dict[str, Any]:
    """Attributes of an object by their names."""
    return {name: getattr(thing, name) for name in names}


def _of_log(result: Comparison) -> dict[str, Any]:
    """From "clock" to "fit": what was found, None and empty lists without a log."""
    logged = result.logged
    clock, points, shapes = (
        (None, (), ()) if logged is None else (logged.clock, logged.points, logged.signatures)
    )
    return {
        "clock": clock
        and {
            "offset_s": clock.clock.offset_s,
            "offset_interval_s": clock.offset_interval_s,
            "rate": clock.clock.rate,
            **_of(clock, "rate_interval", "correlation", "chance"),
            "significant": bool(clock.significant),
            "applied": bool(clock.significant),
            "axes": clock.axes.tolist(),
        },
        "log_time_error": logged and asdict(logged.time_error),
        "blocks": {"number": result.pair.blocks, "block_s": result.pair.block_s},
        "simulated_s": result.simulated_s,
        "hours": result.hours,
        "quantities": [asdict(judgement) for judgement in result.judgements],
        "metrics": [
            {"key": p.key, "words": p.words, "n": p.measured.size}
            | p.values
            | {"intervals": p.intervals}
            for p in points
        ],
        "signatures": [
            _of(s, "vehicle", "label", "lane", "passes", "candidates")
            | {"clear_before_s": s.clear_s[0], "clear_after_s": s.clear_s[1]}
            for s in shapes
        ],
        "variants": [
            _of(v, "parameter", "setting")
            | {"change": {q.key: v.change[i] for i, q in enumerate(QUANTITIES)}}
            for v in result.model_range.variants
        ],
        "fit": result.fit and _of_fit(result.fit),
    }


def _of_fit(fit: FitResult) -> dict[str, Any]:
    return {
        "constants": [
            _of(c, "name", "value")
            | {"interval": (c.low, c.high)}
            | _of(c, "case_value", "status", "effective_blocks", "note")
            for c in fit.constants.values()
        ],
        **_of(fit, "names", "correlation", "explained", "background_sd_m_s"),
        "converged": bool(fit.converged),
        "clock_offset_s": fit.clock.offset_s,
        "clock_interval_s": fit.clock_interval_s,
        "notes": fit.notes,
    }


# --- tables -------------------------------------------------------------------------------------

Column = tuple[str, str, Sequence[Any]]
"""Name, meaning and values (rows,)."""

_LOW, _HIGH = "90 % interval, lower end", "90 % interval, upper end"
_MOVED_LOW, _MOVED_HIGH = (
    f"with the model's constants moved, {side} end" for side in ("lower", "upper")
)


def tables(result: Comparison) -> dict[str, list[Column]]:
    """Columns of each table that the comparison gives, by file name."""
    found = {"quantities.csv": _quantities(result), "exceedance.csv": _exceedance(result)}
    if result.curves.frequency_hz.size:
        found["spectrum.csv"] = _spectrum(result)
    if result.logged is not None and result.logged.signatures:
        found["pass-averages.csv"] = _passes(result)
    if result.logged is not None and result.logged.points:
        found["points.csv"] = _points(result)
    return found


def write_tables(result: Comparison, folder: Path) -> list[str]:
    """Write the tables into a folder, their names; OSError when one cannot be written."""
    invented = bool(result.case.invented_data)
    found = tables(result)
    about: list[Column] = [
        ("file", "", []),
        ("column", "", []),
        ("unit", "", []),
        ("meaning", "", []),
    ]
    for file, columns in found.items():
        size = len(columns[0][2])
        columns = [*columns, (INVENTED.key, INVENTED.meaning, [invented] * size)]
        _write(folder / file, columns)
        for name, meaning, _ in columns:
            for column, cell in zip(about, (file, name, unit_of(name), meaning), strict=True):
                column[2].append(cell)  # type: ignore[attr-defined]
    _write(folder / COLUMNS_FILE, about)
    return [*found, COLUMNS_FILE]


def _write(path: Path, columns: Sequence[Column]) -> None:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow([name for name, *_ in columns])
    for row in zip(*(values for *_, values in columns), strict=True):
        writer.writerow(map(_cell, row))
    path.write_text(text.getvalue(), encoding="utf-8")


_UNITS = {"_m2_s": "m²/s", "_m_s": "m/s", "_s": "s", "_hz": "Hz"}


def unit_of(column: str) -> str:
    """The unit that ends the name of a column, "" for a share, a ratio or words."""
    return next((unit for end, unit in _UNITS.items() if column.endswith(end)), "")


def _cell(value: Any) -> Any:
    if isinstance(value, bool):
        return str(value).lower()
    if not isinstance(value, float):
        return value
    return "" if math.isnan(value) else f"{value:.6g}"


def _quantities(result: Comparison) -> list[Column]:
    judged = result.judgements
    columns: list[Column] = [
        ("quantity", "key, as in comparison.json", [j.key for j in judged]),
        ("unit", "of the values", [j.unit for j in judged]),
    ]
    for value, ends, name, texts in (
        ("record", "record_interval", "record", ("measured value", _LOW, _HIGH)),
        ("model", "model_sampling_interval", "model",
         ("modelled value", f"sampling, {_LOW}", f"sampling, {_HIGH}")),
        ("", "model_interval", "model_interval", ("", _MOVED_LOW, _MOVED_HIGH)),
        ("ratio", "ratio_interval", "ratio", ("record over model", _LOW, _HIGH)),
    ):  # fmt: skip
        if value:
            columns.append((name, texts[0], [getattr(j, value) for j in judged]))
        for i, side in enumerate(("low", "high")):
            columns.append((f"{name}_{side}", texts[1 + i], [getattr(j, ends)[i] for j in judged]))
    text = "agrees, too low, too high (the model) or cannot be judged"
    return [*columns, ("verdict", text, [j.verdict for j in judged])]


def _exceedance(result: Comparison) -> list[Column]:
    c = result.curves
    return [
        ("speed_m_s", "the speed", c.speed_m_s),
        ("record_share", "share of the time above that speed, measured", c.record.share),
        ("record_low", _LOW, c.record.low),
        ("record_high", _HIGH, c.record.high),
        ("model_share", "modelled", c.model.share),
        ("model_low", f"sampling, {_LOW}", c.model.low),
        ("model_high", f"sampling, {_HIGH}", c.model.high),
        ("model_interval_low", _MOVED_LOW, c.share_range[0]),
        ("model_interval_high", _MOVED_HIGH, c.share_range[1]),
    ]


def _spectrum(result: Comparison) -> list[Column]:
    c = result.curves
    unknown = np.full(c.frequency_hz.size, np.nan)
    left, model_left = (unknown if x is None else x for x in (c.residual, c.model_residual))
    error = "half the 90 % interval of the measured density over the density"
    own = "what the model leaves about its own mean, where known"
    return [
        ("frequency_hz", "centre of the band", c.frequency_hz),
        ("record_m2_s", "spectral density, measured", c.record_density),
        ("relative_error", error, c.relative_error),
        ("model_m2_s", "modelled", c.model_density),
        ("model_interval_low_m2_s", _MOVED_LOW, c.model_range[0]),
        ("model_interval_high_m2_s", _MOVED_HIGH, c.model_range[1]),
        ("residual_m2_s", "measured less modelled mean, where that is known", left),
        ("model_residual_m2_s", own, model_left),
    ]


def _passes(result: Comparison) -> list[Column]:
    assert result.logged is not None
    found = [(s, channel, curve) for s in result.logged.signatures
             for channel, curve in s.curves.items()]  # fmt: skip
    size = [curve.model.size for *_, curve in found]
    labels = [
        np.repeat(np.array(values, dtype=object), size)
        for values in zip(*((s.vehicle, s.lane, channel) for s, channel, _ in found), strict=True)
    ]

    def joined(name: str) -> np.ndarray:
        return np.concatenate([getattr(curve.record, name) for *_, curve in found])

    channels = "u: along the road; v: across it, away from the traffic; speed: horizontal"
    before = "measured mean over the passes, less that just before them"
    return [
        ("vehicle", "vehicle class", labels[0]),
        ("lane", "lane", labels[1]),
        ("channel", channels, labels[2]),
        ("time_s", "after the nose is abreast", joined("time_s")),
        ("record_m_s", before, joined("mean")),
        ("record_low_m_s", _LOW, joined("low")),
        ("record_high_m_s", _HIGH, joined("high")),
        ("model_m_s", "modelled, averaged over the same passes",
         np.concatenate([curve.model for *_, curve in found])),
        ("other_law_m_s", "the same with the other wake law",
         np.concatenate([curve.other for *_, curve in found])),
    ]  # fmt: skip


def _points(result: Comparison) -> list[Column]:
    assert result.logged is not None
    points = result.logged.points
    joined = [np.concatenate([getattr(p, key) for p in points])
              for key in ("time_s", "measured", "modelled")]  # fmt: skip
    key = np.repeat([p.key for p in points], [p.time_s.size for p in points])
    return [
        ("points", "block_means or pass_peaks", key),
        ("time_s", "from the first compared sample", joined[0]),
        ("record_m_s", "measured", joined[1]),
        ("model_m_s", "modelled, mean over draws of the turbulence", joined[2]),
    ]
