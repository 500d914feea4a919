"""Points of both records side by side: block means and the peaks of single passes.

Measures of agreement are those of Chang and Hanna 2004 (wakesim.validation.metrics), with their
intervals by resampling the blocks that the points lie in.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from wakesim.arrays import Array
from wakesim.records.anemometer import AnemometerRecord
from wakesim.records.statistics import block_edges
from wakesim.traffic.stream import Passes
from wakesim.validation.metrics import Metrics, metrics

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
