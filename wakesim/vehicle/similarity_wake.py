"""Similarity laws of a vehicle's wake, kept as comparators of the marched one: couple, momentum.

Both families are given per unit air-relative speed V at a distance x behind the tail, with y from
the centreline and z above the road.

Couple wake (no-slip road; Eskridge and Hunt 1979, J. Appl. Meteorol. 18, 387): momentum is lost to
the road and the overturning couple of the drag is conserved. In the published variables
u/V = A (x/h)^(-3/4) sqrt(e) zeta exp(-(eta^2 + zeta^2)/8), eta = y/l, zeta = z/l,
l = lambda A h (x/h)^(1/4), A^4 = C / (32 pi sqrt(e) lambda^3), C = C_D (A_f/h^2)(z_D/h).
It is computed in the equal form
    u/V = (1/2 C_D A_f z_D) z exp(-y^2/2 s_y^2 - z^2/2 s_z^2) / (pi s_y s_z^3),   s = 2 l,
whose couple, the integral of u z over the half plane z > 0, is 1/2 C_D A_f z_D V for any spread.
The law is for the far wake; here s^4 grows at the published rate from the width at the bubble's
end, s^4 = s_0^4 + (2 lambda A)^4 h^3 (x - L_b), which is a shift of origin.

Momentum wake (slip road; Pope 2000, Turbulent Flows, section 5.4, with its image in the road):
    u/V = (1/2 C_D A_f) exp(-y^2/2 s_y^2) [exp(-(z-z_w)^2/2 s_z^2) + exp(-(z+z_w)^2/2 s_z^2)]
          / (2 pi s_y s_z),
half radius r = s sqrt(2 ln 2), r^3 = r_0^3 + 3 S (ln 2/2 pi) 2 C_D A_f (x - L_b). Its momentum, the
integral of u over z > 0, is 1/2 C_D A_f V for any spread.

Extensions, the same for both: at the bubble's end, where by definition the mean flow on the axis
moves with the vehicle, the peak of u is V; s_y and s_z are there in the proportion of width and
height of the body, and their difference of variances stays constant and fades as the wake grows
(assumed); ambient diffusivity adds 2 K (x - L_b)/V to both variances; a crosswind v_c shifts the
wake by v_c x/V. Within the bubble, x < L_b, the far law is frozen at its value at L_b and blended
into air that moves with the vehicle or faster (reversed flow), with shear layers at the edges of
the base; beyond L_b the law stands alone.

Turbulence: kinetic energy k = k_n (1 + (x/x_k)^4)^(-0.3) V^2, so that k falls as x^(-1.2) far
behind (Eskridge and Thompson 1982, Atmos. Environ. 16). Level k_n = 0.115 and far level
0.165 C_D A_f/h^2 (x/h)^(-1.2) are fitted to the peaks of the 25 degree Ahmed body at x/H from 0.3
to 2.2 (Lienhart and Becker 2003, SAE 2003-01-0656), and assumed to scale with drag.
Its profile is Gaussian about half the vehicle's height, somewhat wider than the mean and at least
as wide as the base (assumed).
"""

from __future__ import annotations

import math
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from wakesim import constants as defaults
from wakesim.arrays import Array
from wakesim.case.vehicle import Vehicle
from wakesim.section.wake import wake_grid
from wakesim.vehicle.bubble import (
    TURBULENCE_ONSET,
    AirState,
    NearWake,
    WakeConstants,
    nodes_around,
)

TURBULENCE_DECAY = defaults.TURBULENCE_DECAY.value  # exponent of k far behind
TURBULENCE_KNEE = defaults.TURBULENCE_KNEE.value
TURBULENCE_WIDTH = defaults.TURBULENCE_WIDTH.value
TURBULENCE_BASE = defaults.TURBULENCE_BASE.value
DRAG_HEIGHT = defaults.DRAG_HEIGHT.value
_HALF_WIDTH = math.sqrt(2.0 * math.log(2.0))


def couple_amplitude(vehicle: Vehicle, spread: float) -> float:
    """A of the couple wake for the line of drag at half the vehicle's height."""
    h = vehicle.height_m
    couple = vehicle.drag_coefficient * vehicle.frontal_area_m2 / h**2 * DRAG_HEIGHT
    return float((couple / (32.0 * math.pi * math.sqrt(math.e) * spread**3)) ** 0.25)


class SimilarityWake(NearWake):
    """What both laws share; x is the distance behind the tail.

    A law adds ``start_share``, ``grown`` and ``profile``.
    """

    def __init__(
        self,
        vehicle: Vehicle,
        constants: WakeConstants,
        air: AirState = AirState(),
    ) -> None:
        super().__init__(vehicle, constants, air)
        self._height = vehicle.height_m - vehicle.clearance_m
        self._mid = 0.5 * (vehicle.height_m + vehicle.clearance_m)

    @cached_property
    def _start(self) -> tuple[float, float]:
        """(s_y, s_z) at the bubble's end, where the peak of the mean wake is V."""
        v = self.vehicle
        drag_area = 0.5 * v.drag_coefficient * v.frontal_area_m2
        area = v.width_m * self._height
        share = self.start_share(drag_area, area)
        return share * v.width_m, share * self._height

    def spread(self, x: ArrayLike, ambient: bool = True) -> tuple[Array, Array]:
        """Standard deviations (s_y, s_z) of the mean wake at x >= 0 behind the tail, m."""
        past = np.maximum(np.asarray(x, dtype=np.float64) - self.bubble_m, 0.0)
        start_y, start_z = self._start
        square = start_y * start_z
        added = self.grown(square, past) - square
        if ambient:
            added = added + 2.0 * self.air.diffusivity_over_speed_m * past
        return np.sqrt(start_y**2 + added), np.sqrt(start_z**2 + added)

    def far(self, x: ArrayLike, y: ArrayLike, z: ArrayLike) -> Array:
        """Far law u/V, frozen at the bubble's end for x below it."""
        v = self.vehicle
        x, y, z = (np.asarray(a, dtype=np.float64) for a in (x, y, z))
        s_y, s_z = self.spread(x)
        y = self.lateral(x, y)
        across = np.exp(-0.5 * (y / s_y) ** 2)
        drag_area = 0.5 * v.drag_coefficient * v.frontal_area_m2
        return self.profile(drag_area, s_y, s_z, across, z)

    def velocity(self, x: ArrayLike, y: ArrayLike, z: ArrayLike) -> Array:
        """Mean along-road wake velocity u/V at x behind the tail; zero for x < 0."""
        x, y, z = (np.asarray(a, dtype=np.float64) for a in (x, y, z))
        far = self.far(x, y, z)
        blend = self.blend(x)
        near = self.bubble(x, y, z) if np.any(x < self.bubble_m) else 0.0
        return np.where(x >= 0.0, blend * far + (1.0 - blend) * near, 0.0)

    def turbulence(self, x: ArrayLike, y: ArrayLike, z: ArrayLike) -> Array:
        """Turbulent kinetic energy k/V^2 at x behind the tail; zero for x < 0."""
        v, c = self.vehicle, self.constants
        x, y, z = (np.asarray(a, dtype=np.float64) for a in (x, y, z))
        behind = np.maximum(x, 0.0) / v.height_m
        far_level = c.turbulence_far * v.drag_coefficient * v.frontal_area_m2 / v.height_m**2
        knee = (far_level / c.turbulence_near) ** (1.0 / TURBULENCE_DECAY)
        fall = -TURBULENCE_DECAY / TURBULENCE_KNEE
        level = c.turbulence_near * (1.0 + (behind / knee) ** TURBULENCE_KNEE) ** fall
        level = level * np.minimum(behind / TURBULENCE_ONSET, 1.0)
        own_y, own_z = self.spread(x, ambient=False)
        s_y, s_z = self.spread(x)
        level = level * own_y * own_z / (s_y * s_z)
        s_y = np.maximum(TURBULENCE_WIDTH * s_y, TURBULENCE_BASE * v.width_m)
        s_z = np.maximum(self.constants.turbulence_rise * s_z, TURBULENCE_BASE * self._height)
        centre = self.constants.turbulence_centre * v.height_m
        peak = np.maximum(
            1.0 + np.exp(-2.0 * (centre / s_z) ** 2), 2.0 * np.exp(-0.5 * (centre / s_z) ** 2)
        )
        upward = np.exp(-0.5 * ((z - centre) / s_z) ** 2)
        upward = (upward + np.exp(-0.5 * ((z + centre) / s_z) ** 2)) / peak
        across = np.exp(-0.5 * (self.lateral(x, y) / s_y) ** 2)
        factor = c.turbulence_factor**2
        return np.where(x >= 0.0, factor * level * across * upward, 0.0)

    def width(self, x: ArrayLike) -> Array:
        """Standard deviation of the mean wake across, m."""
        return self.spread(x)[0]

    def sections(
        self, x: Array, y_m: Array | None = None, z_m: Array | None = None
    ) -> tuple[Array, Array, Array, Array]:
        """y (ny,), z (nz,) m and u, k (n, ny, nz) at distances x (n,) behind the tail, about the
        wake's own centre, for y >= 0, around places ``y_m`` and ``z_m`` only; see ``NearWake``."""
        across, up = wake_grid(self.vehicle)
        y = nodes_around(np.concatenate([[0.0], 0.5 * (across[1:] + across[:-1])]), y_m)
        z = nodes_around(0.5 * (up[1:] + up[:-1]), z_m)
        still = type(self)(
            self.vehicle, self.constants, AirState(self.air.diffusivity_over_speed_m, 0.0)
        )
        u, k = still.both(x[:, None, None], y[None, :, None], z[None, None, :])
        return y, z, u, k


class CoupleWake(SimilarityWake, law="couple"):
    """The couple wake over a no-slip road."""

    def start_share(self, drag_area_m2: float, area_m2: float) -> float:
        """Standard deviations at the bubble's end over width and height of the body."""
        couple = drag_area_m2 * DRAG_HEIGHT * self.vehicle.height_m
        share = couple / (math.pi * math.sqrt(math.e) * area_m2 * self._height)
        return float(share ** (1.0 / 3.0))

    def grown(self, square: float, past: Array) -> Array:
        """s_y s_z at ``past`` m behind the bubble, m2, from ``square`` there."""
        v, spread = self.vehicle, self.constants.couple_spread
        rate = (2.0 * spread * couple_amplitude(v, spread)) ** 4
        return np.sqrt(square**2 + rate * v.height_m**3 * past)

    def profile(
        self, drag_area_m2: float, s_y: Array, s_z: Array, across: Array, z: Array
    ) -> Array:
        """u/V with the standard deviations s_y and s_z, ``across`` its shape over y."""
        couple = drag_area_m2 * DRAG_HEIGHT * self.vehicle.height_m
        upward = z * np.exp(-0.5 * (z / s_z) ** 2)
        return np.asarray(couple / (math.pi * s_y * s_z**3) * across * upward)


class MomentumWake(SimilarityWake, law="momentum"):
    """The momentum wake over a slip road."""

    def start_share(self, drag_area_m2: float, area_m2: float) -> float:
        """Standard deviations at the bubble's end over width and height of the body."""
        return float((drag_area_m2 / (2.0 * math.pi * area_m2)) ** 0.5)

    def grown(self, square: float, past: Array) -> Array:
        """s_y s_z at ``past`` m behind the bubble, m2, from ``square`` there."""
        v = self.vehicle
        growth = (
            3.0 * self.constants.momentum_spread * math.log(2.0) / (2.0 * math.pi)
            * 2.0 * v.drag_coefficient * v.frontal_area_m2
        )  # fmt: skip
        half_radius = np.cbrt((_HALF_WIDTH**2 * square) ** 1.5 + growth * past)
        return np.asarray((half_radius / _HALF_WIDTH) ** 2)

    def profile(
        self, drag_area_m2: float, s_y: Array, s_z: Array, across: Array, z: Array
    ) -> Array:
        """u/V with the standard deviations s_y and s_z, ``across`` its shape over y."""
        upward = np.exp(-0.5 * ((z - self._mid) / s_z) ** 2)
        upward = upward + np.exp(-0.5 * ((z + self._mid) / s_z) ** 2)
        return np.asarray(drag_area_m2 / (2.0 * math.pi * s_y * s_z) * across * upward)
