"""What an anemometer and its logger make of the air's velocity.

First-order answer with time constant tau: tau dy/dt = x - y, gain 1/sqrt(1 + (2 pi f tau)^2). For
cups and vanes tau = L/U with L the distance constant and U the speed of the moment, so that they
speed up quicker than they slow down: in air of mean speed U and intensity I, slow cups read U (1 +
I^2), overspeeding (N. E. Busch and L. Kristensen, J. Appl. Meteorol. 15 (1976) 1328, from memory).
Cups below their starting speed are driven towards standstill, at the rate of the starting speed
(assumed). A sonic anemometer reads the mean over its path; an eddy carried past at speed U is
averaged over the time p/U, gain sinc(f p/U) (J. C. Kaimal, J. C. Wyngaard and D. A. Haugen, J.
Appl. Meteorol. 7 (1968) 827, from memory, here for a path along the flow). The logger's mean over T
has gain sinc(f T).

The steps: the sensor (components of sonic and other instruments, the speed of cups and hot wires),
then the mean of the logger; noise and resolution are left to ``recorded``.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy import signal

from wakesim.arrays import Array, kernel
from wakesim.case.instrument import Instrument
from wakesim.case.messages import render
from wakesim.case.mounts import Mount
from wakesim.case.reading import parse, read_text
from wakesim.case.schema_errors import checked
from wakesim.case.tables import Table
from wakesim.errors import CaseError, one_line


@kernel()
def relax(targets, rate, step, first):
    """Answers (k, n) to ``targets`` (k, n) at rates (n,) 1/s; ``first`` (k,) before the start.

        dy/dt = r(t) (x(t) - y),     x and r linear between samples

    with R = h (r_0 + r_1)/2 the integral of r over a step h and a = exp(-R):

        y_1 = a y_0 + b_0 x_0 + b_1 x_1 + m h (r_1 - r_0)(x_1 - x_0)/12,
        m = (1 - a)/R,   b_0 = m - a,   b_1 = 1 - m.

    The last term is what rate and target share within the step (integral of r x less R times the
    mean of x); a cup overspeeds by it. Exact for a constant rate, else to third order in the step.
    """
    count, n = targets.shape
    out = np.empty((count, n))
    for j in range(count):
        out[j, 0] = first[j]
    for i in range(1, n):
        turned = 0.5 * (rate[i - 1] + rate[i]) * step
        a = np.exp(-turned)
        # (1 - a)/R by its series where the difference would lose its digits.
        mean = (1.0 - a) / turned if turned > 1e-4 else 1.0 - 0.5 * turned + turned * turned / 6.0
        shared = mean * step * (rate[i] - rate[i - 1]) / 12.0
        for j in range(count):
            before, after = targets[j, i - 1], targets[j, i]
            out[j, i] = (
                a * out[j, i - 1]
                + (mean - a) * before
                + (1.0 - mean) * after
                + shared * (after - before)
            )
    return out


Respond = Callable[[Array, Array, float], tuple[Array, Array]]
"""(u, v, dt_s) -> (u, v) as the instrument shows them; linear, of unit gain in a steady wind."""

SPEED_ONLY = ("cup", "hot_wire")
_SLOWEST_M_S = 0.1  # an eddy takes at most p over this to pass the path; cups turn at this rate


class Shown(NamedTuple):
    """Velocity as an instrument shows it, arrays (n,), m/s; u and v None where it cannot know."""

    u: Array | None
    v: Array | None
    speed: Array


class _InstrumentFile(Table):
    instrument: Instrument


def read_instrument(path: str | os.PathLike[str]) -> Instrument:
    """The [instrument] table of a TOML file, which may hold that table or its keys alone.

    Raises CaseError with one line for every problem: file, line, key, value, allowed range.
    """
    source = one_line(os.fsdecode(path))
    text = read_text(Path(path))
    if not text.strip():
        raise CaseError(f"{source}: is empty; it holds a table [instrument] with its kind")
    bare = "instrument" not in parse(text, source)[0]
    # Keys alone: the heading goes in front of the first line, so that lines keep their numbers.
    raw, lines = parse(f"[instrument]\n{text}" if bare else text, source)
    shift = 1 if bare else 0
    raw = {"instrument": raw["instrument"]}  # a whole case may be given
    table, problems = checked(raw, _InstrumentFile)
    if table is None or problems:
        raise CaseError(render(problems, source, _Shifted(lines, shift)))  # type: ignore[arg-type]
    return table.instrument


class _Shifted:
    """Line numbers of a text that had lines put in front."""

    def __init__(self, lines: object, by: int) -> None:
        self._lines, self._by = lines, by

    def line_of(self, path: tuple[str | int, ...]) -> int | None:
        line = self._lines.line_of(path)  # type: ignore[attr-defined]
        return None if line is None else max(1, line - self._by)


def instrument_mount(instrument: Instrument, mount: Mount) -> Mount:
    """The mount moved to where the instrument hangs; its rotor is kept."""
    change = {
        key: value
        for key in ("height_m", "offset_m")
        if (value := getattr(instrument, key)) is not None
    }
    return mount.model_copy(update=change)


def apply_response(u: ArrayLike, v: ArrayLike, dt_s: float, instrument: Instrument) -> Shown:
    """The velocity components u, v (n,), m/s, at a fine step as the instrument shows them.

    At each moment the value that the logger would write with that time stamp: with ``averaging_s``
    a running mean, of which a logger keeps one value in each averaging time. The
    air is taken as steady before the start and after the end.

    Raises ValueError for series of different shapes or values that are not finite.
    """
    wind = _series(u, v, dt_s)
    speed = np.hypot(wind[0], wind[1])
    if instrument.kind in SPEED_ONLY:
        shown = _averaged(_turning(speed, dt_s, instrument)[None], dt_s, instrument)
        return Shown(None, None, shown[0])
    if instrument.kind == "vane_cup":
        turned = _turning(speed, dt_s, instrument)
        toward = _vane(wind, speed, dt_s, instrument)
        parts = np.vstack([turned * toward, turned])
        return Shown(*_averaged(parts, dt_s, instrument))
    if instrument.path_length_m > 0.0:
        width = instrument.path_length_m / np.maximum(speed, _SLOWEST_M_S)
        wind = _mean_over(wind, dt_s, -0.5 * width, 0.5 * width)
    if instrument.distance_constant_m is not None:
        rate = np.maximum(speed, _SLOWEST_M_S) / instrument.distance_constant_m
        wind = relax(wind, rate, dt_s, wind[:, 0].copy())
    elif instrument.response_time_s:
        wind = first_order(wind, dt_s, instrument.response_time_s)
    return Shown(*_averaged(np.vstack([wind, np.hypot(wind[0], wind[1])]), dt_s, instrument))


def linear_response(instrument: Instrument, mean_speed_m_s: float) -> Respond:
    """The same linearised about a mean speed: (u, v, dt_s) -> (u, v), of unit gain when steady.

    Distance constants become tau = L/U and paths p/U at that speed; starting speeds, overspeeding
    and the lost direction of cups are left out, which only ``apply_response`` knows.
    """
    speed = max(mean_speed_m_s, _SLOWEST_M_S)
    time = time_constant(instrument, speed)
    width = instrument.path_length_m / speed

    def respond(u: Array, v: Array, dt_s: float) -> tuple[Array, Array]:
        wind = _series(u, v, dt_s)
        if width > 0.0:
            half = np.full(wind.shape[1], 0.5 * width)
            wind = _mean_over(wind, dt_s, -half, half)
        shown = _averaged(first_order(wind, dt_s, time), dt_s, instrument)
        return shown[0], shown[1]

    return respond


def transfer(frequency_hz: ArrayLike, instrument: Instrument, mean_speed_m_s: float) -> Array:
    """Share of the variance at each frequency (any shape) that the linear response passes."""
    f = np.asarray(frequency_hz, dtype=np.float64)
    speed = max(mean_speed_m_s, _SLOWEST_M_S)
    gain = np.sinc(f * instrument.path_length_m / speed) * np.sinc(f * instrument.averaging_s)
    return gain**2 / (1.0 + (2.0 * np.pi * f * time_constant(instrument, speed)) ** 2)


def time_constant(instrument: Instrument, speed_m_s: float) -> float:
    """Time constant of the first-order answer at a speed, s; 0 for an instant one."""
    if instrument.distance_constant_m is not None:
        return instrument.distance_constant_m / max(speed_m_s, _SLOWEST_M_S)
    return instrument.response_time_s or 0.0


def first_order(values: ArrayLike, dt_s: float, time_constant_s: float) -> Array:
    """First-order answer to a signal (..., n), exact for one that is linear between samples.

    y_1 = a y_0 + b_0 x_0 + b_1 x_1 with a = exp(-h/tau), b_1 = 1 - (1 - a) tau/h,
    b_0 = (1 - a) tau/h - a; steady before the start.
    """
    x = np.asarray(values, dtype=np.float64)
    if not (dt_s > 0.0 and time_constant_s >= 0.0):
        raise ValueError("the step must be greater than 0 s, the time constant at least 0 s")
    if time_constant_s == 0.0:
        return x.copy()
    turned = dt_s / time_constant_s
    a = np.exp(-turned)
    mean = -np.expm1(-turned) / turned
    start = mean * x[..., :1]  # the state that makes the first answer the first value
    out, _ = signal.lfilter([1.0 - mean, mean - a], [1.0, -a], x, zi=start)
    return np.asarray(out, dtype=np.float64)


def recorded(values: ArrayLike, instrument: Instrument, rng: np.random.Generator) -> Array:
    """A shown signal, any shape, m/s, with the instrument's noise and in its steps.

    White noise of standard deviation ``noise_m_s`` on each logged value, then rounding to
    ``resolution_m_s``. For a speed take the magnitude afterwards.
    """
    x = np.asarray(values, dtype=np.float64)
    if instrument.noise_m_s > 0.0:
        x = x + instrument.noise_m_s * rng.standard_normal(x.shape)
    if instrument.resolution_m_s > 0.0:
        x = np.round(x / instrument.resolution_m_s) * instrument.resolution_m_s
    return x


def _series(u: ArrayLike, v: ArrayLike, dt_s: float) -> Array:
    first, second = np.asarray(u, dtype=np.float64), np.asarray(v, dtype=np.float64)
    if first.ndim != 1 or first.shape != second.shape or first.size < 2:
        raise ValueError("two series of equal length, of at least two samples, are needed")
    if not dt_s > 0.0:
        raise ValueError("the step must be greater than 0 s")
    wind = np.vstack([first, second])
    if not np.all(np.isfinite(wind)):
        raise ValueError("velocities must be finite")
    return wind


def _turning(speed: Array, dt_s: float, instrument: Instrument) -> Array:
    """Speed shown by cups or a hot wire."""
    driven = np.where(speed >= instrument.starting_speed_m_s, speed, 0.0)
    if instrument.distance_constant_m is None:
        return first_order(driven, dt_s, instrument.response_time_s or 0.0)
    slowest = max(instrument.starting_speed_m_s, _SLOWEST_M_S)
    rate = np.maximum(speed, slowest) / instrument.distance_constant_m
    return np.asarray(relax(driven[None], rate, dt_s, driven[:1].copy())[0])


def _vane(wind: Array, speed: Array, dt_s: float, instrument: Instrument) -> Array:
    """Unit vectors (2, n) of the direction that a vane shows; it rests in still air."""
    length = instrument.vane_distance_constant_m or instrument.distance_constant_m
    moving = np.where(speed > 0.0, speed, 1.0)
    toward = wind / moving
    if length is None:
        shown = first_order(toward, dt_s, instrument.response_time_s or 0.0)
    else:
        shown = relax(toward, speed / length, dt_s, toward[:, 0].copy())
    size = np.hypot(shown[0], shown[1])
    return np.asarray(shown / np.where(size > 0.0, size, 1.0))


def _averaged(parts: Array, dt_s: float, instrument: Instrument) -> Array:
    """Running means over the logger's averaging time, placed at its time stamps."""
    length = instrument.averaging_s
    if length <= 0.0:
        return parts
    after = {"start": length, "middle": 0.5 * length, "end": 0.0}[instrument.time_marks]
    ahead = np.full(parts.shape[1], after)
    return _mean_over(parts, dt_s, ahead - length, ahead)


def _mean_over(parts: Array, dt_s: float, since_s: Array, until_s: Array) -> Array:
    """Means of signals (k, n) over [t + since, t + until] of each moment, exact for signals that
    are linear between samples and steady outside."""
    n = parts.shape[1]
    here = np.arange(n, dtype=np.float64)
    low, high = here + since_s / dt_s, here + until_s / dt_s
    out = np.empty_like(parts)
    for row, values in zip(out, parts, strict=True):
        sums = np.concatenate([[0.0], np.cumsum(0.5 * (values[1:] + values[:-1]))])
        row[:] = (_integral(values, sums, high) - _integral(values, sums, low)) / (high - low)
    return out


def _integral(values: Array, sums: Array, position: Array) -> Array:
    """Integral in steps from the first sample to a position in samples."""
    last = values.size - 1
    inside = np.clip(position, 0.0, last)
    index = np.minimum(inside.astype(np.int64), last - 1)
    part = inside - index
    rise = values[index + 1] - values[index]
    whole = sums[index] + part * (values[index] + 0.5 * part * rise)
    before = np.minimum(position, 0.0) * values[0]
    after = np.maximum(position - last, 0.0) * values[-1]
    return np.asarray(whole + before + after)
