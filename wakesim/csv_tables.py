"""Tables in text files: one header line, rows of cells, and what is wrong with them in plain words.

Lines that start with # and empty lines are skipped. Every mistake is one line that names file,
line and column, raised as ``TableError`` (exit status 2), as many at once as can be found. Small
tables are split by the standard library, since a wrong case must not wait for pandas. Long records
of loggers are parsed by pandas piece by piece (``wakesim.records.logger``), with the same opening,
delimiters, columns and messages.
"""

from __future__ import annotations

import csv
import math
import os
import re
import stat
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import BinaryIO

from wakesim.errors import CaseError, closest, one_line, shorten

MOST_BYTES = 20_000_000
MOST_ROWS = 20_000
MOST_RECORD_BYTES = 4_000_000_000  # of a logger's file
SHOWN_PROBLEMS, SHOWN_OF_A_KIND = 20, 5
SPACES = r"\s+"  # the delimiter of columns that are lined up with spaces
_PACKED = {b"\x1f\x8b": "gzip", b"PK": "zip (or a spreadsheet)", b"BZh": "bzip2", b"\xfd7z": "xz"}


class TableError(CaseError):
    """A text table is wrong; one line for each problem: file, line, column, value, range."""


@dataclass(frozen=True)
class Column:
    """A kind of column: what it holds, its unit, the factor to SI, its range in its own unit."""

    quantity: str
    unit: str = ""
    factor: float = 1.0
    low: float = -math.inf
    high: float = math.inf


@dataclass
class Problems:
    """Lines about a file; ``check`` raises them."""

    source: str
    lines: list[tuple[int, str]] = field(default_factory=list)
    counts: dict[str, int] = field(default_factory=dict)

    def add(self, line: int, text: str) -> None:
        """A problem in a line of the file (0: in the file as a whole)."""
        self.lines.append((line, one_line(place(self.source, line) + text)))

    def add_all(self, kind: str, lines: Sequence[int], text: Callable[[int], str]) -> None:
        """Problems of one kind, mostly of one column, of which only the first are shown.

        ``text`` gives what is wrong in line number i of ``lines``.
        """
        before = self.counts.get(kind, 0)
        for i in range(min(len(lines), max(SHOWN_OF_A_KIND - before, 0))):
            self.add(int(lines[i]), text(i))
        if len(lines):
            self.counts[kind] = before + len(lines)

    def add_one(self, lines: Sequence[int], text: str) -> None:
        """One problem that several lines have: said of the first, with the numbers of others."""
        more = [str(line) for line in lines[1:SHOWN_OF_A_KIND]]
        left = len(lines) - 1 - len(more)
        if more:
            text += f" (also line{'s' if len(lines) > 2 else ''} {', '.join(more)}"
            text += f" and {left} more)" if left else ")"
        self.add(int(lines[0]), text)

    def check(self) -> None:
        """Raise TableError with the problems so far, at most 20 of them, in the file's order."""
        if not self.lines:
            return
        found = [text for _, text in sorted(self.lines, key=lambda item: item[0])]
        for kind, count in self.counts.items():
            if count > SHOWN_OF_A_KIND:
                where = f"column '{one_line(kind)}': " if kind else ""
                more = f"{where}{count - SHOWN_OF_A_KIND} more lines of this kind, or further on"
                found.append(f"{self.source}: {more}")
        more_lines = len(found) - SHOWN_PROBLEMS
        if more_lines > 0:
            found = [*found[:SHOWN_PROBLEMS], f"{self.source}: and {more_lines} more of this kind"]
        raise TableError(found)


def place(source: str, line: int = 0) -> str:
    """The head of a message: file and line, 0 for the file as a whole."""
    return f"{source}:{line}: " if line else f"{source}: "


@dataclass(frozen=True)
class CsvTable:
    """Header and rows of a file as stripped text; ``lines`` is the number of each row's line."""

    source: str
    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    lines: tuple[int, ...]

    def position(self, column: str) -> int:
        """Position of a column. Raises TableError with a guess or the columns there are."""
        if column in self.header:
            return self.header.index(column)
        if len(self.header) < 2:  # some other file: nothing of it is shown
            raise TableError(f"{self.source}: is no table with a column '{one_line(column)}'")
        guess = closest(column, self.header)
        hint = f"did you mean '{guess}'?" if guess else f"columns: {', '.join(self.header)}"
        raise TableError(one_line(f"{self.source}: no column '{column}'; {hint}"))

    def texts(self, column: str) -> tuple[str, ...]:
        """The cells of a column as text."""
        at = self.position(column)
        return tuple(row[at] for row in self.rows)

    def numbers(
        self, column: str, unit: str = "", low: float = -math.inf, high: float = math.inf
    ) -> list[float]:
        """The cells of a column as finite numbers from ``low`` to ``high`` in ``unit``.

        Raises TableError with one line for every cell that is none.
        """
        at, problems, values = self.position(column), Problems(self.source), []
        for row, line in zip(self.rows, self.lines, strict=True):
            value = number(row[at])
            if value is None or not (math.isfinite(value) and low <= value <= high):
                text = f"{column} = '{shorten(one_line(row[at]))}': must be a finite number"
                problems.add(line, text + _range(unit, low, high))
            else:
                values.append(value)
        problems.check()
        return values

    def selected(
        self, wanted: Mapping[str, Sequence[str]], where: str = "the selection"
    ) -> CsvTable:
        """Only the rows whose columns hold one of the wanted texts; ``where`` they are wanted.

        Raises TableError when a wanted text does not occur, or no row fits all of them.
        """
        keep = list(range(len(self.rows)))
        for column, texts in wanted.items():
            cells = self.texts(column)
            for text in texts:
                if text not in cells:
                    guess = closest(text, cells)
                    hint = f"; did you mean '{guess}'?" if guess else ""
                    cell = one_line(f"{column} = '{text}'")
                    raise TableError(f"{self.source}: no row has {cell}{hint}")
            keep = [i for i in keep if cells[i] in texts]
        if not keep:
            raise TableError(f"{self.source}: no row fits all of {where}")
        rows, lines = [self.rows[i] for i in keep], [self.lines[i] for i in keep]
        return replace(self, rows=tuple(rows), lines=tuple(lines))


def read_csv_table(
    path: str | os.PathLike[str],
    what: str = "a data file",
    *,
    required: Iterable[str] = (),
    optional: Iterable[str] | None = None,
    delimiter: str = ",",
    most_bytes: int = MOST_BYTES,
    most_rows: int = MOST_ROWS,
) -> CsvTable:
    """A table of one header line and full rows, UTF-8.

    ``what`` the file should be, for messages. ``required`` columns must be there; with
    ``optional``, a column that is in neither is a mistake. ``delimiter`` "" takes the one of comma,
    semicolon and tab that the header has most of.

    Raises TableError, one line a problem: no such file, a folder, packed, larger than
    ``most_bytes`` or ``most_rows``, not UTF-8 (with its line), empty, a header with an empty, a
    repeated, a missing or an unknown name, rows with more or fewer cells than the header.
    """
    source = one_line(os.fsdecode(path))
    lines = table_lines(read_table_text(path, what, most_bytes))
    required = tuple(required)
    needed = f"; columns {', '.join(required)} are needed" if required else ""
    if not lines:
        raise TableError(f"{source}: is empty: holds no header and no rows{needed}")
    delimiter = delimiter or usual_delimiter(lines[0][1])
    cells = [(line, _cells(source, line, text, delimiter)) for line, text in lines]
    (first, header), *body = cells
    problems = Problems(source)
    _check_header(header, first, required, optional, problems)
    for line, row in body:
        if len(row) != len(header):
            text = f"holds {len(row)} values; the header names {len(header)} columns"
            problems.add(line, text)
    if not body:
        problems.add(0, "holds a header but no rows")
    if len(body) > most_rows:
        raise TableError(f"{source}: holds {len(body)} rows; at most {most_rows} are allowed")
    problems.check()
    rows, numbers = [tuple(row) for _, row in body], [line for line, _ in body]
    return CsvTable(source, tuple(header), tuple(rows), tuple(numbers))


def _check_header(
    header: Sequence[str], line: int, required: Sequence[str], optional: Iterable[str] | None,
    problems: Problems,
) -> None:  # fmt: skip
    if "" in header:
        problems.add(line, "a column of the header has no name")
    twice = next((name for i, name in enumerate(header) if name and name in header[:i]), None)
    if twice is not None:
        problems.add(line, f"the header names a column twice: '{shorten(twice)}'")
    missing = [name for name in required if name not in header]
    if missing:
        names = ", ".join(f"'{name}'" for name in missing)
        text = f"column {names} is missing" if len(missing) == 1 else f"columns {names} are missing"
        problems.add(line, text)
    if optional is not None:
        known = [*required, *optional]
        for name in header:
            if name and name not in known:
                guess = closest(name, known)
                hint = f"did you mean '{guess}'?" if guess else f"known: {', '.join(known)}"
                problems.add(line, f"unknown column '{shorten(name)}'; {hint}")


def _cells(source: str, line: int, text: str, delimiter: str) -> list[str]:
    try:
        return split_line(text, delimiter)
    except csv.Error as error:
        raise TableError(f"{place(source, line)}no row of a table: {error}") from error


def _range(unit: str, low: float, high: float) -> str:
    unit = f" {unit}" if unit else ""
    parts = [f"at least {low:g}{unit}"] if low > -math.inf else []
    parts += [f"at most {high:g}{unit}"] if high < math.inf else []
    return " " + " and ".join(parts) if parts else (f" in{unit}" if unit else "")


def number(text: str) -> float | None:
    """The number that a cell holds (also nan and inf), None for anything else."""
    if not text.isascii() or "_" in text:
        return None
    try:
        return float(text)
    except ValueError:
        return None


def table_lines(text: str) -> list[tuple[int, str]]:
    """(number, text) of every line that holds something and is no comment."""
    return [
        (line, row)
        for line, row in enumerate(re.split(r"\r\n|\n|\r", text), start=1)
        if row.strip() and not row.lstrip().startswith("#")
    ]


def usual_delimiter(text: str) -> str:
    """The one of comma, semicolon and tab that stands most often in a line."""
    return max(",;\t", key=text.count)


def split_line(text: str, delimiter: str) -> list[str]:
    """The cells of a line, without spaces around them and quotes. Raises csv.Error."""
    if delimiter == SPACES:
        return text.split()
    cells = next(csv.reader([text], delimiter=delimiter, skipinitialspace=True), [])
    return [cell.strip() for cell in cells]


def read_table_text(
    path: str | os.PathLike[str], what: str = "a data file", most_bytes: int = MOST_BYTES
) -> str:
    """The UTF-8 text of a file. Raises TableError as ``read_csv_table`` does."""
    source = one_line(os.fsdecode(path))
    with open_table_file(path, what, most_bytes) as file:
        try:
            data = file.read(most_bytes + 1)
        except OSError as error:
            raise TableError(f"{source}: cannot be read: {error.strerror}") from error
    check_text_bytes(data, source)
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise TableError(f"{source}:{line}: is not UTF-8 text; save the file as UTF-8") from error
    if "\0" in text:
        raise TableError(f"{source}: is not a text file")
    return text


def check_text_bytes(data: bytes, source: str) -> None:
    """Raises TableError when the first bytes of a file are those of no plain text."""
    for start, kind in _PACKED.items():
        if data.startswith(start):
            raise TableError(f"{source}: is packed with {kind}; give the CSV text itself")
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise TableError(f"{source}: is UTF-16 text; save it as UTF-8")


def open_table_file(path: str | os.PathLike[str], what: str, most_bytes: int) -> BinaryIO:
    """The file open for reading. Raises TableError when it is none, or too large."""
    source = one_line(os.fsdecode(path))
    try:
        found = os.stat(path)
        if stat.S_ISDIR(found.st_mode):
            raise TableError(f"{source}: is a folder, not {what}")
        if not stat.S_ISREG(found.st_mode):  # a pipe would wait for ever
            raise TableError(f"{source}: is not a regular file")
        if found.st_size > most_bytes:
            raise TableError(f"{source}: larger than {_size(most_bytes)}; is it {what}?")
        return open(path, "rb")
    except FileNotFoundError as error:
        raise TableError(f"{source}: no such file{_near(path)}") from error
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else str(error)
        raise TableError(f"{source}: cannot be read: {one_line(str(reason))}") from error


def _size(count: int) -> str:
    for unit, power in (("GB", 9), ("MB", 6), ("kB", 3)):
        if count >= 10**power:
            return f"{count / 10**power:g} {unit}"
    return f"{count} bytes"


def _near(path: str | os.PathLike[str]) -> str:
    """A hint at the file of the same folder with the nearest name, "" for none."""
    folder, name = os.path.split(os.fsdecode(path))
    try:
        files = [entry.name for entry in os.scandir(folder or ".") if entry.is_file()]
    except (OSError, ValueError):
        return ""
    guess = closest(name, files, cutoff=0.7)
    return f"; did you mean {one_line(os.path.join(folder, guess))}?" if guess else ""
