"""The lines of a passing log: each cell checked, classes and lanes found."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import tzinfo

import numpy as np
from numpy.typing import NDArray

from wakesim.air.record_csv import Problems
from wakesim.case.catalogue import aliases, canonical, catalogue, unknown_vehicle
from wakesim.case.problems import one_line, shorten
from wakesim.case.road import Lane
from wakesim.case.schema import Case
from wakesim.case.suggest import closest
from wakesim.records.cell_kernel import parse_time
from wakesim.records.clock import utc_microseconds
from wakesim.records.columns import PASSING_LOG, Header, read_header
from wakesim.records.logger_cells import out_of_range

_NEEDS = (
    ("time|time_s", "column 'time' (ISO 8601) or 'time_s' is missing"),
    ("class", "column 'class' is missing (a vehicle of the case or of the catalogue)"),
    ("lane", "column 'lane' is missing (its name, or its number with a column 'carriageway')"),
    ("speed", "column 'speed_kmh' (or _mph, _m_s) is missing"),
)


@dataclass
class Rows:
    """What the lines of a log hold, in the file's order."""

    lines: list[int] = field(default_factory=list)
    stamps: list[bytes] = field(default_factory=list)
    time_s: list[float] = field(default_factory=list)
    lane: list[int] = field(default_factory=list)
    vehicle: list[str] = field(default_factory=list)
    speed: list[float] = field(default_factory=list)
    offset: list[float] = field(default_factory=list)


def checked_header(cells: Sequence[str], line: int, problems: Problems) -> Header:
    """The header of a log; what is unknown or missing is added to ``problems``."""
    header = read_header(cells, line, PASSING_LOG, problems)
    if not problems.lines:
        held = {PASSING_LOG[n].quantity for n in header.names if n in PASSING_LOG}
        for quantities, text in _NEEDS:
            if held.isdisjoint(quantities.split("|")):
                problems.add(line, text)
    return header


class RowReader:
    """Rows of a log, each cell checked."""

    def __init__(self, header: Header, case: Case, problems: Problems) -> None:
        self.names = header.names
        self.problems = problems
        self.rows = Rows()
        self.lanes = case.road.lanes
        self.ways = [way.name for way in case.road.carriageways]
        self.known = {**catalogue(), **case.vehicles}
        self.folded = {name.casefold(): name for name in [*self.known, *aliases()]}

    def add(self, line: int, cells: Sequence[str]) -> None:
        """One row of the file."""
        if len(cells) != len(self.names):
            text = f"has {len(cells)} cells; the header names {len(self.names)}"
            self.problems.add(line, text)
            return
        row = {name: cell.strip() for name, cell in zip(self.names, cells, strict=True)}
        rows = self.rows
        rows.lines.append(line)
        rows.stamps.append(row.get("time", "").encode())
        rows.vehicle.append(self._vehicle(line, row["class"]))
        rows.lane.append(self._lane(line, row))
        for name, cell in row.items():
            column = PASSING_LOG.get(name)
            if column is not None and column.quantity in ("time_s", "speed", "offset"):
                value = self._number(line, name, cell)
                values = {"time_s": rows.time_s, "speed": rows.speed, "offset": rows.offset}
                values[column.quantity].append(value * column.factor)

    def _number(self, line: int, name: str, cell: str) -> float:
        column = PASSING_LOG[name]
        try:
            value = float(cell)
        except ValueError:
            value = math.nan
        if not cell and column.quantity == "offset":
            return 0.0
        if not cell:
            self.problems.add(line, f"{name}: is missing")
        elif not math.isfinite(value):
            self.problems.add(line, f'{name} = "{shorten(one_line(cell))}": must be a number')
        elif not column.low <= value <= column.high:
            self.problems.add(line, out_of_range(name, value, column))
        return value

    def _vehicle(self, line: int, cell: str) -> str:
        name = canonical(self.folded.get(cell.casefold(), cell))
        if name not in self.known:
            shown = shorten(one_line(cell))
            self.problems.add(line, f"class: {unknown_vehicle(shown, list(self.folded.values()))}")
        return name

    def _lane(self, line: int, row: Mapping[str, str]) -> int:
        cell, way = row["lane"], row.get("carriageway")
        if way is None and len(self.ways) == 1:
            way = self.ways[0]
        for lane in self.lanes:
            if cell.casefold() == lane.name.casefold() and way in (None, "", lane.carriageway):
                return lane.index
            if cell == str(lane.number) and way and way.casefold() == lane.carriageway.casefold():
                return lane.index
        self.problems.add(line, _no_lane(cell, way, self.lanes, self.ways))
        return -1


def _no_lane(cell: str, way: str | None, lanes: Sequence[Lane], ways: Sequence[str]) -> str:
    head = f'lane = "{shorten(one_line(cell))}": '
    if cell.isdigit() and way is None:
        return f"{head}a number needs a column 'carriageway': one of {', '.join(ways)}"
    if way and way.casefold() not in {name.casefold() for name in ways}:
        guess = closest(way, ways)
        hint = f"did you mean '{guess}'?" if guess else f"one of {', '.join(ways)}"
        return f'carriageway = "{shorten(one_line(way))}": is none of the road; {hint}'
    return f"{head}must be a lane of the road: {', '.join(lane.name for lane in lanes)}"


def stamps(rows: Rows, place: tzinfo | None, problems: Problems) -> NDArray[np.int64]:
    """Moments in microseconds since 1970 in UTC."""
    local = np.zeros(len(rows.lines), dtype=np.int64)
    offset = np.zeros(len(rows.lines), dtype=np.int32)
    for i, stamp in enumerate(rows.stamps):
        data = np.frombuffer(stamp, dtype=np.uint8)
        good, local[i], offset[i] = parse_time(data, 0, data.size)
        if not good:
            shown = shorten(one_line(stamp.decode(errors="replace")))
            text = f'time = "{shown}": must be a date and time in ISO 8601'
            problems.add(rows.lines[i], f"{text}, as 2025-03-30T14:00:00.05Z")
    if problems.lines or not rows.lines:
        return local
    return utc_microseconds(local, offset, np.array(rows.lines, np.int32), place, problems)
