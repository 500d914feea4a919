"""Measured wind: an hourly record from a CSV file, checked, in UTC and SI.

Columns (in any order; others are left aside with a warning):

    time                        ISO 8601; with an offset or Z, or local time of a stated zone
    wind_speed_m_s              mean speed of the hour; or _kmh, _kn, _mph
    wind_from_deg               where it blows from, degrees clockwise from north
    temperature_c, pressure_pa (or _hpa), relative_humidity (or _percent)      optional
    turbulence_intensity (or _percent), or the standard deviation of the speed within the
                                hour: wind_speed_sd_m_s (or _kmh, _kn, _mph)   optional

Nothing is filled in when a record is read: an hour without speed, or with wind but without its
direction, is left out, and the coverage says how many are. Calm air has no direction. ``filled``
gives a record without holes.
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
from wakesim.air.filling import fill_short, nearest_day
from wakesim.air.record_csv import Cells, read_cells
from wakesim.air.record_times import to_utc
from wakesim.air.rose import WindRose, fit_rose
from wakesim.arrays import Array, Index, Mask
from wakesim.csv_tables import Problems
from wakesim.errors import CaseError, one_line
from wakesim.time_zones import zone

CALM_BELOW_M_S = constants.CALM_BELOW_M_S.value
_YEAR_S = 360 * 86400.0
# More than nearly every station has (from memory), and what a light wind has when it is in km/h.
_DOUBTFUL_MEAN_M_S = 12.0
_SHORT_GAP_S = 3 * 3600.0
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
    pressure in Pa, relative humidity (0 to 1) and turbulence intensity are None without a column,
    NaN where missing; so is an intensity from a standard deviation where the speed is 0.
    ``expected`` counts the intervals from the first to the last.
    """

    time_utc: NDArray[np.datetime64]
    speed_m_s: Array
    from_deg: Array
    temperature_c: Array | None
    pressure_pa: Array | None
    relative_humidity: Array | None
    turbulence_intensity: Array | None
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


@dataclass(frozen=True)
class FilledWinds:
    """A wind in every interval from the first to the last, arrays (n,); see ``filled``.

    ``filled`` marks the intervals whose wind was missing. ``turbulence_intensity`` is NaN where it
    was not measured.
    """

    time_utc: NDArray[np.datetime64]
    speed_m_s: Array
    from_deg: Array
    temperature_c: Array | None
    pressure_pa: Array | None
    relative_humidity: Array | None
    turbulence_intensity: Array | None
    filled: Mask


def filled(record: WindRecord) -> FilledWinds:
    """The record without holes.

    A gap of up to 3 h between winds is filled by linear interpolation of the components; in a
    longer one, and at the ends, each interval takes the wind of the same time of day (UTC) on the
    nearest day that has it, the earlier of two as near. Temperature, pressure and humidity are
    filled alike, each for itself, and linearly where no day has that time of day; the turbulence
    intensity is not filled. Calm air without a direction has
    that of the last wind before it (or the first after it), as a vane that rests.

    Raises CaseError when a time of day is missing on every day.
    """
    step = int(record.step_s)
    starts = [record.time_utc[0], *(gap.start_utc for gap in record.gaps)]
    first = int(min(starts).astype("datetime64[s]").astype(np.int64))
    time_s = first + step * np.arange(record.expected)
    at = (record.time_utc.astype(np.int64) - first) // step
    short = int(_SHORT_GAP_S // step)

    def everywhere(values: Array) -> Array:
        out = np.full(record.expected, np.nan)
        out[at] = values
        return out

    def sources(values: Array) -> tuple[Index, Index]:
        """The holes that are not short, and where each takes its value from."""
        holes = np.flatnonzero(np.isnan(fill_short(values, short)))
        return holes, nearest_day(holes, ~np.isnan(values), time_s % 86400, time_s // 86400)

    speed, direction = everywhere(record.speed_m_s), everywhere(record.from_deg)
    missing = np.isnan(speed)
    known = np.flatnonzero(~np.isnan(direction))
    resting = np.flatnonzero(np.isnan(direction) & ~missing)
    latest = np.maximum(np.searchsorted(known, resting) - 1, 0)
    direction[resting] = direction[known[latest]] if known.size else 0.0
    holes, source = sources(speed)
    if np.any(source < 0):
        raise CaseError("the wind of one time of the day is missing on every day of the record")
    angle = np.radians(direction)
    u, v = (fill_short(x, short) for x in (-speed * np.sin(angle), -speed * np.cos(angle)))
    between = missing & ~np.isnan(u)
    speed[holes], direction[holes] = speed[source], direction[source]
    speed[between] = np.hypot(u, v)[between]
    direction[between] = np.degrees(np.arctan2(-u, -v))[between] % 360.0

    def other(values: Array | None) -> Array | None:
        if values is None or np.isnan(values).all():
            return None
        told = everywhere(values)
        holes, source = sources(told)
        place, given = np.arange(told.size), ~np.isnan(told)
        out = np.interp(place, place[given], told[given])
        taken = source >= 0
        out[holes[taken]] = told[source[taken]]
        return out

    turbulence = record.turbulence_intensity
    return FilledWinds(
        time_utc=time_s.astype("datetime64[s]"),
        speed_m_s=speed,
        from_deg=direction,
        temperature_c=other(record.temperature_c),
        pressure_pa=other(record.pressure_pa),
        relative_humidity=other(record.relative_humidity),
        turbulence_intensity=None if turbulence is None else everywhere(turbulence),
        filled=missing,
    )


def read_wind_record(
    path: str | os.PathLike[str],
    *,
    time_zone: str | None = None,
    time_marks: Literal["start", "end"] = "start",
    step_s: float = 3600.0,
    missing: Sequence[str] = (),
    max_missing_share: float = 0.1,
    most_missing_in_a_row_h: float = 168.0,
    calm_below_m_s: float = CALM_BELOW_M_S,
) -> WindRecord:
    """The wind record in a CSV file.

    ``time_zone`` ("Europe/Berlin", "+01:00") is that of times without an offset. ``time_marks``
    says whether a time is the start or the end of its interval of ``step_s``. ``missing`` lists
    what the logger writes for a missing value, beside empty cells and NaN. ``max_missing_share`` of
    the intervals may lack a wind, ``most_missing_in_a_row_h`` one after the other; they are listed
    in ``gaps`` and left out.

    Raises CaseError with one line for every problem: file, line, column, value, what is allowed.
    """
    if time_marks not in ("start", "end"):
        raise ValueError('time_marks must be "start" or "end"')
    shares = 0.0 <= max_missing_share < 1.0 and most_missing_in_a_row_h >= 0.0
    if not (step_s >= 1.0 and calm_below_m_s > 0.0 and shares):
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
    longest_h = most_missing_in_a_row_h
    _check_coverage(source, int(valid.sum()), expected, max_missing_share, longest_h, gaps, step_s)
    optional = {
        name: np.array(cells.values[name])[valid] if name in cells.values else None
        for name in ("temperature", "pressure", "humidity", "turbulence")
    }
    turbulence = optional["turbulence"]
    if turbulence is not None and cells.names["turbulence"].startswith("wind_speed_sd"):
        with np.errstate(invalid="ignore", divide="ignore"):
            turbulence = np.where(speed[valid] > 0.0, turbulence / speed[valid], np.nan)
    return WindRecord(
        time_utc=seconds[valid].astype("datetime64[s]"),
        speed_m_s=speed[valid],
        from_deg=direction[valid],
        temperature_c=optional["temperature"],
        pressure_pa=optional["pressure"],
        relative_humidity=optional["humidity"],
        turbulence_intensity=turbulence,
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
    source: str,
    valid: int,
    expected: int,
    allowed: float,
    allowed_h: float,
    gaps: tuple[Gap, ...],
    step_s: float,
) -> None:
    if not gaps:
        return
    longest = max(gaps, key=lambda gap: gap.steps)
    start = f"in a row from {longest.start_utc} UTC"
    lost = expected - valid
    if valid and longest.steps * step_s > allowed_h * 3600.0:
        raise CaseError(
            f"{source}: {longest.steps} intervals {start} have no wind; at most {allowed_h:g} h "
            "may be missing in a row (most_missing_in_a_row_h)"
        )
    if not valid or lost > allowed * expected:
        raise CaseError(
            f"{source}: {lost} of {expected} intervals have no wind ({100 * lost / expected:.1f} "
            f"%), the longest {longest.steps} {start}; at most {100 * allowed:g} % may be missing "
            "(max_missing_share)"
        )


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
