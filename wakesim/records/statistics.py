"""What a gappy record says on its own: mean, effective speed, exceedances and spectrum.

Intervals: the record is cut into blocks that never span a gap; the spread of the block means gives
the standard error (batch means, weights the samples; skewness corrected for the effective speed,
see ``wakesim.measures.intervals``). Wind and traffic wander for hours, so the blocks are as long as
the record allows, and no interval knows of weather or seasons the record has not seen.
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from wakesim.measures.effective import effective_speed
from wakesim.measures.intervals import Blocks, estimate, interval
from wakesim.measures.spectra import velocity_spectrum
from wakesim.records.anemometer import AnemometerRecord

Array = NDArray[np.float64]

GAP_STEPS = 1.5  # a step longer than so many nominal ones is a gap
USUAL_BLOCKS = 24
SHORTEST_BLOCK_S, LONGEST_BLOCK_S = 60.0, 1800.0
_JITTER = 0.02  # of the step; more is put on a regular grid before a spectrum is taken
_RESAMPLES = 1000


class SpeedStatistics(NamedTuple):
    """Mean and effective speed of a record with their intervals, m/s.

    ``blocks`` is the number of blocks the intervals rest on, ``block_s`` their usual length.
    """

    mean_m_s: float
    mean_interval_m_s: tuple[float, float]
    effective_m_s: float
    effective_interval_m_s: tuple[float, float]
    level: float
    blocks: int
    block_s: float


class Exceedance(NamedTuple):
    """Share of time (m,) that the speed is above each of ``speed_m_s`` (m,), with its interval."""

    speed_m_s: Array
    share: Array
    low: Array
    high: Array


class RecordSpectrum(NamedTuple):
    """One-sided spectrum of the stretches without gaps, (m,): Hz and m2/s2/Hz.

    ``used_share`` is the share of the samples that lie in stretches long enough, ``segments`` the
    number of independent segments, ``relative_error`` the standard error of a density over the
    density, 1/sqrt(segments).
    """

    frequency_hz: Array
    density: Array
    used_share: float
    segments: float
    relative_error: float


def stretches(time_s: Array, dt_s: float) -> list[slice]:
    """Runs of samples (n,) without a gap, in order of time."""
    breaks = np.flatnonzero(np.diff(time_s) > GAP_STEPS * dt_s) + 1
    edges = [0, *breaks.tolist(), time_s.size]
    return [slice(a, b) for a, b in pairwise(edges)]


def usual_block_s(duration_s: float) -> float:
    """Block length for a record: a 24th of it, but 1 min at least and 30 min at most, s."""
    return min(max(duration_s / USUAL_BLOCKS, SHORTEST_BLOCK_S), LONGEST_BLOCK_S)


def block_edges(record: AnemometerRecord, block_s: float) -> NDArray[np.int64]:
    """First samples of the blocks and the number of samples, (blocks + 1,).

    Each stretch is cut into equal blocks of at least ``block_s``; a shorter one is a block of its
    own.
    """
    size = max(1, math.ceil(block_s / record.dt_s - 1e-9))
    edges = [0]
    for part in stretches(record.time_s, record.dt_s):
        count = max(1, (part.stop - part.start) // size)
        inner = part.start + (np.arange(1, count + 1) * (part.stop - part.start)) // count
        edges.extend(inner.tolist())
    return np.array(edges, dtype=np.int64)


def block_means(values: Array, edges: NDArray[np.int64]) -> Blocks:
    """Block means of values (n,) as one stratum; their name there, mean cube, is not meant."""
    size = np.diff(edges)
    means = np.add.reduceat(values, edges[:-1]) / size
    return Blocks(np.zeros(size.size, dtype=np.int64), means, size)


def speed_statistics(
    record: AnemometerRecord, level: float = 0.90, block_s: float | None = None
) -> SpeedStatistics:
    """Mean and effective speed of the samples that are there.

    Raises ValueError when the record is too short for two blocks.
    """
    block = usual_block_s(record.duration_s) if block_s is None else block_s
    edges = block_edges(record, block)
    mean, error, freedom, _ = estimate(block_means(record.speed_m_s, edges))
    half = error * float(special.stdtrit(freedom, 0.5 * (1.0 + level)))
    return SpeedStatistics(
        mean_m_s=mean,
        mean_interval_m_s=(max(mean - half, 0.0), mean + half),
        effective_m_s=effective_speed(record.speed_m_s),
        effective_interval_m_s=interval(block_means(record.speed_m_s**3, edges), level),
        level=level,
        blocks=edges.size - 1,
        block_s=block,
    )


def exceedance(
    record: AnemometerRecord,
    speeds_m_s: ArrayLike | None = None,
    level: float = 0.90,
    block_s: float | None = None,
    seed: int = 0,
) -> Exceedance:
    """Share of the time above each speed (m,), with a percentile interval over resampled blocks.

    By default 0 m/s and 40 steps up to the largest reading.
    """
    wanted = (
        np.linspace(0.0, float(record.speed_m_s.max()), 41)
        if speeds_m_s is None
        else np.asarray(speeds_m_s, dtype=np.float64)
    )
    block = usual_block_s(record.duration_s) if block_s is None else block_s
    edges = block_edges(record, block)
    above = np.empty((edges.size - 1, wanted.size))
    for i in range(edges.size - 1):
        ordered = np.sort(record.speed_m_s[edges[i] : edges[i + 1]])
        above[i] = ordered.size - np.searchsorted(ordered, wanted, side="right")
    size = np.diff(edges).astype(np.float64)
    rng = np.random.default_rng(seed)
    pick = rng.multinomial(size.size, np.full(size.size, 1.0 / size.size), _RESAMPLES)
    drawn = (pick @ above) / (pick @ size)[:, None]
    tail = 0.5 * (1.0 - level)
    low, high = np.quantile(drawn, [tail, 1.0 - tail], axis=0)
    return Exceedance(wanted, above.sum(axis=0) / size.sum(), low, high)


def record_spectrum(
    record: AnemometerRecord, values: Array | None = None, segment_s: float = 60.0
) -> RecordSpectrum:
    """Spectrum of a channel (n,) of the record (default: the speed) over its unbroken stretches.

    Each stretch of at least ``segment_s`` gives one by Welch's method; they are averaged with
    their lengths as weights. The mean of each stretch is taken off, so differences between
    stretches are not part of it. Times with jitter are first put on a regular grid by straight
    lines, which takes energy away near half the sampling rate. Samples that are NaN end a stretch.

    Raises ValueError when no stretch is long enough.
    """
    channel = record.speed_m_s if values is None else values
    keep = ~np.isnan(channel)
    time, channel, dt = record.time_s[keep], channel[keep], record.dt_s
    length = round(segment_s / dt)
    found = [p for p in stretches(time, dt) if p.stop - p.start > length]
    if not found or length < 4:
        longest = max((p.stop - p.start for p in stretches(time, dt)), default=0) * dt
        raise ValueError(
            f"the longest stretch without a gap is {longest:.3g} s; the spectrum needs one of more "
            f"than {segment_s:g} s"
        )
    total, weight = np.zeros(length // 2 + 1), 0.0
    frequency = np.zeros(0)
    for part in found:
        regular = _regular(time[part], channel[part], dt)[: part.stop - part.start]
        frequency, density = velocity_spectrum(regular, dt, length * dt)
        total += regular.size * density
        weight += regular.size
    segments = weight / length
    return RecordSpectrum(
        frequency, total / weight, weight / channel.size, segments, 1.0 / math.sqrt(segments)
    )


def _regular(time: Array, values: Array, dt: float) -> Array:
    """Values on a regular grid; as they are when their times lie on one."""
    grid = time[0] + dt * np.arange(values.size)
    if np.max(np.abs(time - grid)) < _JITTER * dt:
        return values
    count = max(4, int((time[-1] - time[0]) / dt + 1e-6) + 1)
    return np.interp(time[0] + dt * np.arange(count), time, values)
