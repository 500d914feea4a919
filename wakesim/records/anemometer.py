"""A fast anemometer record beside the road: read from a logger's CSV file, checked, in SI.

Columns (any order; others are left aside with a warning; lines that start with # are skipped, and
lines of a logger above the names of the columns; units may stand in brackets or below the names):

    time                  date and time, with an offset or Z or of a stated zone; also as two
                          columns ``date`` and ``time``, or ``epoch``, seconds since 1970; or
    time_s                seconds on any clock that only runs forward
    speed_m_s             horizontal speed; or _kmh, _mph
    direction_deg         where the wind comes from, clockwise from north; needs the road's bearing
    u_m_s, v_m_s, w_m_s   components: along +x (travel direction of the near carriageway), away from
                          the traffic, up; instead of or beside the speed

Any step, with jitter and gaps. Nothing is filled in: rows without a speed are left out and count as
gaps. With the road's bearing b (direction of +x, clockwise from north) and y to the side s of it
(+1: to the left of +x, -1: to the right), a wind of speed U from direction d has
u = -U cos(d - b) and v = s U sin(d - b).

The checks say what makes a record unusable, and what makes it doubtful.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from wakesim.arrays import Array
from wakesim.case.instrument import Instrument
from wakesim.csv_tables import SHOWN_OF_A_KIND
from wakesim.errors import CaseError
from wakesim.records.clock import moment
from wakesim.records.columns import ANEMOMETER, NO_TIME
from wakesim.records.logger import Cells, ReadOptions, read_cells

SHORTEST_S = 60.0
FEWEST_SAMPLES = 50
MOST_MISSING = 0.5
_STUCK_S = 60.0  # equal readings for as long are doubtful
_STUCK_SAMPLES = 100
_STILL_SHARE = 0.05
_FAST_STEP_S = 2.0  # samples as far apart as this may be averages over changing directions
_SPARSE_STEPS = 2.5  # steps over averaging time beyond which most of the air is not seen
_ROUNDING_M_S = 0.05
_ROUNDING_SHARE = 0.02
_DOUBTFUL_MEAN_M_S = 20.0


def nominal_step(time: Array) -> float:
    """Step of a logger with jitter and gaps, s: the mean of the steps within half of the median."""
    step = np.diff(time)
    usual = float(np.median(step))
    return float(np.mean(step[(step > 0.5 * usual) & (step < 1.5 * usual)]))


def check_order(cells: Cells, time: Array) -> None:
    """Times of all rows rise strictly. Raises CaseError with the first lines that do not."""
    step = np.diff(time)
    bad = np.flatnonzero(~(step > 0.0))
    if bad.size == 0:
        return
    name = "time" if cells.time_us is not None else cells.header.name_of("time_s")
    lines = []
    for i in bad[:SHOWN_OF_A_KIND].tolist():
        head = f"{cells.source}:{cells.lines[i + 1]}: {name}"
        if step[i] == 0.0:
            lines.append(f"{head}: is the same as in the line above")
        else:
            lines.append(
                f"{head}: is {-step[i]:g} s before the line above; times must rise (was the "
                "clock set back, or are two files joined?)"
            )
    if bad.size > SHOWN_OF_A_KIND:
        lines.append(f"{cells.source}: {bad.size - SHOWN_OF_A_KIND} more lines of this kind")
    repeated = int(np.sum(step == 0.0))
    if repeated > 0.3 * time.size:
        lines.append(
            f"{cells.source}: {repeated} of {time.size} stamps are repeated: the logger does not "
            "write fractions of a second; write them, or seconds in a column time_s"
        )
    raise CaseError(lines)


def check_length(cells: Cells, time: Array, valid: NDArray[np.bool_]) -> None:
    """Long and full enough to say anything. Raises CaseError."""
    source, count = cells.source, int(valid.sum())
    if count < FEWEST_SAMPLES:
        raise CaseError(
            f"{source}: holds {count} samples with a speed; at least {FEWEST_SAMPLES} are needed"
        )
    length = float(np.ptp(time[valid]))
    if length < SHORTEST_S:
        raise CaseError(f"{source}: spans {length:.3g} s; at least {SHORTEST_S:g} s are needed")
    step = nominal_step(time)
    missing = 1.0 - count / (round(length / step) + 1)
    if missing > MOST_MISSING:
        raise CaseError(
            f"{source}: {100 * missing:.0f} % of the samples are missing at its step of {step:g} s "
            f"({count} in {length:g} s); at most {100 * MOST_MISSING:g} % may be"
        )


def check_stuck(source: str, speed: Array, u: Array | None, v: Array | None) -> None:
    """A sensor that always reads the same measures nothing. Raises CaseError."""
    for name, values in (("speed", speed), ("u_m_s", u), ("v_m_s", v)):
        if values is not None and not np.all(np.isnan(values)):
            low, high = float(np.nanmin(values)), float(np.nanmax(values))
            if low == high:
                raise CaseError(
                    f"{source}: {name} is {low:g} m/s in all {values.size} samples: a stuck or "
                    "unplugged sensor"
                )


def check_components(
    source: str,
    lines: NDArray[np.int32],
    speed: Array,
    u: Array,
    v: Array,
    w: Array | None,
    step_s: float,
    warnings: list[str],
) -> Array:
    """The horizontal speed, when speed and components can belong together; arrays (n,).

    A mean of speeds is never below the speed of the mean velocity; between samples that are not
    averages over long they are equal. Raises CaseError when more than 1 % of the samples break
    the first rule, or the usual ratio the second.
    """
    level = np.hypot(u, v)
    known = ~np.isnan(level)
    if not known.any():
        return speed
    if w is not None and step_s <= _FAST_STEP_S:
        whole = np.sqrt(level**2 + w**2)
        gap_whole, gap_level = np.nanmean(np.abs(speed - whole)), np.nanmean(np.abs(speed - level))
        if gap_whole < 0.5 * gap_level and gap_level > 0.01:
            warnings.append(
                "the speed is that of all three components; the horizontal speed, from u_m_s and "
                "v_m_s, is used instead"
            )
            return np.where(known, level, speed)
    over = known & (level > speed * (1.0 + _ROUNDING_SHARE) + _ROUNDING_M_S)
    if over.sum() > 0.01 * known.sum():
        i = int(np.argmax(over))
        raise CaseError(
            f"{source}:{lines[i]}: speed = {speed[i]:.3g} m/s: is less than that of u_m_s = "
            f"{u[i]:.3g} m/s and v_m_s = {v[i]:.3g} m/s together, {level[i]:.3g} m/s, here and in "
            f"{int(over.sum()) - 1} more lines; is one of the units wrong?"
        )
    ratio = float(np.mean(speed[known]) / max(float(np.mean(level[known])), 1e-9))
    if step_s <= _FAST_STEP_S and ratio > 1.5:
        raise CaseError(
            f"{source}: speed is on average {ratio:.3g} times the speed of u_m_s and v_m_s; is one "
            "of the units wrong (3.6: km/h, 2.24: mph)?"
        )
    return speed


def doubts(ignored: Sequence[str], speed: Array, step_s: float, gap_share: float) -> list[str]:
    """What is allowed and doubtful in a record, in words."""
    out = []
    if ignored:
        out.append(f"columns that are not read: {', '.join(ignored)}")
    if gap_share > 0.01:
        out.append(f"{100 * gap_share:.1f} % of the samples are missing")
    longest = _longest_run(speed)
    if longest >= max(_STUCK_SAMPLES, _STUCK_S / step_s):
        out.append(f"{longest} readings in a row are equal: a stuck sensor?")
    still = float(np.mean(speed == 0.0))
    if still > _STILL_SHARE:
        out.append(
            f"{100 * still:.0f} % of the readings are exactly 0 m/s: a cup or propeller below its "
            "starting speed? The slow air beside a road is then lost"
        )
    if speed.mean() > _DOUBTFUL_MEAN_M_S:
        out.append(f"the mean speed is {speed.mean():.3g} m/s: is the unit of the column right?")
    return out


def other_instrument(speed: Array, step_s: float, components: bool, instrument: Instrument) -> str:
    """Why a record looks like that of another instrument than the described one; "" when not."""
    signs = []
    if step_s > _SPARSE_STEPS * instrument.averaging_s > 0.0:
        signs.append(
            f"a value every {step_s:.3g} s, each said to be the mean over "
            f"{instrument.averaging_s:g} s"
        )
    fast = instrument.kind in ("sonic", "hot_wire", "other")
    if instrument.kind == "sonic" and not components:
        signs.append("a speed alone, where a sonic has components")
    if not fast and components:
        signs.append("components, which cups do not show")
    still = float(np.mean(speed == 0.0))
    if still > _STILL_SHARE and fast:
        signs.append(f"{100 * still:.0f} % exactly 0 m/s, as cups below their starting speed")
    if not signs:
        return ""
    return (
        f'the record does not look like that of the described instrument (kind = "'
        f'{instrument.kind}"): it has {"; ".join(signs)}. The model is read through the described '
        "one, so differences may be the instrument's: describe the one that was used "
        "([instrument], or --instrument)"
    )


def _longest_run(values: Array) -> int:
    """Samples in the longest run of equal readings above 0."""
    same = (np.diff(values) == 0.0) & (values[1:] > 0.0)
    ends = np.flatnonzero(~np.concatenate([[False], same, [False]]))
    return int(np.diff(ends).max())


_NEEDS = (
    ("time|time_s", NO_TIME),
    ("speed|u", "column 'speed_m_s' (or _kmh, _mph), or 'u_m_s' and 'v_m_s', is missing"),
)


@dataclass(frozen=True)
class AnemometerRecord:
    """Samples of one anemometer in order of time, arrays (n,); only samples with a speed.

    ``time_s`` counts from the first sample (0 there) and rises strictly; a gap is a longer step,
    nothing is filled in. ``speed_m_s`` is the horizontal speed. ``u_m_s`` (along +x, the travel
    direction of the near carriageway), ``v_m_s`` (away from the traffic) and ``w_m_s`` (up) are
    None when not measured; u and v are NaN at samples whose direction is missing, w where it is.
    ``dt_s`` is the nominal step: the mean of those near the median one. ``start`` is the moment of
    the first sample, None
    when the file has ``time_s``; ``clock_start_s`` is then the file's ``time_s`` of that sample
    (else 0): a log on the same clock is at time ``time_s - clock_start_s`` of the record.
    ``offset_min`` is the offset from UTC that the first time states, None without one.
    ``gap_share`` is the share of the nominal samples from first to last that are not there.
    ``warnings`` says what is allowed and doubtful.
    """

    time_s: Array
    speed_m_s: Array
    u_m_s: Array | None
    v_m_s: Array | None
    w_m_s: Array | None
    dt_s: float
    start: datetime | None
    gap_share: float
    path: str
    sha256: str
    clock_start_s: float = 0.0
    offset_min: int | None = None
    warnings: tuple[str, ...] = field(default=())

    @property
    def duration_s(self) -> float:
        """Time from the first to the last sample."""
        return float(self.time_s[-1] - self.time_s[0])

    def ahead_of(self, other: AnemometerRecord) -> float:
        """Time of this record's first sample on the clock of another one of the same kind, s."""
        if self.start is not None and other.start is not None:
            return (self.start - other.start).total_seconds()
        return self.clock_start_s - other.clock_start_s


def read_anemometer(
    path: str | os.PathLike[str],
    *,
    road_bearing_deg: float | None = None,
    mount_side: Literal["left", "right"] = "left",
    options: ReadOptions = ReadOptions(),  # noqa: B008
) -> AnemometerRecord:
    """The record in a logger's CSV file.

    ``road_bearing_deg`` is the compass direction of +x, the travel direction of the near
    carriageway, and turns ``direction_deg`` into u and v; without it a direction is left aside with
    a warning. ``mount_side`` says on which side of that direction +y lies, away from the traffic:
    left of the road where traffic keeps left. ``options``: what the user says about the file;
    marks for missing values count beside empty cells, NaN and what a line ``# missing: -999`` above
    the header states.

    Raises CaseError with one line for every problem: file, line, column, value, unit, what is
    allowed; for times out of order, stuck sensors, records below 60 s or 50 samples, more than half
    missing, and components that do not fit the speed.
    """
    if road_bearing_deg is not None and not 0.0 <= road_bearing_deg <= 360.0:
        raise CaseError(
            f"road_bearing_deg = {road_bearing_deg:g} °: must be at least 0 ° and at most 360 °"
        )
    cells = read_cells(path, ANEMOMETER, _NEEDS, "an anemometer record", options)
    _check_pairs(cells)
    time, start, clock_start = _time(cells)
    valid, speed, u, v = _velocity(cells)
    check_order(cells, time)
    check_length(cells, time, valid)
    step = nominal_step(time)
    keep = slice(None) if valid.all() else valid
    time, lines, speed = time[keep], cells.lines[keep], speed[keep]
    u, v, w, direction = (
        None if part is None else part[keep]
        for part in (u, v, cells.values.get("w"), cells.values.get("direction"))
    )
    missing_share = max(0.0, 1.0 - time.size / (round(float(time[-1] - time[0]) / step) + 1))
    warnings: list[str] = list(cells.notes)
    check_stuck(cells.source, speed, u, v)
    if u is not None and v is not None and "speed" in cells.values:
        speed = check_components(cells.source, lines, speed, u, v, w, step, warnings)
    if direction is not None:
        u, v = _road_axes(speed, direction, road_bearing_deg, mount_side, warnings)
    warnings += doubts(cells.header.ignored, speed, step, missing_share)
    return AnemometerRecord(
        time_s=time - time[0],
        speed_m_s=speed,
        u_m_s=u,
        v_m_s=v,
        w_m_s=w,
        dt_s=step,
        start=None if start is None else moment(start + round(1e6 * float(time[0]))),
        gap_share=missing_share,
        path=os.fsdecode(path),
        sha256=cells.sha256,
        clock_start_s=0.0 if start is not None else clock_start + float(time[0]),
        offset_min=cells.offset_min,
        warnings=tuple(warnings),
    )


def _check_pairs(cells: Cells) -> None:
    """Components come in pairs, and the direction of the wind is given in one way."""
    held = cells.values
    line = f"{cells.source}:{cells.header.line}"
    if ("u" in held) != ("v" in held):
        lost = "v_m_s" if "u" in held else "u_m_s"
        raise CaseError(f"{line}: column '{lost}' is missing: u_m_s and v_m_s come in pairs")
    if "w" in held and "u" not in held:
        raise CaseError(f"{line}: column 'w_m_s' needs u_m_s and v_m_s")
    if "direction" in held and "u" in held:
        text = "columns 'direction_deg' and 'u_m_s', 'v_m_s': give the direction in one way"
        raise CaseError(f"{line}: {text}")


def _time(cells: Cells) -> tuple[Array, int | None, float]:
    """(seconds from the first row, microseconds of it since 1970, seconds of it on the clock)."""
    if cells.time_us is not None:
        start = int(cells.time_us[0])
        return (cells.time_us - start) * 1e-6, start, 0.0
    seconds = cells.values["time_s"]
    lost = np.flatnonzero(np.isnan(seconds))
    if lost.size:
        raise CaseError(f"{cells.source}:{cells.lines[lost[0]]}: time_s: is missing")
    return seconds - seconds[0], None, float(seconds[0])


def _velocity(cells: Cells) -> tuple[NDArray[np.bool_], Array, Array | None, Array | None]:
    """(rows with a speed, speed, u, v); the speed of the components where none is given."""
    u, v = cells.values.get("u"), cells.values.get("v")
    speed = cells.values.get("speed")
    if u is None or v is None:
        assert speed is not None
        return ~np.isnan(speed), speed, None, None
    if speed is None:
        speed = np.hypot(u, v)
    lost = np.isnan(u) | np.isnan(v)
    return ~np.isnan(speed), speed, np.where(lost, np.nan, u), np.where(lost, np.nan, v)


def _road_axes(
    speed: Array, from_deg: Array, bearing_deg: float | None, mount_side: str, warnings: list[str]
) -> tuple[Array | None, Array | None]:
    """(u, v) of a speed and the direction the wind comes from; still air needs no direction."""
    if bearing_deg is None:
        warnings.append(
            "direction_deg is not used: the bearing of the road is not given, so it cannot be "
            "turned into components along and across the road"
        )
        return None, None
    angle = np.radians(from_deg - bearing_deg)
    still = speed == 0.0
    lost = int(np.sum(np.isnan(angle) & ~still))
    if lost:
        warnings.append(f"{lost} of {speed.size} samples have a speed and no direction")
    u = np.where(still, 0.0, -speed * np.cos(angle))
    side = 1.0 if mount_side == "left" else -1.0
    v = np.where(still, 0.0, side * speed * np.sin(angle))
    return u, v
