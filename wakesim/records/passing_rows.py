"""The lines of a passing log: classes and lanes found, numbers checked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wakesim.air.record_csv import Problems
from wakesim.case.messages import closest, one_line, shorten
from wakesim.case.road import Lane
from wakesim.case.schema import Case
from wakesim.case.vehicle import aliases, canonical, catalogue, unknown_vehicle
from wakesim.records.columns import NO_TIME, PASSING_LOG
from wakesim.records.logger_cells import SHOWN_OF_A_KIND, Cells

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
    told = {line for line, _ in problems.lines}
    for key in cells.header.keys:
        quantity = PASSING_LOG[key].quantity if key in PASSING_LOG else ""
        if quantity not in ("speed", "time_s"):
            continue
        name = cells.header.name_of(key)
        for i in np.flatnonzero(np.isnan(cells.values[quantity]))[:SHOWN_OF_A_KIND].tolist():
            if int(cells.lines[i]) not in told:
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
