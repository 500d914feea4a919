"""Constants of the model fitted to a record, with intervals that hold.

The mean of the record gives the strength of the displacement flow and the spread of the wakes by
weighted least squares; the squares of what is left give the turbulence,

    residual^2 ~ n^2 + F^2 r 2 share k + scatter,

by weighted least squares as well (variance regression: M. Davidian and R. J. Carroll, J. Am. Stat.
Assoc. 82 (1987) 1079, from memory). Both are repeated, with the weights of the last variance,
until nothing moves. A rest of the clock's offset is fitted along. Intervals come from the blocks
(wakesim.records.blocks), those of the spread in its logarithm and those of the turbulence in F^2.

What the fit cannot tell apart it says: a constant whose interval is as wide as its allowed range,
that ends at the end of the range or that rests on a few blocks alone gets no interval. The
turbulence factor takes in everything that scatters with the passes and is not in ``LogErrors``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from threadpoolctl import threadpool_limits

from wakesim.arrays import Array
from wakesim.errors import CaseError
from wakesim.records.alignment import Clock
from wakesim.records.anemometer import AnemometerRecord
from wakesim.records.blocks import Cells, jackknife, student
from wakesim.records.forward import ForwardSeries, allowed_range
from wakesim.records.working_model import (
    CLOCK,
    ENERGY,
    PULSE,
    SPREAD,
    TIMES,
    Evaluated,
    Samples,
    State,
    background_of_speed,
    evaluate,
    polynomials,
    start_state,
)

_LEAST_EFFECTIVE = 4.0
_FEW_PASSES = 10
_ALIKE = 0.95  # correlation at which two constants are hardly told apart
_PULSE_RANGE = (0.0, 3.0)


@dataclass(frozen=True)
class FittedConstant:
    """One constant: its value, its 90 % interval (NaN when there is none to give), the case's own.

    ``status``: "fitted", "cannot be fitted" (the best value lies at or beyond the end of the
    allowed range: no value is given), "not identified" or "held". ``effective_blocks``: blocks of
    the record it rests on. ``note`` says what is wrong, in plain words.
    """

    name: str
    value: float
    low: float
    high: float
    case_value: float
    status: str
    effective_blocks: float
    note: str = ""


@dataclass(frozen=True)
class FitResult:
    """Fitted constants by name (``pulse_factor``; ``couple_spread`` or ``momentum_spread``;
    ``turbulence_factor``) and how good the fit is.

    ``correlation`` (k, k) of the estimates ``names``. ``clock`` is the one used, its offset
    refined, with the interval ``clock_interval_s``; ``time_error_s`` the standard deviation of the
    log's single times, found or assumed, with the interval ``time_error_interval_s`` (NaN where
    assumed). ``explained``: share of the record's
    variance, slow wind aside, that the mean model makes up (negative: worse than none).
    ``background_sd_m_s``: median of the ambient turbulence and noise. ``components``: "u, v" or
    "speed". ``counts``: logged passes of each class.
    """

    constants: dict[str, FittedConstant]
    names: tuple[str, ...]
    correlation: Array
    clock: Clock
    clock_interval_s: tuple[float, float]
    time_error_s: float
    time_error_interval_s: tuple[float, float]
    explained: float
    background_sd_m_s: float
    components: str
    level: float
    samples: int
    blocks: int
    block_s: float
    counts: dict[str, int]
    converged: bool
    notes: tuple[str, ...]
    record_path: str = ""


@dataclass(frozen=True)
class TimeError:
    """How far single times of the log are off, standard deviation, s, with its 90 % interval.

    ``origin``: "given", "record" (found with the fit) or "stamps" (their rounding alone, where the
    record does not tell; the interval is NaN).
    """

    sd_s: float
    interval_s: tuple[float, float]
    origin: str


def held_constant(name: str, model: ForwardSeries) -> FittedConstant:
    key, value, _ = _meaning(name, model)
    return FittedConstant(key, value, math.nan, math.nan, value, "held", 0.0)


def _meaning(name: str, model: ForwardSeries) -> tuple[str, float, tuple[float, float]]:
    """Key, value in the case and allowed range of a parameter."""
    if name == "pulse_factor":
        return name, 1.0, _PULSE_RANGE
    key = model.spread_name if name == "spread" else name
    value = model.spread_value if name == "spread" else model.turbulence_factor
    return key, value, allowed_range(key)


def fitted_constant(
    name: str, model: ForwardSeries, state: State, sd: float, effective: float, level: float
) -> FittedConstant:
    """Value, interval and status of one fitted parameter."""
    key, case_value, (least, most) = _meaning(name, model)
    half = student(level, effective) * sd
    note, status = "", "fitted"
    if name == "pulse_factor":
        value, low, high = state.pulse, state.pulse - half, state.pulse + half
    elif name == "spread":
        least, most = float(model.spread[0]), float(model.spread[-1])
        value = math.exp(state.log_spread)
        low, high = (
            math.exp(state.log_spread + math.copysign(min(half, 50.0), side)) for side in (-1, 1)
        )
    else:
        value = math.sqrt(max(state.energy, 0.0))
        low, high = (math.sqrt(max(state.energy + e, 0.0)) for e in (-half, half))
    if effective < _LEAST_EFFECTIVE or not math.isfinite(half):
        status = "not identified"
        note = (
            f"rests on {effective:.1f} blocks of the record, at least {_LEAST_EFFECTIVE:g} needed"
        )
    elif low <= least and high >= most:
        status, note = "not identified", "the record allows every value of its range"
    elif not least * (1 + 1e-6) < value < most * (1 - 1e-6):
        status, end = "cannot be fitted", least if value < most * (1 - 1e-6) else most
        side = "below" if end == least else "above"
        note = (
            f"the best value lies at or {side} {end:g}, the end of the allowed range of {least:g} "
            f"to {most:g}: record and model are not of the same kind here"
        )
        value = math.nan
    elif low < least or high > most:
        note = f"the interval is cut at the end of the allowed range, {least:g} to {most:g}"
        low, high = max(low, least), min(high, most)
    if status != "fitted":
        low = high = math.nan
    return FittedConstant(key, value, low, high, case_value, status, float(effective), note)


def fit_notes(
    constants: dict[str, FittedConstant],
    names: tuple[str, ...],
    correlation: Array,
    model: ForwardSeries,
    converged: bool,
) -> tuple[str, ...]:
    notes = [f"{c.name}: {c.note}" for c in constants.values() if c.note]
    for i, first in enumerate(names):
        for j in range(i):
            if abs(correlation[i, j]) > _ALIKE:
                notes.append(
                    f"{names[j]} and {first} are hardly told apart (correlation "
                    f"{correlation[i, j]:.2f}): only their combination is known"
                )
    held = [c.name for c in constants.values() if c.status == "held"]
    if held:
        notes.append(f"{', '.join(held)} held at the case's value, taken as exact by the intervals")
    for name, count in model.counts.items():
        if 0 < count < _FEW_PASSES:
            notes.append(f"{name}: {count} passes only; the constants are those of other classes")
    if not converged:
        notes.append("the fit still moved at its last step; take its values with doubt")
    return tuple(notes)


PARAMETERS = ("pulse_factor", "spread", "turbulence_factor")
LEVEL = 0.90
_LEAST_BLOCKS = 10
_BLOCK_S, _SHORT_BLOCK_S = 60.0, 30.0
_STEPS = 40
_LAST_WEIGHTS = 12  # steps after which weights stay, so that the rest converges
_SETTLED = 1e-4
_LARGEST_STEP = 0.4
_LARGEST_TIME_STEP_S2 = 0.005
_FLOOR = 0.05  # of the mean square of a cell, least background variance
_COLUMNS = ("pulse_factor", "spread", "clock", "turbulence_factor", "times")  # of the working model


def fit(
    record: AnemometerRecord,
    model: ForwardSeries | None,
    parameters: Sequence[str] = PARAMETERS,
    *,
    clock: Clock = Clock(),  # noqa: B008
    components: str = "auto",
    block_s: float = _BLOCK_S,
    degree: int = 2,
    scalar_average: bool = True,
    fit_time_error: bool = True,
    level: float = LEVEL,
) -> FitResult:
    """Constants of ``parameters`` (of PARAMETERS) fitted to a record; the others stay the case's.

    ``model`` comes from ``forward`` with ``spreads=spread_nodes(case)`` when the spread is fitted,
    and must reach over the record with the clock's offset; ``clock`` from ``alignment.align``.
    ``components``: "u, v", "speed", or "auto" for what the record has. ``block_s`` is the length of
    a block, which must be longer than the memory of the wind's gusts; the slow wind in a block is
    a polynomial of ``degree``. ``scalar_average``: a recorded speed is the mean of speeds (cup),
    not the size of a mean velocity. ``fit_time_error``: the standard deviation of the log's
    times is found along with the constants (False: that of ``LogErrors`` holds).

    Raises CaseError without a log (single passes are needed: statistics alone cannot tell the
    constants apart), for unknown parameters, or with fewer than 10 blocks.
    """
    if model is None:
        raise CaseError(
            "fitting constants needs a passing log: without one the record fixes only how much of "
            "everything there is, not which part makes it"
        )
    wanted = _checked(parameters, model)
    samples = _gather(record, model, clock, components, block_s, degree, scalar_average)
    free = [i for i in (PULSE, SPREAD) if _COLUMNS[i] in wanted] + [CLOCK]
    energy = "turbulence_factor" in wanted
    free += [ENERGY] * (energy and samples.speed) + [TIMES] * fit_time_error
    with threadpool_limits(limits=1, user_api="blas"):  # small systems: threads only wait
        state, converged = _solve(model, clock.log_time(samples.time_s), samples, free, energy)
        return _result(
            record, model, clock, samples, state, wanted, free, converged, block_s, level
        )


def find_time_error(
    record: AnemometerRecord,
    model: ForwardSeries,
    clock: Clock,
    components: str,
    scalar_average: bool,
    stamp_step_s: float,
) -> TimeError:
    """How far the single times of the log are off, by what blurs the passes in the record.

    ``model`` is tabulated over time errors (``forward(..., time_errors_s=TIME_ERRORS_S)``); the
    strength of pulses and turbulence is fitted along, so that a pulse of other strength does not
    pass for an error. ``stamp_step_s`` is the step of the log's times: rounding alone gives a
    twelfth of its square, which the answer is never below.
    """
    rounding = stamp_step_s / math.sqrt(12.0)
    lowest, highest = model.covered_s
    length = min(record.duration_s, highest - lowest)
    try:
        found = fit(
            record, model, ("pulse_factor", "turbulence_factor"), clock=clock,
            components=components, scalar_average=scalar_average,
            block_s=_BLOCK_S if length > 1.2 * _LEAST_BLOCKS * _BLOCK_S else _SHORT_BLOCK_S,
        )  # fmt: skip
    except CaseError:  # too short
        return TimeError(rounding, (math.nan, math.nan), "stamps")
    low, high = found.time_error_interval_s
    largest = float(model.time_errors[-1])
    if not (found.converged and found.time_error_s < 0.98 * largest and high < 2.0 * largest):
        return TimeError(rounding, (math.nan, math.nan), "stamps")
    return TimeError(max(found.time_error_s, rounding), (max(low, rounding), high), "record")


def _checked(parameters: Sequence[str], model: ForwardSeries) -> tuple[str, ...]:
    names = ["spread" if p == model.spread_name else p for p in parameters]
    for name in names:
        if name not in PARAMETERS:
            raise CaseError(f'parameter "{name}": must be one of {", ".join(PARAMETERS)}')
    if not names:
        raise CaseError(f"no parameter to fit: name one or more of {', '.join(PARAMETERS)}")
    if "spread" in names and model.spread.size < 4:
        raise ValueError("to fit the spread the model must be tabulated over spread_nodes(case)")
    return tuple(name for name in PARAMETERS if name in names)


def _gather(
    record: AnemometerRecord,
    model: ForwardSeries,
    clock: Clock,
    components: str,
    block_s: float,
    degree: int,
    scalar_average: bool,
) -> Samples:
    """The record's samples that the log covers, in cells long enough to have their own wind."""
    has_uv = record.u_m_s is not None and record.v_m_s is not None
    if components not in ("auto", "u, v", "speed"):
        raise CaseError(f'components "{components}": must be "u, v" or "speed"')
    if components == "u, v" and not has_uv:
        raise CaseError(f"{record.path}: has no direction: only the speed can be fitted")
    speed = components == "speed" or not has_uv
    channels = [record.speed_m_s] if speed else [record.u_m_s, record.v_m_s]
    log = clock.log_time(record.time_s)
    covered = (log >= model.covered_s[0]) & (log <= model.covered_s[1])
    start = float(record.time_s[0])
    stretch = np.floor((record.time_s - start) / block_s).astype(np.int64)
    time, value, channel, block = [], [], [], []
    for c, series in enumerate(channels):
        good = covered & np.isfinite(series)
        count = np.bincount(stretch[good], minlength=int(stretch.max()) + 1)
        full = block_s / record.dt_s
        good &= (count >= max(0.25 * full, 5.0 * (degree + 2)))[stretch]
        time.append(record.time_s[good])
        value.append(series[good] ** (1 + speed))
        channel.append(np.full(int(good.sum()), c))
        block.append(stretch[good])
    used = np.unique(np.concatenate(block)).size
    if used < _LEAST_BLOCKS:
        raise CaseError(
            f"{record.path}: {used} blocks of {block_s:g} s lie within the passing log; a fit with "
            f"intervals needs at least {_LEAST_BLOCKS}"
        )
    times, labels = np.concatenate(time), np.concatenate(channel)
    return Samples(
        time_s=times,
        value=np.concatenate(value),
        along=labels == 0,
        cells=Cells.of_labels(labels, np.concatenate(block)),
        shape=polynomials(times, block_s, start, degree),
        speed=speed,
        scalar_average=scalar_average,
    )


def _solve(
    model: ForwardSeries, log_time_s: Array, samples: Samples, free: list[int], free_energy: bool
) -> tuple[State, bool]:
    """Mean and variance fitted in turn until nothing moves; False when they keep moving."""
    cells = samples.cells
    state = start_state(model, samples)
    now = evaluate(model, log_time_s, samples, state)
    if samples.speed:
        state.background = background_of_speed(samples, now)
    bounds = np.log(model.spread[[0, -1]])
    largest = np.array([_LARGEST_STEP] * 3 + [math.inf, _LARGEST_TIME_STEP_S2])
    for step in range(_STEPS):
        before = _globals(state)
        if step < _LAST_WEIGHTS:
            weight = 1.0 / now.variance
        both = np.column_stack([samples.value - now.mean, now.columns[:, free]])
        own = cells.local(both, now.basis, weight)
        both -= cells.spread_out(own, now.basis)
        probes = cells.without_local(now.probes[:, free], now.basis, weight)
        moments = probes.T @ (weight[:, None] * both)
        change = np.zeros(5)
        change[free] = np.linalg.lstsq(moments[:, 1:], moments[:, 0], rcond=1e-12)[0]
        change = np.clip(change, -largest, largest)
        state.local = state.local + own[:, :, 0] - own[:, :, 1:] @ change[free]
        state.pulse += float(change[PULSE])
        state.log_spread = float(np.clip(state.log_spread + change[SPREAD], *bounds))
        state.offset_s += float(change[CLOCK])
        state.energy += float(change[ENERGY])
        most = float(model.time_errors[-1]) ** 2
        state.times = float(np.clip(state.times + change[TIMES], 0.0, most))
        if not samples.speed:
            rest = both[:, 0] - both[:, 1:] @ change[free]
            _fit_variance(cells, rest, now, state, free_energy)
        now = evaluate(model, log_time_s, samples, state)
        moved = np.abs(_globals(state) - before)
        scale = np.array([1.0, 1.0, 10.0 * model.step_s, abs(state.energy) + 0.01, 0.1])
        if step > 2 and np.max(moved / scale) < _SETTLED:
            return state, True
    return state, False


def _globals(state: State) -> Array:
    return np.array([state.pulse, state.log_spread, state.offset_s, state.energy, state.times])


def _fit_variance(
    cells: Cells, rest: Array, now: Evaluated, state: State, free_energy: bool
) -> None:
    """F^2 and n^2 from the squared residuals, with weights of the last variance; in place."""
    square = rest**2 - now.scatter
    weight = 1.0 / now.variance**2
    one = np.ones((rest.size, 1))
    if free_energy:
        pair = cells.without_local(np.column_stack([square, now.gain]), one, weight)
        inertia = float(weight @ pair[:, 1] ** 2)
        if inertia > 0.0:
            state.energy = float(weight @ (pair[:, 0] * pair[:, 1])) / inertia
    level = cells.local((square - state.energy * now.gain)[:, None], one, weight)[:, 0, 0]
    least = _FLOOR * cells.sums(rest**2) / cells.sizes
    state.background = np.maximum(level, np.maximum(least, 1e-8))


def _result(
    record: AnemometerRecord,
    model: ForwardSeries,
    clock: Clock,
    samples: Samples,
    state: State,
    wanted: tuple[str, ...],
    free: list[int],
    converged: bool,
    block_s: float,
    level: float,
) -> FitResult:
    now = evaluate(model, clock.log_time(samples.time_s), samples, state)
    cells = samples.cells
    by_variance = "turbulence_factor" in wanted and not samples.speed
    score, information = _equations(samples, now, state, free, by_variance)
    spread = jackknife(score, information)
    sd = np.sqrt(np.diag(spread.covariance))
    fitted = [_COLUMNS[i] for i in free] + ["turbulence_factor"] * by_variance
    constants = {}
    for name in PARAMETERS:
        if name in wanted:
            i = fitted.index(name)
            effective = float(spread.effective_blocks[i])
            constant = fitted_constant(name, model, state, float(sd[i]), effective, level)
        else:
            constant = held_constant(name, model)
        constants[constant.name] = constant
    i = fitted.index("clock")
    half = student(level, spread.effective_blocks[i]) * float(sd[i])
    refined = replace(clock, offset_s=clock.offset_s + state.offset_s)
    time_interval = (math.nan, math.nan)
    if TIMES in free:
        j = fitted.index("times")
        width = student(level, spread.effective_blocks[j]) * float(sd[j])
        time_interval = (
            math.sqrt(max(state.times - width, 0.0)), math.sqrt(max(state.times + width, 0.0))
        )  # fmt: skip
    keep = [fitted.index(name) for name in wanted]
    correlation = (spread.covariance / np.outer(sd, sd))[np.ix_(keep, keep)]
    weight = np.ones(samples.value.size)
    pair = np.column_stack([samples.value, samples.value - now.mean])
    pair = cells.without_local(pair, now.basis, weight)
    names = tuple(model.spread_name if name == "spread" else name for name in wanted)
    notes = fit_notes(constants, names, correlation, model, converged)
    if TIMES in free and state.times >= 0.98 * float(model.time_errors[-1]) ** 2:
        notes += (
            f"the log's times seem to be off by {model.time_errors[-1]:g} s or more: too far for "
            "the pulses to be told",
        )
    return FitResult(
        constants=constants,
        names=names,
        correlation=correlation,
        clock=refined,
        clock_interval_s=(refined.offset_s - half, refined.offset_s + half),
        time_error_s=math.sqrt(state.times),
        time_error_interval_s=time_interval,
        explained=1.0 - float(np.sum(pair[:, 1] ** 2) / np.sum(pair[:, 0] ** 2)),
        background_sd_m_s=float(np.sqrt(np.median(state.background))),
        components="speed" if samples.speed else "u, v",
        level=level,
        samples=samples.value.size,
        blocks=cells.blocks,
        block_s=block_s,
        counts=model.counts,
        converged=converged,
        notes=notes,
        record_path=record.path,
    )


def _equations(
    samples: Samples, now: Evaluated, state: State, free: list[int], by_variance: bool
) -> tuple[Array, Array]:
    """Shares of the blocks in the estimating equations (b, k) and in their Jacobian (b, k, k).

    ``by_variance``: F^2 has an equation of its own, that of the squared residuals.
    """
    cells = samples.cells
    weight = 1.0 / now.variance
    rest = samples.value - now.mean
    columns = now.columns[:, free]
    cleared = cells.without_local(now.probes[:, free], now.basis, weight)
    scores = [cleared * (weight * rest)[:, None]]
    k = len(free)
    information = np.zeros((cells.blocks, k + by_variance, k + by_variance))
    for i in range(k):
        information[:, i, :k] = cells.block_sums((weight * cleared[:, i])[:, None] * columns)
    if by_variance:
        one = np.ones((rest.size, 1))
        plain = weight**2
        left = rest**2 - now.scatter - state.energy * now.gain
        pair = cells.without_local(np.column_stack([now.gain, left]), one, plain)
        scores.append((plain * pair[:, 0] * pair[:, 1])[:, None])
        information[:, k, k] = cells.block_sums(plain * pair[:, 0] * now.gain)
        if TIMES in free:
            moved = plain * pair[:, 0] * now.scatter_slope
            information[:, k, free.index(TIMES)] = cells.block_sums(moved)
        if SPREAD in free:
            slope = state.energy * now.gain_slope
            information[:, k, free.index(SPREAD)] = cells.block_sums(plain * pair[:, 0] * slope)
    return cells.block_sums(np.column_stack(scores)), information
