"""The traffic and air of a case as intensity measures at any points; see ``steady``."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wakesim.air.profiles import ambient_velocity
from wakesim.arrays import Array
from wakesim.case.mounts import WANDER_SDS
from wakesim.case.schema import Case
from wakesim.measures.background import air_of
from wakesim.measures.pass_samples import PassSampler, PointSamples
from wakesim.measures.series import (
    case_sights,
    field_settings,
)
from wakesim.measures.steady_kernels import combine
from wakesim.section.road import RoadState
from wakesim.traffic.lines import FieldSettings
from wakesim.traffic.mean_air import MeanAir, prepare_wakes
from wakesim.traffic.measure import Measure
from wakesim.traffic.renewal import poisson_only
from wakesim.vehicle.pulse_grid import PulseFields
from wakesim.vehicle.wake import SHARE_U, SHARE_V, WakeConstants

PARTS = ("pulse", "wake", "turbulence", "drift", "ambient")


@dataclass(frozen=True)
class SteadyBackground:
    """Drift (hours, m) m/s and turbulent energy (hours, m) m2/s2 beyond followed wakes, drag
    factors (hours, views), eddy viscosities (n,) m2/s and which of them each hour takes."""

    drift: Array
    energy: Array
    factor: Array
    viscosity: Array
    level: NDArray[np.int64]


class SteadyAir:
    """The traffic and air of a case, ready for any points and clock hours.

    ``settings`` defaults to the case's (``series.field_settings``, with the traffic's mixing over
    the case's own hours); ``pulses`` to tables built here; ``wall_y_m`` to the wall of the case's
    first mount. ``excluding``: names of PARTS to leave out. Raises ValueError for other names, for
    pulse tables of other settings, and without traffic.
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
        keys, self.views, rates = case_sights(case, self.hours)
        self.keys = tuple(keys)
        self.rates_per_s = rates if keys else np.zeros((len(self.hours), 0))
        self.pulses = pulses or pulse_fields(self.settings)
        if not self.pulses.serves(
            self.settings.constants, self.settings.open_tail, self.settings.refinement
        ):
            raise ValueError("the pulse tables are those of another bubble, tail or refinement")

    @property
    def approximations(self) -> tuple[str, ...]:
        """What is not as the case says, in sentences."""
        traffic = self.case.traffic
        assert traffic is not None
        found = []
        if not poisson_only(traffic.headway):
            found.append(
                f"headways ({traffic.headway.model}) count as negative exponential: passes are "
                "independent of each other"
            )
        if traffic.drafting:
            found.append("drafting is left out: every vehicle has the drag it has on its own")
        if self.wall_y_m is not None:
            found.append("the wall mirrors the flow of the open road")
        return tuple(found)

    def outside(self, points: Array) -> NDArray[np.bool_]:
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
        return air_of(
            self.case,
            self.views,
            self.rates_per_s,
            self.settings,
            self.wall_y_m,
            reach_m=beyond,
            start=self.start,
        )

    def background(self, points: Array) -> SteadyBackground:
        """Drift, background turbulence, drag factors and eddy viscosity at points (m, 2)."""
        hours, views = len(self.hours), len(self.views)
        air = self.mean_air(points)
        if air is None:
            own = self.settings.own_diffusivity_m2_s or 0.0
            none = np.zeros((hours, len(points)))
            return SteadyBackground(
                none, none.copy(), np.ones((hours, views)), np.array([own]),
                np.zeros(hours, dtype=np.int64),
            )  # fmt: skip
        levels, number = air.levels
        prepare_wakes(self.views, self.settings, [float(v) for v in levels])
        drift, energy = air.background(points)
        return SteadyBackground(drift.sum(axis=1), energy.sum(axis=1), air.factor, levels, number)

    def sampler(self, points: Array, viscosity_m2_s: float) -> PassSampler:
        """Passes sampled at points, in air of an eddy viscosity made by traffic."""
        return PassSampler(
            self.views, self.settings, self.pulses, self.wall_y_m, points,
            viscosity_m2_s=viscosity_m2_s,
        )  # fmt: skip

    def ambient(self, points: Array, turbulence_height_m: ArrayLike | None) -> tuple[Array, Array]:
        """Mean wind (m, 2) m/s at points and the variance (m,) m2/s2 of each component."""
        wind = self.case.air.wind
        if wind is None or "ambient" not in self.parts:
            return np.zeros((len(points), 2)), np.zeros(len(points))
        u, v = ambient_velocity(wind, points[:, 1])
        heights = points[:, 1] if turbulence_height_m is None else turbulence_height_m
        heights = np.broadcast_to(np.asarray(heights, dtype=np.float64), len(points))
        intensity = np.array([wind.intensity(float(z)) for z in heights])
        return np.column_stack([u, v]), (intensity * np.hypot(u, v)) ** 2

    def measure(self, samples: PointSamples, hour: int, drag: Array) -> Measure:
        """Intensity measure at one sampled point in hour number ``hour``; ``drag`` (views,)."""
        parts = np.array([float(name in self.parts) for name in PARTS[:3]])
        weight, nodes = np.empty(samples.count), np.empty((samples.count, 5))
        n = combine(
            samples.count, samples.values, samples.node, samples.view, samples.chance,
            samples.node_weight, samples.moments, self.rates_per_s[hour], drag, parts,
            SHARE_U, SHARE_V, weight, nodes,
        )  # fmt: skip
        return Measure(weight[:n], nodes[:n])


def pulse_fields(settings: FieldSettings) -> PulseFields:
    """Tables of displacement flow, kept in a process as long as the hulls stay the same."""
    return _pulse_fields(
        settings.constants.bubble_length_heights, settings.open_tail, settings.refinement
    )


@lru_cache(maxsize=8)
def _pulse_fields(bubble_heights: float, open_tail: bool, refinement: float) -> PulseFields:
    constants = WakeConstants(bubble_length_heights=bubble_heights)
    return PulseFields(constants, open_tail, refinement)
