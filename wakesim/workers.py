"""Processors, processes and clusters that compute the tasks of a sweep.

Processes are started afresh (spawn) with one thread each, and end with the main process, however
that ends.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import sys
import threading
from collections.abc import Iterator
from concurrent.futures import Executor, ProcessPoolExecutor

from wakesim.errors import CaseError
from wakesim.runtime import share_memory_between_threads

_THREADS = (
    "NUMBA_NUM_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS",
)  # fmt: skip
_PR_SET_PDEATHSIG = 1  # of prctl(2)


def free_processors() -> int:
    """Processors this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


@contextlib.contextmanager
def process_pool(workers: int) -> Iterator[Executor]:
    """Processes that are gone at the end, whatever they do then."""
    pool = ProcessPoolExecutor(
        workers,
        mp_context=multiprocessing.get_context("spawn"),
        initializer=_start_worker,
        initargs=(os.getpid(),),
    )
    try:
        yield pool
    finally:
        pool.shutdown(wait=False, cancel_futures=True)
        for child in multiprocessing.active_children():
            child.terminate()
        pool.shutdown(wait=True)


def _start_worker(parent: int) -> None:
    """One thread a worker, no longer than its parent; Ctrl-C is the main process's business.

    Libraries that are yet to be loaded take the number from the environment.
    """
    _end_with(parent)
    share_memory_between_threads()
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    os.environ |= dict.fromkeys(_THREADS, "1")
    if "numpy" in sys.modules:  # by the main module, which a worker imports first
        import threadpoolctl

        threadpoolctl.threadpool_limits(1)
    if "numba" in sys.modules:
        import numba

        numba.set_num_threads(1)


def _end_with(parent: int) -> None:
    """End this process when its parent ends, even one that is killed.

    Everywhere a thread waits for the end of the pipe that the parent holds; it must wait for a
    compiled loop to end as well, so Linux is asked to kill this process at once.
    """
    threading.Thread(target=_end_after_parent, daemon=True).start()
    if sys.platform == "linux":
        import ctypes

        ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL, 0, 0, 0)
        if os.getppid() != parent:  # ended before it was asked
            os._exit(1)


def _end_after_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


@contextlib.contextmanager
def cluster_executor(address: str) -> Iterator[Executor]:
    """Executor of a Dask cluster by the address of its scheduler.

    Raises CaseError when dask.distributed is not installed or the scheduler does not answer.
    """
    try:
        from distributed import Client
    except ImportError as error:
        text = "a cluster needs dask.distributed: install the extra wakesim[cluster]"
        raise CaseError(text) from error
    try:
        client = Client(address, timeout="10s", set_as_default=False)
    except (OSError, ValueError, TimeoutError) as error:
        raise CaseError(f'cluster "{address}": no scheduler answers: {error}') from error
    try:
        yield client.get_executor(pure=False, retries=3)
    finally:
        client.close()
