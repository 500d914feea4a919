"""Bounds on the energy beside a road, at a mount of a case, and what it costs the traffic.

Two are laws that no rotor design can pass.

Betz 1920: at most 16/27 of the kinetic energy flux 1/2 rho v^3 through the swept area; for an
uneven wind the flux is that of the effective speed.

Drag work: a vehicle spends D = 1/2 rho C_D A_f V^2 newtons, that is joules per metre of road, on
the air, once each pass. Passes at the rates q_k give the power per metre of road sum q_k D_k. All
of it ends in the air and nothing else feeds traffic air, so rotors along a road can never have
more of it.

The third is an order of size. Wake energy at the mount: what a wake holds at the age t beyond the
lateral distance b is

    E(b, t) = integral over y > b, z > 0 of 1/2 rho V^2 (U^2 + 2 k) dy dz   (J per metre of road),

U and k the mean velocity and turbulent energy of the wake per unit speed. Its
largest value over t, times the rate, is what single wakes ever bring past b in each metre of road.
Where wakes overlap their velocities add, so that together, and in the drift they leave, they hold
more than that sum. The pulse of the hull is potential flow: it lends energy and takes it back, and
is not part of it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from wakesim import constants
from wakesim.arrays import Array
from wakesim.case.energy import BETZ

if TYPE_CHECKING:
    from wakesim.case.mounts import Mount
    from wakesim.case.schema import Case
    from wakesim.traffic.lines import FieldSettings, LaneView
    from wakesim.vehicle.wake import Wake

HOURS_A_YEAR = 8766.0  # mean of the calendar, 365.25 days
DIESEL_KWH_PER_LITRE = constants.DIESEL_KWH_PER_LITRE.value
ENGINE_EFFICIENCY = constants.ENGINE_EFFICIENCY.value
ELECTRIC_EFFICIENCY = constants.ELECTRIC_EFFICIENCY.value

_LATERAL_POINTS, _UPWARD_POINTS, _AGE_POINTS = 48, 32, 24
DEFAULT_SPACING_M = 10.0  # of rotors along the road where the case has no row
_LANE_REACH_M = 40.0  # over its own lane all of a wake counts
_REACH_WIDTHS = 6.0  # standard deviations of the wake that the integrals cover


def kinetic_flux(speed_m_s: ArrayLike, density_kg_m3: float) -> Array:
    """Kinetic energy flux 1/2 rho v^3 through a square metre, W/m2, shape of ``speed_m_s``."""
    return 0.5 * density_kg_m3 * np.asarray(speed_m_s, dtype=np.float64) ** 3


def betz_power(effective_speed_m_s: float, density_kg_m3: float, area_m2: float) -> float:
    """Most that a rotor of this swept area can take from the air, W (Betz 1920)."""
    return BETZ * area_m2 * float(kinetic_flux(effective_speed_m_s, density_kg_m3))


def speed_needed(
    power_w: float, area_m2: float, density_kg_m3: float, power_coefficient: float = BETZ
) -> float:
    """Steady speed at which the area gives the power, m/s. Raises ValueError if not positive."""
    if not (area_m2 > 0.0 and density_kg_m3 > 0.0 and power_coefficient > 0.0 and power_w >= 0.0):
        raise ValueError("area, density and power coefficient must be positive, power at least 0")
    return float(np.cbrt(2.0 * power_w / (density_kg_m3 * power_coefficient * area_m2)))


def drag_work(
    drag_coefficient: ArrayLike,
    frontal_area_m2: ArrayLike,
    air_relative_speed_m_s: ArrayLike,
    density_kg_m3: float,
) -> Array:
    """Work a vehicle does on the air along each metre of road, J/m; the arguments broadcast."""
    area = np.asarray(drag_coefficient, dtype=np.float64) * np.asarray(frontal_area_m2)
    return 0.5 * density_kg_m3 * area * np.square(np.asarray(air_relative_speed_m_s))


def drag_power_per_metre(rates_per_s: ArrayLike, work_j_m: ArrayLike) -> float:
    """Power that traffic spends on the air along each metre of road, W/m: sum of rate x work."""
    return float(np.sum(np.asarray(rates_per_s) * np.asarray(work_j_m)))


def wake_energy_beyond(
    wake: Wake,
    lateral_m: float,
    air_relative_speed_m_s: float,
    density_kg_m3: float,
    memory_s: float,
) -> float:
    """Largest kinetic energy a wake ever holds beyond ``lateral_m`` of its axis, J/m of road.

    Mean motion and turbulence on one side of the lane, over all ages up to ``memory_s``. Raises
    ValueError for a speed or memory that is not positive.
    """
    if not (air_relative_speed_m_s > 0.0 and memory_s > 0.0):
        raise ValueError("speed and memory must be positive")
    start = max(wake.bubble_m, 0.1)
    last = max(air_relative_speed_m_s * memory_s, 2.0 * start)
    best = 0.0
    for x in np.geomspace(start, last, _AGE_POINTS):
        best = max(best, _energy_beyond(wake, float(x), lateral_m))
    return density_kg_m3 * air_relative_speed_m_s**2 * best


def _energy_beyond(wake: Wake, x: float, lateral_m: float) -> float:
    """Integral of 1/2 U^2 + k over y > lateral, z > 0 at x behind the tail, m2."""
    width = float(wake.width(x))
    vehicle = wake.vehicle
    axis = wake.air.crosswind_ratio * x
    far_y = max(lateral_m, axis) + _REACH_WIDTHS * max(width, vehicle.width_m)
    far_z = vehicle.height_m + _REACH_WIDTHS * max(width, vehicle.height_m)
    y, weight_y = _gauss(lateral_m, far_y, _LATERAL_POINTS)
    z, weight_z = _gauss(0.0, far_z, _UPWARD_POINTS)
    mean = wake.velocity(x, y[:, None], z[None, :])
    turbulent = wake.turbulence(x, y[:, None], z[None, :])
    return float(weight_y @ (0.5 * mean**2 + turbulent) @ weight_z)


def _gauss(low: float, high: float, points: int) -> tuple[Array, Array]:
    nodes, weights = np.polynomial.legendre.leggauss(points)
    return low + 0.5 * (high - low) * (nodes + 1.0), 0.5 * (high - low) * weights


@dataclass(frozen=True)
class RoadLoad:
    """What the traffic would spend in a year if the power came out of its motion."""

    mechanical_kwh: float
    diesel_litres: float
    electric_kwh: float


def road_load(mean_power_w: float) -> RoadLoad:
    """Yearly fuel or charge if ``mean_power_w`` were taken from the vehicles themselves.

    An upper bound: air that a wake has already taken costs nothing more; only a rotor so near that
    it changes the pressure on the vehicle adds to its drag. Raises ValueError for negative power.
    """
    if not mean_power_w >= 0.0:
        raise ValueError("power must be at least 0 W")
    energy = 1e-3 * mean_power_w * HOURS_A_YEAR
    return RoadLoad(
        mechanical_kwh=energy,
        diesel_litres=energy / (ENGINE_EFFICIENCY * DIESEL_KWH_PER_LITRE),
        electric_kwh=energy / ELECTRIC_EFFICIENCY,
    )


@dataclass(frozen=True)
class Bounds:
    """What there is to take at this mount, means over the hours of a weekday.

    ``betz_w`` is for the air of the case, its wind included. ``drag_power_w_m`` is the traffic's
    work on the air for each metre of road, ``wake_power_w_m`` what single wakes ever hold beyond
    the rotor's near edge; the shares are what the shaft power that comes of the traffic is
    of them, with one rotor every ``spacing_m``. ``road_load`` is what that power would cost the
    traffic.
    """

    betz_w: float
    drag_power_w_m: float
    wake_power_w_m: float
    spacing_m: float
    traffic_shaft_w: float
    drag_share: float
    wake_share: float
    road_load: RoadLoad


def bounds_at(
    case: Case,
    mount: Mount,
    settings: FieldSettings,
    density_kg_m3: float,
    effective_speed_m_s: float,
    traffic_shaft_w: float,
    spacing_m: float,
) -> Bounds:
    """Bounds at a mount where traffic gives a rotor ``traffic_shaft_w`` on average.

    Negative shaft power, where traffic takes away from the wind, counts as none.
    """
    # Fields and traffic are heavy to load, and the laws above are used without them.
    from wakesim.traffic.scene import prepare_scene

    scene = prepare_scene(case, mount)
    rates = scene.rates_per_s.mean(axis=0)
    drag, beyond = [], []
    for view in scene.views:
        relative = view.relative_speed_m_s
        vehicle = view.vehicle
        work = drag_work(vehicle.drag_coefficient, vehicle.frontal_area_m2, relative, density_kg_m3)
        drag.append(float(work))
        beyond.append(_beyond(view, mount, settings, relative, density_kg_m3))
    drag_power = drag_power_per_metre(rates, drag)
    wake_power = drag_power_per_metre(rates, beyond)
    shaft = max(traffic_shaft_w, 0.0)
    return Bounds(
        betz_w=betz_power(
            effective_speed_m_s, density_kg_m3, mount.rotor_width_m * mount.rotor_height_m
        ),
        drag_power_w_m=drag_power,
        wake_power_w_m=wake_power,
        spacing_m=spacing_m,
        traffic_shaft_w=shaft,
        drag_share=shaft / (drag_power * spacing_m) if drag_power > 0.0 else math.nan,
        wake_share=shaft / (wake_power * spacing_m) if wake_power > 0.0 else math.nan,
        road_load=road_load(shaft),
    )


def _beyond(
    view: LaneView, mount: Mount, settings: FieldSettings, relative: float, density: float
) -> float:
    """Wake energy of a view beyond the rotor's nearer edge, J/m; all of it over its own lane."""
    from wakesim.vehicle.wake import vehicle_wake

    wake = vehicle_wake(view.vehicle, settings.constants, settings.air_state(view, relative))
    memory = settings.wake_memory_s
    low, high = sorted(view.direction * (edge - view.lane_centre_m) for edge in mount.span_m)
    if low <= 0.0 <= high:
        return wake_energy_beyond(wake, -_LANE_REACH_M, relative, density, memory)
    if high < 0.0:  # the far side of the lane in the vehicle's frame: the law is symmetric
        crosswind = replace(wake.air, crosswind_ratio=-wake.air.crosswind_ratio)
        wake = vehicle_wake(wake.vehicle, wake.constants, crosswind)
    return wake_energy_beyond(wake, min(abs(low), abs(high)), relative, density, memory)
