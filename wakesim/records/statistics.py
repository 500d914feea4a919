"""Blocks, running means, exceedances and spectra of records with gaps, and the curves of both.

A block is a span of time with a least share of its samples, so that its sums are nearly independent
of those of the next one whatever is missing: single samples lost here and there do not make blocks
of seconds, which would all be alike and every interval too narrow. Wind and traffic wander for
hours, so the blocks are as long as the record allows, and no interval knows of weather or seasons
the record has not seen.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wakesim.arrays import Array
from wakesim.measures.spectra import velocity_spectrum
from wakesim.records.anemometer import AnemometerRecord

USUAL_BLOCKS = 24
SHORTEST_BLOCK_S, LONGEST_BLOCK_S = 60.0, 1800.0
LEAST_SHARE = 0.5  # of the samples of a block, and of either half of a running mean's window
BRIDGED_STEPS = 6.5  # a spectrum bridges gaps up to so many steps by straight lines
_JITTER = 0.02  # of the step; more is put on a regular grid before a spectrum is taken
_RESAMPLES = 1000


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


def stretches(time_s: Array, longest_s: float) -> list[slice]:
    """Runs of samples (n,) in order of time without a step longer than ``longest_s``."""
    breaks = np.flatnonzero(np.diff(time_s) > longest_s) + 1
    edges = [0, *breaks.tolist(), time_s.size]
    return [slice(a, b) for a, b in pairwise(edges)]


def usual_block_s(duration_s: float) -> float:
    """Block length for a record: a 24th of it, but 1 min at least and 30 min at most, s."""
    return min(max(duration_s / USUAL_BLOCKS, SHORTEST_BLOCK_S), LONGEST_BLOCK_S)


def block_edges(record: AnemometerRecord, block_s: float) -> NDArray[np.int64]:
    """First samples of the blocks and the number of samples, (blocks + 1,).

    The time of the record is cut into equal spans of at least ``block_s``. One that holds less than
    half of its samples is joined with those after it until they hold as many together, the last
    with the one before.
    """
    length = record.duration_s + record.dt_s
    count = max(1, math.floor(length / block_s + 1e-6))
    span = length / count
    marks = np.searchsorted(record.time_s, span * np.arange(1, count) - 0.5 * record.dt_s)
    least = LEAST_SHARE * span / record.dt_s
    edges = [0]
    for mark in marks.tolist():
        if mark - edges[-1] >= least:
            edges.append(mark)
    if len(edges) > 1 and record.time_s.size - edges[-1] < least:
        edges.pop()
    return np.array([*edges, record.time_s.size], dtype=np.int64)


def running_mean(time_s: Array, values: Array, window_s: float, dt_s: float) -> Array:
    """Mean of the samples within half a window on either side of each, (n,).

    ``values`` (n,) with NaN for missing ones, at times (n,) that rise, ``dt_s`` apart where none is
    missing. NaN where either half of the window holds less than half of its samples: at the ends
    and beside long gaps a mean would be lopsided.
    """
    known = ~np.isnan(values)
    sums = np.concatenate([[0.0], np.cumsum(np.where(known, values, 0.0))])
    counts = np.concatenate([[0], np.cumsum(known)])
    half = 0.5 * window_s
    slack = 0.25 * dt_s  # so that jitter does not move samples in and out of the window
    first = np.searchsorted(time_s, time_s - half - slack)
    last = np.searchsorted(time_s, time_s + half + slack)
    here = np.arange(time_s.size)
    least = LEAST_SHARE * max(1.0, math.floor(half / dt_s + 0.25))
    full = (counts[here] - counts[first] >= least) & (counts[last] - counts[here + 1] >= least)
    number = counts[last] - counts[first]
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(full, (sums[last] - sums[first]) / number, np.nan)


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
    stretches are not part of it. Single missing samples (at most 5 in a row) and times with jitter
    are put on a regular grid by straight lines, which takes energy away near half the sampling
    rate: of white noise half of that of the missing samples. A longer gap ends a stretch.

    Raises ValueError when no stretch is long enough.
    """
    channel = record.speed_m_s if values is None else values
    keep = ~np.isnan(channel)
    time, channel, dt = record.time_s[keep], channel[keep], record.dt_s
    length = round(segment_s / dt)
    parts = stretches(time, BRIDGED_STEPS * dt)
    found = [p for p in parts if time[p.stop - 1] - time[p.start] > (length - 0.5) * dt]
    if not found or length < 4:
        longest = max((float(time[p.stop - 1] - time[p.start]) for p in parts), default=0.0)
        raise ValueError(
            f"the longest stretch without a gap is {longest:.3g} s; the spectrum needs one of more "
            f"than {segment_s:g} s"
        )
    total, weight, used = np.zeros(length // 2 + 1), 0.0, 0
    frequency = np.zeros(0)
    for part in found:
        regular = _regular(time[part], channel[part], dt)
        frequency, density = velocity_spectrum(regular, dt, length * dt)
        total += regular.size * density
        weight += regular.size
        used += part.stop - part.start
    segments = weight / length
    return RecordSpectrum(
        frequency, total / weight, used / channel.size, segments, 1.0 / math.sqrt(segments)
    )


def _regular(time: Array, values: Array, dt: float) -> Array:
    """Values on a regular grid; as they are when their times lie on one."""
    grid = time[0] + dt * np.arange(values.size)
    if np.max(np.abs(time - grid)) < _JITTER * dt:
        return values
    count = max(4, int((time[-1] - time[0]) / dt + 1e-3) + 1)
    return np.interp(time[0] + dt * np.arange(count), time, values)


SEGMENTS_S = (60.0, 30.0, 10.0)  # the first that the record's unbroken stretches allow
_SPEEDS = 41
_BANDS_PER_DECADE = 10
_NORMAL_90 = 1.6449


@dataclass(frozen=True)
class Curves:
    """Exceedance at ``speed_m_s`` (m,) and spectrum of ``channel`` in bands (b,), m2/s2/Hz.

    ``record`` and ``model`` exceedances carry their sampling intervals, ``share_range`` (2, m) and
    ``model_range`` (2, b) the model interval (NaN until ``with_range``). ``relative_error`` is half
    the 90 % interval of the record's density over the density, (b,). ``residual`` is the spectrum
    of record less modelled mean, and ``model_residual`` that of model less the same, None without
    a log. With no stretch long enough all spectra are empty.
    """

    speed_m_s: Array
    record: Exceedance
    model: Exceedance
    share_range: Array
    channel: str
    segment_s: float
    frequency_hz: Array
    record_density: Array
    relative_error: Array
    model_density: Array
    model_range: Array
    residual: Array | None
    model_residual: Array | None

    def of_model(self, record: AnemometerRecord) -> Array:
        """The curves' ordinates (m + b,) of a modelled record."""
        speed = np.sort(record.speed_m_s)
        share = 1.0 - np.searchsorted(speed, self.speed_m_s, side="right") / speed.size
        if not self.frequency_hz.size:
            return share
        return np.concatenate(
            [share, _bands(record, _channel(record, self.channel), self.segment_s)[1]]
        )

    def with_range(self, down: Array, up: Array) -> Curves:
        """The curves with the model interval, from the changes (m + b,) of ``of_model``."""
        m = self.speed_m_s.size
        shares = np.array([self.model.share - down[:m], self.model.share + up[:m]])
        bands = np.array([self.model_density - down[m:], self.model_density + up[m:]])
        return replace(
            self, share_range=np.clip(shares, 0.0, 1.0), model_range=np.maximum(bands, 0.0)
        )


def curves(
    record: AnemometerRecord,
    models: Sequence[AnemometerRecord],
    block_s: float,
    components: bool,
    expected: dict[str, Array] | None,
    whole: AnemometerRecord,
) -> Curves:
    """Curves of the record and of draws of the model.

    ``expected`` holds the model's mean channels at the samples of ``whole``, the record before any
    slow wind was taken off.
    """
    top = max(float(record.speed_m_s.max()), *(float(m.speed_m_s.max()) for m in models))
    speeds = np.linspace(0.0, top, _SPEEDS)
    mine = exceedance(record, speeds, block_s=block_s)
    drawn = [exceedance(m, speeds, block_s=block_s) for m in models]
    theirs = Exceedance(speeds, *(np.mean([d[i] for d in drawn], axis=0) for i in (1, 2, 3)))
    channel = "u" if components else "speed"
    empty = np.zeros(0)
    out = Curves(
        speeds, mine, theirs, np.full((2, speeds.size), np.nan), channel, np.nan, empty, empty,
        empty, empty, np.zeros((2, 0)), None, None,
    )  # fmt: skip
    for segment in SEGMENTS_S:
        try:
            frequency, density, error = _bands(record, _channel(record, channel), segment)
            model = np.mean([_bands(m, _channel(m, channel), segment)[1] for m in models], axis=0)
        except ValueError:
            continue
        out = replace(
            out, segment_s=segment, frequency_hz=frequency, record_density=density,
            relative_error=error, model_density=model, model_range=np.full((2, model.size), np.nan),
        )  # fmt: skip
        if expected is not None and record.time_s.size == whole.time_s.size:
            rest = _channel(whole, channel) - expected[channel]
            left = _channel(models[0], channel) - expected[channel]
            out = replace(
                out,
                residual=_bands(whole, rest, segment)[1],
                model_residual=_bands(models[0], left, segment)[1],
            )
        break
    return out


def _channel(record: AnemometerRecord, name: str) -> Array:
    values = record.u_m_s if name == "u" else record.speed_m_s
    assert values is not None
    return values


def _bands(record: AnemometerRecord, values: Array, segment_s: float) -> tuple[Array, Array, Array]:
    """Centre (Hz), density and relative half interval of bands of a channel's spectrum."""
    found = record_spectrum(record, values, segment_s)
    frequency, density = found.frequency_hz[1:-1], found.density[1:-1]
    number = np.floor(_BANDS_PER_DECADE * np.log10(frequency / frequency[0]) + 1e-9)
    _, band = np.unique(number, return_inverse=True)
    count = np.bincount(band)
    centre = np.exp(np.bincount(band, np.log(frequency)) / count)
    error = _NORMAL_90 / np.sqrt(found.segments * count)
    return centre, np.bincount(band, density) / count, error
