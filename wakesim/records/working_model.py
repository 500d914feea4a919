"""The working model that constants are fitted with: mean, variance and their derivatives.

Global: p (strength of the displacement flow), s = ln S (spread of the wakes), the offset of the
log's clock, F^2 (turbulence), and the variance of the log's time errors, which smears the means,
d mean / d sigma_t^2 = 1/2 d^2 mean / d t^2. All else belongs to a cell: one recorded quantity in one block.

Components u and v recorded, each cell with its slow wind, a polynomial in time, and its background
variance n^2 (ambient turbulence and noise of the instrument):

    E[u] = slow wind + p pulse_u + wake_u(S),  E[v] = slow wind + p pulse_v,
    var = n^2 + F^2 r 2 share k(S) + p^2 scatter,  shares 0.40 and 0.32.

Only the speed recorded: its square has a mean that is linear in what the cell does not know, the
wind along (a) and across (c) the road, and that holds in calm air as well,

    E[speed^2] = U^2 + V^2 + 2 a U + 2 c V + polynomial in time + F^2 (r 0.40 + r' 0.32) 2 k + p^2 scatter,
    U = p pulse_u + wake_u(S), V = p pulse_v,

a with a linear change in the block; r' is 1 for a mean of speeds, which keeps what swings across
the road, and r for the size of a mean velocity. Its variance serves for weights alone.
"""  # noqa: E501

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wakesim.arrays import Array
from wakesim.records.blocks import Cells
from wakesim.records.forward import ForwardSeries, Places
from wakesim.vehicle.wake import SHARE_U, SHARE_V

PULSE, SPREAD, CLOCK, ENERGY, TIMES = range(5)  # columns
_QUIET = 0.3  # share of the samples with the least turbulence that give the background of a speed
_TIME_STEP_S = 0.01
_LEAST_BACKGROUND = 1e-3  # m2/s2


@dataclass
class State:
    """Estimates on the way: p, ln S, offset (s), F^2, variance of the log's times (s2); local wind
    (cells, l); n^2 (cells,)."""

    pulse: float
    log_spread: float
    offset_s: float
    energy: float
    times: float
    local: Array
    background: Array


@dataclass(frozen=True)
class Samples:
    """Record samples in order of their cells (n,); ``value`` is u, v (m/s) or speed^2 (m2/s2).

    ``along`` is True for u and False for v, unused for a speed. ``shape`` (n, degree + 1) are
    polynomials of the time in the block.
    """

    time_s: Array
    value: Array
    along: NDArray[np.bool_]
    cells: Cells
    shape: Array
    speed: bool
    scalar_average: bool


@dataclass(frozen=True)
class Evaluated:
    """The working model at a state, for all samples (n,).

    ``columns`` (n, 5): derivatives of the mean with respect to p, ln S, offset, F^2 and the time
    variance; ``basis`` (n, l) the same for what is the cell's own. ``probes`` (n, 5) are what
    residuals must not correlate with: the columns, but for a speed without the wind fitted to the
    cell, whose errors would else correlate with the residuals and bias every block alike.
    ``variance`` is for the weights; for components it is n^2 + F^2 ``gain`` + ``scatter``, with
    ``gain_slope`` d gain / d ln S, ``scatter_slope`` d scatter / d time variance.
    """

    mean: Array
    columns: Array
    probes: Array
    basis: Array
    variance: Array
    gain: Array
    gain_slope: Array
    scatter: Array
    scatter_slope: Array


def polynomials(time_s: Array, block_s: float, start_s: float, degree: int) -> Array:
    """Legendre polynomials (n, degree + 1) of the time in its block, -1 to 1."""
    x = 2.0 * np.mod((time_s - start_s) / block_s, 1.0) - 1.0
    return np.polynomial.legendre.legvander(x, degree)


def start_state(model: ForwardSeries, samples: Samples) -> State:
    """The case's constants, no wind."""
    cells, own = samples.cells.start.size, samples.shape.shape[1]
    return State(
        pulse=1.0,
        log_spread=float(np.log(model.spread_value)),
        offset_s=0.0,
        energy=model.turbulence_factor**2,
        times=model.time_error_s**2,
        local=np.zeros((cells, own + 3 * samples.speed)),
        background=np.full(cells, 0.05),
    )


def evaluate(model: ForwardSeries, log_time_s: Array, samples: Samples, state: State) -> Evaluated:
    """The working model at a state; ``log_time_s`` (n,) with the clock as known beforehand."""
    place = Places.of(model, log_time_s - state.offset_s)
    spread = float(np.exp(state.log_spread))
    weight, slope = model.weights(spread), model.weights(spread, derivative=True)
    error = float(np.sqrt(state.times))
    pulse_u, pulse_v, wake, wake_slope, k, k_slope = model.smeared(
        np.array(
            [*model.pulse, weight @ model.wake, slope @ model.wake, weight @ model.k,
             slope @ model.k]
        ), error,
    )  # fmt: skip
    scatter = model.scatter_at(error)
    more = error + _TIME_STEP_S
    grid = _Grid(
        place=place,
        u=state.pulse * pulse_u + wake,
        v=state.pulse * pulse_v,
        wake_slope=wake_slope,
        k=np.maximum(k, 0.0),
        k_slope=k_slope,
        pulse=(pulse_u, pulse_v),
        scatter=scatter,
        scatter_slope=(model.scatter_at(more) - scatter) / (more**2 - state.times),
        step_s=model.step_s,
        share=model.share,
    )
    kind = _of_speed if samples.speed else _of_components
    return kind(grid, samples, state)


@dataclass(frozen=True)
class _Grid:
    """The model on its grid at one spread, and where the samples lie on it."""

    place: Places
    u: Array
    v: Array
    wake_slope: Array
    k: Array
    k_slope: Array
    pulse: tuple[Array, Array]
    scatter: Array
    scatter_slope: Array
    step_s: float
    share: float

    def at(self, values: Array) -> Array:
        return self.place.take(values)

    def later(self, values: Array) -> Array:
        """Change of values at the samples per second of clock offset."""
        return self.at(-np.gradient(values, self.step_s))

    def smear(self, values: Array) -> Array:
        """Change of values (n_grid,) with the variance of the log's times."""
        out = np.zeros_like(values)
        out[1:-1] = 0.5 * np.diff(values, 2) / self.step_s**2
        return out


def _of_components(grid: _Grid, samples: Samples, state: State) -> Evaluated:
    along = samples.along
    half = int(np.count_nonzero(along))  # u first, then v

    def both(for_u: Array, for_v: Array | None) -> Array:
        out = np.zeros(along.size)
        out[:half] = Places(grid.place.index[:half], grid.place.fraction[:half]).take(for_u)
        if for_v is not None:
            out[half:] = Places(grid.place.index[half:], grid.place.fraction[half:]).take(for_v)
        return out

    share = 2.0 * grid.share * np.where(along, SHARE_U, SHARE_V)
    local = np.einsum("ij,ij->i", samples.shape, state.local[samples.cells.of])
    gain = share * grid.at(grid.k)
    scatter = state.pulse**2 * both(grid.scatter[0], grid.scatter[1])
    turn = [-np.gradient(x, grid.step_s) for x in (grid.u, grid.v)]
    columns = [
        both(grid.pulse[0], grid.pulse[1]), both(grid.wake_slope, None), both(*turn),
        np.zeros(along.size), both(grid.smear(grid.u), grid.smear(grid.v)),
    ]  # fmt: skip
    slopes = np.column_stack(columns)
    return Evaluated(
        mean=both(grid.u, grid.v) + local,
        columns=slopes,
        probes=slopes,
        basis=samples.shape,
        variance=state.background[samples.cells.of] + max(state.energy, 0.0) * gain + scatter,
        gain=gain,
        gain_slope=share * grid.at(grid.k_slope),
        scatter=scatter,
        scatter_slope=state.pulse**2 * both(grid.scatter_slope[0], grid.scatter_slope[1]),
    )


def _of_speed(grid: _Grid, samples: Samples, state: State) -> Evaluated:
    u, v, k = grid.at(grid.u), grid.at(grid.v), grid.at(grid.k)
    time = samples.shape[:, 1]
    basis = np.column_stack([2.0 * u, 2.0 * time * u, 2.0 * v, samples.shape])
    own = state.local[samples.cells.of]
    along, across = own[:, 0] + time * own[:, 1], own[:, 2]
    within = 1.0 if samples.scalar_average else grid.share
    energy = 2.0 * (grid.share * SHARE_U + within * SHARE_V)
    gain = energy * k
    scatter = state.pulse**2 * grid.at(grid.scatter.sum(axis=0))
    scatter_slope = state.pulse**2 * grid.at(grid.scatter_slope.sum(axis=0))
    smear_u, smear_v = grid.at(grid.smear(grid.u)), grid.at(grid.smear(grid.v))
    slope = energy * grid.at(grid.k_slope)
    later_u, later_v = grid.later(grid.u), grid.later(grid.v)
    later_k = energy * grid.later(grid.k)

    def columns(u: Array, v: Array) -> Array:
        parts = [
            2.0 * (u * grid.at(grid.pulse[0]) + v * grid.at(grid.pulse[1]))
            + 2.0 * scatter / max(state.pulse, 0.1),
            2.0 * u * grid.at(grid.wake_slope) + state.energy * slope,
            2.0 * (u * later_u + v * later_v) + state.energy * later_k,
            gain,
            2.0 * (u * smear_u + v * smear_v) + scatter_slope,
        ]
        return np.column_stack(parts)

    mean = u * u + v * v + np.einsum("ij,ij->i", basis, own) + state.energy * gain + scatter
    # weights: components of equal variance about a mean of the modelled size, without the wind
    # that was fitted, for weights must not follow the noise of single blocks
    background = state.background[samples.cells.of]
    one = background + 0.5 * (max(state.energy, 0.0) * gain + scatter)
    size = u * u + v * v + background
    return Evaluated(
        mean=mean,
        columns=columns(u + along, v + across),
        probes=columns(u, v),
        basis=basis,
        variance=4.0 * one * (size + one),
        gain=gain,
        gain_slope=slope,
        scatter=scatter,
        scatter_slope=scatter_slope,
    )


def background_of_speed(samples: Samples, now: Evaluated) -> Array:
    """Background variance of one component (cells,), the same for all, from quiet samples.

    For weights alone: the variance of the speed about its own slow change where wakes are weak.
    """
    cells = samples.cells
    quiet = now.gain <= np.quantile(now.gain, _QUIET)
    weight = quiet + 1e-6
    speed = np.sqrt(np.maximum(samples.value, 0.0))[:, None]
    rest = cells.without_local(speed, samples.shape, weight)[:, 0]
    variance = float(weight @ rest**2 / weight.sum())
    return np.full(cells.start.size, max(variance, _LEAST_BACKGROUND))
