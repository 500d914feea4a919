"""Many independent tasks on any ``concurrent.futures.Executor``, resumable after a kill.

Tasks go to a worker a chunk at a time. The main process is the only writer: each finished chunk
becomes one shard, written under a temporary name and moved into place, so a shard is whole or
absent. A later run of the same tasks takes what shards hold and computes only the rest; results
come back in the order of the tasks, whatever the order of computing. Shards are named by a hash of
what they answer, so other inputs never match them.

Linear algebra may differ in the last bit from process to process. So results are rounded to 29
binary digits (2e-9), far below what any of them is worth: a resumed run equals an uninterrupted
one.

A worker that dies takes its chunk with it: the pool is built anew and the chunks that were under
way are tried again one by one, so that a chunk that kills its worker is found and recorded while
all others complete.
"""

from __future__ import annotations

import contextlib
import csv
import hashlib
import io
import json
import logging
import math
import os
import time
import zipfile
from collections import deque
from collections.abc import Callable, Sequence
from concurrent.futures import FIRST_COMPLETED, Executor, Future, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from wakesim.errors import OutputError
from wakesim.folders import hold, replace_file
from wakesim.progress import Progress, log_duration, silent
from wakesim.workers import process_pool

log = logging.getLogger("wakesim")

Values = dict[str, Any]  # name -> float or array
Function = Callable[[Any], Values]

_FORMAT = "wakesim sweep 2"
_SOLO_TRIES = 2  # of a chunk that was under way when a worker died
_IN_FLIGHT = 2  # chunks a worker has at hand
_ON_A_CLUSTER = 8  # chunks an executor given from outside has at hand
_ROUNDED_BITS = 24  # of the 53 of a float
_FAILURES = "failures.csv"
_LEAST_TIMED = 2  # tasks from which it is said how long the rest takes


@dataclass(frozen=True)
class Task:
    """One point: ``key`` names its inputs (a content hash), ``payload`` goes to the function."""

    key: str
    payload: Any


@dataclass(frozen=True)
class Failure:
    """A task that could not be computed, and why."""

    index: int
    key: str
    reason: str


@dataclass(frozen=True)
class SweepOutcome:
    """Results in the order of the tasks, None where a task failed.

    ``seconds_a_task``: mean over the tasks of one process, without its first; NaN when too few
    were computed.
    """

    results: tuple[Values | None, ...]
    failures: tuple[Failure, ...]
    computed: int
    reused: int
    seconds_a_task: float = math.nan


@dataclass(frozen=True)
class _Chunk:
    indices: range
    path: Path


@dataclass(frozen=True)
class _Answers:
    """Of a chunk: values, or the reason why there are none; who computed it, and for how long."""

    values: list[tuple[Values | None, str]]
    process: int
    seconds: list[float]


def content_key(*parts: Any) -> str:
    """Hash of JSON-like inputs: numbers, texts, lists and dictionaries; floats in full."""
    text = json.dumps(parts, sort_keys=True, default=_plain, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


def _plain(value: Any) -> Any:
    if isinstance(value, np.generic | np.ndarray):
        return value.tolist()
    raise TypeError(f"{type(value).__name__} cannot be part of a key")


def sweep(
    function: Function,
    tasks: Sequence[Task],
    folder: str | Path,
    *,
    executor: Executor | None = None,
    workers: int = 1,
    chunk_size: int = 32,
    progress: Progress = silent,
    what: str = "sweep",
) -> SweepOutcome:
    """Compute all tasks, reusing what ``folder`` already holds of them.

    ``function(payload)`` returns a dictionary of numbers and arrays; on an executor it must be a
    module-level function. ``executor`` is used as it is and left open; otherwise ``workers``
    processes are started, or with one worker everything runs here. Tasks that raise are recorded,
    with the reason, also in ``failures.csv`` (beside those of other sweeps), and tried again by the
    next run. As soon as the first tasks say how long all will take, and that is long, it is logged
    (``what``: of what).

    Raises OutputError when the folder cannot be written or another run uses it; KeyboardInterrupt
    passes through with all finished chunks kept.
    """
    if workers < 1 or chunk_size < 1:
        raise ValueError("workers and chunk_size must be at least 1")
    if len({task.key for task in tasks}) != len(tasks):
        raise ValueError("two tasks have the same key")
    folder = Path(folder)
    shards = folder / "shards"
    with hold(folder):
        try:
            shards.mkdir(exist_ok=True)
        except OSError as error:
            raise OutputError(f"{shards} cannot be made: {_reason(error)}") from error
        for rest in shards.glob("*.part"):
            rest.unlink(missing_ok=True)
        work = _Work(function, tasks, shards, chunk_size, progress)
        if executor is None:
            work.log_rest = lambda left, seconds: log_duration(what, workers, left, seconds)
        _compute(work, executor, workers)
        outcome = work.outcome()
        _write_failures(folder, what, outcome.failures, {task.key for task in tasks})
    return outcome


class _Work:
    """What is known, what is missing, and the shards on disk."""

    def __init__(
        self,
        function: Function,
        tasks: Sequence[Task],
        shards: Path,
        chunk_size: int,
        progress: Progress,
    ) -> None:
        self.function, self.tasks, self.progress = function, tasks, progress
        self.log_rest: Callable[[int, float], object] | None = None  # tasks left, seconds each
        self.results: list[Values | None] = [None] * len(tasks)
        self.reasons: dict[int, str] = {}
        self._timed: list[float] = []
        self._processes: set[int] = set()
        name = f"{function.__module__}.{function.__qualname__}"
        self.pending: deque[_Chunk] = deque()
        for first in range(0, len(tasks), chunk_size):
            indices = range(first, min(first + chunk_size, len(tasks)))
            key = content_key(_FORMAT, name, [tasks[i].key for i in indices])
            chunk = _Chunk(indices, shards / f"{key}.npz")
            self._read(chunk)
            if self.missing(chunk):
                self.pending.append(chunk)
        self.reused = sum(r is not None for r in self.results)

    def _read(self, chunk: _Chunk) -> None:
        """Take the results of a whole shard; a damaged one counts as absent."""
        if not chunk.path.exists():
            return
        try:
            found = _load(chunk.path.read_bytes())
        except (OSError, EOFError, LookupError, ValueError, zipfile.BadZipFile) as error:
            log.warning("%s is damaged and is computed again: %s", chunk.path, error)
            return
        for i, values in zip(chunk.indices, found, strict=True):
            self.results[i] = values

    def missing(self, chunk: _Chunk) -> list[int]:
        return [i for i in chunk.indices if self.results[i] is None]

    def payloads(self, chunk: _Chunk) -> list[Any]:
        return [self.tasks[i].payload for i in self.missing(chunk)]

    def finish(self, chunk: _Chunk, answers: _Answers) -> None:
        """Keep the answers of a chunk and write its shard."""
        for i, (values, reason) in zip(self.missing(chunk), answers.values, strict=True):
            self.results[i] = values
            if values is None:
                self.reasons[i] = reason
        _write(chunk.path, _dump([self.results[i] for i in chunk.indices]))
        # The first task of a process prepares what the others find ready.
        self._timed += answers.seconds[answers.process not in self._processes :]
        self._processes.add(answers.process)
        if self.log_rest is not None and math.isfinite(self.seconds_a_task):
            self.log_rest(len(self.tasks) - self.done, self.seconds_a_task)
            self.log_rest = None
        self._report()

    def give_up(self, chunk: _Chunk, reason: str) -> None:
        self.reasons |= dict.fromkeys(self.missing(chunk), reason)
        self._report()

    @property
    def seconds_a_task(self) -> float:
        few = len(self._timed) < _LEAST_TIMED
        return math.nan if few else sum(self._timed) / len(self._timed)

    @property
    def done(self) -> int:
        """Tasks that have an answer."""
        return sum(r is not None for r in self.results) + len(self.reasons)

    def _report(self) -> None:
        self.progress(self.done / len(self.tasks), f"{self.done} of {len(self.tasks)} points")

    def outcome(self) -> SweepOutcome:
        failures = tuple(
            Failure(i, self.tasks[i].key, self.reasons[i]) for i in sorted(self.reasons)
        )
        known = sum(r is not None for r in self.results)
        return SweepOutcome(
            tuple(self.results), failures, known - self.reused, self.reused, self.seconds_a_task
        )


def _answer(function: Function, payloads: list[Any]) -> _Answers:
    """Runs in a worker."""
    out = _Answers([], os.getpid(), [])
    for payload in payloads:
        began = time.perf_counter()
        try:
            out.values.append((_rounded(function(payload)), ""))
        except Exception as error:
            out.values.append((None, _reason_of(error)))
        out.seconds.append(time.perf_counter() - began)
    return out


def _reason_of(error: Exception) -> str:
    return f"{type(error).__name__}: {error}".replace("\n", " ")


def _rounded(values: Values) -> Values:
    """The values with their last bits rounded away; whole numbers as they are."""
    out: Values = {}
    for name, value in values.items():
        array = np.array(value)
        if array.dtype == np.float64:
            finite = np.isfinite(array)
            bits = np.where(finite, array, 0.0).view(np.int64)
            half, mask = 1 << (_ROUNDED_BITS - 1), -(1 << _ROUNDED_BITS)
            array = np.where(finite, ((bits + half) & mask).view(np.float64), array)
        out[name] = array.item() if array.ndim == 0 else array
    return out


# --- computing ------------------------------------------------------------------------------------


def _compute(work: _Work, executor: Executor | None, workers: int) -> None:
    if executor is not None:
        _drive(work, work.pending, executor, _ON_A_CLUSTER)
    elif workers == 1:
        while work.pending:
            chunk = work.pending.popleft()
            work.finish(chunk, _answer(work.function, work.payloads(chunk)))
    else:
        while work.pending:
            for chunk in _in_pool(work, work.pending, workers):
                _alone(work, chunk)


def _in_pool(work: _Work, chunks: deque[_Chunk], workers: int) -> list[_Chunk]:
    with process_pool(workers) as pool:
        return _drive(work, chunks, pool, _IN_FLIGHT * workers)


def _alone(work: _Work, chunk: _Chunk) -> None:
    """Try a chunk that was under way when a worker died."""
    for _ in range(_SOLO_TRIES):
        if not _in_pool(work, deque([chunk]), 1):
            return
    work.give_up(chunk, "the worker died (killed, or out of memory)")


def _drive(work: _Work, chunks: deque[_Chunk], executor: Executor, most: int) -> list[_Chunk]:
    """Keep the executor busy until no chunk is left; those under way when a pool broke."""
    running: dict[Future[Any], _Chunk] = {}
    broken: list[_Chunk] = []
    try:
        while running or (chunks and not broken):
            while chunks and len(running) < most and not broken:
                chunk = chunks.popleft()
                try:
                    future = executor.submit(_answer, work.function, work.payloads(chunk))
                except BrokenProcessPool:
                    broken.append(chunk)
                else:
                    running[future] = chunk
            for future in wait(running, return_when=FIRST_COMPLETED).done:
                chunk = running.pop(future)
                try:
                    answers = future.result()
                except BrokenProcessPool:
                    broken.append(chunk)
                except Exception as error:
                    work.give_up(chunk, _reason_of(error))
                else:
                    work.finish(chunk, answers)
    finally:
        for future in running:
            future.cancel()
    return broken


# --- files ----------------------------------------------------------------------------------------


def _dump(results: list[Values | None]) -> bytes:
    """Bytes of a shard; the same results give the same bytes."""
    arrays = {f"{k}/{name}": v for k, one in enumerate(results) for name, v in (one or {}).items()}
    buffer = io.BytesIO()
    np.savez(buffer, known=[one is not None for one in results], **dict(sorted(arrays.items())))
    return buffer.getvalue()


def _load(data: bytes) -> list[Values | None]:
    with np.load(io.BytesIO(data), allow_pickle=False) as arrays:
        known = arrays["known"]
        out: list[Values] = [{} for _ in known]
        for key in arrays.files:
            number, slash, name = key.partition("/")
            if slash:
                array = arrays[key]
                out[int(number)][name] = array.item() if array.ndim == 0 else array
    return [one if there else None for one, there in zip(out, known, strict=True)]


def _write(path: Path, data: bytes) -> None:
    try:
        replace_file(path, data)
    except OSError as error:
        text = f"{path} cannot be written: {_reason(error)}; finished points are kept"
        raise OutputError(text) from error


def forget_failures(folder: str | Path) -> None:
    """Remove the list of failures of an earlier run, before the first sweep of a new one."""
    with contextlib.suppress(OSError):
        (Path(folder) / _FAILURES).unlink()


def _write_failures(folder: Path, what: str, failures: Sequence[Failure], tried: set[str]) -> None:
    """Replace the rows of the tasks that were tried in the list of failures."""
    path = folder / _FAILURES
    try:
        with path.open(encoding="utf-8", newline="") as file:
            rows = [row for row in list(csv.reader(file))[1:] if len(row) == 4]
    except (OSError, ValueError, csv.Error):
        rows = []
    rows = [row for row in rows if row[2] not in tried]
    rows += [[what, str(f.index + 1), f.key, f.reason] for f in failures]
    if not rows:
        path.unlink(missing_ok=True)
        return
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerows([["what", "point", "key", "reason"], *rows])
    _write(path, text.getvalue().encode())


def _reason(error: OSError) -> str:
    return error.strerror or str(error)
