"""A logger's text file: where its table begins, and every cell as time, number in SI, or word.

Loggers write some lines about themselves, one line with the names of the columns, perhaps one with
their units and one with how they were processed, and then the data. The line with the names is the
one of the first lines in which most columns are recognised; commas, semicolons, tabs and spaces
between cells are tried.

pandas parses the characters, piece by piece; here stand the meaning of columns, what is missing,
ranges, and one line for each mistake with the number of its line in the file.
"""

from __future__ import annotations

import csv
import hashlib
import io
import os
import re
import warnings
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, BinaryIO, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from wakesim.arrays import Array
from wakesim.csv_tables import (
    MOST_RECORD_BYTES,
    SPACES,
    Column,
    Problems,
    TableError,
    check_text_bytes,
    open_table_file,
    split_line,
    usual_delimiter,
)
from wakesim.errors import CaseError, one_line, shorten
from wakesim.records.clock import Stamps, read_stamps, utc_microseconds
from wakesim.records.columns import (
    ANEMOMETER,
    DATE,
    EPOCH,
    PASSING_LOG,
    TEXT,
    TIME_OF_DAY,
    UNITS,
    Header,
    read_header,
    recognised,
)
from wakesim.time_zones import zone

if TYPE_CHECKING:
    import pandas as pd

PIECE_BYTES = 8_000_000
_LONGEST_LINE = 100_000
_HEAD_LINES = 60  # in which the names of the columns must be
_DECIMAL_LINES = 200  # of data, from which the decimal sign is taken
_DELIMITERS = ("\t", ";", ",", SPACES)
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
_COMMA_NUMBER = re.compile(r"[+-]?\d*,\d+")
_POINT_NUMBER = re.compile(r"[+-]?\d*\.\d+")
# What stands below the names in the files of loggers, beside units.
_BELOW_NAMES = frozenset(
    ["", "ts", "rn", "unitless", "smp", "avg", "max", "min", "std", "tot", "samp", "utc", "local"]
)
# What loggers write where nothing was measured: as numbers and as words.
_MARKS = {-9999.0, -999.9, -999.0, -99.99, -99.9, -99.0, 99.9, 99.99, 999.0, 999.9, 9999.0}
_NAN = ("", "nan", "NaN", "NAN", "Nan", "-nan", "-NaN")


@dataclass(frozen=True)
class ReadOptions:
    """What the user says about logger files beyond what stands in them.

    ``time_zone``: that of times without an offset. ``missing``: marks for missing values.
    ``columns``: keys by the names of the columns that hold them. ``date_order``: of dates that may
    be read in two ways, "mdy" or "dmy". ``header_line``: number of the line with the names, 0 to
    find it.
    """

    time_zone: str | None = None
    missing: tuple[str, ...] = ()
    columns: Mapping[str, str] = field(default_factory=dict)
    date_order: Literal["", "mdy", "dmy"] = ""
    header_line: int = 0


def column_names(pairs: Sequence[str]) -> dict[str, str]:
    """Keys by the names of columns, from texts "key=name". Raises CaseError for other texts."""
    out = {}
    known = [*dict.fromkeys([*ANEMOMETER, *PASSING_LOG, DATE, TIME_OF_DAY, EPOCH])]
    for pair in pairs:
        key, mark, name = (part.strip() for part in pair.partition("="))
        if not (mark and name) or key not in known:
            raise CaseError(
                f"--column {shorten(one_line(pair))}: must be KEY=NAME, KEY being one of "
                f"{', '.join(known)}"
            )
        out[name] = key
    return out


@dataclass(frozen=True)
class Cells:
    """Rows of a file, arrays (rows,): values in SI, NaN where missing; a line number each.

    ``time_us`` is the moment in microseconds since 1970 in UTC, None when the file has ``time_s``,
    which is then among the values. ``text`` holds the columns of words. ``notes`` say what was
    understood of the file. ``offset_min`` is the offset from UTC that the first time states.
    """

    header: Header
    lines: NDArray[np.int64]
    values: dict[str, Array]
    text: dict[str, list[str]]
    time_us: NDArray[np.int64] | None
    offset_min: int | None
    source: str
    sha256: str
    notes: tuple[str, ...]


def read_cells(
    path: str | os.PathLike[str],
    known: Mapping[str, Column],
    needs: Iterable[tuple[str, str]],
    what: str,
    options: ReadOptions,
    more: Callable[[Cells, Problems], None] | None = None,
) -> Cells:
    """Every cell of a file of numbers, times and words.

    ``known`` columns by name; ``needs`` are (quantities, message) pairs, of which one of the
    quantities, joined by "|", must be there; ``what`` the file should be, for messages. ``more``
    adds problems of its own with what was read, shown together with all others.

    Raises CaseError, one line a problem: file, line, column, value, allowed range.
    """
    place = None if options.time_zone is None else zone(options.time_zone)
    source = one_line(os.fsdecode(path))
    problems = Problems(source)
    with open_table_file(path, what, MOST_RECORD_BYTES) as file:
        head, first = _read_head(file, source, what, known, options)
        header = read_header(head.names, head.units, head.line, known, options.columns, problems)
        if not problems.lines:
            _check_needs(header, known, needs, problems)
        problems.check()
        reader = _Reader(head, header, known, options, problems)
        digest, pieces = hashlib.sha256(), []
        for line, data in _pieces(file, first, head, source, digest):
            pieces.append(reader.read(line, data))
            if more is None:
                problems.check()
    if not sum(p.lines.size for p in pieces):
        raise TableError(f"{source}: holds no line after the header")
    lines = np.concatenate([p.lines for p in pieces])
    time_us, offset = None, None
    stamps = [p.stamps for p in pieces if p.stamps]
    if stamps and not problems.lines:
        local, offsets = (np.concatenate(x) for x in list(zip(*stamps, strict=True))[:2])
        time_us = utc_microseconds(local, offsets, lines, place, problems)
        offset = stamps[0].stated_min
        problems.check()
    notes = list(header.notes)
    if head.above:
        notes.append(f"its columns are named in line {head.line}; the lines above are not read")
    if head.decimal == ",":
        notes.append("its numbers are read with a decimal comma")
    if reader.dates_first:
        notes.append(f"its dates are read with the {reader.dates_first} first")
    cells = Cells(
        header=header,
        lines=lines,
        values={q: np.concatenate([p.values[q] for p in pieces]) for q in reader.numbers},
        text={q: [cell for p in pieces for cell in p.text[q]] for q in reader.words},
        time_us=time_us,
        offset_min=offset,
        source=source,
        sha256=digest.hexdigest(),
        notes=tuple(notes),
    )
    if more:
        more(cells, problems)
        problems.check()
    return cells


def _check_needs(
    header: Header,
    known: Mapping[str, Column],
    needs: Iterable[tuple[str, str]],
    problems: Problems,
) -> None:
    held = {known[key].quantity for key in header.keys if key in known}
    if EPOCH in header.keys or DATE in header.keys:
        held.add("time")
    for quantities, text in needs:
        if held.isdisjoint(quantities.split("|")):
            problems.add(header.line, text)


# --- the head of a file -------------------------------------------------------------------------


class Head(NamedTuple):
    """The names of the columns, their units ("" where none is stated), the number of their line;
    ``delimiter`` and ``decimal`` sign; marks for missing values that comments state; how many
    lines of other text stand above; the first line of data and where it begins in the file."""

    names: tuple[str, ...]
    units: tuple[str, ...]
    line: int
    delimiter: str
    decimal: str
    missing: tuple[str, ...]
    above: int
    encoding: str
    first_line: int
    first_byte: int


def _read_head(
    file: BinaryIO, source: str, what: str, known: Mapping[str, Column], options: ReadOptions
) -> tuple[Head, bytes]:
    """The head and the first piece of the file. Raises TableError when the file is no text, packed
    or empty, or has no line of names."""
    data = file.read(PIECE_BYTES)
    check_text_bytes(data, source)
    if b"\n" not in data[:_LONGEST_LINE] and b"\r" in data[:_LONGEST_LINE]:
        raise TableError(f"{source}: its lines end in CR alone; save it with LF or CR LF")
    begin = 3 if data.startswith(b"\xef\xbb\xbf") else 0
    whole = data if b"\n" not in data or len(data) < PIECE_BYTES else data[: data.rfind(b"\n")]
    encoding = _encoding(whole, source)
    lines, starts = _first_lines(data, begin, encoding, source)
    missing = tuple(m for _, text in lines if text.startswith("#") for m in _stated_marks(text))
    table = [(n, text) for n, text in lines if text and not text.startswith("#")]
    if not table:
        raise TableError(f"{source}: is empty; {what} starts with the names of its columns")
    at, delimiter = _names_line(table, known, options, source)
    number, text = table[at]
    names = tuple(split_line(text, delimiter))
    below, stated = at + 1, [""] * len(names)
    while below < len(table) and below <= at + 3:
        folded = [c.strip("[]() ").casefold() for c in split_line(table[below][1], delimiter)]
        if not any(folded) or not all(cell in UNITS or cell in _BELOW_NAMES for cell in folded):
            break
        for i, cell in enumerate(folded[: len(names)]):
            stated[i] = stated[i] or (cell if cell in UNITS else "")
        below += 1
    first = table[below][0] if below < len(table) else table[below - 1][0] + 1
    rows = [split_line(text, delimiter) for _, text in table[below : below + _DECIMAL_LINES]]
    return Head(
        names, tuple(stated), number, delimiter, _decimal(rows), missing, at, encoding, first,
        starts[first - 1] if first <= len(starts) else len(data),
    ), data  # fmt: skip


def _first_lines(
    data: bytes, begin: int, encoding: str, source: str
) -> tuple[list[tuple[int, str]], list[int]]:
    """(number, text) of the lines that the head is looked for in, and where each begins."""
    out: list[tuple[int, str]] = []
    starts = [begin]
    while starts[-1] < len(data) and len(out) < _HEAD_LINES + _DECIMAL_LINES:
        end = data.find(b"\n", starts[-1])
        end = len(data) if end < 0 else end
        if end - starts[-1] > _LONGEST_LINE:
            raise TableError(f"{source}: a line is longer than {_LONGEST_LINE} characters")
        text = data[starts[-1] : end].decode(encoding, errors="replace").replace("\r", " ")
        out.append((len(out) + 1, text.strip()))
        starts.append(end + 1)
    return out, starts


def _names_line(
    table: list[tuple[int, str]], known: Mapping[str, Column], options: ReadOptions, source: str
) -> tuple[int, str]:
    """Which of the lines holds the names of the columns, and what stands between them."""
    wanted = options.header_line
    candidates = [
        i
        for i, (line, _) in enumerate(table)
        if (line == wanted if wanted else line <= _HEAD_LINES)
    ]
    if not candidates and wanted:
        raise TableError(
            f"{source}:{wanted}: there is no text in this line to name columns, or it is not among "
            f"the first {_HEAD_LINES}"
        )
    candidates = candidates or [0]
    best, top = (candidates[0], usual_delimiter(table[candidates[0]][1])), 0
    for i in candidates:
        for delimiter in _DELIMITERS:
            count = recognised(split_line(table[i][1], delimiter), known, options.columns)
            if count > top:
                best, top = (i, delimiter), count
    return best


def _decimal(rows: Sequence[Sequence[str]]) -> str:
    """The decimal sign of the numbers in these rows."""
    cells = [cell for row in rows for cell in row]
    commas = sum(bool(_COMMA_NUMBER.fullmatch(cell)) for cell in cells)
    points = sum(bool(_POINT_NUMBER.fullmatch(cell)) for cell in cells)
    return "," if commas > points else "."


def _encoding(data: bytes, source: str) -> str:
    """UTF-8, or the western code page that older loggers write their units in."""
    if b"\0" in data:
        raise TableError(f"{source}: is not a text file")
    for encoding in ("utf-8", "cp1252"):
        try:
            text = data.decode(encoding)
        except UnicodeDecodeError:
            continue
        if encoding == "utf-8" or all(c.isprintable() or c in "\t\r\n" for c in text):
            return encoding
    raise TableError(f"{source}: is not UTF-8 text; save the file as UTF-8")


def _stated_marks(comment: str) -> tuple[str, ...]:
    """Marks of a comment line ``# missing: -999, ERR``; none in any other comment."""
    name, colon, marks = comment.lstrip("# \t").replace("=", ":", 1).partition(":")
    if not colon or name.strip().casefold() != "missing":
        return ()
    return tuple(mark.strip().strip("\"'") for mark in marks.split(",") if mark.strip())


# --- the data in pieces -------------------------------------------------------------------------


def _pieces(
    file: BinaryIO, first: bytes, head: Head, source: str, digest: hashlib._Hash
) -> Iterator[tuple[int, bytes]]:
    """(number of the first line, bytes of whole lines) of everything below the head.

    ``first`` is what was read of the file already; ``digest`` takes in all of it.
    """
    line, kept = head.first_line, first[head.first_byte :]
    digest.update(first)
    while True:
        new = file.read(PIECE_BYTES)
        digest.update(new)
        block = kept + new
        cut = block.rfind(b"\n") + 1 if new else len(block)
        kept = block[cut:]
        if len(kept) > _LONGEST_LINE:
            raise TableError(f"{source}: a line is longer than {_LONGEST_LINE} characters")
        if cut:
            piece = block[:cut] + (b"" if block[:cut].endswith(b"\n") else b"\n")
            piece = _checked_text(piece, head.encoding, source, line)
            yield line, piece
            line += piece.count(b"\n")
        if not new:
            return


def _checked_text(piece: bytes, encoding: str, source: str, line: int) -> bytes:
    """The piece with plain line ends; ``line`` is its first."""
    if b"\0" in piece:
        raise TableError(f"{source}: is not a text file after line {line}")
    if b"\r" in piece:
        piece = piece.replace(b"\r\n", b"\n")
        at = piece.find(b"\r")
        if at >= 0:
            line += piece.count(b"\n", 0, at)
            raise TableError(f"{source}:{line}: a line end of another kind (CR) stands within")
    if not piece.isascii():
        try:
            piece.decode(encoding)
        except UnicodeDecodeError:
            text = f"{source}: is not {encoding.upper()} text after line {line}"
            raise TableError(f"{text}; save the file as UTF-8") from None
    return piece


@dataclass
class _Piece:
    """A piece as ``Cells``, its times as the file has them."""

    lines: NDArray[np.int64]
    values: dict[str, Array]
    text: dict[str, list[str]]
    stamps: Stamps | None


class _Reader:
    """Pieces of one file to arrays, checked against the ranges of the columns.

    ``numbers`` are (position, column) and ``words`` positions by quantity, ``times`` positions of
    the columns that make up a time. ``dates_first`` is "day" or "month" where the file's dates left
    it open and something else settled it.
    """

    def __init__(
        self,
        head: Head,
        header: Header,
        known: Mapping[str, Column],
        options: ReadOptions,
        problems: Problems,
    ) -> None:
        self.head, self.header, self.problems = head, header, problems
        missing = {*options.missing, *head.missing}
        self.marks = {mark.casefold() for mark in missing} | {"", "nan", "-nan"}
        self.mark_values = [float(mark) for mark in missing if _NUMBER.fullmatch(mark)]
        place = {key: i for i, key in enumerate(header.keys) if key}
        held = {known[key].quantity: (i, known[key]) for key, i in place.items()
                if key in known and key != "time"}  # fmt: skip
        self.numbers = {q: found for q, found in held.items() if q not in TEXT}
        self.words = {q: i for q, (i, _) in held.items() if q in TEXT}
        self.times = [place[k] for k in ("time", EPOCH, DATE, TIME_OF_DAY) if k in place]
        self.date_order: str = options.date_order
        self.dates_first = ""

    def read(self, line: int, data: bytes) -> _Piece:
        """One piece of whole lines, the first being number ``line``."""
        lines, data = _without_comments(line, data)
        frame = self._parsed(data)
        if frame is None or not self._is_full(frame, data):
            self._add_wrong_lines(lines, data)
        if frame is None or len(frame) != len(lines):
            self.problems.check()
            line = _open_quote(lines, data) or int(lines[0])
            source = self.problems.source
            raise TableError(f"{source}:{line}: a quoted cell does not end in its line")
        blank = frame.isna().all(axis=1).to_numpy()
        if blank.any():
            frame, lines = frame[~blank], lines[~blank]
        return _Piece(
            lines,
            {q: self._number(frame[i], i, column, lines)
             for q, (i, column) in self.numbers.items()},
            {q: _trimmed(frame[i]).tolist() for q, i in self.words.items()},
            self._stamps(frame, lines) if self.times else None,
        )  # fmt: skip

    def _parsed(self, data: bytes) -> pd.DataFrame | None:
        """The piece as a table with one more column than there are names, numbers as numbers
        where all of a column are; None when lines have too many cells."""
        import pandas as pd

        places = range(len(self.header.names) + 1)
        spaces = {} if self.head.delimiter == SPACES else {"skipinitialspace": True}
        numbers = {i for i, _ in self.numbers.values()}
        with warnings.catch_warnings():
            warnings.simplefilter("error", pd.errors.ParserWarning)
            for kinds in ({i: np.float64 if i in numbers else str for i in places}, str):
                try:
                    return pd.read_csv(
                        io.BytesIO(data), dtype=kinds, sep=self.head.delimiter, header=None,
                        names=list(places), index_col=False, keep_default_na=False,
                        na_values=list(_NAN), skip_blank_lines=False, decimal=self.head.decimal,
                        encoding=self.head.encoding, low_memory=False, **spaces,
                    )  # fmt: skip
                except (pd.errors.ParserError, pd.errors.ParserWarning):
                    return None
                except ValueError:  # a cell that is no number: all as text
                    continue
        return None

    def _is_full(self, frame: pd.DataFrame, data: bytes) -> bool:
        """Whether no row has too many cells, or too few, which would pass for missing values."""
        wanted, delimiter = len(self.header.names), self.head.delimiter
        if frame[wanted].notna().any():
            return False
        if delimiter == SPACES:
            return True
        signs = data.count(delimiter.encode())
        return signs in ((wanted - 1) * len(frame), wanted * len(frame))

    def _add_wrong_lines(self, lines: NDArray[np.int64], data: bytes) -> None:
        """Lines with more or fewer cells than there are names."""
        wanted, delimiter = len(self.header.names), self.head.delimiter
        wrong = []
        for line, row in zip(
            lines.tolist(), data.decode(self.head.encoding, errors="replace").split("\n"),
            strict=False,
        ):  # fmt: skip
            try:
                cells = split_line(row, delimiter) if row.strip() else [""] * wanted
            except csv.Error:
                cells = [row]
            if len(cells) != wanted and not (len(cells) == wanted + 1 and not cells[-1]):
                wrong.append((line, len(cells)))
        hint = "; numbers with decimal commas need semicolons or tabs between the cells, or quotes"

        def text(i: int) -> str:
            count = wrong[i][1]
            more = hint if count > wanted and delimiter == "," else ""
            return f"has {count} cells; the header names {wanted}{more}"

        self.problems.add_all("", [line for line, _ in wrong], text)

    def _number(
        self, cells: pd.Series, position: int, column: Column, lines: NDArray[np.int64]
    ) -> Array:
        """A column in SI, NaN where missing; the range checked."""
        name = self.header.names[position]
        if cells.dtype == np.float64:
            values = cells.to_numpy(dtype=np.float64, copy=True)
        else:
            values = self._numbers_among_words(cells, name, lines)
        for mark in self.mark_values:
            values[values == mark] = np.nan
        with np.errstate(invalid="ignore"):
            bad = np.flatnonzero((values < column.low) | (values > column.high))
        self.problems.add_all(
            name, lines[bad], lambda i: _out_of_range(name, values[bad[i]], column)
        )
        return values * column.factor if column.factor != 1.0 else values

    def _numbers_among_words(self, cells: pd.Series, name: str, lines: NDArray[np.int64]) -> Array:
        """Numbers of a column that holds other words as well; those that are no marks are wrong."""
        texts = _trimmed(cells).tolist()
        values, wrong = np.full(len(texts), np.nan), []
        for i, text in enumerate(texts):
            number = text.replace(",", ".") if self.head.decimal == "," else text
            if _NUMBER.fullmatch(number):
                values[i] = float(number)
            elif text.casefold() not in self.marks:
                wrong.append(i)
        self.problems.add_all(name, lines[wrong], lambda i: _no_number(name, texts[wrong[i]]))
        return values

    def _stamps(self, frame: pd.DataFrame, lines: NDArray[np.int64]) -> Stamps:
        """The times, from one column or from a date and a time of day."""
        cells = _trimmed(frame[self.times[0]])
        for i in self.times[1:]:
            cells = cells + " " + _trimmed(frame[i])
        name = " ".join(self.header.names[i] for i in self.times)
        stamps = read_stamps(cells, self.date_order)
        if stamps.ambiguous:
            first = int(np.argmax(~stamps.bad))
            text = (
                f"{name} = {shorten(one_line(cells.iloc[first]))}: the day or the month may stand "
                "first: say which with --date-order dmy or --date-order mdy"
            )
            self.problems.add_all(name, lines[[first]], lambda _: text)
            return stamps
        if stamps.order and not self.date_order:
            self.date_order = stamps.order  # the same in all pieces
            self.dates_first = "month" if stamps.order == "mdy" else "day"
        bad = np.flatnonzero(stamps.bad)
        self.problems.add_all(
            name, lines[bad], lambda i: _no_time(name, cells.iloc[bad[i]].strip())
        )
        return stamps


def _trimmed(cells: pd.Series) -> pd.Series:
    """A column as text without spaces around it, "" where empty."""
    return cells.fillna("").astype(str).str.strip()


def _open_quote(lines: NDArray[np.int64], data: bytes) -> int:
    """The first line with a quotation mark that has no second."""
    rows = data.split(b"\n")
    return next((int(n) for n, r in zip(lines, rows, strict=False) if r.count(b'"') % 2), 0)


def _without_comments(line: int, data: bytes) -> tuple[NDArray[np.int64], bytes]:
    """Numbers of the lines that are no comments, and their bytes."""
    count = data.count(b"\n")
    numbers = np.arange(line, line + count)
    if b"#" not in data:
        return numbers, data
    rows = data.split(b"\n")[:count]
    kept = np.array([not row.lstrip().startswith(b"#") for row in rows])
    if kept.all():
        return numbers, data
    text = b"\n".join(row for row, keep in zip(rows, kept, strict=True) if keep)
    return numbers[kept], text + b"\n" if text else b""


def _out_of_range(name: str, value: float, column: Column) -> str:
    if not np.isfinite(value):
        return f'{name} = "{value:g}": must be a number'
    unit = f" {column.unit}" if column.unit else ""
    text = f"{name} = {value:g}{unit}: must be at least {column.low:g}{unit} and at most "
    text += f"{column.high:g}{unit}"
    if value not in _MARKS:
        return text
    return (
        f"{text}; if it marks a missing value, leave the cell empty or state it: "
        f"--missing={value:g}, or a line '# missing: {value:g}' above the header"
    )


def _no_number(name: str, cell: str) -> str:
    shown = shorten(one_line(cell))
    text = f'{name} = "{shown}": must be a number'
    if _COMMA_NUMBER.fullmatch(cell):
        return f"{text}; other numbers of the file have a point: {cell.replace(',', '.')}"
    return (
        f"{text}; if it marks a missing value, leave the cell empty or state it: --missing={shown}"
    )


def _no_time(name: str, cell: str) -> str:
    if not cell:
        return f"{name}: is missing"
    return (
        f'{name} = "{shorten(one_line(cell))}": must be a date and time from 1900 to 2199 in the '
        "form of the first ones, best in ISO 8601, as 2025-03-30T14:00:00.05Z"
    )
