"""Annual energy of a power curve by the method of bins (form of IEC 61400-12-1).

    E = N_h sum over i of [F(V_i) - F(V_(i-1))] (P_(i-1) + P_i)/2,

F the distribution of the mean speed, (V_i, P_i) the power curve, V_0 half a metre per second below
the first point with P_0 = 0. For a Weibull distribution F(v) = 1 - exp(-(v/A)^k); with a cubic
curve c v^3 without limits the exact mean is c A^3 Gamma(1 + 3/k).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike

from wakesim.arrays import Array
from wakesim.energy.bounds import HOURS_A_YEAR

_FIRST_STEP_M_S = 0.5


def annual_energy_kwh(
    speed_m_s: ArrayLike,
    power_w: ArrayLike,
    distribution: Callable[[Array], Array],
    hours: float = HOURS_A_YEAR,
) -> float:
    """Energy, kWh, of a power curve (n,) in winds of the given cumulative distribution.

    Above the last speed nothing is counted. Raises ValueError unless speeds rise from at least 0.
    """
    speed = np.asarray(speed_m_s, dtype=np.float64)
    power = np.asarray(power_w, dtype=np.float64)
    if speed.ndim != 1 or speed.size < 2 or speed.shape != power.shape:
        raise ValueError("speeds and powers of equal length, at least two, are needed")
    if not (speed[0] >= 0.0 and np.all(np.diff(speed) > 0.0)):
        raise ValueError("speeds must rise from at least 0 m/s")
    before = max(speed[0] - _FIRST_STEP_M_S, 0.0)
    edges = np.concatenate([[before], speed])
    levels = np.concatenate([[0.0], power])
    share = np.diff(distribution(edges))
    return 1e-3 * hours * float(np.sum(share * 0.5 * (levels[1:] + levels[:-1])))


def weibull_distribution(scale_m_s: float, shape: float) -> Callable[[Array], Array]:
    """F(v) of a Weibull distribution; scale and shape must be positive (ValueError)."""
    if not (scale_m_s > 0.0 and shape > 0.0):
        raise ValueError("scale and shape must be above 0")
    return lambda v: -np.expm1(-((np.maximum(v, 0.0) / scale_m_s) ** shape))
