"""A logger's text file on disk: what it is, where its table begins, and its lines in pieces.

Loggers write some lines about themselves, one line with the names of the columns, perhaps one with
their units and one with how they were processed, and then the data. The line with the names is the
one of the first lines in which most columns are recognised; commas, semicolons, tabs and spaces
between cells are tried.
"""

from __future__ import annotations

import csv
import hashlib
import os
import re
import stat
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import BinaryIO, NamedTuple

from wakesim.case.messages import one_line
from wakesim.errors import CaseError

MAX_BYTES = 4_000_000_000
PIECE_BYTES = 8_000_000
SPACES = r"\s+"  # the delimiter of columns that are lined up with spaces
_LONGEST_LINE = 100_000
_HEAD_LINES = 60  # in which the names of the columns must be
_LOOKED_AT = 200  # lines of data from which the decimal sign is taken
_PACKED = {b"\x1f\x8b": "gzip", b"PK": "zip (or a spreadsheet)", b"BZh": "bzip2", b"\xfd7z": "xz"}
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
    file = opened_file(path, what)
    source = one_line(os.fsdecode(path))
    try:
        return _opened(file, source, what, count, units, header_line)
    except BaseException:
        file.close()
        raise


def opened_file(path: str | os.PathLike[str], what: str) -> BinaryIO:
    """The file open for reading. Raises CaseError when it is none, or too large."""
    source = one_line(os.fsdecode(path))
    try:
        found = os.stat(path)
        if stat.S_ISDIR(found.st_mode):
            raise CaseError(f"{source}: is a folder, not {what}")
        if not stat.S_ISREG(found.st_mode):  # a pipe would wait for ever
            raise CaseError(f"{source}: is not a regular file")
        if found.st_size > MAX_BYTES:
            raise CaseError(f"{source}: larger than {MAX_BYTES // 1_000_000_000} GB; split it")
        return open(path, "rb")
    except FileNotFoundError as error:
        raise CaseError(f"{source}: no such file") from error
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else str(error)
        raise CaseError(f"{source}: cannot be read: {one_line(str(reason))}") from error


def _opened(
    file: BinaryIO, source: str, what: str, count: Count, units: frozenset[str], header_line: int
) -> LoggerFile:
    data = file.read(PIECE_BYTES)
    for start, kind in _PACKED.items():
        if data.startswith(start):
            raise CaseError(f"{source}: is packed with {kind}; give the CSV text itself")
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise CaseError(f"{source}: is UTF-16 text; save it as UTF-8")
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
    best, top = (candidates[0], _usual_delimiter(table[candidates[0]][1])), 0
    for i in candidates:
        for delimiter in _DELIMITERS:
            found = count(split_line(table[i][1], delimiter))
            if found > top:
                best, top = (i, delimiter), found
    return best


def _usual_delimiter(text: str) -> str:
    return max(",;\t", key=text.count)


def split_line(text: str, delimiter: str) -> list[str]:
    """The cells of a line, without spaces around them and quotes."""
    if delimiter == SPACES:
        return text.split()
    return [c.strip() for c in next(csv.reader([text], delimiter=delimiter, skipinitialspace=True))]


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
