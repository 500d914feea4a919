"""Single passes: the signature of one vehicle at a mount, velocity over time."""

from __future__ import annotations

import time

import numpy as np

from wakesim import constants
from wakesim.air.profiles import ambient_velocity
from wakesim.arrays import Array
from wakesim.case.mounts import Mount
from wakesim.case.schema import Case
from wakesim.measures.results import Signature
from wakesim.progress import Progress, span
from wakesim.results import MountResult, Result
from wakesim.studies.grid import common
from wakesim.studies.registry import Options, study
from wakesim.traffic.lines import FieldSettings, LaneView, air_relative_speed
from wakesim.traffic.scene import field_settings
from wakesim.vehicle.finite_height import finite_height_relief
from wakesim.vehicle.outlines import vehicle_outline
from wakesim.vehicle.panels2d import VortexOutline
from wakesim.vehicle.passfield import PassField, pass_field
from wakesim.vehicle.wake import SHARE_U

_STEP_S = 0.01
_BEFORE_S = 2.0
_PULSE_REACH_M = 100.0  # the displacement flow is neglected farther from nose and tail
_PLANE_GAP_M = 0.2  # nearer to the side than this, or above the vehicle, no relief is given
_PLANE_CORNER = constants.PLANE_CORNER_RADIUS.value
_PLANE_REACH_M, _PLANE_STEP_M = 40.0, 0.1
_UNKNOWN_SPEED_M_S = constants.UNKNOWN_SPEED_M_S.value  # of a class without a speed of its own
_NOTICEABLE = 0.1  # duration counts speeds above this share of the peak


@study("single_pass")
def single_pass(case: Case, options: Options, progress: Progress) -> Result:
    """One pass of each vehicle that the case names, at every mount."""
    began = time.perf_counter()
    count = len(case.mounts)
    mounts = [
        passes_at(case, mount, span(progress, k / count, (k + 1) / count, mount.name))
        for k, mount in enumerate(case.mounts)
    ]
    return Result(
        **common(case, began),
        mounts=tuple(mounts),
        rounds=1,
        simulated_s=0.0,
        passes_total=0,
        tolerance_met=True,
    )


def passes_at(case: Case, mount: Mount, progress: Progress) -> MountResult:
    """One signature for each vehicle the case names, in its lane and at its speed."""
    wanted = case.single_pass
    if wanted is None:
        raise ValueError("the case has no single pass")
    lane = case.road.lanes[wanted.lane_index]
    settings = field_settings(case)
    found = []
    for k, name in enumerate(wanted.vehicles):
        vehicle = case.vehicles[name]
        speed = wanted.speed_m_s or vehicle.mean_speed_m_s or _UNKNOWN_SPEED_M_S
        along, across = ambient_velocity(case.air.wind, 0.5 * vehicle.height_m)
        view = LaneView(
            vehicle, lane.centre_m, lane.direction, speed, 0.0, float(along), float(across)
        )
        found.append(signature(view, lane.name, mount, settings))
        progress((k + 1) / len(wanted.vehicles), vehicle.label)
    return MountResult(mount, tuple(found), None, case.mount_warnings.get(mount.name, ()))


def signature(
    view: LaneView,
    lane_name: str,
    mount: Mount,
    settings: FieldSettings,
    speed_m_s: float | None = None,
) -> Signature:
    """Signature at the centre of the swept rectangle, vehicle on its lane's centreline.

    Straight from the pass field, without the interpolated lines of the traffic superposition.
    ``speed_m_s`` defaults to the class's mean. The clearance is the shortest distance from the
    vehicle's outline in cross-section to the centre of the rectangle.
    """
    vehicle, s = view.vehicle, view.direction
    speed = view.mean_speed_m_s if speed_m_s is None else speed_m_s
    relative = float(air_relative_speed(speed, s, view.wind_along_m_s))
    wall = mount.wall_offset_m
    field = pass_field(
        vehicle,
        constants=settings.constants,
        air=settings.air_state(view, relative),
        open_tail=settings.open_tail,
        wall_lateral_m=None if wall is None else s * (wall - view.lane_centre_m),
    )
    at = np.arange(-round(_BEFORE_S / _STEP_S), round(settings.wake_memory_s / _STEP_S) + 1)
    at = at * _STEP_S
    lateral = s * (mount.offset_m - view.lane_centre_m)
    points = np.column_stack(
        [-speed * at, np.full(at.size, lateral), np.full(at.size, mount.height_m)]
    )
    pulse = _pulse(field, points) * relative
    wake_u = s * field.wake(points)[:, 0] * relative
    sigma = relative * np.sqrt(2.0 * SHARE_U * field.turbulence(points))
    pulse[:, :2] *= s
    u, v, w = pulse[:, 0] + wake_u, pulse[:, 1], pulse[:, 2]
    horizontal = np.hypot(u, v)
    # horizontal mean speed with the turbulence added as in the cubed mean, E(U + u')^3
    cube = horizontal**3 + 3.0 * horizontal * sigma**2
    peak = float(horizontal.max())
    return Signature(
        vehicle=vehicle.name,
        label=vehicle.label,
        lane=lane_name,
        speed_m_s=float(speed),
        clearance_m=clearance(view, mount),
        time_s=at,
        u_m_s=u,
        v_m_s=v,
        w_m_s=w,
        pulse_u_m_s=pulse[:, 0],
        wake_u_m_s=wake_u,
        sigma_m_s=sigma,
        int_u_dt_m=float(u.sum() * _STEP_S),
        int_speed2_dt_m2_s=float(np.sum(horizontal**2 + sigma**2) * _STEP_S),
        int_speed3_dt_m3_s2=float(cube.sum() * _STEP_S),
        peak_m_s=peak,
        duration_s=float(np.count_nonzero(horizontal > _NOTICEABLE * peak) * _STEP_S),
        **_relief(field, lateral, mount),
    )


def _relief(field: PassField, lateral_m: float, mount: Mount) -> dict[str, float]:
    """Finite-height relief of the pulse, where the plan plane has an answer at all."""
    vehicle = field.vehicle
    if abs(lateral_m) < 0.5 * vehicle.width_m + _PLANE_GAP_M:
        return {}
    shorter = min(vehicle.width_m, vehicle.length_m)
    outline = vehicle_outline(vehicle.length_m, vehicle.width_m, _PLANE_CORNER * shorter)
    plane = VortexOutline([outline], wall_y=field.hull.wall_y)
    x = np.arange(-vehicle.length_m - _PLANE_REACH_M, _PLANE_REACH_M, _PLANE_STEP_M)
    relief = finite_height_relief(field.displacement, plane.velocity, lateral_m, mount.height_m, x)
    return {"relief_peak": relief.peak_ratio, "relief_cube": relief.cube_ratio}


def clearance(view: LaneView, mount: Mount) -> float:
    """Shortest distance from the vehicle's cross-section to the centre of the rectangle, m."""
    vehicle = view.vehicle
    aside = abs(mount.offset_m - view.lane_centre_m) - 0.5 * vehicle.width_m
    above = mount.height_m - vehicle.height_m
    return float(np.hypot(max(aside, 0.0), max(above, 0.0)))


def _pulse(field: PassField, points: Array) -> Array:
    out = np.zeros((points.shape[0], 3))
    x = points[:, 0]
    near = (x < _PULSE_REACH_M) & (x > -field.vehicle.length_m - _PULSE_REACH_M)
    out[near] = field.displacement(points[near])
    return out
