"""A hull's panels as a tree, for velocities at very many points.

``SourceHull.velocity`` sums every panel at every point. A table of a vehicle's flow needs some
50 000 points, for which groups of distant panels act through their moments (see the kernel).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from wakesim.arrays import Array
from wakesim.vehicle.kernels.source_tree import tree_velocity
from wakesim.vehicle.panels3d import SourceHull

_PAIRS = ((0, 0), (1, 1), (2, 2), (0, 1), (0, 2), (1, 2))


class SourceTree:
    """Tree of the panels of a hull over the road and of the sinks behind its base.

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
        self._charge = (self._strengths * areas)[:, None] * share  # (n, 4) at the Gauss points
        self._gauss = gauss
        self._build()

    def _build(self) -> None:
        middle = self._corners.mean(axis=1)
        groups = [np.arange(len(middle))]
        child, panel = [-1], [-1]
        n = 0
        while n < len(groups):
            own = groups[n]
            if own.size == 1:
                panel[n] = int(own[0])
            else:
                side = int(np.argmax(np.ptp(middle[own], axis=0)))
                ordered = own[np.argsort(middle[own, side], kind="stable")]
                child[n] = len(groups)
                groups += [ordered[: own.size // 2], ordered[own.size // 2 :]]
                child += [-1, -1]
                panel += [-1, -1]
            n += 1
        self._child, self._panel = np.array(child), np.array(panel)
        self._centre, self._radius = np.empty((len(groups), 3)), np.empty(len(groups))
        self._moment = np.empty((len(groups), 10))
        for k, own in enumerate(groups):
            corner = self._corners[own].reshape(-1, 3)
            centre = 0.5 * (corner.min(axis=0) + corner.max(axis=0))
            charge, at = self._charge[own].ravel(), self._gauss[own].reshape(-1, 3) - centre
            self._centre[k] = centre
            self._radius[k] = np.sqrt(np.max(np.sum((corner - centre) ** 2, axis=1)))
            self._moment[k, 0] = charge.sum()
            self._moment[k, 1:4] = charge @ at
            self._moment[k, 4:] = [charge @ (at[:, a] * at[:, b]) for a, b in _PAIRS]

    @property
    def whole(self) -> tuple[Array, Array]:
        """Centre (3,) m and moments (10,) of all panels together: source, dipole, quadrupole."""
        return self._centre[0], self._moment[0]

    def velocity(self, points: ArrayLike) -> Array:
        """Velocity along and across (m, 2) per unit body speed at points (m, 3) m above the road.

        Differs from ``SourceHull.velocity`` by a few thousandths of the local speed
        (tests/flow/test_pulse_grid.py).
        """
        array = np.ascontiguousarray(points, dtype=np.float64)
        if array.ndim != 2 or array.shape[1] != 3:
            raise ValueError(f"points must have shape (m, 3), not {array.shape}")
        return tree_velocity(
            array, self._centre, self._radius, self._moment, self._child, self._panel,
            self._corners, self._normals, self._strengths,
        )  # fmt: skip
