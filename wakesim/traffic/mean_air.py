"""The mean air of a road's traffic, hour by hour, and what of it single wakes do not show.

For every clock hour the balance of the cross-section (``section.road``) gives the mean along-road
velocity M, the turbulent energy K and the eddy viscosity that the traffic makes, with the drag it
lowers itself. Superposition follows single wakes up to the wake memory T; the rest of the mean is
the **drift**,

    drift = M - q r int_0^T w u dt   (Campbell 1909: the mean that followed wakes bring),

q the rate of passes, r the drag factor, w the fade from 1 to 0 over the last tenth of T, u from
where a wake enters the balance on. The mean is that of the balance for any T, so T only decides how
long a wake is followed as an event of its own. The same holds for the turbulence: what the
background keeps is K less what followed wakes bring, at least 0.

M is linear in its sources for the eddy viscosity found, so each class's part is known.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from wakesim import constants as empirical
from wakesim.air.profiles import ambient_velocity
from wakesim.arrays import Array
from wakesim.case.schema import Case
from wakesim.kept import keep
from wakesim.section.closure import Closure
from wakesim.section.crossflow import Barrier
from wakesim.section.drift import DriftField, DriftModel
from wakesim.section.grid import CrossSectionGrid
from wakesim.section.road import RoadSection, RoadState, Sources
from wakesim.section.wake import BACKGROUND_HEIGHT_M, prepare_tables, wake_table
from wakesim.traffic.lines import FieldSettings, LaneView, followed_s, memory_fade
from wakesim.traffic.scene import wind_friction_velocity
from wakesim.vehicle.marched_wake import wake_start
from wakesim.vehicle.wake import Wake, law_class, vehicle_wake, with_wall_image

_FINE_M, _COARSE_M = 0.5, 0.8
_GROWTH = 0.16
REACH_M, _HEIGHT_M = 130.0, 70.0
_LEVEL_RATIO = 2.6  # between the eddy viscosities for which lines are prepared
_AGES = 140  # nodes of the Campbell integral
_CHAINS = 2  # hours are marched in so many chains, each warm from the last hour


@dataclass(frozen=True)
class MeanAir:
    """Mean air of every hour; ``states`` (hours,), ``models`` the linear balances (hours,),
    ``response`` (hours, views, cells) m/s that each view makes with its drag of that hour,
    ``rates`` (hours, views) passes/s, ``factor`` (hours, views) drag factors, ``viscosity``
    (hours,) m2/s around the wakes.
    """

    section: RoadSection
    views: tuple[LaneView, ...]
    settings: FieldSettings
    wall_y_m: float | None
    side_y_m: float
    made: Sources
    states: tuple[RoadState, ...]
    models: tuple[DriftModel, ...]
    response: Array
    rates: Array
    factor: Array
    viscosity: Array

    @property
    def levels(self) -> tuple[Array, Array, NDArray[np.int64]]:
        """Eddy viscosities (n,) m2/s for which lines are prepared, how long wakes are followed in
        each of them (n,) s, and each hour's number."""
        viscosity, number = viscosity_levels(self.viscosity)
        memory = np.full(viscosity.size, self.settings.wake_memory_s)
        if self.settings.memory_by_hour:
            flows = self.rates.sum(axis=1)
            memory = np.array([followed_s(flows[number == k]) for k in range(viscosity.size)])
        return viscosity, memory, number

    def mean(self, hour: int, points: Array) -> Array:
        """Mean along-road velocity of the balance that each view makes, (views, m) m/s."""
        weights = self.models[hour].weights(points[:, 0], points[:, 1])
        return np.asarray((weights @ self.response[hour].T).T)

    def energy(self, hour: int, points: Array) -> Array:
        """Turbulent energy of the balance at points, (m,) m2/s2."""
        grid = self.section.grid
        k = self.states[hour].k
        y = np.clip(points[:, 0], grid.y[0], grid.y[-1])
        z = np.clip(points[:, 1], grid.z[0], grid.z[-1])
        i = np.clip(np.searchsorted(grid.y, y) - 1, 0, grid.y.size - 2)
        j = np.clip(np.searchsorted(grid.z, z) - 1, 0, grid.z.size - 2)
        a = (y - grid.y[i]) / (grid.y[i + 1] - grid.y[i])
        b = (z - grid.z[j]) / (grid.z[j + 1] - grid.z[j])
        low = (1.0 - a) * k[i, j] + a * k[i + 1, j]
        return np.asarray((1.0 - b) * low + b * ((1.0 - a) * k[i, j + 1] + a * k[i + 1, j + 1]))

    def beyond_wakes(self, points: Array) -> tuple[Array, Array]:
        """Drift (hours, views, m) m/s and turbulent energy (hours, views, m) m2/s2 at points,
        beyond what followed wakes bring."""
        viscosity, memory, number = self.levels
        followed = [
            followed_wakes(
                self.views, replace(self.settings, wake_memory_s=float(m)), self.wall_y_m,
                float(v), points,
            )
            for v, m in zip(viscosity, memory, strict=True)
        ]  # fmt: skip
        drift = np.zeros((len(self.states), len(self.views), len(points)))
        energy = np.zeros_like(drift)
        strength = np.array([_work(s) for s in self.views])
        for hour in range(len(self.states)):
            acting = self.rates[hour] * self.factor[hour]
            mine = followed[number[hour]]
            drift[hour] = self.mean(hour, points) - acting[:, None] * mine[:, 0]
            whole = self.settings.constants.turbulence_factor**2 * self.energy(hour, points)
            left = whole - acting @ mine[:, 1]
            share = acting * strength
            share = share / share.sum() if share.sum() > 0.0 else share
            energy[hour] = share[:, None] * np.maximum(left, 0.0)
        return drift, energy

    def lane_speed(self) -> Array:
        """Mean air speed along each view's way where its wakes enter, (hours, views) m/s."""
        made, own = self.made, np.array([s.direction for s in self.views])
        return np.array([own * self.section.entry_speed(made, state.u) for state in self.states])

    def _force(self, hour: int) -> Array:
        """Source of each view with its drag of the hour, own way counted positive."""
        strength = self.rates[hour] * self.factor[hour] * self.made.direction
        alone = self.section.force(self.made)
        return strength[:, None, None] * alone

    def mean_field(self) -> DriftField:
        """Mean velocity over the section, all hours alike, and the sources it belongs to; in the
        eddy viscosity of the busiest hour."""
        own, shape = np.array([s.direction for s in self.views]), self.section.grid.shape
        busiest = int(np.argmax(self.rates.sum(axis=1)))
        total = self.response.mean(axis=0).sum(axis=0).reshape(shape)
        source = np.mean(
            [np.tensordot(own, self._force(h), axes=1) for h in range(len(self.states))], axis=0
        )
        return DriftField(self.models[busiest], total, source)

    def balance(self) -> dict[str, float]:
        """Where the drag goes, m3/s2, mean over the hours; each view counted along its own way."""
        own, shape = np.array([s.direction for s in self.views]), self.section.grid.shape
        parts = []
        for h, model in enumerate(self.models):
            along = own @ self.response[h]
            field = DriftField(model, along.reshape(shape), self._force(h).sum(axis=0))
            parts.append(field.balance)
        return {key: float(np.mean([part[key] for part in parts])) for key in parts[0]}


def _work(view: LaneView) -> float:
    v = view.vehicle
    return v.drag_coefficient * v.frontal_area_m2 * view.mean_speed_m_s**3


def viscosity_levels(viscosity: Array) -> tuple[Array, NDArray[np.int64]]:
    """Few eddy viscosities (n,) that stand for those of the hours, and which each hour takes."""
    low, high = float(viscosity.min()), float(viscosity.max())
    if low <= 0.0 or high / low < 1.05:
        return np.array([float(viscosity.mean())]), np.zeros(viscosity.size, dtype=np.int64)
    count = int(np.ceil(np.log(high / low) / np.log(_LEVEL_RATIO))) + 1
    levels = np.geomspace(low, high, min(count, 3))
    number = np.abs(np.log(viscosity[:, None] / levels)).argmin(axis=1)
    used = np.unique(number)
    return levels[used], np.searchsorted(used, number).astype(np.int64)


def wake_of(view: LaneView, settings: FieldSettings, viscosity_m2_s: float) -> Wake:
    """Wake of a view's vehicles in air of an eddy viscosity made by traffic."""
    relative = view.relative_speed_m_s
    air = settings.air_state(view, relative, viscosity_m2_s)
    return vehicle_wake(view.vehicle, settings.constants, air)


def followed_wakes(
    views: Sequence[LaneView], settings: FieldSettings, wall_y_m: float | None,
    viscosity_m2_s: float, points: Array,
) -> Array:  # fmt: skip
    """Integrals over one pass of each view of u (road axes), m, and of k, m2/s, at points (m, 2):
    (views, 2, m).

    From where the wake enters the balance to the wake memory, with its fade. Views that differ by
    their lane alone share the wake.
    """
    out = np.zeros((len(views), 2, len(points)))
    alike: dict[tuple[object, ...], list[int]] = {}
    for number, view in enumerate(views):
        relative = view.relative_speed_m_s
        air = settings.air_state(view, relative, viscosity_m2_s)
        alike.setdefault((view.vehicle, relative, air), []).append(number)
    for (_, relative, _), numbers in alike.items():
        first, last = entry_behind_m(views[numbers[0]], settings), relative * settings.wake_memory_s
        if last <= first:
            continue
        wake = wake_of(views[numbers[0]], settings, viscosity_m2_s)
        edges = np.geomspace(first, last, _AGES + 1)
        x = np.sqrt(edges[1:] * edges[:-1])
        weight = memory_fade(x / relative, settings.wake_memory_s) * np.diff(edges) / relative
        way = np.array([views[i].direction for i in numbers], dtype=np.float64)[:, None]
        centre = np.array([views[i].lane_centre_m for i in numbers])[:, None]
        lateral = way * (points[:, 0] - centre + settings.lateral_shift_m)
        wall = None if wall_y_m is None else way * (wall_y_m - centre)
        z = np.tile(points[:, 1], len(numbers))
        for y in with_wall_image(lateral, wall):
            u, k = wake.passed(x, weight, y.ravel(), z)
            out[numbers, 0] += way * relative * u.reshape(lateral.shape)
            out[numbers, 1] += relative**2 * k.reshape(lateral.shape)
    return out


def entry_behind_m(view: LaneView, settings: FieldSettings) -> float:
    """Distance behind the tail where a wake enters the road's balance, m."""
    table = wake_table(view.vehicle, wake_start(view.vehicle, settings.constants), 0)
    return table.entry_m - view.vehicle.length_m


def road_section(
    case: Case,
    settings: FieldSettings,
    points: Array,
    wall_y_m: float | None,
    friction_velocity_m_s: float,
    *,
    coarse: bool = False,
    reach_m: float = REACH_M,
) -> RoadSection:
    """Cross-section of a case's road; the grid is fine around lanes and points (n, 2)."""
    barriers = [] if wall_y_m is None else [(wall_y_m, _HEIGHT_M)]
    lanes = [lane.centre_m for lane in case.road.lanes]
    grid = CrossSectionGrid.around(
        lanes, points, reach_m, _HEIGHT_M, _COARSE_M if coarse else _FINE_M, _GROWTH,
        barriers=barriers,
    )  # fmt: skip
    ground = case.air.drift
    roughness = np.full(grid.y.size, ground.roughness_verge_m * settings.verge_roughness_factor)
    for way in case.road.carriageways:
        low, high = way.paved_m
        paved = (grid.y > low) & (grid.y < high)
        roughness[paved] = ground.roughness_road_m * settings.road_roughness_factor
    return RoadSection(
        grid,
        roughness,
        lambda z: ambient_velocity(case.air.wind, z)[1] + settings.extra_crosswind_m_s,
        friction_velocity_m_s,
        [Barrier(y, height) for y, height in barriers],
    )


def sources(
    section: RoadSection, views: Sequence[LaneView], settings: FieldSettings, side_y_m: float
) -> Sources:
    """The views as sources of the section; beyond a wall nothing enters."""
    tables = [wake_table(s.vehicle, wake_start(s.vehicle, settings.constants), 0) for s in views]
    entry = np.array(
        [section.project(t, t.entry, s.lane_centre_m) for t, s in zip(tables, views, strict=True)]
    )
    for barrier in section.barriers:
        beyond = np.sign(section.grid.y - barrier.y_m) != np.sign(side_y_m - barrier.y_m)
        entry[:, :, beyond] = 0.0
    return Sources(
        entry,
        np.array([s.direction for s in views]),
        np.array([s.relative_speed_m_s for s in views]),
    )


def closure_of(settings: FieldSettings) -> Closure:
    """Closure constants of the settings."""
    return Closure(
        c2=settings.constants.turbulence_decay_c2, weak_shear=settings.constants.weak_shear_mixing
    )


def mean_air(
    section: RoadSection,
    views: Sequence[LaneView],
    rates_per_s: Array,
    settings: FieldSettings,
    wall_y_m: float | None,
    side_y_m: float,
    start: RoadState | None = None,
) -> MeanAir:
    """Balance of every hour for ``rates_per_s`` (hours, views).

    ``side_y_m``: a y on the road's side of the wall. ``start``: air like it, to be warm from.
    """
    made = sources(section, views, settings, side_y_m)
    closure = closure_of(settings)
    single = start is not None or len(rates_per_s) == 1  # those come by the thousand
    balance = _states if single else _kept_states
    states = balance(section, made, rates_per_s, closure, start).apart()
    own = settings.own_diffusivity_m2_s
    z = section.grid.z
    shaped = z / (z + BACKGROUND_HEIGHT_M)
    viscosity = [
        (own * np.broadcast_to(shaped, section.grid.shape) if own is not None else s.viscosity)
        for s in states
    ]
    factor_mixing = settings.mixing_factor
    force = section.force(made)
    response = np.empty((len(states), len(views), force[0].size))

    def answer(hour: int) -> DriftModel:
        model = section.linear(viscosity[hour], factor_mixing)
        response[hour] = model.responses(force).reshape(len(views), -1)
        return model

    with ThreadPoolExecutor(_CHAINS) as pool:
        models = list(pool.map(answer, range(len(states))))
    factor = np.array([s.factor for s in states]).reshape(len(states), len(views))
    response *= (rates_per_s * factor)[:, :, None]
    around = np.array([section.around(made, nu) for nu in viscosity]) * factor_mixing
    return MeanAir(
        section, tuple(views), settings, wall_y_m, side_y_m, made, tuple(states), tuple(models),
        response, rates_per_s, factor, around,
    )  # fmt: skip


def _friction_velocity(case: Case) -> float:
    """Of the wind and of what moves in still air, m/s."""
    return math.hypot(wind_friction_velocity(case), empirical.RESIDUAL_FRICTION_VELOCITY_M_S.value)


_KEPT: dict[tuple[object, ...], MeanAir] = {}
_KEPT_MOST = 4
_KEEPING = threading.Lock()


def road_air(
    case: Case,
    views: tuple[LaneView, ...],
    rates_per_s: Array,
    settings: FieldSettings,
    wall_y_m: float | None,
    *,
    reach_m: float = 0.0,
    coarse: bool = False,
    start: RoadState | None = None,
) -> MeanAir:
    """Mean air of a case's road; the last few are kept, for they serve all its mounts.

    ``reach_m``: how far beyond the outermost lane points lie. ``start``: the state of air like it
    on the same grid, to be warm from; then nothing is kept.
    """
    reach = REACH_M + 50.0 * np.ceil(max(reach_m - 0.3 * REACH_M, 0.0) / 50.0)
    points = np.array([(m.offset_m, m.height_m) for m in case.mounts]).reshape(-1, 2)
    key = (
        views, rates_per_s.tobytes(), settings, wall_y_m, repr(case.road), repr(case.air),
        points.tobytes(), float(reach), coarse,
    )  # fmt: skip
    known = _KEPT.get(key) if start is None else None
    if known is None:
        prepare_wakes(views, settings)
        section = road_section(
            case, settings, points, wall_y_m, _friction_velocity(case), coarse=coarse,
            reach_m=float(reach),
        )  # fmt: skip
        middle = float(np.mean([lane.centre_m for lane in case.road.lanes]))
        made = mean_air(section, views, rates_per_s, settings, wall_y_m, middle, start)
        if start is not None:
            return made
        with _KEEPING:
            while len(_KEPT) >= _KEPT_MOST:
                _KEPT.pop(next(iter(_KEPT)))
            _KEPT[key] = made
        return made
    return known


def forget_roads() -> None:
    """Let go of the mean air that this process keeps for further mounts."""
    with _KEEPING:
        _KEPT.clear()


@dataclass(frozen=True)
class _Day:
    """Fields of ``RoadState`` for all hours, (hours, ...)."""

    u: Array
    k: Array
    eps: Array
    viscosity: Array
    factor: Array

    def apart(self) -> list[RoadState]:
        parts = (getattr(self, f.name) for f in fields(self))
        return [RoadState(*hour) for hour in zip(*parts, strict=True)]


def _states(
    section: RoadSection,
    made: Sources,
    rates: Array,
    closure: Closure,
    start: RoadState | None,
) -> _Day:
    """States of all hours: in order of traffic, in chains, each hour warm from the one before.

    The chains do not depend on how many threads there are, nor does any result.
    """
    order = np.argsort(-(rates @ made.speed**3), kind="stable")
    states: list[RoadState | None] = [None] * len(rates)

    def chain(numbers: NDArray[np.int64]) -> None:
        last = start
        for n in numbers:
            last = section.steady_traffic(made, rates[n], closure, last)
            states[n] = last

    with ThreadPoolExecutor(_CHAINS) as pool:
        list(pool.map(chain, (order[i::_CHAINS] for i in range(_CHAINS))))
    found = [state for state in states if state is not None]
    return _Day(*(np.array([getattr(state, f.name) for state in found]) for f in fields(RoadState)))


_kept_states = keep("road", _Day)(_states)


def prepare_wakes(
    views: Sequence[LaneView], settings: FieldSettings, viscosity: Sequence[float] = ()
) -> None:
    """March the tables that views need in air of the given eddy viscosities, and in still air."""
    law = law_class(settings.constants.law)
    wanted = []
    for view in views:
        start = wake_start(view.vehicle, settings.constants)
        levels = {0}
        for value in viscosity:
            air = settings.air_state(view, view.relative_speed_m_s, value)
            levels |= law.levels(air)
        wanted += [(view.vehicle, start, level) for level in sorted(levels)]
    prepare_tables(wanted)
