"""Sustained drift of the air along a road from its momentum balance in the cross-section.

With U(y, z) the slow along-road air speed, K the eddy diffusivity, (v, w) the crosswind and S the
traffic's force per volume of air over the density,

    dU/dt = d/dy(K dU/dy) + d/dz(K dU/dz) - d(v U)/dy - d(w U)/dz + S,

U = 0 where air comes from and far away, no diffusion where the crosswind leaves, and friction on
the road: a resistance R = integral of dz/K from the roughness length to the first cell centre. It
is a no-slip road with K constant, and the log law with K = kappa u* z. A line force f over the
density (m3/s2) in constant K and no crosswind gives f/(2 pi K) ln(r_image/r).

Finite volumes on a stretched grid, second order (``transport``); solved directly, the
factorisation kept. In time: the two-stage L-stable singly diagonally implicit Runge-Kutta scheme
with gamma = 1 - 1/sqrt(2) (R. Alexander, SIAM J. Numer. Anal. 14 (1977) 1006), second order.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike
from scipy import sparse
from scipy.linalg import solve_banded
from scipy.sparse.linalg import SuperLU, splu

from wakesim.arrays import Array, Index, kernel
from wakesim.errors import NumericalError
from wakesim.section.crossflow import Barrier, blocked_faces, face_flows
from wakesim.section.grid import CrossSectionGrid
from wakesim.section.transport import (
    Diffusivity,
    conductances,
    diffusivity_at,
    flux_stencil,
    ground_resistance,
    net_outflow,
    through_faces,
)

Balance = dict[str, float]

SINKS = ("road_friction", "outflow_left", "outflow_right", "outflow_top", "barrier")
_GAMMA = 1.0 - 1.0 / math.sqrt(2.0)
_BANDED = 1e8  # products up to which elimination within the bands is quicker
_RESIDUAL = 1e-10  # of a cell's balance over the strongest cell source


class DriftModel:
    """The balance of one cross-section, ready for any number of sources.

    ``diffusivity_m2_s``: K, a number, a function of y and z (arrays) or values (ny, nz) of the
    cells (``transport.Diffusivity``), positive.
    ``crosswind_m_s``: towards +y, a number or a function of z. ``roughness_m``: a number or one for
    each column of cells; 0 is a smooth no-slip road. ``barriers``: see ``crossflow``.
    ``lasting_s``: how long the sources have acted, as the mean of an exponential age: a sink
    U/``lasting_s`` (infinite: the steady state). ``flows``: of the crosswind through the faces, if
    known (``face_flows``). Raises ValueError for values out of range.
    """

    def __init__(
        self,
        grid: CrossSectionGrid,
        diffusivity_m2_s: Diffusivity,
        crosswind_m_s: float | Callable[[Array], Array] = 0.0,
        roughness_m: ArrayLike = 0.0,
        barriers: Sequence[Barrier] = (),
        lasting_s: float = math.inf,
        flows: tuple[Array, Array] | None = None,
    ) -> None:
        self.lasting_s = lasting_s
        self.grid, self.diffusivity, self.barriers = grid, diffusivity_m2_s, tuple(barriers)
        rough = np.asarray(roughness_m, dtype=np.float64)
        self.roughness = np.broadcast_to(rough, grid.shape[:1])
        if not np.all((self.roughness >= 0.0) & np.isfinite(self.roughness)):
            raise ValueError("roughness length must be at least 0 m")
        self.closed = blocked_faces(grid, self.barriers)
        self.held = blocked_faces(grid, [b for b in self.barriers if b.friction])
        flow_y, flow_z = flows or face_flows(grid, crosswind_m_s, self.closed)
        across, up = conductances(grid, diffusivity_m2_s, self.roughness)
        across[self.closed] = 0.0
        across[0, flow_y[0] < 0.0] = 0.0
        across[-1, flow_y[-1] > 0.0] = 0.0
        open_z = np.zeros(up.T.shape, dtype=bool)
        self._stencil_y = flux_stencil(grid.y_edges, flow_y, across, self.closed)
        self._stencil_z = flux_stencil(grid.z_edges, flow_z.T, up.T, open_z)
        self._wall = self._wall_conductance()
        self._mass = grid.areas.ravel()
        sink = self._wall + self._mass / lasting_s
        self._operator = net_outflow(self._stencil_y, self._stencil_z, sink.reshape(grid.shape))

    def _wall_conductance(self) -> Array:
        """Conductance between each cell and the no-slip faces of barriers beside it, (ny nz,)."""
        grid, k = self.grid, self.diffusivity
        if not isinstance(k, np.ndarray):
            k = diffusivity_at(k, grid.y[:, None], grid.z)
        faces = self.held[:-1].astype(float) + self.held[1:]
        half = 0.5 * np.diff(grid.y_edges)[:, None]
        return (faces * np.diff(grid.z_edges) * k / half).ravel()

    def responses(self, sources: ArrayLike) -> Array:
        """Steady drift of each of ``sources`` (k, ny, nz) m/s2 on its own, (k, ny, nz) m/s."""
        s = np.asarray(sources, dtype=np.float64)
        if s.ndim != 3 or s.shape[1:] != self.grid.shape or not np.all(np.isfinite(s)):
            raise ValueError(f"sources must be finite and of shape (k, *{self.grid.shape})")
        right = s.reshape(len(s), -1) * self._mass
        result = _solve(self._operator, np.ascontiguousarray(right.T))
        left = np.abs(self._operator @ result - right.T).max(initial=0.0)
        if not left <= _RESIDUAL * np.abs(right).max(initial=0.0):
            raise NumericalError(
                f"the drift's balance does not close: {left:.1e} m3/s2 left in a cell"
            )
        return np.ascontiguousarray(result.T).reshape(s.shape)

    def solve(self, source: ArrayLike) -> DriftField:
        """Steady drift of one source field (ny, nz), m/s2."""
        s = np.asarray(source, dtype=np.float64)
        return DriftField(self, self.responses(s[None])[0], s)

    def march(
        self,
        initial: ArrayLike,
        source_at: Callable[[float], ArrayLike],
        step_s: float,
        steps: int,
        start_s: float = 0.0,
    ) -> DriftMarch:
        """Drift over time from ``initial`` (ny, nz) m/s with ``source_at(t)`` (ny, nz) m/s2."""
        if not step_s > 0.0 or steps < 1:
            raise ValueError("a march needs a step greater than 0 s and at least one step")
        lag = _GAMMA * step_s
        factor = _factorise(sparse.diags(self._mass) + lag * self._operator)
        field = np.empty((steps + 1, *self.grid.shape))
        field[0] = initial
        time = start_s + step_s * np.arange(steps + 1)
        balance: list[Balance] = []
        for n in range(steps):
            old = field[n].ravel()
            first, last = (
                np.asarray(source_at(float(t)), dtype=np.float64).ravel()
                for t in (time[n] + lag, time[n + 1])
            )
            middle = factor.solve(self._mass * (old + lag * first))
            rate = (middle - old) / lag
            base = old + (step_s - lag) * rate
            new = factor.solve(self._mass * (base + lag * last))
            field[n + 1] = new.reshape(self.grid.shape)
            mean, push = (
                (1.0 - _GAMMA) * a + _GAMMA * b for a, b in ((middle, new), (first, last))
            )
            stored = float(self._mass @ (new - old)) / step_s
            balance.append(self._balance(mean, push, stored))
        if not np.all(np.isfinite(field)):
            raise NumericalError("the drift did not stay finite")
        return DriftMarch(self, time, field, tuple(balance))

    def _balance(self, speed: Array, source: Array, stored: float = 0.0) -> Balance:
        """Forces per metre of road over the density, m3/s2; drag_in equals the sum of the rest."""
        u = speed.reshape(self.grid.shape)
        side, level = through_faces(self._stencil_y, u), through_faces(self._stencil_z, u.T).T
        lost = (0.0 - level[:, 0].sum(), 0.0 - side[0].sum(), side[-1].sum(), level[:, -1].sum())
        parts = dict(zip(SINKS, map(float, (*lost, self._wall @ u.ravel())), strict=True))
        stored += float(self._mass @ u.ravel()) / self.lasting_s
        return {"drag_in": float(self._mass @ source.ravel()), **parts, "storage": stored}

    def weights(self, y_m: ArrayLike, z_m: ArrayLike) -> sparse.csr_matrix:
        """Matrix (n, ny * nz) from cell values to points y, z (n,) m.

        Bilinear between cell centres, never across a barrier; below the first centre the profile
        of a constant stress (linear with constant K, the log law with K = kappa u* z), zero at the
        roughness length. Raises ValueError for points outside the grid.
        """
        grid, (ny, nz) = self.grid, self.grid.shape
        y, z = (np.ravel(a) for a in np.broadcast_arrays(np.asarray(y_m, float), z_m))
        inside = (y >= grid.y_edges[0]) & (y <= grid.y_edges[-1])
        if not np.all(inside & (z >= 0.0) & (z <= grid.z_edges[-1])):
            raise ValueError("point outside the cross-section")
        column = np.clip(np.searchsorted(grid.y, y) - 1, 0, ny - 2)
        row = np.clip(np.searchsorted(grid.z, z) - 1, 0, nz - 2)
        upper = (z - grid.z[row]) / (grid.z[row + 1] - grid.z[row])
        upper = np.clip(upper, 0.0, 1.0)
        rough = self.roughness[np.clip(np.searchsorted(grid.y_edges, y) - 1, 0, ny - 1)]
        low = z < grid.z[0]
        lower = 1.0 - upper
        lower[low] = self._ground_share(y[low], z[low], rough[low])
        point = np.arange(y.size)
        rows, columns, values = [], [], []
        for level, share in ((row, lower), (row + 1, upper)):
            for cell, part in zip(
                (column, column + 1), self._beside(y, column, level), strict=True
            ):
                rows.append(point)
                columns.append(cell * nz + level)
                values.append(share * part)
        table = (np.concatenate(values), (np.concatenate(rows), np.concatenate(columns)))
        return sparse.csr_matrix(table, shape=(y.size, ny * nz))

    def _ground_share(self, y: Array, z: Array, rough: Array) -> Array:
        """Part of the lowest cell centre's value that a constant stress has at heights below it."""
        first = np.full(z.size, self.grid.z[0])
        if isinstance(self.diffusivity, np.ndarray):  # proportional to z there
            return np.log(np.maximum(z, rough) / rough) / np.log(first / rough)
        k = self.diffusivity
        return ground_resistance(k, y, z, rough) / ground_resistance(k, y, first, rough)

    def _beside(self, y: Array, column: Index, level: Index) -> tuple[Array, Array]:
        """Weights of the columns ``column`` and the next at ``y``, in the given rows."""
        grid = self.grid
        left, right, wall = grid.y[column], grid.y[column + 1], grid.y_edges[column + 1]
        far = np.clip((y - left) / (right - left), 0.0, 1.0)
        closed, held = self.closed[column + 1, level], self.held[column + 1, level]
        before = y < wall
        gap = np.abs(y - wall) / np.where(before, wall - left, right - wall)
        alone = np.where(held, np.minimum(gap, 1.0), 1.0)
        near = np.where(closed, np.where(before, alone, 0.0), 1.0 - far)
        return near, np.where(closed, np.where(before, 0.0, alone), far)


@dataclass(frozen=True)
class DriftField:
    """Steady drift on the cells: ``speed`` (ny, nz) m/s, and the source it belongs to, m/s2."""

    model: DriftModel
    speed: Array
    source: Array

    def at(self, y_m: ArrayLike, z_m: ArrayLike) -> Array:
        """Drift at points, m/s, shape of y and z together; see ``DriftModel.weights``."""
        shape = np.broadcast_shapes(np.shape(y_m), np.shape(z_m))
        return (self.model.weights(y_m, z_m) @ self.speed.ravel()).reshape(shape)

    @cached_property
    def balance(self) -> Balance:
        """Drag in and where it goes, m3/s2 per metre of road (force over density).

        ``drag_in`` = ``road_friction`` + ``outflow_left`` + ``outflow_right`` + ``outflow_top`` +
        ``barrier`` (friction of barrier faces) + ``storage`` (0 here).
        """
        return self.model._balance(self.speed, self.source)


@dataclass(frozen=True)
class DriftMarch:
    """Drift over time: ``time_s`` (n + 1,), ``speed`` (n + 1, ny, nz) m/s.

    ``balance``: for each of the n steps the means over the step, as in ``DriftField.balance``.
    """

    model: DriftModel
    time_s: Array
    speed: Array
    balance: tuple[Balance, ...]

    def at(self, y_m: float, z_m: float) -> Array:
        """Drift at one point over time, (n + 1,) m/s."""
        return (self.model.weights(y_m, z_m) @ self.speed.reshape(len(self.speed), -1).T)[0]


def _solve(matrix: sparse.dia_matrix, right: Array) -> Array:
    """Solution (n, k) of a matrix of bands; one of many cells by its sparse factors instead."""
    below, above = -int(matrix.offsets.min()), int(matrix.offsets.max())
    if matrix.shape[0] * below * (below + above) > _BANDED:
        return np.asarray(_factorise(matrix).solve(right))
    found = _within_bands(matrix, below, above, right)
    left = np.abs(matrix @ found - right).max(initial=0.0)
    if left <= _RESIDUAL * np.abs(right).max(initial=0.0):
        return found
    table = np.zeros((below + above + 1, matrix.shape[0]))
    table[above - matrix.offsets] = matrix.data
    return solve_banded((below, above), table, right, overwrite_ab=True, check_finite=False)


def _within_bands(matrix: sparse.dia_matrix, below: int, above: int, right: Array) -> Array:
    """Elimination that keeps the order of the rows, without which it takes three times as long."""
    n = matrix.shape[0]
    rows = np.zeros((n, below + above + 2))
    for offset, data in zip(matrix.offsets, matrix.data, strict=True):
        first, last = max(0, -offset), min(n, n - offset)
        rows[first:last, below + offset] = data[first + offset : last + offset]
    return np.asarray(_eliminate(rows, below, above, right.copy()))


@kernel()
def _eliminate(rows, below, above, right):
    """Solution (n, k) of a matrix of bands: ``rows`` (n, below + above + 2), row i its columns
    from i - below to i + above + 1, the last of them 0; overwritten, and so is ``right`` (n, k).

    Two rows at once are taken from those below them.
    """
    n, k = right.shape
    for p in range(0, n - 1, 2):
        first, second = rows[p, below : below + above + 1], rows[p + 1, below - 1 :]
        f = second[0] / first[0]
        for j in range(1, above + 1):
            second[j] -= f * first[j]
        for c in range(k):
            right[p + 1, c] -= f * right[p, c]
        one, two = 1.0 / first[0], 1.0 / second[1]
        a, b = first[2:], second[2 : above + 1]
        for i in range(p + 2, min(n, p + below + 1)):
            at = below - (i - p)
            f = rows[i, at] * one
            g = (rows[i, at + 1] - f * first[1]) * two
            row = rows[i, at + 2 : at + above + 1]
            for j in range(row.size):
                row[j] -= f * a[j] + g * b[j]
            rows[i, at + above + 1] -= g * second[above + 1]
            for c in range(k):
                right[i, c] -= f * right[p, c] + g * right[p + 1, c]
        i = p + below + 1
        if i < n:
            g = rows[i, 0] * two
            row, b = rows[i, 1 : above + 1], second[2 : above + 2]
            for j in range(row.size):
                row[j] -= g * b[j]
            for c in range(k):
                right[i, c] -= g * right[p + 1, c]
    out = np.zeros((n + above, k))
    for p in range(n - 1, -1, -1):
        row, found = rows[p, below + 1 : below + above + 1], out[p]
        found[:] = right[p]
        if k == 1:
            last = out[p + 1 : p + above + 1, 0]
            total = 0.0
            for j in range(row.size):
                total += row[j] * last[j]
            found[0] -= total
        else:
            for j in range(row.size):
                if row[j] != 0.0:
                    known = out[p + 1 + j]
                    for c in range(k):
                        found[c] -= row[j] * known[c]
        for c in range(k):
            found[c] /= rows[p, below]
    return out[:n]


def _factorise(matrix: sparse.spmatrix) -> SuperLU:
    """Sparse LU with pivots kept on the diagonal.

    Free pivoting fills the factors at high Peclet numbers: on grids of 10 000 and 33 000 cells it
    took 0.6 s and 12 s, against 0.02 s and 0.14 s so, with the same residual of 1e-15.
    """
    options = {"SymmetricMode": True}
    return splu(matrix.tocsc(), permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=1e-3, options=options)


def drag_factor(drift: Array, speed: Array) -> Array:
    """Drag at air speed V - U over that at V, (1 - U/V)|1 - U/V|; the shapes broadcast."""
    relative = 1.0 - drift / speed
    return relative * np.abs(relative)
