"""A logger file on disk, in pieces of whole lines: what it is, its digest and its header."""

from __future__ import annotations

import csv
import hashlib
import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import BinaryIO

from wakesim.case.problems import one_line
from wakesim.errors import CaseError

MAX_BYTES = 4_000_000_000
PIECE_BYTES = 8_000_000
_LONGEST_LINE = 100_000
_PACKED = {b"\x1f\x8b": "gzip", b"PK": "zip (or a spreadsheet)", b"BZh": "bzip2", b"\xfd7z": "xz"}
_MISSING_NOTE = "missing"


@dataclass
class LoggerFile:
    """An open file: ``source`` for messages; the header is read, ``pieces`` gives the rest.

    ``cells`` are the names in the header, ``line`` its number, ``delimiter`` what stands between
    the cells. ``missing`` are the marks a comment above the header states: ``# missing: -999``.
    """

    source: str
    file: BinaryIO
    digest: hashlib._Hash = field(default_factory=hashlib.sha256)
    cells: Sequence[str] = ()
    line: int = 0
    delimiter: str = ","
    missing: tuple[str, ...] = ()
    _rest: bytes = b""

    def pieces(self) -> Iterator[tuple[int, bytes]]:
        """(number of the first line, bytes of whole lines) of everything below the header."""
        line, kept = self.line + 1, self._rest
        while True:
            new = self.file.read(PIECE_BYTES)
            self._check(new, line)
            block = kept + new
            cut = block.rfind(b"\n") + 1 if new else len(block)
            kept = block[cut:]
            if len(kept) > _LONGEST_LINE:
                raise CaseError(f"{self.source}: a line is longer than {_LONGEST_LINE} characters")
            if cut:
                piece = block[:cut]
                if not piece.endswith(b"\n"):
                    piece += b"\n"
                yield line, piece
                line += piece.count(b"\n")
            if not new:
                return

    def _check(self, new: bytes, line: int) -> None:
        self.digest.update(new)
        if b"\0" in new:
            raise CaseError(f"{self.source}: is not a text file")
        try:
            new.decode("ascii")
        except UnicodeDecodeError:
            # Letters beyond ASCII may be cut at the edges of a piece; all else must be UTF-8.
            text = new.decode("utf-8", errors="replace")
            if text.count("�") > 8:
                raise CaseError(
                    f"{self.source}: is not UTF-8 text after line {line}; save the file as UTF-8"
                ) from None

    @property
    def sha256(self) -> str:
        """Digest of what was read so far: of the file, once ``pieces`` is through."""
        return self.digest.hexdigest()


def open_logger_file(path: str | os.PathLike[str], what: str) -> LoggerFile:
    """The file with its header read; ``what`` it should be, for messages.

    Close ``.file`` after use. Raises CaseError when it cannot be read, is no text, packed, too
    large or empty.
    """
    source = one_line(os.fsdecode(path))
    try:
        file = open(path, "rb")  # noqa: SIM115  (closed by the caller)
        size = os.fstat(file.fileno()).st_size
    except FileNotFoundError as error:
        raise CaseError(f"{source}: no such file") from error
    except IsADirectoryError as error:
        raise CaseError(f"{source}: is a folder, not {what}") from error
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else str(error)
        raise CaseError(f"{source}: cannot be read: {one_line(str(reason))}") from error
    try:
        if size > MAX_BYTES:
            raise CaseError(f"{source}: larger than {MAX_BYTES // 1_000_000_000} GB; split it")
        found = LoggerFile(source, file)
        _read_header(found, what)
    except BaseException:
        file.close()
        raise
    return found


def _read_header(found: LoggerFile, what: str) -> None:
    source = found.source
    head = found.file.read(PIECE_BYTES)
    for start, kind in _PACKED.items():
        if head.startswith(start):
            raise CaseError(f"{source}: is packed with {kind}; give the CSV text itself")
    if head.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise CaseError(f"{source}: is UTF-16 text; save it as UTF-8")
    found._check(head, 1)
    if b"\n" not in head[:_LONGEST_LINE] and b"\r" in head[:_LONGEST_LINE]:
        raise CaseError(f"{source}: its lines end in CR alone; save it with LF or CR LF")
    begin = 3 if head.startswith(b"\xef\xbb\xbf") else 0
    while begin < len(head):
        end = head.find(b"\n", begin)
        end = len(head) if end < 0 else end
        if end - begin > _LONGEST_LINE:
            raise CaseError(f"{source}: a line is longer than {_LONGEST_LINE} characters")
        text = head[begin:end].decode("utf-8", errors="replace").strip()
        found.line += 1
        begin = end + 1
        if text.startswith("#"):
            found.missing += _stated_marks(text)
        elif text:
            found.delimiter = max(",;\t", key=text.count)
            cells = next(csv.reader([text], delimiter=found.delimiter))
            found.cells = [cell.strip() for cell in cells]
            found._rest = head[begin:]
            return
    raise CaseError(f"{source}: is empty; {what} starts with the names of its columns")


def _stated_marks(comment: str) -> tuple[str, ...]:
    """Marks of a comment line ``# missing: -999, ERR``; none in any other comment."""
    name, colon, marks = comment.lstrip("# \t").replace("=", ":", 1).partition(":")
    if not colon or name.strip().casefold() != _MISSING_NOTE:
        return ()
    return tuple(mark.strip().strip("\"'") for mark in marks.split(",") if mark.strip())
