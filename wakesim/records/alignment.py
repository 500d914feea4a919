"""The clock of the passing log, and the axes of the anemometer, against those of the record.

The modelled mean is slid along the record. Both are freed of their slow parts (a running mean of
20 s), and the correlation is taken over the samples that are there,

    C(tau) = sum w y(t) m(t - tau) / sqrt(sum w y^2 sum w m(t - tau)^2),

w being 1 where the record has a value and the log covers the time. Of components both are taken
together, each over its variance, and with them the axes: either component may have the wrong sign,
or the two may be exchanged, and the best of the eight ways is taken when it is surely better than
the record's own. A clock that drifts moves the lag along the record: the correlations of its
segments are summed along straight lines of up to 500 ppm. Offset and rate are then refined by
Gauss-Newton steps on the samples themselves; their errors come from leaving out blocks
(wakesim.records.blocks), and 0.02 s are added to that of the offset in quadrature, for a model of
somewhat wrong shape peaks a little beside the truth. A rate within its error is none.

The peak must stand out from the correlation at all other lags tried, and the sum over blocks that
makes it from the scatter of these blocks (a few lorries can make up a high correlation). Both give
the chance that the best of so many lags, axes and rates would be as high by accident; the larger
counts.

The same is done with each part of the record by itself. Where a part surely has another offset
than the straight line through all, or axes of its own, nobody can tell what else happened to it:
the record is refused, with the reason and the time.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import fft, special
from scipy.ndimage import uniform_filter1d

from wakesim.arrays import Array
from wakesim.errors import CaseError
from wakesim.records.blocks import jackknife
from wakesim.records.forward import ForwardSeries

LEVEL = 0.90
CHANCE = 0.01  # a peak that accident gives more often is no alignment
FASTEST_DRIFT = 500e-6  # of a clock; a quartz has up to 100 ppm
_SLOW_S = 20.0
_BLOCK_S = 15.0
_CORE_S = 3.0  # half-width of the surroundings of the peak that are left out of its background
_LEAST_S = 60.0  # of record and of log together
_SHAPE_S = 0.02  # shift of the peak by a model of somewhat wrong shape, in made-up records
_SHAPE_RATE_S = 0.1  # the same over the length of the record, from shapes that change along it
_LEAST_OVERLAP = 0.25  # of the samples at the best lag
_SEGMENT_S, _SEGMENTS = 120.0, 96  # least length and most number of segments with one lag
_PART_S, _PARTS = 600.0, 12  # least length and most number of parts looked at by themselves
_FAR_ABOVE = 1e-6  # chance by the other lags
_STEP_S = 0.1  # between two rates tried, at the ends of the record
_SURE = 2.576  # errors that a rate must be away from none (99 %)
# Other axes must beat the record's own by so many scatters of the lags, and of the blocks (or match
# where its own do not).
_SURE_AXES, _SURE_AXES_BLOCKS = 5.0, 2.5
_PART_CHANCE, _PART_BLOCKS = 1e-4, 0.1  # chances, by lags and by blocks, of a part that speaks
_JUMP_S, _SURE_JUMP = 0.3, 4.0  # least jump of a clock that is one, and in errors
_REFINED = 8  # Gauss-Newton steps
_OWN_AXES = np.eye(2)
_ALL_AXES = [a * np.array([[s], [t]]) for a in (np.eye(2), np.eye(2)[::-1])
             for s in (1.0, -1.0) for t in (1.0, -1.0)]  # fmt: skip


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

    def record_time(self, log_time_s: Array) -> Array:
        """Times of the log (n,), s, on the clock of the record."""
        log = np.asarray(log_time_s, dtype=np.float64)
        return (log + self.offset_s - self.rate * self.middle_s) / (1.0 - self.rate)


@dataclass(frozen=True)
class Alignment:
    """What was found: the clock, its offset's interval at 90 %, and whether to believe it.

    ``rate_interval`` is that of the drift, whether it was taken out or not. ``axes`` (2, 2) turns
    the recorded components into those along and across the road: each row holds one 1 or -1.
    ``correlation`` is that at the peak, ``chance`` the probability of such a peak by accident,
    ``significant`` whether it is below 0.01. ``lags_s`` and ``correlations`` (k,) are the curve
    at the best rate and axes, for a figure.
    """

    clock: Clock
    offset_interval_s: tuple[float, float]
    rate_interval: tuple[float, float]
    axes: Array
    correlation: float
    chance: float
    significant: bool
    lags_s: Array
    correlations: Array
    notes: tuple[str, ...] = ()


def align(
    time_s: Array,
    channels: Sequence[Array],
    model: ForwardSeries,
    *,
    largest_offset_s: float = 60.0,
    source: str = "record",
) -> Alignment:
    """Clock of the log and axes of the record that lay the model on the record.

    ``time_s`` (n,) rising; ``channels`` are the record's u and v (n,) m/s, or its speed alone,
    which is compared by its square, whose mean is known. NaN and missing samples are gaps. Offsets
    are sought within ``largest_offset_s`` on either side. ``source`` names the record in messages.

    Raises CaseError when record and log do not overlap long enough to tell, and when parts of the
    record surely have other offsets or axes than the rest.
    """
    time = np.asarray(time_s, dtype=np.float64)
    given = [np.asarray(c, dtype=np.float64) for c in channels]
    grids = _Grids(time, given if len(given) == 2 else [given[0] ** 2], model)
    sums = _Sums(grids, largest_offset_s)
    found = sums.best(sums.all)
    clock, error, rate_error, notes = found.clock, math.inf, math.inf, []
    matched = found.chance < CHANCE and not found.at_end
    if matched:
        clock, error, rate_error = grids.refined(found.clock, found.axes, with_rate=True)
        if not abs(clock.rate) > _SURE * rate_error:
            clock, error, _ = grids.refined(
                Clock(clock.offset_s, 0.0, clock.middle_s), found.axes, with_rate=False
            )
        if abs(clock.rate) >= FASTEST_DRIFT:
            _check_parts(grids, sums, None, source)  # they may say more
            raise CaseError(
                f"{source}: its clock would have to run {1e6 * FASTEST_DRIFT:.0f} ppm or more "
                f"{_side(clock)} against the log's to match it all along: a clock jumps or runs "
                "unevenly. Give parts of the record as records of their own"
            )
        notes = _put_right(clock, grids.length_s, found.axes)
    _check_parts(grids, sums, (clock, found.axes) if matched else None, source)
    if not matched:
        notes.append(
            f"log and record do not match: the highest correlation, {found.correlation:.2f}, "
            f"within {largest_offset_s:g} s has a probability of {found.chance:.2g} by accident"
        )
    if found.at_end:
        notes.append(
            f"the correlation still rises at the end of the offsets tried, "
            f"{largest_offset_s:g} s: allow a larger offset"
        )
    significant = matched and math.isfinite(error)
    return Alignment(
        clock=clock,
        offset_interval_s=_around(clock.offset_s, error),
        rate_interval=_around(clock.rate, rate_error),
        axes=found.axes if significant and len(given) == 2 else _OWN_AXES,
        correlation=found.correlation,
        chance=found.chance,
        significant=significant,
        lags_s=sums.lags_s,
        correlations=found.correlations,
        notes=tuple(notes),
    )


def _put_right(clock: Clock, length_s: float, axes: Array) -> list[str]:
    """What the passes show to be wrong and was put right, in words."""
    out = []
    if clock.rate:
        out.append(
            f"the record's clock runs {1e6 * abs(clock.rate):.0f} ppm {_side(clock)} against the "
            f"log's, {abs(clock.rate) * length_s:.2f} s over the record: taken out"
        )
    wrong = axes_mistake(axes) if len(axes) == 2 else ""
    if wrong:
        out.append(f"the passes show that {wrong}: put right here, but find out why")
    return out


def _side(clock: Clock) -> str:
    return "fast" if clock.rate > 0.0 else "slow"


def axes_mistake(axes: Array) -> str:
    """What is wrong with components that ``axes`` (2, 2) turns into those of the road."""
    first, second = axes.sum(axis=1) < 0.0
    if axes[0, 0] == 0.0:
        signs = ["-" if wrong else "" for wrong in (first, second)]
        return (
            f"u_m_s and v_m_s are exchanged (along the road: {signs[0]}v_m_s, across it: "
            f"{signs[1]}u_m_s)"
        )
    if first and second:
        return "u_m_s and v_m_s are both reversed (heading or road bearing off by half a turn)"
    if first or second:
        return f"{'u_m_s' if first else 'v_m_s'} is reversed"
    return ""


def _around(value: float, error: float) -> tuple[float, float]:
    half = float(special.ndtri(0.5 * (1.0 + LEVEL))) * error
    return value - half, value + half


def _signals(model: ForwardSeries, count: int) -> list[Array]:
    """What the passes make of u and v, m/s, or of the squared speed, m2/s2, on the model's grid."""
    now = model.moments()
    along = now.pulse_u + now.wake_u
    if count == 2:
        return [along, now.pulse_v]
    var_u, var_v = model.variance()
    return [along**2 + now.pulse_v**2 + var_u + var_v]


def _check_parts(
    grids: _Grids, sums: _Sums, whole: tuple[Clock, Array] | None, source: str
) -> None:
    """Raises CaseError when parts of the record contradict each other or ``whole``, the clock and
    axes of all."""
    number = int(min(max(grids.length_s // _PART_S, 1), _PARTS, len(sums.all)))
    parts, right = [], "the axes are right"
    for picked in np.array_split(sums.all, number) if number > 1 else []:
        segments = [int(s) for s in picked]
        found = sums.best(segments, whole[0].rate if whole else 0.0)
        if found.by_lags > _PART_CHANCE or found.by_blocks > _PART_BLOCKS or found.at_end:
            continue
        samples = slice(sums.segments[segments[0]].start, sums.segments[segments[-1]].stop)
        clock, error, _ = grids.refined(found.clock, found.axes, False, samples)
        parts.append(_Part(samples, clock, error, found.axes))
    if whole is None and len(parts) > 1:
        whole = (parts[0].clock, parts[0].axes)
    if whole is None:
        return
    for part in parts:
        start, stop = (grids.time_s[i] / 60.0 for i in (part.samples.start, part.samples.stop - 1))
        when = f"from {start:.0f} to {stop:.0f} min"
        if not np.array_equal(part.axes, whole[1]):
            raise CaseError(
                f"{source}: {when} {axes_mistake(part.axes) or right}, elsewhere "
                f"{axes_mistake(whole[1]) or right}: "
                "was the instrument turned? Give the parts as records of their own"
            )
        jump = part.clock.offset_s - whole[0].offset_s
        if abs(jump) > max(_JUMP_S, _SURE_JUMP * part.error_s):
            raise CaseError(
                f"{source}: {when} its clock is ahead of the log's by {part.clock.offset_s:.2f} s "
                f"(at half time), elsewhere by {whole[0].offset_s:.2f} s: a clock jumps or runs "
                "unevenly. Give the parts as records of their own"
            )


@dataclass(frozen=True)
class _Part:
    """What a part of the record says by itself."""

    samples: slice
    clock: Clock
    error_s: float
    axes: Array


class _Grids:
    """Record and model on uniform grids of one step, slow parts removed.

    ``y`` (channels, n) over their standard deviations ``scale`` (channels,), 0 where ``there``
    (n,) is not; ``model`` (channels, m) as it is, 0 where the log does not cover the time.
    """

    def __init__(self, time_s: Array, values: Sequence[Array], model: ForwardSeries) -> None:
        self.step = model.step_s
        good = np.all(np.isfinite(values), axis=0)
        if not good.any():
            raise CaseError("the record has no values to align the passing log with")
        time = time_s[good]
        gap = float(np.median(np.diff(time))) if time.size > 1 else self.step
        count = math.ceil((float(time[-1]) - float(time[0])) / self.step) + 1
        self.time_s = float(time[0]) + self.step * np.arange(count)
        after = np.searchsorted(time, self.time_s).clip(1, max(time.size - 1, 1))
        near = np.minimum(np.abs(self.time_s - time[after - 1]), np.abs(time[after] - self.time_s))
        self.there = near <= 0.75 * max(gap, self.step)
        low, high = model.covered_s
        self.model_time_s = model.time_s
        self.covered = (self.model_time_s >= low) & (self.model_time_s <= high)
        if min(self.there.sum(), self.covered.sum()) * self.step < _LEAST_S:
            raise CaseError(
                f"record or passing log hold less than {_LEAST_S:.0f} s: too little to align"
            )
        fast = [_fast(np.interp(self.time_s, time, v[good]), self.there, self.step) for v in values]
        self.scale = np.array([math.sqrt(float(np.mean(y[self.there] ** 2))) or 1.0 for y in fast])
        self.y = np.array(fast) / self.scale[:, None]
        signals = _signals(model, len(values))
        self.model = np.array([_fast(s, self.covered, self.step) for s in signals])
        self.change = np.gradient(self.model, self.step, axis=1)
        self.length_s = float(self.time_s[-1] - self.time_s[0])
        self.middle_s = float(self.time_s[0]) + 0.5 * self.length_s
        self.block = ((self.time_s - self.time_s[0]) / _BLOCK_S).astype(np.int64)

    def all_axes(self) -> list[Array]:
        """The axes that are possible, the record's own first."""
        return _ALL_AXES if len(self.y) == 2 else [np.ones((1, 1))]

    def laid(self, clock: Clock, axes: Array, samples: slice) -> tuple[Array, Array]:
        """The model and its change per second of offset (channels, n) at samples of the record,
        as the recorded channels with those axes would show them, over their scale."""
        position = (clock.log_time(self.time_s[samples]) - self.model_time_s[0]) / self.step
        inside = (position >= 0.0) & (position <= self.model.shape[1] - 1)
        index = np.clip(position.astype(np.int64), 0, self.model.shape[1] - 2)
        part = position - index
        value = self.model[:, index] * (1.0 - part) + self.model[:, index + 1] * part
        change = self.change
        slope = change[:, index] * (1.0 - part) + change[:, index + 1] * part
        keep = inside & self.there[samples]
        turn = axes.T / self.scale[:, None]
        return np.where(keep, turn @ value, 0.0), np.where(keep, -(turn @ slope), 0.0)

    def refined(
        self, clock: Clock, axes: Array, with_rate: bool, samples: slice = slice(None)
    ) -> tuple[Clock, float, float]:
        """The clock after Gauss-Newton steps on the samples, standard errors of offset (s) and
        rate; infinite where the record does not tell."""
        y = self.y[:, samples]
        arm = self.time_s[samples] - clock.middle_s
        _, block = np.unique(self.block[samples], return_inverse=True)
        columns = np.array([np.ones(arm.size), arm])[: 1 + with_rate]
        most = np.array([0.2, 0.2 / max(0.5 * self.length_s, 1.0)])[: 1 + with_rate]
        for _ in range(_REFINED):
            value, slope = self.laid(clock, axes, samples)
            square = np.sum(value**2, axis=1)
            strength = np.maximum(np.sum(y * value, axis=1) / np.maximum(square, 1e-300), 0.0)
            value, slope = strength[:, None] * value, strength[:, None] * slope
            pull, stiff = np.sum((y - value) * slope, axis=0), np.sum(slope**2, axis=0)
            score = np.array([np.bincount(block, pull * c) for c in columns]).T
            information = np.array(
                [[np.bincount(block, stiff * a * b) for b in columns] for a in columns]
            ).transpose(2, 0, 1)
            total = information.sum(axis=0)
            used = information[:, 0, 0] > 0.0
            size = np.sqrt(np.diag(total))
            if used.sum() < 4 or not np.linalg.det(total / np.outer(size, size)) > 1e-8:
                return clock, math.inf, math.inf
            step = np.clip(np.linalg.solve(total, score.sum(axis=0)), -most, most)
            rate = clock.rate + (float(step[1]) if with_rate else 0.0)
            rate = min(max(rate, -FASTEST_DRIFT), FASTEST_DRIFT)
            clock = Clock(clock.offset_s + float(step[0]), rate, clock.middle_s)
        centred = score[used] - score[used].mean(axis=0)
        error = np.sqrt(np.diag(jackknife(centred, information[used]).covariance))
        if not with_rate:
            return clock, math.hypot(error[0], _SHAPE_S), math.inf
        ends = _SHAPE_RATE_S / max(self.length_s, 1.0)
        return clock, math.hypot(error[0], _SHAPE_S), math.hypot(error[1], ends)

    def block_products(self, clock: Clock, axes: Array, samples: slice) -> Array:
        """Products of record and model, summed over the blocks that hold samples."""
        value, _ = self.laid(clock, axes, samples)
        block = self.block[samples] - int(self.block[samples][0])
        used = np.bincount(block, self.there[samples]) > 0
        return np.bincount(block, np.sum(self.y[:, samples] * value, axis=0))[used]


class _Way(NamedTuple):
    """Correlations (lags,) with one way of the axes, where they are ``usable``, and their peak."""

    axes: Array
    clock: Clock
    curve: Array
    at: int
    usable: NDArray[np.bool_]
    norm: float

    @property
    def top(self) -> float:
        """The highest correlation."""
        return float(self.curve[self.at])


@dataclass(frozen=True)
class _Found:
    """The best of all lags, rates and axes of a stretch of the record."""

    clock: Clock
    axes: Array
    correlation: float
    by_lags: float
    by_blocks: float
    at_end: bool
    correlations: Array

    @property
    def chance(self) -> float:
        """Probability of such a peak by accident."""
        return min(1.0, max(self.by_lags, self.by_blocks))


class _Sums:
    """Products of record and model, summed over segments of the record, at every lag.

    ``cross`` (segments, channels, channels, lags): recorded channel i times channel j of the model,
    over the variance of the recorded one; ``square`` the squares of the model likewise; ``record``
    (segments, lags) those of all recorded channels, ``both`` the samples. The lags reach further
    than asked for, by what a drifting clock moves the ends of the record.
    """

    def __init__(self, grids: _Grids, reach_s: float) -> None:
        self.grids = grids
        step, count = grids.step, grids.time_s.size
        size = max(round(max(grids.length_s / _SEGMENTS, _SEGMENT_S) / step), 1)
        self.segments = [slice(i, min(i + size, count)) for i in range(0, count, size)]
        self.all = list(range(len(self.segments)))
        reach = round(reach_s / step)
        self.bend = math.ceil(0.5 * FASTEST_DRIFT * grids.length_s / step)
        middles = np.array([0.5 * step * (s.start + s.stop) for s in self.segments])
        self.arm_s = middles + float(grids.time_s[0]) - grids.middle_s
        lags = np.arange(-reach - self.bend, reach + self.bend + 1)
        # the model's grid begins at sample ``first`` of the record's, but for part of a step
        ahead = float(grids.model_time_s[0] - grids.time_s[0])
        first = round(ahead / step)
        self.lags_s = step * np.arange(-reach, reach + 1) - (ahead - step * first)
        n = len(grids.y)
        self.cross = np.empty((len(self.all), n, n, lags.size))
        self.square = np.empty_like(self.cross)
        self.record, self.both = np.empty((2, len(self.all), lags.size))
        covered = grids.covered.astype(float)
        for s, part in enumerate(self.segments):
            start = part.start - first
            there = grids.there[part].astype(float)
            self.both[s] = _slid(there, covered, start, lags)
            self.record[s] = _slid(np.sum(grids.y[:, part] ** 2, axis=0), covered, start, lags)
            for j, signal in enumerate(grids.model):
                square = _slid(there, signal**2, start, lags)
                for i, scale in enumerate(grids.scale):
                    self.cross[s, i, j] = _slid(grids.y[i, part], signal, start, lags) / scale
                    self.square[s, i, j] = square / scale**2

    def best(self, segments: Sequence[int], rate: float | None = None) -> _Found:
        """The best lag and axes over these segments, and the best rate unless it is given."""
        grids = self.grids
        bend_s = self.bend * grids.step
        number = 2 * math.ceil(bend_s / _STEP_S) + 1
        rates = np.linspace(-1.0, 1.0, number) * bend_s / max(0.5 * grids.length_s, grids.step)
        if rate is None:
            tops = []
            for one in rates:
                cross = self._along(self.cross, segments, float(one))
                tops.append(
                    max(float(np.einsum("ji,ijl->l", a, cross).max()) for a in grids.all_axes())
                )
            rate = float(rates[int(np.argmax(tops))])
        else:
            number = 1
        cross, square, record, both = (
            self._along(v, segments, rate)
            for v in (self.cross, self.square, self.record, self.both)
        )
        samples = slice(self.segments[segments[0]].start, self.segments[segments[-1]].stop)
        found = []
        for axes in grids.all_axes():
            norm = np.sqrt(np.maximum(record * np.einsum("ji,ijl->l", np.abs(axes), square), 0.0))
            usable = (both > _LEAST_OVERLAP * both.max()) & (norm > 1e-9 * norm.max())
            curve = np.divide(
                np.einsum("ji,ijl->l", axes, cross), norm, out=np.zeros_like(norm), where=usable
            )
            at = int(np.argmax(np.where(usable, curve, -np.inf)))
            clock = Clock(float(self.lags_s[at]), rate, grids.middle_s)
            found.append(_Way(axes, clock, curve, at, usable, max(float(norm[at]), 1e-300)))

        def others(way: _Way) -> Array:
            away = np.abs(self.lags_s - self.lags_s[way.at]) > _CORE_S
            return way.curve[way.usable & away]

        def products(way: _Way) -> Array:
            return grids.block_products(way.clock, way.axes, samples) / way.norm

        def chances(way: _Way) -> tuple[float, float]:
            return _chances(
                others(way), way.top, grids.step, products(way), number * len(found)
            )  # fmt: skip

        best, own = max(found, key=lambda way: way.top), found[0]
        by_lags, by_blocks = chances(best)
        if best is not own:
            scatter = float(others(own).std()) if others(own).size else math.inf
            clear = best.top - own.top > _SURE_AXES * scatter
            alone = max(by_lags, by_blocks) < CHANCE <= max(chances(own))
            surely = _student(products(best) - products(own)) > _SURE_AXES_BLOCKS
            if not (alone or (clear and surely)):
                best = own
                by_lags, by_blocks = chances(own)
        at_end = best.at in (0, best.curve.size - 1)
        return _Found(best.clock, best.axes, best.top, by_lags, by_blocks, at_end, best.curve)

    def _along(self, values: Array, segments: Sequence[int], rate: float) -> Array:
        """Sums over segments along the line of a drifting clock, (..., lags)."""
        size = self.lags_s.size
        out = np.zeros((*values.shape[1:-1], size))
        for s in segments:
            begin = self.bend + round(rate * float(self.arm_s[s]) / self.grids.step)
            out += values[s, ..., begin : begin + size]
        return out


def _slid(y: Array, m: Array, start: int, lags: NDArray[np.int64]) -> Array:
    """Sum over i of y[i] m[start + i - lag] at each of the lags, which rise by one."""
    first, last = start - int(lags[-1]), start + y.size - int(lags[0])
    window = np.zeros(last - first)
    low, high = max(first, 0), min(last, m.size)
    if high > low:
        window[low - first : high - first] = m[low:high]
    size = fft.next_fast_len(window.size, real=True)
    product = fft.irfft(np.conj(fft.rfft(y, size)) * fft.rfft(window, size), size)
    return np.asarray(product[: lags.size][::-1])


def _chances(
    others: Array, top: float, step_s: float, parts: Array, ways: int
) -> tuple[float, float]:
    """Probabilities that the best of as many independent lags is as high by accident.

    Of the correlation itself against its scatter at the ``others`` (k,), and of the sum of the
    blocks' ``parts`` against their own scatter (a few lorries can make up a high correlation).
    ``ways``: rates and axes that were tried beside the lags.
    """
    if others.size * step_s < 2.0 * _CORE_S or parts.size < 3:
        return 1.0, 1.0
    scatter = float(others.std())
    if scatter <= 0.0:
        return 1.0, 1.0
    # independent lags: the length over the distance to the first zero of their correlation
    spectrum = np.abs(fft.rfft(others - others.mean(), 2 * others.size)) ** 2
    own = fft.irfft(spectrum)[: others.size]
    negative = np.flatnonzero(own <= 0.0)
    width = int(negative[0]) if negative.size else others.size
    tries = max(1.0, others.size / max(width, 1))
    over_lags = float(special.ndtr(-(top - float(others.mean())) / scatter))
    over_blocks = float(special.stdtr(parts.size - 1, -_student(parts)))
    by_lags = ways * tries * over_lags
    # a peak so far above all other lags needs no allowance for their number among the blocks
    return by_lags, over_blocks * (1.0 if by_lags < _FAR_ABOVE else tries)


def _student(parts: Array) -> float:
    """The sum of the parts over its scatter."""
    return float(parts.sum() / np.sqrt(np.sum(parts**2) + 1e-300))


def _fast(values: Array, there: NDArray[np.bool_], step_s: float) -> Array:
    """Values less their running mean over the samples that are there; 0 elsewhere."""
    size = max(1, round(_SLOW_S / step_s)) | 1
    filled = np.where(there, values, 0.0)
    weight = uniform_filter1d(there.astype(float), size, mode="constant")
    mean = uniform_filter1d(filled, size, mode="constant") / np.maximum(weight, 1e-9)
    return np.where(there, values - mean, 0.0)
