"""Drift of a line force over a no-slip road in closed form."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import k0e

from wakesim.arrays import Array


def line_drift(
    force_m3_s2: float,
    y_m: float,
    z_m: float,
    at_y_m: ArrayLike,
    at_z_m: ArrayLike,
    diffusivity_m2_s: float,
    crosswind_m_s: float = 0.0,
) -> Array:
    """Drift of a line force at (y, z) over a no-slip road in closed form, m/s.

    f/(2 pi K) ln(r_image/r) without crosswind, and with it
    f/(2 pi K) exp(v (y - y0)/2K) [K0(|v| r/2K) - K0(|v| r_image/2K)], K0 the modified Bessel
    function (H. S. Carslaw and J. C. Jaeger, Conduction of Heat in Solids, 2nd ed. 1959, section
    10.7, with the image). f is the drag per metre of road over the air density.
    """
    k, v = diffusivity_m2_s, abs(crosswind_m_s)
    y, z = np.broadcast_arrays(np.asarray(at_y_m, float), np.asarray(at_z_m, float))
    across = y - y_m
    near, far = np.hypot(across, z - z_m), np.hypot(across, z + z_m)
    scale = force_m3_s2 / (2.0 * math.pi * k)
    if v == 0.0:
        return scale * np.log(far / near)
    along = math.copysign(1.0, crosswind_m_s) * across
    a = v / (2.0 * k)
    return scale * (
        np.exp(a * (along - near)) * k0e(a * near) - np.exp(a * (along - far)) * k0e(a * far)
    )
