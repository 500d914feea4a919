"""``wakesim.march_section``: one clock hour of a case, every vehicle in one nonlinear march."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from wakesim.case.schema import Case
from wakesim.measures.background import air_of
from wakesim.measures.places import one_hour
from wakesim.measures.series import case_sights, draw_round, field_settings
from wakesim.traffic.mean_air import closure_of
from wakesim.traffic.superpose import sight_table
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
    keys, sights, rates = case_sights(one, one.compute.hours)
    air = air_of(one, sights, rates, settings, one.mounts[0].wall_offset_m if one.mounts else None)
    passes = draw_round(one, number, run_in_s)
    along = np.array([s.direction * s.wind_along_m_s for s in sights])
    return march_passes(
        air.section, air.made, sight_table(len(one.road.lanes), len(one.vehicles), keys), passes,
        along, closure_of(settings), 0.0, duration_s, air.states[0], say=say,
    )  # fmt: skip
