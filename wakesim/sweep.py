"""Many independent tasks on any ``concurrent.futures.Executor``, resumable after a kill.

Tasks that share work (the same ``group``, for instance one pass field) go to a worker together, a
chunk at a time. The main process is the only writer: each finished chunk becomes one shard, written
under a temporary name and moved into place, so a shard is whole or absent. A later run of the same
tasks takes what shards hold and computes only the rest; results come back in the order of the
tasks, whatever the order of computing. Shards are named by a hash of what they answer, so other
inputs never match them.

Linear algebra may differ in the last bit from process to process. So results are rounded to 29
binary digits (2e-9), far below what any of them is worth: a resumed run equals an uninterrupted
one.

A worker that dies takes its chunk with it: the pool is built anew and the chunks that
were under way are tried again one by one, so that a chunk that kills its worker is found and
recorded while all others complete.
"""

from __future__ import annotations

import contextlib
import csv
import functools
import hashlib
import io
import json
import logging
import math
import os
import time
import zipfile
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Executor, Future, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from wakesim.errors import OutputError
from wakesim.folders import hold, replace_file
from wakesim.progress import Progress, log_duration
from wakesim.workers import process_pool

log = logging.getLogger("wakesim")

Values = dict[str, Any]  # name -> float or array
Function = Callable[[Any], Values]

_FORMAT = "wakesim sweep 2"
_SOLO_TRIES = 2  # of a chunk that was under way when a worker died
_IN_FLIGHT = 2  # chunks a worker has at hand
_ROUNDED_BITS = 24  # of the 53 of a float
_FAILURES = "failures.csv"
_LEAST_TIMED = 2  # tasks from which that is told


@dataclass(frozen=True)
class Task:
    """One point: ``key`` names its inputs (a content hash), ``payload`` goes to the function.

    Consecutive tasks with the same ``group`` share work and are computed together.
    """

    key: str
    payload: Any
    group: str = ""


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


@dataclass
class _Chunk:
    indices: list[int]
    path: Path
    tries: int = 0


def content_key(*parts: Any) -> str:
    """Hash of JSON-like inputs: numbers, texts, lists and dictionaries; floats in full."""
    text = json.dumps(parts, sort_keys=True, default=_plain, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


def _plain(value: Any) -> Any:
    if isinstance(value, np.generic):
        return value.item()
    if isinstance(value, np.ndarray):
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
    progress: Progress | None = None,
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
            work.tell = functools.partial(log_duration, what, workers)
        if work.pending:
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
        progress: Progress | None,
    ) -> None:
        self.function, self.tasks, self.progress = function, tasks, progress
        self.tell: Callable[[int, float], object] | None = None  # tasks left, seconds each
        self.pace = _Pace()
        self.results: list[Values | None] = [None] * len(tasks)
        self.reasons: dict[int, str] = {}
        name = f"{function.__module__}.{function.__qualname__}"
        chunks = []
        for indices in _grouped(tasks, chunk_size):
            key = content_key(_FORMAT, name, [tasks[i].key for i in indices])
            chunks.append(_Chunk(indices, shards / f"{key}.npz"))
        for chunk in chunks:
            self._read(chunk)
        self.pending = deque(c for c in chunks if any(self.results[i] is None for i in c.indices))
        self.reused = sum(r is not None for r in self.results)

    def _read(self, chunk: _Chunk) -> None:
        """Take the results of a whole shard; a damaged one counts as absent."""
        if not chunk.path.exists():
            return
        try:
            found = _load(chunk.path.read_bytes())
        except (OSError, EOFError, ValueError, KeyError, IndexError, zipfile.BadZipFile) as error:
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
        self.pace.note(answers)
        if self.tell is not None and math.isfinite(self.pace.seconds):
            self.tell(len(self.tasks) - self.done, self.pace.seconds)
            self.tell = None
        self.say()

    def give_up(self, chunk: _Chunk, reason: str) -> None:
        for i in self.missing(chunk):
            self.reasons[i] = reason
        self.say()

    @property
    def done(self) -> int:
        """Tasks that have an answer."""
        return sum(r is not None for r in self.results) + len(self.reasons)

    def say(self) -> None:
        if self.progress is not None:
            done = self.done
            self.progress(done / len(self.tasks), f"{done} of {len(self.tasks)} points")

    def outcome(self) -> SweepOutcome:
        failures = tuple(
            Failure(i, self.tasks[i].key, self.reasons[i]) for i in sorted(self.reasons)
        )
        known = sum(r is not None for r in self.results)
        return SweepOutcome(
            tuple(self.results), failures, known - self.reused, self.reused, self.pace.seconds
        )


@dataclass(frozen=True)
class _Answers:
    """Of a chunk: values, or the reason why there are none; who computed it, and for how long."""

    values: list[tuple[Values | None, str]]
    process: int
    seconds: list[float]


class _Pace:
    """Seconds a task takes. The first of a process prepares what the others find ready."""

    def __init__(self) -> None:
        self._processes: set[int] = set()
        self._timed: list[float] = []

    def note(self, answers: _Answers) -> None:
        first = 0 if answers.process in self._processes else 1
        self._processes.add(answers.process)
        self._timed += answers.seconds[first:]

    @property
    def seconds(self) -> float:
        few = len(self._timed) < _LEAST_TIMED
        return math.nan if few else sum(self._timed) / len(self._timed)


def _grouped(tasks: Sequence[Task], chunk_size: int) -> Iterator[list[int]]:
    """Runs of indices with one group, at most ``chunk_size`` long."""
    part: list[int] = []
    for i, task in enumerate(tasks):
        if part and (len(part) == chunk_size or task.group != tasks[part[0]].group):
            yield part
            part = []
        part.append(i)
    if part:
        yield part


def _answer(function: Function, payloads: list[Any]) -> _Answers:
    """Runs in a worker."""
    out = _Answers([], os.getpid(), [])
    for payload in payloads:
        began = time.perf_counter()
        try:
            out.values.append((_rounded(function(payload)), ""))
        except Exception as error:
            out.values.append((None, f"{type(error).__name__}: {error}".replace("\n", " ")))
        out.seconds.append(time.perf_counter() - began)
    return out


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


# --- executors ------------------------------------------------------------------------------------


def _compute(work: _Work, executor: Executor | None, workers: int) -> None:
    if executor is not None:
        _drive(work, executor, 8)
    elif workers == 1:
        while work.pending:
            chunk = work.pending.popleft()
            work.finish(chunk, _answer(work.function, work.payloads(chunk)))
    else:
        _with_processes(work, workers)


def _with_processes(work: _Work, workers: int) -> None:
    """Drive a pool; when it breaks, try the chunks under way one by one in a pool of their own."""
    while work.pending:
        suspects = _one_pool(work, workers)
        for chunk in suspects:
            _alone(work, chunk)


def _one_pool(work: _Work, workers: int) -> list[_Chunk]:
    with process_pool(workers) as pool:
        return _drive(work, pool, _IN_FLIGHT * workers)


def _alone(work: _Work, chunk: _Chunk) -> None:
    rest, work.pending = work.pending, deque([chunk])
    try:
        while work.pending:
            for broken in _one_pool(work, 1):
                broken.tries += 1
                if broken.tries < _SOLO_TRIES:
                    work.pending.append(broken)
                else:
                    work.give_up(broken, "the worker died (killed, or out of memory)")
    finally:
        work.pending = rest


def _drive(work: _Work, executor: Executor, most: int) -> list[_Chunk]:
    """Keep the executor busy until nothing is pending; returns the chunks of a broken pool."""
    running: dict[Future[Any], _Chunk] = {}
    broken: list[_Chunk] = []
    try:
        while work.pending or running:
            while work.pending and len(running) < most and not broken:
                chunk = work.pending.popleft()
                running[executor.submit(_answer, work.function, work.payloads(chunk))] = chunk
            done, _ = wait(running, return_when=FIRST_COMPLETED)
            for future in done:
                chunk = running.pop(future)
                try:
                    answers = future.result()
                except BrokenProcessPool:
                    broken.append(chunk)
                except Exception as error:
                    work.give_up(chunk, f"{type(error).__name__}: {error}".replace("\n", " "))
                else:
                    work.finish(chunk, answers)
            if broken and not running:
                return broken
    except BrokenProcessPool:  # at submission
        return [chunk, *broken, *running.values()]
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
        out: list[dict[str, Any]] = [{} for _ in arrays["known"]]
        for key in arrays.files:
            number, slash, name = key.partition("/")
            if slash:
                array = arrays[key]
                out[int(number)][name] = array.item() if array.ndim == 0 else array
        return [one if known else None for one, known in zip(out, arrays["known"], strict=True)]


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
