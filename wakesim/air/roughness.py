"""What the roughness of the ground says of the wind above it, in neutral air.

From the log law U = (u*/kappa) ln((z - d)/z0) follow two numbers that are the same function of
height (Z = z - d):

* the exponent of the power law tangent to it at that height, d ln U / d ln Z = 1 / ln(Z/z0);
* the turbulence intensity sigma_u / U = 1 / ln(Z/z0), with sigma_u = u*/kappa = 2.5 u* (a rounded
  surface-layer value; H. A. Panofsky and J. A. Dutton, "Atmospheric Turbulence", 1984, give 2.39 in
  neutral air; both from memory).

At 3 m this reproduces the columns of shared/reference/roughness.csv, which leave it blank above
z0 = 0.5 m: closer to the ground than about Z = 5 z0 no log law holds.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from wakesim.arrays import Array
from wakesim.case.air import RoughnessClass, roughness_class, roughness_classes

__all__ = [
    "RoughnessClass",
    "power_exponent",
    "power_exponent_between",
    "roughness_class",
    "roughness_classes",
    "turbulence_intensity",
]


def _log_height(height_m: ArrayLike, roughness_m: float, displacement_m: float) -> Array:
    if not (roughness_m > 0.0 and math.isfinite(roughness_m)):
        raise ValueError("roughness must be greater than 0 m")
    if not displacement_m >= 0.0:
        raise ValueError("displacement must be at least 0 m")
    above = np.asarray(height_m, dtype=np.float64) - displacement_m
    if not np.all(above > roughness_m):
        raise ValueError("heights must be above displacement plus roughness")
    return np.log(above / roughness_m)


def power_exponent(height_m: ArrayLike, roughness_m: float, displacement_m: float = 0.0) -> Array:
    """Exponent of the power law with the slope of the log law at a height: 1 / ln((z - d)/z0).

    Shape of ``height_m``. Raises ValueError for a height not above d + z0.
    """
    return 1.0 / _log_height(height_m, roughness_m, displacement_m)


def power_exponent_between(low_m: float, high_m: float, roughness_m: float) -> float:
    """Exponent of the power law that meets the log law (d = 0) at two heights.

    Raises ValueError when the heights are equal or not above z0.
    """
    low, high = _log_height([low_m, high_m], roughness_m, 0.0)
    if low == high:
        raise ValueError("the two heights must differ")
    return float(math.log(high / low) / math.log(high_m / low_m))


def turbulence_intensity(
    height_m: ArrayLike, roughness_m: float, displacement_m: float = 0.0
) -> Array:
    """Along-wind turbulence intensity 1 / ln((z - d)/z0), shape of ``height_m``.

    Raises ValueError for a height not above d + z0.
    """
    return 1.0 / _log_height(height_m, roughness_m, displacement_m)
