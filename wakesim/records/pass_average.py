"""Passes in both records: averages over the isolated ones of a class, and the peaks of single ones.

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

The model's air at the record's own samples goes through the same averaging, with the same passes.
What neighbours do to the single passes it does to both, so numbers are judged with the interval of
what the model leaves of the record. Of a class only the nearest lane with enough isolated passes is
taken. Two numbers are judged: the swing of the displacement flow, between the two times where the
model has its highest and its lowest value, and the change along the road while the wake goes by,
from just before the pass.

Points are block means and peaks of single passes side by side. Measures of agreement are those of
Chang and Hanna 2004 (wakesim.validation.metrics), with their intervals by resampling the blocks
that the points lie in.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import special

from wakesim.arrays import Array
from wakesim.case.mounts import Mount
from wakesim.case.schema import Case
from wakesim.records.anemometer import AnemometerRecord
from wakesim.records.judgement import Judgement, judge_difference
from wakesim.records.statistics import block_edges
from wakesim.traffic.stream import Passes
from wakesim.validation.metrics import Metrics, metrics

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


# Clear before and after a pass: the first pair that leaves enough passes. The model is averaged
# over the same passes with all their neighbours, so even short ones compare like with like.
CLEARS_S = ((10.0, 20.0), (6.0, 12.0), (4.0, 8.0), (2.0, 4.0), (1.0, 2.5))
ENOUGH_PASSES = 12
WINDOW_S = (-4.0, 12.0)
BASELINE_S = (-4.0, -2.0)
PULSE_S = (-1.0, 2.5)
WAKE_S = (3.0, 12.0)
_SHORTEST_BIN_S = 0.1


class Curve(NamedTuple):
    """One channel around a pass: the record's average, the model's, and with the other law."""

    record: PassAverage
    model: Array
    other: Array


@dataclass(frozen=True)
class ClassSignature:
    """Average pass of one class in one lane; ``curves`` by channel ("u", "v" or "speed")."""

    vehicle: str
    label: str
    lane: str
    passes: int
    candidates: int
    clear_s: tuple[float, float]
    curves: Mapping[str, Curve]
    judgements: tuple[Judgement, ...]


Channels = Mapping[str, Array]


def signatures(
    record: AnemometerRecord,
    passes: Passes,
    case: Case,
    mount: Mount,
    measured: Channels,
    model: Channels,
    other: Channels,
) -> tuple[list[ClassSignature], list[str]]:
    """Signatures of every class with enough isolated passes, and sentences on the others.

    The channels hold values (n,) at the record's samples; ``model`` and ``other`` those of the
    model and of the model with the other wake law.
    """
    found, notes = [], []
    for number, (name, vehicle) in enumerate(case.vehicles.items()):
        mine = passes.vehicle == number
        if not mine.any():
            continue
        picked = _picked(record, passes, mine, case, mount)
        if picked is None:
            notes.append(
                f"{name}: fewer than {FEWEST_PASSES} of {int(mine.sum())} passes are alone for "
                f"{CLEARS_S[-1][0]:g} s before and {CLEARS_S[-1][1]:g} s after: no average pass"
            )
            continue
        lane, clear, lanes = picked
        chosen = mine & (passes.lane == lane)
        curves = {}
        for channel in measured:
            averages = [
                _average(record, passes, chosen, values, clear, lanes)
                for values in (measured[channel], model[channel], other[channel])
            ]
            curves[channel] = Curve(averages[0], averages[1].mean, averages[2].mean)
        left = {channel: measured[channel] - model[channel] for channel in measured}
        sets = (measured, model, other, left)
        label = vehicle.label or name
        judgements = tuple(_judged(record, passes, chosen, clear, lanes, curves, sets, name, label))
        first = next(iter(curves.values())).record
        road = case.road.lanes[lane].name
        counts = first.passes, first.candidates
        found.append(ClassSignature(name, label, road, *counts, clear, curves, judgements))
    return found, notes


def _picked(
    record: AnemometerRecord, passes: Passes, mine: NDArray[np.bool_], case: Case, mount: Mount
) -> tuple[int, tuple[float, float], NDArray[np.int_]] | None:
    """(lane, clear times, lanes that must be clear) of the nearest lane with enough passes."""
    inside = (passes.time_s + WINDOW_S[0] >= 0.0) & (
        passes.time_s + WINDOW_S[1] <= record.duration_s
    )
    driven = np.unique(passes.lane[mine]).tolist()
    for lane in sorted(driven, key=lambda i: abs(mount.offset_m - case.road.lanes[i].centre_m)):
        way = case.road.lanes[lane].carriageway
        lanes = np.array([x.index for x in case.road.lanes if x.carriageway == way])
        held = []
        for clear in CLEARS_S:
            alone = isolated(passes, *clear, lanes) & mine & inside & (passes.lane == lane)
            held.append(_with_samples(record, passes.time_s[alone]))
            if held[-1] >= ENOUGH_PASSES:
                return lane, clear, lanes
        if held[-1] >= FEWEST_PASSES:
            first = next(i for i, n in enumerate(held) if n == held[-1])
            return lane, CLEARS_S[first], lanes
    return None


def _with_samples(record: AnemometerRecord, times: Array) -> int:
    """How many of the passes have samples before and after them."""
    ends = [np.searchsorted(record.time_s, times + shift) for shift in (*BASELINE_S, *PULSE_S)]
    return int(np.sum((ends[1] > ends[0]) & (ends[3] > ends[2])))


def _average(
    record: AnemometerRecord,
    passes: Passes,
    chosen: NDArray[np.bool_],
    values: Array,
    clear: tuple[float, float],
    lanes: NDArray[np.int_],
    window: tuple[float, float] = WINDOW_S,
    bin_s: float | None = None,
    baseline_s: tuple[float, float] = BASELINE_S,
) -> PassAverage:
    width = max(record.dt_s, _SHORTEST_BIN_S) if bin_s is None else bin_s
    return pass_average(
        record, passes, chosen, values=values, window_s=window, bin_s=width, clear_s=clear,
        lanes=lanes, baseline_s=baseline_s,
    )  # fmt: skip


def _judged(
    record: AnemometerRecord,
    passes: Passes,
    chosen: NDArray[np.bool_],
    clear: tuple[float, float],
    lanes: NDArray[np.int_],
    curves: Mapping[str, Curve],
    sets: tuple[Channels, Channels, Channels, Channels],
    name: str,
    label: str,
) -> list[Judgement]:
    """Swing of the pulse and wake of one class."""
    out = []
    channel = "v" if "v" in curves else "speed"
    curve = curves[channel]
    near = np.flatnonzero((curve.record.time_s > PULSE_S[0]) & (curve.record.time_s < PULSE_S[1]))
    near = near[~np.isnan(curve.record.mean[near] + curve.model[near])]
    width = float(curve.record.time_s[1] - curve.record.time_s[0])
    if near.size > 2:
        top, bottom = (
            float(curve.record.time_s[near[pick(curve.model[near])]])
            for pick in (np.argmax, np.argmin)
        )
        high, low = ((t - 0.5 * width, t + 0.5 * width) for t in (top, bottom))
        swings = [
            _average(record, passes, chosen, s[channel], clear, lanes, high, width, low)
            for s in sets
        ]
        words = "across the road" if channel == "v" else "of the speed"
        out.append(_of(f"pulse_{name}", f"{label}: swing of the pulse {words}", swings))
    channel = "u" if "u" in curves else "speed"
    whole = WAKE_S[1] - WAKE_S[0]
    try:
        means = [
            _average(record, passes, chosen, s[channel], clear, lanes, WAKE_S, whole) for s in sets
        ]
    except ValueError:
        return out
    words = "along the road" if channel == "u" else "of the speed"
    text = f"{label}: change {words} {WAKE_S[0]:g} to {WAKE_S[1]:g} s after the nose"
    out.append(_of(f"wake_{name}", text, means))
    return out


def _of(key: str, words: str, averages: list[PassAverage]) -> Judgement:
    """Judgement of one bin of record, model, model of the other law and what the model leaves,
    whose interval is that of the record here."""
    mine, model, other, left = (float(a.mean[0]) for a in averages)
    ends = (mine + float(end[0]) - left for end in (averages[3].low, averages[3].high))
    return judge_difference(key, "m/s", words, (mine, tuple(ends)), model, other)  # type: ignore[arg-type]


PEAK_S = (-1.0, 2.5)  # around the nose
FEWEST = 5
_FEWEST_SAMPLES = 5
_RESAMPLES = 500
_LEVEL = 0.90
MEASURES = ("fractional_bias", "nmse", "fac2", "correlation")


class PointMetrics(NamedTuple):
    """Points (n,) of both, m/s, at ``time_s``; measures and their 90 % intervals by name.

    A measure is None where it is not defined. ``interval`` is (low, high) or None.
    """

    key: str
    words: str
    time_s: Array
    measured: Array
    modelled: Array
    values: dict[str, float | None]
    intervals: dict[str, tuple[float, float] | None]
    details: Metrics


def point_metrics(
    record: AnemometerRecord,
    models: Sequence[AnemometerRecord],
    passes: Passes,
    block_s: float,
) -> tuple[PointMetrics, ...]:
    """Block means of the speed, and highest speeds around the single ``passes``.

    The records share their sample times; of the model the mean over its draws is taken.
    """
    edges = block_edges(record, block_s)
    size = np.diff(edges)
    full = size >= 0.5 * block_s / record.dt_s
    out = []

    def means(one: AnemometerRecord) -> Array:
        return np.asarray(np.add.reduceat(one.speed_m_s, edges[:-1]) / size)[full]

    middle = record.time_s[(edges[:-1] + edges[1:]) // 2][full]
    drawn = np.mean([means(m) for m in models], axis=0)
    if middle.size >= FEWEST:
        words = f"means of the speed over blocks of {block_s:.0f} s"
        label = np.arange(middle.size)
        out.append(_points("block_means", words, middle, means(record), drawn, label))
    first = np.searchsorted(record.time_s, passes.time_s + PEAK_S[0])
    last = np.searchsorted(record.time_s, passes.time_s + PEAK_S[1])
    wanted = max(_FEWEST_SAMPLES, 0.8 * (PEAK_S[1] - PEAK_S[0]) / record.dt_s)
    used = np.flatnonzero(last - first >= wanted)
    if used.size >= FEWEST and record.dt_s <= 0.5:
        parts = [slice(a, b) for a, b in zip(first[used], last[used], strict=True)]

        def peaks(one: AnemometerRecord) -> Array:
            return np.array([float(one.speed_m_s[p].max()) for p in parts])

        drawn = np.mean([peaks(m) for m in models], axis=0)
        around = f"{-PEAK_S[0]:g} s before to {PEAK_S[1]:g} s after"
        words = f"highest speed {around} single passes of the nearest carriageway"
        time = passes.time_s[used]
        label = (time / block_s).astype(np.int64)
        out.append(_points("pass_peaks", words, time, peaks(record), drawn, label))
    return tuple(out)


def _points(
    key: str, words: str, time: Array, measured: Array, modelled: Array, label: NDArray[np.int64]
) -> PointMetrics:
    values = measures(measured, modelled)
    groups = [np.flatnonzero(label == g) for g in np.unique(label)]
    rng = np.random.default_rng(0)
    drawn: dict[str, list[float]] = {name: [] for name in MEASURES}
    for _ in range(_RESAMPLES if len(groups) >= FEWEST else 0):
        pick = np.concatenate([groups[i] for i in rng.integers(len(groups), size=len(groups))])
        for name, value in measures(measured[pick], modelled[pick]).items():
            if value is not None:
                drawn[name].append(value)
    tail = 0.5 * (1.0 - _LEVEL)
    intervals: dict[str, tuple[float, float] | None] = {}
    for name in MEASURES:
        found = drawn[name]
        if len(found) < 0.9 * _RESAMPLES:
            intervals[name] = None
        else:
            low, high = np.quantile(found, [tail, 1.0 - tail])
            intervals[name] = (float(low), float(high))
    return PointMetrics(
        key, words, time, measured, modelled, values, intervals, metrics(measured, modelled)
    )


def measures(measured: Array, modelled: Array) -> dict[str, float | None]:
    """The four measures, None where not defined."""
    found = metrics(measured, modelled)
    spread = float(measured.std() * modelled.std())
    together = float(np.mean((measured - measured.mean()) * (modelled - modelled.mean())))
    return {
        "fractional_bias": found.fractional_bias,
        "nmse": found.nmse,
        "fac2": found.fac2,
        "correlation": together / spread if spread > 0.0 else None,
    }
