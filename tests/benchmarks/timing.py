"""Clocks, and the cases, that the benchmarks of single parts share."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np

import wakesim
from wakesim.case.schema import Case
from wakesim.case.traffic import Headway
from wakesim.runtime import cases_path

BUSY_HOUR = 7


class Timed(NamedTuple):
    """What a call gave, its wall clock and its processor time in s."""

    result: Any
    wall_s: float
    cpu_s: float


def timed(function: Callable[..., Any], *arguments: Any, **options: Any) -> Timed:
    """One call by both clocks."""
    wall, cpu = time.perf_counter(), time.process_time()
    result = function(*arguments, **options)
    return Timed(result, time.perf_counter() - wall, time.process_time() - cpu)


def fastest(function: Callable[[], Any], repeats: int = 5) -> float:
    """Wall clock of the fastest of so many calls, s."""
    return min(timed(function).wall_s for _ in range(repeats))


def least_cpu(function: Callable[[], Any], repeats: int = 3) -> float:
    """Processor time of the cheapest of so many calls, s: for a busy machine."""
    return min(timed(function).cpu_s for _ in range(repeats))


def main_case() -> Case:
    """The day beside the expressway."""
    return wakesim.load_case(cases_path("expressway-post.toml"))


def busiest_hour() -> Case:
    """Its busiest hour alone, with negative exponential headways."""
    case = main_case()
    compute = case.compute.model_copy(update={"start_hour": BUSY_HOUR, "duration_h": 1.0})
    return replace(case, compute=compute, traffic=replace(case.traffic, headway=Headway()))


def numpy_sweeps(shape: tuple[int, int], repeats: int) -> np.ndarray:
    """Tridiagonal systems along axis 0 of fields (n, m) with numpy alone, as a yardstick."""
    n, m = shape
    rng = np.random.default_rng(0)
    off, right = rng.uniform(0.1, 1.0, (n, m)), rng.uniform(0.0, 1.0, (n, m))
    for _ in range(repeats):
        factor, found = np.empty((n, m)), np.empty((n, m))
        factor[0] = 1.0 / (1.0 + off[0])
        found[0] = right[0] * factor[0]
        for i in range(1, n):
            factor[i] = 1.0 / (1.0 + off[i] + off[i - 1] * (1.0 - off[i - 1] * factor[i - 1]))
            found[i] = (right[i] + off[i - 1] * found[i - 1]) * factor[i]
        for i in range(n - 2, -1, -1):
            found[i] += off[i] * factor[i] * found[i + 1]
    return found
