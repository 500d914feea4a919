"""Tables of measured values: comma-separated text with one header row and # comments."""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from wakesim.case.reading import decoded, read_bytes
from wakesim.errors import CaseError, closest, one_line, shorten

MAX_BYTES = 20_000_000
MAX_ROWS = 20_000


@dataclass(frozen=True)
class DataTable:
    """The header and the rows of a data file as text; ``lines`` is the line of each row."""

    path: Path
    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    lines: tuple[int, ...]

    def position(self, column: str) -> int:
        """Position of a column. Raises CaseError naming the columns there are."""
        if column in self.header:
            return self.header.index(column)
        if len(self.header) < 2:  # some other file: nothing of it is shown
            raise CaseError(f"{_place(self.path)}: is no table with a column '{one_line(column)}'")
        guess = closest(column, self.header)
        hint = f"did you mean '{guess}'?" if guess else f"columns: {', '.join(self.header)}"
        raise CaseError(f"{_place(self.path)}: no column '{one_line(column)}'; {hint}")

    def texts(self, column: str) -> tuple[str, ...]:
        """The cells of a column as text."""
        position = self.position(column)
        return tuple(row[position] for row in self.rows)

    def numbers(self, column: str, unit: str, least: float = -math.inf) -> list[float]:
        """The cells of a column as finite numbers of at least ``least``.

        Raises CaseError with one line for every cell that is none.
        """
        position = self.position(column)
        unit = f" {unit}" if unit else ""
        values, problems = [], []
        for row, line in zip(self.rows, self.lines, strict=True):
            value = _number(row[position])
            if value is None or not math.isfinite(value) or value < least:
                bound = f" at least {least:g}{unit}" if least > -math.inf else ""
                bound = bound or (f" in{unit}" if unit else "")
                text = shorten(one_line(row[position]))
                problems.append(
                    f"{_place(self.path)}:{line}: {one_line(column)} = '{text}': "
                    f"must be a finite number{bound}"
                )
            else:
                values.append(value)
        if problems:
            raise CaseError(problems)
        return values

    def selected(self, wanted: Mapping[str, Sequence[str]]) -> DataTable:
        """Only the rows whose columns hold one of the wanted texts.

        Raises CaseError when a wanted text does not occur.
        """
        keep = list(range(len(self.rows)))
        for column, texts in wanted.items():
            cells = self.texts(column)
            for text in texts:
                if text not in cells:
                    guess = closest(text, cells)
                    hint = f"; did you mean '{guess}'?" if guess else ""
                    cell = f"{one_line(column)} = '{one_line(text)}'"
                    raise CaseError(f"{_place(self.path)}: no row has {cell}{hint}")
            keep = [i for i in keep if cells[i] in texts]
        if not keep:
            raise CaseError(f"{_place(self.path)}: no row fits all of [select]")
        return DataTable(
            self.path,
            self.header,
            tuple(self.rows[i] for i in keep),
            tuple(self.lines[i] for i in keep),
        )


def _place(path: Path) -> str:
    return one_line(str(path))


def _number(text: str) -> float | None:
    if "_" in text:
        return None
    try:
        return float(text)
    except ValueError:
        return None


def read_table(path: Path) -> DataTable:
    """A data file. Raises CaseError, one line a problem, when it is no regular table."""
    text = _text(path)
    numbered = [
        (number, line)
        for number, line in enumerate(re.split(r"\r\n|\n|\r", text), start=1)
        if line.strip() and not line.lstrip().startswith("#")
    ]
    if not numbered:
        raise CaseError(f"{_place(path)}: holds no header and no rows")
    cells = [(number, _cells(path, number, line)) for number, line in numbered]
    (first, header), *body = cells
    problems = _header_problems(path, first, header)
    problems += [
        f"{_place(path)}:{number}: holds {len(row)} values; the header names {len(header)} columns"
        for number, row in body
        if len(row) != len(header)
    ]
    if not body:
        problems.append(f"{_place(path)}: holds a header but no rows")
    if len(body) > MAX_ROWS:
        problems = [f"{_place(path)}: holds {len(body)} rows; at most {MAX_ROWS} are allowed"]
    if problems:
        raise CaseError(problems)
    return DataTable(
        path,
        tuple(header),
        tuple(tuple(row) for _, row in body),
        tuple(number for number, _ in body),
    )


def _cells(path: Path, number: int, line: str) -> list[str]:
    try:
        return [cell.strip() for cell in next(iter(csv.reader([line])))]
    except csv.Error as error:
        raise CaseError(f"{_place(path)}:{number}: no row of a table: {error}") from error


def _header_problems(path: Path, line: int, header: list[str]) -> list[str]:
    if "" in header:
        return [f"{_place(path)}:{line}: a column of the header has no name"]
    if len(set(header)) < len(header):
        return [f"{_place(path)}:{line}: the header names a column twice"]
    return []


def _text(path: Path) -> str:
    try:
        if path.is_dir():
            raise CaseError(f"{_place(path)}: is a folder, not a data file")
        data = read_bytes(path, MAX_BYTES)
    except FileNotFoundError as error:
        raise CaseError(f"{_place(path)}: no such data file{_near(path)}") from error
    except (OSError, ValueError) as error:
        reason: Any = getattr(error, "strerror", None) or str(error)
        raise CaseError(f"{_place(path)}: cannot be read: {reason}") from error
    if len(data) > MAX_BYTES:
        raise CaseError(f"{_place(path)}: larger than {MAX_BYTES // 1_000_000} MB")
    return decoded(data, _place(path))


def _near(path: Path) -> str:
    try:
        near = closest(path.name, [p.name for p in path.parent.iterdir() if p.is_file()])
    except OSError:
        near = None
    return f"; did you mean {_place(path.with_name(near))}?" if near else ""
