"""Exact stationary statistics of the air at points beside the traffic, without random numbers.

The same physics as the series, summed in closed form: every class in every lane is a stream of
passes, each adding its pulse, its mean wake and, as normal turbulence given the passes, shares of
its kinetic energy; drift, ambient wind and its turbulence stand around them. All passes enter one
intensity measure (``traffic.stationary``), as if they arrived independently; what the headways of
each lane change in that is solved for apart (``traffic.bunching``):

    speeds     truncated normal; moments at each node of the field (``pass_nodes``)
    wander     truncated normal; 5, 3 or 1 Gauss nodes by the distance to the vehicle's side
    pulses     40 m ahead and 50 m behind (``vehicle.pulse_grid``); of more than ``FEW_POINTS``
               points from the classes' tables, of fewer from the hulls themselves
    wakes      the laws of ``vehicle.wake``, faded at the wake memory, with the drag that the drift
               leaves them
    drift      the momentum balance of the cross-section (``mean_air``), at any point

Checked against the series: the effective speed within its sampling interval at every place tried,
for independent vehicles (tests/traffic/test_point_statistics.py), and within 0.6 % of hundreds of
hours with other headways, which change it by up to 9 % in still air and by a quarter in a light
wind from the road (tests/traffic/test_bunching.py). Quadrature and reduction together are good to
0.1 % of the mean cube, half a per cent of it within half a metre of a vehicle's way.

Left out or approximate: following vehicles meet their full drag (no drafting); a wall mirrors the
flow of the open road (``pulse_grid`` has how much is lost). Points in the vehicles' way, or behind
the wall, are NaN.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from wakesim.air.profiles import ambient_at
from wakesim.arrays import Array, Index, Mask
from wakesim.case.mounts import WANDER_SDS
from wakesim.case.schema import Case
from wakesim.section.road import RoadState
from wakesim.traffic.bunching import Bunching, age_step, bunching
from wakesim.traffic.lines import FieldSettings
from wakesim.traffic.mean_air import MeanAir, prepare_wakes, road_air
from wakesim.traffic.measure import Measure
from wakesim.traffic.pass_samples import PassSampler, PointSamples
from wakesim.traffic.scene import case_views, field_settings
from wakesim.traffic.stationary import mean_cubes
from wakesim.vehicle.pulse_grid import PulseFields
from wakesim.vehicle.wake import SHARE_U, SHARE_V, WakeConstants

PARTS = ("pulse", "wake", "turbulence", "drift", "ambient")
_NODES = 112  # of a point's measure; the mean cube within 0.1 % of that of 400
_CHUNK = 64  # points sampled at a time
FEW_POINTS = 32  # up to so many the lines of a class cost less than its table


@dataclass(frozen=True)
class PointStatistics:
    """Stationary statistics at points in clock hours, headways included; arrays (hours, points),
    SI.

    ``drag_factor`` (hours, views): drag that the moving air leaves each class in each lane. Points
    in the vehicles' way or behind the wall are NaN.
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

    @property
    def effective_speed_m_s(self) -> Array:
        """Root-mean-cube horizontal speed at each point, (hours, points) m/s."""
        return np.cbrt(self.mean_cube_m3_s3)


def point_statistics(
    case: Case,
    points: ArrayLike,
    *,
    hours: Sequence[int] | None = None,
    settings: FieldSettings | None = None,
    pulses: PulseFields | None = None,
    wall_y_m: float | None = None,
    excluding: Collection[str] = (),
    nodes: int = _NODES,
    start: RoadState | None = None,
) -> PointStatistics:
    """Stationary statistics at points (m, 2) y, z in m, in each of the clock hours.

    ``hours`` defaults to those of the case; further arguments as in ``PointAir``. ``nodes``: of
    each point's intensity measure. ``start``: mean air like it, to be warm from. Raises ValueError
    for points that are not finite or not above the road.
    """
    air = PointAir(
        case, hours=hours, settings=settings, pulses=pulses, wall_y_m=wall_y_m,
        excluding=excluding, start=start,
    )  # fmt: skip
    return statistics_in(air, points, nodes)


def statistics_in(air: PointAir, points: ArrayLike, nodes: int = _NODES) -> PointStatistics:
    """``point_statistics`` in air that is ready."""
    at = _checked(points)
    free = np.flatnonzero(air.outside(at))
    result = np.full((7, len(air.hours), len(at)), np.nan)
    drag = np.ones((len(air.hours), len(air.views)))
    if free.size:
        around = air.around(at[free])
        drag = around.factor
        wind, variance = air.ambient(at)
        result[:, :, free] = _statistics(air, at[free], around, (wind[free], variance[free]), nodes)
    return PointStatistics(air.hours, *result, drag)


def _statistics(
    air: PointAir, points: Array, around: _AirAtPoints, ambient: tuple[Array, Array],
    nodes: int,
) -> Array:  # fmt: skip
    """(7, hours, m): the fields of PointStatistics up to the drift."""
    wind, variance = ambient
    out = np.empty((7, len(air.hours), len(points)))
    drift, still = _around(air, around)
    out[6] = drift
    for level, (viscosity, memory) in enumerate(zip(around.viscosity, around.memory, strict=True)):
        hours = np.flatnonzero(around.level == level)
        for number, samples in _sampled(air, points, float(viscosity), float(memory)):
            for hour in hours:
                measures = [
                    air.measure(s, int(hour), around.factor[hour]).reduced(nodes) for s in samples
                ]
                centre = wind[number] + np.column_stack(
                    [drift[hour, number], np.zeros(number.size)]
                )
                spread = variance[number, None, None] * np.eye(2)
                spread = spread + still[hour, number, None, None] * _SHARES
                result = mean_cubes(
                    measures, mean=centre, covariance=spread,
                    headways=air.bunching(samples, int(hour), around.factor[hour]),
                )  # fmt: skip
                out[0, hour, number], out[1, hour, number] = result.mean.T
                out[2, hour, number] = result.covariance[:, 0, 0]
                out[3, hour, number] = result.covariance[:, 1, 1]
                out[4, hour, number] = result.mean_speed
                out[5, hour, number] = result.mean_cube
    return out


_SHARES = 2.0 * np.diag([SHARE_U, SHARE_V])


def _around(air: PointAir, around: _AirAtPoints) -> tuple[Array, Array]:
    """Drift and background energy (hours, m), without the parts that are left out."""
    drift = around.drift if "drift" in air.parts else np.zeros_like(around.drift)
    still = around.energy if "turbulence" in air.parts else np.zeros_like(around.energy)
    return drift, still


def _sampled(
    air: PointAir, points: Array, viscosity_m2_s: float, memory_s: float
) -> Iterator[tuple[Index, list[PointSamples]]]:
    """Numbers of points and their samples, a chunk at a time; neighbours share the work."""
    order = np.lexsort((points[:, 1], points[:, 0]))
    many = len(points) > FEW_POINTS
    for first in range(0, order.size, _CHUNK):
        number = order[first : first + _CHUNK]
        yield number, air.sampler(points[number], viscosity_m2_s, memory_s, many=many).samples()


def _checked(points: ArrayLike) -> Array:
    at = np.asarray(points, dtype=np.float64)
    if at.ndim != 2 or at.shape[1] != 2 or not np.isfinite(at).all():
        raise ValueError("points must be finite with shape (m, 2): y and z in m")
    if not np.all(at[:, 1] > 0.0):
        raise ValueError("points must be above the road")
    return at


@dataclass(frozen=True)
class _AirAtPoints:
    """Drift (hours, m) m/s and turbulent energy (hours, m) m2/s2 beyond followed wakes, drag
    factors (hours, views), eddy viscosities (n,) m2/s, how long wakes are followed in each (n,) s,
    and which of them each hour takes."""

    drift: Array
    energy: Array
    factor: Array
    viscosity: Array
    memory: Array
    level: Index


class PointAir:
    """The traffic and air of a case, ready for any points and clock hours.

    What passes in an hour is ``rates_per_s`` (hours, views); the lanes' flows are its sums. Who has
    other traffic than the case's profile sets it before anything is asked for.
    ``settings`` defaults to the case's (``scene.field_settings``, with the traffic's mixing over
    the case's own hours); ``pulses`` to ``pulse_fields``; ``wall_y_m`` to the wall of the case's
    first mount. ``excluding``: names of PARTS to leave out. Raises ValueError for other names, for
    pulse tables of other settings, and without traffic. ``start``: mean air like it, to be warm
    from. ``road``: the mean air, once asked for; None without drift.
    """

    def __init__(
        self,
        case: Case,
        *,
        hours: Sequence[int] | None = None,
        settings: FieldSettings | None = None,
        pulses: PulseFields | None = None,
        wall_y_m: float | None = None,
        excluding: Collection[str] = (),
        start: RoadState | None = None,
    ) -> None:
        self.start = start
        self.road: MeanAir | None = None
        unknown = sorted(set(excluding) - set(PARTS))
        if unknown:
            raise ValueError(f"excluding: unknown part {unknown[0]!r}; known: {', '.join(PARTS)}")
        if case.traffic is None:
            raise ValueError("the case has no traffic")
        self.case = case
        self.hours = tuple(case.compute.hours if hours is None else hours)
        self.settings = field_settings(case) if settings is None else settings
        self.wall_y_m = case.mounts[0].wall_offset_m if wall_y_m is None else wall_y_m
        self.side_y_m = float(np.mean([lane.centre_m for lane in case.road.lanes]))
        self.parts = tuple(part for part in PARTS if part not in excluding)
        keys, self.views, rates = case_views(case, self.hours)
        self.rates_per_s = rates if keys else np.zeros((len(self.hours), 0))
        self.pulses = pulses or pulse_fields(self.settings)
        if not self.pulses.serves(
            self.settings.constants, self.settings.open_tail, self.settings.refinement
        ):
            raise ValueError("the pulse tables are those of another bubble, tail or refinement")

    def outside(self, points: Array) -> Mask:
        """Whether points (m, 2) lie where no vehicle comes and on the road's side of the wall."""
        free = np.ones(len(points), dtype=bool)
        reach = WANDER_SDS * self.settings.wander_sd_m
        for view in self.views:
            aside = np.abs(points[:, 0] - view.lane_centre_m + self.settings.lateral_shift_m)
            vehicle = view.vehicle
            inside = aside < 0.5 * vehicle.width_m + reach
            free &= ~(inside & (points[:, 1] < vehicle.height_m))
        if self.wall_y_m is not None:
            side = np.sign(self.side_y_m - self.wall_y_m)
            free &= np.sign(points[:, 0] - self.wall_y_m) == side
        return free

    def mean_air(self, points: Array) -> MeanAir | None:
        """Mean air of the hours, None where the case has no drift."""
        if not self.case.air.drift.enabled or not self.views:
            return None
        lanes = [lane.centre_m for lane in self.case.road.lanes]
        beyond = max(points[:, 0].max() - max(lanes), min(lanes) - points[:, 0].min(), 0.0)
        self.road = road_air(
            self.case,
            self.views,
            self.rates_per_s,
            self.settings,
            self.wall_y_m,
            reach_m=beyond,
            start=self.start,
        )
        return self.road

    def around(self, points: Array) -> _AirAtPoints:
        """Drift, background turbulence, drag factors and eddy viscosity at points (m, 2)."""
        hours, views = len(self.hours), len(self.views)
        air = self.mean_air(points)
        if air is None:
            own = self.settings.own_diffusivity_m2_s or 0.0
            none = np.zeros((hours, len(points)))
            return _AirAtPoints(
                none, none.copy(), np.ones((hours, views)), np.array([own]),
                np.array([self.settings.wake_memory_s]), np.zeros(hours, dtype=np.int64),
            )  # fmt: skip
        levels, memory, number = air.levels
        prepare_wakes(self.views, self.settings, [float(v) for v in levels])
        drift, energy = air.beyond_wakes(points)
        return _AirAtPoints(
            drift.sum(axis=1), energy.sum(axis=1), air.factor, levels, memory, number
        )

    def sampler(
        self, points: Array, viscosity_m2_s: float, memory_s: float | None = None, *,
        many: bool = False,
    ) -> PassSampler:  # fmt: skip
        """Passes sampled at points, a part of many or not, in air of an eddy viscosity made by
        traffic, their wakes followed for ``memory_s`` (by default as the settings say)."""
        settings = self.settings
        if memory_s is not None:
            settings = replace(settings, wake_memory_s=memory_s)
        return PassSampler(
            self.views, settings, self.pulses, self.wall_y_m, points,
            viscosity_m2_s=viscosity_m2_s, many=many,
        )  # fmt: skip

    def ambient(self, points: Array) -> tuple[Array, Array]:
        """Mean wind (m, 2) m/s at points and the variance (m,) m2/s2 of each component."""
        wind = self.case.air.wind if "ambient" in self.parts else None
        velocity, sd = ambient_at(wind, points[:, 1])
        return velocity, sd**2

    def measure(self, samples: PointSamples, hour: int, drag: Array) -> Measure:
        """Intensity measure at one sampled point in hour number ``hour``; ``drag`` (views,)."""
        return samples.measure(self.rates_per_s[hour], drag, self._included)

    def bunching(self, samples: Sequence[PointSamples], hour: int, drag: Array) -> Bunching | None:
        """What the headways of the case do at sampled points in hour number ``hour``, at the lane
        flows of ``rates_per_s``; None for exponential ones."""
        assert self.case.traffic is not None
        headway = self.case.traffic.headway
        if headway.model == "exponential":
            return None
        ways = {(view.lane_centre_m, view.direction) for view in self.views}
        number = {way: n for n, way in enumerate(sorted(ways))}
        lane = np.array([number[v.lane_centre_m, v.direction] for v in self.views], dtype=np.int64)
        rates = self.rates_per_s[hour]
        flows = np.bincount(lane, rates, len(number))
        step = age_step(headway, float(flows.max(initial=0.0)))
        seen = [s.signatures(rates, drag, self._included, lane, flows, step) for s in samples]
        return bunching(np.array(seen), flows, headway, step)

    @property
    def _included(self) -> Array:
        """Factors on pulse, wake and turbulence of the passes: 1, or 0 where left out."""
        return np.array([float(name in self.parts) for name in PARTS[:3]])


def pulse_fields(settings: FieldSettings) -> PulseFields:
    """Displacement flows, kept in a process as long as the hulls stay the same."""
    return _pulse_fields(*_hulls(settings), False)


def pulse_tables(settings: FieldSettings) -> PulseFields:
    """``pulse_fields`` always from tables: for who asks for a few points at many places."""
    return _pulse_fields(*_hulls(settings), True)


def _hulls(settings: FieldSettings) -> tuple[float, bool, float]:
    return settings.constants.bubble_length_heights, settings.open_tail, settings.refinement


@lru_cache(maxsize=8)
def _pulse_fields(
    bubble_heights: float, open_tail: bool, refinement: float, tabulated: bool
) -> PulseFields:
    constants = WakeConstants(bubble_length_heights=bubble_heights)
    return PulseFields(constants, open_tail, refinement, tabulated)
