"""Outputs: result file, tables, summary, figures and report of one result.

Nothing heavy is imported before ``save_all`` is called.
"""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from wakesim.folders import FIGURES, RESULT, publish

if TYPE_CHECKING:
    from wakesim.results import GridResult, Result


def save(result: Result | GridResult, directory: str | Path, force: bool = False) -> list[Path]:
    """Write every output of any result; see ``save_all``."""
    from wakesim.results import Result

    write = save_all if isinstance(result, Result) else save_grid
    return write(result, directory, force)  # type: ignore[operator]


def save_grid(result: GridResult, directory: str | Path, force: bool = False) -> list[Path]:
    """Write every output of a study of many states; like ``save_all``."""
    from wakesim.outputs.grid_files import write_grid

    return publish(directory, RESULT, partial(write_grid, result), force)


def save_all(result: Result, directory: str | Path, force: bool = False) -> list[Path]:
    """Write every output of ``result`` into ``directory`` and return the paths written.

    With ``force`` an old result is replaced, including files of it that the new one no longer has.

    Raises OutputError when the folder holds results already and ``force`` is not set, or when it
    cannot be written (permission, disk full).
    """
    return publish(directory, RESULT, partial(_write_into, result), force)


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
    (staging / FIGURES).mkdir()
    figures = render_figures(result, staging / FIGURES)
    for figure in figures:
        names += [f"{FIGURES}/{figure.stem}.svg", f"{FIGURES}/{figure.stem}.png"]
    write_report(result, figures, staging / "report.html")
    names += ["report.html", "summary.json"]
    write_summary(result, staging / "summary.json", names)
    return names
