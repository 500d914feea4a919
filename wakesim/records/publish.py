"""Writing a comparison's files: complete or not at all, nothing overwritten unasked."""

from __future__ import annotations

import os
import shutil
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from wakesim.errors import CaseError, OutputError
from wakesim.outputs.folders import make_sure_writable, plain_errors

if TYPE_CHECKING:
    from wakesim.records.comparison import Comparison

FITTED = "fitted-case.toml"
_FIXED = (
    "comparison.json",
    "comparison.html",
    "quantities.csv",
    "exceedance.csv",
    "spectrum.csv",
    "pass-averages.csv",
    "points.csv",
    FITTED,
)
_FIGURES = "figures"


def check_target(folder: Path, force: bool = False) -> None:
    """Make sure that the files can be written into ``folder``, without changing anything.

    Raises OutputError when it holds a comparison already and ``force`` is not set, when the path is
    a file, or when the folder cannot be made or written.
    """
    with plain_errors(folder):
        held = [name for name in _FIXED if (folder / name).exists()]
        if held and not force:
            raise OutputError(
                f"{folder}: already holds a comparison ({held[0]}); choose another folder or use "
                "--force to replace it"
            )
        make_sure_writable(folder)


def save(
    result: Comparison, folder: Path, force: bool = False
) -> tuple[list[Path], tuple[str, ...]]:
    """Write everything; the paths, and which fitted constants the fitted case could not take.

    All files are made in a hidden folder first and moved when all are complete. Raises OutputError
    as ``check_target`` does.
    """
    check_target(folder, force)
    with plain_errors(folder):
        made = [path for path in (folder, *folder.parents) if not path.exists()]
        folder.mkdir(parents=True, exist_ok=True)
        staging = Path(tempfile.mkdtemp(prefix=".wakesim-", dir=folder))
        try:
            names, left_out = _write_into(result, staging)
            for stale in _FIXED:
                if stale not in names:
                    (folder / stale).unlink(missing_ok=True)
            (folder / _FIGURES).mkdir(exist_ok=True)
            for name in names:
                os.replace(staging / name, folder / name)
        except BaseException:
            shutil.rmtree(staging, ignore_errors=True)
            for path in made:
                if path.is_dir() and not any(path.iterdir()):
                    path.rmdir()
            raise
        shutil.rmtree(staging, ignore_errors=True)
    return [folder / name for name in names], left_out


def _write_into(result: Comparison, staging: Path) -> tuple[list[str], tuple[str, ...]]:
    """Write all files below ``staging``; names relative to it, comparison.json last."""
    from wakesim.records.comparison_figures import render
    from wakesim.records.comparison_json import write_json
    from wakesim.records.comparison_report import write_report
    from wakesim.records.comparison_tables import tables, write_table
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
    (staging / _FIGURES).mkdir()
    figures = render(result, staging / _FIGURES)
    for figure in figures:
        names += [f"{_FIGURES}/{figure.stem}.svg", f"{_FIGURES}/{figure.stem}.png"]
    write_report(result, figures, left_out, staging / "comparison.html")
    names += ["comparison.html", "comparison.json"]
    write_json(result, staging / "comparison.json", names)
    return names, left_out
