"""Gust of one pass in still air: the largest air speed at a point, averaged over a stated time.

Mean signature (pulse and mean wake) plus the model's wake turbulence, whose extreme follows as
below. The speed is the horizontal resultant. ``statistic`` says which figure is compared:

- ``mean``: expected maximum of a pass,
- ``mean_plus_2sd``: mean plus two standard deviations of the maxima of many passes, the form of the
  European rules for trains (there of at least 20 passes, which also hold wind and other trains),
- ``mean_flow``: maximum of the mean signature without turbulence.

The air along the sides is the wake's side layer (``section/wake.py``). Not modelled: vortices of
nose and roof, a boundary layer that grows along a train, natural wind.

Extremes. At a fixed point the horizontal components are x_i(t) = m_i(t) + s_i(t) n_i(t), i = u, v,
with the mean signature m, the standard deviation s and independent Gaussian series n of unit
variance with the von Karman correlation

    rho(t) = 2^(2/3)/Gamma(1/3) (t/a)^(1/3) K_1/3(t/a),   a = c T_L/(2 pi),   c = 8.413,

T_L the integral time scale (``air.noise`` makes the same series). An instrument that averages over
T reads X_i(t) = (1/T) int_{t-T}^{t} x_i, again Gaussian, with mean M_i, and

    C_i = var X_i           = (1/T^2) int int s_i(p) s_i(q) rho(p - q) dp dq,
    G_i = var dX_i/dt       = [s_i(t)^2 + s_i(t-T)^2 - 2 s_i(t) s_i(t-T) rho(T)] / T^2,
    D_i = cov(X_i, dX_i/dt) = 1/2 dC_i/dt,   dM_i/dt = [m_i(t) - m_i(t-T)] / T.

Averaging makes X differentiable, so it leaves the circle |X| = a at the rate (S. O. Rice, Bell
System Tech. J. 24 (1945) 46; for vectors in the form of Yu. K. Belyaev 1968, both from memory)

    nu(a, t) = int_0^2pi f(a e) [g phi(r/g) + r Phi(r/g)] a dtheta,   e = (cos theta, sin theta),
    r = sum e_i [dM_i/dt + (D_i/C_i)(a e_i - M_i)],   g^2 = sum e_i^2 (G_i - D_i^2/C_i),

f the Gaussian density of X. Departures counted outwards from the time t* of the largest mean
square, given that X is inside until then, give the distribution of the largest speed of the pass

    P(max |X| < a) = P(|X(t*)| < a) exp(-int nu(a, t)/P(|X(t)| < a) dt),

with dX/dt reversed in sign before t*. Times with almost no turbulence are taken as certain. Then
E max = int (1 - P) da and E max^2 = int 2 a (1 - P) da. That departures are independent is an
approximation; against drawn series the mean is right within 3 % and the standard deviation within
10 % (tests).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.special import gamma, kv, ndtr

from wakesim.air.noise import KARMAN_CONSTANT
from wakesim.arrays import Array
from wakesim.case.vehicle import Vehicle
from wakesim.errors import CaseError
from wakesim.validation.comparison import Comparison
from wakesim.validation.quantities.bodies import FIELD_OPTIONS, WAKE_OPTIONS, vehicle_field
from wakesim.validation.quantities.inputs import (
    SPEED,
    body_of,
    choice,
    condition,
    quantity,
    setting,
    vehicle_speed,
)
from wakesim.vehicle.passfield import PassField
from wakesim.vehicle.wake import SHARE_U, SHARE_V, TURBULENCE_TIME_S

STATISTICS = ("mean", "mean_plus_2sd", "mean_flow")
_AHEAD_M, _BEHIND_M = 30.0, 150.0
_PULSE_REACH_M = 50.0
_LEVELS = 160
_LEAST_SHARE = 0.12  # of the largest standard deviation; below it a time is taken as certain
_NODES = 160  # most times of the rate integral

_PLACE = {
    **SPEED,
    "clearance_m": "distance from the side of the vehicle to the point",
    "height_m": "height of the point above the road",
    "averaging_s": "time over which the gust is averaged",
}
_OPTIONS = {
    **{k: v for k, v in FIELD_OPTIONS.items() if k not in ("plane", "nose_length_m")},
    **WAKE_OPTIONS,
    "statistic": "'mean' (default), 'mean_plus_2sd' or 'mean_flow'",
    "turbulence_time_s": "integral time scale of the wake turbulence, 0.02 to 10 "
    f"(default {TURBULENCE_TIME_S:g})",
}


@quantity("m/s", _PLACE, _OPTIONS, body=True)
def gust_speed(c: Comparison) -> Array:
    """Largest moving-mean horizontal air speed of one pass in still air, at a clearance from the
    vehicle's side.

    Raises CaseError for a point over the road under or inside the vehicle.
    """
    body_of(c)
    statistic = choice(c, "statistic", "mean", STATISTICS)
    time = setting(c, "turbulence_time_s", TURBULENCE_TIME_S, 0.02, 10.0)
    field = vehicle_field(c)
    rows = zip(
        vehicle_speed(c, 1.0, 120.0),
        condition(c, "clearance_m", 0.05, 50.0),
        condition(c, "height_m", 0.0, 50.0),
        condition(c, "averaging_s", 0.05, 60.0),
        strict=True,
    )
    values = np.array([_pick(_extreme(field, *map(float, row), time), statistic) for row in rows])
    if not np.isfinite(values).all():
        raise CaseError(f"{c.path}: the gust is not finite; check the conditions")
    return values


def _pick(extreme: Extreme, statistic: str) -> float:
    if statistic == "mean_flow":
        return extreme.mean_flow_m_s
    return extreme.mean_m_s + (2.0 * extreme.sd_m_s if statistic == "mean_plus_2sd" else 0.0)


@quantity("1", _PLACE, _OPTIONS, body=True)
def gust_ratio(c: Comparison) -> Array:
    """The same over the vehicle's speed."""
    return gust_speed(c) / vehicle_speed(c, 1.0, 120.0)


# --- along one pass -----------------------------------------------------------------------------


@lru_cache(maxsize=256)
def _extreme(
    field: PassField,
    speed: float,
    clearance: float,
    height: float,
    averaging: float,
    turbulence_time: float,
) -> Extreme:
    """Largest speed of one pass at a distance from the side of the vehicle."""
    points, step = pass_line(field.vehicle, speed, clearance, height, averaging)
    wake, energy = field.wake(points)[:, 0], field.turbulence(points)
    pulse = line_pulse(field, points)
    return line_extreme(pulse, wake, energy, speed, step, averaging, turbulence_time)


def pass_line(
    vehicle: Vehicle, speed: float, clearance: float, height: float, averaging: float
) -> tuple[Array, float]:
    """Points (n, 3) m in the vehicle frame that a place beside the road passes, and the step, s."""
    gap = max(clearance, height - vehicle.height_m, 0.1)
    step = min(averaging / 16.0, float(np.clip(0.2 * gap, 0.05, 0.5)) / speed)
    step = averaging / round(averaging / step)
    last = max(_BEHIND_M, 3.0 * averaging * speed) + vehicle.length_m
    x = np.arange(_AHEAD_M, -last, -step * speed)
    beside = np.full(x.size, 0.5 * vehicle.width_m + clearance)
    return np.column_stack([x, beside, np.full(x.size, height)]), step


def line_pulse(field: PassField, points: Array) -> Array:
    """Horizontal displacement flow (n, 2) per unit speed, where it is felt."""
    pulse = np.zeros((len(points), 2))
    near = points[:, 0] > -field.vehicle.length_m - _PULSE_REACH_M
    pulse[near] = field.displacement(points[near])[:, :2]
    return pulse


def line_extreme(
    pulse: Array,
    wake: Array,
    energy: Array,
    speed: float,
    step: float,
    averaging: float,
    turbulence_time: float,
) -> Extreme:
    """Largest speed along a line of ``pulse`` (n, 2), ``wake`` (n,) and ``energy`` (n,)."""
    mean = pulse + np.column_stack([wake, np.zeros(wake.size)])
    sd = np.sqrt(2.0 * energy[:, None] * np.array([SHARE_U, SHARE_V]))
    return expected_extreme(speed * mean, speed * sd, step, averaging, turbulence_time)


# --- distribution of the largest speed ----------------------------------------------------------


@dataclass(frozen=True)
class Extreme:
    """Largest moving-mean speed of one pass, m/s: of the mean signature, and of all passes."""

    mean_flow_m_s: float
    mean_m_s: float
    sd_m_s: float


def von_karman_correlation(lag_s: Array, integral_time_s: float) -> Array:
    """Correlation of the along-wind component, same shape as ``lag_s``; 1 at lag 0."""
    x = np.abs(np.asarray(lag_s, dtype=np.float64))
    x = x * (2.0 * math.pi / (KARMAN_CONSTANT * integral_time_s))
    small = np.maximum(x, 1e-12)
    value = 2.0 ** (2.0 / 3.0) / gamma(1.0 / 3.0) * small ** (1.0 / 3.0) * kv(1.0 / 3.0, small)
    return np.where(x < 1e-12, 1.0, value)


def expected_extreme(
    mean: Array, sd: Array, dt: float, averaging_s: float, integral_time_s: float
) -> Extreme:
    """Distribution of the largest moving mean of the horizontal speed.

    Parameters
    ----------
    mean, sd
        (n, 2) m/s: mean signature and standard deviation of u and v at steps of ``dt`` s. The air
        is at rest before the first sample.
    averaging_s
        Averaging time; rounded to whole steps, at least four of them.
    integral_time_s
        Integral time scale of the turbulence.

    Raises ValueError for other shapes, times that are not positive, an averaging time of fewer than
    four steps, or standard deviations of the two components that differ by more than a factor of
    two (the circle is cut in steps that need both).
    """
    window = _checked_window(mean, sd, dt, averaging_s, integral_time_s)
    padded = np.concatenate([np.zeros((window, 2)), mean])
    padded_sd = np.concatenate([np.zeros((window, 2)), sd])
    average, slope = _mean_and_slope(padded, window, dt)
    certain = float(np.hypot(average[:, 0], average[:, 1]).max())
    if not sd.any():
        return Extreme(certain, certain, 0.0)
    variance = _variance(padded_sd, window, dt, integral_time_s)
    rate_variance = _rate_variance(padded_sd, window, dt, integral_time_s)
    covariance = 0.5 * np.gradient(variance, dt, axis=0)
    level, below = _distribution(_Process(average, slope, variance, rate_variance, covariance, dt))
    step = level[1] - level[0]
    above = 1.0 - below
    first = float(level[0] + np.trapezoid(above, dx=step))
    second = float(level[0] ** 2 + np.trapezoid(2.0 * level * above, dx=step))
    return Extreme(certain, first, math.sqrt(max(second - first**2, 0.0)))


def _checked_window(mean: Array, sd: Array, dt: float, averaging: float, time: float) -> int:
    if mean.ndim != 2 or mean.shape[1] != 2 or mean.shape != sd.shape or len(mean) < 2:
        raise ValueError("mean and sd must both have shape (n, 2), n at least 2")
    if not (np.isfinite(mean).all() and np.isfinite(sd).all() and (sd >= 0.0).all()):
        raise ValueError("mean and sd must be finite, and sd at least 0 m/s")
    if np.any(sd.max(axis=1) > 2.0001 * sd.min(axis=1)):
        raise ValueError("the standard deviations of u and v must be within a factor of two")
    if not (dt > 0.0 and averaging > 0.0 and time > 0.0):
        raise ValueError("time step, averaging time and time scale must be greater than 0 s")
    window = round(averaging / dt)
    if window < 4:
        raise ValueError("the averaging time must be at least four time steps")
    return window


def _mean_and_slope(values: Array, window: int, dt: float) -> tuple[Array, Array]:
    """Moving means (n, 2), window ending at each sample, and their time derivative."""
    sums = np.concatenate([np.zeros((1, 2)), np.cumsum(values, axis=0)])
    average = (sums[window + 1 :] - sums[1:-window]) / window
    slope = (values[window:] - values[:-window]) / (window * dt)
    return average, slope


def _cell_correlation(count: int, dt: float, integral_time_s: float) -> Array:
    """Correlation averaged over pairs of cells of width dt that are k cells apart, (count,)."""
    node, weight = np.polynomial.legendre.leggauss(24)
    share = 0.5 * (node + 1.0)
    out = np.zeros(count)
    k = np.arange(count)
    for s, w in zip(share, 0.5 * weight, strict=True):
        # v = s^3 draws the nodes to the kink of the correlation at lag 0
        v, jacobian = s**3, 3.0 * s**2
        both = von_karman_correlation((k + v) * dt, integral_time_s)
        both += von_karman_correlation((k - v) * dt, integral_time_s)
        out += w * jacobian * (1.0 - v) * both
    return out


def _variance(sd: Array, window: int, dt: float, integral_time_s: float) -> Array:
    """C_i(t), (n, 2)."""
    lag = np.abs(np.subtract.outer(np.arange(window), np.arange(window)))
    matrix = _cell_correlation(window, dt, integral_time_s)[lag]
    out = np.empty((len(sd) - window, 2))
    for i in range(2):
        cells = np.lib.stride_tricks.sliding_window_view(sd[1:, i], window)
        out[:, i] = np.einsum("tk,tk->t", cells @ matrix, cells)
    return np.maximum(out, 0.0) / window**2


def _rate_variance(sd: Array, window: int, dt: float, integral_time_s: float) -> Array:
    """G_i(t), (n, 2)."""
    now, then = sd[window:], sd[:-window]
    rho = float(von_karman_correlation(np.array(window * dt), integral_time_s))
    return np.asarray((now**2 + then**2 - 2.0 * rho * now * then) / (window * dt) ** 2)


@dataclass(frozen=True)
class _Process:
    """Moving mean at every time: all (n, 2)."""

    mean: Array
    slope: Array
    variance: Array
    rate_variance: Array
    covariance: Array
    dt: float


def _distribution(p: _Process) -> tuple[Array, Array]:
    """Levels (m,) m/s and P(max |X| < level); 0 below the first level."""
    size = np.hypot(p.mean[:, 0], p.mean[:, 1])
    sd = np.sqrt(p.variance.max(axis=1))
    live = sd > _LEAST_SHARE * sd.max()
    certain = float(size[~live].max(initial=0.0))
    start = int(np.argmax(np.where(live, size**2 + p.variance.sum(axis=1), -1.0)))
    top = float((size + 6.0 * sd)[live].max())
    level = np.linspace(0.0, max(top, 1.2 * certain), _LEVELS)
    # times too calm to hold the largest speed are left out
    matter = live & (size + 5.0 * sd >= float((size + sd)[live].max()))
    index = np.flatnonzero(matter)
    stride = max(1, index.size // _NODES)
    index = index[::stride]
    hazard = np.zeros(_LEVELS)
    for t in index:
        inside, rate = _inside_and_rate(p, int(t), 1.0 if t >= start else -1.0, level)
        hazard += rate / np.maximum(inside, 1e-9) * p.dt * stride
    inside, _ = _inside_and_rate(p, start, 1.0, level)
    below = np.clip(inside, 0.0, 1.0) * np.exp(-hazard)
    below = np.maximum.accumulate(below)
    return level, np.where(level < certain, 0.0, below)


def _inside_and_rate(p: _Process, t: int, sign: float, level: Array) -> tuple[Array, Array]:
    """P(|X(t)| < a) and the rate of leaving the circle, for all levels a (m,)."""
    m, c = p.mean[t], p.variance[t]
    count = int(np.clip(8.0 * 2.0 * np.pi * level[-1] / math.sqrt(c.min()) / 6.0, 48, 360))
    theta = 2.0 * np.pi * (np.arange(count) + 0.5) / count
    e = np.stack([np.cos(theta), np.sin(theta)])  # (2, k)
    away = level[:, None, None] * e - m[:, None]  # (m, 2, k)
    density = np.exp(-0.5 * np.sum(away**2 / c[:, None], axis=1))
    density /= 2.0 * np.pi * math.sqrt(c[0] * c[1])
    ring = density * level[:, None] * (2.0 * np.pi / count)
    along = ring.sum(axis=1)
    inside = np.concatenate([[0.0], np.cumsum(0.5 * (along[1:] + along[:-1]) * np.diff(level))])
    gain = p.covariance[t] / c
    r = sign * np.sum(e * (p.slope[t][:, None] + gain[:, None] * away), axis=1)
    rest = np.maximum(p.rate_variance[t] - p.covariance[t] * gain, 1e-12)
    g = np.sqrt(np.sum(e**2 * rest[:, None], axis=0))
    ratio = r / g
    outward = g * np.exp(-0.5 * ratio**2) / math.sqrt(2.0 * math.pi) + r * ndtr(ratio)
    return np.minimum(inside, 1.0), np.sum(ring * outward, axis=1)
