"""Mean ambient wind over height: logarithmic and power law."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from wakesim.arrays import Array
from wakesim.case.air import Wind
from wakesim.section.closure import VON_KARMAN


def log_profile(
    height_m: ArrayLike,
    speed_m_s: float,
    reference_height_m: float,
    roughness_m: float,
    displacement_m: float = 0.0,
) -> Array:
    """Neutral log law U(z) = U_ref ln((z-d)/z0) / ln((z_ref-d)/z0), m/s, shape of ``height_m``.

    Zero at and below z = d + z0. Form: H. A. Panofsky and J. A. Dutton, "Atmospheric Turbulence",
    1984 (from memory). Raises ValueError when the roughness is not positive or the reference
    height is not above d + z0.
    """
    if not roughness_m > 0.0:
        raise ValueError("roughness must be greater than 0 m")
    if not displacement_m >= 0.0:
        raise ValueError("displacement must be at least 0 m")
    if not reference_height_m > displacement_m + roughness_m:
        raise ValueError("reference height must be above displacement plus roughness")
    height = np.asarray(height_m, dtype=np.float64)
    above = np.maximum((height - displacement_m) / roughness_m, 1.0)
    return speed_m_s * np.log(above) / math.log((reference_height_m - displacement_m) / roughness_m)


def friction_velocity(
    speed_m_s: float, reference_height_m: float, roughness_m: float, displacement_m: float = 0.0
) -> float:
    """Friction velocity of the neutral log law with this speed at the reference height, m/s.

    Raises ValueError when the reference height is not above displacement plus roughness.
    """
    if not (roughness_m > 0.0 and reference_height_m > displacement_m + roughness_m):
        raise ValueError("reference height must be above displacement plus roughness")
    above = math.log((reference_height_m - displacement_m) / roughness_m)
    return VON_KARMAN * abs(speed_m_s) / above


def power_profile(
    height_m: ArrayLike, speed_m_s: float, reference_height_m: float, exponent: float
) -> Array:
    """Power law U(z) = U_ref (z/z_ref)^a, m/s, same shape as ``height_m``; zero for z <= 0.

    The form of the normal wind profile of IEC 61400-1. Raises ValueError when the reference height
    is not positive or the exponent is negative.
    """
    if not reference_height_m > 0.0:
        raise ValueError("reference height must be greater than 0 m")
    if not exponent >= 0.0:
        raise ValueError("exponent must be at least 0")
    height = np.asarray(height_m, dtype=np.float64)
    relative = np.maximum(height, 0.0) / reference_height_m
    return np.where(height > 0.0, speed_m_s * relative**exponent, 0.0)


def wind_speed(wind: Wind, height_m: ArrayLike) -> Array:
    """Horizontal mean wind speed at heights, m/s, same shape as ``height_m``.

    Raises ValueError for an unknown profile or parameters outside their range.
    """
    if wind.profile == "log":
        return log_profile(
            height_m,
            wind.speed_m_s,
            wind.reference_height_m,
            wind.roughness_m,
            wind.displacement_m,
        )
    if wind.profile == "power":
        return power_profile(height_m, wind.speed_m_s, wind.reference_height_m, wind.exponent)
    raise ValueError(f"unknown wind profile {wind.profile!r}; known: log, power")


def ambient_velocity(wind: Wind | None, height_m: ArrayLike) -> tuple[Array, Array]:
    """Mean wind (u, v) at heights: along the road and away from the near-side traffic, m/s.

    ``wind.angle_deg`` is the direction the air moves to: 0 along +x, 90 along +y. ``None`` is still
    air. Both results have the shape of ``height_m``.
    """
    if wind is None:
        zero = np.zeros(np.shape(height_m))
        return zero, zero.copy()
    speed = wind_speed(wind, height_m)
    angle = math.radians(wind.angle_deg)
    return speed * math.cos(angle), speed * math.sin(angle)


def ambient_at(wind: Wind | None, height_m: ArrayLike) -> tuple[Array, Array]:
    """Mean wind (n, 2) at heights (n,) and the standard deviation (n,) of each component, m/s.

    The intensity is that at each height: in a neutral log law it falls as the speed grows, and the
    standard deviation is the same at every height (2.5 u*).
    """
    heights = np.asarray(height_m, dtype=np.float64)
    u, v = ambient_velocity(wind, heights)
    if wind is None:
        return np.column_stack([u, v]), np.zeros(heights.size)
    intensity = np.array([wind.intensity(float(z)) for z in heights])
    return np.column_stack([u, v]), intensity * np.hypot(u, v)
