"""Numbers of a record that can be held against those of the model, and their intervals.

From block sums of the speed s and of what is left of the velocity after a running mean:

    mean            mean s
    effective       (mean s^3)^(1/3)
    sd              standard deviation of s
    above           share of the time with s above the cut-in speed
    fast            rms of the velocity less its running mean over 20 s
    quick           the same over 2 s

Blocks are resampled with replacement (block bootstrap); with a passing log both records hold the
same vehicles, so the same blocks are drawn for both and the ratio is surer than its parts. The
percentiles are widened by Student's t over the normal quantile and sqrt(B/(B-1)) for few blocks.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import special
from scipy.ndimage import uniform_filter1d

from wakesim.records.anemometer import AnemometerRecord
from wakesim.records.statistics import block_edges, stretches

Array = NDArray[np.float64]

LEVEL = 0.90
FAST_S, QUICK_S = 20.0, 2.0
_RESAMPLES = 2000
_COLUMNS = 6


class Quantity(NamedTuple):
    """One number: key, unit, words, and whether slow ambient wind is part of it."""

    key: str
    unit: str
    words: str
    ambient: bool


QUANTITIES = (
    Quantity("mean_speed", "m/s", "mean speed", True),
    Quantity("effective_speed", "m/s", "effective speed", True),
    Quantity("sd_speed", "m/s", "standard deviation of the speed", True),
    Quantity("share_above_cut_in", "1", "share of the time above cut-in", True),
    Quantity("rms_faster_than_20_s", "m/s", "rms of motion faster than 20 s", False),
    Quantity("rms_faster_than_2_s", "m/s", "rms of motion faster than 2 s", False),
)


def without_slow(record: AnemometerRecord, values: Array, window_s: float) -> Array:
    """A channel (n,) less its running mean over ``window_s`` within each unbroken stretch.

    NaN in stretches shorter than the window and where the channel is NaN.
    """
    out = np.full(values.size, np.nan)
    size = max(2, round(window_s / record.dt_s))
    known = np.flatnonzero(~np.isnan(values))
    time, channel = record.time_s[known], values[known]
    for part in stretches(time, record.dt_s):
        if part.stop - part.start >= size:
            inside = channel[part]
            out[known[part]] = inside - uniform_filter1d(inside, size, mode="reflect")
    return out


def without_wind(record: AnemometerRecord, window_s: float) -> AnemometerRecord:
    """The record with the running mean of both components taken off; speed is that of the rest.

    Needs components. Samples without one, or in stretches shorter than the window, are left out.
    """
    if record.u_m_s is None or record.v_m_s is None:
        raise ValueError("a record of components is needed")
    u, v = (without_slow(record, c, window_s) for c in (record.u_m_s, record.v_m_s))
    return taken(replace(record, u_m_s=u, v_m_s=v, speed_m_s=np.hypot(u, v)), ~np.isnan(u + v))


def taken(record: AnemometerRecord, keep: NDArray[np.bool_]) -> AnemometerRecord:
    """The samples of a record that are kept, times counting from the first of them."""

    def of(values: Array | None) -> Array | None:
        return None if values is None else values[keep]

    time = record.time_s[keep]
    return replace(
        record,
        time_s=time - time[0],
        speed_m_s=record.speed_m_s[keep],
        u_m_s=of(record.u_m_s),
        v_m_s=of(record.v_m_s),
        w_m_s=of(record.w_m_s),
    )


def block_table(
    record: AnemometerRecord, edges: NDArray[np.int64], cut_in_m_s: float, components: bool
) -> Array:
    """Sums and counts of the samples' columns in each block, (blocks, 2, columns)."""
    speed = record.speed_m_s
    columns = np.empty((_COLUMNS, speed.size))
    columns[:4] = speed, speed**2, speed**3, speed > cut_in_m_s
    for row, window in ((4, FAST_S), (5, QUICK_S)):
        if components and record.u_m_s is not None and record.v_m_s is not None:
            rest = [without_slow(record, c, window) for c in (record.u_m_s, record.v_m_s)]
            columns[row] = rest[0] ** 2 + rest[1] ** 2
        else:
            columns[row] = without_slow(record, speed, window) ** 2
    valid = ~np.isnan(columns)
    sums = np.add.reduceat(np.where(valid, columns, 0.0), edges[:-1], axis=1)
    counts = np.add.reduceat(valid.astype(np.float64), edges[:-1], axis=1)
    return np.stack([sums.T, counts.T], axis=1)


def values_of(total: Array) -> Array:
    """Values (..., 6) of QUANTITIES from sums and counts (..., 2, columns); NaN where unknown."""
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = total[..., 0, :] / total[..., 1, :]
    out = mean.copy()
    out[..., 1] = np.cbrt(mean[..., 2])
    out[..., 2] = np.sqrt(np.maximum(mean[..., 1] - mean[..., 0] ** 2, 0.0))
    out[..., 4:] = np.sqrt(np.maximum(mean[..., 4:], 0.0))
    return out


@dataclass(frozen=True)
class Pair:
    """Values (6,) of record and model, their sampling intervals (2, 6), and those of the ratio
    record/model."""

    record: Array
    record_interval: Array
    model: Array
    model_interval: Array
    ratio: Array
    ratio_interval: Array
    blocks: int
    block_s: float


def compare(
    record: AnemometerRecord,
    models: Sequence[AnemometerRecord],
    cut_in_m_s: float,
    block_s: float,
    components: bool,
    together: bool,
    level: float = LEVEL,
    seed: int = 0,
) -> Pair:
    """Values of both and their ratio.

    ``models`` are draws at equal times. ``together``: they hold the same passes at the same times
    as the record, sample by sample.
    """
    edges = block_edges(record, block_s)
    mine = block_table(record, edges, cut_in_m_s, components)
    own = edges if together else block_edges(models[0], block_s)
    theirs = sum(block_table(m, own, cut_in_m_s, components) for m in models)
    rng = np.random.default_rng(seed)
    first = _picks(len(mine), rng)
    second = first if together else _picks(len(theirs), rng)
    a, b = (values_of(t.sum(axis=0)) for t in (mine, theirs))
    drawn_a, drawn_b = (
        values_of(np.tensordot(pick, t, axes=1)) for pick, t in ((first, mine), (second, theirs))
    )
    few = min(len(mine), len(theirs))
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio, drawn = a / b, np.log(drawn_a / drawn_b)
        ends = np.exp(_ends(np.log(ratio), drawn, few, level))
    return Pair(
        record=a, record_interval=np.maximum(_ends(a, drawn_a, len(mine), level), 0.0),
        model=b, model_interval=np.maximum(_ends(b, drawn_b, len(theirs), level), 0.0),
        ratio=ratio, ratio_interval=ends, blocks=few, block_s=block_s,
    )  # fmt: skip


def _picks(blocks: int, rng: np.random.Generator) -> Array:
    return rng.multinomial(blocks, np.full(blocks, 1.0 / blocks), _RESAMPLES).astype(np.float64)


def _ends(value: Array, drawn: Array, blocks: int, level: float) -> Array:
    """Ends (2, k) of the percentile interval, widened for few blocks."""
    tail = 0.5 * (1.0 - level)
    if blocks < 2:
        return np.full((2, value.size), np.nan)
    good = np.where(np.isfinite(drawn), drawn, np.nan)
    out = np.full((2, value.size), np.nan)
    some = np.mean(np.isfinite(drawn), axis=0) > 0.99  # else a resample can be empty of it
    if some.any():
        out[:, some] = np.nanquantile(good[:, some], [tail, 1.0 - tail], axis=0)
    student = float(special.stdtrit(blocks - 1, 1.0 - tail)) / float(special.ndtri(1.0 - tail))
    widened: Array = value + student * math.sqrt(blocks / (blocks - 1)) * (out - value)
    return widened
