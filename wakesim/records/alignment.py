"""The clock of the passing log against that of the record.

The modelled mean is slid along the record. Both are freed of their slow parts (a running mean of
20 s), and the correlation is taken over the samples that are there,

    C(tau) = sum w y(t) m(t - tau) / sqrt(sum w y^2 sum w m(t - tau)^2),

w being 1 where the record has a value and the log covers the time. The peak is refined by a
parabola through three lags. Its standard error comes from leaving out blocks: at the peak
C' = sum_b c_b' = 0, so block b moves it by -c_b'/C'' (the infinitesimal jackknife); 0.02 s are
added in quadrature, for a model with wrong constants peaks a little beside the truth. The fit
refines the offset along with the constants.

The peak must stand out from the correlation at all other lags tried, and the sum over blocks that
makes it from the scatter of these blocks (a few lorries can make up a high correlation). Both give
the chance that the best of so many lags would be as high by accident; the larger counts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft, special
from scipy.ndimage import uniform_filter1d

from wakesim.errors import CaseError
from wakesim.records.forward_series import ForwardSeries

Array = NDArray[np.float64]

LEVEL = 0.90
CHANCE = 0.01  # a peak that accident gives more often is no alignment
_SLOW_S = 20.0
_BLOCK_S = 15.0
_CORE_S = 3.0  # half-width of the surroundings of the peak that are left out of its background
_LEAST_S = 60.0  # of record and of log together
_SHAPE_S = 0.02  # shift of the peak by a model of somewhat wrong shape, in made-up records
_LEAST_OVERLAP = 0.25  # of the samples at the best lag
_FEWEST_SEGMENTS = 4


@dataclass(frozen=True)
class Clock:
    """Time of the log at a time of the record: t_log = t - offset_s - rate (t - middle_s)."""

    offset_s: float = 0.0
    rate: float = 0.0
    middle_s: float = 0.0

    def log_time(self, time_s: Array) -> Array:
        """Times of the record (n,), s, on the clock of the log."""
        time = np.asarray(time_s, dtype=np.float64)
        return time - self.offset_s - self.rate * (time - self.middle_s)


@dataclass(frozen=True)
class Alignment:
    """What was found: the clock, its offset's interval at 90 %, and whether to believe it.

    ``correlation`` is that at the peak, ``chance`` the probability of such a peak by accident,
    ``significant`` whether it is below 0.01. ``rate_interval`` is None when no drift was asked for
    or could be found. ``lags_s`` and ``correlations`` (k,) are the whole curve, for a figure.
    """

    clock: Clock
    offset_interval_s: tuple[float, float]
    rate_interval: tuple[float, float] | None
    correlation: float
    chance: float
    significant: bool
    lags_s: Array
    correlations: Array
    notes: tuple[str, ...] = ()


def align(
    time_s: Array,
    values_m_s: Array,
    model: ForwardSeries,
    *,
    largest_offset_s: float = 60.0,
    drift: bool = False,
    segment_s: float = 1200.0,
    speed: bool = False,
) -> Alignment:
    """Offset of the log's clock that lays the model on the record.

    ``time_s`` (n,) rising and ``values_m_s`` (n,) m/s are the record's u or, with ``speed``, its
    speed; NaN and missing samples are gaps. A speed is compared by its square, whose mean is known.
    ``drift``: also a constant drift of the clock, from the offsets of segments.
    Times are sought within ``largest_offset_s`` on either side.

    Raises CaseError when record and log do not overlap long enough to tell.
    """
    values = np.asarray(values_m_s, dtype=np.float64) ** (2 if speed else 1)
    grid = _Grids(np.asarray(time_s), values, model, _signal(model, speed))
    whole = grid.peak(slice(None), 0.0, largest_offset_s)
    clock, rate_interval, notes = Clock(whole.offset_s), None, []
    if not whole.significant:
        notes.append(
            f"log and record do not match: the highest correlation, {whole.correlation:.2f}, "
            f"within {largest_offset_s:g} s has a probability of {whole.chance:.2g} by accident"
        )
    if whole.at_end:
        notes.append(
            f"the correlation still rises at the end of the offsets tried, "
            f"{largest_offset_s:g} s: allow a larger offset"
        )
    error = whole.error_s
    significant = whole.significant and not whole.at_end
    if drift:
        found = grid.drift(segment_s, largest_offset_s)
        if found is None:
            notes.append(
                f"a drift of the clock needs {_FEWEST_SEGMENTS} segments of {segment_s:g} s that "
                "match by themselves; none is taken into account"
            )
        else:
            clock, error, rate_error, significant = *found, True
            notes = []
            rate_interval = _around(clock.rate, rate_error)
    return Alignment(
        clock=clock,
        offset_interval_s=_around(clock.offset_s, error),
        rate_interval=rate_interval,
        correlation=whole.correlation,
        chance=whole.chance,
        significant=significant,
        lags_s=whole.lags_s,
        correlations=whole.correlations,
        notes=tuple(notes),
    )


def _signal(model: ForwardSeries, speed: bool) -> Array:
    """What the passes make of u, m/s, or of the squared speed, m2/s2, on the model's grid."""
    now = model.moments()
    along = now.pulse_u + now.wake_u
    if not speed:
        return along
    var_u, var_v = model.variance()
    return along**2 + now.pulse_v**2 + var_u + var_v


def _around(value: float, error: float) -> tuple[float, float]:
    half = float(special.ndtri(0.5 * (1.0 + LEVEL))) * error
    return value - half, value + half


@dataclass(frozen=True)
class _Peak:
    offset_s: float
    error_s: float
    correlation: float
    chance: float
    significant: bool
    at_end: bool
    lags_s: Array
    correlations: Array


class _Grids:
    """Record and model on one uniform grid, slow parts removed, with their masks."""

    def __init__(self, time_s: Array, values: Array, model: ForwardSeries, signal: Array) -> None:
        self.step = model.step_s
        good = np.isfinite(values)
        if not good.any():
            raise CaseError("the record has no values to align the passing log with")
        time_s, values = time_s[good], values[good]
        self.start = float(time_s[0])
        gap = float(np.median(np.diff(time_s))) if time_s.size > 1 else self.step
        count = math.ceil((float(time_s[-1]) - self.start) / self.step) + 1
        grid = self.start + self.step * np.arange(count)
        after = np.searchsorted(time_s, grid).clip(1, max(time_s.size - 1, 1))
        near = np.minimum(np.abs(grid - time_s[after - 1]), np.abs(time_s[after] - grid))
        self.there = near <= 0.75 * max(gap, self.step)
        self.y = _fast(np.interp(grid, time_s, values), self.there, self.step)
        low, high = model.covered_s
        log = model.time_s
        covered = (log >= low) & (log <= high)
        first = round((model.start_s - self.start) / self.step)
        self.shift = model.start_s - self.start - first * self.step
        self.first = first
        self.model = _fast(signal, covered, self.step)
        self.covered = covered
        if min(self.there.sum(), covered.sum()) * self.step < _LEAST_S:
            raise CaseError(
                f"record or passing log hold less than {_LEAST_S:.0f} s: too little to align"
            )

    def peak(self, part: slice, centre_s: float, reach_s: float) -> _Peak:
        """The best offset within ``reach_s`` of ``centre_s`` for a part of the record."""
        there = np.zeros_like(self.there)
        there[part] = self.there[part]
        y = np.where(there, self.y, 0.0)
        reach = round(reach_s / self.step)
        middle = round((centre_s + self.shift) / self.step)
        lags = middle + np.arange(-reach, reach + 1)
        cross = self._correlate(y, self.model, lags)
        y2 = self._correlate(y * y, self.covered.astype(float), lags)
        m2 = self._correlate(there.astype(float), self.model**2, lags)
        both = self._correlate(there.astype(float), self.covered.astype(float), lags)
        enough = both > _LEAST_OVERLAP * both.max()
        norm = np.sqrt(np.maximum(y2 * m2, 0.0))
        usable = enough & (norm > 1e-9 * norm.max())
        c = np.divide(cross, norm, out=np.zeros_like(cross), where=usable)
        best = int(np.argmax(np.where(usable, c, -np.inf)))
        at_end = best in (0, lags.size - 1)
        part_of_step = 0.0
        curvature = 0.0
        if not at_end:
            left, top, right = c[best - 1 : best + 2]
            curvature = left - 2.0 * top + right
            part_of_step = 0.5 * (left - right) / curvature if curvature < 0.0 else 0.0
        seconds = lags * self.step - self.shift
        chance = self._chance(
            c[usable], float(c[best]), seconds[usable], float(seconds[best]),
            self._blocks(y * self._shifted(int(lags[best])), y),
        )  # fmt: skip
        error = self._error(y, int(lags[best]), curvature * float(norm[best]))
        return _Peak(
            offset_s=float(seconds[best] + part_of_step * self.step),
            error_s=error,
            correlation=float(c[best]),
            chance=chance,
            significant=chance < CHANCE and math.isfinite(error),
            at_end=at_end,
            lags_s=seconds,
            correlations=c,
        )

    def _correlate(self, y: Array, m: Array, lags: NDArray[np.int64]) -> Array:
        """Sum over i of y[i] m[i - first - lag] at each lag."""
        size = fft.next_fast_len(y.size + m.size + 2 * int(np.abs(lags).max()), real=True)
        product = fft.irfft(fft.rfft(y, size) * np.conj(fft.rfft(m, size)), size)
        place = self.first + lags
        inside = (place > -m.size) & (place < y.size)
        return np.where(inside, product[place % size], 0.0)

    def _chance(self, c: Array, top: float, lags_s: Array, at_s: float, parts: Array) -> float:
        """Probability that the best of as many independent lags is as high by accident.

        Of the correlation itself against its scatter at the other lags, and of the sum of the
        blocks' ``parts`` against their own scatter (a few lorries can make up a high correlation);
        the larger of the two.
        """
        others = c[np.abs(lags_s - at_s) > _CORE_S]
        if others.size * self.step < 2.0 * _CORE_S or parts.size < 3:
            return 1.0
        scatter = float(others.std())
        if scatter <= 0.0:
            return 1.0
        # independent lags: the length over the distance to the first zero of their correlation
        spectrum = np.abs(fft.rfft(others - others.mean(), 2 * others.size)) ** 2
        own = fft.irfft(spectrum)[: others.size]
        negative = np.flatnonzero(own <= 0.0)
        width = int(negative[0]) if negative.size else others.size
        tries = max(1.0, others.size / max(width, 1))
        over_lags = float(special.ndtr(-(top - float(others.mean())) / scatter))
        student = float(parts.sum() / np.sqrt(np.sum(parts**2) + 1e-300))
        over_blocks = float(special.stdtr(parts.size - 1, -student))
        return min(1.0, tries * max(over_lags, over_blocks))

    def _shifted(self, lag: int) -> Array:
        """The model (n,) at the record's grid, laid on it with that lag; 0 outside."""
        at = np.arange(self.y.size) - self.first - lag
        inside = (at >= 0) & (at < self.model.size)
        return np.where(inside, self.model[np.clip(at, 0, self.model.size - 1)], 0.0)

    def _blocks(self, values: Array, y: Array) -> Array:
        """Sums over the blocks of the record that hold samples."""
        block = (np.arange(y.size) * self.step / _BLOCK_S).astype(np.int64)
        used = np.bincount(block, np.abs(y) > 0.0) > 0
        return np.bincount(block, values)[used]

    def _error(self, y: Array, lag: int, curvature: float) -> float:
        """Standard error of the peak, s, from the slopes of its blocks."""
        if not curvature < 0.0:
            return math.inf
        sums = self._blocks(y * 0.5 * (self._shifted(lag + 1) - self._shifted(lag - 1)), y)
        if sums.size < 3:
            return math.inf
        moved = (sums - sums.mean()) / curvature * self.step
        square = sums.size / (sums.size - 1.0) * float(np.sum(moved**2))
        return math.sqrt(square + _SHAPE_S**2)

    def drift(self, segment_s: float, reach_s: float) -> tuple[Clock, float, float] | None:
        """Clock with a rate from the offsets of segments; errors of offset (s) and rate."""
        size = max(1, round(segment_s / self.step))
        times, offsets, errors = [], [], []
        for first in range(0, self.y.size, size):
            part = slice(first, min(first + size, self.y.size))
            if self.there[part].sum() * self.step < 0.5 * segment_s:
                continue
            found = self.peak(part, 0.0, reach_s)
            if found.significant and not found.at_end:
                times.append(self.start + self.step * 0.5 * (part.start + part.stop))
                offsets.append(found.offset_s)
                errors.append(found.error_s)
        if len(times) < _FEWEST_SEGMENTS:
            return None
        t, offset, weight = np.array(times), np.array(offsets), 1.0 / np.array(errors) ** 2
        middle = float(np.average(t, weights=weight))
        arm = t - middle
        inertia = float(weight @ arm**2)
        rate = float(weight @ (arm * offset)) / inertia
        level = float(np.average(offset, weights=weight))
        rest = offset - level - rate * arm
        excess = max(1.0, float(weight @ rest**2) / (t.size - 2))
        clock = Clock(level, rate, middle)
        return clock, math.sqrt(excess / weight.sum()), math.sqrt(excess / inertia)


def _fast(values: Array, there: Array, step_s: float) -> Array:
    """Values less their running mean over the samples that are there; 0 elsewhere."""
    size = max(1, round(_SLOW_S / step_s)) | 1
    filled = np.where(there, values, 0.0)
    weight = uniform_filter1d(there.astype(float), size, mode="constant")
    mean = uniform_filter1d(filled, size, mode="constant") / np.maximum(weight, 1e-9)
    return np.where(there, values - mean, 0.0)
