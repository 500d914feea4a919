"""All cells of a logger file as arrays: the time of each row and one array for each quantity."""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import tzinfo

import numpy as np
from numpy.typing import NDArray

from wakesim.air.record_csv import Column, Problems
from wakesim.case.problems import one_line, shorten
from wakesim.errors import CaseError
from wakesim.records.cell_kernel import NUMBER, SKIP, TIME, WRONG_COUNT, scan
from wakesim.records.clock import utc_microseconds
from wakesim.records.columns import Header, read_header
from wakesim.records.logger_file import LoggerFile, open_logger_file

Array = NDArray[np.float64]

SHOWN_OF_A_KIND = 5
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
_COMMA = re.compile(r"[+-]?\d+,\d+")
_MARKS = {-9999.0, -999.9, -999.0, -99.99, -99.9, -99.0, 99.9, 99.99, 999.0, 999.9, 9999.0}


@dataclass(frozen=True)
class Cells:
    """Rows of a file, arrays (rows,): values in SI, NaN where missing; a line number each.

    ``time_us`` is the moment in microseconds since 1970 in UTC, None when the file has ``time_s``,
    which is then among the values.
    """

    header: Header
    lines: NDArray[np.int32]
    values: dict[str, Array]
    time_us: NDArray[np.int64] | None
    source: str
    sha256: str


@dataclass
class _Piece:
    values: Array
    local_us: NDArray[np.int64]
    offset_min: NDArray[np.int32]
    lines: NDArray[np.int32]


def read_cells(
    path: str | os.PathLike[str],
    known: Mapping[str, Column],
    needs: Iterable[tuple[str, str]],
    place: tzinfo | None,
    missing: Iterable[str],
    what: str,
) -> Cells:
    """Every cell of a file of numbers and times.

    ``known`` columns by name; ``needs`` are (quantities, message) pairs, of which one of the
    quantities, joined by "|", must be there. ``place`` is the time zone of times without an offset.
    ``missing`` marks count beside empty cells, NaN, and what the file states itself.

    Raises CaseError, one line a problem: file, line, column, value, allowed range.
    """
    found = open_logger_file(path, what)
    with found.file:
        problems = Problems(found.source)
        header = read_header(found.cells, found.line, known, problems)
        if not problems.lines:
            held = {known[n].quantity for n in header.names if n in known}
            for quantities, text in needs:
                if held.isdisjoint(quantities.split("|")):
                    problems.add(found.line, text)
        problems.check()
        scanner = _Scanner(found, header, known, {*missing, *found.missing}, problems)
        pieces = [scanner.read(line, data) for line, data in found.pieces()]
    if not sum(p.lines.size for p in pieces):
        raise CaseError(f"{found.source}: holds no line after the header")
    lines = np.concatenate([p.lines for p in pieces])
    time_us = None
    if scanner.timed:
        local = np.concatenate([p.local_us for p in pieces])
        offset = np.concatenate([p.offset_min for p in pieces])
        time_us = utc_microseconds(local, offset, lines, place, problems)
        problems.check()
    columns = {
        q: np.concatenate([p.values[i] for p in pieces]) for i, q in enumerate(scanner.quantities)
    }
    return Cells(header, lines, columns, time_us, found.source, found.sha256)


class _Scanner:
    """Pieces of one file to arrays, checked against the ranges of the columns."""

    def __init__(
        self,
        found: LoggerFile,
        header: Header,
        known: Mapping[str, Column],
        missing: set[str],
        problems: Problems,
    ) -> None:
        self.delimiter = ord(found.delimiter)
        self.names = header.names
        self.known = known
        self.problems = problems
        self.words = {mark.casefold() for mark in missing}
        self.marks = [float(mark) for mark in missing if _NUMBER.fullmatch(mark)]
        self.numbers = [n for n in header.names if n in known and n != "time"]
        self.quantities = [known[n].quantity for n in self.numbers]
        self.timed = "time" in header.names
        self.kinds = np.array(
            [TIME if n == "time" else NUMBER if n in known else SKIP for n in header.names],
            dtype=np.int8,
        )
        self.targets = np.array(
            [self.numbers.index(n) if n in self.numbers else 0 for n in header.names],
            dtype=np.int32,
        )

    def read(self, line: int, data: bytes) -> _Piece:
        """One piece of whole lines, the first being number ``line``."""
        rows = data.count(b"\n") + 1
        piece = _Piece(
            np.full((len(self.numbers), rows), np.nan),
            np.zeros(rows, dtype=np.int64),
            np.zeros(rows, dtype=np.int32),
            np.zeros(rows, dtype=np.int32),
        )
        events = np.empty((rows * (len(self.numbers) + 2), 5), dtype=np.int32)
        count, odd, _ = scan(
            np.frombuffer(data, dtype=np.uint8), self.delimiter, self.kinds, self.targets, line,
            piece.values, piece.local_us, piece.offset_min, piece.lines, events,
        )  # fmt: skip
        piece = _Piece(
            piece.values[:, :count],
            piece.local_us[:count],
            piece.offset_min[:count],
            piece.lines[:count],
        )
        self._look_at(events[:odd], data, piece)
        for i, name in enumerate(self.numbers):
            self._to_si(piece.values[i], name, piece.lines)
        self.problems.check()
        return piece

    def _look_at(self, events: NDArray[np.int32], data: bytes, piece: _Piece) -> None:
        """Cells that the compiled scanner could not take: other numbers, marks, mistakes."""
        told: dict[str, int] = {}
        for row, column, start, end, kind in events.tolist():
            line = int(piece.lines[row])
            if kind == WRONG_COUNT:
                text = f"has {column} cells; the header names {len(self.names)}"
                self._tell(told, "", line, text)
                continue
            name = self.names[column]
            cell = data[start:end].decode("utf-8", errors="replace")
            if name == "time":
                self._tell(told, name, line, _no_time(cell))
            elif _NUMBER.fullmatch(cell):
                piece.values[self.targets[column], row] = float(cell)
            elif cell.casefold() not in self.words:
                self._tell(told, name, line, _no_number(name, cell))
        self._more(told)

    def _tell(self, told: dict[str, int], name: str, line: int, text: str) -> None:
        told[name] = told.get(name, 0) + 1
        if told[name] <= SHOWN_OF_A_KIND:
            self.problems.add(line, text)

    def _more(self, told: dict[str, int]) -> None:
        for name, count in told.items():
            if count > SHOWN_OF_A_KIND:
                where = f"column '{name}': " if name else ""
                more = count - SHOWN_OF_A_KIND
                self.problems.add(0, f"{where}{more} more lines of this kind, or further on")

    def _to_si(self, values: Array, name: str, lines: NDArray[np.int32]) -> None:
        """Declared marks to NaN, the range checked, the unit changed; in place."""
        column = self.known[name]
        for mark in self.marks:
            values[values == mark] = np.nan
        with np.errstate(invalid="ignore"):
            bad = np.flatnonzero((values < column.low) | (values > column.high))
        told: dict[str, int] = {}
        for i in bad.tolist()[: SHOWN_OF_A_KIND + 1]:
            text = out_of_range(name, float(values[i]), column)
            self._tell(told, name, int(lines[i]), text)
        if bad.size > SHOWN_OF_A_KIND:
            told[name] = bad.size
            self._more(told)
        if column.factor != 1.0:
            values *= column.factor


def out_of_range(name: str, value: float, column: Column) -> str:
    """The message about a number outside the range of its column."""
    unit = f" {column.unit}" if column.unit else ""
    text = f"{name} = {value:g}{unit}: must be at least {column.low:g}{unit} and at most "
    text += f"{column.high:g}{unit}"
    if value in _MARKS:
        return (
            f"{text}; if it marks a missing value, leave the cell empty or state it in a line "
            f"'# missing: {value:g}' above the header"
        )
    return text


def _no_number(name: str, cell: str) -> str:
    text = f'{name} = "{shorten(one_line(cell))}": must be a number'
    if _COMMA.fullmatch(cell):
        return f"{text}; numbers use a point: {cell.replace(',', '.')}"
    return f"{text}; if it marks a missing value, leave the cell empty or state it as missing"


def _no_time(cell: str) -> str:
    if not cell:
        return "time: is missing"
    return (
        f'time = "{shorten(one_line(cell))}": must be a date and time in ISO 8601 from 1900 to '
        "2199, as 2025-03-30T14:00:00.05Z"
    )
