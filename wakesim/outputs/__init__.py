"""Outputs: result file, tables, summary, figures and report of one result.

Nothing heavy is imported before ``save_all`` is called.
"""

from __future__ import annotations

import contextlib
import logging
import os
import shutil
import tempfile
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from wakesim.errors import OutputError
from wakesim.outputs.folders import make_sure_writable, plain_errors

if TYPE_CHECKING:
    from wakesim.results import GridResult, Result

log = logging.getLogger(__name__)

_FIXED = (
    "result.h5",
    "summary.json",
    "report.html",
    "series.csv",
    "signatures.csv",
    "hourly.csv",
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
)
_FIGURES = "figures"


def check_target(directory: str | Path, force: bool = False) -> None:
    """Make sure that results can be written into ``directory``, without changing anything.

    For use before a long run. Raises OutputError when the folder already holds a result and
    ``force`` is not set, when the path is a file, or when the folder cannot be made or written.
    """
    folder = Path(directory)
    with plain_errors(folder):
        if folder.is_dir() and not force:
            _refuse_existing(folder, _FIXED)
        make_sure_writable(folder)


def save_grid(result: GridResult, directory: str | Path, force: bool = False) -> list[Path]:
    """Write every output of a study of many states; like ``save_all``."""
    from wakesim.outputs.grid_files import write_grid

    return _save(partial(write_grid, result), directory, force)


def save_all(result: Result, directory: str | Path, force: bool = False) -> list[Path]:
    """Write every output of ``result`` into ``directory`` and return the paths written.

    All files are made in a hidden folder beside their final place and moved when all of them are
    complete; when anything fails the old files stay as they were. With ``force`` an old result is
    replaced, including files of it that the new one no longer has.

    Raises OutputError when the folder holds results already and ``force`` is not set, or when it
    cannot be written (permission, disk full).
    """
    return _save(partial(_write_into, result), directory, force)


def _save(write: Callable[[Path], list[str]], directory: str | Path, force: bool) -> list[Path]:
    folder = Path(directory)
    check_target(folder, force)
    with plain_errors(folder), _made(folder):
        staging = Path(tempfile.mkdtemp(prefix=".wakesim-", dir=folder))
        try:
            names = write(staging)
            if not force:
                _refuse_existing(folder, names)
            _publish(staging, folder, names, _stale(folder, names))
        finally:
            shutil.rmtree(staging, ignore_errors=True)
    log.info("wrote %d files into %s", len(names), folder)
    return [folder / name for name in names]


def _write_into(result: Result, staging: Path) -> list[str]:
    """Write all files below ``staging``; names relative to it, summary.json last."""
    from wakesim.outputs.figures import render_figures
    from wakesim.outputs.report import write_report
    from wakesim.outputs.store import write_store
    from wakesim.outputs.summary import write_summary
    from wakesim.outputs.tables import tables, write_table

    write_store(result, staging / "result.h5")
    names = ["result.h5"]
    for table in tables(result):
        write_table(result, table, staging / table)
        names.append(table)
    (staging / _FIGURES).mkdir()
    figures = render_figures(result, staging / _FIGURES)
    for figure in figures:
        names += [f"{_FIGURES}/{figure.stem}.svg", f"{_FIGURES}/{figure.stem}.png"]
    write_report(result, figures, staging / "report.html")
    names += ["report.html", "summary.json"]
    write_summary(result, staging / "summary.json", names)
    return names


def _publish(staging: Path, folder: Path, names: Sequence[str], stale: Sequence[str]) -> None:
    """Move the new files in, one atomic replacement each; on failure put the old ones back."""
    kept = staging / "old"
    undo: list[Callable[[], object]] = []
    try:
        if not (folder / _FIGURES).is_dir():
            (folder / _FIGURES).mkdir()
            undo.append((folder / _FIGURES).rmdir)
        for name in [*stale, *names]:
            target, copy = folder / name, kept / name
            if target.exists():
                copy.parent.mkdir(parents=True, exist_ok=True)
                _keep(target, copy)
                undo.append(partial(os.replace, copy, target))
            else:
                undo.append(partial(target.unlink, missing_ok=True))
            if name in names:
                os.replace(staging / name, target)
            else:
                target.unlink()
    except BaseException:
        for step in reversed(undo):
            with contextlib.suppress(OSError):
                step()
        raise


def _keep(target: Path, copy: Path) -> None:
    """A second name for the old file, or a copy where the file system has no hard links."""
    try:
        os.link(target, copy)
    except OSError:
        shutil.copy2(target, copy)


def _stale(folder: Path, names: Sequence[str]) -> list[str]:
    """Files an older result left here, by its own list, that the new one does not replace."""
    import json

    try:
        old = json.loads((folder / "summary.json").read_text(encoding="utf-8"))["files"]
    except (OSError, ValueError, KeyError, TypeError):
        return []
    known = [name for name in old if isinstance(name, str) and _ours(name)]
    return [name for name in known if name not in names and (folder / name).is_file()]


def _ours(name: str) -> bool:
    """Whether a listed name is one this program writes (never a path that leads elsewhere)."""
    if name in _FIXED:
        return True
    head, _, tail = name.partition("/")
    safe = bool(tail) and all(c.isalnum() or c in "-_." for c in tail)
    return head == _FIGURES and safe and tail.endswith((".svg", ".png"))


def _refuse_existing(folder: Path, names: Sequence[str]) -> None:
    for name in names:
        if (folder / name).exists():
            raise OutputError(
                f"{folder}: already holds a result ({name}); choose another folder or use --force "
                "to replace it"
            )


@contextlib.contextmanager
def _made(folder: Path) -> Iterator[None]:
    """Make the folder; when the work inside fails, take away what was made here."""
    made = [path for path in (folder, *folder.parents) if not path.exists()]
    folder.mkdir(parents=True, exist_ok=True)
    try:
        yield
    except BaseException:
        for path in made:
            with contextlib.suppress(OSError):
                path.rmdir()
        raise
