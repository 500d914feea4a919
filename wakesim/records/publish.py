"""Writing a comparison's files: complete or not at all, nothing overwritten unasked."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from wakesim.errors import CaseError
from wakesim.outputs.folders import (
    COMPARISON,
    FIGURES,
    make_sure_writable,
    plain_errors,
    publish,
    refuse_existing,
)

if TYPE_CHECKING:
    from wakesim.records.comparison import Comparison

FITTED = "fitted-case.toml"


def check_target(folder: Path, force: bool = False) -> None:
    """Make sure that the files can be written into ``folder``, without changing anything.

    Raises OutputError when it holds a comparison already and ``force`` is not set, when the path is
    a file, or when the folder cannot be made or written.
    """
    with plain_errors(folder):
        if not force:
            refuse_existing(folder, COMPARISON.files, COMPARISON.word)
        make_sure_writable(folder)


def save(
    result: Comparison, folder: Path, force: bool = False
) -> tuple[list[Path], tuple[str, ...]]:
    """Write everything; the paths, and which fitted constants the fitted case could not take.

    Raises OutputError as ``check_target`` does.
    """
    left_out: tuple[str, ...] = ()

    def write(place: Path) -> list[str]:
        nonlocal left_out
        names, left_out = _write_into(result, place)
        return names

    return publish(folder, COMPARISON, write, force), left_out


def _write_into(result: Comparison, staging: Path) -> tuple[list[str], tuple[str, ...]]:
    """Write all files below ``staging``; names relative to it, comparison.json last."""
    from wakesim.records.comparison_figures import render
    from wakesim.records.comparison_files import tables, write_json, write_table
    from wakesim.records.comparison_report import write_report
    from wakesim.records.fitted_case import fitted_text

    names = []
    for table in tables(result):
        write_table(result, table, staging / table)
        names.append(table)
    left_out: tuple[str, ...] = ()
    if result.fit is not None:
        try:
            text, left_out = fitted_text(result.inputs.case, result.fit)
        except CaseError as error:
            left_out = (str(error),)
        else:
            (staging / FITTED).write_text(text, encoding="utf-8")
            names.append(FITTED)
    (staging / FIGURES).mkdir()
    figures = render(result, staging / FIGURES)
    for figure in figures:
        names += [f"{FIGURES}/{figure.stem}.svg", f"{FIGURES}/{figure.stem}.png"]
    write_report(result, figures, left_out, staging / "comparison.html")
    names += ["comparison.html", "comparison.json"]
    write_json(result, staging / "comparison.json", names)
    return names, left_out
