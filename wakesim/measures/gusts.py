"""Gust peaks: the largest speed averaged over a stated time."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from wakesim.arrays import Array


def _window(n: int, dt: float, averaging_s: float) -> int:
    if not (dt > 0.0 and averaging_s > 0.0):
        raise ValueError("time step and averaging time must be greater than 0 s")
    return min(max(1, round(averaging_s / dt)), n)


def _series(speed: ArrayLike) -> Array:
    values = np.asarray(speed, dtype=np.float64)
    if values.ndim != 1 or values.size == 0:
        raise ValueError("a one-dimensional series of at least one sample is needed")
    return values


def moving_mean(speed: ArrayLike, dt: float, averaging_s: float) -> Array:
    """Means over every window of ``averaging_s`` seconds inside a series (n,), m/s.

    Shape (n - m + 1,) with m the samples in a window: ``averaging_s`` rounded to whole steps, at
    least one; a record shorter than the averaging time is one window.
    """
    values = _series(speed)
    window = _window(values.size, dt, averaging_s)
    if window == 1:
        return values.copy()
    sums = np.concatenate(([0.0], np.cumsum(values)))
    return (sums[window:] - sums[:-window]) / window


def gust_peak(speed: ArrayLike, dt: float, averaging_s: float = 3.0) -> float:
    """Largest moving mean of a series (n,), m/s. 3 s is the usual averaging time of gusts
    (World Meteorological Organization, Guide to Instruments, No. 8, from memory)."""
    return float(moving_mean(speed, dt, averaging_s).max())
