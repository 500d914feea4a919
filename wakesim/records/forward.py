"""The modelled velocity at an instrument: mean and turbulence, pass by pass from a passing log.

Of each logged pass the mean pulse and wake and the energy of its turbulence are known in advance,
the turbulence itself is not. So the model of a record is a mean and a variance at each moment,

    E[u] = ambient + drift + p pulse_u + wake_u(S),    var u = F^2 share_u 2 k(S) + scatter_u,

with the strength p of the displacement flow, the spread S of the wakes and the factor F on the
rms of the turbulence. The wake is tabulated over S once and interpolated (cubic splines in log S),
so that the model costs next to nothing while constants are fitted. What the instrument does is
linear and is put into the table beforehand; of the turbulence it passes the share

    r = integral of |H(f)|^2 S(f) df / integral of S(f) df,

S being the spectrum of the turbulence of the wakes (von Karman, 0.2 s), H the transfer function.

A log is not exact. It gives the time of a pass to some tenths of a second and mostly no place in
the lane. Traffic is uniform in time over such errors, so the true time given the logged one
scatters about it with the logger's own standard deviation, and the expected velocity is the mean
line of the class,

    E[u](X) = sum_w p_w (G * f_w)(X),

w over the lateral places (normal weights p_w, unless the log has them), G the normal density of
the time error carried to the distance V sigma_t. A regression on E[u] is then unbiased (regression
calibration: R. J. Carroll et al., "Measurement Error in Nonlinear Models", 2006, from memory);
on f itself it would find the pulse too weak. What is left scatters from pass to pass with variance

    var u(X) = (1 + s^2) sum_w p_w (G * f_w^2)(X) - E[u](X)^2,

s being the relative scatter of the strength of single passes about their class.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import fft
from scipy.interpolate import CubicSpline
from scipy.ndimage import gaussian_filter1d

from wakesim import constants
from wakesim.air.noise import resolved_share, von_karman_spectrum
from wakesim.air.profiles import ambient_velocity
from wakesim.arrays import Array
from wakesim.case.mounts import Mount
from wakesim.case.schema import Case
from wakesim.constants import WAKE_LAWS
from wakesim.errors import CaseError
from wakesim.records.instrument import Respond
from wakesim.traffic.lines import (
    POINTS,
    WANDER_NODES,
    FieldSettings,
    LaneView,
    LineLibrary,
    LineTable,
)
from wakesim.traffic.mount_air import mount_air
from wakesim.traffic.scene import Scene, field_settings, prepare_scene, scene_lines
from wakesim.traffic.stream import Passes
from wakesim.traffic.superpose import superpose, view_table
from wakesim.vehicle.wake import SHARE_U, SHARE_V, TURBULENCE_TIME_S

_POINT_M = 0.01  # lines are interpolated over a width, which must not be zero


def point_mount(mount: Mount) -> Mount:
    """The mount with its swept rectangle shrunk to its centre: where an anemometer stands."""
    return mount.model_copy(update={"rotor_width_m": _POINT_M, "rotor_height_m": 0.0})


def stretch_of(time_s: Array, span: tuple[float, float], count: int) -> NDArray[np.int64]:
    """Number of the stretch of the log, of at most an hour each, at times (n,)."""
    length = max((span[1] - span[0]) / count, 1e-9)
    index = np.floor((np.asarray(time_s) - span[0]) / length).astype(np.int64)
    return np.clip(index, 0, count - 1)


def logged_scene(case: Case, mount: Mount, passes: Passes, span: tuple[float, float]) -> Scene:
    """The mount's centre with the classes, speeds and flows of the log instead of the case's.

    The flows that make the drift are those of stretches of the log of at most an hour.
    """
    if case.traffic is None:
        raise CaseError(f'{case.path}: study = "{case.study}": a record needs a traffic study')
    scene = prepare_scene(case, point_mount(mount))
    vehicles = list(case.vehicles.values())
    stretches = max(1, math.ceil((span[1] - span[0]) / 3600.0 - 0.01))
    hour = stretch_of(passes.time_s, span, stretches)
    length = max((span[1] - span[0]) / stretches, 1.0)
    inside = (passes.time_s >= span[0]) & (passes.time_s <= span[1])
    keys, views, rates = [], [], []
    for lane, kind in sorted(set(zip(passes.lane.tolist(), passes.vehicle.tolist(), strict=True))):
        mine = (passes.lane == lane) & (passes.vehicle == kind)
        speed, road = passes.speed_m_s[mine], case.road.lanes[lane]
        along, across = ambient_velocity(case.air.wind, 0.5 * vehicles[kind].height_m)
        keys.append((lane, kind))
        views.append(
            LaneView(
                vehicle=vehicles[kind],
                lane_centre_m=road.centre_m,
                direction=road.direction,
                mean_speed_m_s=float(speed.mean()),
                speed_sd_m_s=float(speed.std()),
                wind_along_m_s=float(along),
                wind_across_m_s=float(across),
            )
        )
        rates.append(np.bincount(hour[mine & inside], minlength=stretches) / length)
    return replace(
        scene,
        keys=tuple(keys),
        views=tuple(views),
        view_of=view_table(len(case.road.lanes), len(vehicles), keys),
        rates_per_s=np.array(rates).T,
    )


_LARGEST_TIME_S = 2.0


@dataclass(frozen=True)
class LogErrors:
    """How far the passing log may be off, standard deviations.

    ``time_s`` of the time of each pass, independent of each other (an error common to all is the
    clock offset, found by ``alignment``); a log to full seconds has 0.29 s. ``strength``: relative
    scatter of a pass about its class, from errors of the speed and from unlike vehicles (what a
    wrong speed does to the length of a pulse is left out).
    ``lateral_known``: the log has the place in the lane; if not, it is spread as the case's
    ``wander_sd_m`` says. Raises CaseError outside 0 to 2 s and 0 to 1.
    """

    time_s: float = 0.0
    strength: float = 0.0
    lateral_known: bool = False

    def __post_init__(self) -> None:
        for name, value, unit, top in (
            ("time_s", self.time_s, " s", _LARGEST_TIME_S),
            ("strength", self.strength, "", 1.0),
        ):
            if not 0.0 <= value <= top:
                raise CaseError(
                    f"error of the passing log: {name} = {value:g}{unit}: "
                    f"must be at least 0 and at most {top:g}{unit}"
                )


def expected_lines(library: LineLibrary, errors: LogErrors) -> LineLibrary:
    """The library with every line replaced by its mean over the place in the lane.

    The mean over the time error is the same smear in time for all passes, and left to the series.
    """
    count = WANDER_NODES.size

    def expected(table: LineTable) -> LineTable:
        out = replace(table, data=np.empty_like(table.data))
        for i in range(len(library.views)):
            lines = table.lines(i * count, count).astype(np.float64)
            out.lines(i * count, count)[:] = _mean(lines, errors, library, 0.0)
        return out

    return replace(library, pulse=expected(library.pulse), wake=expected(library.wake))


def scatter_lines(
    library: LineLibrary, errors: LogErrors, respond: Respond | None = None
) -> tuple[LineLibrary, LineLibrary]:
    """Libraries whose energy channel is the scatter of u, and of v, of one pass; the rest zero.

    Superposed like any library they give the variance of the sum over independent passes, m2/s2.
    ``respond`` (u, v, dt_s) -> (u, v) is the instrument that the pass is seen through. All points
    of the library are taken to be its middle one.
    """
    count = WANDER_NODES.size
    near = [LineTable.of(library.pulse.rows.tolist(), library.pulse.step_m) for _ in range(2)]
    far = [replace(library.far, data=np.zeros_like(library.far.data)) for _ in range(2)]
    wake = library.far.data[:, :POINTS].astype(np.float64)
    far[0].data[:, POINTS:] = errors.strength**2 * wake**2
    gain = 1.0 + errors.strength**2
    for i, view in enumerate(library.views):
        relative = float(view.relative_speed_m_s)
        seen = _seen(library, i)
        if respond is not None:
            dt = library.pulse.step_m / relative
            for w in range(count):
                seen[:, w] = respond(seen[0, w], seen[1, w], dt)
        sd = relative * errors.time_s / library.pulse.step_m
        for component, out in zip(seen, near, strict=True):
            mean = _mean(component, errors, library, sd)
            square = _mean(component**2, errors, library, sd)
            scatter = np.maximum(gain * square - mean**2, 0.0)
            out.lines(i * count, count)[:, :, 1] = scatter[:, :, None]
    still = replace(library.pulse, data=np.zeros_like(library.pulse.data))
    along, across = (
        replace(library, pulse=still, wake=w, wake_start_m=library.pulse_start_m, far=f)
        for w, f in zip(near, far, strict=True)
    )
    return along, across


def _seen(library: LineLibrary, view: int) -> Array:
    """u and v (2, wander, rows) of a view's pulse and near wake at the middle point."""
    count, middle = WANDER_NODES.size, POINTS // 2
    pulse = library.pulse.lines(view * count, count)[..., middle]
    seen = np.moveaxis(pulse, 2, 0).astype(np.float64)
    wake = library.wake.lines(view * count, count)[:, :, 0, middle]
    seen[0, :, seen.shape[2] - wake.shape[1] :] += wake
    return seen


def _mean(lines: Array, errors: LogErrors, library: LineLibrary, smear_rows: float) -> Array:
    """Mean over the place in the lane (first axis, kept) and the time error (second axis)."""
    out = lines
    if not errors.lateral_known and library.settings.wander_sd_m > 0.0:
        weight = np.exp(-0.5 * WANDER_NODES**2)
        mean = np.tensordot(weight / weight.sum(), lines, axes=1)
        out = np.broadcast_to(mean, lines.shape)
    if smear_rows > 0.0:
        out = gaussian_filter1d(out, smear_rows, axis=1, mode="nearest", truncate=6.0)
    return out


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


STEP_S = 0.025  # of the model, fine enough for pulses that last 0.1 s
SPREAD_NODES = 7
TIME_ERRORS_S = np.array([0.0, 0.04, 0.08, 0.15, 0.3, 0.6])  # of the log, tabulated for a fit
SHORTEST_LOG_S = 10.0
_CHUNK_S = 600.0
_LARGEST_VALUES = 120_000_000  # about 1 GB of tables
_RESPONSE_S = 60.0  # stretch on which the instrument's transfer function is taken
_CENTRE = 4


def spread_name(case: Case) -> str:
    """Key of the case's [model] that spreads the wakes of its law."""
    return WAKE_LAWS[case.model.wake_law].mixing


def allowed_range(key: str) -> tuple[float, float]:
    """Smallest and largest value that a case file takes for a number of its [model] table."""
    ends = constants.TABLE[key].allowed
    assert ends is not None
    return ends


def spread_nodes(case: Case, count: int = SPREAD_NODES) -> Array:
    """Values of the spread over all its allowed range, in equal ratios."""
    nodes = np.geomspace(*allowed_range(spread_name(case)), count)
    return np.asarray(nodes, dtype=np.float64)


def forward(
    case: Case,
    mount: Mount,
    passes: Passes,
    start_s: float,
    end_s: float,
    *,
    respond: Respond | None = None,
    errors: LogErrors = LogErrors(),
    spreads: Array | None = None,
    settings: FieldSettings | None = None,
    step_s: float = STEP_S,
    log_span_s: tuple[float, float] | None = None,
    time_errors_s: Array | None = None,
) -> ForwardSeries:
    """The model at the centre of a mount from ``start_s`` to ``end_s`` on the log's clock, s.

    ``passes`` are the logged ones (lane and vehicle numbered as in the case), each at the time its
    nose is abreast of the instrument. ``spreads``: values to tabulate (``spread_nodes`` for a fit,
    which tabulates time errors as well), by default the case's own alone. ``respond`` is the
    instrument. ``log_span_s``: when the log was kept, by default from its first to its last pass.
    ``time_errors_s``: errors of the log's times to tabulate, by default the assumed one alone or,
    with several ``spreads``, TIME_ERRORS_S.

    Raises CaseError for a case without traffic, an empty log, a log that does not overlap, or a
    stretch too long to hold in memory.
    """
    values = np.array([_own_spread(case)]) if spreads is None else np.asarray(spreads, float)
    samples = _samples(start_s, end_s, step_s, values.size)
    span = _span(passes, log_span_s)
    scene = logged_scene(case, mount, passes, span)
    base = field_settings(case) if settings is None else settings
    base = replace(
        base, constants=replace(base.constants, turbulence_factor=1.0), memory_by_hour=False
    )
    covered = (max(span[0] + base.wake_memory_s, start_s), min(span[1], end_s))
    if covered[1] - covered[0] < SHORTEST_LOG_S:
        raise CaseError(
            f"the passing log covers {span[0]:.6g} to {span[1]:.6g} s, the record "
            f"{start_s:.6g} to {end_s:.6g} s: less than {SHORTEST_LOG_S:g} s of the record follow "
            f"{base.wake_memory_s:g} s of logged traffic"
        )
    air = mount_air(scene, base, coarse=True)
    around = air.viscosity[[int(np.bincount(air.level).argmax())]]
    hour = stretch_of(passes.time_s, span, len(air.drag_factor))
    view = scene.view_of[passes.lane, passes.vehicle]
    acting = replace(passes, wake_factor=passes.wake_factor * air.drag_factor[hour, view])

    name, cache = spread_name(case), {}  # type: ignore[var-annotated]
    times = np.array([errors.time_s]) if time_errors_s is None else time_errors_s
    if time_errors_s is None and values.size >= 4:
        times = TIME_ERRORS_S
    pulse, scatter = np.zeros((2, samples)), np.zeros((times.size, 2, samples))
    wake, k = np.zeros((values.size, samples)), np.zeros((values.size, samples))
    for j, value in enumerate(values):
        changed = replace(base, constants=replace(base.constants, **{name: float(value)}))
        lines = scene_lines(scene, changed, around, cache)
        field = walked(scene, expected_lines(lines, errors), acting, start_s, samples, step_s)
        wake[j], k[j] = field[2], field[3]
        if j == 0:
            pulse = field[:2].copy()
    lines = scene_lines(scene, base, around, cache)
    for t, time_s in enumerate(times):
        parts = scatter_lines(lines, replace(errors, time_s=float(time_s)), respond)
        for c, part in enumerate(parts):
            scatter[t, c] = walked(scene, part, acting, start_s, samples, step_s)[3]
    drift = air.by_class.sum(axis=1)[:, _CENTRE]
    out = ForwardSeries(
        start_s=start_s,
        step_s=step_s,
        spread_name=name,
        spread=values,
        spread_value=float(getattr(base.constants, name)),
        turbulence_factor=case.model.turbulence_factor,
        pulse=pulse,
        wake=wake,
        k=k,
        scatter=scatter,
        drift=drift[stretch_of(start_s + step_s * np.arange(samples), span, drift.size)],
        ambient_m_s=(float(scene.ambient[_CENTRE, 0]), float(scene.ambient[_CENTRE, 1])),
        share=1.0,
        covered_s=covered,
        counts=_counts(case, passes, covered),
        time_errors=times,
        time_error_s=errors.time_s,
    )
    return out if respond is None else _through(out, respond)


def _own_spread(case: Case) -> float:
    return float(getattr(case.model, spread_name(case)))


def _samples(start_s: float, end_s: float, step_s: float, tables: int) -> int:
    if not (step_s > 0.0 and end_s > start_s):
        raise ValueError("a stretch of time and a step greater than 0 s are needed")
    samples = math.ceil((end_s - start_s) / step_s) + 1
    columns = 2 * tables + 5 + 2 * TIME_ERRORS_S.size * (tables > 1)
    if samples * columns > _LARGEST_VALUES:
        longest = _LARGEST_VALUES / columns * step_s
        raise CaseError(
            f"the record is {(end_s - start_s) / 3600.0:.3g} h long; at most "
            f"{longest / 3600.0:.3g} h can be held against single passes at once: take a part of it"
        )
    return samples


def _span(passes: Passes, given: tuple[float, float] | None) -> tuple[float, float]:
    if len(passes) == 0:
        raise CaseError("the passing log holds no passes")
    if given is not None:
        return given
    return float(passes.time_s.min()), float(passes.time_s.max())


def walked(
    scene: Scene, lines: LineLibrary, passes: Passes, start_s: float, samples: int, step_s: float
) -> Array:
    """Sum over all passes at the point, (4, samples): pulse u, pulse v, wake u, k."""
    out = np.empty((4, samples))
    chunk = max(1, round(_CHUNK_S / step_s))
    for first in range(0, samples, chunk):
        count = min(chunk, samples - first)
        field = superpose(
            lines, scene.view_of, passes, len(scene.case.vehicles),
            start_s + first * step_s, count, step_s,
        )  # fmt: skip
        out[:, first : first + count] = field[:, :, :, _CENTRE].sum(axis=0).T
    return out


def _counts(case: Case, passes: Passes, covered: tuple[float, float]) -> dict[str, int]:
    inside = (passes.time_s >= covered[0]) & (passes.time_s <= covered[1])
    number = np.bincount(passes.vehicle[inside], minlength=len(case.vehicles))
    return {name: int(n) for name, n in zip(case.vehicles, number, strict=True)}


def _through(model: ForwardSeries, respond: Respond) -> ForwardSeries:
    """The model as the instrument shows it; the scatter is so already."""

    def shown(values: Array) -> Array:
        still = np.zeros_like(values[0])
        return np.array([respond(row, still, model.step_s)[0] for row in values])

    return replace(
        model,
        pulse=np.array(respond(model.pulse[0], model.pulse[1], model.step_s)),
        wake=shown(model.wake),
        k=np.maximum(shown(model.k), 0.0),
        share=turbulence_share(respond, model.step_s),
    )


def turbulence_share(respond: Respond, step_s: float, time_s: float = TURBULENCE_TIME_S) -> float:
    """Share of the variance of turbulence of integral time scale ``time_s`` that is shown.

    The transfer function is that of the response to a short gust; beyond the highest frequency of
    the step it is taken as at that frequency.
    """
    n = fft.next_fast_len(round(_RESPONSE_S / step_s))
    gust, still = np.zeros(n), np.zeros(n)
    gust[n // 2] = 1.0
    power = np.abs(fft.rfft(respond(gust, still, step_s)[0])) ** 2
    density = von_karman_spectrum(fft.rfftfreq(n, step_s), time_s)
    density[0] *= 0.5
    resolved = resolved_share(step_s, time_s)
    inside = float(density @ power / density.sum())
    return resolved * inside + (1.0 - resolved) * float(power[-1])
