"""The studies of many states, run as sweeps: lookup tables, tables of single passes, maps.

With a folder a sweep keeps what it has computed there and a later run of the same case goes on
from it; without one it works in a temporary folder.
"""

from __future__ import annotations

import contextlib
import logging
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from math import prod
from pathlib import Path
from typing import Any

import numpy as np
from numba import get_num_threads

from wakesim import runtime
from wakesim.arrays import Array
from wakesim.case.schema import Case
from wakesim.errors import NumericalError
from wakesim.measures import lookup
from wakesim.measures.interpolation import Axis, interpolate
from wakesim.measures.lookup import StateGroup, compute_group, density_of, state_case
from wakesim.measures.model_interval import ends
from wakesim.measures.model_interval import names as interval_names
from wakesim.measures.pass_table import PASS_VARIABLES, PassRow, pass_row
from wakesim.measures.places import chosen_hour, moved_at
from wakesim.measures.refine import Refined, random_states, refine, relative_error
from wakesim.results import InterpolationCheck, LookupResult, PassTableResult
from wakesim.sweep import (
    Failure,
    SweepOutcome,
    Task,
    cluster_executor,
    content_key,
    forget_failures,
    free_processors,
    sweep,
)
from wakesim.traffic.scene import field_settings

log = logging.getLogger("wakesim")

Axes = Mapping[str, tuple[float, ...]]
Progress = Callable[[float, str], None]

_CHECK_STATES, _ALIKE = 96, 4
_INTERVAL_CHECKS = 6
# Values of each axis at which the model interval is computed; two (the ends) where not named.
_INTERVAL_VALUES = {"heavy_share": 1, "speed_factor": 1, "wind_speed_m_s": 4, "wind_angle_deg": 5}
_SMALL_SWEEP = 48  # tasks; fewer are computed in this process
_MANY_STATES = 50_000  # of a table whose memory is told
# Peak of the memory when a table is written, measured from 0.2 to 1 million states.
_BYTES, _BYTES_A_STATE = 0.2e9, 720.0


@dataclass(frozen=True)
class SweepOptions:
    """Where and with how many workers. ``workers`` None: as many as there are free processors
    for a long sweep, one for a short one; ``cluster`` is the address of a Dask scheduler."""

    workers: int | None = None
    cluster: str | None = None
    folder: Path | None = None


class Sweeps:
    """Sweeps of one case into one folder, with one progress and one list of failures."""

    def __init__(
        self,
        case: Case,
        options: SweepOptions,
        folder: Path,
        executor: Executor | None,
        say: Progress | None,
    ) -> None:
        self.case, self.options, self.folder, self.executor = case, options, folder, executor
        self._say, self._span = say, (0.0, 1.0)
        self.failed: list[str] = []
        self._inputs = content_key(case.text, runtime.version())

    def stage(self, first: float, last: float) -> None:
        """Share of the whole that the next sweep begins and ends at."""
        self._span = (first, last)

    def say(self, share: float, text: str) -> None:
        if self._say is not None:
            first, last = self._span
            self._say(first + (last - first) * share, text)

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
            progress=lambda share, text: self.say(share, f"{what}: {text}"), what=what,
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
def sweeps(case: Case, options: SweepOptions, say: Progress | None) -> Iterator[Sweeps]:
    """Sweeps of a case; a cluster is let go of and a temporary folder removed at the end."""
    with contextlib.ExitStack() as stack:
        folder = options.folder
        if folder is None:
            folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="wakesim-")))
        forget_failures(folder)
        executor = None
        if options.cluster is not None:
            executor = stack.enter_context(cluster_executor(options.cluster))
        yield Sweeps(case, options, folder, executor, say)


def common(case: Case, began: float, work: Sweeps, warnings: Sequence[str]) -> dict[str, Any]:
    """What every GridResult holds."""
    wall = time.perf_counter() - began
    provenance = runtime.provenance(case.text, case.traffic.seed if case.traffic else 0)
    more = [] if not work.failed else [f"{len(work.failed)} points could not be computed"]
    return {
        "case": case,
        "air_density_kg_m3": density_of(case),
        "wall_time_s": wall,
        "warnings": (*case.warnings, *warnings, *more),
        "provenance": provenance | {"threads": get_num_threads(), "wall_time_s": round(wall, 3)},
        "failed": tuple(work.failed),
    }


# --- single passes --------------------------------------------------------------------------------


def run_pass_table(case: Case, options: SweepOptions, say: Progress | None) -> PassTableResult:
    """Every class, speed, clearance and height of [pass_table]."""
    began = time.perf_counter()
    table = case.pass_table
    if table is None:
        raise ValueError("the case has no pass table")
    speeds, heights = table.speeds_m_s, tuple(table.height_m)
    rows = [
        PassRow(case, name, clearance, heights, speeds)
        for name in case.vehicles
        for clearance in table.clearance_m
    ]
    names = [f"{row.vehicle} at {row.clearance_m:g} m" for row in rows]
    with sweeps(case, options, say) as work:
        outcome = work.run(pass_row, rows, names, "passes", chunk_size=2)
    empty = {name: np.full((len(speeds), len(heights)), np.nan) for name in PASS_VARIABLES}
    shape = (len(case.vehicles), len(table.clearance_m), len(speeds), len(heights))
    variables = {
        name: np.ascontiguousarray(
            np.stack([(r or empty)[name] for r in outcome.results])
            .reshape(shape)
            .transpose(0, 2, 1, 3)
        )
        for name in PASS_VARIABLES
    }
    return PassTableResult(
        **common(case, began, work, ()),
        classes=tuple(case.vehicles),
        speed_m_s=speeds,
        clearance_m=tuple(table.clearance_m),
        height_m=heights,
        variables=variables,
    )


# --- lookup tables --------------------------------------------------------------------------------


def run_lookup(case: Case, options: SweepOptions, say: Progress | None) -> LookupResult:
    """The states of [table]: values, model interval, and what interpolation misses."""
    began = time.perf_counter()
    table = lookup.table_of(case)
    warnings: list[str] = []
    _tell_memory(prod(map(len, table.axes.values())))
    with sweeps(case, options, say) as work:
        axes: dict[str, tuple[float, ...]] = table.axes
        added: dict[str, tuple[float, ...]] = {}
        if table.tolerance is not None:
            work.stage(0.0, 0.15)
            found = _refined(work, axes, table.tolerance, table.most_states)
            axes, added = found.axes, found.added
            if not found.met:
                warnings.append(
                    f"the table's tolerance {table.tolerance:g} is not met on every axis: add "
                    "values to it, or raise most_states"
                )
        work.stage(0.15 if added else 0.0, 0.8)
        groups, index = lookup.state_groups(case, axes)
        outcome = work.run(compute_group, groups, [_state_name(g.values) for g in groups], "states")
        variables = lookup.arrange(axes, index, outcome.results)
        if not variables:
            raise NumericalError(f"no state of the table could be computed: {work.failed[0]}")
        count, check = 0, (np.nan, np.nan)
        if case.compute.model_interval and "effective_speed" in variables:
            work.stage(0.8, 0.95)
            ends, count, check = _interval(work, axes, variables["effective_speed"])
            variables |= ends
        work.stage(0.95, 1.0)
        interpolation = _interpolation_check(work, axes, variables)
    return LookupResult(
        **common(case, began, work, warnings),
        hour=chosen_hour(case, table.hour),
        axes=axes,
        variables=variables,
        interpolation=interpolation,
        interval_states=count,
        interval_check=check,
        interval_parts=interval_names(field_settings(work.case)) if count else (),
        added=added,
        distinct_states=len(groups) * len(groups[0].places),
    )


def _tell_memory(states: int) -> float:
    """Log what a table of many states needs before it is begun; bytes."""
    needed = _BYTES + _BYTES_A_STATE * states
    if states >= _MANY_STATES:
        log.info(
            "table of %d states: about %.1f GB of memory; how long it takes is said once the first "
            "states are computed", states, needed / 1e9,
        )  # fmt: skip
    return needed


def _state_name(values: Sequence[tuple[str, float]]) -> str:
    return ", ".join(f"{name} = {value:.9g}" for name, value in values)


def _effective(work: Sweeps, states: Sequence[Mapping[str, float]], what: str) -> Array:
    """Effective speed (n,) of single states; NaN where one failed."""
    case = work.case
    sorted_groups: dict[tuple[tuple[str, float], ...], list[int]] = {}
    for k, state in enumerate(states):
        key = tuple(lookup.canonical(state).items())
        sorted_groups.setdefault(key, []).append(k)
    places = [lookup.places_of(case, {n: (v,) for n, v in s.items()})[0] for s in states]
    groups = [
        StateGroup(case, key, tuple(places[k] for k in members))
        for key, members in sorted_groups.items()
    ]
    names = [f"{_state_name(g.values)} at {g.places}" for g in groups]
    outcome = work.run(compute_group, groups, names, what, chunk_size=8)
    out = np.full(len(states), np.nan)
    for members, result in zip(sorted_groups.values(), outcome.results, strict=True):
        if result is not None:
            out[members] = result["effective_speed"]
    return out


def _refined(work: Sweeps, axes: Axes, tolerance: float, most_states: int) -> Refined:
    def evaluate(states: Sequence[Mapping[str, float]]) -> Array:
        return _effective(work, states, "refinement")

    return refine(axes, evaluate, tolerance, most_states)


def compute_interval(group: StateGroup) -> dict[str, Array]:
    """How far the ends of the model interval lie below and above the effective speed, m/s."""
    case = state_case(group.case, dict(group.values))
    moved = moved_at(case, np.array(group.places))
    base = moved.effective_speed()
    low, high = ends(base, [(item.name, speed) for item, _, speed in moved.all()])
    return {"below": base - low, "above": high - base, "base": base}


def _interval(
    work: Sweeps, axes: Axes, effective: Array
) -> tuple[dict[str, Array], int, tuple[float, float]]:
    """Ends of the model interval at every state, states computed for it, and a check.

    The distances of the ends from the effective speed are computed at a few values of every axis
    (``_interval_values``), divided by the effective speed at the lowest wind of the table, and
    interpolated linearly; multiplied by that speed again they give the ends of every state. The
    check is the median and the largest miss, over the effective speed, at a few random states.
    """
    few = {name: _interval_values(name, values) for name, values in axes.items()}
    groups, index = lookup.state_groups(work.case, few)
    tests = random_states(axes, _INTERVAL_CHECKS)
    test_groups = [
        StateGroup(
            work.case,
            tuple(lookup.canonical(state).items()),
            lookup.places_of(work.case, {n: (v,) for n, v in state.items()}),
        )
        for state in tests
    ]
    names = [_state_name(g.values) for g in groups]
    names += [f"{_state_name(g.values)} at {g.places}" for g in test_groups]
    outcome = work.run(compute_interval, [*groups, *test_groups], names, "model interval", 1)
    found = lookup.arrange(few, index, outcome.results[: len(groups)])
    if not found:
        return {}, 0, (np.nan, np.nan)
    linear = [Linear.of(name, values) for name, values in few.items()]
    table = [Axis.of(name, values) for name, values in axes.items()]
    coarse = on_grid(table, effective, _calm(axes, few))
    shares = {side: found[side] / coarse for side in ("below", "above")}
    calm = on_grid(table, effective, _calm(axes, axes))
    below, above = (on_grid(linear, shares[side], axes) * calm for side in ("below", "above"))
    ends = {"model_low": np.maximum(effective - below, 0.0), "model_high": effective + above}
    misses = []
    for state, result in zip(tests, outcome.results[len(groups) :], strict=True):
        if result is not None:
            there = {n: np.array([v]) for n, v in state.items()}
            speed = interpolate(table, effective, _calm(axes, there))
            misses += [
                abs(interpolate(linear, shares[side], there) * speed - result[side]).item()
                / result["base"].item()
                for side in ("below", "above")
            ]
    check = (float(np.median(misses)), float(np.max(misses))) if misses else (np.nan, np.nan)
    return ends, len(groups) * len(groups[0].places), check


def on_grid(axes: Sequence[Axis], table: Array, at: Mapping[str, Sequence[float]]) -> Array:
    """The table interpolated at all combinations of values of its axes, axis by axis."""
    for k, axis in enumerate(axes):
        weights = axis.weights(np.asarray(at[axis.name], dtype=np.float64))
        table = np.moveaxis(np.tensordot(weights, table, axes=(1, k)), 0, k)
    return np.ascontiguousarray(table)


def _calm(axes: Axes, at: Mapping[str, Any]) -> dict[str, Any]:
    """The same states in the lowest wind of the table."""
    if "wind_speed_m_s" not in axes:
        return dict(at)
    lowest = np.full(np.shape(at["wind_speed_m_s"]), axes["wind_speed_m_s"][0])
    return {**at, "wind_speed_m_s": lowest}


def _interval_values(name: str, values: tuple[float, ...]) -> tuple[float, ...]:
    """Values of an axis at which the model interval is computed."""
    most = _INTERVAL_VALUES.get(name, 2)
    if most == 1:
        return (values[len(values) // 2],)
    picks = np.linspace(0, len(values) - 1, min(most, len(values))).round().astype(int)
    return tuple(values[k] for k in picks)


@dataclass(frozen=True, eq=False)
class Linear(Axis):
    """An axis along which the table is straight between its values."""

    def weights(self, x: Any) -> Array:
        at = np.clip(self.wrapped(np.asarray(x, dtype=np.float64)), *self.ends)
        n = self.values.size
        if n == 1:
            return np.ones((at.size, 1))
        i = np.clip(np.searchsorted(self.values, at, side="right") - 1, 0, n - 2)
        t = (at - self.values[i]) / np.diff(self.values)[i]
        out = np.zeros((at.size, n))
        rows = np.arange(at.size)
        out[rows, i], out[rows, i + 1] = 1.0 - t, t
        return out


def _interpolation_check(
    work: Sweeps, axes: Axes, variables: Mapping[str, Array]
) -> InterpolationCheck | None:
    """Interpolated against computed effective speed at random states between the table's."""
    if "effective_speed" not in variables or all(len(v) == 1 for v in axes.values()):
        return None
    states = random_states(axes, _CHECK_STATES, _ALIKE)
    exact = _effective(work, states, "check of the interpolation")
    at = {name: np.array([s[name] for s in states]) for name in axes}
    table = [Axis.of(name, values) for name, values in axes.items()]
    error = relative_error(interpolate(table, variables["effective_speed"], at), exact)
    error = error[np.isfinite(error)]
    if not error.size:
        return None
    return InterpolationCheck(
        error.size, float(np.median(error)), float(np.quantile(error, 0.9)), float(error.max())
    )
