"""What all wake laws share: their constants, the air around, and the bubble behind the base.

Within the bubble, from the tail to L_b behind it, a far law holds no more: there the air moves with
the vehicle or faster (reversed flow), with shear layers at the edges of the base, and the far law's
section at L_b is blended in. Lengths are in m, velocities per unit air-relative speed V.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import erf

from wakesim import constants as defaults
from wakesim.arrays import Array
from wakesim.case.vehicle import Vehicle
from wakesim.constants import WakeConstants

SHARE_U, SHARE_V, SHARE_W = (  # of 2k
    defaults.SHARE_U.value, defaults.SHARE_V.value, defaults.SHARE_W.value,
)  # fmt: skip
TURBULENCE_ONSET = defaults.TURBULENCE_ONSET.value  # heights behind the tail
TURBULENCE_TIME_S = defaults.TURBULENCE_TIME_S.value  # integral time scale at a fixed point
SHEAR_HEIGHTS = defaults.SHEAR_HEIGHTS.value
SHEAR_GROWTH = defaults.SHEAR_GROWTH.value


@dataclass(frozen=True)
class AirState:
    """Air that a wake trails through, as ratios to the air-relative speed V."""

    diffusivity_over_speed_m: float = 0.0  # eddy viscosity of that air over V
    crosswind_ratio: float = 0.0  # v_c/V, positive towards +y


def bubble_length_m(vehicle: Vehicle, constants: WakeConstants) -> float:
    """Length of the recirculation bubble behind the base."""
    return constants.bubble_length_heights * vehicle.height_m


def with_wall_image(lateral: Array, wall: Array | float | None) -> list[Array]:
    """Lateral distances from a wake and, with a wall at ``wall`` in the same axis, m, from its
    image in the wall."""
    return [lateral] if wall is None else [lateral, 2.0 * wall - lateral]


class NearWake:
    """Bubble of one vehicle; methods take broadcastable arrays and return the broadcast shape.

    x is the distance behind the tail. A law is a subclass with ``law`` as its name, in a file of
    this folder that ends in ``_wake``, and gives ``velocity``, ``turbulence``, ``both``, ``width``
    and ``sections``.
    """

    laws: ClassVar[dict[str, type[NearWake]]] = {}

    def __init_subclass__(cls, law: str = "") -> None:
        if law:
            cls.laws[law] = cls

    @classmethod
    def levels(cls, air: AirState) -> set[int]:
        """Levels of air in which the section's march of this vehicle is needed: still air, from
        which the road's balance takes the wake."""
        return {0}

    def __init__(self, vehicle: Vehicle, constants: WakeConstants, air: AirState) -> None:
        self.vehicle = vehicle
        self.constants = constants
        self.air = air
        self.bubble_m = bubble_length_m(vehicle, constants)

    def lateral(self, x: Array, y: Array) -> Array:
        """Distance from the wake's own centre, which a crosswind carries aside behind the tail."""
        return y - self.air.crosswind_ratio * np.maximum(x, 0.0)

    def blend(self, x: Array) -> Array:
        """Share of the far law: 0 at the tail, 1 from the bubble's end on."""
        s = np.clip(x / self.bubble_m, 0.0, 1.0)
        return np.asarray(s * s * (3.0 - 2.0 * s))

    def base_shape(self, x: ArrayLike, y: ArrayLike, z: ArrayLike) -> Array:
        """1 within the base, 0 outside, with the shear layers between; ``y`` from the centre."""
        v = self.vehicle
        x, y, z = (np.asarray(a, dtype=np.float64) for a in (x, y, z))
        thick = SHEAR_HEIGHTS * v.height_m + SHEAR_GROWTH * np.clip(x, 0.0, self.bubble_m)
        across = erf((y + 0.5 * v.width_m) / thick) - erf((y - 0.5 * v.width_m) / thick)
        upward = erf((z - v.clearance_m) / thick) - erf((z - v.height_m) / thick)
        return np.asarray(0.25 * across * upward)

    def bubble(self, x: ArrayLike, y: ArrayLike, z: ArrayLike) -> Array:
        """Recirculating air behind the base, u/V between 0 and 1 + reversed_flow."""
        x, y = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
        return self.recirculation(x) * self.base_shape(x, self.lateral(x, y), z)

    def recirculation(self, x: Array) -> Array:
        """u/V in the middle of the bubble: 1 at its ends, with the reversed flow between."""
        inside = np.clip(x / self.bubble_m, 0.0, 1.0)
        return np.asarray(1.0 + self.constants.reversed_flow * np.sin(math.pi * inside))

    def velocity(self, x: ArrayLike, y: ArrayLike, z: ArrayLike) -> Array:
        """Mean along-road wake velocity u/V at x behind the tail."""
        raise NotImplementedError

    def turbulence(self, x: ArrayLike, y: ArrayLike, z: ArrayLike) -> Array:
        """Turbulent kinetic energy k/V^2."""
        raise NotImplementedError

    def both(self, x: ArrayLike, y: ArrayLike, z: ArrayLike) -> tuple[Array, Array]:
        """``velocity`` and ``turbulence`` together."""
        u, k = np.broadcast_arrays(self.velocity(x, y, z), self.turbulence(x, y, z))
        return u, k

    def passed(self, x: Array, weight: Array, y: Array, z: Array) -> tuple[Array, Array]:
        """Sums of u and k over distances x (n,) behind the bubble with weights (n,), at places y
        and z (m,), each (m,): what a pass brings to a place, if the weights are those of time."""
        u, k = self.both(x[:, None], y[None], z[None])
        # summed row by row: a matrix product may differ in the last bit
        return (weight[:, None] * u).sum(axis=0), (weight[:, None] * k).sum(axis=0)

    def lines(self, x: Array, y: Array, z: Array) -> tuple[Array, Array]:
        """``both`` (n, m) at distances x (n,) along lines at ``y`` and ``z`` (m,)."""
        return self.both(x[:, None], y[None, :], z[None, :])

    def width(self, x: ArrayLike) -> Array:
        """Standard deviation of the mean wake across, m."""
        raise NotImplementedError

    def sections(
        self, x: Array, y_m: Array | None = None, z_m: Array | None = None
    ) -> tuple[Array, Array, Array, Array]:
        """y (ny,), z (nz,) m and u, k (n, ny, nz) at distances x (n,) behind the tail, about the
        wake's own centre, for y >= 0. ``y_m`` and ``z_m``: where u and k are wanted; then only the
        columns and rows around these places, and the outermost, are computed."""
        raise NotImplementedError


def nodes_around(nodes: Array, wanted: Array | None) -> Array:
    """Of rising ``nodes`` (n,) those next to places ``wanted``, the first and the last; all for
    None. Linear interpolation between them is that between all nodes at these places."""
    if wanted is None:
        return nodes
    low = np.clip(np.searchsorted(nodes, wanted.ravel()) - 1, 0, nodes.size - 2)
    return nodes[np.unique(np.concatenate([[0, nodes.size - 1], low, low + 1]))]
