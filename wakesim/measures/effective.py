"""Speed measures: effective speed, energy pattern factor, power density, gusts.

A rotor lives on the cube of the speed, so the speed that stands for a gusty series is the
root-mean-cube: the constant wind with the same kinetic energy flux.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from wakesim.arrays import Array

STANDARD_DENSITY_KG_M3 = 1.225  # ISO 2533:1975 at sea level; the reference of IEC 61400-12-1


def _speeds(speed: ArrayLike, ndim: int | None = None) -> Array:
    values = np.asarray(speed, dtype=np.float64)
    if values.size == 0 or (ndim is not None and values.ndim != ndim):
        raise ValueError("an array of speeds is needed")
    if not (values.min() >= 0.0 and np.isfinite(values.max())):
        raise ValueError("speeds must be finite and at least 0 m/s")
    return values


def _shares(weights: ArrayLike, shape: tuple[int, ...]) -> Array:
    values = np.asarray(weights, dtype=np.float64)
    if values.shape != shape:
        raise ValueError(f"weights must have shape {shape}")
    total = values.sum()
    if not (values.min() >= 0.0 and total > 0.0 and np.isfinite(total)):
        raise ValueError("weights must be at least 0 with a positive finite sum")
    return values / total


def _mean(values: Array, weights: ArrayLike | None) -> float:
    if weights is None:
        return float(values.mean())
    return float(np.sum(values * _shares(weights, values.shape)))


def mean_cube(speed: ArrayLike, weights: ArrayLike | None = None) -> float:
    """Mean of the cubed speed, m3/s3, optionally weighted (same shape as ``speed``)."""
    values = _speeds(speed)
    return _mean(values * values * values, weights)


def effective_speed(speed: ArrayLike, weights: ArrayLike | None = None) -> float:
    """Root-mean-cube speed (mean v^3)^(1/3), m/s.

    ``speed`` any shape; ``weights`` of the same shape, for instance hours or probabilities. Raises
    ValueError for negative or non-finite speeds.
    """
    return float(np.cbrt(mean_cube(speed, weights)))


def energy_pattern_factor(speed: ArrayLike, weights: ArrayLike | None = None) -> float:
    """Mean cube over cube of the mean; 1 for a steady wind, 6/pi for a Rayleigh distribution.

    Not a number when the air never moves. Raises ValueError like ``effective_speed``.
    """
    values = _speeds(speed)
    largest = float(values.max())
    if largest == 0.0:
        return float("nan")
    scaled = values / largest
    return _mean(scaled * scaled * scaled, weights) / _mean(scaled, weights) ** 3


def share_above(speed: ArrayLike, cut_in_m_s: float) -> float:
    """Share of the samples with a speed above ``cut_in_m_s``, 0..1."""
    values = _speeds(speed)
    return float(np.count_nonzero(values > cut_in_m_s) / values.size)


def power_density(effective_speed_m_s: float, density_kg_m3: float) -> float:
    """Kinetic energy flux 0.5 rho U^3 through a square metre, W/m2."""
    return 0.5 * density_kg_m3 * effective_speed_m_s**3


def moving_mean(speed: ArrayLike, dt: float, averaging_s: float) -> Array:
    """Means over every window of ``averaging_s`` seconds inside a series (n,), m/s.

    Shape (n - m + 1,) with m the samples in a window: ``averaging_s`` rounded to whole steps, at
    least one; a record shorter than the averaging time is one window.
    """
    values = np.asarray(speed, dtype=np.float64)
    if values.ndim != 1 or values.size == 0:
        raise ValueError("a one-dimensional series of at least one sample is needed")
    if not (dt > 0.0 and averaging_s > 0.0):
        raise ValueError("time step and averaging time must be greater than 0 s")
    window = min(max(1, round(averaging_s / dt)), values.size)
    if window == 1:
        return values.copy()
    sums = np.concatenate(([0.0], np.cumsum(values)))
    return (sums[window:] - sums[:-window]) / window


def gust_peak(speed: ArrayLike, dt: float, averaging_s: float = 3.0) -> float:
    """Largest moving mean of a series (n,), m/s. 3 s is the usual averaging time of gusts
    (World Meteorological Organization, Guide to Instruments, No. 8, from memory)."""
    return float(moving_mean(speed, dt, averaging_s).max())
