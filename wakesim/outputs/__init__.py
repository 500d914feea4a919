"""Outputs: result file, tables, summary, figures and report of one result.

Nothing heavy is imported before a result is written.
"""

from __future__ import annotations

import contextlib
import gc
from collections.abc import Iterator
from functools import partial
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

from wakesim.errors import OutputError
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


def save(
    result: Result | GridResult, directory: str | Path, force: bool = False, parquet: bool = False
) -> list[Path]:
    """Write every output of a result into ``directory`` and return the paths written.

    With ``parquet``, or where the case says so, the tables are also written as Parquet files. With
    ``force`` an old result is replaced, including files of it that the new one no longer has.

    Raises OutputError when the folder holds results already and ``force`` is not set, or when it
    cannot be written (permission, disk full).
    """
    parquet = parquet or result.case.outputs.parquet
    if parquet:
        check_parquet()
    with _nothing_old_searched():
        return publish(directory, RESULT, partial(_write_into, result, parquet), force)


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


def check_parquet() -> None:
    """Raise OutputError where Parquet files cannot be written, before anything is computed."""
    if find_spec("pyarrow") is None:
        raise OutputError(
            "Parquet files need the package pyarrow: pip install wakesim[parquet], or leave out "
            "--parquet (outputs.parquet in the case)"
        )


def _write_into(result: Result | GridResult, parquet: bool, staging: Path) -> list[str]:
    """Write all files below ``staging``; names relative to it, summary.json last."""
    from wakesim.outputs import dataset, figures, netcdf, report, summary, tables

    data = DATA_FILES.get(result.case.study, "result.h5")
    netcdf.write(dataset.collected(result), staging / data)
    names = [data]
    found = tables.tables(result)
    for name, table in found.items():
        tables.write_table(result, table, staging / name)
        names.append(name)
        if parquet:
            other = Path(name).with_suffix(".parquet").name
            to_pandas(result, name).to_parquet(staging / other, engine="pyarrow", index=False)
            names.append(other)
    tables.write_columns(found, staging / tables.COLUMNS_FILE)
    names.append(tables.COLUMNS_FILE)
    (staging / FIGURES).mkdir()
    drawn = figures.render_figures(result, staging / FIGURES)
    for figure in drawn:
        names += [f"{FIGURES}/{figure.stem}.svg", f"{FIGURES}/{figure.stem}.png"]
    report.write_report(result, drawn, staging / "report.html")
    names += ["report.html", "summary.json"]
    notes = {name: table.note for name, table in found.items()}
    summary.write_summary(result, staging / "summary.json", names, notes)
    return names
