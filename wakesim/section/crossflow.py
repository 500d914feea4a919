"""Crosswind through the cross-section, with barriers it has to climb.

Without barriers the crosswind is v_c(z) everywhere. A barrier stops the air that would pass
through it; for the air to keep its volume it must go over the top. The flow is the stream function

    v = d psi/dz, w = -d psi/dy,   laplace(psi) = d v_c/dz,   psi = 0 on the road and the barriers,

unchanged at the sides and the top: the undisturbed shear plus the potential flow that makes the
barrier a streamline. Assumed, and stated with results: no separation behind the barrier, so its
lee is less sheltered here than in truth. A wall that reaches the top of the grid lets no air pass
at any height; the wind is then taken as turned along the wall, with no crosswind on either side.
Volume flows through cell faces are differences of psi, so every cell keeps its volume exactly.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.linalg import splu

from wakesim.arrays import Array
from wakesim.section.grid import CrossSectionGrid

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(8)


@dataclass(frozen=True)
class Barrier:
    """Thin solid wall along the road at ``y_m``, ``height_m`` high; infinite: to the grid's top.

    ``friction``: its faces hold the air as a no-slip surface does; otherwise they only block it.
    """

    y_m: float
    height_m: float
    friction: bool = False


def blocked_faces(grid: CrossSectionGrid, barriers: Sequence[Barrier]) -> NDArray[np.bool_]:
    """Vertical faces (ny + 1, nz) that barriers close, each barrier on the nearest edges.

    Raises ValueError for a barrier at or beyond the sides, or one without height.
    """
    closed = np.zeros((grid.shape[0] + 1, grid.shape[1]), dtype=bool)
    for barrier in barriers:
        if not barrier.height_m > 0.0:
            raise ValueError("barrier must be higher than 0 m")
        if not grid.y_edges[1] <= barrier.y_m <= grid.y_edges[-2]:
            raise ValueError(f"barrier at y = {barrier.y_m:g} m is outside the grid")
        face = np.argmin(np.abs(grid.y_edges - barrier.y_m))
        top = max(1, int(np.argmin(np.abs(grid.z_edges - barrier.height_m))))
        closed[face, : grid.shape[1] if barrier.height_m >= grid.z_edges[-1] else top] = True
    return closed


def face_flows(
    grid: CrossSectionGrid,
    crosswind_m_s: float | Callable[[Array], Array],
    closed: NDArray[np.bool_],
) -> tuple[Array, Array]:
    """Volume flow per metre of road through the faces: towards +y (ny + 1, nz), up (ny, nz + 1).

    m2/s; ``crosswind_m_s`` is uniform or a function of height. Their sum over a cell is zero.
    """
    low, step = grid.z_edges[:-1], np.diff(grid.z_edges)
    if callable(crosswind_m_s):
        heights = low[:, None] + 0.5 * step[:, None] * (1.0 + _NODES)
        mean = 0.5 * np.asarray(crosswind_m_s(heights), dtype=np.float64) @ _WEIGHTS
    else:
        mean = np.full(step.size, float(crosswind_m_s))
    if not np.all(np.isfinite(mean)):
        raise ValueError("crosswind must be a number at every height")
    stream = np.concatenate(([0.0], np.cumsum(mean * step)))
    psi = np.tile(stream, (grid.shape[0] + 1, 1))
    if closed.any() and mean.any():
        psi = np.zeros_like(psi) if closed[:, -1].any() else psi + _climb(grid, stream, closed)
    return np.diff(psi, axis=1), -np.diff(psi, axis=0)


def _climb(grid: CrossSectionGrid, stream: Array, closed: NDArray[np.bool_]) -> Array:
    """Change of the stream function by barriers at the grid's corners, (ny + 1, nz + 1)."""
    operator = sparse.kron(_second(grid.y_edges), _mass(grid.z_edges)) + sparse.kron(
        _mass(grid.y_edges), _second(grid.z_edges)
    )
    held = np.zeros((grid.y_edges.size, grid.z_edges.size), dtype=bool)
    held[:, 1:] |= closed  # the top corner of a closed face; its foot is on the road or on another
    value = np.where(held, -stream, 0.0)
    held[[0, -1], :] = True
    held[:, [0, -1]] = True
    free = np.flatnonzero(~held)
    rows = operator.tocsr()[free]
    result = value.ravel().copy()
    right = -rows[:, np.flatnonzero(held)] @ result[held.ravel()]
    result[free] = splu(rows[:, free].tocsc(), permc_spec="MMD_AT_PLUS_A").solve(right)
    return result.reshape(held.shape)


def _second(x: Array) -> sparse.csr_matrix:
    """Minus the second difference on nodes ``x``, times the width a node stands for."""
    inverse = 1.0 / np.diff(x)
    middle = np.concatenate((inverse, [0.0])) + np.concatenate(([0.0], inverse))
    return sparse.diags([-inverse, middle, -inverse], [-1, 0, 1], format="csr")


def _mass(x: Array) -> sparse.csr_matrix:
    """Width each node stands for."""
    step = np.diff(x)
    return sparse.diags(0.5 * (np.append(step, 0.0) + np.insert(step, 0, 0.0)), format="csr")
