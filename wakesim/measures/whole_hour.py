"""One clock hour at a mount: every vehicle in one march, held against superposition."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from wakesim.case.mounts import Mount
from wakesim.case.schema import Case
from wakesim.measures.results import WholeHour
from wakesim.traffic.point_statistics import point_statistics
from wakesim.traffic.scene import field_settings, one_hour
from wakesim.traffic.whole_hour import RUN_IN_S, hour_air, march_section


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
        balance_u_m_s=hour_air(one, field_settings(one)).mean_field().speed,
    )
