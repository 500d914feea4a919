"""Plan-plane displacement flow: linear-strength vortex panels on closed outlines.

All outlines move together at unit speed along +x through still air. The air outside is
irrotational and u.n = n_x holds on every outline. The flow is that of a vortex sheet on the
outlines whose inside moves with the body, u = (1, 0); the sheet strength then equals the tangential
speed of the air in the frame of the body. Vertex strengths gamma_j (linear between) solve

    psi(z_i) = y_i + c_b     at every vertex i of body b,
    sum of gamma over body b = 0    (zero circulation, imposed as an equation of its own),

with psi the stream function and c_b unknown, so no air leaks through any panel on balance. A
straight wall y = wall_y is the mirror image of the outlines with opposite strengths.

Order: second in the field, and on the outline itself when it is smooth. Within about one panel
length of a curved outline, but off it, the corners of the polygon are felt and the error is first
order. References: Martensen (1959), Arch. Rational Mech. Anal. 3, 235 (sheet with the interior at
rest; from memory). The stream-function form is common practice.

A plan-plane flow alone overstates the air speed beside a vehicle of finite height several times;
``wakesim.vehicle.finite_height`` gives the factor.
"""

from __future__ import annotations

import logging
from collections.abc import Sequence
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wakesim.arrays import Array
from wakesim.vehicle.kernels import vortex_panel as kernels
from wakesim.vehicle.linear import solve_dense

MIN_POINTS = 8
_PARALLEL_PAIRS = 20_000  # below this a thread team costs more than it saves
_log = logging.getLogger(__name__)


class VortexOutline:
    """Still air moved by closed plan outlines that travel along +x at unit speed.

    Parameters
    ----------
    loops
        Closed outlines, each (k, 2) in m, counter-clockwise, k >= 8, without a repeated last point
        (one that equals the first is dropped). Points lie on the outline; panels are the chords.
    wall_y
        y in m of a straight wall parallel to the travel direction, all outlines on one side of it;
        None for open air.

    Attributes
    ----------
    loops : tuple of (k, 2) arrays, m
    surface_speed : tuple of (k,) arrays
        Tangential air speed at each point in the frame of the body, counter-clockwise positive,
        per unit body speed. It is the vortex strength.
    area_m2 : float
        Area enclosed by all outlines.
    added_mass : float
        Kinetic energy of the air as a mass, over the mass of air displaced by all outlines
        (1 for a circle in open air).

    Raises
    ------
    ValueError
        A loop is not (k, 2), too short, not finite, clockwise, touches itself, another loop or the
        wall, or lies inside another loop.
    NumericalError
        The linear system has no finite solution.
    """

    def __init__(self, loops: Sequence[ArrayLike], wall_y: float | None = None) -> None:
        self.loops = tuple(_checked_loop(loop, k) for k, loop in enumerate(loops, start=1))
        if not self.loops:
            raise ValueError("at least one outline is needed")
        self.wall_y = None if wall_y is None else float(wall_y)
        if self.wall_y is not None:
            _check_wall(self.loops, self.wall_y)
        self._panels = _Panels(self.loops)
        _check_contact(self.loops, self._panels)
        self._warn_of_narrow_gaps()
        self._gamma = _solve(self._panels, self.wall_y)
        self.surface_speed = tuple(np.split(self._gamma, self._panels.starts[1:]))

    @cached_property
    def area_m2(self) -> float:
        return float(sum(_area(loop) for loop in self.loops))

    @cached_property
    def added_mass(self) -> float:
        p = self._panels
        y1, y2 = p.y, p.y[p.following]
        g1, g2 = self._gamma, self._gamma[p.following]
        # contour integral of y w_t ds, linear times linear on each panel; w_t relative to the body
        moment = np.sum(2.0 * p.half * (2.0 * (y1 * g1 + y2 * g2) + y1 * g2 + y2 * g1)) / 6.0
        return float(moment) / self.area_m2 - 1.0

    def velocity(self, points: ArrayLike) -> Array:
        """Air velocity per unit body speed at ``points`` (m, 2) in m; returns (m, 2).

        Air-fixed components, body-fixed positions. A point on an outline gets the value just
        outside it; inside an outline the value is (1, 0) to the order of the method; beyond the
        wall it is that of the mirror image. Raises ValueError for a wrong shape or values that are
        not finite.
        """
        targets = np.ascontiguousarray(points, dtype=np.float64)
        if targets.ndim != 2 or targets.shape[1] != 2:
            raise ValueError(f"points must have shape (m, 2), not {targets.shape}")
        if not np.isfinite(targets).all():
            raise ValueError("points must be finite numbers")
        velocity, on = self._sheet_velocity(targets)
        if self.wall_y is not None:
            mirrored = targets * (1.0, -1.0) + (0.0, 2.0 * self.wall_y)
            velocity += self._sheet_velocity(mirrored)[0] * (1.0, -1.0)
        touching = np.flatnonzero(on >= 0)
        if touching.size:
            velocity[touching] = self._surface_velocity(targets[touching], on[touching])
        return velocity

    def _sheet_velocity(self, targets: Array) -> tuple[Array, NDArray[np.int64]]:
        p = self._panels
        g1, g2 = self._gamma, self._gamma[p.following]
        out = np.empty_like(targets)
        on = np.empty(len(targets), dtype=np.int64)
        many = len(targets) * p.half.size >= _PARALLEL_PAIRS
        kernel = kernels.velocity_parallel if many else kernels.velocity_serial
        kernel(targets, *p.geometry, 0.5 * (g1 + g2), g2 - g1, out, on)
        return out, on

    def _surface_velocity(self, targets: Array, panel: NDArray[np.int64]) -> Array:
        """Body velocity plus the sheet strength along the outline (its bisector at a vertex)."""
        p = self._panels
        unit = p.direction
        nxt = p.following[panel]
        offset = targets - p.centre[panel]
        s = np.sum(offset * unit[panel], axis=1) / p.half[panel]
        gamma = 0.5 * (self._gamma[panel] * (1.0 - s) + self._gamma[nxt] * (1.0 + s))
        tangent = unit[panel].copy()
        at_end, at_start = s > 1.0 - 1e-8, s < -1.0 + 1e-8
        tangent[at_end] += unit[nxt[at_end]]
        tangent[at_start] += unit[p.preceding[panel[at_start]]]
        tangent /= np.linalg.norm(tangent, axis=1, keepdims=True)
        return gamma[:, None] * tangent + (1.0, 0.0)

    def _warn_of_narrow_gaps(self) -> None:
        p = self._panels
        gap = kernels.smallest_gap(p.x, p.y, p.half, p.body) if len(self.loops) > 1 else np.inf
        if self.wall_y is not None:
            gap = min(gap, float(np.min(2.0 * np.abs(p.y - self.wall_y) / p.half)))
        if gap < 2.0:
            _log.warning(
                "the narrowest gap is %.2g panel lengths wide; more outline points are needed "
                "for the flow in it",
                0.5 * gap,
            )


class _Panels:
    """Flat arrays (n,) over all panels; panel j starts at vertex j of the concatenated loops."""

    def __init__(self, loops: tuple[Array, ...]) -> None:
        sizes = [len(loop) for loop in loops]
        self.starts = np.concatenate(([0], np.cumsum(sizes)[:-1])).astype(np.int64)
        vertex = np.concatenate(loops)
        index = [start + np.arange(k) for start, k in zip(self.starts, sizes, strict=True)]
        self.following = np.concatenate([np.roll(i, -1) for i in index])
        self.preceding = np.concatenate([np.roll(i, 1) for i in index])
        self.body = np.repeat(np.arange(len(loops)), sizes)
        self.x, self.y = np.ascontiguousarray(vertex.T)
        half_vector = 0.5 * (vertex[self.following] - vertex)
        self.centre = vertex + half_vector
        self.half = np.hypot(*half_vector.T)
        self.direction = half_vector / self.half[:, None]
        ex, ey = np.ascontiguousarray(half_vector.T)
        cx, cy = np.ascontiguousarray(self.centre.T)
        self.geometry = (cx, cy, self.half, ex, ey, ex * ex - ey * ey, 2.0 * ex * ey)


def _solve(p: _Panels, wall_y: float | None) -> Array:
    """Vertex strengths from the bordered stream-function system (see the module's text)."""
    n, bodies = p.x.size, p.starts.size
    influence = np.zeros((n, n))
    cx, cy, half, ex, ey = p.geometry[:5]
    panels = (cx, cy, half, ex, ey, p.following)
    kernels.add_stream_influence(p.x, p.y, *panels, 1.0, influence)
    if wall_y is not None:
        kernels.add_stream_influence(p.x, 2.0 * wall_y - p.y, *panels, -1.0, influence)
    member = (p.body[:, None] == np.arange(bodies)).astype(np.float64)
    vertex_length = p.half + p.half[p.preceding]
    system = np.zeros((n + bodies, n + bodies))
    system[:n, :n] = influence
    system[:n, n:] = -member
    system[n:, :n] = (member * vertex_length[:, None]).T
    right_hand = np.concatenate((p.y, np.zeros(bodies)))
    solution = solve_dense(system, right_hand, "vortex panels of the plan plane")
    return solution[:n]


def _area(loop: Array) -> float:
    """Signed area of a polygon, positive counter-clockwise; about its first point."""
    x, y = (loop - loop[0]).T
    return 0.5 * float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))


def _checked_loop(loop: ArrayLike, number: int) -> Array:
    points = np.array(loop, dtype=np.float64)
    if points.ndim != 2 or points.shape[1] != 2:
        raise ValueError(f"outline {number} must have shape (k, 2), not {points.shape}")
    if not np.isfinite(points).all():
        raise ValueError(f"outline {number} holds values that are not finite numbers")
    if len(points) > 1 and np.array_equal(points[0], points[-1]):
        points = points[:-1]
    if len(points) < MIN_POINTS:
        raise ValueError(
            f"outline {number} has {len(points)} points; at least {MIN_POINTS} are needed, "
            "also along straight sides"
        )
    if np.any(np.all(points == np.roll(points, -1, axis=0), axis=1)):
        raise ValueError(f"outline {number} repeats a point")
    if not _area(points) > 0.0:
        raise ValueError(f"outline {number} must run counter-clockwise")
    return points


def _check_wall(loops: tuple[Array, ...], wall_y: float) -> None:
    if not np.isfinite(wall_y):
        raise ValueError("wall_y must be a finite number or None")
    for number, loop in enumerate(loops, start=1):
        if loop[:, 1].min() <= wall_y <= loop[:, 1].max():
            raise ValueError(f"outline {number} crosses or touches the wall at y = {wall_y:g} m")
    if len({bool(loop[0, 1] > wall_y) for loop in loops}) > 1:
        raise ValueError(f"the outlines lie on both sides of the wall at y = {wall_y:g} m")


def _check_contact(loops: tuple[Array, ...], p: _Panels) -> None:
    i, j = kernels.first_contact(p.x, p.y, p.following)
    if i >= 0:
        a, b = p.body[i] + 1, p.body[j] + 1
        where = f"near ({p.x[i]:.4g}, {p.y[i]:.4g}) m"
        if a == b:
            raise ValueError(f"outline {a} crosses or touches itself {where}")
        raise ValueError(f"outlines {a} and {b} overlap or touch {where}")
    for a, inner in enumerate(loops, start=1):
        for b, outer in enumerate(loops, start=1):
            if a != b and _inside(inner[0], outer):
                raise ValueError(f"outline {a} lies inside outline {b}")


def _inside(point: Array, loop: Array) -> bool:
    """Even-odd rule: a ray along +x from ``point`` crosses the polygon an odd number of times."""
    x1, y1 = (loop - point).T
    x2, y2 = np.roll(x1, -1), np.roll(y1, -1)
    straddles = (y1 > 0.0) != (y2 > 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        crossing = x1 - y1 * (x2 - x1) / (y2 - y1)
    return bool(np.count_nonzero(straddles & (crossing > 0.0)) % 2)
