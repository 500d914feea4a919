"""Outputs: result file, tables, summary, figures and report of one result.

Nothing heavy is imported before a result is written.
"""

from __future__ import annotations

import contextlib
import gc
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from wakesim.folders import FIGURES, RESULT, publish

if TYPE_CHECKING:
    import pandas
    import xarray

    from wakesim.results import GridResult, Result


DATA_FILES = {  # of the studies of many states
    "mounting_map": "map.h5",
    "lookup_table": "table.h5",
    "single_pass_table": "pass-table.h5",
    "year": "year.h5",
}


def save(result: Result | GridResult, directory: str | Path, force: bool = False) -> list[Path]:
    """Write every output of a result into ``directory`` and return the paths written.

    With ``force`` an old result is replaced, including files of it that the new one no longer has.

    Raises OutputError when the folder holds results already and ``force`` is not set, or when it
    cannot be written (permission, disk full).
    """
    with _nothing_old_searched():
        return publish(directory, RESULT, partial(_write_into, result), force)


@contextlib.contextmanager
def _nothing_old_searched() -> Iterator[None]:
    """Figures come with many short-lived objects: search only these for garbage.

    What is loaded already, libraries and result, would be walked through each time as well.
    """
    if gc.get_freeze_count():  # somebody else does the same
        yield
        return
    gc.freeze()
    try:
        yield
    finally:
        gc.unfreeze()


def to_xarray(result: Result | GridResult) -> xarray.Dataset:
    """Everything of a result as one data set."""
    from wakesim.outputs.dataset import collected

    return collected(result).dataset()


def to_pandas(result: Result | GridResult, table: str | None = None) -> pandas.DataFrame:
    """A table of a result by the name of its file, the first one without a name."""
    from wakesim.outputs.tables import to_pandas as made

    return made(result, table)


def _write_into(result: Result | GridResult, staging: Path) -> list[str]:
    """Write all files below ``staging``; names relative to it, summary.json last."""
    from wakesim.outputs import dataset, figures, netcdf, report, summary, tables

    data = DATA_FILES.get(result.case.study, "result.h5")
    netcdf.write(dataset.collected(result), staging / data)
    names = [data]
    for name, table in tables.tables(result).items():
        tables.write_table(result, table, staging / name)
        names.append(name)
    (staging / FIGURES).mkdir()
    drawn = figures.render_figures(result, staging / FIGURES)
    for figure in drawn:
        names += [f"{FIGURES}/{figure.stem}.svg", f"{FIGURES}/{figure.stem}.png"]
    report.write_report(result, drawn, staging / "report.html")
    names += ["report.html", "summary.json"]
    summary.write_summary(result, staging / "summary.json", names)
    return names
