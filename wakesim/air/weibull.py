"""The Weibull distribution of wind speed: moments, nodes for averaging, fit.

P(speed > v) = exp(-(v/c)^k), scale c in m/s, shape k. Moments E[v^j] = c^j Gamma(1 + j/k)
(W. Weibull, J. Appl. Mech. 18 (1951) 293, from memory); k = 2 is the Rayleigh distribution.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike
from scipy import linalg, special

from wakesim.arrays import Array

MIN_SHAPE, MAX_SHAPE = 0.5, 20.0  # beyond them it is not a wind climate


def moment(order: float, scale: ArrayLike, shape: ArrayLike) -> Array:
    """E[v^order], (m/s)^order, by broadcasting scale and shape."""
    c, k = np.asarray(scale, dtype=np.float64), np.asarray(shape, dtype=np.float64)
    return c**order * special.gamma(1.0 + order / k)


def energy_pattern_factor(shape: ArrayLike) -> Array:
    """Mean cube over cube of the mean, Gamma(1 + 3/k) / Gamma(1 + 1/k)^3, shape of ``shape``."""
    return moment(3, 1.0, shape) / moment(1, 1.0, shape) ** 3


def exceedance(speed_m_s: ArrayLike, scale: float, shape: float) -> Array:
    """Share of time with more than this speed, same shape as ``speed_m_s``; one below 0 m/s."""
    speed = np.maximum(np.asarray(speed_m_s, dtype=np.float64), 0.0)
    return np.exp(-((speed / scale) ** shape))


def nodes(n: int, shape: float) -> tuple[Array, Array]:
    """Gauss nodes of the distribution with c = 1: speeds (n,) ascending, probabilities (n,).

    The mean of any polynomial in the speed up to degree 2n - 1 is exact: n = 2 gives the mean
    cube. The outermost nodes are rare and fast. A function with a kink, such as a power that starts
    at a cut-in speed, needs more nodes (the error falls about as 1/n^2).

    The recursion of the orthogonal polynomials is found by Stieltjes' procedure on a fine
    double-exponential rule (W. Gautschi, "Orthogonal Polynomials", 2004, from memory).
    Raises ValueError for n not in 1 to 25.
    """
    if not 1 <= n <= 25:  # beyond, the outermost probabilities drown in rounding
        raise ValueError("number of speeds must be at least 1 and at most 25")
    step = 0.01
    s = np.arange(-4.2, 5.5, step)
    x = np.exp(s - np.exp(-s))  # (v/c)^k, exponentially distributed
    weight = step * (1.0 + np.exp(-s)) * x * np.exp(-x)
    weight /= weight.sum()
    v = x ** (1.0 / shape)
    diagonal, off = np.empty(n), np.empty(n)
    before, now, norm_before = np.zeros_like(v), np.ones_like(v), 1.0
    for j in range(n):
        norm = weight @ now**2
        diagonal[j] = weight @ (v * now**2) / norm
        off[j] = norm / norm_before
        before, now = now, (v - diagonal[j]) * now - (off[j] if j else 0.0) * before
        norm_before = norm
    speeds, vectors = linalg.eigh_tridiagonal(diagonal, np.sqrt(off[1:]))
    return speeds, vectors[0] ** 2


def fit(
    speed_m_s: ArrayLike, calms: float = 0.0, calm_below_m_s: float = 0.0
) -> tuple[float, float]:
    """Scale and shape of greatest likelihood for speeds (n,), all above 0 m/s.

    ``calms`` further readings are only known to be below ``calm_below_m_s`` (the anemometer stood
    still); they count with the probability of that. The number may be fractional.
    Raises ValueError for fewer than two different speeds, speeds not above 0, or calms without a
    threshold.
    """
    speed = np.asarray(speed_m_s, dtype=np.float64)
    if speed.size < 2 or not np.all(np.isfinite(speed) & (speed > 0.0)) or np.ptp(speed) == 0.0:
        raise ValueError("a fit needs two or more different speeds, all greater than 0 m/s")
    if calms > 0.0 and not calm_below_m_s > 0.0:
        raise ValueError("calms need the speed below which they are calm")
    unit = float(speed.mean())
    log_speed = np.log(speed / unit)
    shape = _free_shape(log_speed)
    scale = np.mean(np.exp(shape * log_speed)) ** (1.0 / shape)
    if calms > 0.0:
        scale, shape = _censored(log_speed, calms, math.log(calm_below_m_s / unit), scale, shape)
    return float(scale * unit), float(shape)


def scale_for_shape(speed_m_s: ArrayLike, shape: float, calms: float = 0.0) -> float:
    """Scale of greatest likelihood for speeds (n,) when the shape is known: (mean of v^k)^(1/k).

    ``calms`` further readings count as 0 m/s.
    """
    power = np.asarray(speed_m_s, dtype=np.float64) ** shape
    return float((power.sum() / (power.size + calms)) ** (1.0 / shape))


def _free_shape(log_speed: Array) -> float:
    """Root of the profile likelihood: sum(v^k ln v)/sum(v^k) - 1/k - mean(ln v)."""
    mean, top = log_speed.mean(), log_speed.max()

    def slope(k: float) -> float:
        power = np.exp(k * (log_speed - top))
        return float(np.sum(power * log_speed) / power.sum() - 1.0 / k - mean)

    from scipy import optimize  # takes longer to import than most of what is computed here

    low, high = 1e-2, 2.0
    while slope(high) < 0.0 and high < 1e6:
        high *= 2.0
    return float(optimize.brentq(slope, low, high, xtol=1e-12))


def _censored(
    log_speed: Array, calms: float, log_limit: float, scale: float, shape: float
) -> tuple[float, float]:
    """Maximum of the likelihood with left-censored readings, over log scale and log shape."""
    count, total = log_speed.size, float(log_speed.sum())

    def loss(q: Array) -> tuple[float, Array]:
        k = math.exp(q[1])
        reduced = k * (log_speed - q[0])  # ln x of each reading, x = (v/c)^k
        x = np.exp(np.minimum(reduced, 300.0))
        limit = min(k * (log_limit - q[0]), 6.0)  # exp(-exp(6)) is zero
        rest = math.exp(limit)
        hazard = rest / math.expm1(rest)  # d ln(1 - e^-x) / d ln x
        missed = math.log(-math.expm1(-rest))
        value = count * (q[1] - k * q[0]) + k * total - x.sum() + calms * missed
        by_scale = k * (x.sum() - count - calms * hazard)
        by_shape = count + np.sum(reduced * (1.0 - x)) + calms * hazard * limit
        return -value / count, np.array([-by_scale, -by_shape]) / count

    from scipy import optimize

    low, high = math.log(0.1), math.log(100.0)
    start = np.array([math.log(scale), min(max(math.log(shape), low), high)])
    result = optimize.minimize(
        loss,
        start,
        jac=True,
        method="L-BFGS-B",
        bounds=[(start[0] - 5.0, start[0] + 5.0), (low, high)],
        options={"ftol": 1e-13, "gtol": 1e-7},
    )
    return math.exp(result.x[0]), math.exp(result.x[1])
