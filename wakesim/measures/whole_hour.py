"""One clock hour of a case, every vehicle in one nonlinear march, beside superposition."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from wakesim.case.mounts import Mount
from wakesim.case.schema import Case
from wakesim.measures.places import one_hour
from wakesim.measures.results import WholeHour
from wakesim.traffic.lines import FieldSettings
from wakesim.traffic.mean_air import MeanAir, closure_of, road_air
from wakesim.traffic.point_statistics import point_statistics
from wakesim.traffic.scene import case_views, draw_round, field_settings
from wakesim.traffic.superpose import view_table
from wakesim.traffic.whole_hour import HourMarch, march_passes

RUN_IN_S = 900.0


def march_section(
    case: Case,
    hour: int,
    *,
    duration_s: float = 3600.0,
    run_in_s: float = RUN_IN_S,
    number: int = 0,
    say: Callable[[float], None] = lambda share: None,
) -> HourMarch:
    """Mean and statistics of u and k over the cross-section in a clock hour of a case.

    Takes the passes of round ``number``, ``run_in_s`` of traffic before the hour, and begins with
    the mean air of that traffic (``section.road``), so that the run-in need not fill the section
    from rest. About a minute of computing an hour on one core. ``number`` other than 0 draws other
    vehicles. The result's ``at(values, y, z)`` reads a field at a point. Raises ValueError for a
    case without traffic.
    """
    if case.traffic is None:
        raise ValueError("the case has no traffic")
    one = one_hour(case, hour)
    settings = field_settings(one)
    keys, views, _ = case_views(one, one.compute.hours)
    air = _air(one, settings)
    passes = draw_round(one, number, run_in_s)
    along = np.array([s.direction * s.wind_along_m_s for s in views])
    return march_passes(
        air.section, air.made, view_table(len(one.road.lanes), len(one.vehicles), keys), passes,
        along, closure_of(settings), 0.0, duration_s, air.states[0], say=say,
    )  # fmt: skip


def _air(one: Case, settings: FieldSettings) -> MeanAir:
    """Steady balance of a case of one hour."""
    _, views, rates = case_views(one, one.compute.hours)
    return road_air(one, views, rates, settings, one.mounts[0].wall_offset_m)


def compare_hour(
    case: Case,
    mount: Mount,
    *,
    run_in_s: float = RUN_IN_S,
    say: Callable[[float], None] = lambda share: None,
) -> WholeHour:
    """The round's busiest hour at one mount by the march, by the balance and by superposition.

    A round shorter than an hour is marched for its length.
    """
    flows = [float(case.traffic_state(hour).flow_veh_s.sum()) for hour in case.compute.hours]
    hour = case.compute.hours[int(np.argmax(flows))]
    one = one_hour(replace(case, mounts=(mount,)), hour)
    duration_s = min(3600.0, 3600.0 * case.compute.duration_h)
    march = march_section(one, hour, duration_s=duration_s, run_in_s=run_in_s, say=say)
    points, shares = mount.points()
    state = point_statistics(one, points, wall_y_m=mount.wall_offset_m)
    mean_u = [march.at(march.mean_u, y, z) for y, z in points]
    cube = [march.at(march.mean_cube, y, z) for y, z in points]
    return WholeHour(
        hour=hour,
        passes=march.passes,
        mean_u_march_m_s=float(shares @ np.array(mean_u)),
        mean_u_superposed_m_s=float(state.mean_u_m_s[0] @ shares),
        effective_march_m_s=float(np.cbrt(shares @ np.array(cube))),
        effective_superposed_m_s=float(np.cbrt(state.mean_cube_m3_s3[0] @ shares)),
        y_m=march.y,
        z_m=march.z,
        march_u_m_s=march.mean_u,
        balance_u_m_s=_air(one, field_settings(one)).mean_field().speed,
    )
