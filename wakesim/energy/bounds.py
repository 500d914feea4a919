"""The bounds of ceilings.py at one mount of a case, and the share of them that its rotor takes."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from wakesim.case.mounts import Mount
from wakesim.case.schema import Case
from wakesim.energy import ceilings
from wakesim.traffic.lines import FieldSettings, LaneView, air_relative_speed
from wakesim.traffic.scene import prepare_scene
from wakesim.vehicle.wake import vehicle_wake

DEFAULT_SPACING_M = 10.0  # of rotors along the road where the case has no row
_LANE_REACH_M = 40.0  # over its own lane all of a wake counts


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
    road_load: ceilings.RoadLoad


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
    scene = prepare_scene(case, mount)
    rates = scene.rates_per_s.mean(axis=0)
    drag, beyond = [], []
    for view in scene.views:
        relative = float(
            air_relative_speed(view.mean_speed_m_s, view.direction, view.wind_along_m_s)
        )
        vehicle = view.vehicle
        work = ceilings.drag_work(
            vehicle.drag_coefficient, vehicle.frontal_area_m2, relative, density_kg_m3
        )
        drag.append(float(work))
        beyond.append(_beyond(view, mount, settings, relative, density_kg_m3))
    drag_power = ceilings.drag_power_per_metre(rates, drag)
    wake_power = ceilings.drag_power_per_metre(rates, beyond)
    shaft = max(traffic_shaft_w, 0.0)
    return Bounds(
        betz_w=ceilings.betz_power(
            effective_speed_m_s, density_kg_m3, mount.rotor_width_m * mount.rotor_height_m
        ),
        drag_power_w_m=drag_power,
        wake_power_w_m=wake_power,
        spacing_m=spacing_m,
        traffic_shaft_w=shaft,
        drag_share=shaft / (drag_power * spacing_m) if drag_power > 0.0 else math.nan,
        wake_share=shaft / (wake_power * spacing_m) if wake_power > 0.0 else math.nan,
        road_load=ceilings.road_load(shaft),
    )


def _beyond(
    view: LaneView, mount: Mount, settings: FieldSettings, relative: float, density: float
) -> float:
    """Wake energy of a view beyond the rotor's nearer edge, J/m; all of it over its own lane."""
    wake = vehicle_wake(view.vehicle, settings.constants, settings.air_state(view, relative))
    memory = settings.wake_memory_s
    low, high = sorted(view.direction * (edge - view.lane_centre_m) for edge in mount.span_m)
    if low <= 0.0 <= high:
        return ceilings.wake_energy_beyond(wake, -_LANE_REACH_M, relative, density, memory)
    if high < 0.0:  # the far side of the lane in the vehicle's frame: the law is symmetric
        crosswind = replace(wake.air, crosswind_ratio=-wake.air.crosswind_ratio)
        wake = vehicle_wake(wake.vehicle, wake.constants, crosswind)
    return ceilings.wake_energy_beyond(wake, min(abs(low), abs(high)), relative, density, memory)
