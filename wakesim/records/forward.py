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

Without a log single moments cannot be known; see wakesim.records.simulated.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from scipy import fft

from wakesim.air.noise import resolved_share, von_karman_spectrum
from wakesim.arrays import Array
from wakesim.case.mounts import Mount
from wakesim.case.schema import Case
from wakesim.case.settings import ModelConstants
from wakesim.errors import CaseError
from wakesim.records.forward_series import ForwardSeries
from wakesim.records.logged_scene import logged_scene, stretch_of
from wakesim.records.logged_scene import point_mount as point_mount
from wakesim.records.pass_lines import LogErrors, Respond, expected_lines, scatter_lines
from wakesim.traffic.lines import FieldSettings, LineLibrary
from wakesim.traffic.mount_air import mount_air
from wakesim.traffic.scene import Scene, field_settings, scene_lines
from wakesim.traffic.stream import Passes
from wakesim.traffic.superpose import superpose
from wakesim.vehicle.wake import TURBULENCE_TIME_S

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
    return {
        "section": "weak_shear_mixing",
        "couple": "couple_spread",
        "momentum": "momentum_spread",
    }[case.model.wake_law]


def allowed_range(key: str) -> tuple[float, float]:
    """Smallest and largest value that a case file takes for a number of its [model] table."""
    limits = ModelConstants.model_fields[key].metadata
    low = next(m.ge for m in limits if hasattr(m, "ge"))
    high = next(m.le for m in limits if hasattr(m, "le"))
    return float(low), float(high)


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
    errors: LogErrors = LogErrors(),  # noqa: B008
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
    base = replace(base, constants=replace(base.constants, turbulence_factor=1.0))
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
