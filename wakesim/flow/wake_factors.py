"""The wake of a vehicle as products of a lateral and a vertical factor, for very many points.

At a distance x behind the tail the laws of ``wake`` are Gaussian or error-function profiles whose
lateral and vertical shapes multiply, so that the mean wake is F_0(y) G_0(z) + F_1(y) G_1(z) (far
law and bubble, with the blend between them) and k is F_2(y) G_2(z). The factors are taken from the
laws themselves through a reference point,

    F(y) = f(y, z_r),   G(z) = f(y_r, z)/f(y_r, z_r),

with y_r on the wake's centre. tests/flow/test_wake_factors.py holds the products against the laws.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wakesim.flow.wake import VehicleWake

Array = NDArray[np.float64]
Law = Callable[[ArrayLike, ArrayLike, ArrayLike], Array]


def wake_factors(
    wake: VehicleWake, behind_m: Array, lateral_m: Array, height_m: Array
) -> tuple[Array, Array]:
    """Factors F (3, ny, nx) at Y (ny,) and G (3, nz, nx) at Z (nz,), m, per unit speed.

    ``behind_m`` (nx,) m behind the tail, all at least 0.
    """
    x, y, z = behind_m[None, :], lateral_m[:, None], height_m[:, None]
    centre = wake.air.crosswind_ratio * x
    middle = 0.5 * (wake.vehicle.height_m + wake.vehicle.clearance_m)
    level = wake.spread(x)[1]
    across = np.zeros((3, lateral_m.size, behind_m.size))
    upward = np.zeros((3, height_m.size, behind_m.size))
    across[0], upward[0] = _factors(wake.far, x, y, z, centre, level)
    across[2], upward[2] = _factors(wake.turbulence, x, y, z, centre, level)
    inside = np.clip(behind_m / wake.bubble_m, 0.0, 1.0)
    across[0] *= inside * inside * (3.0 - 2.0 * inside)
    near = inside < 1.0
    if near.any():
        part = slice(0, int(np.flatnonzero(near)[-1]) + 1)
        own = x[:, part]
        level = np.full_like(own, middle)
        across[1, :, part], upward[1, :, part] = _factors(
            wake.bubble, own, y, z, centre[:, part], level
        )
        s = inside[part]
        across[1, :, part] *= 1.0 - s * s * (3.0 - 2.0 * s)
    return across, upward


def _factors(
    law: Law, x: Array, y: Array, z: Array, centre: Array, level: Array
) -> tuple[Array, Array]:
    whole = law(x, centre, level)
    upward = law(x, centre, z)
    scaled = np.divide(upward, whole, out=np.zeros_like(upward), where=whole > 0.0)
    return law(x, y, level), scaled
