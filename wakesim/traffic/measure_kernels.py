"""Compiled loops of the intensity measure: cutting samples into groups and merging a group."""

from __future__ import annotations

import math

import numpy as np

from wakesim.arrays import kernel

_FEATURES = 4


@kernel()
def _survey(features, weight, order, low, high):
    """Loss of a group if it became one node, the side it comes from and the mean along it.

    Scatter of u and v (features 0, 1) goes into the node's variance, so that the third moment is
    the first one lost; of scatter in a root variance (features 2, 3) the fourth moment is lost.
    """
    total = 0.0
    mean = np.zeros(_FEATURES)
    square = np.zeros(_FEATURES)
    anchor = features[order[low]]
    for n in range(low, high):
        i = order[n]
        w = weight[i]
        total += w
        for f in range(_FEATURES):
            difference = features[i, f] - anchor[f]
            mean[f] += w * difference
            square[f] += w * difference * difference
    loss, largest, side = 0.0, -1.0, 0
    for f in range(_FEATURES):
        mean[f] /= total
        variance = max(square[f] / total - mean[f] * mean[f], 0.0)
        scale = math.sqrt(variance) if f < 2 else anchor[f] + mean[f]
        own = variance * scale
        loss += own
        if own > largest:
            largest, side = own, f
    return total * loss if high - low > 1 else 0.0, side, anchor[side] + mean[side]


@kernel()
def cut(features, weight, groups):
    """Cut samples into at most ``groups`` groups.

    ``features`` (n, 4), ``weight`` (n,) > 0. Returns the samples' order (n,) and where each group
    begins in it, with n at the end.
    """
    n = weight.size
    order = np.arange(n)
    begin = np.zeros(groups, dtype=np.int64)
    end = np.zeros(groups, dtype=np.int64)
    side = np.zeros(groups, dtype=np.int64)
    loss = np.zeros(groups)
    where = np.zeros(groups)
    end[0] = n
    loss[0], side[0], where[0] = _survey(features, weight, order, 0, n)
    count = 1
    while count < groups:
        worst = 0
        for g in range(1, count):
            if loss[g] > loss[worst]:
                worst = g
        if loss[worst] <= 0.0:
            break
        low, high = begin[worst], end[worst] - 1
        while low <= high:
            if features[order[low], side[worst]] <= where[worst]:
                low += 1
            else:
                order[low], order[high] = order[high], order[low]
                high -= 1
        if low == begin[worst] or low == end[worst]:  # equal to within rounding
            loss[worst] = 0.0
            continue
        begin[count], end[count], end[worst] = low, end[worst], low
        for g in (worst, count):
            loss[g], side[g], where[g] = _survey(features, weight, order, begin[g], end[g])
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
