"""The signature of a class out of a record: the average over its isolated passes.

A pass counts when no other vehicle passes within a stated time before and after it. Its samples
fall into bins of time since the nose was abreast; for each bin the passes that have samples there
are averaged, each pass with the same weight. Air that was moving already, by other wakes or wind,
is taken off where asked for: the pass's own mean over a time before it. The interval comes from
resampling whole passes (B. Efron and R. J. Tibshirani, An Introduction to the Bootstrap, 1993, from
memory), so it holds for correlated samples within a pass.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from wakesim.records.anemometer import AnemometerRecord
from wakesim.traffic.stream import Passes

Array = NDArray[np.float64]

FEWEST_PASSES = 5
_RESAMPLES = 1000


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
    seed: int = 0,
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
    rows = rows[~np.all(np.isnan(rows), axis=1)]
    if rows.shape[0] < FEWEST_PASSES:
        raise ValueError(
            f"{rows.shape[0]} of {int(chosen.sum())} passes have no other vehicle within "
            f"{clear_s[0]:g} s before and {clear_s[1]:g} s after them; at least {FEWEST_PASSES} "
            "are needed"
        )
    mean, low, high, sd = _bootstrap(rows, level, seed)
    middle = window_s[0] + width * (np.arange(count) + 0.5)
    return PassAverage(
        middle, mean, low, high, sd, rows.shape[0], int((chosen & inside).sum()), level
    )


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


def _bootstrap(rows: Array, level: float, seed: int) -> tuple[Array, Array, Array, Array]:
    """Mean, ends of its interval and scatter of rows (passes, bins), NaN being left out."""
    valid = ~np.isnan(rows)
    filled = np.where(valid, rows, 0.0)
    n = rows.shape[0]
    pick = np.random.default_rng(seed).multinomial(n, np.full(n, 1.0 / n), _RESAMPLES)
    with np.errstate(invalid="ignore", divide="ignore"):
        drawn = (pick @ filled) / (pick @ valid.astype(np.float64))
        here = valid.sum(axis=0)
        mean = filled.sum(axis=0) / here
        sd = np.sqrt((((filled - mean) ** 2) * valid).sum(axis=0) / (here - 1))
    low, high = np.full(mean.size, np.nan), np.full(mean.size, np.nan)
    some = here > 0
    tail = 0.5 * (1.0 - level)
    low[some], high[some] = np.nanquantile(drawn[:, some], [tail, 1.0 - tail], axis=0)
    return mean, low, high, sd
