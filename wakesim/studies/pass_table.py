"""What single passes do to the air, over class, speed, clearance and height.

Of the velocity at a point while one vehicle passes, with nothing else moving the air: the time
integrals of u, of the mean square and of the mean cube, the peak and the duration, defined as in
``signature``. The displacement flow is frozen in the vehicle's frame and scales with the speed V
through the air, u = V f(X), so one line of it serves all speeds:

    int u dt = int f dX V/V_road,  int |u|^2 dt = V^2/V_road int |f|^2 dX,  and so on.

Sums of the first and third over all passes of an hour are what a traffic program needs: of
independent passes they give the mean and the third cumulant (Campbell 1909).
"""

from __future__ import annotations

import time
from dataclasses import dataclass

import numpy as np

from wakesim.air.profiles import ambient_velocity
from wakesim.arrays import Array
from wakesim.case.schema import Case
from wakesim.case.vehicle import Vehicle
from wakesim.progress import Progress
from wakesim.quantities import variables
from wakesim.results import PassTableResult
from wakesim.studies.grid import common_of_many, sweeps
from wakesim.studies.registry import Options, study
from wakesim.traffic.lines import FieldSettings, LaneView, air_relative_speed
from wakesim.traffic.scene import field_settings
from wakesim.vehicle.passfield import PassField, pass_field
from wakesim.vehicle.wake import SHARE_U

_PULSE_REACH_M = 100.0  # as in signature
_BEFORE_S = 2.0
_FINE_M, _FINE_REACH_M, _GROWTH, _COARSE_M = 0.1, 12.0, 1.04, 2.0
_NOTICEABLE = 0.1  # duration counts speeds above this share of the peak

PASS_VARIABLES = tuple(variables("pass_state"))


@study("single_pass_table")
def pass_table(case: Case, options: Options, progress: Progress) -> PassTableResult:
    """Every class, speed, clearance and height of [pass_table]."""
    began = time.perf_counter()
    table = case.pass_table
    if table is None:
        raise ValueError("the case has no pass table")
    speeds, heights = table.speed_m_s or (), tuple(table.height_m)
    rows = [
        PassRow(case, name, clearance, heights, speeds)
        for name in case.vehicles
        for clearance in table.clearance_m
    ]
    names = [f"{row.vehicle} at {row.clearance_m:g} m" for row in rows]
    with sweeps(case, options, progress) as work:
        outcome = work.run(pass_row, rows, names, "passes", chunk_size=2)
    empty = {name: np.full((len(speeds), len(heights)), np.nan) for name in PASS_VARIABLES}
    shape = (len(case.vehicles), len(table.clearance_m), len(speeds), len(heights))
    found = {
        name: np.ascontiguousarray(
            np.stack([(r or empty)[name] for r in outcome.results])
            .reshape(shape)
            .transpose(0, 2, 1, 3)
        )
        for name in PASS_VARIABLES
    }
    return PassTableResult(
        **common_of_many(case, began, work),
        classes=tuple(case.vehicles),
        speed_m_s=speeds,
        clearance_m=tuple(table.clearance_m),
        height_m=heights,
        variables=found,
    )


@dataclass(frozen=True)
class PassRow:
    """One class at one clearance: what a task of the table computes."""

    case: Case
    vehicle: str
    clearance_m: float
    heights_m: tuple[float, ...]
    speeds_m_s: tuple[float, ...]


def pass_row(row: PassRow) -> dict[str, Array]:
    """Every variable of PASS_VARIABLES, shape (speeds, heights)."""
    settings = field_settings(row.case)
    vehicle = row.case.vehicles[row.vehicle]
    lateral = 0.5 * vehicle.width_m + row.clearance_m
    along, across = ambient_velocity(row.case.air.wind, 0.5 * vehicle.height_m)
    fastest = max(row.speeds_m_s)
    x = line_nodes(vehicle.length_m, fastest * _BEFORE_S, fastest * settings.wake_memory_s)
    out = {name: np.zeros((len(row.speeds_m_s), len(row.heights_m))) for name in PASS_VARIABLES}
    for j, height in enumerate(row.heights_m):
        points = np.column_stack([x, np.full(x.size, lateral), np.full(x.size, height)])
        pulse: Array | None = None
        for i, speed in enumerate(row.speeds_m_s):
            view = LaneView(vehicle, 0.0, 1, speed, 0.0, float(along), float(across))
            field = _field(vehicle, settings, view)
            if pulse is None:
                pulse = _pulse(field, points)
            values = _measures(field, points, pulse, speed, view, settings)
            for name, value in values.items():
                out[name][i, j] = value
    return out


def line_nodes(length_m: float, ahead_m: float, behind_m: float) -> Array:
    """X of the nodes (falling): fine near nose and tail, coarser far off."""
    steps, reach = [_FINE_M], _FINE_REACH_M
    while reach < max(ahead_m, behind_m, _PULSE_REACH_M):
        steps.append(min(steps[-1] * _GROWTH, _COARSE_M))
        reach += steps[-1]
    outer = _FINE_REACH_M + np.cumsum(steps)
    inner = np.arange(-_FINE_REACH_M, length_m + _FINE_REACH_M + _FINE_M, _FINE_M)
    x = np.concatenate([-outer[::-1], inner, inner[-1] + outer - _FINE_REACH_M])
    return -x[(x >= -ahead_m) & (x <= max(behind_m, length_m + _FINE_REACH_M))]


def _field(vehicle: Vehicle, settings: FieldSettings, view: LaneView) -> PassField:
    relative = view.relative_speed_m_s
    air = settings.air_state(view, relative)
    return pass_field(vehicle, constants=settings.constants, air=air, open_tail=settings.open_tail)


def _pulse(field: PassField, points: Array) -> Array:
    out = np.zeros((points.shape[0], 2))
    x = points[:, 0]
    near = (x < _PULSE_REACH_M) & (x > -field.vehicle.length_m - _PULSE_REACH_M)
    out[near] = field.displacement(points[near])[:, :2]
    return out


def _measures(
    field: PassField,
    points: Array,
    pulse: Array,
    speed: float,
    view: LaneView,
    settings: FieldSettings,
) -> dict[str, float]:
    x = points[:, 0]
    used = (x <= speed * _BEFORE_S) & (x >= -speed * settings.wake_memory_s)
    relative = float(air_relative_speed(speed, 1, view.wind_along_m_s))
    wake = field.wake(points[used])[:, 0]
    u = relative * (pulse[used, 0] + wake)
    v = relative * pulse[used, 1]
    variance = relative**2 * 2.0 * SHARE_U * field.turbulence(points[used])
    time = -x[used] / speed
    horizontal = np.hypot(u, v)
    peak = float(horizontal.max())
    cube = horizontal**3 + 3.0 * horizontal * variance
    return {
        "int_u_dt": float(np.trapezoid(u, time)),
        "int_speed2_dt": float(np.trapezoid(horizontal**2 + variance, time)),
        "int_speed3_dt": float(np.trapezoid(cube, time)),
        "peak": peak,
        "duration": _time_above(horizontal, _NOTICEABLE * peak, time),
    }


def _time_above(values: Array, level: float, time: Array) -> float:
    """Time during which a piecewise linear signal is above a level."""
    low = np.minimum(values[:-1], values[1:]) - level
    high = np.maximum(values[:-1], values[1:]) - level
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(low >= 0.0, 1.0, np.where(high > 0.0, high / (high - low), 0.0))
    return float(np.sum(share * np.diff(time)))
