"""Compiled loops of the speed's distribution: velocities onto a grid, and the grid into rings."""

from __future__ import annotations

import math

import numpy as np

from wakesim.arrays import kernel

_PARTS = 4


@kernel()
def lay_out(nodes, weight, step_u, step_v, grid):
    """Add nodes to a periodic grid from zero on; mean and second moments are kept."""
    rows, columns = grid.shape
    share_u = np.empty(3)
    share_v = np.empty(3)
    for n in range(weight.size):
        u = nodes[n, 0] / step_u
        v = nodes[n, 1] / step_v
        i = math.floor(u + 0.5)
        j = math.floor(v + 0.5)
        u -= i
        v -= j
        share_u[0], share_u[1], share_u[2] = 0.5 * u * (u - 1.0), 1.0 - u * u, 0.5 * u * (u + 1.0)
        share_v[0], share_v[1], share_v[2] = 0.5 * v * (v - 1.0), 1.0 - v * v, 0.5 * v * (v + 1.0)
        for a in range(3):
            for b in range(3):
                grid[(i + a - 1) % rows, (j + b - 1) % columns] += (
                    weight[n] * share_u[a] * share_v[b]
                )


@kernel()
def rings(mass, u0, v0, step_u, step_v, width, count):
    """Mass at the speeds 0, width, 2 width ..., each cell spread over its area.

    A part of a cell is shared by the two nearest speeds in proportion, so that speed adds up.
    """
    out = np.zeros(count)
    share = 1.0 / (_PARTS * _PARTS)
    for i in range(mass.shape[0]):
        for j in range(mass.shape[1]):
            m = mass[i, j]
            if abs(m) < 1e-18:
                continue
            for a in range(_PARTS):
                u = u0 + (i + (a + 0.5) / _PARTS - 0.5) * step_u
                for b in range(_PARTS):
                    v = v0 + (j + (b + 0.5) / _PARTS - 0.5) * step_v
                    position = min(math.sqrt(u * u + v * v) / width, count - 1.001)
                    ring = int(position)
                    upper = m * share * (position - ring)
                    out[ring] += m * share - upper
                    out[ring + 1] += upper
    return out
