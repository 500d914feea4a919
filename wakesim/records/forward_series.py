"""The model of a record as a table: what ``forward`` makes and fits, alignment and figures read."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.ndimage import gaussian_filter1d

from wakesim.arrays import Array
from wakesim.vehicle.wake import SHARE_U, SHARE_V

_LEAST_SMEAR = 0.1  # steps of the grid below which a smear is none


class Moments(NamedTuple):
    """The model at some moments, arrays (n,): m/s, and m2/s2 for ``k`` and the scatter.

    ``k`` is the turbulent energy at turbulence factor 1 before the instrument took its share.
    """

    pulse_u: Array
    pulse_v: Array
    wake_u: Array
    drift_u: Array
    k: Array
    scatter_u: Array
    scatter_v: Array


@dataclass(frozen=True)
class ForwardSeries:
    """The model at one point on a uniform grid of times start_s + i step_s, as the instrument
    would show it.

    ``spread`` (m,) are the values of the constant ``spread_name`` for which ``wake`` (m, n) m/s
    and ``k`` (m, n) m2/s2 are tabulated. These and ``pulse`` (2, n) m/s are means over the place in
    the lane for exact times; ``moments`` smears them by the time error. ``scatter`` (t, 2, n)
    m2/s2 of u and v is tabulated over the time errors ``time_errors`` (t,) s; ``time_error_s`` is
    the assumed one. ``drift`` (n,) m/s. ``spread_value`` and ``turbulence_factor`` are the case's.
    ``covered_s``: first and last moment at which all wakes come from logged passes; ``counts``:
    logged passes of each class between them. ``share``: of turbulence variance that the instrument
    passes.
    """

    start_s: float
    step_s: float
    spread_name: str
    spread: Array
    spread_value: float
    turbulence_factor: float
    pulse: Array
    wake: Array
    k: Array
    scatter: Array
    drift: Array
    ambient_m_s: tuple[float, float]
    share: float
    covered_s: tuple[float, float]
    counts: dict[str, int]
    time_errors: Array
    time_error_s: float

    @property
    def time_s(self) -> Array:
        """Times of the grid, (n,) s on the clock of the log."""
        return self.start_s + self.step_s * np.arange(self.pulse.shape[1])

    def weights(self, spread: float, derivative: bool = False) -> Array:
        """Weights (m,) of the tabulated wakes at a value of the spread, by splines in its log.

        ``derivative``: their derivative with respect to the log of the spread.
        """
        if self.spread.size == 1:
            return np.zeros(1) if derivative else np.ones(1)
        if self.spread.size < 4:
            raise ValueError("a table over the spread needs at least 4 values")
        low, high = np.log(self.spread[[0, -1]])
        at = np.clip(math.log(spread), low, high)
        spline = CubicSpline(np.log(self.spread), np.eye(self.spread.size))
        return np.asarray(spline(at, int(derivative)), dtype=np.float64)

    def smeared(self, values: Array, time_error_s: float) -> Array:
        """Mean of a signal of the grid (..., n) when every pass is off by the time error."""
        if time_error_s < _LEAST_SMEAR * self.step_s:
            return values
        sd = time_error_s / self.step_s
        return np.asarray(gaussian_filter1d(values, sd, axis=-1, mode="nearest"))

    def scatter_at(self, time_error_s: float) -> Array:
        """Variance of u and v (2, n), m2/s2, from the errors of the log."""
        if self.time_errors.size == 1:
            return self.scatter[0]
        flat = (1, np.zeros(self.time_errors.size))  # grows with the square of the error
        nodes, unit = self.time_errors, np.eye(self.time_errors.size)
        spline = CubicSpline(nodes, unit, bc_type=(flat, "not-a-knot"))
        weight = spline(np.clip(time_error_s, *self.time_errors[[0, -1]]))
        return np.maximum(np.tensordot(weight, self.scatter, axes=1), 0.0)

    def moments(self, spread: float | None = None, time_error_s: float | None = None) -> Moments:
        """The model on its own grid, at the case's spread and the assumed time error or others."""
        weight = self.weights(self.spread_value if spread is None else spread)
        error = self.time_error_s if time_error_s is None else time_error_s
        pulse_u, pulse_v, wake, k = self.smeared(
            np.array([*self.pulse, weight @ self.wake, weight @ self.k]), error
        )
        scatter = self.scatter_at(error)
        return Moments(
            pulse_u, pulse_v, wake, self.drift, np.maximum(k, 0.0), scatter[0], scatter[1]
        )

    def at(self, times_s: Array, spread: float | None = None) -> Moments:
        """The model at times (n,) s on the log's clock, linear between the grid's times."""
        grid = self.moments(spread)
        place = Places.of(self, times_s)
        return Moments(*(place.take(values) for values in grid))

    def mean(self, pulse_factor: float = 1.0, spread: float | None = None) -> tuple[Array, Array]:
        """Mean u and v (n,), m/s, on the grid, ambient and drift included."""
        now = self.moments(spread)
        u = self.ambient_m_s[0] + now.drift_u + pulse_factor * now.pulse_u + now.wake_u
        return u, self.ambient_m_s[1] + pulse_factor * now.pulse_v

    def variance(
        self, turbulence_factor: float | None = None, spread: float | None = None
    ) -> tuple[Array, Array]:
        """Variance of u and v (n,), m2/s2, on the grid: turbulence of wakes and scatter."""
        now = self.moments(spread)
        factor = self.turbulence_factor if turbulence_factor is None else turbulence_factor
        energy = 2.0 * factor**2 * self.share * now.k
        return SHARE_U * energy + now.scatter_u, SHARE_V * energy + now.scatter_v


class Places(NamedTuple):
    """Where times lie on the grid: index before (n,) and fraction of the step."""

    index: NDArray[np.int64]
    fraction: Array

    @classmethod
    def of(cls, model: ForwardSeries, times_s: Array) -> Places:
        last = model.pulse.shape[1] - 1
        position = np.clip((np.asarray(times_s) - model.start_s) / model.step_s, 0.0, last)
        index = np.minimum(position.astype(np.int64), last - 1)
        return cls(index, position - index)

    def take(self, values: Array) -> Array:
        """Values of the grid (n_grid,) at the places."""
        before = values[self.index]
        out: Array = before + self.fraction * (values[self.index + 1] - before)
        return out
