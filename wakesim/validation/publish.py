"""Writing the report and its figures: complete or not at all, nothing foreign overwritten."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from wakesim import folders
from wakesim.errors import OutputError
from wakesim.runtime import is_checkout, validation_path
from wakesim.validation.report import FIRST_LINE, figure_name, report
from wakesim.validation.scorecard import Scorecard

REPORT = "REPORT.md"


def default_target(own: bool) -> Path:
    """Where the report goes when nothing is said: for the project's ``own`` comparisons in a
    checkout their folder itself."""
    if own and is_checkout():
        return validation_path()
    return Path("validation-report")


def check_target(target: Path, force: bool = False) -> None:
    """Make sure that a report can be written into ``target``, without changing anything.

    Raises OutputError when the folder holds another program's REPORT.md and ``force`` is not set,
    when the path is a file, or when the folder cannot be made or written.
    """
    with folders.plain_errors(target):
        old = target / REPORT
        if old.exists() and not force and not _is_ours(old):
            raise OutputError(
                f"{old}: exists and was not written by wakesim validate; --force overwrites it, "
                "-o names another folder"
            )
        folders.make_sure_writable(target)


def _is_ours(path: Path) -> bool:
    try:
        with path.open(encoding="utf-8") as file:
            return file.readline().rstrip() == FIRST_LINE
    except (OSError, UnicodeDecodeError):
        return False


def publish(
    scorecard: Scorecard,
    target: Path,
    calibration: list[str] | None = None,
    progress: Callable[[float, str], None] | None = None,
    force: bool = False,
) -> list[Path]:
    """Write REPORT.md and one figure for each comparison below ``target``; the paths written.

    Its own older files are written anew. Raises OutputError as ``check_target`` does.
    """
    from wakesim.validation.figures import save_figure

    def write(place: Path) -> list[str]:
        names = []
        total = len(scorecard.outcomes)
        for number, outcome in enumerate(scorecard.outcomes):
            name = figure_name(outcome.comparison, scorecard.folder)
            if progress is not None:
                progress(number / total, f"figure {name}")
            (place / name).parent.mkdir(parents=True, exist_ok=True)
            save_figure(outcome, place / name)
            names.append(name)
        (place / REPORT).write_text(report(scorecard, calibration), encoding="utf-8")
        return [*names, REPORT]

    check_target(target, force)
    return folders.publish(target, folders.SCORECARD, write, force=True)
