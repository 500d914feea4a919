"""Lookup tables: effective speed and model interval over places, traffic and air.

A state is a place (offset or clearance, height) in one traffic and air (flow, heavy share, speeds,
wind, split between directions). All places of one traffic and air share the drift and the wakes.
States that are the same air (any direction of no wind) are computed once.

With [rotor] every state has a power coefficient (``energy.table_power``), from stretches of traffic
walked at a few of them.

States in one wind are one task of a sweep, in the order of the table's axes: the search for the
mean air of the road begins at that of the state before, and finds the same air as from anywhere, to
1e-4 of its largest speed. What is one task depends on the table alone, hence no value depends on
the number of workers. The model interval takes several states together, one variant of the model
after the other, so that the wakes of a variant are marched once for all of them.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product
from math import prod
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wakesim.air.density import density_of
from wakesim.air.profiles import ambient_velocity
from wakesim.arrays import Array
from wakesim.case.air import Air
from wakesim.case.mounts import offsets_of_clearances
from wakesim.case.schema import Case
from wakesim.case.studies import PLACE_AXES, StateTable
from wakesim.case.traffic import Traffic
from wakesim.energy.hourly_power import rotor_of
from wakesim.errors import NumericalError
from wakesim.measures.interpolation import Axis, Linear, interpolate, on_grid
from wakesim.measures.model_interval import all_of_many, ends
from wakesim.measures.model_interval import names as interval_names
from wakesim.measures.places import moved_at, rotor_statistics_from
from wakesim.progress import Progress
from wakesim.results import InterpolationCheck, LookupResult
from wakesim.section.road import RoadState
from wakesim.studies.grid import Sweeps, common_of_many, sweeps
from wakesim.studies.refine import random_states, refine, relative_error
from wakesim.studies.registry import Options, study
from wakesim.traffic.scene import chosen_hour, field_settings, one_hour
from wakesim.workers import free_processors

log = logging.getLogger("wakesim")

Values = Mapping[str, float]
Axes = Mapping[str, tuple[float, ...]]

_CHECK_STATES, _ALIKE = 96, 4
_LIGHT_WIND_M_S = (0.5, 2.5)  # at its reference height: where interpolation misses most
_INTERVAL_CHECKS = 6
_CHAIN = 24  # most states of a task
_TOGETHER = 8  # states whose model interval is one task
_OF_WIND = ("wind_speed_m_s", "wind_angle_deg")
_OF_VEHICLES = ("heavy_share", "speed_factor", "direction_split")  # nothing without a flow
# Values of each axis at which the model interval is computed; two (the ends) where not named.
_INTERVAL_VALUES = {
    "heavy_share": 1, "speed_factor": 1, "direction_split": 1, "wind_speed_m_s": 4,
    "wind_angle_deg": 5,
}  # fmt: skip
_MANY_STATES = 50_000  # of a table whose memory is told
# Power density goes with the cube: it is made of the interpolated speed, never interpolated.
_LEFT_OUT = ("power_density", "rotor_mean")
# Peak of the memory when a table is written, measured from 0.2 to 1 million states.
_BYTES, _BYTES_A_STATE = 0.2e9, 720.0


@study("lookup_table")
def lookup_table(case: Case, options: Options, progress: Progress) -> LookupResult:
    """The states of [table]: values, model interval, and what interpolation misses."""
    began = time.perf_counter()
    table = table_of(case)
    warnings: list[str] = []
    _log_memory(prod(map(len, table.axes.values())))
    with sweeps(case, options, progress) as work:
        axes: dict[str, tuple[float, ...]] = table.axes
        added: dict[str, tuple[float, ...]] = {}
        if table.tolerance is not None:
            work.stage(0.0, 0.15)
            found = refine(
                axes,
                lambda states: _effective(work, states, "refinement"),
                table.tolerance,
                table.most_states,
            )
            axes, added = found.axes, found.added
            if not found.met:
                warnings.append(
                    f"the table's tolerance {table.tolerance:g} is not met on every axis: add "
                    "values to it, or raise most_states"
                )
        work.stage(0.15 if added else 0.0, 0.7 if case.rotor else 0.8)
        groups, index = state_groups(case, axes)
        results = _in_parts(work, compute_chain, groups, chains(groups), "states")
        if not any(results):
            raise NumericalError(f"no state of the table could be computed: {work.failed[0]}")
        shaft = None
        if case.rotor is not None:
            work.stage(0.7, 0.8)
            if case.rotor.direction_weight is not None:
                warnings.append(
                    "rotor.direction_weight: the power coefficient of the table has the directions "
                    "of the few stretches that are walked; a run or a year has those of every hour"
                )
            shaft = _add_power(work, groups, index, results)
        variables = arrange(axes, index, results)
        for name in _LEFT_OUT:
            variables.pop(name, None)
        count, check = 0, (np.nan, np.nan)
        if case.compute.model_interval and "effective_speed" in variables:
            work.stage(0.8, 0.95)
            ends, count, check = _interval(work, axes, variables["effective_speed"])
            variables |= ends
        work.stage(0.95, 1.0)
        interpolation = _interpolation_check(work, axes, variables)
        light = _light(axes)
        light_wind = _interpolation_check(work, axes, variables, light) if light else None
    return LookupResult(
        **common_of_many(case, began, work, warnings),
        hour=chosen_hour(case, table.hour),
        axes=axes,
        variables=variables,
        interpolation=interpolation,
        interpolation_light_wind=light_wind,
        rotor=None if case.rotor is None else rotor_of(case, case.mounts[0]),
        shaft_speed_rad_s=shaft,
        interval_states=count,
        interval_check=check,
        interval_parts=interval_names(field_settings(work.case)) if count else (),
        added=added,
        distinct_states=len(groups) * len(groups[0].places),
    )


def _log_memory(states: int) -> float:
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


def _effective(work: Sweeps, states: Sequence[Values], what: str) -> Array:
    """Effective speed (n,) of single states; NaN where one failed."""
    members: dict[tuple[tuple[str, float], ...], list[int]] = {}
    singles = [_single(work.case, state) for state in states]
    for k, single in enumerate(singles):
        members.setdefault(single.values, []).append(k)
    groups = [
        StateGroup(work.case, values, tuple(singles[k].places[0] for k in numbers))
        for values, numbers in members.items()
    ]
    tasks = [StateChain((group,)) for group in groups]
    outcome = work.run(compute_chain, tasks, list(map(_name, groups)), what, chunk_size=2)
    out = np.full(len(states), np.nan)
    for numbers, result in zip(members.values(), outcome.results, strict=True):
        if result is not None:
            out[numbers] = result["effective_speed"][0]
    return out


def _single(case: Case, state: Values) -> StateGroup:
    """The group of one state alone."""
    places = places_of(case, {name: (value,) for name, value in state.items()})
    return StateGroup(case, tuple(canonical(state).items()), places)


def _name(group: StateGroup) -> str:
    return f"{_state_name(group.values)} at {group.places}"


# --- states ---------------------------------------------------------------------------------------


@dataclass(frozen=True)
class StateGroup:
    """One traffic and air, and the places (n, 2) y, z in m wanted in it."""

    case: Case
    values: tuple[tuple[str, float], ...]
    places: tuple[tuple[float, float], ...]


def state_case(case: Case, values: Values) -> Case:
    """The case in another traffic and air; ``values`` by axis name, place axes ignored.

    One clock hour, that of the table. What ``values`` does not name is as in the case then.
    """
    if case.table is None:
        raise ValueError("the case has no table")
    hour = chosen_hour(case, case.table.hour)
    return replace(
        one_hour(case, hour), traffic=_traffic(case, values, hour), air=_air(case, values)
    )


def _traffic(case: Case, values: Values, hour: int) -> Traffic:
    traffic = case.traffic
    if traffic is None:
        raise ValueError("the case has no traffic")
    near = case.road.nearest_carriageway(case.mounts[0].offset_m).name
    now = {flow.carriageway: flow.hourly_veh_h[hour] for flow in traffic.flows}
    wanted = values.get("flow_veh_h", now.get(near, 0.0))
    split = values.get("direction_split")
    flows = []
    for flow in traffic.flows:
        if flow.carriageway == near:
            veh_h = wanted
        elif split is not None:
            veh_h = wanted * (1.0 - split) / split
        elif "flow_veh_h" not in values:
            veh_h = now[flow.carriageway]
        else:
            veh_h = wanted * now[flow.carriageway] / now[near] if now.get(near) else 0.0
        heavy = values.get("heavy_share", flow.heavy_share[hour])
        flows.append(replace(flow, hourly_veh_h=(veh_h,) * 24, heavy_share=(heavy,) * 24))
    faster = traffic.faster(case.road, values.get("speed_factor", 1.0))
    return replace(faster, flows=tuple(flows))


def _air(case: Case, values: Values) -> Air:
    keys = {"wind_speed_m_s": "speed_m_s", "wind_angle_deg": "angle_deg"}
    changes = {key: values[name] for name, key in keys.items() if name in values}
    return case.air.in_wind(case.air.wind, **changes) if changes else case.air


def canonical(values: Values) -> dict[str, float]:
    """Values of traffic and air in the form that equal states share: no direction of no wind,
    and no kind of no vehicles."""
    out = {name: float(value) for name, value in values.items() if name not in PLACE_AXES}
    if out.get("wind_speed_m_s") == 0.0 and "wind_angle_deg" in out:
        out["wind_angle_deg"] = 0.0
    if "wind_angle_deg" in out:
        out["wind_angle_deg"] %= 360.0
    if out.get("flow_veh_h") == 0.0:
        for name in _OF_VEHICLES:
            out.pop(name, None)
    return out


def places_of(case: Case, axes: Mapping[str, Sequence[float]]) -> tuple[tuple[float, float], ...]:
    """y and z of every place of the axes: across the road first, heights inside; m."""
    mount = case.mounts[0]
    heights = axes.get("height_m", (mount.height_m,))
    if "clearance_m" in axes:
        clearances, traffic = tuple(axes["clearance_m"]), case.lane_vehicles()
        offsets = offsets_of_clearances(clearances, mount, case.road, traffic)
    else:
        offsets = tuple(axes.get("offset_m", (mount.offset_m,)))
    return tuple((float(y), float(z)) for y, z in product(offsets, heights))


def state_groups(
    case: Case, axes: Mapping[str, Sequence[float]]
) -> tuple[list[StateGroup], NDArray[np.int64]]:
    """The groups to compute, and for each traffic and air of the table the number of its group.

    The second, (n,), runs over the product of the axes that are no place, in their order.
    """
    places = places_of(case, axes)
    others = {name: values for name, values in axes.items() if name not in PLACE_AXES}
    numbers: dict[tuple[tuple[str, float], ...], int] = {}
    index = []
    for combination in product(*others.values()):
        state = tuple(canonical(dict(zip(others, combination, strict=True))).items())
        index.append(numbers.setdefault(state, len(numbers)))
    groups = [StateGroup(case, state, places) for state in numbers]
    return groups, np.array(index, dtype=np.int64)


@dataclass(frozen=True)
class StateChain:
    """Groups in one wind, computed one after the other."""

    groups: tuple[StateGroup, ...]


def chains(groups: Sequence[StateGroup]) -> list[list[int]]:
    """Numbers of the groups of each task: some that are in one wind, in their order. The strongest
    crosswind, which takes longest, comes first."""
    found: dict[tuple[float, tuple[tuple[str, float], ...]], list[int]] = {}
    for number, group in enumerate(groups):
        wind = tuple((name, value) for name, value in group.values if name in _OF_WIND)
        found.setdefault((-_crossing(group), wind), []).append(number)
    out = []
    for key in sorted(found):
        out += [found[key][k : k + _CHAIN] for k in range(0, len(found[key]), _CHAIN)]
    return out


def _crossing(group: StateGroup) -> float:
    """Crosswind at 10 m height, m/s."""
    return abs(float(ambient_velocity(_air(group.case, dict(group.values)).wind, 10.0)[1]))


def state_after(
    group: StateGroup, start: RoadState | None
) -> tuple[dict[str, Array], RoadState | None]:
    """PLACE_VARIABLES (places,) of one traffic and air, and the road's mean air in it, looked for
    from ``start``, that of traffic and air like it, or None."""
    case = state_case(group.case, dict(group.values))
    return rotor_statistics_from(case, np.array(group.places), density_of(case.air), start)


def compute_chain(chain: StateChain) -> dict[str, Array]:
    """PLACE_VARIABLES (groups, places) of a chain."""
    found: list[dict[str, Array]] = []
    last: RoadState | None = None
    for group in chain.groups:
        values, last = state_after(group, last)
        found.append(values)
    return {name: np.array([values[name] for values in found]) for name in found[0]}


def _in_parts(
    work: Sweeps,
    function: Callable[[StateChain], dict[str, Array]],
    groups: Sequence[StateGroup],
    parts: list[list[int]],
    what: str,
    workers: int | None = None,
) -> list[dict[str, Array] | None]:
    """Values of every group from a function of chains, each of ``parts`` a task. The groups of a
    chain that fails are computed again one by one, so that one of them takes no other with it."""
    results: list[dict[str, Array] | None] = [None] * len(groups)
    while parts:
        tasks = [StateChain(tuple(groups[k] for k in numbers)) for numbers in parts]
        names = [_chain_name(task.groups) for task in tasks]
        told = len(work.failed)
        outcome = work.run(function, tasks, names, what, 1, workers)
        for numbers, result in zip(parts, outcome.results, strict=True):
            for place, k in enumerate(numbers):
                results[k] = result and {name: v[place] for name, v in result.items()}
        failed = [parts[failure.index] for failure in outcome.failures]
        if all(len(numbers) == 1 for numbers in parts):
            break
        del work.failed[told:]  # told of each state
        parts = [[k] for numbers in failed for k in numbers]
    return results


def _chain_name(groups: Sequence[StateGroup]) -> str:
    names = list(map(_name, groups))
    return names[0] if len(names) == 1 else f"{len(names)} states from {names[0]} to {names[-1]}"


def arrange(
    axes: Mapping[str, Sequence[float]],
    index: NDArray[np.int64],
    results: Sequence[Mapping[str, Array] | None],
) -> dict[str, Array]:
    """Arrays over all axes in their order; NaN where a group has no result."""
    names = list(next((r for r in results if r is not None), {}))
    across = [n for n in PLACE_AXES if n in axes]
    shape_places = tuple(len(axes[n]) for n in across)
    others = [n for n in axes if n not in PLACE_AXES]
    shape = (*shape_places, *(len(axes[n]) for n in others))
    count = int(np.prod(shape_places, dtype=int))
    out = {}
    for name in names:
        block = np.full((len(results), count), np.nan)
        for k, result in enumerate(results):
            if result is not None:
                block[k] = result[name]
        out[name] = np.ascontiguousarray(block[index].T.reshape(shape))
    return out


def table_of(case: Case) -> StateTable:
    """The case's [table]. Raises ValueError when it has none."""
    if case.table is None:
        raise ValueError("the case has no table")
    return case.table


# --- power ----------------------------------------------------------------------------------------


def _add_power(
    work: Sweeps,
    groups: Sequence[StateGroup],
    index: NDArray[np.int64],
    results: Sequence[dict[str, Array] | None],
) -> float | None:
    """Put the power coefficient (places,) into the results of the groups; the speed of the shaft of
    a rotor that is held at one."""
    from wakesim.energy.table_power import TablePower
    from wakesim.energy.year_power import compute_stretch

    states = [state_case(group.case, dict(group.values)) for group in groups]
    factor = np.array([dict(group.values).get("speed_factor", 1.0) for group in groups])
    count = np.bincount(index, minlength=len(groups))
    power = TablePower(work.case, states, factor, count, np.array(groups[0].places))
    tasks, shaft = power.tasks(), power.shaft_speed_rad_s
    names = [
        f"{_state_name(groups[s.state].values)}{' without vehicles' if s.alone else ''}"
        for s in power.stretches
    ]
    workers = free_processors() if len(tasks) > 2 else None
    outcome = work.run(compute_stretch, tasks, names, "stretches", 1, workers)
    missing = np.full(len(groups[0].places), np.nan)
    cube = np.array([missing if r is None else r["effective_speed"] ** 3 for r in results])
    mean = np.array([missing if r is None else r["rotor_mean"] for r in results])
    found = power.coefficient(outcome.results, cube, mean)
    for result, coefficient in zip(results, found, strict=True):
        if result is not None:
            result["power_coefficient"] = coefficient
    return shaft


# --- model interval and check ---------------------------------------------------------------------


def compute_intervals(chain: StateChain) -> dict[str, Array]:
    """How far the ends of the model interval lie below and above the effective speed, m/s, of each
    group of a chain: (groups, places)."""
    many = [
        moved_at(state_case(group.case, dict(group.values)), np.array(group.places))
        for group in chain.groups
    ]
    base = np.array([moved.effective_speed() for moved in many])
    found = [(item.name, np.array(speeds)) for item, _, speeds in all_of_many(many)]
    low, high = ends(base, found)
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
    groups, index = state_groups(work.case, few)
    tests = random_states(axes, _INTERVAL_CHECKS)
    test_groups = [_single(work.case, state) for state in tests]
    count, every = len(groups), [*groups, *test_groups]
    parts = [list(range(k, min(k + _TOGETHER, count))) for k in range(0, count, _TOGETHER)]
    parts.append(list(range(count, len(every))))
    workers = free_processors() if len(parts) > 2 else None
    results = _in_parts(work, compute_intervals, every, parts, "model interval", workers)
    found = arrange(few, index, results[:count])
    if not found:
        return {}, 0, (np.nan, np.nan)
    linear = [Linear.of(name, values) for name, values in few.items()]
    table = [Axis.of(name, values) for name, values in axes.items()]
    coarse = on_grid(table, effective, _calm(axes, few))
    shares = {
        side: np.divide(found[side], coarse, out=np.zeros_like(coarse), where=coarse != 0.0)
        for side in ("below", "above")
    }
    calm = on_grid(table, effective, _calm(axes, axes))
    below, above = (on_grid(linear, shares[side], axes) * calm for side in ("below", "above"))
    ends = {"model_low": np.maximum(effective - below, 0.0), "model_high": effective + above}
    misses = []
    for state, result in zip(tests, results[count:], strict=True):
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


def _calm(axes: Axes, at: Mapping[str, Any]) -> dict[str, Any]:
    """The same states in the lowest wind of the table."""
    if "wind_speed_m_s" not in axes:
        return dict(at)
    lowest = np.full(np.shape(at["wind_speed_m_s"]), axes["wind_speed_m_s"][0])
    return {**at, "wind_speed_m_s": lowest}


def _interval_values(name: str, values: tuple[float, ...]) -> tuple[float, ...]:
    """Values of an axis at which the model interval is computed; some vehicles drive in all."""
    if name == "flow_veh_h" and len(values) > 1 and values[0] == 0.0:
        values = values[1:]
    most = _INTERVAL_VALUES.get(name, 2)
    if most == 1:
        return (values[len(values) // 2],)
    picks = np.linspace(0, len(values) - 1, min(most, len(values))).round().astype(int)
    return tuple(values[k] for k in picks)


def _light(axes: Axes) -> Axes | None:
    """The axes with the light winds of the table alone; None where it has none, or one wind."""
    winds = axes.get("wind_speed_m_s", ())
    if not winds:
        return None
    low, high = (float(np.clip(end, winds[0], winds[-1])) for end in _LIGHT_WIND_M_S)
    return {**axes, "wind_speed_m_s": (low, high)} if low < high else None


def _interpolation_check(
    work: Sweeps, axes: Axes, variables: Mapping[str, Array], within: Axes | None = None
) -> InterpolationCheck | None:
    """Interpolated against computed effective speed at random states between the table's, or
    ``within`` some of its axes' range."""
    if "effective_speed" not in variables or all(len(v) == 1 for v in axes.values()):
        return None
    states = random_states(within or axes, _CHECK_STATES, _ALIKE)
    what = "check of the interpolation"
    exact = _effective(work, states, what if within is None else f"{what} in light wind")
    at = {name: np.array([s[name] for s in states]) for name in axes}
    table = [Axis.of(name, values) for name, values in axes.items()]
    error = relative_error(interpolate(table, variables["effective_speed"], at), exact)
    error = error[np.isfinite(error)]
    if not error.size:
        return None
    return InterpolationCheck(
        error.size, float(np.median(error)), float(np.quantile(error, 0.9)), float(error.max())
    )
