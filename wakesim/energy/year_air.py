"""The air of every hour of a year at the mounts: mean cube and mean speed over the rotor.

Hours that stand for the year are computed by themselves, each with the balance of its own traffic
in its own wind and the exact stationary statistics (``traffic.point_statistics``); the others are
interpolated between them, and how far that misses is measured at hours that take no part in it.

The place of an hour is its wind along and across the road, as asinh of its parts over a speed of
0.15 (0.2 m/s + a_t), its turbulence intensity, and for each carriageway the root of the drag force
of its light and of its heavy vehicles. a_t is the cube root of the drag force of all traffic over
that of the busiest hour, times 1 m/s: the air that traffic moves is carried off by a crosswind of a
fraction of its own speed. Computed are the hours that are farthest from all computed before
(Gonzalez 1985, Theor. Comput. Sci. 38, 293), which covers what occurs evenly, however rare. Between
them the logarithms of

    mean cube / (a^2 + a_t^2)^(3/2)   and   mean cube / (mean speed)^3

go with cubic radial functions and a linear part (scipy.interpolate.RBFInterpolator); a is the speed
of the ambient wind at the rotor.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from scipy.interpolate import RBFInterpolator

from wakesim.air.profiles import wind_speed
from wakesim.arrays import Array, Index, Mask
from wakesim.case.air import OPEN_LAND
from wakesim.case.mounts import Mount
from wakesim.case.schema import Case
from wakesim.energy.year_hours import HoursOfYear, Winds
from wakesim.errors import NumericalError
from wakesim.measures.places import rotor_moments
from wakesim.section.road import RoadState
from wakesim.traffic.point_statistics import PointAir, statistics_in


@dataclass(frozen=True)
class Job:
    """Something to compute in any process, ``function`` of ``payload``; ``name`` tells it from
    others of the same case, ``take`` keeps what it gave."""

    function: Callable[[Any], dict[str, Any]]
    payload: Any
    name: str
    take: Callable[[dict[str, Any]], None]


Run = Callable[[Sequence[Job]], None]  # computes jobs and lets them take their results

FIRST_NODES, MORE_NODES, MOST_NODES = 240, 120, 720
CHECKED = 32  # hours at which interpolation is held against computation
_CHUNK = 12  # hours of a task
_CARRIED, _STILL_M_S = 0.15, 0.2
_WORST = 3.0  # nine of ten hours may miss by so many tolerances, however little energy they have
_TRAFFIC, _INTENSITY = 2.8, 4.0  # length of these axes beside those of the wind
_FLOOR = 1e-12  # of a mean cube, m3/s3


@dataclass(frozen=True)
class HourlyAir:
    """Of every hour and mount: ``cube`` m3/s3 and ``mean`` m/s, (hours, mounts).

    ``computed``: hours that were computed by themselves (hours,). ``error`` (checked, mounts): of
    the interpolated effective speed at the hours ``checked``, relative. ``places`` interpolates.
    """

    cube: Array
    mean: Array
    computed: Mask
    checked: Index
    error: Array
    at: AirBetween

    @property
    def effective_speed_m_s(self) -> Array:
        """Effective speed (hours, mounts)."""
        return np.asarray(np.cbrt(self.cube))


class Places:
    """Where the hours of a year lie for the interpolation, and what their air goes with."""

    def __init__(self, hours: HoursOfYear) -> None:
        case = hours.case_
        ways = hours.carriageways
        vehicles = case.vehicles
        self.streams = np.zeros((len(hours.streams), 2 * len(ways)))
        self._way = np.array([ways.index(s.carriageway) for s in hours.streams], dtype=np.int64)
        state = case.traffic_state(0)
        names = list(vehicles)
        for k, stream in enumerate(hours.streams):
            for (number, vehicle), share in hours.split[k].items():
                body = vehicles[vehicle]
                lane = next(
                    n for n, lane in enumerate(case.road.lanes)
                    if (lane.carriageway, lane.number) == (stream.carriageway, number)
                )  # fmt: skip
                speed = float(state.mean_speed_m_s[lane, names.index(vehicle)])
                force = body.drag_coefficient * body.frontal_area_m2 * speed**2
                self.streams[k, 2 * self._way[k] + int(body.heavy)] += share * force
        self.largest = float((hours.flow_veh_h @ self.streams).sum(axis=1).max(initial=0.0)) or 1.0

    def force(self, flow_veh_h: Array, speed_factor: Array) -> Array:
        """Drag force of light and heavy vehicles of each carriageway (n, 2 x carriageways), over
        that of all of them at the busiest hour."""
        faster = np.repeat(speed_factor, 2, axis=1) ** 2
        return (flow_veh_h @ self.streams) * faster / self.largest

    def features(self, force: Array, winds: Winds) -> Array:
        """Places (n, axes) of hours."""
        carrying = _CARRIED * (_STILL_M_S + np.cbrt(force.sum(axis=1)))
        wind = np.arcsinh(winds.velocity_m_s / carrying[:, None])
        gusty = np.where(np.hypot(*winds.velocity_m_s.T) > 0.0, winds.intensity, 0.0)
        return np.column_stack([_TRAFFIC * np.sqrt(force), wind, _INTENSITY * gusty])


def usual_speed(case: Case, mount: Mount, force: Array, winds: Winds) -> Array:
    """What the effective speed roughly goes with, (n,) m/s."""
    profile = (case.air.wind or OPEN_LAND).model_copy(update={"speed_m_s": 1.0})
    ambient = np.hypot(*winds.velocity_m_s.T) * float(wind_speed(profile, mount.height_m))
    return np.asarray(np.sqrt(ambient**2 + np.cbrt(force.sum(axis=1)) ** 2) + _FLOOR)


class AirBetween:
    """Mean cube and mean speed at mounts between computed hours."""

    def __init__(
        self, case: Case, mounts: Sequence[Mount], places: Places, at: Array, moments: Array,
        usual: Array,
    ) -> None:  # fmt: skip
        """``at`` (n, axes), ``moments`` (n, mounts, 2) and ``usual`` (n, mounts) of the nodes."""
        self.case, self.mounts, self.places = case, tuple(mounts), places
        cube, mean = np.maximum(moments[..., 0], _FLOOR), np.maximum(moments[..., 1], _FLOOR)
        values = np.concatenate([np.log(cube / usual**3), np.log(cube / mean**3)], axis=1)
        self._span = np.where(np.ptp(at, axis=0) > 0.0)[0]
        self._between = RBFInterpolator(at[:, self._span], values, kernel="cubic", degree=1)

    def __call__(self, force: Array, winds: Winds) -> tuple[Array, Array]:
        """Mean cube and mean speed (n, mounts) of hours of any traffic and wind."""
        at = self.places.features(force, winds)[:, self._span]
        found = self._between(at)
        half = len(self.mounts)
        usual = np.column_stack([usual_speed(self.case, m, force, winds) for m in self.mounts])
        cube = np.exp(found[:, :half]) * usual**3
        return cube, np.cbrt(cube / np.exp(np.maximum(found[:, half:], 0.0)))


def farthest_first(
    at: Array, count: int, taken: Sequence[int] = (), free: Mask | None = None
) -> list[int]:
    """Numbers of ``count`` more places of ``at`` (n, axes), each the farthest from all before it
    and from those ``taken``; only such that are ``free``."""
    allowed = np.ones(len(at), dtype=bool) if free is None else free.copy()
    far = np.full(len(at), np.inf)
    for k in taken:
        far = np.minimum(far, np.linalg.norm(at - at[k], axis=1))
    if not len(taken):
        far = np.linalg.norm(at - np.median(at, axis=0), axis=1) + 1e-9
    found: list[int] = []
    first = not len(taken)
    for _ in range(count):
        k = int(np.argmax(np.where(allowed, far, -1.0)))
        if not allowed[k] or far[k] <= 0.0:
            break
        found.append(k)
        own = np.linalg.norm(at - at[k], axis=1)
        far = own if first else np.minimum(far, own)
        first = False
    return found


def compute_hours(payload: tuple[Case, ...]) -> dict[str, Array]:
    """Mean cube and mean speed (hours, mounts) of the first hour of cases that have the same
    mounts; runs in a worker. The search for each hour's mean air begins at that of the hour before
    (and finds the same as from anywhere, to 1e-4 of its largest speed)."""
    found, last = [], None
    for case in payload:
        cube, mean, last = moments_of(case, last)
        found.append((cube, mean))
    return {"cube": np.array([f[0] for f in found]), "mean": np.array([f[1] for f in found])}


def moments_of(case: Case, start: RoadState | None = None) -> tuple[Array, Array, RoadState | None]:
    """Mean cube, m3/s3, and mean, m/s, of the rotor-equivalent speed at each mount (mounts,) in the
    case's first hour, and the road's mean air in it, looked for from ``start``. The mounts must
    have the same wall or none.

    As ``measures.places.rotor_moments`` has them.
    """
    rotors = [mount.points() for mount in case.mounts]
    points = np.concatenate([points for points, _ in rotors])
    air = PointAir(case, hours=case.compute.hours[:1], start=start)
    if start is not None and len(start.factor) != len(air.views):
        air.start = None  # other classes drive
    state = statistics_in(air, points)
    at = np.cumsum([len(shares) for _, shares in rotors])[:-1]
    each = zip(
        np.split(state.mean_cube_m3_s3[0], at),
        np.split(state.mean_speed_m_s[0], at),
        (shares for _, shares in rotors),
        strict=True,
    )
    cube, mean = np.array([rotor_moments(*one) for one in each]).T
    return cube, mean, None if air.road is None else air.road.states[0]


def near_to_near(at: Array, numbers: Sequence[int]) -> list[int]:
    """The numbers of places ``at`` (n, axes), from the first on always the nearest one left."""
    left = list(numbers)
    found = [left.pop(0)] if left else []
    while left:
        k = int(np.argmin(np.linalg.norm(at[left] - at[found[-1]], axis=1)))
        found.append(left.pop(k))
    return found


class YearAir:
    """Computes hours of a year at mounts, and what lies between them."""

    def __init__(self, run: Run, hours: HoursOfYear, mounts: Sequence[Mount]) -> None:
        self.run, self.hours, self.mounts = run, hours, tuple(mounts)
        self.places = Places(hours)
        self.force = self.places.force(hours.flow_veh_h, hours.speed_factor)
        self.at = self.places.features(self.force, hours.winds)
        self.usual = np.column_stack(
            [usual_speed(hours.case_, m, self.force, hours.winds) for m in mounts]
        )
        self.known: dict[int, Array] = {}

    def jobs(self, numbers: Sequence[int]) -> list[Job]:
        """What computes hours that are not known yet."""
        new = near_to_near(self.at, [n for n in dict.fromkeys(numbers) if n not in self.known])
        jobs = []
        for mine in same_wall(self.mounts):
            mounts = [self.mounts[k] for k in mine]
            for part in (new[k : k + _CHUNK] for k in range(0, len(new), _CHUNK)):
                cases = tuple(self.hours.case(n, mounts) for n in part)
                take = partial(self._take, part, mine)
                jobs.append(Job(compute_hours, cases, f"hours {mine} {part}", take))
        return jobs

    def _take(self, part: Sequence[int], mine: Sequence[int], result: dict[str, Array]) -> None:
        """Keep what was computed. Raises NumericalError where it is not finite."""
        for i, n in enumerate(part):
            row = self.known.setdefault(n, np.full((len(self.mounts), 2), np.nan))
            row[mine, 0], row[mine, 1] = result["cube"][i], result["mean"][i]
            if not np.isfinite(row[mine]).all():
                raise NumericalError("hours of the year: the air at a mount is not finite")

    def first(self, tolerance: float) -> tuple[list[int], Index]:
        """Hours to compute at first: those between which others lie, and those to check at."""
        n = len(self.hours)
        if tolerance == 0.0 or n <= FIRST_NODES + CHECKED:
            return list(range(n)), np.zeros(0, dtype=np.int64)
        rng = np.random.default_rng(20)
        checked = np.sort(rng.choice(n, CHECKED, replace=False))
        return farthest_first(self.at, FIRST_NODES, free=self._free(checked)), checked

    def _free(self, checked: Index) -> Mask:
        free = np.ones(len(self.hours), dtype=bool)
        free[checked] = False
        return free

    def between(self, nodes: Sequence[int]) -> AirBetween:
        """What lies between computed hours."""
        number = np.array(nodes)
        moments = np.array([self.known[n] for n in nodes])
        return AirBetween(
            self.hours.case_, self.mounts, self.places, self.at[number], moments,
            self.usual[number],
        )  # fmt: skip

    def all(self, tolerance: float, beside: Sequence[Job] = ()) -> HourlyAir:
        """The air of every hour. ``tolerance``: what interpolation may miss of the effective speed,
        rms over the hours by their energy; 0: every hour is computed. Jobs ``beside`` are done
        with the first hours."""
        n = len(self.hours)
        nodes, checked = self.first(tolerance)
        self.run([*beside, *self.jobs([*nodes, *checked.tolist()])])
        if not checked.size:
            moments = np.array([self.known[k] for k in range(n)])
            return HourlyAir(
                moments[..., 0], moments[..., 1], np.ones(n, dtype=bool), checked,
                np.zeros((0, len(self.mounts))),
                self.between(farthest_first(self.at, MOST_NODES)),
            )  # fmt: skip
        true = np.array([self.known[k] for k in checked])[..., 0]
        while True:
            between = self.between(nodes)
            cube, _ = between(self.force[checked], self.hours.winds.take(checked))
            error = np.cbrt(cube / true) - 1.0
            weighted = np.sqrt((error**2 * true).sum(axis=0) / true.sum(axis=0)).max()
            often = np.quantile(np.abs(error), 0.9, axis=0).max()
            met = weighted <= tolerance and often <= _WORST * tolerance
            more = farthest_first(self.at, MORE_NODES, nodes, self._free(checked))
            if met or len(nodes) >= MOST_NODES or not more:
                break
            nodes = [*nodes, *more]
            self.run(self.jobs(more))
        cube, mean = between(self.force, self.hours.winds)
        computed = np.zeros(n, dtype=bool)
        for k, row in self.known.items():
            cube[k], mean[k], computed[k] = row[:, 0], row[:, 1], True
        return HourlyAir(cube, mean, computed, checked, error, between)


def same_wall(mounts: Sequence[Mount]) -> list[list[int]]:
    """Numbers of the mounts that share a wall or have none."""
    walls = dict.fromkeys(mount.wall_offset_m for mount in mounts)
    return [[k for k, m in enumerate(mounts) if m.wall_offset_m == wall] for wall in walls]
