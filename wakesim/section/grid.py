"""Grid of the road's cross-section and sources placed on it.

Cells are rectangles in y (across the road) and z (up from the road). Edges follow a size function,
the finest size near the lanes, mounts and the road and growing in proportion to the distance from
them, so that neighbouring cells differ by a few per cent.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import erfc

from wakesim.arrays import Array

VERTICAL_REFINEMENT = 0.6  # finest height of a cell over its finest width
_FLAT_M = 2.0  # finest cells so far from lanes, points and the road
_SAMPLES = 40_001  # of the size function over the whole width or height


@dataclass(frozen=True)
class CrossSectionGrid:
    """Rectangular cells: ``y_edges`` (ny + 1,) and ``z_edges`` (nz + 1,), m; z starts at 0.

    Raises ValueError when edges do not increase or the lowest is not the road.
    """

    y_edges: Array
    z_edges: Array

    def __post_init__(self) -> None:
        for name in ("y_edges", "z_edges"):
            edges = np.array(getattr(self, name), dtype=np.float64)
            if edges.ndim != 1 or edges.size < 4 or not np.all(np.isfinite(edges)):
                raise ValueError(f"{name} must be at least 4 finite numbers in one row")
            if not np.all(np.diff(edges) > 0.0):
                raise ValueError(f"{name} must increase")
            edges.flags.writeable = False
            object.__setattr__(self, name, edges)
        if self.z_edges[0] != 0.0:
            raise ValueError("z_edges must start at 0 m, the road")

    @cached_property
    def y(self) -> Array:
        """Cell centres across the road, (ny,) m."""
        return 0.5 * (self.y_edges[1:] + self.y_edges[:-1])

    @cached_property
    def z(self) -> Array:
        """Heights of the cell centres, (nz,) m."""
        return 0.5 * (self.z_edges[1:] + self.z_edges[:-1])

    @cached_property
    def areas(self) -> Array:
        """Cell areas, (ny, nz) m2."""
        return np.outer(np.diff(self.y_edges), np.diff(self.z_edges))

    @property
    def shape(self) -> tuple[int, int]:
        return self.y_edges.size - 1, self.z_edges.size - 1

    @classmethod
    def around(
        cls,
        lane_centres_m: ArrayLike,
        points_yz: ArrayLike,
        reach_m: float = 300.0,
        height_m: float = 200.0,
        finest_m: float = 0.15,
        growth: float = 0.12,
        barriers: Sequence[tuple[float, float]] = (),
    ) -> CrossSectionGrid:
        """Stretched grid around lanes (k,) m and mount points (n, 2) m, y and z.

        The outermost lane or point is ``reach_m`` from the side. A cell is ``finest_m`` wide (0.6
        of it high, for a plume in a crosswind is narrowest upwards) within 2 m of a lane or point
        and below 2 m, and ``growth`` times the further distance larger elsewhere. The defaults keep
        the drift of a line within 1 % from 2 m on. ``finest_m`` and
        ``growth`` halved together halve every cell. The foot and the top of each of ``barriers``,
        (y, height) in m, fall on edges. Raises ValueError when nothing is given to build around,
        or a point is outside.
        """
        points = np.asarray(points_yz, dtype=np.float64).reshape(-1, 2)
        lanes = np.asarray(lane_centres_m, dtype=np.float64).ravel()
        walls = [(y, h) for y, h in barriers]
        anchors = np.concatenate((lanes, points[:, 0], [y for y, _ in walls]))
        if anchors.size == 0 or not np.all(np.isfinite(anchors)):
            raise ValueError("a grid needs at least one lane or point to be built around")
        if not (finest_m > 0.0 and growth > 0.0 and reach_m > 0.0):
            raise ValueError("finest cell, growth and reach must be greater than 0")
        tops = [h for _, h in walls if h < height_m]
        levels = np.concatenate((points[:, 1], tops))
        if levels.size and not (levels.min() >= 0.0 and levels.max() < height_m):
            raise ValueError(f"points must be from 0 m to below {height_m:g} m high")

        def width(y: Array) -> Array:
            return finest_m + growth * np.maximum(_distance(y, anchors) - _FLAT_M, 0.0)

        def rise(z: Array) -> Array:
            away = np.maximum(z - _FLAT_M, 0.0)
            if levels.size:
                away = np.minimum(away, np.maximum(_distance(z, levels) - 1.0, 0.0))
            return VERTICAL_REFINEMENT * finest_m + growth * away

        low, high = anchors.min() - reach_m, anchors.max() + reach_m
        return cls(
            _edges(low, high, width, [y for y, _ in walls]), _edges(0.0, height_m, rise, tops)
        )

    def source(
        self,
        y_m: float,
        z_m: float,
        force_m3_s2: float,
        sigma_y_m: float = 0.0,
        sigma_z_m: float = 0.0,
    ) -> Array:
        """A force per metre of road over the air density on the cells, (ny, nz) m/s2.

        Distribution: a Gaussian about (y_m, z_m) less its image in the road, the form in which a
        wake diffuses over a no-slip road from a line at z_m. Its couple about the road is
        force * z_m for any spread; its sum is force * erf(z_m / (sqrt(2) sigma_z_m)), for the road
        has taken the rest. Spread zero is a line. Force, couple, position and spread
        are exact on any grid (see ``_shares``). Raises ValueError for a centre outside the grid or
        a negative spread.
        """
        if not (self.y[0] <= y_m <= self.y[-1] and 0.0 < z_m <= self.z[-1]):
            raise ValueError(f"source at y = {y_m:g} m, z = {z_m:g} m is outside the grid")
        if not (sigma_y_m >= 0.0 and sigma_z_m >= 0.0):
            raise ValueError("spread must be at least 0 m")
        share_y = _shares(self.y, y_m, sigma_y_m)
        nz = self.shape[1]
        share_z = _shares(np.concatenate((-self.z[::-1], [0.0], self.z)), z_m, sigma_z_m)
        share_z = share_z[nz + 1 :] - share_z[:nz][::-1]
        return force_m3_s2 * np.outer(share_y, share_z) / self.areas


def _distance(x: Array, anchors: Array) -> Array:
    """Distance of each x to the nearest anchor."""
    ordered = np.sort(anchors)
    after = np.searchsorted(ordered, x).clip(1, ordered.size - 1) if ordered.size > 1 else 0
    if ordered.size == 1:
        return np.abs(x - ordered[0])
    return np.minimum(np.abs(x - ordered[after - 1]), np.abs(x - ordered[after]))


def _edges(low: float, high: float, size: Callable[[Array], Array], fixed: list[float]) -> Array:
    """Edges from ``low`` to ``high``, cells of about ``size``, with edges at ``fixed`` places."""
    x = np.linspace(low, high, _SAMPLES)
    density = 1.0 / size(x)
    steps = 0.5 * (density[1:] + density[:-1]) * np.diff(x)
    count = np.concatenate(([0.0], np.cumsum(steps)))
    stops = np.array([low, *sorted(set(fixed)), high])
    marks = np.interp(stops, x, count)
    parts = [np.array([low])]
    for k in range(stops.size - 1):
        number = max(1, round(marks[k + 1] - marks[k]))
        part = np.interp(np.linspace(marks[k], marks[k + 1], number + 1)[1:], count, x)
        part[-1] = stops[k + 1]
        parts.append(part)
    return np.concatenate(parts)


def _shares(nodes: Array, centre: float, sigma: float) -> Array:
    """Shares of a unit Gaussian on ``nodes``: sum, mean and variance are those of the Gaussian.

    Each part is shared between its two nodes in proportion to nearness, which keeps sum and mean
    but widens: a line midway between nodes by a quarter of the spacing squared, enough for an
    error of 2 % at 2 m from it. The Gaussian is therefore taken narrower by as much, and what it
    cannot give (a line) is taken out by a second difference at the nearest node.
    """
    distance = nodes - centre
    share = _hats(nodes, distance, sigma)
    excess = float(share @ distance**2) - sigma**2
    narrowed = math.sqrt(max(sigma**2 - excess, 0.0))
    share = _hats(nodes, distance, narrowed)
    excess = float(share @ distance**2) - sigma**2
    i = int(np.clip(np.argmin(np.abs(distance)), 1, nodes.size - 2))
    before, after = nodes[i] - nodes[i - 1], nodes[i + 1] - nodes[i]
    second = np.array([1.0 / before, -1.0 / before - 1.0 / after, 1.0 / after])
    share[i - 1 : i + 2] -= excess / (before + after) * second
    return share


def _hats(nodes: Array, distance: Array, sigma: float) -> Array:
    """Integrals of a unit Gaussian times the piecewise linear hat function of each node."""
    slope = np.diff(_ramp(distance, sigma)) / np.diff(nodes)
    return np.diff(slope, prepend=0.0, append=1.0)


def _ramp(x: Array, sigma: float) -> Array:
    """Twice integrated unit Gaussian: max(x, 0) smoothed by ``sigma``."""
    if sigma == 0.0:
        return np.maximum(x, 0.0)
    bell = sigma / math.sqrt(2.0 * math.pi) * np.exp(-0.5 * (x / sigma) ** 2)
    return 0.5 * x * erfc(-x / (sigma * math.sqrt(2.0))) + bell
