"""The displacement flow of a vehicle class along lines past it, from a table where they are many.

A mount sees a pass as a line through the frozen field at lateral distance Y and height Z. A few
lines are summed over the hull's panels by a tree (``SourceTree``) and kept for who asks for them
again. For very many the field is tabulated once for a class, per unit speed, over (X, Y, Z) in two
blocks that leave out the body:

    beside:  |Y| - W/2 from GAP_M on, every height; uniform in ln(|Y| - W/2 + b) and in
             asinh((Z - H)/a) + asinh((Z - C)/a)
    above:   Z - H from GAP_M on, |Y| up to beyond W/2; uniform in |Y| and ln(Z - H + b)

with W, H and C the vehicle's width, top and underside; X is graded from nose and tail. Between
nodes it is interpolated by cubics. Nearer than GAP_M the value at GAP_M stands; beyond REACH_M the
source, dipole and quadrupole of the whole vehicle stand for it. u is even and v odd in Y. Lines
without a table are taken at the same places.

Measured against the panels (tests/vehicle/test_pulse_grid.py): the cube of the pulse within 0.3 %
from 0.3 to 3 m off the vehicle and 2 % at 6 m, where it is a few thousandths of that at 1 m; nearly
all of it is the tree's.

Walls: pulses are those of the vehicle on the open road; a wall adds the mirrored field. That the
wall also changes the hull's own sources, which ``pass_field`` includes, is left out: in front of a
wall 7 m from a lorry's centreline the cube of its pulse is 4 % too small, at 4 m 7 to 9 %; of a
car's 0.4 and 1 %.
"""

from __future__ import annotations

import math
from collections import OrderedDict
from dataclasses import dataclass, replace
from functools import lru_cache
from threading import Lock

import numpy as np
from numpy.typing import ArrayLike

from wakesim.arrays import Array, graded
from wakesim.case.vehicle import Vehicle
from wakesim.kept import keep
from wakesim.vehicle.kernels.pulse_lines import pulse_rows
from wakesim.vehicle.kernels.source_tree import build_tree, few_lines, tree_lines
from wakesim.vehicle.panels3d import SourceHull
from wakesim.vehicle.passfield import outline, solved_hull
from wakesim.vehicle.wake import WakeConstants

GAP_M = 0.08  # nearest tabulated distance from the box around the vehicle
REACH_M = 60.0  # farthest
AHEAD_M, BEHIND_M = 40.0, 50.0  # of the nose and of the tail
_LOG_SHIFT_M, _SINH_M = 0.25, 0.3  # b and a
_STEP_Y, _STEP_Z = 0.25, 0.4  # in the mapped variables
_ABOVE_NODES = 9  # half across the roof
_ABOVE_BEYOND_M = 0.4  # of the sides
_FINE_X_M, _GROWTH_X, _LARGEST_X_M = 0.12, 1.2, 4.0
_MANY_LINES = 400  # worth more than one thread
_KEPT_BYTES = 8e6  # of lines summed without a table


@dataclass(frozen=True)
class PulseTable:
    """Displacement flow of one class per unit speed.

    ``x`` (nx,) m, decreasing; ``beside`` (ny, nz, 2, nx) and ``above`` (ny, nz, 2, nx): u and v in
    the vehicle's frame. ``size`` (4,) m: half width, top, underside, reach. ``mapping`` (8,): first
    node and step of the mapped coordinates: beside Y, Z, above Y, Z. ``whole`` (13,): centre and
    moments of the whole vehicle for the far field.
    """

    size: Array
    x: Array
    beside: Array
    above: Array
    mapping: Array
    whole: Array

    def lines(self, y_m: ArrayLike, z_m: ArrayLike) -> Array:
        """u and v (m, 2, nx) per unit speed along lines at Y (m,) and Z (m,), m."""
        y, z = (np.ascontiguousarray(a, dtype=np.float64) for a in (y_m, z_m))
        return pulse_rows(
            y, z, self.x, self.beside, self.above, self.mapping, self.size, self.whole
        )


@lru_cache(maxsize=64)
@keep("pulse", PulseTable)
def pulse_table(
    vehicle: Vehicle,
    bubble_length: float | None,
    refinement: float = 1.0,
    net_source_factor: float = 1.0,
) -> PulseTable:
    """The table of a class; arguments as in ``passfield.solved_hull``."""
    tree = SourceTree(solved_hull(vehicle, bubble_length, None, refinement, net_source_factor))
    half, height = 0.5 * vehicle.width_m, vehicle.height_m
    x = x_nodes(vehicle.length_m)
    near = math.log(GAP_M + _LOG_SHIFT_M)
    far = math.log(REACH_M + _LOG_SHIFT_M)
    under = vehicle.clearance_m
    low, high = (
        math.asinh((z - height) / _SINH_M) + math.asinh((z - under) / _SINH_M)
        for z in (0.0, height + REACH_M)
    )
    gaps = np.linspace(near, far, 1 + math.ceil((far - near) / _STEP_Y))
    levels = np.linspace(low, high, 1 + math.ceil((high - low) / _STEP_Z))
    roof = np.linspace(0.0, half + _ABOVE_BEYOND_M, _ABOVE_NODES)
    heights = height + np.exp(gaps) - _LOG_SHIFT_M
    mapping = np.array([[a[0], a[1] - a[0]] for a in (gaps, levels, roof, gaps)]).ravel()
    centre, moments = tree.whole
    return PulseTable(
        np.array([half, height, under, REACH_M]),
        x,
        _block(tree, x, half + np.exp(gaps) - _LOG_SHIFT_M, _heights(levels, height, under)),
        _block(tree, x, roof, heights),
        mapping,
        np.concatenate([centre, moments]),
    )


def _heights(levels: Array, top: float, under: float) -> Array:
    """Heights whose mapped coordinates are ``levels``, by bisection."""
    low, high = np.zeros(levels.size), np.full(levels.size, top + 1.01 * REACH_M)
    for _ in range(60):
        middle = 0.5 * (low + high)
        mapped = np.arcsinh((middle - top) / _SINH_M) + np.arcsinh((middle - under) / _SINH_M)
        low, high = np.where(mapped < levels, middle, low), np.where(mapped < levels, high, middle)
    return 0.5 * (low + high)


def _block(tree: SourceTree, x: Array, y: Array, z: Array) -> Array:
    """u and v (ny, nz, 2, nx)."""
    across, up = (a.ravel() for a in np.meshgrid(y, z, indexing="ij"))
    field = tree.lines(np.broadcast_to(x, (across.size, x.size)), across, up)
    return field.reshape(y.size, z.size, 2, x.size)


def x_nodes(length: float) -> Array:
    """X of a table, m, decreasing: graded away from nose (0) and tail (-length)."""

    def away(span: float, largest: float) -> Array:
        return graded(span, _FINE_X_M, _GROWTH_X, largest, fitted=True)

    half = away(0.5 * length, length / 12.0)
    nodes = np.concatenate(
        [away(AHEAD_M, _LARGEST_X_M), -half, half[:-1] - length,
         -length - away(BEHIND_M, _LARGEST_X_M)[1:]]
    )  # fmt: skip
    return np.unique(nodes)[::-1]


class _KeptLines:
    """Lines by what they depend on, up to so many bytes; those longest unasked for go."""

    def __init__(self, most_bytes: float) -> None:
        self.most_bytes, self.bytes = most_bytes, 0
        self._rows: OrderedDict[tuple[object, ...], Array] = OrderedDict()
        self._lock = Lock()

    def get(self, key: tuple[object, ...]) -> Array | None:
        with self._lock:
            if key in self._rows:
                self._rows.move_to_end(key)
            return self._rows.get(key)

    def put(self, key: tuple[object, ...], rows: Array) -> None:
        with self._lock:
            if key not in self._rows:
                self._rows[key] = rows
                self.bytes += rows.nbytes
            while self.bytes > self.most_bytes:
                self.bytes -= self._rows.popitem(last=False)[1].nbytes

    def clear(self) -> None:
        with self._lock:
            self._rows.clear()
            self.bytes = 0


_kept = _KeptLines(_KEPT_BYTES)


@lru_cache(maxsize=32)
def _tree(body: Vehicle, bubble_length: float | None, refinement: float) -> SourceTree:
    return SourceTree(solved_hull(body, bubble_length, None, refinement))


def summed_lines(
    vehicle: Vehicle, bubble_length: float | None, refinement: float, y_m: Array, z_m: Array
) -> Array:
    """u and v (m, 2, nx) per unit speed at ``x_nodes`` along lines at Y and Z (m,), m, without a
    table."""
    body = outline(vehicle)
    key = (body, bubble_length, refinement, y_m.tobytes(), z_m.tobytes())
    rows = _kept.get(key)
    if rows is None:
        half, height = 0.5 * body.width_m, body.height_m
        gap, over = np.abs(y_m) - half, z_m - height
        above = (gap <= GAP_M) & (over >= gap)
        y = half + np.where(above, gap, np.maximum(gap, GAP_M))
        z = height + np.where(above, np.maximum(over, GAP_M), over)
        x = x_nodes(body.length_m)
        rows = _tree(body, bubble_length, refinement).lines(np.tile(x, (y.size, 1)), y, z)
        rows[y_m < 0.0, 1] *= -1.0
        _kept.put(key, rows)
    return rows.copy()


class PulseFields:
    """Pulses of vehicle classes; their tables are built when first asked for and kept.

    Serves every lane, mount and state with the same bodies, bubble and tail: speeds, traffic, air
    and wake constants other than the bubble's length do not matter. Can be pickled, with the tables
    built so far. ``refinement``: panels of the hulls, as in ``passfield.pass_field``.
    ``tabulated``: all lines from tables, for who asks for a few points at very many places.
    """

    def __init__(
        self,
        constants: WakeConstants = WakeConstants(),
        open_tail: bool = True,
        refinement: float = 1.0,
        tabulated: bool = False,
    ) -> None:
        self.tabulated = tabulated
        self.bubble_length_heights = constants.bubble_length_heights
        self.open_tail, self.refinement = open_tail, refinement
        self._tables: dict[Vehicle, PulseTable] = {}

    def table(self, vehicle: Vehicle) -> PulseTable:
        """The table of a class."""
        if vehicle not in self._tables:
            body = replace(vehicle, mean_speed_m_s=None, speed_sd_m_s=0.0)
            if body not in self._tables:
                self._tables[body] = pulse_table(body, self._bubble_m(body), self.refinement)
            self._tables[vehicle] = self._tables[body]
        return self._tables[vehicle]

    def x(self, vehicle: Vehicle) -> Array:
        """X of the nodes (nx,) of the lines of a class, m, decreasing."""
        return x_nodes(vehicle.length_m)

    def lines(self, vehicle: Vehicle, y_m: Array, z_m: Array, many: bool) -> Array:
        """u and v (m, 2, nx) per unit speed along lines at Y and Z (m,), m.

        From the table of the class when these are a part of ``many``, else summed over the panels,
        whether or not there is a table: the two differ by the table's error, and no result may
        depend on what was asked for before.
        """
        if many or self.tabulated:
            return self.table(vehicle).lines(y_m, z_m)
        return summed_lines(vehicle, self._bubble_m(vehicle), self.refinement, y_m, z_m)

    def _bubble_m(self, vehicle: Vehicle) -> float | None:
        return self.bubble_length_heights * vehicle.height_m if self.open_tail else None

    def serves(self, constants: WakeConstants, open_tail: bool, refinement: float) -> bool:
        """Whether the tables are those of these settings."""
        return (
            constants.bubble_length_heights == self.bubble_length_heights
            and open_tail == self.open_tail
            and refinement == self.refinement
        )


class SourceTree:
    """Tree of the panels of a hull over the road and of the sinks behind its base.

    ``SourceHull.velocity`` sums every panel at every point; a table needs some 50 000 points, for
    which groups of distant panels act through their moments (see the kernel).

    ``velocity`` (m, 3) -> (m, 2): along and across, per unit body speed. A wall is not included.
    """

    def __init__(self, hull: SourceHull) -> None:
        if hull.wall_y is not None or not hull.road:
            raise ValueError("the tree is for a hull over the road without a wall")
        parts = [(hull._geometry, hull.strengths)]
        if hull.sinks is not None:
            parts.append((hull.sinks._geometry, hull.sinks.strengths))
        self._corners, self._normals, areas, gauss, share = (
            np.concatenate([geometry[key] for geometry, _ in parts])
            for key in ("corners", "normals", "areas", "gauss", "gauss_share")
        )
        self._strengths = np.concatenate([strengths for _, strengths in parts])
        charge = (self._strengths * areas)[:, None] * share  # (n, 4) at the Gauss points
        self._tree = build_tree(self._corners, gauss, charge)

    @property
    def whole(self) -> tuple[Array, Array]:
        """Centre (3,) m and moments (10,) of all panels together: source, dipole, quadrupole."""
        return self._tree[0][0], self._tree[2][0]

    def velocity(self, points: ArrayLike) -> Array:
        """Velocity along and across (m, 2) per unit body speed at points (m, 3) m above the road.

        Differs from ``SourceHull.velocity`` by a few thousandths of the local speed
        (tests/vehicle/test_pulse_grid.py).
        """
        array = np.ascontiguousarray(points, dtype=np.float64)
        if array.ndim != 2 or array.shape[1] != 3:
            raise ValueError(f"points must have shape (m, 3), not {array.shape}")
        return self.lines(array[:, :1], array[:, 1], array[:, 2])[:, :, 0]

    def lines(self, x_m: Array, y_m: Array, z_m: Array) -> Array:
        """``velocity`` along lines: (m, 2, n) at X (m, n), rising or falling, Y and Z (m,), m."""
        x, y, z = (np.ascontiguousarray(a, dtype=np.float64) for a in (x_m, y_m, z_m))
        lines = tree_lines if y.size >= _MANY_LINES else few_lines
        return lines(x, y, z, *self._tree, self._corners, self._normals, self._strengths)
