"""How far a command is, and how long it will take.

Progress is a function of the share done (0 to 1) and what is being done. On a terminal it is a bar,
else log lines; it only ever moves forwards.
"""

from __future__ import annotations

import logging
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

Progress = Callable[[float, str], None]

log = logging.getLogger("wakesim")

_LONG_S = 60.0  # what takes longer has its duration logged
_NO_DIGITS = str.maketrans("", "", "0123456789")


def silent(share: float, text: str) -> None:
    """Progress that nobody follows."""


def span(progress: Progress, first: float, last: float, what: str = "") -> Progress:
    """Progress of what takes a part of the whole; ``what`` stands before its texts."""
    before = f"{what}: " if what else ""
    return lambda share, text: progress(first + (last - first) * min(share, 1.0), f"{before}{text}")


def forward_only(progress: Progress) -> Progress:
    """The same progress, never running backwards where a stage begins anew or takes long."""
    furthest = 0.0

    def report(share: float, text: str = "") -> None:
        nonlocal furthest
        furthest = max(furthest, min(share, 1.0))
        progress(furthest, text)

    return report


@contextmanager
def shown(quiet: bool = False) -> Iterator[Progress]:
    """Progress on standard error: a bar on a terminal, else log lines."""
    if quiet or not sys.stderr.isatty():
        yield forward_only(_Lines())
        return
    from rich.console import Console
    from rich.progress import BarColumn, TextColumn, TimeElapsedColumn
    from rich.progress import Progress as Bar

    columns = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    with Bar(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("starting", total=1.0)
        yield forward_only(
            lambda share, text: bar.update(task, completed=share, description=text or None)
        )


class _Lines:
    """Progress as log lines, one for each new activity and each further tenth."""

    def __init__(self) -> None:
        self._last: tuple[str, int] = ("", 0)

    def __call__(self, share: float, text: str) -> None:
        tenth = int(10 * share + 1e-9)
        activity = text.translate(_NO_DIGITS)  # counts of points change all the time
        if (activity, tenth) != self._last:
            self._last = (activity, tenth)
            log.info("%3.0f %% %s", 100 * share, text)


def log_duration(what: str, processes: int, tasks: int, seconds_a_task: float) -> float:
    """Log how long tasks will take when that is long; the seconds."""
    processes = max(1, min(processes, tasks))
    seconds = tasks * seconds_a_task / processes
    if seconds >= _LONG_S:
        on = f"{processes} processes" if processes > 1 else "1 process"
        log.info("%s: %d points take about %s on %s", what, tasks, duration(seconds), on)
    return seconds


def duration(seconds: float) -> str:
    """A span of time in words, as precise as an estimate is."""
    minutes = seconds / 60.0
    if minutes < 90.0:
        return f"{max(1, round(minutes))} min"
    hours = minutes / 60.0
    if hours < 10.0:
        return f"{int(hours)} h {10 * int(minutes % 60.0 / 10.0)} min".replace(" 0 min", "")
    return f"{round(hours)} h" if hours < 48.0 else f"{round(hours / 24.0)} days"
