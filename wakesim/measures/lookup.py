"""The states of a lookup table, as tasks for a sweep.

A state is a place (offset or clearance, height) in one traffic and air (flow, heavy share, speeds,
wind, split between directions). All places of one traffic and air are one task: they share the
drift and the wakes. States that are the same air (any direction of no wind) are computed once.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from wakesim.air.density import air_density
from wakesim.arrays import Array
from wakesim.case.air import OPEN_LAND, Air
from wakesim.case.mounts import offsets_of_clearances
from wakesim.case.schema import Case
from wakesim.case.studies import PLACE_AXES, LookupTableTable
from wakesim.case.traffic import Traffic
from wakesim.measures.places import chosen_hour, one_hour, rotor_statistics
from wakesim.traffic.point_statistics import pulse_fields
from wakesim.traffic.scene import field_settings

Values = Mapping[str, float]


@dataclass(frozen=True)
class StateGroup:
    """One traffic and air, and the places (n, 2) y, z in m wanted in it."""

    case: Case
    values: tuple[tuple[str, float], ...]
    places: tuple[tuple[float, float], ...]


def density_of(case: Case) -> float:
    """Density of the case's air, kg/m3."""
    air = case.air
    return float(
        air_density(
            temperature_c=air.temperature_c,
            pressure_pa=air.pressure_pa,
            altitude_m=air.altitude_m,
            relative_humidity=air.relative_humidity,
        )
    )


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
    if "wind_speed_m_s" not in values and "wind_angle_deg" not in values:
        return case.air
    wind = case.air.wind or OPEN_LAND
    wind = replace(
        wind,
        speed_m_s=values.get("wind_speed_m_s", wind.speed_m_s),
        angle_deg=values.get("wind_angle_deg", wind.angle_deg),
    )
    still = wind.speed_m_s == 0.0
    return replace(case.air, still=still, wind=None if still else wind)


def canonical(values: Values) -> dict[str, float]:
    """Values of traffic and air in the form that equal states share."""
    out = {name: float(value) for name, value in values.items() if name not in PLACE_AXES}
    if out.get("wind_speed_m_s") == 0.0 and "wind_angle_deg" in out:
        out["wind_angle_deg"] = 0.0
    if "wind_angle_deg" in out:
        out["wind_angle_deg"] %= 360.0
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


def compute_group(group: StateGroup) -> dict[str, Array]:
    """Quantities of the group ``state`` (places,) of one traffic and air."""
    case = state_case(group.case, dict(group.values))
    pulses = pulse_fields(field_settings(case))
    return rotor_statistics(case, np.array(group.places), density_of(case), pulses=pulses)


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


def table_of(case: Case) -> LookupTableTable:
    """The case's [table]. Raises ValueError when it has none."""
    if case.table is None:
        raise ValueError("the case has no table")
    return case.table
