"""Two workers against one on the states of a table: a ratio in one run.

Needs two free cores; skipped when the machine is busy or has fewer.
"""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path

import pytest

from wakesim.case.load import load_case
from wakesim.runtime import cases_path
from wakesim.studies.lookup_table import StateGroup, compute_group
from wakesim.sweep import Task, content_key, sweep
from wakesim.workers import free_processors, process_pool

_STATES = 160


def _tasks() -> list[Task]:
    case = load_case(cases_path("lookup-table.toml"))
    places = tuple((2.0 + 0.5 * i, 2.0) for i in range(8))
    out = []
    for k in range(_STATES):
        values = (("flow_veh_h", 200.0 + 10.0 * k), ("wind_speed_m_s", 1.0 + 0.02 * k))
        out.append(Task(content_key(k), StateGroup(case, values, places)))
    return out


def _warm(group: StateGroup) -> None:
    """One state and a rest, so that no worker warms up for another."""
    compute_group(group)
    time.sleep(8.0)


def _seconds(workers: int, folder: Path) -> float:
    """Time of the sweep once the workers are warm."""
    with process_pool(workers) as pool:
        tasks = _tasks()
        list(pool.map(_warm, [tasks[0].payload] * workers))
        began = time.perf_counter()
        found = sweep(compute_group, tasks, folder / "all", executor=pool, chunk_size=4)
        seconds = time.perf_counter() - began
    assert not found.failures
    return seconds


def test_two_workers_against_one(tmp_path: Path) -> None:
    if free_processors() < 2 or os.getloadavg()[0] > 1.5:
        pytest.skip("needs two free cores")
    one = _seconds(1, tmp_path / "one")
    two = _seconds(2, tmp_path / "two")
    sys.stdout.write(f"\n{_STATES} states: 1 worker {one:.1f} s, 2 workers {two:.1f} s, ")
    sys.stdout.write(f"ratio {one / two:.2f}\n")
    assert one / two > 1.8
