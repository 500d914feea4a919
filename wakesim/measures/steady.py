"""Exact stationary statistics of the air at many points beside the traffic, without random numbers.

The same physics as the series (``series``, ``split``), summed in closed form for Poisson arrivals:
every class in every lane is a stream of passes, each adding its pulse, its mean wake and, as normal
turbulence given the passes, shares of its kinetic energy; drift, ambient wind and its turbulence
stand around them. All passes enter one intensity measure (``traffic.stationary``):

    speeds     truncated normal; moments at each place in the field (``pass_nodes``)
    wander     truncated normal; 5, 3 or 1 Gauss nodes by the distance to the vehicle's side
    pulses     from the classes' tables (``flow.pulse_grid``), 40 m ahead and 50 m behind
    wakes      the laws of ``flow.wake``, faded at the wake memory, with the drag that the drift
               leaves them
    drift      the momentum balance of the cross-section (``background``), at any point

Checked against the series: the effective speed within its sampling interval at every place tried
(tests/measures/test_steady.py); quadrature and reduction together are good to 0.1 % of the mean
cube, half a per cent of it within half a metre of a vehicle's way.

Left out or approximate, and named in ``SteadyState.approximations``: headways other than negative
exponential count as such; following vehicles meet their full drag (no drafting); a wall mirrors the
flow of the open road (``flow.pulse_grid`` says how much is lost). Bunched traffic moves
more air than independent passes: in the main case's busiest hour the series with Cowan M3 headways
gives an effective speed 3 to 8 % higher. Points in the vehicles' way, or behind the wall, are NaN.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wakesim.arrays import Array
from wakesim.case.mounts import Mount
from wakesim.case.schema import Case
from wakesim.measures.pass_samples import PointSamples
from wakesim.measures.steady_air import PARTS, SteadyAir, SteadyBackground, pulse_fields
from wakesim.section.road import RoadState
from wakesim.traffic.lines import FieldSettings
from wakesim.traffic.stationary import ShotNoise, mean_cubes
from wakesim.vehicle.pulse_grid import PulseFields
from wakesim.vehicle.wake import SHARE_U, SHARE_V

_NODES = 160  # of a point's measure
_CHUNK = 64  # points sampled at a time


@dataclass(frozen=True)
class SteadyState:
    """Stationary statistics at points in clock hours; arrays (hours, points), SI.

    ``drag_factor`` (hours, views): drag that the moving air leaves each class in each lane, views
    being the (lane, vehicle) numbers of ``keys``. ``approximations``: sentences on what is not as
    the case says. Points where no air can be told of are NaN.
    """

    hours: tuple[int, ...]
    mean_u_m_s: Array
    mean_v_m_s: Array
    variance_u: Array
    variance_v: Array
    mean_speed_m_s: Array
    mean_cube_m3_s3: Array
    drift_m_s: Array
    drag_factor: Array
    keys: tuple[tuple[int, int], ...]
    approximations: tuple[str, ...]

    @property
    def effective_speed_m_s(self) -> Array:
        """Root-mean-cube horizontal speed at each point, (hours, points) m/s."""
        return np.cbrt(self.mean_cube_m3_s3)


@dataclass(frozen=True)
class RotorStatistics:
    """Stationary statistics of rotors; arrays (hours, mounts), SI.

    ``mean_cube_m3_s3`` is that of the rotor-equivalent speed, exact from the rotor's points, E of
    (sum w v^3) = sum w E v^3. ``mean_speed_m_s`` is the area mean of the horizontal speed (the mean
    of the rotor-equivalent speed is somewhat above it).
    """

    hours: tuple[int, ...]
    mean_cube_m3_s3: Array
    mean_speed_m_s: Array
    mean_u_m_s: Array
    drift_m_s: Array
    drag_factor: Array
    approximations: tuple[str, ...]

    @property
    def effective_speed_m_s(self) -> Array:
        """Effective speed in each hour, (hours, mounts) m/s."""
        return np.cbrt(self.mean_cube_m3_s3)

    @property
    def overall_effective_speed_m_s(self) -> Array:
        """Effective speed over all hours together, (mounts,) m/s."""
        return np.cbrt(self.mean_cube_m3_s3.mean(axis=0))


def steady_state(
    case: Case,
    points: ArrayLike,
    *,
    hours: Sequence[int] | None = None,
    settings: FieldSettings | None = None,
    pulses: PulseFields | None = None,
    wall_y_m: float | None = None,
    excluding: Collection[str] = (),
    turbulence_height_m: ArrayLike | None = None,
    nodes: int = _NODES,
    start: RoadState | None = None,
) -> SteadyState:
    """Stationary statistics at points (m, 2) y, z in m, in each of the clock hours.

    ``hours`` defaults to those of the case; further arguments as in ``SteadyAir``. The intensity of
    the ambient turbulence is that at each point's height, or at ``turbulence_height_m``, one or
    (m,) (a rotor's centre, as in the series). ``nodes``: of each point's intensity
    measure. ``start``: mean air like it, to be warm from. Raises ValueError for points that are
    not finite or not above the road.
    """
    at = _checked(points)
    air = SteadyAir(
        case, hours=hours, settings=settings, pulses=pulses, wall_y_m=wall_y_m,
        excluding=excluding, start=start,
    )  # fmt: skip
    free = np.flatnonzero(air.outside(at))
    found = np.full((7, len(air.hours), len(at)), np.nan)
    drag = np.ones((len(air.hours), len(air.views)))
    if free.size:
        around = air.background(at[free])
        drag = around.factor
        wind, variance = air.ambient(at, turbulence_height_m)
        found[:, :, free] = _statistics(air, at[free], around, (wind[free], variance[free]), nodes)
    return SteadyState(air.hours, *found, drag, air.keys, air.approximations)


def _statistics(
    air: SteadyAir, points: Array, around: SteadyBackground, ambient: tuple[Array, Array],
    nodes: int,
) -> Array:  # fmt: skip
    """(7, hours, m): the fields of SteadyState up to the drift."""
    wind, variance = ambient
    out = np.empty((7, len(air.hours), len(points)))
    drift, still = _around(air, around)
    out[6] = drift
    for level, viscosity in enumerate(around.viscosity):
        hours = np.flatnonzero(around.level == level)
        for number, samples in _sampled(air, points, float(viscosity)):
            for hour in hours:
                measures = [
                    air.measure(s, int(hour), around.factor[hour]).reduced(nodes) for s in samples
                ]
                centre = wind[number] + np.column_stack(
                    [drift[hour, number], np.zeros(number.size)]
                )
                spread = variance[number, None, None] * np.eye(2)
                spread = spread + still[hour, number, None, None] * _SHARES
                found = mean_cubes(measures, mean=centre, covariance=spread)
                out[0, hour, number], out[1, hour, number] = found.mean.T
                out[2, hour, number] = found.covariance[:, 0, 0]
                out[3, hour, number] = found.covariance[:, 1, 1]
                out[4, hour, number] = found.mean_speed
                out[5, hour, number] = found.mean_cube
    return out


_SHARES = 2.0 * np.diag([SHARE_U, SHARE_V])


def _around(air: SteadyAir, around: SteadyBackground) -> tuple[Array, Array]:
    """Drift and background energy (hours, m), without the parts that are left out."""
    drift = around.drift if "drift" in air.parts else np.zeros_like(around.drift)
    still = around.energy if "turbulence" in air.parts else np.zeros_like(around.energy)
    return drift, still


def _sampled(
    air: SteadyAir, points: Array, viscosity_m2_s: float
) -> Iterator[tuple[NDArray[np.int64], list[PointSamples]]]:
    """Numbers of points and their samples, a chunk at a time; neighbours share the work."""
    order = np.lexsort((points[:, 1], points[:, 0]))
    for first in range(0, order.size, _CHUNK):
        number = order[first : first + _CHUNK]
        yield number, air.sampler(points[number], viscosity_m2_s).samples()


def shot_noise_at(
    case: Case,
    y_m: float,
    z_m: float,
    hour: int,
    *,
    turbulence_height_m: float | None = None,
    nodes: int = 6 * _NODES,
    **options: object,
) -> ShotNoise:
    """The whole statistics at one point in one clock hour: distribution, share above a speed.

    ``options`` as in ``SteadyAir``. Raises ValueError for a point in the vehicles' way.
    """
    air = SteadyAir(case, hours=[hour], **options)  # type: ignore[arg-type]
    at = _checked([[y_m, z_m]])
    if not air.outside(at).all():
        raise ValueError("the point lies in the vehicles' way or behind the wall")
    around = air.background(at)
    drift, still = _around(air, around)
    wind, variance = air.ambient(at, turbulence_height_m)
    samples = air.sampler(at, float(around.viscosity[0])).samples()[0]
    passes = air.measure(samples, 0, around.factor[0]).reduced(nodes)
    spread = variance[0] * np.eye(2) + still[0, 0] * _SHARES
    return ShotNoise(passes, wind[0] + np.array([drift[0, 0], 0.0]), spread)


def rotor_statistics(
    case: Case,
    mounts: Sequence[Mount],
    *,
    hours: Sequence[int] | None = None,
    settings: FieldSettings | None = None,
    pulses: PulseFields | None = None,
    excluding: Collection[str] = (),
) -> RotorStatistics:
    """Effective speed of rotors in each clock hour, from the nine points of each.

    ``mounts`` share one wall or have none. Intensity of the ambient turbulence as at each rotor's
    centre. A rotor of which a point lies in the vehicles' way is NaN.
    """
    walls = {mount.wall_offset_m for mount in mounts}
    if len(walls) != 1:
        raise ValueError("the mounts must share one wall, or have none")
    shapes = [mount.points() for mount in mounts]
    state = steady_state(
        case, np.concatenate([points for points, _ in shapes]), hours=hours, settings=settings,
        pulses=pulses, wall_y_m=walls.pop(), excluding=excluding,
        turbulence_height_m=np.repeat([m.height_m for m in mounts], [len(p) for p, _ in shapes]),
    )  # fmt: skip
    shares = np.array([weights for _, weights in shapes])

    def area(values: Array) -> Array:
        return np.einsum("hmp,mp->hm", values.reshape(len(state.hours), *shares.shape), shares)

    return RotorStatistics(
        state.hours,
        area(state.mean_cube_m3_s3),
        area(state.mean_speed_m_s),
        area(state.mean_u_m_s),
        area(state.drift_m_s),
        state.drag_factor,
        state.approximations,
    )


def centre_noise(case: Case, mount: Mount, hour: int, **options: object) -> ShotNoise:
    """``shot_noise_at`` the centre of a rotor; ``share_above(mount.cut_in_m_s)`` of the result is
    the share of time above cut-in, ``distribution()`` that of the speed."""
    return shot_noise_at(
        case, mount.offset_m, mount.height_m, hour,
        wall_y_m=mount.wall_offset_m, turbulence_height_m=mount.height_m, **options,
    )  # type: ignore[arg-type]  # fmt: skip


def _checked(points: ArrayLike) -> Array:
    at = np.asarray(points, dtype=np.float64)
    if at.ndim != 2 or at.shape[1] != 2 or not np.isfinite(at).all():
        raise ValueError("points must be finite with shape (m, 2): y and z in m")
    if not np.all(at[:, 1] > 0.0):
        raise ValueError("points must be above the road")
    return at


__all__ = [
    "PARTS",
    "PulseFields",
    "RotorStatistics",
    "SteadyAir",
    "SteadyState",
    "centre_noise",
    "pulse_fields",
    "rotor_statistics",
    "shot_noise_at",
    "steady_state",
]
