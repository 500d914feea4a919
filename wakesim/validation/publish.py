"""The report and its figures."""

from __future__ import annotations

from pathlib import Path

from wakesim import folders
from wakesim.progress import Progress, silent
from wakesim.runtime import is_checkout, validation_path
from wakesim.validation.report import figure_name, report
from wakesim.validation.scorecard import Scorecard


def default_target(own: bool) -> Path:
    """Where the report goes when nothing is said: for the project's ``own`` comparisons in a
    checkout their folder itself."""
    return validation_path() if own and is_checkout() else Path("validation-report")


def publish(
    scorecard: Scorecard,
    target: Path,
    calibration: list[str] | None = None,
    progress: Progress = silent,
    force: bool = False,
) -> list[Path]:
    """Write REPORT.md and one figure for each comparison below ``target``; the paths written.

    Its own older files are written anew. Raises OutputError as ``folders.publish`` does.
    """
    from wakesim.validation.figures import save_figure

    def write(place: Path) -> list[str]:
        names = []
        total = len(scorecard.outcomes)
        for number, outcome in enumerate(scorecard.outcomes):
            name = figure_name(outcome.comparison, scorecard.folder)
            progress(number / total, f"figure {name}")
            (place / name).parent.mkdir(parents=True, exist_ok=True)
            save_figure(outcome, place / name)
            names.append(name)
        (place / "REPORT.md").write_text(report(scorecard, calibration), encoding="utf-8")
        return [*names, "REPORT.md"]

    return folders.publish(target, folders.SCORECARD, write, force)
