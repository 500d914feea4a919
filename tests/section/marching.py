"""Calling ``march.advance`` with a grid and few settings, for the tests of the march."""

from __future__ import annotations

import numpy as np

from wakesim.section.closure import LEAST_EPS, LEAST_K, Closure
from wakesim.section.crossflow import face_flows
from wakesim.section.grid import CrossSectionGrid
from wakesim.section.march import advance

STANDARD = Closure(weak_shear=0.0)  # Launder and Spalding as published


def uniform(cells_y, cells_z, half_width, height, start=None):
    """Equal cells, from -half_width to half_width (or from ``start``) and up to ``height``."""
    low = -half_width if start is None else start
    return CrossSectionGrid(
        np.linspace(low, half_width, cells_y + 1), np.linspace(0.0, height, cells_z + 1)
    )


def growing(first, growth, reach):
    """Edges from 0 with cells growing by a factor."""
    count = int(np.ceil(np.log1p(reach * (growth - 1.0) / first) / np.log(growth)))
    return np.concatenate([[0.0], np.cumsum(first * growth ** np.arange(count))])


class Air:
    """u, k, eps on a grid with all that ``advance`` wants; slip sides and road by default."""

    def __init__(
        self, grid, u=0.0, k=LEAST_K, eps=LEAST_EPS, *, more=0.0, z0=0.0, wall_u=0.0,
        turbulent=True, closure=STANDARD, crosswind=0.0, courant=0.5, s_u=0.0, s_k=0.0, s_eps=0.0,
        closed=None,
    ):  # fmt: skip
        self.grid, self.closure, self.turbulent = grid, closure, turbulent
        ny, nz = shape = grid.shape

        def full(a):
            return np.full(shape, a, dtype=float)

        self.u, self.k, self.eps, self.more = full(u), full(k), full(eps), full(more)
        self.g, self.nu, self.last = np.ones(shape), np.zeros(shape), 0.0
        self.source = full(s_u), full(s_k), full(s_eps)
        self.z0, self.wall_u, self.courant = np.full(ny, float(z0)), wall_u, courant
        self.closed = np.zeros((ny + 1, nz), dtype=bool) if closed is None else closed
        self.closed_z = np.zeros((nz + 1, ny), dtype=bool)
        self.flow_y, self.flow_z = face_flows(grid, crosswind, self.closed)
        out = np.maximum(np.abs(self.flow_y[1:]), np.abs(self.flow_y[:-1])) + np.maximum(
            np.abs(self.flow_z[:, 1:]), np.abs(self.flow_z[:, :-1])
        )
        self.rate = float((out / grid.areas).max())

    def step(self, dt):
        """One step; returns the road's friction, m3/s2."""
        g, c = self.grid, self.closure
        still = np.zeros((2, g.shape[1]))
        parts = 0
        if self.rate > 0.0:
            parts = max(1, int(np.ceil(0.5 * dt * self.rate / self.courant)))
        friction = advance(
            self.u, self.k, self.eps, self.g, self.nu, self.last, dt, *self.source,
            g.y, g.z, g.y_edges, g.z_edges, self.closed, self.closed_z, still, still,
            self.z0, self.more, self.wall_u, self.flow_y, self.flow_z, parts, self.turbulent,
            c.c_mu, c.c1, c.c2, c.sigma_k, c.sigma_eps, c.weak_shear,
        )  # fmt: skip
        self.last = dt
        return friction

    def march(self, dt, steps):
        for _ in range(steps):
            self.step(dt)
        return self

    def momentum(self):
        return float((self.u * self.grid.areas).sum())
