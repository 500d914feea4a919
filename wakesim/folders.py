"""Folders that results go to: one run at a time, and the old result or the new one, no mixture.

A new result is written whole into a hidden folder inside the target. Then the list of its moves is
renamed into the target (``unfinished-result.json``): from that moment the new result counts,
wherever its files lie. They are moved one by one, the old ones out of the way, and the list is
taken away. Killed before the rename, the folder holds the old result; killed after it, the list
marks it, ``published`` finds the files of the new result for a reader, and the next run that takes
the folder (``hold``) finishes the moves. Files that are not of the result are never touched.
"""

from __future__ import annotations

import contextlib
import errno
import json
import logging
import os
import re
import shutil
import tempfile
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

from wakesim.errors import OutputError

log = logging.getLogger("wakesim")

MARKER = "unfinished-result.json"
LOCK = ".wakesim-lock"
FIGURES = "figures"
_PREFIX = ".wakesim-"
_STAGING = re.compile(r"\.wakesim-[a-z0-9_]{8}")  # as mkdtemp names them
_NEW, _OLD = "new", "old"  # in a staging folder
_NOTE = (
    "A new result was being moved into this folder when the program ended. Some files here are "
    "still of the old result. The next wakesim command with this folder as its output finishes "
    "the moves, whether or not it computes anything."
)
_LOCKED_BYTE = 1 << 20  # Windows keeps others from reading what is locked: far behind the text
_TRIES = 100


@dataclass(frozen=True)
class Kind:
    """What a command leaves in a folder: the word for it, its files besides the figures, and the
    one of them that lists all under "files".

    ``first_line``: where the files begin with it, they were written by ``command`` and are
    replaced unasked, as their figures are.
    """

    word: str
    files: tuple[str, ...]
    manifest: str | None = None
    first_line: str | None = None
    command: str = ""


RESULT = Kind(
    "a result",
    (
        "result.h5",
        "summary.json",
        "report.html",
        "series.csv",
        "signatures.csv",
        "hourly.csv",
        "mounts.csv",
        "model-variants.csv",
        "energy-hours.csv",
        "energy-months.csv",
        "energy-winds.csv",
        "mount-loads.csv",
        "yield-samples.csv",
        "table.h5",
        "table.csv",
        "pass-table.h5",
        "pass-table.csv",
        "map.h5",
        "map.csv",
    ),
    "summary.json",
)
COMPARISON = Kind(
    "a comparison",
    (
        "comparison.json",
        "comparison.html",
        "quantities.csv",
        "exceedance.csv",
        "spectrum.csv",
        "pass-averages.csv",
        "points.csv",
        "fitted-case.toml",
    ),
    "comparison.json",
)
SCORECARD = Kind(
    "a scorecard",
    ("REPORT.md",),
    first_line="# Comparisons with published data",
    command="wakesim validate",
)
KINDS = (RESULT, COMPARISON, SCORECARD)


# --- before a run -----------------------------------------------------------------------------


def check_target(folder: str | Path, kind: Kind, force: bool = False) -> None:
    """Make sure that a result can be written into a folder, without changing anything.

    For use before a long run. Raises OutputError when the folder already holds a result of this
    kind and ``force`` is not set, when it is a file, or when it cannot be made or written.
    """
    folder = Path(folder)
    with _plain_errors(folder):
        if not force:
            _refuse_existing(folder, kind)
        _make_sure_writable(folder)


def _make_sure_writable(folder: Path) -> None:
    """Raise OutputError when the folder is a file or cannot be made; OSError when not writable."""
    if folder.exists() and not folder.is_dir():
        raise OutputError(f"{folder}: is a file, a folder is needed for the results")
    existing = folder.absolute()
    while not existing.exists():
        existing = existing.parent
    if not existing.is_dir():
        raise OutputError(f"{folder}: cannot be made, {existing} is a file")
    with tempfile.TemporaryFile(prefix=_PREFIX, dir=existing):
        pass


def _refuse_existing(folder: Path, kind: Kind, more: Sequence[str] = ()) -> None:
    """Raise OutputError when the folder holds one of the files, or parts of two results."""
    if (folder / MARKER).exists():
        raise OutputError(
            f"{folder}: holds parts of two results ({MARKER}); choose another folder or use "
            "--force to replace them"
        )
    for name in kind.files if kind.first_line else (*kind.files, *more):
        path = folder / name
        if kind.first_line is not None and path.exists() and not _begins(path, kind.first_line):
            raise OutputError(
                f"{path}: exists and was not written by {kind.command}; --force overwrites it, "
                "-o names another folder"
            )
        if kind.first_line is None and path.exists():
            raise OutputError(
                f"{folder}: already holds {kind.word} ({name}); choose another folder or use "
                "--force to replace it"
            )


def _begins(path: Path, first_line: str) -> bool:
    try:
        with path.open(encoding="utf-8") as file:
            return file.readline().rstrip() == first_line
    except (OSError, UnicodeDecodeError):
        return False


@contextlib.contextmanager
def _plain_errors(folder: Path) -> Iterator[None]:
    """Turn errors of the file system into one line."""
    try:
        yield
    except OSError as error:
        reason = error.strerror or " ".join(str(error).split())
        raise OutputError(f"{folder}: cannot write results: {reason}") from error


# --- one run at a time ------------------------------------------------------------------------

_held: set[tuple[str, int]] = set()  # folders of this process, and the thread that holds each


@contextlib.contextmanager
def hold(folder: str | Path) -> Iterator[None]:
    """Keep other runs out of a folder, which is made when needed.

    What a killed run has left is put right first: moves that it had begun are finished, its hidden
    folders removed. Inside, the same thread may hold the folder again. At the end a folder that was
    made here and is empty is removed. Raises OutputError, with one line, when another run holds it
    or it cannot be written.
    """
    folder = Path(folder)
    key = (os.path.realpath(folder), threading.get_ident())
    if key in _held:
        yield
        return
    with _plain_errors(folder):
        _make_sure_writable(folder)
        made = [path for path in (folder, *folder.parents) if not path.exists()]
        try:
            lock, sure = _locked(folder)
        except BaseException:
            _take_away(made)
            raise
    _held.add(key)
    try:
        with _plain_errors(folder):
            plan = _marked(folder)
            if plan is not None and plan.staging.is_dir():
                _finish(plan)
                _unmark(plan)
            if sure:
                _remove_staging(folder)
        yield
    finally:
        _held.discard(key)
        _unlock(folder, lock)
        _take_away(made)


def _locked(folder: Path) -> tuple[int, bool]:
    """The open lock file of a folder, and whether the file system can lock at all.

    The system lets go of a lock when its process ends, however it ends. A holder removes the file
    before it lets go, so a lock counts only on the file that still has the name.
    """
    flags = os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0)
    for _ in range(_TRIES):
        folder.mkdir(parents=True, exist_ok=True)
        try:
            lock = os.open(folder / LOCK, flags, 0o644)
        except FileNotFoundError:  # another run has just removed its empty folder
            continue
        try:
            sure = _take(lock, folder)
            if os.path.samestat(os.fstat(lock), os.stat(folder / LOCK)):
                os.ftruncate(lock, 0)
                os.write(lock, f"{os.getpid()}\n".encode())
                return lock, sure
        except FileNotFoundError:
            pass
        except BaseException:
            os.close(lock)
            raise
        os.close(lock)
    raise OutputError(f"{folder}: other runs make and remove it all the time")


def _take(lock: int, folder: Path) -> bool:
    """Lock an open file; False where the file system cannot. OutputError when another has it."""
    try:
        try:
            import fcntl
        except ImportError:  # Windows
            import msvcrt

            os.lseek(lock, _LOCKED_BYTE, os.SEEK_SET)
            msvcrt.locking(lock, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined]
            os.lseek(lock, 0, os.SEEK_SET)
        else:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        if error.errno not in (errno.EAGAIN, errno.EACCES, errno.EDEADLK):
            log.warning("%s cannot be locked: let no other run write there", folder)
            return False
        os.lseek(lock, 0, os.SEEK_SET)
        holder = os.read(lock, 20).decode("ascii", "replace").strip()
        named = f" (process {holder})" if holder.isdigit() else ""
        raise OutputError(
            f"{folder}: another run{named} is writing there; wait for it or choose another folder"
        ) from error
    return True


def _unlock(folder: Path, lock: int) -> None:
    with contextlib.suppress(OSError):
        (folder / LOCK).unlink()
    os.close(lock)
    if os.name == "nt":  # where an open file cannot be removed
        with contextlib.suppress(OSError):
            (folder / LOCK).unlink()


def _take_away(made: Sequence[Path]) -> None:
    for path in made:
        with contextlib.suppress(OSError):
            path.rmdir()


def _remove_staging(folder: Path) -> None:
    """Remove hidden folders of runs that are gone: who holds the folder has the only live one."""
    plan = _marked(folder)
    for path in folder.glob(f"{_PREFIX}*"):
        ours = _STAGING.fullmatch(path.name) and path.is_dir() and not path.is_symlink()
        if ours and (plan is None or path != plan.staging):
            shutil.rmtree(path, ignore_errors=True)


# --- publication ------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Plan:
    """Files that move into a folder from its staging folder, and old ones that move out."""

    folder: Path
    staging: Path
    moved: tuple[str, ...]
    removed: tuple[str, ...]


def publish(
    folder: str | Path, kind: Kind, write: Callable[[Path], Sequence[str]], force: bool = False
) -> list[Path]:
    """Write a result into a folder, all of it or nothing; the paths written.

    ``write(place)`` writes every file below ``place`` and returns their names relative to it, with
    "/" between folders. With ``force`` files that are there already are replaced, and those of an
    older result that the new one has no more, by the list in the older one's manifest, removed.
    When anything fails, the old files stay as they were.

    Raises OutputError when a file is there and ``force`` is not set, when another run holds the
    folder, or when it cannot be written (permission, disk full).
    """
    folder = Path(folder)
    with hold(folder), _plain_errors(folder):
        if not force:
            _refuse_existing(folder, kind)
        staging = Path(tempfile.mkdtemp(prefix=_PREFIX, dir=folder))
        try:
            (staging / _NEW).mkdir()
            names = list(write(staging / _NEW))
            if not force:
                _refuse_existing(folder, kind, names)
            _move_in(_Plan(folder, staging, tuple(names), _stale(folder, kind, names)))
        finally:
            plan = _marked(folder)
            if plan is None or plan.staging != staging:
                shutil.rmtree(staging, ignore_errors=True)
    log.info("wrote %d files into %s", len(names), folder)
    return [folder / name for name in names]


def published(path: str | Path) -> Path:
    """Where to read a file of a result: ``path``, or the place from which it has yet to be moved.

    Raises OutputError when the result is a mixture that cannot be put right, or the new result of
    the folder has no such file.
    """
    path = Path(path)
    plan = _marked(path.parent)
    if plan is None:
        return path
    if not plan.staging.is_dir():
        raise OutputError(
            f"{path.parent}: holds parts of two results ({MARKER}); compute it again with --force"
        )
    if path.name in plan.removed:
        raise OutputError(f"{path}: is of an old result that a new one replaces ({MARKER})")
    new = plan.staging / _NEW / path.name
    return new if path.name in plan.moved and new.exists() else path


def replace_file(path: Path, data: bytes) -> None:
    """Write a file anew: the old content or the new one, at every moment. Raises OSError."""
    part = path.with_name(f"{path.name}.part")
    try:
        with part.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.replace(part, path)
    except OSError:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
        raise


def _move_in(plan: _Plan) -> None:
    """The commit and the moves; when a move fails, back to the old result."""
    _refuse_folders(plan)
    for name in plan.moved:
        _to_disk(plan.staging / _NEW / name)
    torn = plan.folder / MARKER
    if torn.exists():  # of a result whose new files are lost: still so if this one fails
        _old(plan, MARKER).parent.mkdir(exist_ok=True)
        shutil.copy2(torn, _old(plan, MARKER))
    listed = {
        "program": "wakesim",
        "note": _NOTE,
        "staging": plan.staging.name,
        "moved": plan.moved,
        "removed": plan.removed,
    }
    text = json.dumps(listed, indent=2, ensure_ascii=False)
    replace_file(plan.staging / MARKER, text.encode())
    os.replace(plan.staging / MARKER, plan.folder / MARKER)
    try:
        _finish(plan)
    except BaseException:
        with contextlib.suppress(OSError):  # what cannot be put back stays marked
            _put_back(plan)
        raise
    _unmark(plan)


def _finish(plan: _Plan) -> None:
    """Make all moves that have not been made."""
    _refuse_folders(plan)
    for name in (*plan.removed, *plan.moved):
        new, target, old = plan.staging / _NEW / name, plan.folder / name, _old(plan, name)
        if name in plan.moved and not os.path.lexists(new):
            continue  # made already
        if os.path.lexists(target):
            old.parent.mkdir(parents=True, exist_ok=True)
            os.replace(target, old)
        if name in plan.moved:
            target.parent.mkdir(parents=True, exist_ok=True)
            os.replace(new, target)


def _put_back(plan: _Plan) -> None:
    """Undo the moves. Killed on its way, the next run makes them again."""
    for name in reversed((*plan.removed, *plan.moved)):
        new, target, old = plan.staging / _NEW / name, plan.folder / name, _old(plan, name)
        if name in plan.moved and not os.path.lexists(new):
            os.replace(target, new)
        if os.path.lexists(old):
            os.replace(old, target)
        elif target.parent != plan.folder:
            with contextlib.suppress(OSError):  # not empty, or never made
                target.parent.rmdir()
    if _old(plan, MARKER).exists():
        os.replace(_old(plan, MARKER), plan.folder / MARKER)
    else:
        _unmark(plan)


def _unmark(plan: _Plan) -> None:
    (plan.folder / MARKER).unlink()


def _old(plan: _Plan, name: str) -> Path:
    return plan.staging / _OLD / name


def _refuse_folders(plan: _Plan) -> None:
    """Raise OutputError where a folder has the name of a file to come, or the other way round."""
    for name in (*plan.moved, *plan.removed):
        target = plan.folder / name
        if target.is_dir() and not target.is_symlink():
            raise OutputError(f"{target}: is a folder, and a file of the result has this name")
        for part in PurePosixPath(name).parents:
            place = plan.folder / part
            if os.path.lexists(place) and not place.is_dir():
                raise OutputError(f"{place}: is a file, and a folder of the result has this name")


def _to_disk(path: Path) -> None:
    with path.open("r+b") as file:
        os.fsync(file.fileno())


def _stale(folder: Path, kind: Kind, names: Sequence[str]) -> tuple[str, ...]:
    """Files an older result left here, by its own list, that the new one does not replace."""
    old = _listed(folder / kind.manifest) if kind.manifest is not None else {}
    plan = _marked(folder)
    left = [*_names(old.get("files")), *(plan.moved + plan.removed if plan is not None else ())]
    there = [name for name in dict.fromkeys(left) if _ours(name) and (folder / name).is_file()]
    return tuple(name for name in there if name not in names)


def _marked(folder: Path) -> _Plan | None:
    """The moves that the list in a folder names, as far as they stay inside it.

    Raises OutputError when the file is none of this program.
    """
    marker = folder / MARKER
    if not marker.is_file():
        return None
    listed = _listed(marker)
    staging = listed.get("staging")
    if not (isinstance(staging, str) and _STAGING.fullmatch(staging)):
        raise OutputError(f"{marker}: is no list of this program; move it elsewhere")
    return _Plan(
        folder,
        folder / staging,
        tuple(name for name in _names(listed.get("moved")) if _inside(name)),
        tuple(name for name in _names(listed.get("removed")) if _ours(name)),
    )


def _listed(path: Path) -> dict[str, Any]:
    """The JSON object in a file; empty when there is none."""
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}


def _names(value: Any) -> list[str]:
    return [name for name in value if isinstance(name, str)] if isinstance(value, list) else []


def _inside(name: str) -> bool:
    """Whether a listed name stays in its folder."""
    plain = os.name != "nt" or not set(name) & set("\\:")
    return plain and "\0" not in name and not {"", ".", ".."} & set(name.split("/"))


def _ours(name: str) -> bool:
    """Whether a listed name is one this program writes (never a path that leads elsewhere)."""
    if any(name in kind.files for kind in KINDS):
        return True
    head, _, tail = name.partition("/")
    safe = bool(tail) and all(c.isalnum() or c in "-_." for c in tail)
    return head == FIGURES and safe and tail.endswith((".svg", ".png"))
