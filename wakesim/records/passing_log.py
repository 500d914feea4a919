"""A log of single vehicles passing the instrument: when, which class, which lane, how fast.

Columns (any order; others are left aside with a warning; lines that start with # are skipped):

    time, or time_s       as in the anemometer's file, on its clock: when the nose is abreast of it
    class                 a vehicle of the case, or of the catalogue
    lane                  name of a lane ("near 1"), or its number, 1 being the outer one, with
    carriageway           the name of its carriageway; not needed where the road has only one
    speed_kmh             or _mph, _m_s
    offset_m              optional: y of the vehicle's centreline less that of its lane
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from wakesim.arrays import Array
from wakesim.case.road import Lane
from wakesim.case.schema import Case
from wakesim.case.vehicle import Vehicle, aliases, canonical, catalogue, unknown_vehicle
from wakesim.csv_tables import SHOWN_OF_A_KIND, Problems
from wakesim.errors import CaseError, closest, one_line, shorten
from wakesim.records.anemometer import AnemometerRecord
from wakesim.records.clock import microseconds
from wakesim.records.columns import NO_TIME, PASSING_LOG, Header
from wakesim.records.logger import Cells, ReadOptions, read_cells
from wakesim.traffic.stream import SLOWEST_M_S, Passes

NEEDS = (
    ("time|time_s", NO_TIME),
    ("class", "column 'class' is missing (a vehicle of the case or of the catalogue)"),
    ("lane", "column 'lane' is missing (its name, or its number with a column 'carriageway')"),
    ("speed", "column 'speed_kmh' (or _mph, _m_s) is missing"),
)


@dataclass(frozen=True)
class Rows:
    """What the lines of a log hold, in the file's order; arrays (n,), SI units."""

    vehicle: list[str]
    lane: NDArray[np.int32]
    speed: NDArray[np.float64]
    offset: NDArray[np.float64]


def checked_rows(cells: Cells, case: Case, problems: Problems) -> Rows:
    """The rows of a log; what is wrong is added to ``problems``."""
    known = {**catalogue(), **case.vehicles}
    folded = {name.casefold(): name for name in [*known, *aliases()]}
    count = cells.lines.size
    ways = cells.text.get("carriageway")
    vehicle, lane = [], np.full(count, -1, dtype=np.int32)
    found: dict[str, str | None] = {}
    places: dict[tuple[str, str | None], int | str] = {}
    for i, line in enumerate(cells.lines.tolist()):
        word = cells.text["class"][i]
        if word not in found:
            name = canonical(folded.get(word.casefold(), word))
            found[word] = name if name in known else None
        if found[word] is None:
            text = unknown_vehicle(shorten(one_line(word)), list(folded.values()))
            problems.add(line, f"class: {text}")
        vehicle.append(found[word] or "")
        at = cells.text["lane"][i], ways[i] if ways else None
        if at not in places:
            places[at] = _lane(*at, case)
        place = places[at]
        if isinstance(place, str):
            problems.add(line, place)
        else:
            lane[i] = place
    speed, offset = cells.values["speed"], cells.values.get("offset", np.zeros(count))
    named = {line for line, _ in problems.lines}
    for key in cells.header.keys:
        quantity = PASSING_LOG[key].quantity if key in PASSING_LOG else ""
        if quantity not in ("speed", "time_s"):
            continue
        name = cells.header.name_of(key)
        for i in np.flatnonzero(np.isnan(cells.values[quantity]))[:SHOWN_OF_A_KIND].tolist():
            if int(cells.lines[i]) not in named:
                problems.add(int(cells.lines[i]), f"{name}: is missing")
    return Rows(vehicle, lane, speed, np.nan_to_num(offset))


def _lane(cell: str, way: str | None, case: Case) -> int | str:
    """Index of a lane of the road, or what is wrong with the words for it."""
    lanes, ways = case.road.lanes, [way.name for way in case.road.carriageways]
    if way is None and len(ways) == 1:
        way = ways[0]
    number = cell.removesuffix(".0")
    for lane in lanes:
        if cell.casefold() == lane.name.casefold() and way in (None, "", lane.carriageway):
            return lane.index
        if number == str(lane.number) and way and way.casefold() == lane.carriageway.casefold():
            return lane.index
    return _no_lane(cell, way, lanes, ways)


def _no_lane(cell: str, way: str | None, lanes: Sequence[Lane], ways: Sequence[str]) -> str:
    head = f'lane = "{shorten(one_line(cell))}": '
    if cell.isdigit() and way is None:
        return f"{head}a number needs a column 'carriageway': one of {', '.join(ways)}"
    if way and way.casefold() not in {name.casefold() for name in ways}:
        guess = closest(way, ways)
        hint = f"did you mean '{guess}'?" if guess else f"one of {', '.join(ways)}"
        return f'carriageway = "{shorten(one_line(way))}": is none of the road; {hint}'
    return f"{head}must be a lane of the road: {', '.join(lane.name for lane in lanes)}"


MOST_PASSES = 2_000_000
_CLOSE_S = 0.2
_STAMP_STEPS_S = (60.0, 10.0, 5.0, 1.0, 0.5, 0.2, 0.1, 0.05, 0.02, 0.01)
_SAME_S = 1e-4
_FEWEST_STAMPS = 5  # different ones, fewer may have a step by chance
_COARSE_STAMPS_S = 0.1  # at which vehicles that follow closely may have the same time


@dataclass(frozen=True)
class PassingLog:
    """Logged passes on the clock of a record, in order of time.

    ``passes`` index the lanes of the road and the vehicles of ``case``: the case that was given,
    with the catalogue's vehicles that only the log names added at the end. ``span_s`` is the time
    of the first and of the last pass on the record's clock, s. ``counts`` has the passes of each
    class. ``stamp_step_s`` is the step that the times are written in, 0 when finer than 10 ms.
    """

    passes: Passes
    case: Case
    span_s: tuple[float, float]
    counts: dict[str, int]
    stamp_step_s: float
    path: str
    sha256: str
    warnings: tuple[str, ...] = field(default=())

    def __len__(self) -> int:
        return len(self.passes)


def read_passing_log(
    path: str | os.PathLike[str],
    case: Case,
    record: AnemometerRecord,
    *,
    options: ReadOptions = ReadOptions(),  # noqa: B008
) -> PassingLog:
    """The passes in a CSV file, on the clock of ``record``.

    ``options``: what the user says about the file. Lines need not be in order of time.

    Raises CaseError with one line for every problem: file, line, column, value, what is allowed;
    also when no pass lies within the record, or the two files have different kinds of clock.
    """
    held: list[Rows] = []

    def check(cells: Cells, problems: Problems) -> None:
        if cells.lines.size > MOST_PASSES:
            raise CaseError(f"{cells.source}: holds more than {MOST_PASSES} passes")
        _check_clock(cells, record, problems)
        held.append(checked_rows(cells, case, problems))

    cells = read_cells(path, PASSING_LOG, NEEDS, "a passing log", options, check)
    rows = held[0]
    if cells.time_us is None:
        time = cells.values["time_s"] - record.clock_start_s
    else:
        assert record.start is not None
        time = (cells.time_us - microseconds(record.start)) * 1e-6
    return _placed(rows, time, case, record, cells, os.fsdecode(path))


def _check_clock(cells: Cells, record: AnemometerRecord, problems: Problems) -> None:
    mine, theirs = "a date and time", "time_s"
    if (record.start is None) == ("time_s" in cells.values):
        return
    if "time_s" in cells.values:
        mine, theirs = theirs, mine
    text = f"the times are {mine}; the anemometer's file has {theirs}; both need the same clock"
    problems.add(cells.header.line, text)


def _placed(
    rows: Rows,
    time: Array,
    case: Case,
    record: AnemometerRecord,
    cells: Cells,
    path: str,
) -> PassingLog:
    order = np.argsort(time, kind="stable")
    time = time[order]
    source, lines = cells.source, cells.lines[order]
    wider = _with_classes(case, rows.vehicle)
    number = {name: i for i, name in enumerate(wider.vehicles)}
    vehicle = np.array([number[name] for name in rows.vehicle], dtype=np.int32)[order]
    passes = Passes(
        time, rows.lane[order], vehicle, rows.speed[order], rows.offset[order], np.ones(time.size)
    )
    _check_doubles(passes, lines, wider, source)
    inside = (time >= 0.0) & (time <= record.duration_s)
    if not inside.any():
        raise CaseError(
            f"{source}: no pass lies within the record of {record.duration_s:.6g} s: the log runs "
            f"from {time[0]:.6g} to {time[-1]:.6g} s on the record's clock; are both clocks in the "
            "same time zone?"
        )
    counts = np.bincount(vehicle, minlength=len(wider.vehicles)).tolist()
    return PassingLog(
        passes=passes,
        case=wider,
        span_s=(float(time[0]), float(time[-1])),
        counts={name: n for name, n in zip(wider.vehicles, counts, strict=True) if n},
        stamp_step_s=stamp_step(time),
        path=path,
        sha256=cells.sha256,
        warnings=(*cells.notes, *_doubts(passes, inside, wider, record, cells.header)),
    )


def _with_classes(case: Case, names: Sequence[str]) -> Case:
    """The case with the catalogue's vehicles that it does not have itself."""
    more: dict[str, Vehicle] = {
        name: catalogue()[name] for name in dict.fromkeys(names) if name not in case.vehicles
    }
    return replace(case, vehicles={**case.vehicles, **more}) if more else case


def stamp_step(time_s: Array) -> float:
    """The step, s, that times (n,) in order are multiples of from the first on; 0 for none."""
    since = np.unique(time_s - time_s[0])
    for step in _STAMP_STEPS_S if since.size >= _FEWEST_STAMPS else ():
        whole = since / step
        if np.max(np.abs(whole - np.round(whole))) * step < _SAME_S:
            return step
    return 0.0


def _check_doubles(passes: Passes, lines: NDArray[np.int64], case: Case, source: str) -> None:
    """No two vehicles at the same place and time, unless stamps are coarse. Raises CaseError."""
    if stamp_step(passes.time_s) >= _COARSE_STAMPS_S:
        return
    order = np.lexsort((passes.time_s, passes.lane))
    same = (np.diff(passes.lane[order]) == 0) & (np.diff(passes.time_s[order]) == 0.0)
    found = []
    for i in np.flatnonzero(same)[:5].tolist():
        first, second = sorted((int(lines[order[i]]), int(lines[order[i + 1]])))
        lane = case.road.lanes[int(passes.lane[order[i]])].name
        found.append(
            f"{source}:{second}: the same time and lane ('{lane}') as in line {first}: two "
            "vehicles cannot be at one place"
        )
    if found:
        raise CaseError(found)


def _doubts(
    passes: Passes,
    inside: NDArray[np.bool_],
    case: Case,
    record: AnemometerRecord,
    header: Header,
) -> list[str]:
    out = []
    if header.ignored:
        out.append(f"columns that are not read: {', '.join(header.ignored)}")
    outside = len(passes) - int(inside.sum())
    if outside:
        out.append(f"{outside} of {len(passes)} passes lie outside the time of the record")
    logged = passes.time_s[inside]
    lost = logged[0] + max(record.duration_s - logged[-1], 0.0)
    if lost > 0.1 * record.duration_s:
        out.append(
            f"for {lost:.0f} of the record's {record.duration_s:.0f} s, before the first and after "
            "the last pass, no vehicle is logged"
        )
    slow = int(np.sum(passes.speed_m_s < SLOWEST_M_S))
    if slow:
        out.append(f"{slow} passes are slower than {SLOWEST_M_S:g} m/s, outside the model's range")
    order = np.lexsort((passes.time_s, passes.lane))
    gap = np.diff(passes.time_s[order])[np.diff(passes.lane[order]) == 0]
    close = int(np.sum(gap < _CLOSE_S))
    if close:
        out.append(f"{close} vehicles follow another in their lane by less than {_CLOSE_S:g} s")
    empty = [lane.name for lane in case.road.lanes if not np.any(passes.lane == lane.index)]
    if empty:
        out.append(
            f"no vehicle is logged in lane {', '.join(empty)}: traffic there, if any, is missing "
            "from the model of single passes"
        )
    return out
