"""The files of a comparison."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from wakesim.errors import CaseError
from wakesim.folders import COMPARISON, FIGURES, publish

if TYPE_CHECKING:
    from wakesim.records.comparison import Comparison

FITTED = "fitted-case.toml"


def save(
    result: Comparison, folder: Path, force: bool = False
) -> tuple[list[Path], tuple[str, ...]]:
    """Write everything; the paths, and which fitted constants the fitted case could not take.

    Raises OutputError as ``folders.publish`` does.
    """
    from wakesim.records.comparison_figures import render
    from wakesim.records.comparison_files import tables, write_json, write_table
    from wakesim.records.comparison_report import write_report
    from wakesim.records.fitted_case import fitted_text

    fitted, left_out = "", ()
    if result.fit is not None:
        try:
            fitted, left_out = fitted_text(result.inputs.case, result.fit)
        except CaseError as error:
            left_out = (str(error),)

    def write(place: Path) -> list[str]:
        names = list(tables(result))
        for table in names:
            write_table(result, table, place / table)
        if fitted:
            (place / FITTED).write_text(fitted, encoding="utf-8")
            names.append(FITTED)
        (place / FIGURES).mkdir()
        figures = render(result, place / FIGURES)
        for figure in figures:
            names += [f"{FIGURES}/{figure.stem}.svg", f"{FIGURES}/{figure.stem}.png"]
        write_report(result, figures, left_out, place / "comparison.html")
        names += ["comparison.html", "comparison.json"]
        write_json(result, place / "comparison.json", names)
        return names

    return publish(folder, COMPARISON, write, force), left_out
