"""The scene of a mount as a passing log has it: its own classes, speeds and flows."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from wakesim.air.profiles import ambient_velocity
from wakesim.arrays import Array
from wakesim.case.mounts import Mount
from wakesim.case.schema import Case
from wakesim.errors import CaseError
from wakesim.traffic.lines import LaneView
from wakesim.traffic.scene import Scene, prepare_scene
from wakesim.traffic.stream import Passes
from wakesim.traffic.superpose import view_table

_POINT_M = 0.01  # lines are interpolated over a width, which must not be zero


def point_mount(mount: Mount) -> Mount:
    """The mount with its swept rectangle shrunk to its centre: where an anemometer stands."""
    return mount.model_copy(update={"rotor_width_m": _POINT_M, "rotor_height_m": 0.0})


def stretch_of(time_s: Array, span: tuple[float, float], count: int) -> NDArray[np.int64]:
    """Number of the stretch of the log, of at most an hour each, at times (n,)."""
    length = max((span[1] - span[0]) / count, 1e-9)
    index = np.floor((np.asarray(time_s) - span[0]) / length).astype(np.int64)
    return np.clip(index, 0, count - 1)


def logged_scene(case: Case, mount: Mount, passes: Passes, span: tuple[float, float]) -> Scene:
    """The mount's centre with the classes, speeds and flows of the log instead of the case's.

    The flows that make the drift are those of stretches of the log of at most an hour.
    """
    if case.traffic is None:
        raise CaseError(f'{case.path}: study = "{case.study}": a record needs a traffic study')
    scene = prepare_scene(case, point_mount(mount))
    vehicles = list(case.vehicles.values())
    stretches = max(1, math.ceil((span[1] - span[0]) / 3600.0 - 0.01))
    hour = stretch_of(passes.time_s, span, stretches)
    length = max((span[1] - span[0]) / stretches, 1.0)
    inside = (passes.time_s >= span[0]) & (passes.time_s <= span[1])
    keys, views, rates = [], [], []
    for lane, kind in sorted(set(zip(passes.lane.tolist(), passes.vehicle.tolist(), strict=True))):
        mine = (passes.lane == lane) & (passes.vehicle == kind)
        speed, road = passes.speed_m_s[mine], case.road.lanes[lane]
        along, across = ambient_velocity(case.air.wind, 0.5 * vehicles[kind].height_m)
        keys.append((lane, kind))
        views.append(
            LaneView(
                vehicle=vehicles[kind],
                lane_centre_m=road.centre_m,
                direction=road.direction,
                mean_speed_m_s=float(speed.mean()),
                speed_sd_m_s=float(speed.std()),
                wind_along_m_s=float(along),
                wind_across_m_s=float(across),
            )
        )
        rates.append(np.bincount(hour[mine & inside], minlength=stretches) / length)
    return replace(
        scene,
        keys=tuple(keys),
        views=tuple(views),
        view_of=view_table(len(case.road.lanes), len(vehicles), keys),
        rates_per_s=np.array(rates).T,
    )
