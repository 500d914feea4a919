"""The wake of one vehicle, marched through the cross-section from its nose on.

A vehicle at speed V leaves, in each cross-section it passes, along-road momentum and turbulence;
with age t they spread and decay (``march``). Per unit V everything is a function of the distance
X = V t behind the nose, of y and of z: the equations keep their form with u/V, k/V^2, eps/V^3 and
eddy viscosity over V. The air it trails through enters as one number, the eddy viscosity of that
air over V (m), and a crosswind that carries the wake aside as a whole.

Start. The wake carries the momentum of the drag, 1/2 C_D A_f V per metre of road over the density
(the integral of u over the section), in two parts:

- the **side layer**, a share s of it: air that the front corner's separation, the flanks, the roof
  and the underbody drag along, in a layer that falls off as a Gaussian of 0.15 of the width
  around the outline. Half of it comes at the nose, with turbulent energy of the corner's
  separation, a share of the drag's work; half evenly along the sides. The vehicle's section, and
  that of the bubble, carries no flux meanwhile;
- the **bubble's end**, where by definition the mean flow on the axis moves with the vehicle: the
  rest, a Gaussian with peak V and the proportions of the base, and turbulence over the base, energy
  k_0 V^2 of a length scale of a fifth of its smaller side.

Within the bubble the air moves with the vehicle or faster (reversed flow), with shear layers at the
edges of the base (``vehicle.wake``).

Other air. The eddy viscosity that spreads a wake is sqrt(own^2 + background^2), so that a wake
whose own turbulence has decayed spreads as the air around it does; background = m V z/(z + 0.3 m),
with friction on the road of u_tau = 1.2 m^-1 m V (shape of the mean traffic's balance, ``steady``).
A few levels of m are marched, the rest interpolated in ln m: between two levels u is within 2.5 %
of its section's peak in the first 3 s behind a car (k 3 %), within 3 % at 10 s up to m = 0.025 m
and within 6 % (k 10 %) up to 0.047 m; larger vehicles, whose wakes last, come out closer.

Momentum left: see tests/section/test_wake.py; after 10 s 0.9 or more, after 30 s 0.85 or more.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from wakesim import constants
from wakesim.arrays import Array, Index
from wakesim.case.vehicle import Vehicle
from wakesim.kept import keep
from wakesim.section.closure import LEAST_EPS, LEAST_K, Closure
from wakesim.section.march import (
    AFTER_ENTRY,
    BESIDE,
    ENTRY,
    KEPT,
    OPENING,
    march_from_nose,
    pick,
    sample,
    sample_few,
    sum_sections,
)

ROAD_ROUGHNESS_M = constants.WAKE_ROAD_ROUGHNESS_M.value
LEVELS_M = (0.0, 0.002, 0.007, 0.013, 0.025, 0.047, 0.09)  # eddy viscosity over V, marched
LAYER_WIDTHS = constants.SIDE_LAYER_WIDTHS.value  # thickness over the vehicle's width
NOSE_SHARE = constants.SIDE_LAYER_NOSE_SHARE.value
START_LENGTH = constants.WAKE_START_LENGTH.value  # over the smaller side of the base
BACKGROUND_HEIGHT_M = constants.BACKGROUND_HEIGHT_M.value
BACKGROUND_FRICTION = constants.BACKGROUND_FRICTION.value  # 1/m
_CELLS, _COARSE_CELLS = 7, 3  # across half the width
_GROWTH, _COARSE_GROWTH = 1.14, 1.3  # of cells away from the vehicle
_REACH_M, _TOP_M = 70.0, 50.0
_LONGEST_M = 7000.0
_MANY = 20_000  # points worth a second thread
_FIRST_STEP = 0.08  # of the smaller side of the base, behind the bubble
_STEP_GROWTH, _COARSE_STEP_GROWTH = 0.055, 0.13  # of the distance behind the tail
_FELT, _WINDOW_RIM = 1e-12, 6  # of the largest value; cells around what is felt at the start
_KEEP = 0.09  # smallest growth of the distance between kept sections behind the bubble
_ENTRY = constants.ROAD_ENTRY_ROOTS.value  # roots of the base area behind the bubble


@dataclass(frozen=True)
class WakeStart:
    """Constants of a marched wake. ``energy``: k_0; ``side_share``: s; ``side_energy``: share
    of the drag's work that is turbulent energy of the corner's separation."""

    closure: Closure
    energy: float
    side_share: float
    side_energy: float
    bubble_m: float
    roughness_m: float = ROAD_ROUGHNESS_M
    coarse: bool = False


@dataclass(frozen=True)
class WakeTable:
    """A marched wake per unit speed, symmetric about y = 0.

    ``x`` (n,) m behind the nose; ``y`` (ny,), ``z`` (nz,) m cell centres and ``y_edge``, ``z_edge``
    their edges; ``u``, ``k`` (n, ny, nz) in single precision. ``entry`` (5, ny, nz): u, k and eps
    where the wake enters the road's balance, and what its own shear makes of k and eps from there
    on; ``entry_m`` behind the nose. ``width`` (n,) m: standard deviation of u across.
    """

    x: Array
    y: Array
    z: Array
    y_edge: Array
    z_edge: Array
    u: Array
    k: Array
    entry: Array
    entry_m: float
    width: Array
    start_index: int  # first section behind the bubble, with the base's part in it

    def momentum(self) -> Array:
        """Integral of u over the section, (n,) m2 per unit speed."""
        area = np.outer(np.diff(self.y_edge), np.diff(self.z_edge))
        return 2.0 * np.einsum("nij,ij->n", self.u, area, dtype=np.float64)


def _graded(fine: float, count: int, growth: float, reach: float) -> Array:
    """Edges from 0: ``count`` cells of size ``fine``, then growing up to ``reach``."""
    edges, step = list(fine * np.arange(count + 1)), fine
    while edges[-1] < reach:
        step *= growth
        edges.append(edges[-1] + step)
    return np.array(edges)


def wake_grid(vehicle: Vehicle, coarse: bool = False) -> tuple[Array, Array]:
    """Edges across (half the plane) and up, with the outline of the vehicle on edges."""
    cells, growth = (_COARSE_CELLS, _COARSE_GROWTH) if coarse else (_CELLS, _GROWTH)
    fine = 0.5 * vehicle.width_m / cells
    across = _graded(fine, round(1.5 * cells), growth, _REACH_M)
    own = vehicle.height_m - vehicle.clearance_m
    below = max(2, round(vehicle.clearance_m / fine))
    beside = max(6 if coarse else 8, round(own / fine))
    low = np.linspace(0.0, vehicle.clearance_m, below + 1)
    size = own / beside
    above = _graded(size, beside // 3, growth, _TOP_M) + vehicle.height_m
    middle = vehicle.clearance_m + size * np.arange(1, beside + 1)
    middle[-1] = vehicle.height_m
    return across, np.concatenate([low, middle, above[1:]])


def start_profile(vehicle: Vehicle, drag_area_m2: float, y: Array, z: Array) -> Array:
    """Gaussian of peak 1 at the bubble's end whose integral over the plane z > 0 is
    ``drag_area_m2``; y and z, m, broadcast."""
    own = vehicle.height_m - vehicle.clearance_m
    middle = 0.5 * (vehicle.height_m + vehicle.clearance_m)
    share = math.sqrt(drag_area_m2 / (2.0 * math.pi * vehicle.width_m * own))
    s_y, s_z = share * vehicle.width_m, share * own
    up = np.exp(-0.5 * ((z - middle) / s_z) ** 2) + np.exp(-0.5 * ((z + middle) / s_z) ** 2)
    return np.asarray(np.exp(-0.5 * (y / s_y) ** 2) * up)


def march_wake(vehicle: Vehicle, start: WakeStart, background_m: float = 0.0) -> WakeTable:
    """March the wake of a vehicle in air of eddy viscosity ``background_m`` times its speed."""
    y_edge, z_edge = wake_grid(vehicle, start.coarse)
    growth = _COARSE_STEP_GROWTH if start.coarse else _STEP_GROWTH
    y, z = (0.5 * (e[1:] + e[:-1]) for e in (y_edge, z_edge))
    area = np.outer(np.diff(y_edge), np.diff(z_edge))
    shape = area.shape
    own = vehicle.height_m - vehicle.clearance_m
    half_width = 0.5 * vehicle.width_m
    body = np.outer(y < half_width, (z > vehicle.clearance_m) & (z < vehicle.height_m))
    closed_y = np.zeros((shape[0] + 1, shape[1]), dtype=bool)
    closed_z = np.zeros((shape[1] + 1, shape[0]), dtype=bool)
    closed_y[1:-1] = body[1:] != body[:-1]
    closed_z[1:-1] = (body[:, 1:] != body[:, :-1]).T

    drag_area = 0.5 * vehicle.drag_coefficient * vehicle.frontal_area_m2
    layer_m = LAYER_WIDTHS * vehicle.width_m
    outside = np.maximum(y - half_width, 0.0)[:, None]
    over = np.maximum(np.maximum(z - vehicle.height_m, vehicle.clearance_m - z), 0.0)[None, :]
    layer = np.where(body, 0.0, np.exp(-0.5 * (outside**2 + over**2) / layer_m**2))
    weight = layer / (2.0 * (layer * area).sum())
    side = start.side_share * drag_area

    u = NOSE_SHARE * side * weight
    corner = start.side_energy * drag_area * weight
    k = np.full(shape, LEAST_K) + corner
    eps = np.full(shape, LEAST_EPS) + 0.09**0.75 * corner**1.5 / layer_m
    along = (1.0 - NOSE_SHARE) * side / vehicle.length_m * weight
    base = start_profile(vehicle, drag_area - side, y[:, None], z)
    base *= (drag_area - side) / (2.0 * (base * area).sum())
    smaller = min(vehicle.width_m, own)
    base_k = start.energy * body
    base_eps = 0.09**0.75 * base_k**1.5 / (START_LENGTH * smaller)
    plan = _plan(vehicle, start, growth)
    flow, energy = (np.empty((plan.x.size, *shape), dtype=np.float32) for _ in range(2))
    entry = np.empty((5, *shape))
    closure = start.closure
    march_from_nose(
        u, k, eps, along, base, base_k, base_eps,
        plan.step, plan.kind, flow, energy, entry,
        y, z, y_edge, z_edge, closed_y, closed_z,
        np.full(shape[0], min(start.roughness_m, 0.4 * z[0])),
        background_m * z / (z + BACKGROUND_HEIGHT_M), BACKGROUND_FRICTION * background_m,
        closure.c_mu, closure.c1, closure.c2, closure.sigma_k, closure.sigma_eps,
        closure.weak_shear, *_window(u, base, k),
    )  # fmt: skip
    across = np.einsum("nij,ij->ni", flow, area, dtype=np.float64)
    width = np.sqrt((across @ y**2) / across.sum(axis=1))
    return WakeTable(
        plan.x, y, z, y_edge, z_edge, flow, energy, entry, plan.entry_m, width, plan.start_index,
    )  # fmt: skip


def _window(u: Array, base: Array, k: Array) -> tuple[int, int]:
    """Cells across and up that a march begins with: where its start and the base's part are felt,
    and as many again as a rim."""
    felt = (u > _FELT * u.max()) | (base > _FELT * base.max()) | (k > (1.0 + _FELT) * LEAST_K)
    across, up = (int(np.flatnonzero(felt.any(axis=axis)).max()) + 1 for axis in (1, 0))
    return across + _WINDOW_RIM, up + _WINDOW_RIM


class _Plan(NamedTuple):
    """Steps of a march: ``step`` (n,) m and ``kind`` (n,), a sum of the flags of ``march``; ``x``
    (m,) m behind the nose of the sections that are kept."""

    x: Array
    step: Array
    kind: Index
    entry_m: float
    start_index: int


def _plan(vehicle: Vehicle, start: WakeStart, growth: float) -> _Plan:
    """Where the march of a vehicle's wake steps and what happens there."""
    length, own = vehicle.length_m, vehicle.height_m - vehicle.clearance_m
    opening = length + start.bubble_m
    entry_at = opening + _ENTRY * math.sqrt(vehicle.width_m * own)
    smaller = min(vehicle.width_m, own)
    first_step = min(max(0.03 * length, 0.05 * smaller), 0.25 * vehicle.width_m)
    xs, steps, kinds = [0.0], [], []
    x, opened, entered, start_index = 0.0, False, False, 0
    while x < _LONGEST_M:
        kind = 0
        if not opened:
            kind += BESIDE if x < length - 1e-9 else 0
            step = min(first_step, (length if x < length else opening) - x)
        else:
            step = max(growth * (x - length), _FIRST_STEP * smaller)
            if x < entry_at * (1.0 - 1e-12):
                step = min(step, entry_at - x)
        x += step
        if entered:
            kind += AFTER_ENTRY
        elif x >= entry_at * (1.0 - 1e-12):
            entered = True
            kind += ENTRY
        if not opened and x >= opening - 1e-9:
            kind += KEPT + OPENING
            xs.append(opening * (1.0 - 1e-9))  # the section as it is before the base's part
            x, opened, start_index = opening, True, len(xs)
            xs.append(x)
        elif not opened or x - length >= (1.0 + _KEEP) * (xs[-1] - length):
            kind += KEPT
            xs.append(x)
        steps.append(step)
        kinds.append(kind)
    return _Plan(np.array(xs), np.array(steps), np.array(kinds), entry_at, start_index)


@lru_cache(maxsize=512)
def body_of(vehicle: Vehicle) -> Vehicle:
    """What a wake depends on: outside dimensions and drag."""
    return Vehicle(
        "body", vehicle.length_m, vehicle.width_m, vehicle.height_m, vehicle.clearance_m,
        vehicle.frontal_area_m2, vehicle.drag_coefficient,
    )  # fmt: skip


def wake_table(vehicle: Vehicle, start: WakeStart, level: int) -> WakeTable:
    """The table of one level of ``LEVELS_M``, marched once for each body."""
    return _wake_table(body_of(vehicle), start, level)


@lru_cache(maxsize=64)
@keep("wake", WakeTable)
def _wake_table(body: Vehicle, start: WakeStart, level: int) -> WakeTable:
    return march_wake(body, start, LEVELS_M[level])


def forget_tables() -> None:
    """Let go of the tables that this process holds in memory."""
    _wake_table.cache_clear()


def prepare_tables(wanted: Sequence[tuple[Vehicle, WakeStart, int]], threads: int = 2) -> None:
    """March tables on several threads, so that ``wake_table`` has them."""
    with ThreadPoolExecutor(threads) as pool:
        once = dict.fromkeys((body_of(vehicle), *rest) for vehicle, *rest in wanted)
        list(pool.map(lambda one: _wake_table(*one), once))


def bracket(background_m: float) -> tuple[int, int, float]:
    """Two levels around an eddy viscosity over the speed, m, and the share of the upper one.

    Interpolation is linear in ln(m + m_1), m_1 the lowest level above 0.
    """
    levels = np.log(np.array(LEVELS_M) + LEVELS_M[1])
    at = float(np.clip(np.log(max(background_m, 0.0) + LEVELS_M[1]), levels[0], levels[-1]))
    low = int(np.clip(np.searchsorted(levels, at) - 1, 0, levels.size - 2))
    share = float((at - levels[low]) / (levels[low + 1] - levels[low]))
    return low, low + 1, share


def at_points(table: WakeTable, x: ArrayLike, y: ArrayLike, z: ArrayLike) -> tuple[Array, Array]:
    """u and k per unit speed at X = -x behind the nose, broadcast; 0 ahead of the nose.

    Linear in y, z and the distance; below the lowest cell's centre the log law.
    """
    x, y, z = np.broadcast_arrays(*(np.asarray(a, dtype=np.float64) for a in (x, y, z)))
    u, k = np.empty(x.shape), np.empty(x.shape)
    call = sample if x.size > _MANY else sample_few
    call(
        table.x, table.y, table.z, table.u, table.k, ROAD_ROUGHNESS_M,
        x.ravel(), y.ravel(), z.ravel(), u.ravel(), k.ravel(),
    )  # fmt: skip
    return u, k


def at_nodes(
    low: WakeTable, high: WakeTable, share: float, x: Array, y: Array, z: Array
) -> tuple[Array, Array]:
    """u and k (n, ny, nz) per unit speed of two tables on one grid, blended by the ``share`` of the
    second: at x (n,) behind the nose, linear in it, and at nodes of the tables y (0 for the nearest
    the middle) and z; 0 ahead of the nose."""
    column = np.searchsorted(low.y, y, side="left").astype(np.int64)
    row = np.searchsorted(low.z, z, side="left").astype(np.int64)
    u, k = (np.empty((x.size, y.size, z.size)) for _ in range(2))
    pick(low.x, low.u, low.k, high.u, high.k, share, x, column, row, u, k)
    return u, k


def sum_of_sections(
    y_nodes: Array, z_nodes: Array, u: Array, k: Array, weight: Array, shift: Array, y: Array,
    z: Array,
) -> tuple[Array, Array]:  # fmt: skip
    """Sums with ``weight`` (n,) of sections u, k (n, ny, nz), y >= 0 half of a wake carried aside
    by ``shift`` (n,) m, at places y and z (m,): (m,) each; look-up as in ``at_points``."""
    out_u, out_k = np.empty(y.size), np.empty(y.size)
    sum_sections(y_nodes, z_nodes, u, k, weight, shift, ROAD_ROUGHNESS_M, y, z, out_u, out_k)
    return out_u, out_k
