"""What the studies of many states share: sweeps of one case into one folder.

With a folder a sweep keeps what it has computed there and a later run of the same case goes on
from it; without one it works in a temporary folder.
"""

from __future__ import annotations

import contextlib
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor
from pathlib import Path
from typing import Any

from numba import get_num_threads

from wakesim import runtime
from wakesim.air.density import density_of
from wakesim.case.schema import Case
from wakesim.progress import Progress, span
from wakesim.studies.registry import Options
from wakesim.sweep import (
    Failure,
    SweepOutcome,
    Task,
    content_key,
    forget_failures,
    sweep,
)
from wakesim.workers import cluster_executor, free_processors

_SMALL_SWEEP = 48  # tasks; fewer are computed in this process


class Sweeps:
    """Sweeps of one case into one folder, with one progress and one list of failures."""

    def __init__(
        self,
        case: Case,
        options: Options,
        folder: Path,
        executor: Executor | None,
        progress: Progress,
    ) -> None:
        self.case, self.options, self.folder, self.executor = case, options, folder, executor
        self._whole = self._progress = progress
        self.failed: list[str] = []
        self._inputs = content_key(case.text, runtime.version())

    def stage(self, first: float, last: float) -> None:
        """Share of the whole that the next sweep begins and ends at."""
        self._progress = span(self._whole, first, last)

    def run(
        self,
        function: Callable[[Any], dict[str, Any]],
        payloads: Sequence[Any],
        names: Sequence[str],
        what: str,
        chunk_size: int = 4,
        workers: int | None = None,
    ) -> SweepOutcome:
        """Results of ``function`` for all payloads; ``names`` identify them among all inputs.

        ``workers``: of a sweep of few long tasks, where the options name no number.
        """
        tasks = [
            Task(content_key(self._inputs, what, name), payload)
            for name, payload in zip(names, payloads, strict=True)
        ]
        outcome = sweep(
            function, tasks, self.folder, executor=self.executor,
            workers=self._workers(len(tasks), workers), chunk_size=chunk_size,
            progress=span(self._progress, 0.0, 1.0, what), what=what,
        )  # fmt: skip
        self.failed += [_sentence(failure, what, names) for failure in outcome.failures]
        return outcome

    def _workers(self, tasks: int, wanted: int | None) -> int:
        if self.options.workers is not None:
            return self.options.workers
        if wanted is not None:
            return min(wanted, tasks)
        return free_processors() if tasks >= _SMALL_SWEEP else 1


def _sentence(failure: Failure, what: str, names: Sequence[str]) -> str:
    return f"{what}, {names[failure.index] or 'the case'}: {failure.reason}"


@contextlib.contextmanager
def kept_in(folder: Path | None) -> Iterator[Path]:
    """The folder, or a temporary one that is removed at the end."""
    if folder is not None:
        yield folder
        return
    with tempfile.TemporaryDirectory(prefix="wakesim-") as place:
        yield Path(place)


@contextlib.contextmanager
def sweeps(case: Case, options: Options, progress: Progress) -> Iterator[Sweeps]:
    """Sweeps of a case; a cluster is let go of and a temporary folder removed at the end."""
    with contextlib.ExitStack() as stack:
        folder = stack.enter_context(kept_in(options.folder))
        forget_failures(folder)
        executor = None
        if options.cluster is not None:
            executor = stack.enter_context(cluster_executor(options.cluster))
        yield Sweeps(case, options, folder, executor, progress)


def common(case: Case, began: float, warnings: Sequence[str] = ()) -> dict[str, Any]:
    """What every result holds. ``began``: ``time.perf_counter`` at the start."""
    wall = time.perf_counter() - began
    provenance = runtime.provenance(case.text, case.traffic.seed if case.traffic else 0)
    return {
        "case": case,
        "air_density_kg_m3": density_of(case.air),
        "wall_time_s": wall,
        "warnings": (*case.warnings, *warnings),
        "provenance": provenance | {"threads": get_num_threads(), "wall_time_s": round(wall, 3)},
    }


def common_of_many(
    case: Case, began: float, work: Sweeps, warnings: Sequence[str] = ()
) -> dict[str, Any]:
    """What every GridResult holds."""
    more = [] if not work.failed else [f"{len(work.failed)} points could not be computed"]
    return common(case, began, (*warnings, *more)) | {"failed": tuple(work.failed)}
