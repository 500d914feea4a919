"""From a file on disk to TOML tables, with plain words when that fails."""

from __future__ import annotations

import errno
import os
import re
import stat
import tomllib
from pathlib import Path
from typing import Any

from wakesim.case.messages import LineMap
from wakesim.errors import CaseError, closest, one_line, shorten

MAX_BYTES = 1_000_000  # a case is a few kB; more is some other file

_POSITION = re.compile(r" \(at (?:line (\d+), column (\d+)|end of document)\)$")
# What tomllib says, and what usually helps.
_HINTS = {
    "Invalid value": 'text needs quotes: "..."; numbers use a point: 1.5',
    "Expected newline or end of document after a statement": (
        "one key = value a line; numbers use a point: 1.5; text needs quotes"
    ),
    "Invalid statement": "a line holds key = value, [table] or a # comment",
    "Expected '=' after a key": "a line holds key = value, [table] or a # comment",
    "Cannot overwrite a value": "the key is given twice",
    "Cannot declare": "the table is given twice",
    "Cannot mutate immutable namespace": "the key or table is given twice",
    "Unclosed array": "a closing ] is missing",
    "Unterminated string": 'a closing " is missing',
    "Illegal character": 'a closing " may be missing',
}


def read_bytes(path: str | os.PathLike[str], most: int) -> bytes:
    """At most ``most`` + 1 bytes of a regular file; what a file names may be anything else.

    Raises OSError or ValueError when it cannot be read, and OSError, without waiting, for a pipe
    or a device.
    """
    if os.path.exists(path) and not os.path.isfile(path) and not os.path.isdir(path):
        raise OSError(errno.EINVAL, "is no regular file")
    flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
    with open(path, "rb", opener=lambda name, _: os.open(name, flags)) as file:
        if not stat.S_ISREG(os.fstat(file.fileno()).st_mode):
            raise OSError(errno.EINVAL, "is no regular file")
        return file.read(most + 1)


def read_text(path: str | os.PathLike[str], *, regular: bool = False) -> str:
    """The text of a case file. Raises CaseError when it cannot be read or is not text.

    ``regular`` refuses pipes and devices, which a user may mean and a found file never does.
    """
    source = one_line(os.fsdecode(path))
    try:
        if regular:
            data = read_bytes(path, MAX_BYTES)
        else:
            with open(path, "rb") as file:
                data = file.read(MAX_BYTES + 1)
    except (OSError, ValueError) as error:
        raise CaseError(f"{source}: {_unreadable(Path(path), error)}") from error
    if len(data) > MAX_BYTES:
        raise CaseError(f"{source}: larger than {MAX_BYTES // 1000} kB; this is no case file")
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise CaseError(f"{source}: is UTF-16 text; save it as UTF-8")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        if b"\0" in data:
            raise CaseError(f"{source}: is not a text file") from error
        byte = f"0x{data[error.start]:02x}"
        raise CaseError(
            f"{source}:{line}: the byte {byte} is not UTF-8; save the file as UTF-8"
        ) from error
    if "\0" in text:
        raise CaseError(f"{source}: is not a text file")
    return text


def _unreadable(path: Path, error: OSError | ValueError) -> str:
    if isinstance(error, FileNotFoundError):
        try:
            stems = [p.stem for p in path.parent.glob("*.toml")]
            near = closest(path.stem, stems, cutoff=0.7)
        except (OSError, ValueError):
            near = None
        hint = f"; did you mean {one_line(str(path.with_name(f'{near}.toml')))}?" if near else ""
        return "no such file" + hint
    if isinstance(error, IsADirectoryError):
        return "is a folder, not a case file"
    if isinstance(error, PermissionError):
        return "no permission to read it"
    reason = error.strerror if isinstance(error, OSError) else str(error)
    return f"cannot be read: {one_line(str(reason))}"


def parse(text: str, source: str) -> tuple[dict[str, Any], LineMap]:
    """The tables of a TOML text and the line of each key. Raises CaseError on invalid TOML."""
    try:
        raw = tomllib.loads(text)
        return raw, LineMap(text)
    except tomllib.TOMLDecodeError as error:
        raise CaseError(_syntax(str(error), text, source)) from error
    except RecursionError as error:
        raise CaseError(f"{source}: lists or tables are nested too deeply") from error
    except ValueError as error:  # an integer too long to be read, a date that does not exist
        raise CaseError(f"{source}: not valid TOML: {one_line(str(error))}") from error


def _syntax(message: str, text: str, source: str) -> str:
    found = _POSITION.search(message)
    reason = one_line(_POSITION.sub("", message))
    rows = text.split("\n")
    number = int(found[1]) if found and found[1] else len(rows)
    # An unclosed line is noticed only where the next one starts.
    content = rows[min(number, len(rows)) - 1].strip()
    hint = next((words for start, words in _HINTS.items() if reason.startswith(start)), "")
    parts = [f"not valid TOML: {shorten(reason, 100)}"]
    if content:
        parts.append(f"in: {shorten(one_line(content))}")
    return f"{source}:{number}: " + "; ".join(parts) + (f" ({hint})" if hint else "")
