"""Studies by name. A file of this folder that registers a function is a study; nothing lists them.

Only the file of the study that is asked for is imported, with what that needs: its text names the
study. The tables that a study needs of a case stand in ``wakesim.case.studies``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path

from wakesim.case.schema import Case
from wakesim.progress import Progress
from wakesim.results import GridResult, Result


@dataclass(frozen=True)
class Options:
    """Where and with how many workers a study's many tasks are computed.

    ``workers`` None: as many as there are free processors for many tasks, one for a few.
    ``cluster`` is the address of a Dask scheduler. ``folder`` keeps finished tasks for a later run;
    None: they are not kept.
    """

    workers: int | None = None
    cluster: str | None = None
    folder: Path | None = None


Study = Callable[[Case, Options, Progress], Result | GridResult]

_STUDIES: dict[str, Study] = {}


def study(name: str) -> Callable[[Study], Study]:
    """Register the function that computes the study a case calls ``study = "name"``."""

    def register(function: Study) -> Study:
        _STUDIES[name] = function
        return function

    return register


def find(name: str) -> Study:
    """The study of this name. Raises KeyError when no file registers it."""
    package = __package__ or "wakesim.studies"
    files = sorted(Path(__file__).parent.glob("*.py"), key=lambda file: not _names(file, name))
    for file in files:  # all of them where the text of none says it
        if name in _STUDIES:
            break
        import_module(f"{package}.{file.stem}")
    return _STUDIES[name]


def _names(file: Path, name: str) -> bool:
    """Whether a file says that it registers a study of this name."""
    return f'study("{name}")' in file.read_text(encoding="utf-8")
