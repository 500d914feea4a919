"""A logger's text file on disk: what it is, where its table begins, and its lines in pieces.

Loggers write some lines about themselves, one line with the names of the columns, perhaps one with
their units and one with how they were processed, and then the data. The line with the names is the
one of the first lines in which most columns are recognised; commas, semicolons, tabs and spaces
between cells are tried.

All cells of a logger file as arrays: the time of each row, numbers in SI, and words.

pandas parses the characters, piece by piece; here stand the meaning of columns, what is missing,
ranges, and one line for each mistake with the number of its line in the file. pandas is imported
when a file is read and no sooner.
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

from wakesim.air.record_times import zone
from wakesim.arrays import Array
from wakesim.csv_tables import (
    MOST_RECORD_BYTES,
    SPACES,
    Column,
    Problems,
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

if TYPE_CHECKING:
    import pandas as pd

PIECE_BYTES = 8_000_000
_LONGEST_LINE = 100_000
_HEAD_LINES = 60  # in which the names of the columns must be
_LOOKED_AT = 200  # lines of data from which the decimal sign is taken
_MISSING_NOTE = "missing"
_DELIMITERS = ("\t", ";", ",", SPACES)
_COMMA_NUMBER = re.compile(r"[+-]?\d*,\d+")
_POINT_NUMBER = re.compile(r"[+-]?\d*\.\d+")
# What stands below the names in the files of loggers, beside units.
_BELOW_NAMES = frozenset(
    ["", "ts", "rn", "unitless", "smp", "avg", "max", "min", "std", "tot", "samp", "utc", "local"]
)

Count = Callable[[Sequence[str]], int]
"""How many of the cells are names of columns that are known."""


class Head(NamedTuple):
    """The names of the columns, their units ("" where none is stated), the number of their line;
    ``delimiter`` and ``decimal`` sign; marks for missing values that comments state; how many
    lines of other text stand above."""

    names: tuple[str, ...]
    units: tuple[str, ...]
    line: int
    delimiter: str
    decimal: str
    missing: tuple[str, ...]
    above: int


@dataclass
class LoggerFile:
    """An open file: ``source`` for messages; the head is read, ``pieces`` gives the rest."""

    source: str
    file: BinaryIO
    head: Head
    encoding: str
    line: int  # of the first data
    digest: hashlib._Hash = field(default_factory=hashlib.sha256)
    _rest: bytes = b""

    def pieces(self) -> Iterator[tuple[int, bytes]]:
        """(number of the first line, bytes of whole lines) of everything below the head."""
        line, kept = self.line, self._rest
        while True:
            new = self.file.read(PIECE_BYTES)
            self.digest.update(new)
            block = kept + new
            cut = block.rfind(b"\n") + 1 if new else len(block)
            kept = block[cut:]
            if len(kept) > _LONGEST_LINE:
                raise CaseError(f"{self.source}: a line is longer than {_LONGEST_LINE} characters")
            if cut:
                piece = block[:cut] + (b"" if block[:cut].endswith(b"\n") else b"\n")
                piece = _checked_text(piece, self.encoding, self.source, line)
                yield line, piece
                line += piece.count(b"\n")
            if not new:
                return

    @property
    def sha256(self) -> str:
        """Digest of what was read so far: of the file, once ``pieces`` is through."""
        return self.digest.hexdigest()


def open_logger_file(
    path: str | os.PathLike[str], what: str, count: Count, units: frozenset[str], header_line: int
) -> LoggerFile:
    """The file with its head read; ``what`` it should be, for messages.

    ``count`` says how many of some cells are known names, ``units`` are those that may stand below
    them. ``header_line`` is the number of the line with the names, 0 to find it. Close ``.file``
    after use. Raises CaseError when the file cannot be read, is no text, packed, too large or
    empty, or has no such line.
    """
    file = open_table_file(path, what, MOST_RECORD_BYTES)
    source = one_line(os.fsdecode(path))
    try:
        return _opened(file, source, what, count, units, header_line)
    except BaseException:
        file.close()
        raise


def _opened(
    file: BinaryIO, source: str, what: str, count: Count, units: frozenset[str], header_line: int
) -> LoggerFile:
    data = file.read(PIECE_BYTES)
    check_text_bytes(data, source)
    if b"\n" not in data[:_LONGEST_LINE] and b"\r" in data[:_LONGEST_LINE]:
        raise CaseError(f"{source}: its lines end in CR alone; save it with LF or CR LF")
    begin = 3 if data.startswith(b"\xef\xbb\xbf") else 0
    whole = data if data.rfind(b"\n") < 0 or len(data) < PIECE_BYTES else data[: data.rfind(b"\n")]
    encoding = _encoding(whole, source)
    lines = _first_lines(data[begin:], encoding, source)
    missing = tuple(m for _, text in lines if text.startswith("#") for m in _stated_marks(text))
    table = [(n, text) for n, text in lines if text and not text.startswith("#")]
    if not table:
        raise CaseError(f"{source}: is empty; {what} starts with the names of its columns")
    at, delimiter = _names_line(table, count, header_line, source)
    number, text = table[at]
    names = tuple(split_line(text, delimiter))
    below, stated = at + 1, [""] * len(names)
    while below < len(table) and below <= at + 3:
        cells = split_line(table[below][1], delimiter)
        folded = [cell.strip("[]() ").casefold() for cell in cells]
        known = [cell in units or cell in _BELOW_NAMES for cell in folded]
        if not all(known) or not any(folded):
            break
        for i, cell in enumerate(folded[: len(names)]):
            stated[i] = stated[i] or (cell if cell in units else "")
        below += 1
    first = table[below][0] if below < len(table) else table[below - 1][0] + 1
    rows = [split_line(text, delimiter) for _, text in table[below : below + _LOOKED_AT]]
    head = Head(names, tuple(stated), number, delimiter, _decimal(rows), missing, at)
    found = LoggerFile(source, file, head, encoding, first)
    found.digest.update(data)
    position = begin
    for _ in range(first - 1):
        end = data.find(b"\n", position)
        position = len(data) if end < 0 else end + 1
    found._rest = data[position:]
    return found


def _first_lines(data: bytes, encoding: str, source: str) -> list[tuple[int, str]]:
    """(number, text) of the lines that the head is looked for in."""
    out: list[tuple[int, str]] = []
    position, number = 0, 0
    while position < len(data) and len(out) < _HEAD_LINES + _LOOKED_AT:
        end = data.find(b"\n", position)
        end = len(data) if end < 0 else end
        if end - position > _LONGEST_LINE:
            raise CaseError(f"{source}: a line is longer than {_LONGEST_LINE} characters")
        number += 1
        text = data[position:end].decode(encoding, errors="replace").replace("\r", " ")
        out.append((number, text.strip()))
        position = end + 1
    return out


def _names_line(
    table: list[tuple[int, str]], count: Count, header_line: int, source: str
) -> tuple[int, str]:
    """Which of the lines holds the names of the columns, and what stands between them."""
    if header_line:
        chosen = [i for i, (number, _) in enumerate(table) if number == header_line]
        if not chosen:
            raise CaseError(
                f"{source}:{header_line}: there is no text in this line to name columns, or it is "
                f"not among the first {_HEAD_LINES}"
            )
        candidates = chosen
    else:
        candidates = [i for i, (number, _) in enumerate(table) if number <= _HEAD_LINES]
    best, top = (candidates[0], usual_delimiter(table[candidates[0]][1])), 0
    for i in candidates:
        for delimiter in _DELIMITERS:
            found = count(split_line(table[i][1], delimiter))
            if found > top:
                best, top = (i, delimiter), found
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
        raise CaseError(f"{source}: is not a text file")
    for encoding in ("utf-8", "cp1252"):
        try:
            text = data.decode(encoding)
        except UnicodeDecodeError:
            continue
        if encoding == "utf-8" or text.isascii() or _printable(text):
            return encoding
    raise CaseError(f"{source}: is not UTF-8 text; save the file as UTF-8")


def _printable(text: str) -> bool:
    return all(letter.isprintable() or letter in "\t\r\n" for letter in text)


def _checked_text(piece: bytes, encoding: str, source: str, line: int) -> bytes:
    """The piece with plain line ends; ``line`` is its first."""
    if b"\0" in piece:
        raise CaseError(f"{source}: is not a text file after line {line}")
    if b"\r" in piece:
        piece = piece.replace(b"\r\n", b"\n")
        at = piece.find(b"\r")
        if at >= 0:
            line += piece.count(b"\n", 0, at)
            raise CaseError(f"{source}:{line}: a line end of another kind (CR) stands within")
    if not piece.isascii():
        try:
            piece.decode(encoding)
        except UnicodeDecodeError:
            text = f"{source}: is not {encoding.upper()} text after line {line}"
            raise CaseError(f"{text}; save the file as UTF-8") from None
    return piece


def _stated_marks(comment: str) -> tuple[str, ...]:
    """Marks of a comment line ``# missing: -999, ERR``; none in any other comment."""
    name, colon, marks = comment.lstrip("# \t").replace("=", ":", 1).partition(":")
    if not colon or name.strip().casefold() != _MISSING_NOTE:
        return ()
    return tuple(mark.strip().strip("\"'") for mark in marks.split(",") if mark.strip())


SHOWN_OF_A_KIND = 5
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
_COMMA = re.compile(r"[+-]?\d*,\d+")
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


@dataclass
class _Piece:
    lines: NDArray[np.int64]
    values: dict[str, Array]
    text: dict[str, list[str]]
    stamps: Stamps | None


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
    adds problems of its own with what was read, told together with all others.

    Raises CaseError, one line a problem: file, line, column, value, allowed range.
    """

    place = None if options.time_zone is None else zone(options.time_zone)

    def count(cells: Sequence[str]) -> int:
        return recognised(cells, known, options.columns)

    found = open_logger_file(path, what, count, UNITS, options.header_line)
    with found.file:
        problems = Problems(found.source)
        head = found.head
        header = read_header(
            head.names, head.units, head.line, known, options.columns, problems
        )  # fmt: skip
        if not problems.lines:
            _check_needs(header, known, needs, problems)
        problems.check()
        reader = _Reader(
            found, header, known, {*options.missing, *head.missing}, options, problems, more is None
        )
        pieces = [reader.read(line, data) for line, data in found.pieces()]
    if not sum(p.lines.size for p in pieces):
        raise CaseError(f"{found.source}: holds no line after the header")
    lines = np.concatenate([p.lines for p in pieces])
    time_us, offset = None, None
    if reader.timed and not problems.lines:
        local = np.concatenate([p.stamps.local_us for p in pieces if p.stamps])
        offsets = np.concatenate([p.stamps.offset_min for p in pieces if p.stamps])
        time_us = utc_microseconds(local, offsets, lines, place, problems)
        offset = next((p.stamps.stated_min for p in pieces if p.stamps), None)
        problems.check()
    notes = list(header.notes)
    if head.above:
        notes.append(f"its columns are named in line {head.line}; the lines above are not read")
    if head.decimal == ",":
        notes.append("its numbers are read with a decimal comma")
    notes += reader.notes
    cells = Cells(
        header=header,
        lines=lines,
        values={q: np.concatenate([p.values[q] for p in pieces]) for q in reader.quantities},
        text={q: [cell for p in pieces for cell in p.text[q]] for q in reader.words},
        time_us=time_us,
        offset_min=offset,
        source=found.source,
        sha256=found.sha256,
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


class _Reader:
    """Pieces of one file to arrays, checked against the ranges of the columns."""

    def __init__(
        self,
        found: LoggerFile,
        header: Header,
        known: Mapping[str, Column],
        missing: set[str],
        options: ReadOptions,
        problems: Problems,
        check: bool,
    ) -> None:
        """``check``: raise the problems of a piece at once, not those of the whole file."""
        self.found, self.header, self.known = found, header, known
        self.problems, self.check = problems, check
        self.marks = {mark.casefold() for mark in missing}
        self.mark_values = [float(mark) for mark in missing if _NUMBER.fullmatch(mark)]
        place = {key: i for i, key in enumerate(header.keys) if key}
        self.numbers = {
            known[key].quantity: (i, known[key]) for key, i in place.items()
            if key in known and key != "time" and known[key].quantity not in TEXT
        }  # fmt: skip
        self.words = {known[k].quantity: i for k, i in place.items()
                      if k in known and known[k].quantity in TEXT}  # fmt: skip
        self.times = [place[k] for k in ("time", EPOCH, DATE, TIME_OF_DAY) if k in place]
        self.timed = bool(self.times)
        self.quantities = list(self.numbers)
        self.notes: list[str] = []
        self.date_order = options.date_order

    def read(self, line: int, data: bytes) -> _Piece:
        """One piece of whole lines, the first being number ``line``."""
        lines, data = _without_comments(line, data)
        told: dict[str, int] = {}
        frame = self._parsed(lines, data, told)
        if frame is None or len(frame) != len(lines):
            self._more(told)
            self.problems.check()
            line = _open_quote(lines, data) or int(lines[0])
            raise CaseError(f"{self.found.source}:{line}: a quoted cell does not end in its line")
        self._check_count(frame, lines, data, told)
        blank = frame.isna().all(axis=1).to_numpy()
        if blank.any():
            frame, lines = frame[~blank], lines[~blank]
        values = {}
        for quantity, (i, column) in self.numbers.items():
            values[quantity] = self._number(frame[i], self.header.names[i], column, lines, told)
        text = {
            q: [c.strip() for c in frame[i].fillna("").astype(str)] for q, i in self.words.items()
        }
        stamps = self._stamps(frame, lines, told) if self.timed else None
        self._more(told)
        if self.check:
            self.problems.check()
        return _Piece(lines, values, text, stamps)

    def _parsed(
        self, lines: NDArray[np.int64], data: bytes, told: dict[str, int]
    ) -> pd.DataFrame | None:
        """The piece as a table with one more column than there are names, numbers as numbers
        where all of them are; None when lines have too many cells, which are then told."""
        import pandas as pd

        count = len(self.header.names)
        numeric = {i: np.float64 for i, _ in self.numbers.values()}
        options = {
            "sep": self.found.head.delimiter, "header": None, "names": list(range(count + 1)),
            "index_col": False, "keep_default_na": False, "na_values": list(_NAN),
            "skip_blank_lines": False, "skipinitialspace": True, "decimal": self.found.head.decimal,
            "encoding": self.found.encoding, "low_memory": False,
        }  # fmt: skip
        if self.found.head.delimiter == SPACES:
            del options["skipinitialspace"]
        kinds = {i: numeric.get(i, str) for i in range(count + 1)}
        with warnings.catch_warnings():
            warnings.simplefilter("error", pd.errors.ParserWarning)
            try:
                return pd.read_csv(io.BytesIO(data), dtype=kinds, **options)
            except (pd.errors.ParserError, pd.errors.ParserWarning):
                self._tell_wrong_lines(lines, data, told)
                return None
            except ValueError:  # a cell that is no number: words first
                kinds = dict.fromkeys(range(count + 1), str)
                try:
                    return pd.read_csv(io.BytesIO(data), dtype=kinds, **options)
                except (pd.errors.ParserError, pd.errors.ParserWarning):
                    self._tell_wrong_lines(lines, data, told)
                    return None

    def _tell_wrong_lines(
        self, lines: NDArray[np.int64], data: bytes, told: dict[str, int]
    ) -> None:
        text = data.decode(self.found.encoding, errors="replace")
        for line, row in zip(lines.tolist(), text.split("\n"), strict=False):
            self._check_cells(line, row, told)

    def _check_cells(self, line: int, row: str, told: dict[str, int]) -> None:
        wanted, delimiter = len(self.header.names), self.found.head.delimiter
        if not row.strip():
            return
        try:
            cells = row.split() if delimiter == SPACES else (
                next(csv.reader([row], delimiter=delimiter, skipinitialspace=True))
            )  # fmt: skip
        except csv.Error:
            cells = [row]
        if len(cells) == wanted or (len(cells) == wanted + 1 and not cells[-1].strip()):
            return
        text = f"has {len(cells)} cells; the header names {wanted}"
        if len(cells) > wanted and delimiter == ",":
            text += (
                "; numbers with decimal commas need semicolons or tabs between the cells, or quotes"
            )
        self._tell(told, "", line, text)

    def _check_count(
        self, frame: pd.DataFrame, lines: NDArray[np.int64], data: bytes, told: dict[str, int]
    ) -> None:
        """Rows with too many cells, or with too few, which would pass for missing values."""
        wanted, delimiter = len(self.header.names), self.found.head.delimiter
        long = frame[wanted].notna().to_numpy()
        commas = 0 if delimiter == SPACES else data.count(delimiter.encode())
        full = commas == (wanted - 1) * len(lines) or commas == wanted * len(lines)
        if not long.any() and (full or delimiter == SPACES):
            return
        self._tell_wrong_lines(lines, data, told)

    def _number(
        self, cells: pd.Series, name: str, column: Column, lines: NDArray[np.int64],
        told: dict[str, int],
    ) -> Array:  # fmt: skip
        """A column in SI, NaN where missing; the range checked."""
        if cells.dtype == np.float64:
            values = cells.to_numpy(dtype=np.float64, copy=True)
        else:
            values = self._words_to_numbers(cells, name, lines, told)
        for mark in self.mark_values:
            values[values == mark] = np.nan
        with np.errstate(invalid="ignore"):
            bad = np.flatnonzero((values < column.low) | (values > column.high))
        for i in bad.tolist():
            value = float(values[i])
            if told.get(name, 0) < SHOWN_OF_A_KIND:
                shown = f'{name} = "{value:g}": must be a number'
                text = out_of_range(name, value, column) if np.isfinite(value) else shown
                self._tell(told, name, int(lines[i]), text)
            else:
                told[name] = told[name] + 1
        return values * column.factor if column.factor != 1.0 else values

    def _words_to_numbers(
        self, cells: pd.Series, name: str, lines: NDArray[np.int64], told: dict[str, int]
    ) -> Array:
        """Numbers of a column that holds other words as well; those that are no marks are told."""
        values = np.full(len(cells), np.nan)
        for i, cell in enumerate(cells.fillna("").tolist()):
            text = cell.strip()
            number = text.replace(",", ".") if self.found.head.decimal == "," else text
            if _NUMBER.fullmatch(number):
                values[i] = float(number)
            elif text.casefold() not in self.marks and text.casefold() not in ("", "nan", "-nan"):
                self._tell(told, name, int(lines[i]), _no_number(name, text))
        return values

    def _stamps(
        self, frame: pd.DataFrame, lines: NDArray[np.int64], told: dict[str, int]
    ) -> Stamps:
        cells = frame[self.times[0]].fillna("").astype(str).str.strip()
        name = self.header.names[self.times[0]]
        if len(self.times) > 1:
            day = frame[self.times[1]].fillna("").astype(str).str.strip()
            cells = cells + " " + day
            name = f"{name} {self.header.names[self.times[1]]}"
        stamps = read_stamps(cells, self.date_order)
        if stamps.ambiguous:
            first = int(np.argmax(~stamps.bad))
            self._tell(
                told, name, int(lines[first]),
                f"{name} = {shorten(one_line(cells.iloc[first]))}: the day or the month may stand "
                "first: say which with --date-order dmy or --date-order mdy",
            )  # fmt: skip
            return stamps
        if stamps.order and not self.date_order:
            self.date_order = stamps.order  # the same in all pieces
            words = "the month" if stamps.order == "mdy" else "the day"
            self.notes.append(f"its dates are read with {words} first")
        for i in np.flatnonzero(stamps.bad).tolist():
            if told.get(name, 0) < SHOWN_OF_A_KIND:
                self._tell(told, name, int(lines[i]), _no_time(name, cells.iloc[i].strip()))
            else:
                told[name] = told[name] + 1
        return stamps

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


def out_of_range(name: str, value: float, column: Column) -> str:
    """The message about a number outside the range of its column."""
    unit = f" {column.unit}" if column.unit else ""
    text = f"{name} = {value:g}{unit}: must be at least {column.low:g}{unit} and at most "
    text += f"{column.high:g}{unit}"
    if value in _MARKS:
        return (
            f"{text}; if it marks a missing value, leave the cell empty or state it: "
            f"--missing={value:g}, or a line '# missing: {value:g}' above the header"
        )
    return text


def _no_number(name: str, cell: str) -> str:
    shown = shorten(one_line(cell))
    text = f'{name} = "{shown}": must be a number'
    if _COMMA.fullmatch(cell):
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
