"""Measured traffic: an hourly record of counts from a CSV file, checked and without holes.

One line for each hour, carriageway (and lane) and class, columns in any order; others are left
aside with a warning:

    time            ISO 8601, start of the hour; with an offset or Z, or local time of a stated zone
    carriageway     its name in the case
    lane            1 is the outer one                                                   optional
    class           light or heavy, or the name of a vehicle class
    flow_veh_h      vehicles in the hour
    speed_m_s       mean speed of the class in that hour (or _kmh, _mph), empty where
                    not measured                                                         optional

Filled flows: a flow without a line, or with an empty or NaN cell, is that of the same clock hour on
the nearest day of the same kind (weekday, Saturday, Sunday or public holiday) that has it, the
earlier day of two as near; when no day of that kind has it, on the nearest day of any kind. Speeds
are not filled.

Public holidays are told from the record. Each day has a profile: its flows by clock hour and stream
as shares of the day's sum, so that seasons and quiet days do not matter. A Monday to Friday is a
holiday when its profile p is clearly nearer to that of Sundays, s, than to that of its own day of
the week, w, both medians of the days within four weeks: sum (p - s)^2/v < 0.5 sum (p - w)^2/v,
v = (w + s)/2, which is in proportion to the Poisson variance of a count. A day is not judged with
less than three quarters of its flows, or with fewer than two Sundays or two like days around it.
"""

from __future__ import annotations

import calendar
import datetime
import os
from collections.abc import Collection, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wakesim.air.filling import nearest_day, runs
from wakesim.air.record_csv import KMH, MPH, NO_TIME, Cells, RecordKind, read_cells
from wakesim.air.record_times import offsets_s, to_utc
from wakesim.arrays import Array, Index, Mask
from wakesim.csv_tables import SHOWN_OF_A_KIND, Column, Problems
from wakesim.errors import closest, one_line, shorten
from wakesim.time_zones import zone

WEEKDAY, SATURDAY, SUNDAY = 0, 1, 2  # kinds of days; a public holiday is a SUNDAY
LIGHT, HEAVY = "light", "heavy"

_HOUR_S, _DAY_H = 3600, 24
_NEAR_DAYS = 28  # days around one that say what is usual
_CLEARLY = 0.5  # a holiday's distance from Sundays over that from its own day of the week
_ENOUGH_OF_A_DAY = 0.75
_YEAR_H = 360 * 24
_DOUBTFUL_HEAVY_SHARE = 0.6
_SLOW_M_S, _FAST_M_S = 45.0 / 3.6, 45.0  # 95 % of the hours below, half of them above: wrong unit?
_DEAD_H, _DEAD_VEH_H = 24, 20.0  # hours of zero in a row, where the mean is above this


def _hint(name: str, value: float) -> str:
    if name == "speed_m_s" and 70.0 < value <= 252.0:
        return f"; {value:g} looks like km/h: name the column speed_kmh"
    if name.startswith("speed_") and value == 0.0:
        return "; leave the cell empty where no vehicle passed"
    return ""


COUNTS = RecordKind(
    what="a record of counts",
    columns={
        "flow_veh_h": Column("flow", "veh/h", 1.0, 0.0, 20000.0),
        "speed_m_s": Column("speed", "m/s", 1.0, 1.0, 70.0),
        "speed_kmh": Column("speed", "km/h", KMH, 3.6, 252.0),
        "speed_mph": Column("speed", "mph", MPH, 2.2, 157.0),
    },
    texts=("time", "carriageway", "lane", "class"),
    needed=(
        NO_TIME,
        ("carriageway", "column 'carriageway' is missing (its name in the case)"),
        ("class", "column 'class' is missing (light, heavy or a vehicle class)"),
        ("flow", "column 'flow_veh_h' is missing (vehicles in the hour)"),
    ),
    other_names={
        "flow": "flow_veh_h",
        "count": "flow_veh_h",
        "volume": "flow_veh_h",
        "vehicles": "flow_veh_h",
        "flow_vph": "flow_veh_h",
        "speed": "speed_kmh",
        "speed_kph": "speed_kmh",
        "speed_ms": "speed_m_s",
        "speed_mps": "speed_m_s",
        "mean_speed": "speed_kmh",
        "vehicle_class": "class",
        "direction": "carriageway",
    },
    hint=_hint,
    any_number=frozenset({"flow", "speed"}),
    if_missing="leave the cell empty",
)


@dataclass(frozen=True)
class CountStream:
    """What one column of flows counts: ``kind`` is "light", "heavy" or a class's name."""

    carriageway: str
    lane: int | None
    kind: str

    def __str__(self) -> str:
        lane = "" if self.lane is None else f" lane {self.lane}"
        return f"'{self.carriageway}'{lane} {self.kind}"


@dataclass(frozen=True)
class CountRecord:
    """Hourly flows, arrays (n,) or (n, streams): every hour from the first to the last.

    ``time_utc`` (datetime64[s]) is the start of each hour, ``local_hour`` its clock hour,
    ``local_day`` the number of the local day from 0, ``day_kind`` 0 for a weekday, 1 Saturday,
    2 Sunday or public holiday. ``flow_veh_h`` has no holes, ``filled`` marks the hours of which a
    flow was filled in. ``speed_m_s`` is NaN where not measured, None without a column.
    """

    time_utc: NDArray[np.datetime64]
    local_hour: Index
    local_day: Index
    day_kind: Index
    streams: tuple[CountStream, ...]
    flow_veh_h: Array
    speed_m_s: Array | None
    filled: Mask
    holidays: tuple[datetime.date, ...]
    warnings: tuple[str, ...]


def read_counts(
    path: str | os.PathLike[str],
    carriageways: Mapping[str, int],
    classes: Collection[str],
    *,
    time_zone: str | None = None,
    max_missing_share: float = 0.1,
    most_missing_in_a_row_h: int = 168,
) -> CountRecord:
    """The record of counts in a CSV file.

    ``carriageways`` gives the number of lanes by name; each must be in the record, by light and
    heavy or by class names, by lane or not, but all in one way. ``classes`` are the known vehicle
    classes. ``time_zone`` ("Europe/London", "+01:00") is that of times without an offset, and of
    clock hours and days; without it these are those of the stated offsets. Of the hours,
    ``max_missing_share`` may lack a flow, ``most_missing_in_a_row_h`` one after the other.

    Raises CaseError with one line for every problem: file, line, column, value, what is allowed.
    """
    if not (0.0 <= max_missing_share < 1.0 and most_missing_in_a_row_h >= 0):
        raise ValueError("allowed missing share and hours must be in their ranges")
    place = None if time_zone is None else zone(time_zone)
    cells = read_cells(path, (), COUNTS)
    problems = Problems(one_line(os.fsdecode(path)))
    streams, stream = _streams(cells, carriageways, classes, problems)
    problems.check()
    moments = to_utc(cells.times, cells.lines, place, problems, stream.tolist())
    problems.check()
    seconds = np.array([int(moment.timestamp()) for moment in moments])
    ahead = offsets_s(seconds, cells.times, place)
    _check_grid(seconds, ahead, cells, problems)
    problems.check()
    hour = (seconds - seconds.min()) // _HOUR_S
    _check_lines(hour, stream, streams, cells, problems)
    problems.check()
    time_s = seconds.min() + _HOUR_S * np.arange(hour.max() + 1)
    if place is None:  # an hour without a line has the clock of the last one that has
        latest = np.full(time_s.size, -1)
        latest[hour] = np.arange(hour.size)
        given = np.flatnonzero(latest >= 0)
        ahead = ahead[latest[given[np.searchsorted(given, np.arange(time_s.size), "right") - 1]]]
    else:
        ahead = offsets_s(time_s, (), place)
    local_s = time_s + ahead
    flow = np.full((time_s.size, len(streams)), np.nan)
    flow[hour, stream] = cells.values["flow"]
    speed = None
    if "speed" in cells.values:
        speed = np.full(flow.shape, np.nan)
        speed[hour, stream] = cells.values["speed"]
    missing = np.isnan(flow)
    filled: Mask = np.any(missing, axis=1)
    _check_missing(filled, local_s, max_missing_share, most_missing_in_a_row_h, problems)
    problems.check()
    first = int(local_s[0] // 86400)
    local_day, local_hour = local_s // 86400 - first, local_s % 86400 // _HOUR_S
    weekday = (np.arange(local_day.max() + 1) + first + 3) % 7  # 1970-01-01 was a Thursday
    holiday = find_holidays(_profiles(flow, local_day, local_hour), weekday)
    kind = np.where((weekday == 6) | holiday, SUNDAY, np.where(weekday == 5, SATURDAY, WEEKDAY))
    _fill(flow, local_day, local_hour, kind[local_day], streams, problems)
    problems.check()
    return CountRecord(
        time_utc=time_s.astype("datetime64[s]"),
        local_hour=local_hour,
        local_day=local_day,
        day_kind=kind[local_day],
        streams=streams,
        flow_veh_h=flow,
        speed_m_s=speed,
        filled=filled,
        holidays=tuple(_date(first + int(day)) for day in np.flatnonzero(holiday)),
        warnings=tuple(_warnings(cells, streams, flow, missing, speed)),
    )


def _date(day: int) -> datetime.date:
    """The date of a day counted from 1970-01-01."""
    return datetime.date(1970, 1, 1) + datetime.timedelta(days=day)


# --- what is counted -------------------------------------------------------------------------


def _streams(
    cells: Cells, carriageways: Mapping[str, int], classes: Collection[str], problems: Problems
) -> tuple[tuple[CountStream, ...], Index]:
    """The streams of a record in the case's order, and the number of each line's stream."""
    count = len(cells.lines)
    lanes = cells.texts.get("lane", [""] * count)
    lines_of: dict[tuple[str, str, str], list[int]] = {}
    told = list(zip(cells.texts["carriageway"], lanes, cells.texts["class"], strict=True))
    for i, key in enumerate(told):
        lines_of.setdefault(key, []).append(i)
    by_key: dict[tuple[str, str, str], CountStream] = {}
    wrong: dict[str, dict[str, list[int]]] = {}
    for key, at in lines_of.items():
        name, lane_text, kind = key
        text = ""
        lane = _whole(lane_text)
        if name not in carriageways:
            text = _unknown("carriageway", name, list(carriageways))
        elif kind not in (LIGHT, HEAVY) and kind not in classes:
            text = _unknown("class", kind, [LIGHT, HEAVY, *classes])
        elif lane_text and (lane is None or not 1 <= lane <= carriageways[name]):
            text = f"lane = {shorten(lane_text)}: must be a whole number, at least 1 and at most "
            text += f"{carriageways[name]} on carriageway '{name}'"
        else:
            by_key[key] = CountStream(name, lane, kind)
        if text:
            texts = wrong.setdefault(text.split(" ")[0], {})
            texts.setdefault(text, []).extend(cells.lines[i] for i in at)
    for texts in wrong.values():
        everywhere = sum(map(len, texts.values())) == count
        if len(texts) > SHOWN_OF_A_KIND or everywhere:  # a column of something else
            texts = {next(iter(texts)): [line for found in texts.values() for line in found]}
        for text, at in texts.items():
            problems.add_one(sorted(at), text)
    if problems.lines:
        return (), np.zeros(0, dtype=np.int64)
    first = {stream: cells.lines[lines_of[key][0]] for key, stream in by_key.items()}
    _check_one_way(first, carriageways, problems)
    order = {name: i for i, name in enumerate((*carriageways, LIGHT, HEAVY, *classes))}
    streams = sorted(set(first), key=lambda s: (order[s.carriageway], s.lane or 0, order[s.kind]))
    number = {stream: i for i, stream in enumerate(streams)}
    return tuple(streams), np.array([number[by_key[key]] for key in told])


def _whole(text: str) -> int | None:
    """A whole number, as "2" or "2.0", None for anything else."""
    number = text.removesuffix(".0")
    return int(number) if number.isascii() and number.isdecimal() else None


def _unknown(column: str, name: str, known: list[str]) -> str:
    guess = closest(name, known)
    hint = f"did you mean '{guess}'?" if guess else f"known: {', '.join(known)}"
    return f'{column} = "{shorten(name)}": is not in the case; {hint}'


def _check_one_way(
    first: Mapping[CountStream, int], carriageways: Mapping[str, int], problems: Problems
) -> None:
    """Light and heavy or classes, lanes or not, in one way; ``first`` line of each stream."""
    in_two = {stream: stream.kind in (LIGHT, HEAVY) for stream in first}
    by_lane = {stream: stream.lane is not None for stream in first}
    words = "light and heavy in some lines and names of vehicle classes in others"
    for text, way in (
        (f"class: {words}", in_two),
        ("lane: a lane in some lines and none in others", by_lane),
    ):
        opening = way[min(first, key=lambda stream: first[stream])]
        others = [first[stream] for stream in first if way[stream] != opening]
        if others:
            problems.add(min(others), f"{text}; the whole record must be in one way")
    if problems.lines:
        return
    for name, count in carriageways.items():
        here = [stream for stream in first if stream.carriageway == name]
        kinds = {stream.kind for stream in here}
        if not here:
            problems.add(0, f"carriageway '{name}' of the case has no lines")
        elif len(kinds) < 2 and kinds & {LIGHT, HEAVY}:
            other = HEAVY if LIGHT in kinds else LIGHT
            text = f"carriageway '{name}' has no lines of class {other}; write 0 where none passed"
            problems.add(0, text)
        elif by_lane[here[0]]:
            for lane in sorted(set(range(1, count + 1)) - {stream.lane for stream in here}):
                problems.add(0, f"lane {lane} of carriageway '{name}' has no lines")


# --- checks of the whole record --------------------------------------------------------------


def _check_grid(seconds: Index, ahead: Index, cells: Cells, problems: Problems) -> None:
    """All times are full hours of the local clock, whole hours apart."""
    off = np.flatnonzero(
        ((seconds + ahead) % _HOUR_S != 0) | ((seconds - seconds[0]) % _HOUR_S != 0)
    )
    if off.size == 0:
        return
    apart = np.diff(np.unique(seconds))
    usual = int(np.median(apart)) if apart.size else _HOUR_S
    hint = f"; most times are {usual} s apart: give sums of hours" if usual < _HOUR_S else ""
    text = f"time = {cells.times[off[0]]}: must be a full hour, the start of the hour counted"
    problems.add_one([cells.lines[i] for i in off], text + hint)


def _check_lines(
    hour: Index, stream: Index, streams: tuple[CountStream, ...], cells: Cells, problems: Problems
) -> None:
    """No hour twice in a stream, and hours in order of time."""
    order = np.lexsort((np.arange(hour.size), hour, stream))
    same = (np.diff(hour[order]) == 0) & (np.diff(stream[order]) == 0)
    if same.any():
        again = np.sort(order[1:][same])
        i = int(again[0])
        before = int(np.flatnonzero((hour == hour[i]) & (stream == stream[i]))[0])
        text = f"time = {cells.times[i]}: {streams[stream[i]]} of this hour is in line "
        problems.add_one([cells.lines[j] for j in again], f"{text}{cells.lines[before]} already")
        return
    order = np.argsort(stream, kind="stable")
    back = (np.diff(hour[order]) < 0) & (np.diff(stream[order]) == 0)
    if back.any():
        i = int(order[1:][back].min())
        text = f"time = {cells.times[i]}: {streams[stream[i]]} has a later time above; "
        problems.add(cells.lines[i], text + "sort the record by time")


def _check_missing(
    missing: Mask, local_s: Index, most_share: float, most_in_a_row_h: int, problems: Problems
) -> None:
    lost = int(missing.sum())
    if not lost:
        return
    starts, lengths = runs(missing)
    longest = int(lengths.argmax())
    first, run = int(starts[longest]), int(lengths[longest])
    start = f"in a row from {local_s[first].astype('datetime64[s]')} local time"
    if run > most_in_a_row_h:
        month = _whole_month(local_s[first : first + run])
        text = f"{run} hours {start} lack a flow{month}; at most {most_in_a_row_h} h may be missing"
        problems.add(0, f"{text} in a row (most_missing_in_a_row_h)")
    elif lost > most_share * missing.size:
        text = f"{lost} of {missing.size} hours lack a flow ({100 * lost / missing.size:.1f} %), "
        text += f"the longest {run} {start}; at most {100 * most_share:g} % may be missing "
        problems.add(0, f"{text}(max_missing_share); write 0 where nothing passed")


def _whole_month(local_s: Index) -> str:
    """The one whole calendar month that a stretch of hours holds, in brackets."""
    month = local_s.astype("datetime64[s]").astype("datetime64[M]")
    first, last = month[0], (local_s[-1] + _HOUR_S).astype("datetime64[s]").astype("datetime64[M]")
    at_start = local_s[0].astype("datetime64[s]") == first.astype("datetime64[s]")
    whole = first if at_start else first + 1
    if whole + 1 != last:
        return ""
    year, number = str(whole).split("-")
    return f" (all of {calendar.month_name[int(number)]} {year})"


# --- days ------------------------------------------------------------------------------------


def _profiles(flow: Array, day: Index, hour: Index) -> Array:
    """Flows (days, 24 streams) by day, clock hour and stream, NaN where there is none.

    A clock hour that is there twice has the mean.
    """
    days, streams = int(day.max()) + 1, flow.shape[1]
    cell = ((day * _DAY_H + hour)[:, None] * streams + np.arange(streams)).ravel()
    value, size = flow.ravel(), days * _DAY_H * streams
    given = np.isfinite(value)
    count = np.bincount(cell[given], minlength=size)
    with np.errstate(invalid="ignore"):
        mean = np.bincount(cell[given], value[given], size) / count
    return mean.reshape(days, -1)


def find_holidays(profiles: Array, weekday: Index) -> Mask:
    """Which days (days,) are public holidays; the rule stands at the head of this module.

    ``profiles`` (days, cells) are flows by hour and stream, NaN where missing; ``weekday`` counts
    from 0, Monday.
    """
    days = np.arange(weekday.size)
    given = np.isfinite(profiles)
    found = np.zeros(weekday.size, dtype=bool)
    for day in np.flatnonzero(weekday < 5):
        near = (np.abs(days - day) <= _NEAR_DAYS) & (given.mean(axis=1) >= _ENOUGH_OF_A_DAY)
        like = near & (weekday == weekday[day]) & (days != day)
        sundays = near & (weekday == 6)
        if not near[day] or like.sum() < 2 or sundays.sum() < 2:
            continue
        own, usual = profiles[day], profiles[like]
        sunday = profiles[sundays]
        known = given[day] & given[like].any(axis=0) & given[sundays].any(axis=0)
        p, w, s = (_shares(x[known]) for x in (own, _median(usual, known), _median(sunday, known)))
        variance = 0.5 * (w + s)
        some = variance > 0.0
        if not (p.any() and some.any()):
            continue
        from_week, from_sunday = (
            float(np.sum((p - x)[some] ** 2 / variance[some])) for x in (w, s)
        )
        found[day] = from_sunday < _CLEARLY * from_week
    return found


def _median(values: Array, known: Mask) -> Array:
    """Median over the days that have a flow, (cells,), NaN where not ``known``."""
    out = np.full(known.size, np.nan)
    out[known] = np.nanmedian(values[:, known], axis=0)
    return out


def _shares(flow: Array) -> Array:
    total = flow.sum()
    return flow / total if total > 0.0 else np.zeros_like(flow)


def _fill(
    flow: Array,
    day: Index,
    hour: Index,
    kind: Index,
    streams: tuple[CountStream, ...],
    problems: Problems,
) -> None:
    """Fill the holes of ``flow`` (n, streams) in place; the rule stands at the head."""
    for column, stream in enumerate(streams):
        given = np.isfinite(flow[:, column])
        holes = np.flatnonzero(~given)
        source = nearest_day(holes, given, kind * _DAY_H + hour, day)
        source = np.where(source < 0, nearest_day(holes, given, hour, day), source)
        if np.any(source < 0):
            at = hour[holes[source < 0][0]]
            problems.add(0, f"{stream} has no flow at {at}:00 on any day; it cannot be filled in")
        flow[holes, column] = flow[source, column]


# --- doubts ----------------------------------------------------------------------------------


def _warnings(
    cells: Cells,
    streams: tuple[CountStream, ...],
    flow: Array,
    missing: Mask,
    speed: Array | None,
) -> list[str]:
    out = []
    hours = flow.shape[0]
    if cells.ignored:
        out.append(f"columns that are not read: {', '.join(cells.ignored)}")
    if missing.any():
        lost = int(missing.any(axis=1).sum())
        out.append(
            f"{lost} of {hours} hours lack a flow ({100 * lost / hours:.1f} %); {missing.sum()} "
            "flows are filled in: the same clock hour of the nearest day of the same kind"
        )
    if hours < _YEAR_H:
        out.append(f"the record spans {hours / 24:.3g} days, not a year: seasons are not balanced")
    heavy = np.array([s.kind == HEAVY for s in streams])
    total = float(flow.sum())
    if heavy.any() and flow[:, heavy].sum() > _DOUBTFUL_HEAVY_SHARE * total:
        share = 100 * flow[:, heavy].sum() / total
        out.append(f"{share:.0f} % of the vehicles are heavy: are light and heavy swapped?")
    for column, stream in enumerate(streams):
        zero = (flow[:, column] == 0.0) & ~missing[:, column]
        run = int(runs(zero)[1].max(initial=0))
        if run > _DEAD_H and flow[:, column].mean() > _DEAD_VEH_H:
            out.append(f"{stream}: {run} flows of 0 in a row: a dead counter?")
    if speed is not None:
        out += _doubtful_speeds(cells.names["speed"], flow[~missing], speed[~missing])
    return out


def _doubtful_speeds(name: str, flow: Array, speed: Array) -> list[str]:
    """Units and columns that are within their ranges and yet hardly right."""
    known = np.isfinite(speed) & (flow > 0.0)
    if not known.any():
        return []
    column = COUNTS.columns[name]
    half, fast = (float(x) for x in np.percentile(speed[known], (50.0, 95.0)))
    if half > _FAST_M_S or fast < _SLOW_M_S:
        shown = f"{half / column.factor:.3g} {column.unit}"
        return [f"half of the mean speeds are above {shown}: is the unit of {name} right?"]
    flow_sd, speed_sd = (float(np.std(x[known])) / float(np.mean(x[known])) for x in (flow, speed))
    if speed_sd > 0.4 > 2.0 * flow_sd:
        return [f"the speeds vary more than the flows: are flow_veh_h and {name} swapped?"]
    return []
