"""The stochastic stream: which vehicle passes when, in which lane, how fast and how far aside."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from wakesim import constants
from wakesim.arrays import Array
from wakesim.errors import CaseError
from wakesim.traffic import headways
from wakesim.traffic.headways import HeadwaySettings

SLOWEST_M_S = constants.SLOWEST_M_S.value
TRUNCATION_SD = constants.TRUNCATION_SD.value

# Drag of the rear of two vans: -43 % at a gap of 0.5 lengths (J. J. Cerutti, G. Cafiero, G. Iuso,
# Int. J. Heat Fluid Flow 90 (2021) 108823, abstract). At 3 lengths the abstract gives -20 % as the
# mean of both vehicles; with the rear one's share of the mean as at 0.5 lengths (43 against 36.5)
# that is -23.6 %, which an exponential of 4.2 lengths meets. The fit is ours.
DRAFT_DEPTH = constants.DRAFT_DEPTH.value
DRAFT_NEAREST = constants.DRAFT_NEAREST.value
DRAFT_DECAY = constants.DRAFT_DECAY.value

# Lane streams hang below this key, apart from the children that SeedSequence.spawn() makes.
_STREAM_KEY = 0x6C616E65


class Lane(Protocol):
    @property
    def name(self) -> str: ...


class Driven(Protocol):
    @property
    def name(self) -> str: ...
    @property
    def length_m(self) -> float: ...


class TrafficState(Protocol):
    """Flows (n_lanes,) in veh/s and class mix, mean speed and sd (n_lanes, n_vehicles) in m/s."""

    @property
    def flow_veh_s(self) -> Array: ...
    @property
    def mix(self) -> Array: ...
    @property
    def mean_speed_m_s(self) -> Array: ...
    @property
    def speed_sd_m_s(self) -> Array: ...


@dataclass(frozen=True)
class Passes:
    """Vehicles in the order their noses pass the mount; arrays of equal length (n,).

    ``lane`` and ``vehicle`` index the lanes and vehicles the stream was drawn for. The centreline
    of a vehicle runs at y = lane centre + ``wander_m``. ``wake_factor`` is the drag relative to the
    same vehicle driving alone: 1, or less behind a near leader when drafting is on.
    """

    time_s: Array
    lane: NDArray[np.int32]
    vehicle: NDArray[np.int32]
    speed_m_s: Array
    wander_m: Array
    wake_factor: Array

    def __len__(self) -> int:
        return int(self.time_s.size)

    def take(self, index: NDArray[np.int_] | NDArray[np.bool_] | slice) -> Passes:
        """The passes at ``index`` (integer, boolean or slice)."""
        return Passes(*(getattr(self, item.name)[index] for item in fields(self)))


def join_passes(parts: Sequence[Passes], start_s: Sequence[float] | None = None) -> Passes:
    """One time-ordered record from several, each shifted by its ``start_s`` (default no shift)."""
    if not parts:
        return _no_passes()
    shifts = [0.0] * len(parts) if start_s is None else list(start_s)
    if len(shifts) != len(parts):
        raise ValueError("one start time per part is needed")
    times = np.concatenate([part.time_s + shift for part, shift in zip(parts, shifts, strict=True)])
    rest = (
        np.concatenate([getattr(part, item.name) for part in parts]) for item in fields(Passes)[1:]
    )
    return Passes(times, *rest).take(np.argsort(times, kind="stable"))


def _no_passes() -> Passes:
    none = np.empty(0)
    index = np.empty(0, dtype=np.int32)
    return Passes(none, index, index, none, none, none)


def drafting_factor(gap_m: ArrayLike, length_m: ArrayLike) -> Array:
    """Drag of a follower relative to driving alone, at a gap (m) behind its leader.

    1 - 0.43 exp(-(max(g/L, 0.5) - 0.5)/4.2) with L the follower's length (m); the shapes broadcast.
    Fit to one wind-tunnel study of two equal vans (see the constants above); other pairs of
    vehicles are an extrapolation, and the leader's own smaller drag is left out.
    """
    lengths = np.asarray(gap_m, dtype=np.float64) / np.asarray(length_m, dtype=np.float64)
    excess = np.maximum(lengths, DRAFT_NEAREST) - DRAFT_NEAREST
    return 1.0 - DRAFT_DEPTH * np.exp(-excess / DRAFT_DECAY)


def draw_passes(
    state: TrafficState,
    lanes: Sequence[Lane],
    vehicles: Sequence[Driven],
    headway: HeadwaySettings,
    wander_sd_m: float,
    drafting: bool,
    duration_s: float,
    seed_sequence: np.random.SeedSequence,
) -> Passes:
    """Draw all passes with 0 <= time < ``duration_s`` (s) under one steady traffic state.

    Each lane is a renewal stream in equilibrium: stationary from t = 0. Speeds are normal,
    truncated at three standard deviations and at 5 m/s; lateral wander (standard deviation
    ``wander_sd_m``, m) is normal, truncated at three. Each lane has its own random streams for
    arrivals, classes, speeds and wander, all derived from ``seed_sequence`` without changing it:
    the same seed gives the same passes, a lane does not notice the others, and changing the wander
    leaves arrivals, classes and speeds as they were.

    Vehicles do not see each other: a fast one may pass through a slow one of its own lane away
    from the mount.

    Raises CaseError naming the lane when its flow or speeds are not possible, ValueError when the
    shapes do not fit.
    """
    _check_shapes(state, len(lanes), len(vehicles))
    if not (duration_s >= 0.0 and math.isfinite(duration_s)):
        raise ValueError("duration must be at least 0 s")
    if not wander_sd_m >= 0.0:
        raise ValueError("wander must be at least 0 m")
    parts = []
    for index, lane in enumerate(lanes):
        headways.check_flow(headway, float(state.flow_veh_s[index]), lane.name)
        if state.flow_veh_s[index] > 0.0 and duration_s > 0.0:
            generators = _lane_generators(seed_sequence, index)
            part = _lane_passes(
                state, index, lane, vehicles, headway, wander_sd_m, duration_s, generators
            )
            # The first entry is the last vehicle before t = 0, the leader of the first one after.
            if drafting:
                part = _drafted(part, vehicles)
            parts.append(part.take(slice(1, None)))
    return join_passes(parts)


def _lane_passes(
    state: TrafficState,
    index: int,
    lane: Lane,
    vehicles: Sequence[Driven],
    headway: HeadwaySettings,
    wander_sd_m: float,
    duration_s: float,
    generators: Sequence[np.random.Generator],
) -> Passes:
    for_arrivals, for_classes, for_speeds, for_wander = generators
    flow = float(state.flow_veh_s[index])
    times = _arrivals(headway, flow, duration_s, for_arrivals, lane.name)
    vehicle = _classes(state.mix[index], times.size, for_classes, lane.name)
    low, high = _speed_range(state, index, lane, vehicles)
    mean, sd = state.mean_speed_m_s[index], state.speed_sd_m_s[index]
    return Passes(
        times,
        np.full(times.size, index, dtype=np.int32),
        vehicle,
        _truncated_normal(mean, sd, low, high, vehicle, for_speeds),
        _wander(wander_sd_m, times.size, for_wander),
        np.ones(times.size),
    )


def _drafted(passes: Passes, vehicles: Sequence[Driven]) -> Passes:
    """The passes of one lane with the drag of each behind its leader."""
    length = np.array([vehicle.length_m for vehicle in vehicles], dtype=np.float64)[passes.vehicle]
    gap = passes.speed_m_s[:-1] * np.diff(passes.time_s) - length[:-1]
    factor = np.concatenate(([1.0], drafting_factor(gap, length[1:])))
    return replace(passes, wake_factor=factor)


def _check_shapes(state: TrafficState, n_lanes: int, n_vehicles: int) -> None:
    if np.shape(state.flow_veh_s) != (n_lanes,):
        raise ValueError(f"flow_veh_s must have shape ({n_lanes},)")
    for name in ("mix", "mean_speed_m_s", "speed_sd_m_s"):
        if np.shape(getattr(state, name)) != (n_lanes, n_vehicles):
            raise ValueError(f"{name} must have shape ({n_lanes}, {n_vehicles})")


def _lane_generators(seed_sequence: np.random.SeedSequence, lane: int) -> list[np.random.Generator]:
    key = (*seed_sequence.spawn_key, _STREAM_KEY, lane)
    own = np.random.SeedSequence(seed_sequence.entropy, spawn_key=key)
    return [np.random.Generator(np.random.PCG64(child)) for child in own.spawn(4)]


def _arrivals(
    headway: HeadwaySettings, flow: float, duration_s: float, rng: np.random.Generator, where: str
) -> Array:
    """Arrival times in [0, duration) with the last one before 0 in front."""
    headways.parameters(headway, flow, where)
    since, until = headways.equilibrium_interval(headway, flow, rng)
    count_sd = math.sqrt(duration_s * flow**3) * headways.standard_deviation(headway, flow)
    batch = math.ceil(flow * duration_s + 5.0 * count_sd) + 8
    pieces = [np.array([-since, until])]
    while pieces[-1][-1] < duration_s:
        steps = headways.sample_headways(headway, flow, batch, rng)
        pieces.append(pieces[-1][-1] + np.cumsum(steps))
    times = np.concatenate(pieces)
    return times[: np.searchsorted(times, duration_s, side="left")]


def _classes(mix: Array, n: int, rng: np.random.Generator, where: str) -> NDArray[np.int32]:
    shares = np.asarray(mix, dtype=np.float64)
    if not (np.all(shares >= 0.0) and shares.sum() > 0.0):
        raise CaseError(f"{where}: has traffic but no class mix")
    edges = np.cumsum(shares)
    return np.searchsorted(edges / edges[-1], rng.random(n), side="right").astype(np.int32)


def _speed_range(
    state: TrafficState, index: int, lane: Lane, vehicles: Sequence[Driven]
) -> tuple[Array, Array]:
    mean, sd = state.mean_speed_m_s[index], state.speed_sd_m_s[index]
    used = np.asarray(state.mix[index]) > 0.0
    low = np.maximum(mean - TRUNCATION_SD * sd, SLOWEST_M_S)
    high = mean + TRUNCATION_SD * sd
    for number in np.flatnonzero(used & ~((sd >= 0.0) & (high >= low) & np.isfinite(high))):
        raise CaseError(
            f"{lane.name}: {vehicles[int(number)].name} with mean speed {mean[number]:g} m/s and "
            f"standard deviation {sd[number]:g} m/s never reaches {SLOWEST_M_S:g} m/s, the slowest "
            "speed the method takes"
        )
    return low, high


def _truncated_normal(
    mean: Array,
    sd: Array,
    low: Array,
    high: Array,
    index: NDArray[np.int32],
    rng: np.random.Generator,
) -> Array:
    """Normal values by the inverse distribution, one uniform number each, within [low, high]."""
    spread = np.where(sd > 0.0, sd, 1.0)
    below, above = special.ndtr((low - mean) / spread), special.ndtr((high - mean) / spread)
    share = below[index] + rng.random(index.size) * (above - below)[index]
    values = mean[index] + sd[index] * special.ndtri(share)
    return np.clip(values, low[index], high[index])


def _wander(sd: float, n: int, rng: np.random.Generator) -> Array:
    zero, one = np.zeros(1), np.ones(1)
    limit = TRUNCATION_SD * one
    return sd * _truncated_normal(zero, one, -limit, limit, np.zeros(n, dtype=np.int32), rng)
