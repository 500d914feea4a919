"""Displacement flow of a closed or open-tailed hull by source panels over the road.

The air velocity u per unit body speed (body moving along +x through still air) satisfies
u . n = n_x on the hull. Constant-strength quads, the road as an image in z = 0 and, if asked, a
vertical wall as a further image; see kernels/quad_source.py for the discretisation.

Open tail: a vehicle's rear is separated, so the base is no full sink. Panels of the base let the
air leave at the vehicle's speed (u . n = 0 there) and given sinks behind the base, part of the
right-hand side, take up all but the net source the wake's displacement asks for.
"""

from __future__ import annotations

from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from wakesim.arrays import Array, Index
from wakesim.kept import keep
from wakesim.vehicle.kernels.quad_source import influence_matrix, panel_geometry, velocity_sum
from wakesim.vehicle.linear import solve_dense

_SYMMETRY = 1e-9  # largest difference, over the size, of a panel from its image
_ORDER = ("corners", "centres", "normals", "areas", "gauss", "gauss_share", "diagonal")


def _as_quads(quads: ArrayLike) -> Array:
    array = np.ascontiguousarray(quads, dtype=np.float64)
    if array.ndim != 3 or array.shape[1:] != (4, 3) or array.shape[0] == 0:
        raise ValueError(f"quads must have shape (n, 4, 3) with n > 0, not {array.shape}")
    if not np.isfinite(array).all():
        raise ValueError("quads must be finite")
    return array


def _as_points(points: ArrayLike) -> Array:
    array = np.ascontiguousarray(points, dtype=np.float64)
    if array.ndim != 2 or array.shape[1] != 3:
        raise ValueError(f"points must have shape (m, 3), not {array.shape}")
    return array


@keep("hull")
def _solved(
    panels: tuple[Array, ...], images: tuple[bool, bool, float], right_hand: Array
) -> Array:
    """Strengths (n,) of panels with the normal velocity ``right_hand`` (n,) at their centres; with
    a plane of symmetry from a system of one side alone."""
    own = np.arange(right_hand.size)
    walled = images[1]
    mirror = own if walled else _mirror(*panels[1:4], right_hand)
    own = own[own <= mirror]
    matrix = influence_matrix(*panels, own, mirror[own] != own, *images)
    strengths = np.empty(right_hand.size)
    strengths[own] = solve_dense(matrix, right_hand[own], "source panels of the hull")
    strengths[mirror[own]] = strengths[own]
    return strengths


def _mirror(centres: Array, normals: Array, areas: Array, right_hand: Array) -> Index:
    """The panel (n,) that is each panel's image in the plane y = 0; itself without symmetry."""
    turn = np.array([1.0, -1.0, 1.0])
    near = _SYMMETRY * np.ptp(centres, axis=0).max()
    order, mirrored = (np.lexsort(np.rint(c / near).T) for c in (centres, turn * centres))
    mirror = np.empty_like(order)
    mirror[mirrored] = order
    exact = (
        np.abs(centres[mirror] - turn * centres).max() < near
        and np.abs(normals[mirror] - turn * normals).max() < _SYMMETRY
        and np.abs(areas[mirror] / areas - 1.0).max() < _SYMMETRY
        and np.abs(right_hand[mirror] - right_hand).max() < _SYMMETRY
    )
    return mirror if exact else np.arange(areas.size)


class SinkSheet:
    """Flat panels of given strength (positive: source), with the images of the hull they serve."""

    def __init__(self, quads: ArrayLike, strengths: ArrayLike) -> None:
        self._geometry = panel_geometry(_as_quads(quads))
        self.strengths = np.ascontiguousarray(strengths, dtype=np.float64)
        self.areas: Array = self._geometry["areas"]

    @property
    def source_m2(self) -> float:
        """Net source strength per unit speed, without images."""
        return float(self.strengths @ self.areas)

    def velocity(self, points: Array, road: bool, wall_y: float | None) -> Array:
        """Velocity (m, 3) per unit body speed."""
        return velocity_sum(
            points, self.strengths, *(self._geometry[k] for k in _ORDER),
            road, wall_y is not None, 0.0 if wall_y is None else wall_y,
        )  # fmt: skip


class SourceHull:
    """Potential flow of a closed hull moving along +x at unit speed through still air.

    Parameters
    ----------
    quads
        (n, 4, 3) m, corners counter-clockwise seen from outside; the surface must be closed.
        A triangle is a quad with two equal corners.
    road
        Image in z = 0; the hull must lie above it.
    wall_y
        y of a vertical wall along x, m, as a further image; the hull must lie on one side of it.
    open_base
        (n,) bool: panels that let the separated wake leave at body speed.
    sinks
        Prescribed sources behind an open base.

    Raises ValueError when the surface is not closed, inside out, or crosses the road or wall.

    References: Hess and Smith 1967; Katz and Plotkin 2001. Exact checks: sphere, spheroids (Lamb
    1932, section 114), sphere near a wall.
    """

    def __init__(
        self,
        quads: ArrayLike,
        road: bool = True,
        *,
        wall_y: float | None = None,
        open_base: ArrayLike | None = None,
        sinks: SinkSheet | None = None,
    ) -> None:
        array = _as_quads(quads)
        self.road = bool(road)
        self.wall_y = wall_y
        self._geometry = panel_geometry(array)
        self.areas: Array = self._geometry["areas"]
        self.centres: Array = self._geometry["centres"]
        self.normals: Array = self._geometry["normals"]
        self.sinks = sinks
        self._check(array)
        self.boundary_value: Array = self.normals[:, 0].copy()
        if open_base is not None:
            self.boundary_value[np.asarray(open_base, dtype=bool)] = 0.0
        right_hand = self.boundary_value
        if sinks is not None:
            induced = sinks.velocity(self.centres, self.road, wall_y)
            right_hand = right_hand - np.einsum("nc,nc->n", induced, self.normals)
        self.strengths: Array = _solved(self._panels, self._images, right_hand)

    @property
    def _panels(self) -> tuple[Array, ...]:
        return tuple(self._geometry[k] for k in _ORDER)

    @property
    def _images(self) -> tuple[bool, bool, float]:
        return self.road, self.wall_y is not None, 0.0 if self.wall_y is None else self.wall_y

    def _check(self, quads: Array) -> None:
        vector_area = self.areas @ self.normals
        if np.linalg.norm(vector_area) > 1e-3 * self.areas.sum():
            raise ValueError("the quads do not form a closed surface")
        if self.volume <= 0.0:
            raise ValueError("the quads face inwards: corners run clockwise seen from outside")
        if self.road and quads[..., 2].min() <= 0.0:
            raise ValueError("the hull touches or crosses the road z = 0")
        if self.wall_y is not None:
            side = np.sign(quads[..., 1] - self.wall_y)
            if not (np.all(side > 0) or np.all(side < 0)):
                raise ValueError(f"the hull touches or crosses the wall y = {self.wall_y} m")

    @cached_property
    def volume(self) -> float:
        """Displaced volume of the hull alone, m3."""
        return float(np.einsum("n,nc,nc->", self.areas, self.centres, self.normals) / 3.0)

    @property
    def source_m2(self) -> float:
        """Net source of hull and sinks per unit speed, without images, m2 (m3/s per m/s)."""
        total = float(self.strengths @ self.areas)
        return total if self.sinks is None else total + self.sinks.source_m2

    def velocity(self, points: ArrayLike) -> Array:
        """Air velocity (m, 3) per unit body speed at points (m, 3) m outside the hull."""
        array = _as_points(points)
        out = velocity_sum(array, self.strengths, *self._panels, *self._images)
        if self.sinks is not None:
            out += self.sinks.velocity(array, self.road, self.wall_y)
        return out

    @property
    def added_mass(self) -> float:
        """Added-mass coefficient along x of a closed hull, per displaced volume of the hull alone.

        The strength is the jump of normal velocity across the surface, and the potential inside
        (harmonic, equal to the outer one on the surface) gives by Green's identity
        sum(strength x area) = volume + added mass / density, also with road and wall images.
        """
        moment = float((self.strengths * self.areas) @ self.centres[:, 0])
        return moment / self.volume - 1.0
