"""Where a pass is sampled for time integrals: nodes along the frozen field, and their weights.

Passes of a class in a lane arrive at the rate q with random speeds V (normal, truncated as in
``traffic.stream``). At a fixed point a pass is the line X = -V t through the frozen field times
its speed r through the air, so that a time integral over all passes is

    q E[int g dt] = q int dX E[(1/V) g(r f(X))],

taken at nodes X: Gauss-Legendre panels graded away from nose and tail, on either side of every kink
(tail, onset of turbulence, end of the bubble, end of the pulse, fade), and never longer than a few
widths of the wake's passage when a crosswind carries it past. The speeds need no nodes of their
own: at each X their moments weighted by 1/V,

    E[r], E[r c], E[r^2], E[r^2 c], E[r^2 c^2],

c the fade of the wake at its age behind/r, give mean and variance of the sample, and it counts as
normal, which the speeds are but for the truncation.

Assumed, as in ``traffic.lines`` near the vehicle: the shape of the wake is that at the mean speed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wakesim.arrays import Array, graded
from wakesim.traffic.lines import FADE, air_relative_speed, memory_fade
from wakesim.traffic.stream import SLOWEST_M_S, TRUNCATION_SD
from wakesim.vehicle.pulse_grid import AHEAD_M, BEHIND_M
from wakesim.vehicle.wake import TURBULENCE_ONSET, Wake

_POINTS = 3  # Gauss-Legendre points a panel
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(_POINTS)
_SPEED_NODES, _SPEED_WEIGHTS = np.polynomial.legendre.leggauss(24)
_FIRST_M, _GROWTH = 0.5, 1.8  # panels away from nose and tail
_WAKE_GROWTH = 1.7
_PASSAGE_WIDTHS = 1.5  # longest panel over the standard deviation of a wake's passage
_GONE_WIDTHS = 7.0  # a wake so many widths beyond all points is not followed


@dataclass(frozen=True)
class PassNodes:
    """Nodes of one class at one distribution of speeds, in the order they pass (X decreasing).

    ``x`` (n,) m; ``weight`` (n,) s, panel weights times E[1/V], and ``begin`` (n,) s, the age of
    the pass (since its nose was abreast, at the speed 1/E[1/V]) at which the stretch of that length
    begins; ``moments`` (n, 5) as in the module's head, m/s and m2/s2; the wake begins at node
    ``nose`` and the pulse ends at node ``pulse_end``. ``first`` (pulse_end,) and ``share``
    (pulse_end, 4): cubic interpolation in X of a pulse table.
    """

    x: Array
    weight: Array
    begin: Array
    moments: Array
    nose: int
    pulse_end: int
    first: NDArray[np.int64]
    share: Array


def pass_nodes(
    wake: Wake,
    table_x: Array,
    mean_m_s: float,
    sd_m_s: float,
    along_m_s: float,
    memory_s: float,
    lateral_m: tuple[float, float],
    refine: int = 1,
) -> PassNodes:
    """Nodes of a class. ``table_x`` (nx,) m: X of its pulse table, decreasing.

    ``along_m_s``: ambient wind along the direction of travel. ``lateral_m``: lowest and highest Y
    of all points. ``refine`` cuts every panel into so many, to check the quadrature.
    """
    length = wake.vehicle.length_m
    speed, chance = speeds(mean_m_s, sd_m_s)
    relative = air_relative_speed(speed, 1, along_m_s)
    ahead = graded(AHEAD_M, _FIRST_M, _GROWTH, AHEAD_M, fitted=True)
    half = graded(0.5 * length, _FIRST_M, _GROWTH, 0.25 * length, fitted=True)
    body = np.concatenate([half, length - half[-2::-1]])
    behind = _wake_edges(wake, relative, memory_s, lateral_m)
    edges = -np.concatenate([-ahead[::-1], body[1:], length + behind[1:]])
    if refine > 1:
        steps = np.arange(refine) / refine
        inner = edges[:-1, None] + np.diff(edges)[:, None] * steps
        edges = np.append(inner.ravel(), edges[-1])
    middle, half_length = 0.5 * (edges[1:] + edges[:-1]), 0.5 * np.abs(np.diff(edges))
    x = (middle[:, None] - half_length[:, None] * _NODES).ravel()
    panel = (half_length[:, None] * _WEIGHTS).ravel()
    pulse_end = int(np.count_nonzero(x > -length - BEHIND_M))
    first, share = _pick(table_x, x[:pulse_end])
    inverse = chance / speed
    return PassNodes(
        x=x,
        weight=panel * inverse.sum(),
        begin=(np.cumsum(panel) - panel - edges[0]) * inverse.sum(),
        moments=_moments(relative, inverse / inverse.sum(), -length - x, memory_s),
        nose=int(np.count_nonzero(x > 0.0)),
        pulse_end=pulse_end,
        first=first,
        share=share,
    )


def speeds(mean_m_s: float, sd_m_s: float) -> tuple[Array, Array]:
    """Speeds (k,) m/s of the truncated normal distribution of ``traffic.stream`` and weights."""
    if sd_m_s == 0.0:
        return np.array([mean_m_s]), np.ones(1)
    low = max(mean_m_s - TRUNCATION_SD * sd_m_s, SLOWEST_M_S)
    high = mean_m_s + TRUNCATION_SD * sd_m_s
    speed = 0.5 * (low + high) + 0.5 * (high - low) * _SPEED_NODES
    chance = _SPEED_WEIGHTS * np.exp(-0.5 * ((speed - mean_m_s) / sd_m_s) ** 2)
    return speed, chance / chance.sum()


def wander_nodes(count: int) -> tuple[Array, Array]:
    """Gauss nodes of the standard normal truncated at three, and weights that sum to one."""
    x, w = np.polynomial.legendre.leggauss(64)
    x = TRUNCATION_SD * x
    w = w * np.exp(-0.5 * x**2)
    w /= w.sum()
    off, before, now = np.zeros(count), np.zeros(x.size), np.ones(x.size)
    norm = 1.0
    for k in range(1, count):  # Stieltjes procedure; the distribution is even
        before, now = now, x * now - (off[k - 1] * before if k > 1 else 0.0)
        off[k] = float(w @ now**2) / norm
        norm *= off[k]
    beside = np.sqrt(off[1:])
    nodes, vectors = np.linalg.eigh(np.diag(beside, 1) + np.diag(beside, -1))
    return nodes, vectors[0] ** 2


def _moments(relative: Array, chance: Array, behind: Array, memory_s: float) -> Array:
    """(n, 5): E[r], E[r c], E[r^2], E[r^2 c], E[r^2 c^2] at distances behind the tail (n,)."""
    age = np.maximum(behind, 0.0)[:, None] / relative
    fade = memory_fade(age, memory_s)
    ones = np.ones_like(fade)
    columns = [ones, fade, relative * ones, relative * fade, relative * fade**2]
    return np.stack([c @ (chance * relative) for c in columns], axis=1)


def _wake_edges(
    wake: Wake, relative: Array, memory_s: float, lateral_m: tuple[float, float]
) -> Array:
    """Panel edges behind the tail, m, from 0 to where the wake has faded or left."""
    fades = (1.0 - FADE) * memory_s * relative.min(), memory_s * relative.max()
    stops = [TURBULENCE_ONSET * wake.vehicle.height_m, wake.bubble_m, BEHIND_M, *fades]
    stops = sorted(s for s in stops if s <= fades[1])
    edges = [0.0]
    for stop in stops:
        while edges[-1] < stop * (1.0 - 1e-9):
            start = edges[-1]
            size = max((_WAKE_GROWTH - 1.0) * start, 0.5 * wake.bubble_m)
            if start >= fades[0]:
                size = 0.34 * (fades[1] - fades[0])
            size = min(size, _passage(wake, start))
            left = stop - start
            edges.append(stop if size > 0.7 * left else start + min(size, 0.6 * left))
            if edges[-1] > BEHIND_M and _gone(wake, edges[-1], lateral_m):
                return np.array(edges)
    return np.array(edges)


def _passage(wake: Wake, behind: float) -> float:
    """Longest panel that still resolves a wake blown past a point."""
    ratio = abs(wake.air.crosswind_ratio)
    width = float(wake.width(behind))
    return _PASSAGE_WIDTHS * width / ratio if ratio > 0.0 else np.inf


def _gone(wake: Wake, behind: float, lateral_m: tuple[float, float]) -> bool:
    """Whether the crosswind has carried the wake beyond all points."""
    shift = wake.air.crosswind_ratio * behind
    reach = _GONE_WIDTHS * float(wake.width(behind))
    low, high = lateral_m
    return (shift > 0.0 and shift - reach > high) or (shift < 0.0 and shift + reach < low)


def _pick(table_x: Array, x: Array) -> tuple[NDArray[np.int64], Array]:
    """First of four table rows (n,) and their Lagrange weights (n, 4) at X."""
    rising = table_x[::-1]
    first = np.clip(np.searchsorted(rising, x) - 2, 0, rising.size - 4)
    near = rising[first[:, None] + np.arange(4)]
    share = np.ones((x.size, 4))
    for k in range(4):
        for j in range(4):
            if j != k:
                share[:, k] *= (x - near[:, j]) / (near[:, k] - near[:, j])
    return (table_x.size - 4 - first).astype(np.int64), np.ascontiguousarray(share[:, ::-1])
