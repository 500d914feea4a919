"""Measured wind: an hourly record from a CSV file, checked, in UTC and SI.

Columns (in any order; others are left aside with a warning):

    time                        ISO 8601; with an offset or Z, or local time of a stated zone
    wind_speed_m_s              mean speed of the hour; or _kmh, _kn, _mph
    wind_from_deg               where it blows from, degrees clockwise from north
    temperature_c, pressure_pa (or _hpa), relative_humidity (or _percent)      optional

Nothing is filled in: an hour without speed, or with wind but without its direction, is left out,
and the coverage says how many are. Calm air has no direction.
"""

from __future__ import annotations

import math
import os
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from wakesim import constants
from wakesim.air.record_csv import Cells, read_cells
from wakesim.air.record_times import to_utc, zone
from wakesim.air.rose import WindRose, fit_rose
from wakesim.arrays import Array
from wakesim.csv_tables import Problems
from wakesim.errors import CaseError, one_line

CALM_BELOW_M_S = constants.CALM_BELOW_M_S.value
_YEAR_S = 360 * 86400.0
_DOUBTFUL_MEAN_M_S = 20.0  # more than the windiest stations on record (from memory)
_STUCK_HOURS = 24


@dataclass(frozen=True)
class Gap:
    """A stretch without wind: from ``start_utc`` on, ``steps`` intervals long."""

    start_utc: np.datetime64
    steps: int


@dataclass(frozen=True)
class HoursOfDay:
    """Statistics by local clock hour, arrays (24,): readings, mean speed, mean cubed speed.

    Means are NaN for hours without a reading.
    """

    count: NDArray[np.int64]
    mean_m_s: Array
    mean_cube: Array


@dataclass(frozen=True)
class WindRecord:
    """Readings in order of time, arrays (n,); only those with a wind.

    ``time_utc`` (datetime64[s]) is the start of each interval of ``step_s``. ``from_deg`` is NaN
    where it is calm (below ``calm_below_m_s``) and no direction was given. Temperature in °C,
    pressure in Pa and relative humidity (0 to 1) are None without a column, NaN where missing.
    ``expected`` counts the intervals from the first to the last.
    """

    time_utc: NDArray[np.datetime64]
    speed_m_s: Array
    from_deg: Array
    temperature_c: Array | None
    pressure_pa: Array | None
    relative_humidity: Array | None
    step_s: float
    calm_below_m_s: float
    expected: int
    gaps: tuple[Gap, ...]
    warnings: tuple[str, ...]

    @property
    def coverage(self) -> float:
        """Share of the intervals from the first to the last that have a wind."""
        return self.speed_m_s.size / self.expected

    @property
    def mean_m_s(self) -> float:
        """Mean speed."""
        return float(self.speed_m_s.mean())

    @property
    def mean_cube(self) -> float:
        """Mean cubed speed, m3/s3."""
        return float(np.mean(self.speed_m_s**3))

    @property
    def calm_share(self) -> float:
        """Share of the readings below the calm speed."""
        return float(np.mean(self.speed_m_s < self.calm_below_m_s))

    def by_hour_of_day(self, time_zone: str) -> HoursOfDay:
        """Means by the local hour in which an interval starts, through clock changes.

        Raises CaseError for an unknown time zone.
        """
        place = zone(time_zone)
        moments = self.time_utc.astype(np.int64).tolist()
        hour = np.array([datetime.fromtimestamp(m, place).hour for m in moments])
        count = np.bincount(hour, minlength=24)
        with np.errstate(invalid="ignore"):
            mean = np.bincount(hour, self.speed_m_s, 24) / count
            cube = np.bincount(hour, self.speed_m_s**3, 24) / count
        return HoursOfDay(count, mean, cube)

    def rose(self, n_sectors: int = 12, reference_height_m: float = 10.0) -> WindRose:
        """Weibull rose of greatest likelihood; see ``wakesim.air.rose.fit_rose``.

        Raises ValueError when the record holds fewer than two different speeds that are not calm.
        """
        return fit_rose(
            self.speed_m_s, self.from_deg, n_sectors, reference_height_m, self.calm_below_m_s
        )


def read_wind_record(
    path: str | os.PathLike[str],
    *,
    time_zone: str | None = None,
    time_marks: Literal["start", "end"] = "start",
    step_s: float = 3600.0,
    missing: Sequence[str] = (),
    max_missing_share: float = 0.1,
    calm_below_m_s: float = CALM_BELOW_M_S,
) -> WindRecord:
    """The wind record in a CSV file.

    ``time_zone`` ("Europe/Berlin", "+01:00") is that of times without an offset. ``time_marks``
    says whether a time is the start or the end of its interval of ``step_s``. ``missing`` lists
    what the logger writes for a missing value, beside empty cells and NaN. ``max_missing_share`` of
    the intervals may lack a wind; they are listed in ``gaps`` and left out.

    Raises CaseError with one line for every problem: file, line, column, value, what is allowed.
    """
    if time_marks not in ("start", "end"):
        raise ValueError('time_marks must be "start" or "end"')
    if not (step_s >= 1.0 and calm_below_m_s > 0.0 and 0.0 <= max_missing_share < 1.0):
        raise ValueError("step, calm speed and allowed missing share must be in their ranges")
    source = one_line(os.fsdecode(path))
    place = None if time_zone is None else zone(time_zone)
    cells = read_cells(path, missing)
    problems = Problems(source)
    moments = to_utc(cells.times, cells.lines, place, problems)
    problems.check()
    seconds = np.array([int(m.timestamp()) for m in moments], dtype=np.int64)
    _check_grid(seconds, cells, step_s, problems)
    problems.check()
    seconds -= int(step_s) if time_marks == "end" else 0
    speed = np.array(cells.values["speed"])
    direction = np.array(cells.values["from"])
    calm = speed < calm_below_m_s
    direction[speed == 0.0] = np.nan
    valid = ~np.isnan(speed) & (calm | ~np.isnan(direction))
    lost_direction = int(np.sum(~np.isnan(speed) & ~valid))
    number = np.round((seconds - seconds[0]) / step_s).astype(np.int64)
    expected = int(number[-1]) + 1
    gaps = _gaps(number[valid], expected, seconds[0], step_s)
    _check_coverage(source, int(valid.sum()), expected, max_missing_share, gaps)
    optional = {
        name: np.array(cells.values[name])[valid] if name in cells.values else None
        for name in ("temperature", "pressure", "humidity")
    }
    return WindRecord(
        time_utc=seconds[valid].astype("datetime64[s]"),
        speed_m_s=speed[valid],
        from_deg=direction[valid],
        temperature_c=optional["temperature"],
        pressure_pa=optional["pressure"],
        relative_humidity=optional["humidity"],
        step_s=step_s,
        calm_below_m_s=calm_below_m_s,
        expected=expected,
        gaps=gaps,
        warnings=tuple(
            _warnings(cells, speed[valid], direction[valid], expected, step_s, lost_direction)
        ),
    )


def _check_grid(
    seconds: NDArray[np.int64], cells: Cells, step_s: float, problems: Problems
) -> None:
    """All times on one grid of equal steps."""
    off = np.flatnonzero((seconds - seconds[0]) % step_s != 0.0)
    if off.size == 0:
        return
    apart = np.diff(seconds)
    steps, count = np.unique(apart, return_counts=True)
    usual = int(steps[count.argmax()])
    if usual != step_s:
        hint = f"most lines are {usual} s apart; give that as step_s, or average the record"
    else:
        hint = "every time must be a whole number of steps after the first"
    problems.add(
        cells.lines[off[0]],
        f"time = {cells.times[off[0]]}: does not fit steps of {step_s:g} s "
        f"({off.size} of {seconds.size} lines); {hint}",
    )


def _gaps(number: NDArray[np.int64], expected: int, start_s: int, step_s: float) -> tuple[Gap, ...]:
    """Runs of intervals without a wind."""
    edges = np.concatenate([[-1], number, [expected]])
    before = np.flatnonzero(np.diff(edges) > 1)
    return tuple(
        Gap(
            np.datetime64(int(start_s + (edges[i] + 1) * step_s), "s"),
            int(edges[i + 1] - edges[i] - 1),
        )
        for i in before
    )


def _check_coverage(
    source: str, valid: int, expected: int, allowed: float, gaps: tuple[Gap, ...]
) -> None:
    lost = expected - valid
    if valid and lost <= allowed * expected:
        return
    text = f"{source}: {lost} of {expected} intervals have no wind ({100 * lost / expected:.1f} %)"
    if gaps:
        longest = max(gaps, key=lambda gap: gap.steps)
        text += f", the longest {longest.steps} in a row from {longest.start_utc} UTC"
    raise CaseError(f"{text}; at most {100 * allowed:g} % may be missing (max_missing_share)")


def _warnings(
    cells: Cells, speed: Array, direction: Array, expected: int, step_s: float, lost: int
) -> list[str]:
    out = []
    if cells.ignored:
        out.append(f"columns that are not read: {', '.join(cells.ignored)}")
    if speed.size < expected:
        out.append(
            f"{expected - speed.size} of {expected} intervals have no wind and are left out "
            f"(coverage {100 * speed.size / expected:.1f} %)"
        )
    if lost:
        out.append(f"{lost} of them have a speed and no direction")
    if expected * step_s < _YEAR_S:
        days = expected * step_s / 86400.0
        out.append(f"the record spans {days:.3g} days, not a year: seasons are not balanced")
    if speed.mean() > _DOUBTFUL_MEAN_M_S:
        out.append(f"the mean speed is {speed.mean():.3g} m/s: is the unit of the column right?")
    same = (np.diff(speed) == 0.0) & (np.diff(direction) == 0.0)
    ends = np.flatnonzero(~np.concatenate([[False], same, [False]]))
    longest = int(np.diff(ends).max())
    if longest >= max(2, math.ceil(_STUCK_HOURS * 3600.0 / step_s)):
        out.append(f"{longest} readings in a row are equal: a stuck sensor?")
    return out
