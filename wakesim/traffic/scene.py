"""What a mount sees of a case: rotor points, wind, classes in lanes; and the draws of a round."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from wakesim import constants
from wakesim.air.noise import von_karman_noise
from wakesim.air.profiles import ambient_at, ambient_velocity, friction_velocity, wind_speed
from wakesim.arrays import Array
from wakesim.case.mounts import Mount
from wakesim.case.schema import Case
from wakesim.section.closure import VON_KARMAN
from wakesim.traffic.lines import (
    LONGEST_MEMORY_S,
    FieldSettings,
    LaneView,
    LineLibrary,
    build_library,
    followed_s,
)
from wakesim.traffic.stream import Passes, draw_passes, join_passes
from wakesim.traffic.superpose import view_table
from wakesim.vehicle.wake import TURBULENCE_TIME_S

_ROUNDING_S = 1e-6
_WAKE_HEIGHT_M = constants.WIND_MIXING_HEIGHT_M.value
_PASSES_KEY, _NOISE_KEY = 0, 1  # branches of the seed
_AMBIENT_LENGTH_PER_HEIGHT = constants.AMBIENT_LENGTH_HEIGHTS.value


@dataclass(frozen=True)
class Scene:
    """A mount prepared for a case: rotor points, ambient wind there, every class in every lane."""

    case: Case
    mount: Mount
    points: Array  # (9, 2) y, z
    weights: Array  # (9,)
    ambient: Array  # (9, 2) m/s
    ambient_sd: Array  # (9,) m/s
    ambient_time_s: float
    keys: tuple[tuple[int, int], ...]  # (lane, vehicle) of each view
    views: tuple[LaneView, ...]
    view_of: NDArray[np.int64]  # (lanes, vehicles)
    rates_per_s: Array  # (hours, views) passes of each view in each hour of the round


def field_settings(case: Case) -> FieldSettings:
    """Settings of the pass fields that the case asks for."""
    model = case.model
    return FieldSettings(
        constants=model.constants,
        open_tail=model.open_tail,
        wake_memory_s=wake_memory(case),
        memory_by_hour=memory_by_hour(case),
        wander_sd_m=case.traffic.wander_sd_m if case.traffic else 0.0,
        own_diffusivity_m2_s=case.air.eddy_diffusivity_m2_s,
        ambient_diffusivity_m2_s=VON_KARMAN * wind_friction_velocity(case) * _WAKE_HEIGHT_M,
    )


def prepare_scene(case: Case, mount: Mount) -> Scene:
    """Rotor points, ambient wind and views of one mount."""
    points, weights = mount.points()
    ambient, ambient_sd = ambient_at(case.air.wind, points[:, 1])
    hub = float(wind_speed(case.air.wind, mount.height_m)) if case.air.wind else 0.0
    keys, views, rates = case_views(case, case.compute.hours)
    return Scene(
        case=case,
        mount=mount,
        points=points,
        weights=weights,
        ambient=ambient,
        ambient_sd=ambient_sd,
        ambient_time_s=_AMBIENT_LENGTH_PER_HEIGHT * mount.height_m / max(hub, 0.1),
        keys=tuple(keys),
        views=views,
        view_of=view_table(len(case.road.lanes), len(case.vehicles), keys),
        rates_per_s=rates,
    )


def wind_friction_velocity(case: Case) -> float:
    """Friction velocity of the ambient wind, m/s."""
    wind = case.air.wind
    if wind is None:
        return 0.0
    rough = wind.roughness_m if wind.profile == "log" else case.air.drift.roughness_verge_m
    displacement = wind.displacement_m if wind.profile == "log" else 0.0
    return friction_velocity(wind.speed_m_s, wind.reference_height_m, rough, displacement)


def busiest_hour(case: Case) -> int:
    """The clock hour with most vehicles on all carriageways."""
    flows = [float(case.traffic_state(hour).flow_veh_s.sum()) for hour in range(24)]
    return int(np.argmax(flows))


def chosen_hour(case: Case, hour: int | str) -> int:
    """A clock hour, or the busiest one."""
    return busiest_hour(case) if isinstance(hour, str) else hour


def one_hour(case: Case, hour: int, mount: Mount | None = None) -> Case:
    """The case reduced to one clock hour, and to one mount."""
    compute = case.compute.model_copy(update={"start_hour": hour, "duration_h": 1.0})
    return replace(case, compute=compute, mounts=(mount or case.mounts[0],))


def wake_memory(case: Case) -> float:
    """How long single wakes are followed, s: as the case says, or twenty headways of the road.

    What is left of a wake after as many others have come is part of the mean for any measure, and
    the mean does not depend on it (``traffic.mean_air``). Of a case of several hours it is a mean;
    each hour has its own where the case says nothing.
    """
    if case.model.wake_memory_s is not None:
        return case.model.wake_memory_s
    if case.traffic is None:
        return LONGEST_MEMORY_S
    flows = np.array([case.traffic_state(h).flow_veh_s.sum() for h in case.compute.hours])
    return followed_s(flows)


def memory_by_hour(case: Case) -> bool:
    """Whether each hour has its own time for which wakes are followed: where the case says nothing
    and has the mean air that takes over from them."""
    found = case.traffic is not None and case.air.drift.enabled
    return found and case.model.wake_memory_s is None


def case_views(
    case: Case, hours: Sequence[int]
) -> tuple[list[tuple[int, int]], tuple[LaneView, ...], Array]:
    """Every class that drives in a lane in any of the clock hours: keys (lane, vehicle), views,
    and passes per second (hours, views)."""
    states = [case.traffic_state(hour) for hour in hours]
    vehicles = list(case.vehicles.values())
    flows = [s.flow_veh_s[:, None] * s.mix for s in states]
    keys, views, rates = [], [], []
    for lane in case.road.lanes:
        for j, vehicle in enumerate(vehicles):
            passes = [flow[lane.index, j] for flow in flows]
            used = [s for s, rate in zip(states, passes, strict=True) if rate > 0.0]
            if not used:
                continue
            rates.append(passes)
            along, across = ambient_velocity(case.air.wind, 0.5 * vehicle.height_m)
            keys.append((lane.index, j))
            views.append(
                LaneView(
                    vehicle=vehicle,
                    lane_centre_m=lane.centre_m,
                    direction=lane.direction,
                    mean_speed_m_s=float(used[0].mean_speed_m_s[lane.index, j]),
                    speed_sd_m_s=float(used[0].speed_sd_m_s[lane.index, j]),
                    wind_along_m_s=float(along),
                    wind_across_m_s=float(across),
                )
            )
    return keys, tuple(views), np.array(rates).reshape(len(views), len(states)).T


def scene_lines(
    scene: Scene,
    settings: FieldSettings,
    viscosity_m2_s: Array,
    cache: dict[tuple[object, ...], Array] | None = None,
    memory_s: Array | None = None,
) -> LineLibrary:
    """Lines of all views of the scene in air of each eddy viscosity (n,), followed for ``memory_s``
    (n,) each (by default as the settings say); ``cache`` keeps the panel part between calls."""
    return build_library(
        scene.views, scene.points, settings, scene.mount.wall_offset_m, cache, viscosity_m2_s,
        memory_s,
    )  # fmt: skip


def draw_round(case: Case, number: int, before_s: float) -> Passes:
    """All passes of one round, with ``before_s`` seconds of traffic ahead of its start."""
    traffic = case.traffic
    if traffic is None:
        raise ValueError("the case has no traffic")
    vehicles = list(case.vehicles.values())
    total = 3600.0 * case.compute.duration_h
    parts, starts = [], []
    for k, hour in enumerate(case.compute.hours):
        begin = 3600.0 * k - (before_s if k == 0 else 0.0)
        end = min(3600.0 * (k + 1), total)
        seed = np.random.SeedSequence(traffic.seed, spawn_key=(number, _PASSES_KEY, k))
        state = case.traffic_state(hour)
        passes = draw_passes(
            state, case.road.lanes, vehicles, traffic.headway, traffic.wander_sd_m,
            traffic.drafting, end - begin, seed,
        )  # fmt: skip
        parts.append(passes)
        starts.append(begin)
    return join_passes(parts, starts)


def round_noise(scene: Scene, number: int, samples: int) -> tuple[Array, Array]:
    """Unit-variance noise (samples, 2) of wake turbulence and of ambient turbulence."""
    case = scene.case
    seed = case.traffic.seed if case.traffic else 0
    dt = 1.0 / case.compute.sample_rate_hz
    index = next(i for i, m in enumerate(case.mounts) if m.name == scene.mount.name)
    rng = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(number, _NOISE_KEY, index)))

    def pair(time_s: float) -> Array:
        out = np.empty((samples, 2))
        for component in range(2):  # one at a time: a day is 14 MB each
            out[:, component] = von_karman_noise(samples, dt, time_s, rng)
        return out

    wake = pair(TURBULENCE_TIME_S)
    if not scene.ambient_sd.any():
        return wake, np.zeros((samples, 2))
    return wake, pair(scene.ambient_time_s)


def hour_of(scene: Scene, time_s: Array | float) -> NDArray[np.int64]:
    """Number of the round's hour at times from its start, s; the first hour before it.

    A time is allowed to miss the full hour by rounding, as a multiple of a sampling step may.
    """
    last = len(scene.case.compute.hours) - 1
    hour = np.floor((np.asarray(time_s, dtype=np.float64) + _ROUNDING_S) / 3600.0)
    return np.clip(hour.astype(np.int64), 0, last)


def with_drag(scene: Scene, passes: Passes, factor: Array) -> Passes:
    """Passes with their wakes reduced by ``factor`` (hours, views)."""
    view = scene.view_of[passes.lane, passes.vehicle]
    reduced = passes.wake_factor * factor[hour_of(scene, passes.time_s), view]
    return replace(passes, wake_factor=reduced)
