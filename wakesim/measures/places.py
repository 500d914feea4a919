"""Exact stationary statistics of a rotor at many places, in one hour of traffic.

A rotor at a place is its nine midpoints; with w_i their shares of the swept area the mean cube of
the rotor-equivalent speed is E[v_eq^3] = sum w_i E|u_i|^3 exactly. Mean and standard deviation are
those of the horizontal speed, averaged over the area: sd^2 = sum w_i E|u_i|^2 - (sum w_i E|u_i|)^2.

The lanes keep the headways of the case (``traffic.bunching``), without random numbers: there is no
sampling interval. ``mounting_map`` holds its best place against a simulation.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from wakesim.arrays import Array
from wakesim.case.mounts import Mount
from wakesim.case.schema import Case
from wakesim.measures.effective import power_density
from wakesim.measures.model_interval import Moved
from wakesim.section.road import RoadState
from wakesim.traffic.lines import FieldSettings
from wakesim.traffic.point_statistics import (
    PointAir,
    PointStatistics,
    point_statistics,
    pulse_tables,
    statistics_in,
)
from wakesim.traffic.scene import field_settings
from wakesim.vehicle.pulse_grid import PulseFields


def moved(mount: Mount, offset_m: float, height_m: float) -> Mount:
    """The mount at another place."""
    return mount.model_copy(update={"offset_m": float(offset_m), "height_m": float(height_m)})


def rotor_points(mount: Mount, places: ArrayLike) -> tuple[Array, Array]:
    """Points (9 n, 2) y, z of a rotor at places (n, 2), place by place, and area shares (9,)."""
    points, shares = mount.points()
    relative = points - np.array([mount.offset_m, mount.height_m])
    at = np.asarray(places, dtype=np.float64)
    return (at[:, None, :] + relative[None]).reshape(-1, 2), shares


def rotor_statistics(
    case: Case,
    places: ArrayLike,
    density_kg_m3: float,
    *,
    pulses: PulseFields | None = None,
    settings: FieldSettings | None = None,
) -> dict[str, Array]:
    """The quantities ``state`` (n,) of the first mount's rotor at places (n, 2), first hour."""
    points, shares = rotor_points(case.mounts[0], places)
    state = point_statistics(case, points, settings=settings, pulses=pulses)
    return _of_rotor(state, shares, density_kg_m3)


def rotor_statistics_from(
    case: Case, places: ArrayLike, density_kg_m3: float, start: RoadState | None
) -> tuple[dict[str, Array], RoadState | None]:
    """``rotor_statistics`` with the mean air of the road warm from that of air like it, and the
    mean air itself; None without drift. ``rotor_mean`` among them is the mean rotor-equivalent
    speed (``rotor_moments``), m/s."""
    points, shares = rotor_points(case.mounts[0], places)
    air = PointAir(case, pulses=pulse_tables(field_settings(case)), start=start)
    state = statistics_in(air, points)
    found = None if air.road is None else air.road.states[0]
    values = _of_rotor(state, shares, density_kg_m3)
    cubes, means = (a[0].reshape(-1, 9) for a in (state.mean_cube_m3_s3, state.mean_speed_m_s))
    return values | {"rotor_mean": rotor_moments(cubes, means, shares)[1]}, found


def _of_rotor(state: PointStatistics, shares: Array, density_kg_m3: float) -> dict[str, Array]:
    moments = {name: values.reshape(-1, 9) for name, values in point_moments(state).items()}
    return area_statistics(moments, shares, density_kg_m3)


def rotor_moments(
    cubes_m3_s3: ArrayLike, means_m_s: ArrayLike, shares: Array
) -> tuple[Array, Array]:
    """Mean cube, m3/s3, and mean, m/s, of the rotor-equivalent speed, (...), from mean cubes and
    mean speeds at the points of a rotor (..., points).

    The mean cube is exact. The mean is that of the speed, averaged over the area, times what the
    mean profile over the area makes the rotor-equivalent speed more than the mean one (as if all
    points rose and fell together, nearly so for wakes and wind).
    """
    cubes = np.maximum(np.asarray(cubes_m3_s3, dtype=np.float64), 0.0)
    cube, roots = cubes @ shares, np.cbrt(cubes) @ shares
    uneven = np.divide(np.cbrt(cube), roots, out=np.ones_like(roots), where=roots > 0.0)
    return cube, np.asarray(means_m_s) @ shares * uneven


def moved_at(case: Case, places: ArrayLike) -> Moved:
    """The first mount's rotor at places (n, 2) in the case's first hour, for the model interval."""
    points, shares = rotor_points(case.mounts[0], places)
    return Moved(
        case, field_settings(case), points.reshape(-1, 9, 2), shares, case.compute.hours[:1],
        pulse_tables,
    )  # fmt: skip


def point_moments(state: PointStatistics) -> dict[str, Array]:
    """What the statistics of a rotor need of its points (m,), first hour."""
    mean_square = (
        state.variance_u[0]
        + state.variance_v[0]
        + state.mean_u_m_s[0] ** 2
        + state.mean_v_m_s[0] ** 2
    )
    return {
        "cube": state.mean_cube_m3_s3[0],
        "square": mean_square,
        "mean": state.mean_speed_m_s[0],
        "drift": state.drift_m_s[0],
    }


def area_statistics(
    moments: dict[str, Array], shares: Array, density_kg_m3: float
) -> dict[str, Array]:
    """The quantities ``state`` (n,) from moments (n, points)."""
    cube, square, mean, drift = (moments[k] @ shares for k in ("cube", "square", "mean", "drift"))
    effective = np.cbrt(np.maximum(cube, 0.0))
    return {
        "effective_speed": effective,
        "mean_speed": mean,
        "sd_speed": np.sqrt(np.maximum(square - mean**2, 0.0)),
        "drift": drift,
        "power_density": power_density(1.0, density_kg_m3) * effective**3,
    }
