"""Lines through the frozen pass fields, as a mount sees them.

A mount sees each lane at a fixed lateral distance, so a pass is a walk along one line of the frozen
field of its class. Here the lines are prepared once for every lane, class, wander node and point of
the rotor; superpose.py then walks them. A pass has three lines: the pulse, the near wake from the
nose on (both with a fine step) and the far wake (coarse step, up to the wake memory).

Rows run with time. Columns are channel by channel, the nine rotor points inside: u and v of a
pulse; u and the turbulent energy k of a wake. All in road axes (u along +x, v along +y) per unit
air-relative speed (k per unit speed squared), in single precision: good to 6e-8 of each value.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import CubicSpline

from wakesim import constants as defaults
from wakesim.arrays import Array, graded
from wakesim.case.vehicle import Vehicle
from wakesim.vehicle.passfield import solved_hull
from wakesim.vehicle.wake import (
    AirState,
    WakeConstants,
    bubble_length_m,
    vehicle_wake,
    with_wall_image,
)

POINTS = 9
CHANNELS = 2
NEAR_STEP_M, FAR_STEP_M = 0.2, 1.0
AHEAD_M, BEHIND_M = 40.0, 50.0  # extent of the pulse ahead of the nose and behind the tail
WANDER_NODES = np.linspace(-2.4, 2.4, 9)  # in standard deviations; passes take the nearest
SPEED_NODES = np.array([-1.25, 0.0, 1.25])  # in standard deviations, for the age of the far wake
_LATERAL_ERROR = 1e-4
FADE = defaults.MEMORY_FADE.value  # share of the wake memory over which the cut-off fades out
# Wakes are followed for so many headways of the road.
_MEMORY_HEADWAYS = 20.0
_SHORTEST_MEMORY_S, LONGEST_MEMORY_S = 30.0, 120.0


@dataclass(frozen=True)
class LaneView:
    """One class in one lane as seen from the mount."""

    vehicle: Vehicle
    lane_centre_m: float
    direction: int
    mean_speed_m_s: float
    speed_sd_m_s: float
    wind_along_m_s: float = 0.0  # ambient wind at half the vehicle's height, road axes
    wind_across_m_s: float = 0.0

    @property
    def relative_speed_m_s(self) -> float:
        """Mean speed of the vehicles through the air, m/s."""
        return float(air_relative_speed(self.mean_speed_m_s, self.direction, self.wind_along_m_s))


@dataclass(frozen=True)
class FieldSettings:
    """What a pass field is computed with."""

    constants: WakeConstants
    open_tail: bool
    wake_memory_s: float
    wander_sd_m: float
    memory_by_hour: bool = False  # ``followed_s`` of each hour's traffic instead
    own_diffusivity_m2_s: float | None = None  # instead of the eddy viscosity of the balance
    mixing_factor: float = (
        defaults.MIXING_FACTOR.value
    )  # on that of the balance, for the uncertainty
    ambient_diffusivity_m2_s: float = 0.0  # of the ambient wind at the height of the wakes
    lateral_shift_m: float = (
        defaults.LATERAL_SHIFT_M.value
    )  # systematic error of the lane position, for the uncertainty
    extra_crosswind_m_s: float = (
        defaults.EXTRA_CROSSWIND_M_S.value
    )  # carries wakes and drift only, for the uncertainty
    road_roughness_factor: float = 1.0  # on the roughness of the road, for the uncertainty
    verge_roughness_factor: float = 1.0  # on that of the verge
    refinement: float = 1.0  # panels of the hulls in each direction, relative to the default

    def air_state(
        self, view: LaneView, relative_m_s: float, viscosity_m2_s: float = 0.0
    ) -> AirState:
        """The air that wakes of a view trail through, in the vehicle's frame.

        ``viscosity_m2_s``: eddy viscosity that the traffic makes there.
        """
        spread = viscosity_m2_s + self.ambient_diffusivity_m2_s
        across = view.direction * (view.wind_across_m_s + self.extra_crosswind_m_s)
        return AirState(spread / relative_m_s, across / relative_m_s)


@dataclass(frozen=True)
class LineTable:
    """Lines stacked in one array (rows, 2 x 9): line i is rows first[i] to first[i] + rows[i]."""

    data: NDArray[np.float32]
    first: NDArray[np.int64]
    rows: NDArray[np.int64]
    step_m: float

    @classmethod
    def of(cls, rows: Sequence[int], step_m: float) -> LineTable:
        """A table of zeros for lines of so many rows each."""
        count = np.array(rows, dtype=np.int64)
        data = np.zeros((int(count.sum()), CHANNELS * POINTS), dtype=np.float32)
        return cls(data, np.cumsum(count) - count, count, step_m)

    def lines(self, number: int, count: int) -> NDArray[np.float32]:
        """``count`` lines of equal length from ``number`` on, (count, rows, 2, 9), to read or
        write."""
        rows, first = int(self.rows[number]), int(self.first[number])
        part = self.data[first : first + count * rows]
        return part.reshape(count, rows, CHANNELS, POINTS)


@dataclass(frozen=True)
class LineLibrary:
    """Lines of one mount for all views in air of each eddy viscosity (n,) m2/s.

    The number of a pulse is view x nodes + node of the wander; of a near wake (view x n + number of
    the viscosity) x nodes + node; of a far wake the same with nodes of the speed.
    """

    pulse: LineTable
    wake: LineTable
    far: LineTable
    pulse_start_m: float  # X of the first row
    wake_start_m: float
    far_start_m: Array  # per view
    views: tuple[LaneView, ...]
    settings: FieldSettings
    viscosity_m2_s: Array


def air_relative_speed(speed: Array | float, direction: Array | int, along_m_s: float) -> Array:
    """Speed of a vehicle through the air, m/s; at least 1 m/s (a strong tail wind)."""
    return np.maximum(np.asarray(speed) - np.asarray(direction) * along_m_s, 1.0)


def followed_s(flows_per_s: Array) -> float:
    """How long single wakes are followed, s, in hours (n,) of so many vehicles per second: twenty
    headways of the road. The hours count with their flows."""
    if not np.any(flows_per_s):
        return LONGEST_MEMORY_S
    headway = float(flows_per_s.sum() / (flows_per_s @ flows_per_s))
    return float(np.clip(_MEMORY_HEADWAYS * headway, _SHORTEST_MEMORY_S, LONGEST_MEMORY_S))


def memory_fade(age_s: Array, memory_s: float) -> Array:
    """Share of a wake that is followed at an age, s: 1, falling to 0 over the memory's end."""
    return np.clip((memory_s - age_s) / (FADE * memory_s), 0.0, 1.0)


def _x_nodes(length: float, gap: float, first: float, last: float) -> Array:
    """X nodes (decreasing), graded away from nose (0) and tail (-length)."""
    fine = float(np.clip(0.2 * gap, 0.12, 2.5))
    inside, outside = max(length / 12.0, fine), max(4.0, 2.0 * fine)

    ahead = graded(first, fine, 1.2, outside)
    behind = graded(-last - length, fine, 1.2, outside)
    half = graded(0.5 * length, fine, 1.2, inside, fitted=True)
    nodes = np.concatenate([ahead, -half, half - length, -length - behind])
    return np.unique(nodes)[::-1]


def _chebyshev(low: float, high: float, gap: float) -> Array:
    """Nodes on [low, high]; their number follows from the distance ``gap`` to the hull.

    Interpolation of a field whose nearest singularity is ``gap`` outside the range converges as
    rho^(-n) with rho = c + sqrt(c^2 - 1), c = 1 + 2 gap/(high - low).
    """
    c = 1.0 + 2.0 * gap / max(high - low, 1e-9)
    rho = c + np.sqrt(c * c - 1.0)
    count = int(np.clip(np.ceil(-np.log(_LATERAL_ERROR) / np.log(max(rho, 1.01))), 3, 12))
    k = np.arange(count)
    return 0.5 * (low + high) - 0.5 * (high - low) * np.cos((k + 0.5) * np.pi / count)


def _lagrange(nodes: Array, at: Array) -> Array:
    """Lagrange weights (n, n_nodes) of the nodes at places ``at`` (n,)."""
    weights = np.ones((at.size, nodes.size))
    for k in range(nodes.size):
        for j in range(nodes.size):
            if j != k:
                weights[:, k] *= (at - nodes[j]) / (nodes[k] - nodes[j])
    return weights


def displacement_lines(
    view: LaneView, points: Array, settings: FieldSettings, wall_y_m: float | None, x: Array
) -> Array:
    """Pulse (n_wander, n_x, 2, 9) at rows X = x, in road axes per unit speed.

    The panel field is taken on a coarse grid and interpolated: Chebyshev nodes across the lateral
    range of rotor and wander, cubic splines along the road.
    """
    vehicle, s = view.vehicle, view.direction
    bubble = bubble_length_m(vehicle, settings.constants) if settings.open_tail else None
    wall = None if wall_y_m is None else s * (wall_y_m - view.lane_centre_m)
    hull = solved_hull(vehicle, bubble, wall, settings.refinement)

    wander = WANDER_NODES * settings.wander_sd_m
    relative = points[:, 0] - view.lane_centre_m + settings.lateral_shift_m
    lateral = s * (relative[None, :] - wander[:, None])  # (n_wander, 9)
    low, high = lateral.min(), lateral.max()
    heights = np.unique(points[:, 1])
    beside = 0.0 if low < 0.0 < high else float(np.abs(lateral).min())
    gap_y = max(0.0, beside - 0.5 * vehicle.width_m)
    gap = float(np.hypot(gap_y, max(0.0, heights.min() - vehicle.height_m)))
    nodes = _chebyshev(low, high, gap)
    coarse = _x_nodes(vehicle.length_m, gap, x[0] + 1.0, x[-1] - 1.0)

    grid = np.stack(np.meshgrid(coarse, nodes, heights, indexing="ij"), axis=-1)
    field = hull.velocity(grid.reshape(-1, 3))[:, :2].reshape(*grid.shape[:3], 2)
    along = CubicSpline(coarse[::-1], field[::-1], axis=0)(x)  # (n_x, nodes, heights, 2)
    out = np.empty((wander.size, x.size, 2, POINTS))
    for p in range(POINTS):
        column = along[:, :, int(np.searchsorted(heights, points[p, 1])), :]
        weights = _lagrange(nodes, lateral[:, p])  # (n_wander, n_nodes)
        total = np.zeros((wander.size, x.size, 2))
        for k in range(nodes.size):
            # added node by node: a matrix product may differ in the last bit from run to run
            total += weights[:, k, None, None] * column[:, k, :]
        out[..., p] = s * total
    return out


def _fill_wake(
    out: NDArray[np.float32], view: LaneView, points: Array, settings: FieldSettings,
    wall_y_m: float | None, x: Array, wander: Array, speed_m_s: float, viscosity_m2_s: float,
) -> None:  # fmt: skip
    """Wake u and k into out (n_wander, n_x, 2, 9) at rows X = x, with the memory cut-off; rows
    ahead of the nose stay as they are."""
    vehicle, s = view.vehicle, view.direction
    relative = float(air_relative_speed(speed_m_s, s, view.wind_along_m_s))
    air = settings.air_state(view, relative, viscosity_m2_s)
    wake = vehicle_wake(vehicle, settings.constants, air)
    behind = -vehicle.length_m - x
    nose = int(np.count_nonzero(behind < -vehicle.length_m))
    behind = behind[nose:]
    offsets = points[:, 0] - view.lane_centre_m + settings.lateral_shift_m
    lateral = s * (offsets[None, :] - wander[:, None])
    wall = None if wall_y_m is None else s * (wall_y_m - view.lane_centre_m - wander[:, None])
    z = np.tile(points[:, 1], wander.size)
    seen = [wake.lines(behind, y.ravel(), z) for y in with_wall_image(lateral, wall)]
    fade = memory_fade(np.maximum(behind, 0.0) / relative, settings.wake_memory_s)
    for channel, sign in enumerate((s, 1.0)):
        total = seen[0][channel] if len(seen) == 1 else seen[0][channel] + seen[1][channel]
        columns = (total * (sign * fade)[:, None]).reshape(behind.size, wander.size, POINTS)
        out[:, nose:, channel] = columns.transpose(1, 0, 2)


def _pulse_key(
    view: LaneView, points: Array, settings: FieldSettings, wall_y_m: float | None
) -> tuple[object, ...]:
    """All that the pulse of a view depends on."""
    body, bubble = view.vehicle, None
    if settings.open_tail:
        bubble = bubble_length_m(body, settings.constants)
    shape = (
        body.length_m, body.width_m, body.height_m, body.clearance_m, body.frontal_area_m2,
        body.drag_coefficient, body.shape, body.nose_radius_m, bubble, settings.refinement,
    )  # fmt: skip
    place = (view.lane_centre_m, view.direction, wall_y_m)
    return (*shape, *place, settings.wander_sd_m, settings.lateral_shift_m, points.tobytes())


def build_library(
    views: tuple[LaneView, ...],
    points: Array,
    settings: FieldSettings,
    wall_y_m: float | None = None,
    displacement_cache: dict[tuple[object, ...], Array] | None = None,
    viscosity_m2_s: ArrayLike = (0.0,),
    memory_s: ArrayLike | None = None,
) -> LineLibrary:
    """All lines of one mount. ``points`` (9, 2) are y, z of the rotor points, m.

    ``displacement_cache`` keeps the panel part between calls that differ in the wake alone.
    ``viscosity_m2_s`` (n,): of the air that the traffic stirs, one set of wakes each, followed for
    ``memory_s`` (n,), by default as the settings say.
    """
    cache: dict[tuple[object, ...], Array] = (
        {} if displacement_cache is None else displacement_cache
    )
    levels = np.atleast_1d(np.asarray(viscosity_m2_s, dtype=np.float64))
    memory = np.broadcast_to(settings.wake_memory_s if memory_s is None else memory_s, levels.shape)
    followed = [replace(settings, wake_memory_s=float(m)) for m in memory]
    wander, nodes = WANDER_NODES * settings.wander_sd_m, WANDER_NODES.size
    lengths = [view.vehicle.length_m for view in views]
    ahead = round(AHEAD_M / NEAR_STEP_M) - 1  # rows of a pulse before its wake's line begins
    rows = [round((AHEAD_M + length + BEHIND_M) / NEAR_STEP_M) + 1 for length in lengths]
    near_x = [AHEAD_M - NEAR_STEP_M * np.arange(n) for n in rows]
    far_start = np.array([x[-1] for x in near_x])
    speeds = [
        [max(view.mean_speed_m_s + node * view.speed_sd_m_s, 1.0) for node in SPEED_NODES]
        for view in views
    ]
    far_rows = [
        _far_rows(view, speed, one, x[-1])
        for view, mine, x in zip(views, speeds, near_x, strict=True)
        for one in followed
        for speed in mine
    ]
    pulse = LineTable.of([n for n in rows for _ in wander], NEAR_STEP_M)
    near = LineTable.of([n - ahead for n in rows for _ in levels for _ in wander], NEAR_STEP_M)
    far = LineTable.of(far_rows, FAR_STEP_M)
    number = 0
    for i, (view, x) in enumerate(zip(views, near_x, strict=True)):
        key = _pulse_key(view, points, settings, wall_y_m)
        found = cache.get(key)
        if found is None:
            found = displacement_lines(view, points, settings, wall_y_m, x)
            if displacement_cache is not None:
                cache[key] = found
        pulse.lines(i * nodes, nodes)[:] = found
        for j, (level, one) in enumerate(zip(levels, followed, strict=True)):
            _fill_wake(
                near.lines((i * levels.size + j) * nodes, nodes), view, points, one, wall_y_m,
                x[ahead:], wander, view.mean_speed_m_s, level,
            )  # fmt: skip
            for speed in speeds[i]:
                out = far.lines(number, 1)
                x_far = x[-1] - FAR_STEP_M * np.arange(out.shape[1])
                _fill_wake(out, view, points, one, wall_y_m, x_far, np.zeros(1), speed, level)
                number += 1
    return LineLibrary(
        pulse=pulse,
        wake=near,
        far=far,
        pulse_start_m=AHEAD_M,
        wake_start_m=AHEAD_M - NEAR_STEP_M * ahead,
        far_start_m=far_start,
        views=views,
        settings=settings,
        viscosity_m2_s=levels,
    )


def _far_rows(view: LaneView, speed_m_s: float, settings: FieldSettings, start_m: float) -> int:
    """Rows of a far wake from X = ``start_m`` to the end of the memory."""
    relative = float(air_relative_speed(speed_m_s, view.direction, view.wind_along_m_s))
    span = relative * settings.wake_memory_s + view.vehicle.length_m + start_m
    return max(2, int(np.ceil(span / FAR_STEP_M)) + 1)
