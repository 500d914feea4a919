"""What a fit found: constants with their intervals, or the words why there is none."""

from __future__ import annotations

import math
from dataclasses import dataclass

from wakesim.arrays import Array
from wakesim.records.alignment import Clock
from wakesim.records.blocks import student
from wakesim.records.forward import allowed_range
from wakesim.records.forward_series import ForwardSeries
from wakesim.records.working_model import State

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
