"""All files of a study of many states."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from wakesim.folders import FIGURES
from wakesim.outputs import map_files, table_files
from wakesim.outputs.figures import render_figures
from wakesim.outputs.grid_summary import write_summary
from wakesim.outputs.report import write_report
from wakesim.results import LookupResult, MapResult, PassTableResult

if TYPE_CHECKING:
    from wakesim.results import GridResult


def write_grid(result: GridResult, staging: Path) -> list[str]:
    """Write all files below ``staging``; names relative to it, summary.json last."""
    names = _write_data(result, staging)
    (staging / FIGURES).mkdir()
    figures = render_figures(result, staging / FIGURES)
    for figure in figures:
        names += [f"{FIGURES}/{figure.stem}.svg", f"{FIGURES}/{figure.stem}.png"]
    write_report(result, figures, staging / "report.html")
    names += ["report.html", "summary.json"]
    write_summary(result, staging / "summary.json", names)
    return names


def _write_data(result: GridResult, staging: Path) -> list[str]:
    if isinstance(result, MapResult):
        map_files.write_map_store(result, staging / "map.h5")
        map_files.write_map_csv(result, staging / "map.csv")
        return ["map.h5", "map.csv"]
    if isinstance(result, LookupResult):
        table_files.write_lookup_store(result, staging / "table.h5")
        table_files.write_lookup_csv(result, staging / "table.csv")
        return ["table.h5", "table.csv"]
    if isinstance(result, PassTableResult):
        table_files.write_pass_store(result, staging / "pass-table.h5")
        table_files.write_pass_csv(result, staging / "pass-table.csv")
        return ["pass-table.h5", "pass-table.csv"]
    raise TypeError(f"no files are known for a {type(result).__name__}")
