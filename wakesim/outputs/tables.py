"""Tidy CSV tables. Lines that begin with "# " state title, units, source and invented data."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from wakesim.arrays import Array
from wakesim.outputs import energy_tables, wording

if TYPE_CHECKING:
    from wakesim.results import GridResult, MountResult, Result

STRETCH_S = 600.0
_BLOCK = 50_000

_SERIES = (
    ("mount", "name of the mount"),
    ("time_s", "s, since the start of the round"),
    ("hour", "h, clock hour of the sample"),
    ("u_m_s", "m/s, along the road, centre of the swept rectangle"),
    ("v_m_s", "m/s, across the road (towards +y), centre of the swept rectangle"),
    ("speed_m_s", "m/s, rotor-equivalent horizontal speed"),
)
_SIGNATURES = (
    ("mount", "name of the mount"),
    ("vehicle", "vehicle class"),
    ("lane", "lane"),
    ("vehicle_speed_m_s", "m/s, speed of the vehicle"),
    ("clearance_m", "m, from the vehicle's outline to the rotor's centre"),
    ("time_s", "s, after the nose is abreast of the mount"),
    ("u_m_s", "m/s, along the road"),
    ("v_m_s", "m/s, across the road (towards +y)"),
    ("w_m_s", "m/s, up"),
    ("pulse_u_m_s", "m/s, part of u made by the hull"),
    ("wake_u_m_s", "m/s, part of u made by the mean wake"),
    ("sigma_m_s", "m/s, standard deviation of the along-road turbulence"),
    ("relief_peak", "peak of the pulse over that of a plan-plane (2D) calculation, or nan"),
    ("relief_cube", "integral of the pulse's cubed speed over that of a plan-plane one, or nan"),
)
_HOURLY = (
    ("mount", "name of the mount"),
    ("hour", "h, clock hour, its beginning"),
    ("flow_veh_h", "vehicles per hour, all lanes"),
    ("effective_speed_m_s", "m/s, cube root of the mean cubed speed"),
    ("mean_speed_m_s", "m/s"),
)
_VARIANTS = (
    ("mount", "name of the mount"),
    ("parameter", "uncertain constant of the model"),
    ("setting", "what it is moved to"),
    ("effective_speed_m_s", "m/s, cube root of the mean cubed speed"),
    ("change_m_s", "m/s, against the case as given"),
    ("counted", "true: part of the model interval; false: a state of the air shown beside it"),
)


def busiest_window(speed_m_s: Array, dt_s: float, length_s: float) -> slice:
    """Samples of the window of ``length_s`` with the highest mean cubed speed.

    A series shorter than the window is returned whole.
    """
    samples = max(1, round(length_s / dt_s))
    if samples >= len(speed_m_s):
        return slice(0, len(speed_m_s))
    total = np.concatenate([[0.0], np.cumsum(np.asarray(speed_m_s, dtype=float) ** 3)])
    start = int(np.argmax((total[samples:] - total[:-samples]) / samples))
    return slice(start, start + samples)


def tables(result: Result) -> list[str]:
    """Names of the tables this result gives."""
    names = ["signatures.csv"]
    if any(mount.statistics for mount in result.mounts):
        names += ["hourly.csv", "model-variants.csv"]
        if result.case.outputs.series_csv != "none":
            names.append("series.csv")
    if any(mount.energy for mount in result.mounts):
        names += ["energy-hours.csv", "energy-months.csv", "energy-winds.csv", "mount-loads.csv"]
    if any(mount.energy and mount.energy.uncertainty for mount in result.mounts):
        names.append("yield-samples.csv")
    return names


def write_table(result: Result, name: str, path: Path) -> None:
    """Write the table ``name`` (one of ``tables(result)``); OSError when it cannot be written."""
    columns, blocks, note = {
        "signatures.csv": (_SIGNATURES, _signature_blocks, "One pass of each class, no other air."),
        "hourly.csv": (_HOURLY, _hourly_blocks, "Means over each clock hour."),
        "model-variants.csv": (_VARIANTS, _variant_blocks, "One uncertain constant moved at once."),
        "series.csv": (_SERIES, _series_blocks, _series_note(result)),
        **_energy_tables(result),
    }[name]
    with path.open("w", encoding="utf-8", newline="") as file:
        file.write(csv_header(result, columns, note))
        for mount in result.mounts:
            for block in blocks(result, mount):
                file.write(block)


def _energy_tables(result: Result) -> dict[str, tuple[Any, Any, str]]:
    """Columns, blocks and note of the tables of the energy."""
    found: dict[str, tuple[Any, Any, str]] = {
        "energy-hours.csv": (energy_tables.HOURS, energy_tables.hour_rows, "Means of each hour."),
        "energy-months.csv": (
            energy_tables.MONTHS, energy_tables.month_rows, "The year of the case, in its winds.",
        ),
        "energy-winds.csv": (
            energy_tables.WINDS, energy_tables.wind_rows, "Weekdays in the winds of the year.",
        ),
        "mount-loads.csv": (
            energy_tables.LOADS, energy_tables.load_rows, "Indicative only, no design values.",
        ),
    }  # fmt: skip
    for mount in result.mounts:
        if mount.energy is not None and mount.energy.uncertainty is not None:
            columns = energy_tables.sample_columns(mount)
            note = "Quasi-random samples of all uncertain inputs, in the air of the case."
            found["yield-samples.csv"] = (columns, energy_tables.sample_rows, note)
    return {
        name: (columns, partial(_lines, rows), note)
        for name, (columns, rows, note) in found.items()
    }


def _lines(
    rows: Callable[[Result, MountResult], Iterator[tuple[Any, ...]]],
    result: Result,
    mount: MountResult,
) -> Iterator[str]:
    for row in rows(result, mount):
        yield _row(row)


def csv_header(result: Result | GridResult, columns: Sequence[tuple[str, str]], note: str) -> str:
    """Comment lines with title, source and every column's meaning, then the columns' names."""
    provenance = result.provenance
    seed = f"seed {provenance['seed']}, " if "seed" in provenance else ""
    lines = [
        result.case.title,
        wording.INVENTED_BANNER if result.case.invented_data else "Data as given by the case file.",
        note,
        f"source: wakesim {provenance.get('version', '')}, case sha256 {result.case.sha256}, "
        f"{seed}{provenance.get('created_utc', '')}",
        *(f"{name}: {text}" for name, text in columns),
    ]
    names = ",".join(name for name, _ in columns)
    return "".join(map(wording.comment_line, lines)) + names + "\n"


def _series_note(result: Result) -> str:
    if result.case.outputs.series_csv == "full":
        return "The first simulated round at full sample rate."
    return (
        f"The {STRETCH_S / 60:.0f} minutes with the highest mean cubed speed at each mount, at "
        "full sample rate: busier than the rest, not typical."
    )


def _series_blocks(result: Result, mount: MountResult) -> Iterator[str]:
    if mount.statistics is None:
        return
    series = mount.statistics.series
    window = slice(0, len(series.time_s))
    if result.case.outputs.series_csv == "stretch":
        window = busiest_window(series.speed_m_s, series.dt_s, STRETCH_S)
    prefix = _cell(mount.mount.name)
    for start in range(window.start, window.stop, _BLOCK):
        part = slice(start, min(start + _BLOCK, window.stop))
        columns = [
            np.asarray(values)[part].tolist()
            for values in (
                series.time_s,
                series.hour,
                series.u_m_s,
                series.v_m_s,
                series.speed_m_s,
            )
        ]
        yield "".join(
            f"{prefix},{t:.10g},{h:d},{u:.6g},{v:.6g},{s:.6g}\n"
            for t, h, u, v, s in zip(*columns, strict=True)
        )


def _signature_blocks(_: Result, mount: MountResult) -> Iterator[str]:
    for s in mount.signatures:
        prefix = _row((mount.mount.name, s.vehicle, s.lane, s.speed_m_s, s.clearance_m))[:-1]
        suffix = f",{s.relief_peak:.6g},{s.relief_cube:.6g}\n"
        arrays = (s.time_s, s.u_m_s, s.v_m_s, s.w_m_s, s.pulse_u_m_s, s.wake_u_m_s, s.sigma_m_s)
        yield "".join(
            prefix + "".join(f",{value:.9g}" for value in values) + suffix
            for values in zip(*(np.asarray(a).tolist() for a in arrays), strict=True)
        )


def _hourly_blocks(_: Result, mount: MountResult) -> Iterator[str]:
    if mount.statistics is not None:
        for r in mount.statistics.hourly:
            yield _row(
                (mount.mount.name, r.hour, r.flow_veh_h, r.effective_speed_m_s, r.mean_speed_m_s)
            )


def _variant_blocks(_: Result, mount: MountResult) -> Iterator[str]:
    if mount.statistics is not None:
        for v in mount.statistics.variants:
            counted = "true" if v.counted else "false"
            speeds = (v.effective_speed_m_s, v.change_m_s)
            yield _row((mount.mount.name, v.parameter, v.setting, *speeds, counted))


def _row(values: Iterable[Any]) -> str:
    """One CSV line; floats in full so that they read back equal."""
    buffer = io.StringIO()
    plain = [float(v) if isinstance(v, np.floating) else v for v in values]
    csv.writer(buffer, lineterminator="\n").writerow(plain)
    return buffer.getvalue()


def _cell(text: str) -> str:
    return _row((text, ""))[:-2]
