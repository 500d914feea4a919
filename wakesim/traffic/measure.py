"""The intensity measure of a Poisson stream of passes: how often which velocity is added.

A pass adds a velocity f(t) and, as turbulence, a local variance s(t). For arrivals at rate lambda
the time integral over all passes, sum lambda int g(f, s) dt, is a sum over weighted nodes: w counts
the passes whose sample is felt at any instant. Everything stationary follows from this measure.

Time integrals take the samples with the trapezoidal rule and Gregory's end correction (weights 3/8,
7/6, 23/24, 1, ...), fourth order for a pulse that begins or ends abruptly and the plain sum for one
that begins and ends at zero. What a sampling step cannot resolve is lost: halve it to see.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from wakesim.arrays import Array, kernel

_GREGORY = np.array([3.0 / 8.0, 7.0 / 6.0, 23.0 / 24.0])


@dataclass(frozen=True)
class Measure:
    """Weighted nodes: ``weight`` (n,) mean number of passes at a node at any instant;
    ``nodes`` (n, 5) mean u, mean v in m/s, variance of u, of v and covariance in m2/s2."""

    weight: Array
    nodes: Array

    def __len__(self) -> int:
        return int(self.weight.size)

    @cached_property
    def intensity(self) -> float:
        """Mean number of passes felt at once; exp(-intensity) is the share of time without any."""
        return float(self.weight.sum())

    def cumulants(self, order: int) -> Array:
        """Joint cumulants of u and v of an order, (order + 1,): entry j is of u^(order-j) v^j."""
        if order < 1:
            raise ValueError(f"the order of a cumulant must be at least 1, not {order}")
        moment = _node_moments(self.nodes, order)
        return np.array([np.sum(self.weight * moment[order - j, j]) for j in range(order + 1)])

    @cached_property
    def mean(self) -> Array:
        """Mean velocity (2,), m/s (Campbell)."""
        return self.cumulants(1)

    @cached_property
    def covariance(self) -> Array:
        """Covariance of the velocity (2, 2), m2/s2 (Campbell)."""
        uu, uv, vv = self.cumulants(2)
        return np.array([[uu, uv], [uv, vv]])

    @cached_property
    def reach(self) -> float:
        """Largest speed of a node plus its standard deviation, m/s."""
        if len(self) == 0:
            return 0.0
        spread = np.sqrt(self.nodes[:, 2] + self.nodes[:, 3])
        return float(np.max(np.hypot(self.nodes[:, 0], self.nodes[:, 1]) + spread))

    def scaled(self, speed: float = 1.0, rate: float = 1.0) -> Measure:
        """The measure with velocities times ``speed`` and rates times ``rate``."""
        if not rate >= 0.0:
            raise ValueError("a rate factor must be at least 0")
        factor = np.array([speed, speed, speed**2, speed**2, speed**2])
        return Measure(self.weight * rate, self.nodes * factor)

    def reduced(self, nodes: int = 300) -> Measure:
        """Few nodes for many: same intensity, mean and covariance, close in everything else.

        The samples are cut into groups in u, v and the roots of the variances, always the one next
        that loses most, across the side that loses it; a group becomes one node at its mean, with
        its scatter added to the local variance.
        """
        if nodes < 1:
            raise ValueError("at least one node is needed")
        if len(self) <= nodes:
            return self
        features = self.nodes[:, :4].T.copy()
        features[2:] = np.sqrt(features[2:])
        order, first = cut(features, self.weight.copy(), nodes)
        return Measure(*merge_groups(self.nodes, self.weight, order, first))


def join(measures: Sequence[Measure]) -> Measure:
    """One measure of independent streams together."""
    if not measures:
        return Measure(np.empty(0), np.empty((0, 5)))
    return Measure(
        np.concatenate([m.weight for m in measures]), np.concatenate([m.nodes for m in measures])
    )


def measure(
    pulses: Sequence[ArrayLike],
    rates: ArrayLike,
    dt: ArrayLike,
    *,
    turbulence: Sequence[ArrayLike] | None = None,
) -> Measure:
    """The intensity measure of passes with the signatures ``pulses``; see ``shot_noise``.

    Raises ValueError naming the pulse that does not fit.
    """
    rate, step = per_pulse(rates, len(pulses), "rates"), per_pulse(dt, len(pulses), "dt")
    if np.any(rate < 0.0):
        raise ValueError("rates must be at least 0 passes/s")
    if np.any(step <= 0.0):
        raise ValueError("dt must be greater than 0 s")
    if turbulence is not None and len(turbulence) != len(pulses):
        raise ValueError(f"turbulence: {len(pulses)} entries are needed, one per pulse")
    weights, rows = [np.empty(0)], [np.empty((0, 5))]
    for number, pulse in enumerate(pulses):
        velocity = checked_samples(pulse, f"pulse {number}", "m/s")
        nodes = np.zeros((len(velocity), 5))
        nodes[:, :2] = velocity
        if turbulence is not None:
            variance = checked_samples(turbulence[number], f"turbulence {number}", "m2/s2")
            if variance.shape != velocity.shape:
                raise ValueError(f"turbulence {number} must have the shape of its pulse")
            if np.any(variance < 0.0):
                raise ValueError(f"turbulence {number}: variances must be at least 0 m2/s2")
            nodes[:, 2:4] = variance
        weight = rate[number] * step[number] * time_weights(len(nodes))
        felt = (weight > 0.0) & np.any(nodes != 0.0, axis=1)
        weights.append(weight[felt])
        rows.append(nodes[felt])
    return Measure(np.concatenate(weights), np.concatenate(rows))


def compress(
    pulses: Sequence[ArrayLike],
    rates: ArrayLike,
    dt: ArrayLike,
    *,
    turbulence: Sequence[ArrayLike] | None = None,
    nodes: int = 300,
) -> Measure:
    """The measure of passes with at most ``nodes`` nodes, for ``mean_cubes``.

    Arguments as in ``shot_noise``. Intensity, mean and covariance are kept to rounding. The mean
    cube of an expressway's 252 signatures (28 class-lane pairs, each at 9 offsets, 160 000 samples)
    changes by -1.4e-3 with 100 nodes, -3.5e-4 with 300 and -3e-5 with 1000 in still air; with a few
    signatures, or in wind, by 1e-5 and less with 300.
    """
    return measure(pulses, rates, dt, turbulence=turbulence).reduced(nodes)


def time_weights(n: int) -> Array:
    """Weights (n,) of equally spaced samples in a time integral, in steps."""
    weights = np.ones(n)
    if n >= 2 * _GREGORY.size:
        weights[: _GREGORY.size] = _GREGORY
        weights[-_GREGORY.size :] = _GREGORY[::-1]
    else:
        weights[0] = weights[-1] = 0.5
    return weights


def per_pulse(values: ArrayLike, n: int, name: str) -> Array:
    """One finite number per pulse (n,), from one for all or one each."""
    array = np.asarray(values, dtype=np.float64)
    if array.ndim > 1 or (array.ndim == 1 and array.size != n):
        raise ValueError(f"{name}: one number, or one for each of the {n} pulses, is needed")
    if not np.all(np.isfinite(array)):
        raise ValueError(f"{name} must be finite")
    return np.broadcast_to(array, (n,))


def checked_samples(values: ArrayLike, name: str, unit: str) -> Array:
    """Finite samples of u and v, (n, 2) with n at least 2."""
    array = np.asarray(values, dtype=np.float64)
    if array.ndim != 2 or array.shape[1] != 2 or array.shape[0] < 2:
        raise ValueError(f"{name} must have shape (n, 2) with n at least 2, in {unit}")
    if not np.all(np.isfinite(array)):
        raise ValueError(f"{name} must be finite ({unit})")
    return array


def _node_moments(nodes: Array, order: int) -> dict[tuple[int, int], Array]:
    """E[(u + g)^i (v + h)^j] of every node, i + j <= order, g and h its normal scatter (Stein)."""
    u, v, uu, vv, uv = nodes.T
    table: dict[tuple[int, int], Array] = {(0, 0): np.ones(len(nodes))}
    zero = np.zeros(len(nodes))
    for i in range(order + 1):
        for j in range(order + 1 - i):
            if i > 0:
                value = u * table[i - 1, j]
                value = value + (i - 1) * uu * table.get((i - 2, j), zero)
                table[i, j] = value + j * uv * table.get((i - 1, j - 1), zero)
            elif j > 0:
                table[0, j] = v * table[0, j - 1] + (j - 1) * vv * table.get((0, j - 2), zero)
    return table


# --- compiled loops ---

_FEATURES = 4


@kernel()
def _survey(features, weight, low, high):
    """Loss of a group if it became one node, the side it comes from and the mean along it.

    Scatter of u and v (features 0, 1) goes into the node's variance, so that the third moment is
    the first one lost; of scatter in a root variance (features 2, 3) the fourth moment is lost.
    """
    total = 0.0
    for n in range(low, high):
        total += weight[n]
    loss, largest, side, middle = 0.0, -1.0, 0, 0.0
    for f in range(_FEATURES):
        own_feature = features[f]
        anchor = own_feature[low]
        mean, square = 0.0, 0.0
        for n in range(low, high):
            difference = own_feature[n] - anchor
            part = weight[n] * difference
            mean += part
            square += part * difference
        mean /= total
        variance = max(square / total - mean * mean, 0.0)
        scale = math.sqrt(variance) if f < 2 else anchor + mean
        own = variance * scale
        loss += own
        if own > largest:
            largest, side, middle = own, f, anchor + mean
    return total * loss if high - low > 1 else 0.0, side, middle


@kernel()
def cut(features, weight, groups):
    """Cut samples into at most ``groups`` groups.

    ``features`` (4, n), ``weight`` (n,) > 0, both put in the order of the groups. Returns the
    samples' order (n,) and where each group begins in it, with n at the end.
    """
    n = weight.size
    order = np.arange(n)
    begin = np.zeros(groups, dtype=np.int64)
    end = np.zeros(groups, dtype=np.int64)
    side = np.zeros(groups, dtype=np.int64)
    loss = np.zeros(groups)
    where = np.zeros(groups)
    end[0] = n
    loss[0], side[0], where[0] = _survey(features, weight, 0, n)
    count = 1
    while count < groups:
        worst = 0
        for g in range(1, count):
            if loss[g] > loss[worst]:
                worst = g
        if loss[worst] <= 0.0:
            break
        low, high = begin[worst], end[worst] - 1
        along = features[side[worst]]
        while low <= high:
            if along[low] <= where[worst]:
                low += 1
            else:
                order[low], order[high] = order[high], order[low]
                weight[low], weight[high] = weight[high], weight[low]
                for f in range(_FEATURES):
                    features[f, low], features[f, high] = features[f, high], features[f, low]
                high -= 1
        if low == begin[worst] or low == end[worst]:  # equal to within rounding
            loss[worst] = 0.0
            continue
        begin[count], end[count], end[worst] = low, end[worst], low
        for g in (worst, count):
            loss[g], side[g], where[g] = _survey(features, weight, begin[g], end[g])
        count += 1
    first = np.sort(begin[:count])
    return order, np.append(first, n)


@kernel()
def merge_groups(nodes, weight, order, first):
    """One node for every group: mean, and mean local variance plus the scatter of the means."""
    groups = first.size - 1
    out = np.zeros((groups, 5))
    total = np.zeros(groups)
    for g in range(groups):
        for n in range(first[g], first[g + 1]):
            i = order[n]
            total[g] += weight[i]
            for f in range(5):
                out[g, f] += weight[i] * nodes[i, f]
        for f in range(5):
            out[g, f] /= total[g]
        uu, vv, uv = 0.0, 0.0, 0.0
        for n in range(first[g], first[g + 1]):
            i = order[n]
            du = nodes[i, 0] - out[g, 0]
            dv = nodes[i, 1] - out[g, 1]
            uu += weight[i] * du * du
            vv += weight[i] * dv * dv
            uv += weight[i] * du * dv
        out[g, 2] += uu / total[g]
        out[g, 3] += vv / total[g]
        out[g, 4] += uv / total[g]
    return total, out
