"""Values that cost much to compute and depend on a class and its air alone, kept on disk.

A wake marched, a hull solved, a pulse tabulated or the air of a day balanced for one place serves
every other place with the same vehicles and air, and every later run. ``keep`` puts such a
function's values into a folder of the user's, in files named by what they depend on: the kind, the
arguments to the last bit, the program's own source, and the libraries and processor that compute.
So a value read is the value computed, bit by bit, and nothing has to be declared stale.

Files are their own key, a checksum and arrays in numpy's format, without pickle; they are written
under another name and renamed: processes may write at once or be killed at any moment. A file that
is not whole, or is not what its name says, is removed and computed again. When the folder outgrows
its bound, the files longest unread go. Nothing here fails a run: without a folder to write to,
values are computed.

``WAKESIM_CACHE`` names another folder, or is "off"; ``WAKESIM_CACHE_MB`` sets the bound.
"""

from __future__ import annotations

import contextlib
import functools
import hashlib
import io
import logging
import os
import re
import tempfile
import threading
import time
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields, is_dataclass
from pathlib import Path
from typing import Any, TypeVar

from wakesim.errors import OutputError
from wakesim.runtime import cache_folder, version

log = logging.getLogger("wakesim")

FOLDER, BOUND = "WAKESIM_CACHE", "WAKESIM_CACHE_MB"  # environment
OFF = "off"
KINDS = {"wake": "wakes", "hull": "hulls", "pulse": "pulses", "road": "mean air of roads"}
DEFAULT_MB = 500.0
_MB = 1e6
_FILE = re.compile(rf"({'|'.join(KINDS)})-[0-9a-f]{{40}}\.arrays")
_UNFINISHED = re.compile(r"unfinished-[a-z0-9_]{8}")  # as mkstemp names them
_ABANDONED_S = 3600.0  # an unfinished file this old is of a process that was killed
_LEFT = 0.8  # of the bound after removing
_LOOK = 0.05  # of the bound that a process writes between two looks at the whole folder
_STARTED_S = time.time()
_PACKAGE = Path(__file__).resolve().parent
# Stages whose source no kept value depends on, since imports lead downwards only.
ABOVE = ("energy", "measures", "outputs", "records", "studies", "validation")

F = TypeVar("F", bound=Callable[..., Any])


# --- folder -----------------------------------------------------------------------------------


def folder() -> Path | None:
    """The folder of kept values, which need not exist; None when switched off."""
    named = os.environ.get(FOLDER, "").strip()
    if named.lower() == OFF or bound_bytes() <= 0.0:
        return None
    return Path(named).expanduser() if named else cache_folder() / "fields"


def bound_bytes() -> float:
    """How large the folder may become."""
    text = os.environ.get(BOUND, "").strip()
    try:
        return max(float(text), 0.0) * _MB if text else DEFAULT_MB * _MB
    except ValueError:
        return DEFAULT_MB * _MB


@dataclass(frozen=True)
class Entry:
    """A file of the folder: its kind ("" for an unfinished one), bytes, and time of last use."""

    path: Path
    kind: str
    size: int
    used_s: float


def entries() -> list[Entry]:
    """The files of this program in the folder; none when there is no folder."""
    found: list[Entry] = []
    place = folder()
    with contextlib.suppress(OSError):
        for item in os.scandir(place) if place is not None else ():
            own = _FILE.fullmatch(item.name)
            if (own or _UNFINISHED.fullmatch(item.name)) and item.is_file(follow_symlinks=False):
                with contextlib.suppress(OSError):  # removed by another process
                    about = item.stat()
                    kind = own.group(1) if own else ""
                    found.append(Entry(Path(item.path), kind, about.st_size, about.st_mtime))
    return found


def clear() -> list[Entry]:
    """Remove the files of this program from the folder; those removed. Raises OutputError."""
    gone = entries()
    for entry in gone:
        try:
            entry.path.unlink(missing_ok=True)
        except OSError as error:
            raise OutputError(f"{entry.path}: cannot be removed: {error.strerror}") from error
    return gone


# --- keeping ----------------------------------------------------------------------------------


def keep(kind: str, record: type | None = None) -> Callable[[F], F]:
    """Decorator: the function's values are kept on disk as ``kind``.

    They must depend on the arguments alone, and be ``record``, a dataclass of arrays and numbers,
    or with None an array. Arguments: numbers, texts, None, arrays, tuples and dataclasses of these,
    and objects whose ``content`` is what of them counts.
    """
    names = tuple(f.name for f in fields(record)) if record is not None else ("value",)

    def around(function: F) -> F:
        @functools.wraps(function)
        def kept(*args: Any, **named: Any) -> Any:
            place = folder()
            path = key = None
            if place is not None and _method() is not None:
                key = _key(kind, function.__qualname__, args, tuple(sorted(named.items())))
                path = place / f"{kind}-{key}.arrays"
                found = _read(path, key, names)
                if found is not None:
                    return record(**found) if record is not None else found["value"]
            made = function(*args, **named)
            parts = {n: _plain(getattr(made, n) if record is not None else made) for n in names}
            if path is not None and key is not None and not _reading_only:
                _write(path, key, parts)
            return record(**parts) if record is not None else parts["value"]

        return kept  # type: ignore[return-value]

    return around


_reading_only = 0  # blocks of ``reading_only`` that are open
_lock = threading.Lock()


@contextlib.contextmanager
def reading_only() -> Iterator[None]:
    """Inside, in any thread, nothing new is kept: for values that no other run will ask for."""
    global _reading_only
    with _lock:
        _reading_only += 1
    try:
        yield
    finally:
        with _lock:
            _reading_only -= 1


def _plain(value: Any) -> Any:
    """A part as it comes back from disk, so that kept or not makes no difference to any sum."""
    import numpy as np

    if isinstance(value, np.ndarray):
        return np.ascontiguousarray(value)
    return value.item() if isinstance(value, np.generic) else value


def _key(*parts: Any) -> str:
    """Hex digest of all that a value depends on."""
    digest = hashlib.sha256(str(_method()).encode())
    _feed(digest, parts)
    return digest.hexdigest()[:40]


def _feed(digest: Any, part: Any) -> None:
    """Add a part to a digest: its type, and all its bits."""
    import numpy as np

    if isinstance(part, np.generic):
        part = part.item()
    digest.update(f"{type(part).__name__}:".encode())
    if isinstance(part, float):
        digest.update(part.hex().encode())
    elif part is None or isinstance(part, (bool, int)):
        digest.update(repr(part).encode())
    elif isinstance(part, str):
        digest.update(f"{len(part)}:{part}".encode())
    elif isinstance(part, np.ndarray) and part.dtype.kind in "biuf":
        digest.update(f"{part.dtype.str}{part.shape}".encode())
        digest.update(np.ascontiguousarray(part).data)
    elif isinstance(part, (tuple, list)):
        digest.update(f"{len(part)}".encode())
        for one in part:
            _feed(digest, one)
    elif is_dataclass(part):
        for field in fields(part):
            digest.update(field.name.encode())
            _feed(digest, getattr(part, field.name))
    elif hasattr(part, "content"):
        _feed(digest, part.content)
    else:
        raise TypeError(f"{type(part).__name__} cannot name a kept value")
    digest.update(b";")


@functools.cache
def _method() -> str | None:
    """Digest of what computes: source, libraries and processor.

    None when the source was edited after this process began: then what runs is not what stands
    there.
    """
    import llvmlite.binding  # type: ignore[import-untyped]
    import numba
    import numpy
    import scipy

    digest = hashlib.sha256()
    for path in sorted(_PACKAGE.rglob("*.py")):
        name = path.relative_to(_PACKAGE)
        if name.parts[0] not in ABOVE:
            if path.stat().st_mtime > _STARTED_S:
                return None
            _feed(digest, name.as_posix())
            digest.update(path.read_bytes())
    libraries = [m.__version__ for m in (numpy, scipy, numba, llvmlite)]
    binding = llvmlite.binding
    processor = binding.get_host_cpu_name() + binding.get_host_cpu_features().flatten()
    asked = {k: v for k, v in os.environ.items() if k.startswith(("NUMBA_CPU", "NUMBA_DISABLE"))}
    _feed(digest, (version(), *libraries, processor, *sorted(asked.items())))
    return digest.hexdigest()


# --- files ------------------------------------------------------------------------------------


_HEAD = 50  # bytes before the arrays


def _head(key: str, body: bytes) -> bytes:
    """Key and checksum, as a file begins."""
    return f"{key} {zlib.crc32(body):08x}\n".encode()


def _read(path: Path, key: str, names: tuple[str, ...]) -> dict[str, Any] | None:
    """The parts of a file, None when there is none; one that is broken or foreign is removed."""
    import numpy as np

    try:
        raw = path.read_bytes()
    except OSError:
        return None
    try:
        head, body = raw[:_HEAD], raw[_HEAD:]
        if head != _head(key, body):
            raise ValueError("not whole, or another value's file")
        stream = io.BytesIO(body)
        found = {n: np.lib.format.read_array(stream, allow_pickle=False) for n in names}
        if stream.read(1):
            raise ValueError("more than the value")
    except Exception:  # whatever the bytes of a broken file lead numpy to
        log.debug("%s is not whole and is removed", path)
        with contextlib.suppress(OSError):
            path.unlink()
        return None
    with contextlib.suppress(OSError):
        os.utime(path)
    return {name: part.item() if part.ndim == 0 else part for name, part in found.items()}


class _Written:
    """What this process knows of the folder: bytes at its last look, and written since."""

    def __init__(self) -> None:
        self.place: Path | None = None
        self.total = self.since = 0.0
        self.refused: set[Path] = set()


_written = _Written()


def _write(path: Path, key: str, parts: dict[str, Any]) -> None:
    """Keep parts under a path; not at all where that cannot be done."""
    import numpy as np

    if path.parent in _written.refused:
        return
    stream = io.BytesIO()
    for part in parts.values():
        np.lib.format.write_array(stream, np.asarray(part), allow_pickle=False)
    body = stream.getvalue()
    unfinished = None
    try:
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        handle, unfinished = tempfile.mkstemp(prefix="unfinished-", dir=path.parent)
        with os.fdopen(handle, "wb") as file:
            file.write(_head(key, body))
            file.write(body)
        os.replace(unfinished, path)
        unfinished = None
    except OSError as error:
        if not path.exists():  # where a file that is being read cannot be replaced it is there
            log.debug("%s: nothing is kept: %s", path.parent, error.strerror or error)
            _written.refused.add(path.parent)
        return
    finally:
        if unfinished is not None:
            with contextlib.suppress(OSError):
                os.unlink(unfinished)
    with _lock:
        _make_room(path.parent, _HEAD + len(body))


def _make_room(place: Path, size: int) -> None:
    """Count what was written and, when the folder is too large, remove what is longest unread.

    Another process's files are seen at the next look, which each takes every 5 % of the bound.
    """
    bound, new = bound_bytes(), _written.place != place
    _written.total += size
    _written.since += size
    if not new and _written.total <= bound and _written.since <= _LOOK * bound:
        return
    found = sorted(entries(), key=lambda entry: entry.used_s)
    total = float(sum(entry.size for entry in found))
    full, now = total > bound, time.time()
    for entry in found:
        abandoned = not entry.kind and now - entry.used_s > _ABANDONED_S
        if abandoned or (entry.kind and full and total > _LEFT * bound):
            with contextlib.suppress(OSError):
                entry.path.unlink()
                total -= entry.size
    _written.place, _written.total, _written.since = place, total, 0.0
