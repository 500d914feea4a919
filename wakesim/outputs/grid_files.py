"""All files of a study of many states."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from wakesim.folders import FIGURES
from wakesim.outputs import map_files, table_files
from wakesim.outputs.figures import Drawing, Rendered, render
from wakesim.outputs.figures import mounting_map as map_figures
from wakesim.outputs.figures import tables as table_figures
from wakesim.outputs.grid_summary import write_summary
from wakesim.outputs.report import write_report
from wakesim.results import LookupResult, MapResult, PassTableResult

if TYPE_CHECKING:
    from wakesim.results import GridResult


def write_grid(result: GridResult, staging: Path) -> list[str]:
    """Write all files below ``staging``; names relative to it, summary.json last."""
    names = _write_data(result, staging)
    (staging / FIGURES).mkdir()
    figures: list[Rendered] = render(partial(drawings, result), staging / FIGURES)
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


def drawings(result: GridResult) -> Iterator[Drawing]:
    """Every figure of the study."""
    if isinstance(result, MapResult):
        caption = map_figures.map_caption(result)
        yield Drawing("map", "map", "", caption, map_figures.draw_map(result))
        if result.set_back.shape[1] > 1:
            caption = map_figures.set_back_caption(result)
            yield Drawing("set-back", "set-back", "", caption, map_figures.draw_set_back(result))
    elif isinstance(result, LookupResult):
        caption = table_figures.lookup_caption(result)
        yield Drawing("axes", "axes", "", caption, table_figures.draw_lookup(result))
    elif isinstance(result, PassTableResult):
        caption = table_figures.pass_caption(result)
        yield Drawing("passes", "passes", "", caption, table_figures.draw_passes(result))
