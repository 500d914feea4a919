"""The signature of a class out of a record: the average over its isolated passes.

A pass counts when no other vehicle passes within a stated time before and after it. Its samples
fall into bins of time since the nose was abreast; for each bin the passes that have samples there
are averaged, each pass with the same weight. Air that was moving already, by other wakes or wind,
is taken off where asked for: the pass's own mean over a time before it.

Passes in dense traffic share their air: their windows overlap. So the interval is that of clusters
of passes, those of one block of time, a minute or three windows long: with mean m of n passes and
G clusters

    variance = G/(G - 1) sum_g (sum over the cluster of (x_i - m)/n)^2, Student's t with G - 1

(K.-Y. Liang and S. L. Zeger, Biometrika 73 (1986) 13, from memory), which holds for correlated
samples within passes and clusters.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import special

from wakesim.arrays import Array
from wakesim.records.anemometer import AnemometerRecord
from wakesim.traffic.stream import Passes

FEWEST_PASSES = 5
_CLUSTER_S, _CLUSTER_WINDOWS = 60.0, 3.0
_LEAST_SHARE = 0.5  # of the samples in a window


class PassAverage(NamedTuple):
    """Mean of a channel around a pass, arrays (bins,), with the interval of the mean.

    ``time_s`` are the middles of the bins, 0 when the nose is abreast. ``sd`` is the scatter from
    pass to pass. NaN in bins without samples. ``passes`` counts those averaged, ``candidates``
    those of the class before the isolated ones were chosen.
    """

    time_s: Array
    mean: Array
    low: Array
    high: Array
    sd: Array
    passes: int
    candidates: int
    level: float


def isolated(
    passes: Passes, before_s: float, after_s: float, lanes: NDArray[np.int_] | None = None
) -> NDArray[np.bool_]:
    """Passes (n,) with no other within ``before_s`` ahead of them and ``after_s`` behind.

    ``lanes`` restricts the others that matter to those lanes (indices). Passes in any order.
    """
    matter = np.ones(len(passes), bool) if lanes is None else np.isin(passes.lane, lanes)
    others = np.sort(passes.time_s[matter])
    start = np.searchsorted(others, passes.time_s - before_s, side="left")
    stop = np.searchsorted(others, passes.time_s + after_s, side="right")
    return np.asarray(stop - start - matter <= 0)


def pass_average(
    record: AnemometerRecord,
    passes: Passes,
    chosen: NDArray[np.bool_],
    *,
    values: Array | None = None,
    window_s: tuple[float, float] = (-5.0, 20.0),
    bin_s: float | None = None,
    clear_s: tuple[float, float] = (10.0, 20.0),
    lanes: NDArray[np.int_] | None = None,
    baseline_s: tuple[float, float] | None = None,
    level: float = 0.90,
) -> PassAverage:
    """Average of a channel (n,) of the record (default: the speed) over isolated passes.

    ``chosen`` (passes,) marks those of interest, of one class and lane. ``window_s`` and ``bin_s``
    (default: the record's step) set the bins; ``clear_s`` and ``lanes`` what isolated means (see
    ``isolated``). ``baseline_s``: the stretch of each pass's time whose mean is taken off.

    Raises ValueError when fewer than five passes are left.
    """
    channel = record.speed_m_s if values is None else values
    width = record.dt_s if bin_s is None else bin_s
    count = max(1, round((window_s[1] - window_s[0]) / width))
    inside = (passes.time_s + window_s[0] >= 0.0) & (
        passes.time_s + window_s[1] <= record.duration_s
    )
    alone = isolated(passes, *clear_s, lanes) & chosen & inside
    times = passes.time_s[alone]
    rows = np.full((times.size, count), np.nan)
    for row, moment in zip(rows, times.tolist(), strict=True):
        row[:] = _binned(record.time_s - moment, channel, window_s[0], width, count)
        if baseline_s is not None:
            row -= _mean_between(record.time_s - moment, channel, baseline_s)
    used = ~np.all(np.isnan(rows), axis=1)
    rows, times = rows[used], times[used]
    if rows.shape[0] < FEWEST_PASSES:
        raise ValueError(
            f"{rows.shape[0]} of {int(chosen.sum())} passes have no other vehicle within "
            f"{clear_s[0]:g} s before and {clear_s[1]:g} s after them; at least {FEWEST_PASSES} "
            "are needed"
        )
    begin = window_s[0] if baseline_s is None else min(window_s[0], baseline_s[0])
    length = cluster_s((begin, window_s[1]))
    mean, low, high, sd = _of_clusters(rows, np.floor(times / length), level)
    middle = window_s[0] + width * (np.arange(count) + 0.5)
    return PassAverage(
        middle, mean, low, high, sd, rows.shape[0], int((chosen & inside).sum()), level
    )


def cluster_mean(
    values: Array, label: Array, level: float = 0.90
) -> tuple[float, tuple[float, float]]:
    """Mean of values (n,) of passes and its interval; ``label`` (n,) is the cluster of each."""
    mean, low, high, _ = _of_clusters(values[:, None], label, level)
    return float(mean[0]), (float(low[0]), float(high[0]))


def cluster_s(span_s: tuple[float, float]) -> float:
    """Length of a block of time whose passes make one cluster, s; each is looked at over a span."""
    return max(_CLUSTER_S, _CLUSTER_WINDOWS * (span_s[1] - span_s[0]))


def pass_changes(
    record: AnemometerRecord,
    passes: Passes,
    chosen: NDArray[np.bool_],
    values: Array,
    window_s: tuple[float, float],
    baseline_s: tuple[float, float],
) -> Array:
    """Mean of a channel (n,) in a window of each pass less that in another, (passes,).

    NaN for passes that are not chosen or have less than half of their samples.
    """
    known = np.isfinite(values)
    time = record.time_s[known]
    sums = np.concatenate([[0.0], np.cumsum(values[known])])
    out = np.full(len(passes), np.nan)
    at = passes.time_s[chosen]
    means = []
    for low, high in (window_s, baseline_s):
        first, last = (np.searchsorted(time, at + edge) for edge in (low, high))
        enough = last - first >= _LEAST_SHARE * (high - low) / record.dt_s
        size = np.maximum(last - first, 1)
        means.append(np.where(enough, (sums[last] - sums[first]) / size, np.nan))
    out[chosen] = means[0] - means[1]
    return out


def _part(since: Array, low: float, high: float) -> slice:
    first, last = np.searchsorted(since, [low, high])
    return slice(int(first), int(last))


def _binned(since: Array, channel: Array, first_s: float, width: float, count: int) -> Array:
    """Means of the samples of each bin, (count,); NaN in an empty one."""
    part = _part(since, first_s, first_s + width * count)
    value = channel[part]
    number = ((since[part] - first_s) / width).astype(np.int64)
    good = ~np.isnan(value) & (number >= 0) & (number < count)
    with np.errstate(invalid="ignore"):
        sums = np.bincount(number[good], value[good], count)
        return np.asarray(sums / np.bincount(number[good], minlength=count))


def _mean_between(since: Array, channel: Array, span: tuple[float, float]) -> float:
    value = channel[_part(since, *span)]
    value = value[~np.isnan(value)]
    return float(value.mean()) if value.size else np.nan


def _of_clusters(rows: Array, label: Array, level: float) -> tuple[Array, Array, Array, Array]:
    """Mean, ends of its interval and scatter of rows (passes, bins), NaN being left out.

    ``label`` (passes,) is the cluster of each pass.
    """
    valid = ~np.isnan(rows)
    number = valid.sum(axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(valid, rows, 0.0).sum(axis=0) / number
        rest = np.where(valid, rows - mean, 0.0)
        sd = np.sqrt((rest**2).sum(axis=0) / (number - 1))
        _, cluster = np.unique(label, return_inverse=True)
        sums, held = (np.zeros((int(cluster.max()) + 1, mean.size)) for _ in range(2))
        np.add.at(sums, cluster, rest)
        np.add.at(held, cluster, valid)
        clusters = (held > 0).sum(axis=0)
        variance = clusters / (clusters - 1.0) * (sums**2).sum(axis=0) / number**2
        half = special.stdtrit(clusters - 1.0, 0.5 * (1.0 + level)) * np.sqrt(variance)
    return mean, mean - half, mean + half, sd
