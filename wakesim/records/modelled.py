"""The record that the model's air would have left: whole series, seen through the instrument.

Passes are either the logged ones or the case's own traffic. Along the road and across it

    u = ambient + gusts + drift + pulse_u + wake_u + sqrt(2 share_u k) n_u,  v likewise,

(with an ambient mast, also its slow changes), n being noise of unit variance with the spectrum of
wake turbulence. The instrument's answer, the logger's mean, its noise and its steps follow, and
samples are taken at the moments of the measured record, gaps included. So both records go through
the same statistics, and what an average or a gap does to one it does to the other.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from wakesim import constants
from wakesim.air.noise import resolved_share, von_karman_noise
from wakesim.arrays import Array
from wakesim.case.instrument import Instrument
from wakesim.case.schema import Case
from wakesim.records.ambient_mast import SlowWind
from wakesim.records.anemometer import AnemometerRecord
from wakesim.records.forward import (
    ForwardSeries,
    LogErrors,
    forward,
    logged_scene,
    point_mount,
    stretch_of,
    walked,
)
from wakesim.records.inputs import Anemometer, Inputs
from wakesim.records.instrument import (
    SPEED_ONLY,
    apply_response,
    linear_response,
    recorded,
    transfer,
)
from wakesim.records.passing_log import PassingLog
from wakesim.traffic.lines import FieldSettings, LineLibrary
from wakesim.traffic.mount_air import MountAir, mount_air
from wakesim.traffic.scene import Scene, draw_round, field_settings, prepare_scene, scene_lines
from wakesim.traffic.stream import Passes
from wakesim.vehicle.wake import SHARE_U, SHARE_V, TURBULENCE_TIME_S

Cache = dict[tuple[object, ...], Array]

FINE_STEP_S, COARSE_STEP_S = 0.025, 0.05
LONG_S = 7200.0  # beyond this the coarse step is taken
_CENTRE = 4
_LARGEST_WANDER_SDS = 3.0


class Window(NamedTuple):
    """Samples (n,) of a modelled record between two moments; ``seed`` is that of its noise."""

    start_s: float
    end_s: float
    time_s: Array
    seed: int


@dataclass(frozen=True)
class Scenario:
    """Traffic at the instrument and when it is looked at.

    ``passes`` are on the clock of the windows. ``span_s`` is the time over which the hours of
    ``scene.rates_per_s`` are spread. ``components``: u and v are recorded and not the speed alone.
    """

    scene: Scene
    settings: FieldSettings
    passes: Passes
    span_s: tuple[float, float]
    windows: tuple[Window, ...]
    instrument: Instrument
    step_s: float
    dt_s: float
    seed: int
    errors: LogErrors | None = None
    components: bool = True
    wind: SlowWind | None = None

    @property
    def duration_s(self) -> float:
        """Time in all windows together, s."""
        return sum(w.end_s - w.start_s for w in self.windows)


def fine_step(duration_s: float) -> float:
    """Step of the modelled air for so long a record, s."""
    return FINE_STEP_S if duration_s <= LONG_S else COARSE_STEP_S


def modelled_records(
    scenario: Scenario,
    cache: Cache,
    *,
    draws: int = 1,
    scene: Scene | None = None,
    settings: FieldSettings | None = None,
    windows: Sequence[Window] | None = None,
) -> list[AnemometerRecord]:
    """Draws of what the instrument would have recorded.

    The draws of one number share noise and log errors whatever ``scene`` and ``settings`` are, so
    that differences are those of the model's constants. Times count from the first sample.
    """
    scene = scenario.scene if scene is None else scene
    settings = scenario.settings if settings is None else settings
    windows = scenario.windows if windows is None else windows
    settings = replace(settings, memory_by_hour=False)  # one set of lines serves all
    air = mount_air(scene, settings, coarse=True)
    around = air.viscosity[[int(np.bincount(air.level).argmax())]]
    lines = scene_lines(scene, settings, around, cache)
    return [_drawn(scenario, number, scene, lines, air, windows) for number in range(draws)]


def _drawn(
    scenario: Scenario,
    number: int,
    scene: Scene,
    lines: LineLibrary,
    air: MountAir,
    windows: Sequence[Window],
) -> AnemometerRecord:
    """The draw of that number."""
    hours = len(air.drag_factor)
    passes = _scattered(scenario, number)
    view = scene.view_of[passes.lane, passes.vehicle]
    factor = air.drag_factor[stretch_of(passes.time_s, scenario.span_s, hours), view]
    passes = replace(passes, wake_factor=passes.wake_factor * factor)
    drift = air.by_class.sum(axis=1)[:, _CENTRE]
    parts = []
    for window in windows:
        rng = np.random.default_rng([scenario.seed, number, window.seed, 11])
        n = math.ceil((window.end_s - window.start_s) / scenario.step_s) + 2
        time = window.start_s + scenario.step_s * np.arange(n)
        pulse_u, v, wake_u, k = walked(scene, lines, passes, window.start_s, n, scenario.step_s)
        u = pulse_u + wake_u + drift[stretch_of(time, scenario.span_s, hours)]
        if scenario.wind is not None:
            slow_u, slow_v = scenario.wind.at(time)
            u, v = u + slow_u, v + slow_v
        u, v = _with_turbulence(scenario, scene, (u, v, np.maximum(k, 0.0)), rng)
        parts.append(_shown(scenario, window, u, v, rng))
    time = np.concatenate([w.time_s for w in windows])
    u, v, speed = (
        None if parts[0][i] is None else np.concatenate([p[i] for p in parts]) for i in range(3)
    )
    return AnemometerRecord(
        time_s=time - time[0], speed_m_s=speed, u_m_s=u, v_m_s=v, w_m_s=None, dt_s=scenario.dt_s,
        start=None, gap_share=0.0, path="model", sha256="",
    )  # fmt: skip


def _scattered(scenario: Scenario, number: int) -> Passes:
    """The passes with what the log may have wrong drawn at random."""
    errors, passes = scenario.errors, scenario.passes
    if errors is None:
        return passes
    rng = np.random.default_rng([scenario.seed, number, 23])
    draws = rng.standard_normal((2, len(passes)))
    wander = passes.wander_m
    if not errors.lateral_known:
        limit = _LARGEST_WANDER_SDS
        wander = wander + scenario.settings.wander_sd_m * np.clip(draws[1], -limit, limit)
    return replace(passes, time_s=passes.time_s + errors.time_s * draws[0], wander_m=wander)


def _with_turbulence(
    scenario: Scenario, scene: Scene, field: tuple[Array, Array, Array], rng: np.random.Generator
) -> tuple[Array, Array]:
    """Velocity components (n,) with wake turbulence and ambient wind."""
    u, v, k = field
    n, step = k.size, scenario.step_s
    # the part of the spectrum beyond the step's highest frequency is lost in the instrument's mean
    kept = resolved_share(step, TURBULENCE_TIME_S)
    passed = float(transfer(0.5 / step, scenario.instrument, 1.0))
    rms = np.sqrt(2.0 * (kept + (1.0 - kept) * passed) * k)
    out = []
    for c, (mean, share) in enumerate(((u, SHARE_U), (v, SHARE_V))):
        eddies = von_karman_noise(n, step, TURBULENCE_TIME_S, rng)
        total = mean + math.sqrt(share) * rms * eddies + scene.ambient[_CENTRE, c]
        if scene.ambient_sd[_CENTRE] > 0.0:
            gusts = von_karman_noise(n, step, scene.ambient_time_s, rng)
            total += scene.ambient_sd[_CENTRE] * gusts
        out.append(total)
    return out[0], out[1]


def _shown(
    scenario: Scenario, window: Window, u: Array, v: Array, rng: np.random.Generator
) -> tuple[Array | None, Array | None, Array]:
    """(u, v, speed) at the window's samples as the instrument writes them."""
    instrument = scenario.instrument
    shown = apply_response(u, v, scenario.step_s, instrument)
    position = (window.time_s - window.start_s) / scenario.step_s
    grid = np.arange(u.size)
    alone = not scenario.components or instrument.kind in SPEED_ONLY or shown.u is None
    if alone:
        at = np.interp(position, grid, shown.speed)
        return None, None, np.abs(recorded(at, instrument, rng))
    parts = np.array([np.interp(position, grid, part) for part in (shown.u, shown.v)])
    parts = recorded(parts, instrument, rng)
    return parts[0], parts[1], np.hypot(parts[0], parts[1])


def windows_of(
    time_s: Array, gap_s: float, longest_s: float = math.inf, number: int = 0
) -> tuple[Window, ...]:
    """Windows that hold all samples (n,), cut where more than ``gap_s`` is missing.

    With ``number``, only so many stretches of ``longest_s``, evenly spread over the record.
    """
    breaks = np.flatnonzero(np.diff(time_s) > gap_s) + 1
    edges = np.concatenate([[0], breaks, [time_s.size]])
    found = [_window(time_s[a:b], a) for a, b in pairwise(edges.tolist())]
    if not number or sum(w.end_s - w.start_s for w in found) <= number * longest_s:
        return tuple(found)
    out = []
    total = float(time_s[-1] - time_s[0])
    for i in range(number):
        start = float(time_s[0]) + total * (i + 0.5) / number - 0.5 * longest_s
        part = slice(*np.searchsorted(time_s, [start, start + longest_s]))
        out += windows_of(time_s[part], gap_s) if time_s[part].size > 1 else ()
    return tuple(w._replace(seed=i) for i, w in enumerate(out))


def _window(time_s: Array, seed: int) -> Window:
    return Window(float(time_s[0]) - 2.0, float(time_s[-1]) + 2.0, time_s, seed)


LARGEST_OFFSET_S = 60.0  # of the log's clock from the record's
GAP_S = 30.0  # a longer gap ends a window of the model
_SIMULATED_S = (3600.0, 6 * 3600.0)  # least and most simulated without a log
_SHORTEST_S, _LONGEST_S = 120.0, 3590.0  # in one clock hour
_EDGE_S = 5.0  # of a clock hour that is left out


def other_law(case: Case) -> Case:
    """The case with the law that its wake law is compared with."""
    law = constants.WAKE_LAWS[case.model.wake_law].other
    return replace(case, model=case.model.model_copy(update={"wake_law": law}))


def forward_at(
    case: Case,
    at: Anemometer,
    errors: LogErrors,
    span_s: tuple[float, float] | None = None,
    **options: object,
) -> ForwardSeries:
    """The model of the logged passes at an anemometer, over a span of the log's clock (default: the
    record and what its clock may be off)."""
    record = at.record
    respond = linear_response(at.instrument, float(record.speed_m_s.mean()))
    start, end = span_s or (-LARGEST_OFFSET_S, record.duration_s + LARGEST_OFFSET_S)
    return forward(
        case, at.mount, at.log.passes, start, end, respond=respond, errors=errors,
        **({"step_s": fine_step(end - start)} | options),
    )  # type: ignore[arg-type]  # fmt: skip


def logged_scenario(
    inputs: Inputs,
    case: Case,
    log: PassingLog,
    record: AnemometerRecord,
    passes: Passes,
    errors: LogErrors,
    components: bool,
    wind: SlowWind | None = None,
) -> Scenario:
    """The logged vehicles at the samples of ``record``; ``passes`` are those of the log on its
    clock."""
    scene = logged_scene(case, inputs.mount, log.passes, log.span_s)
    assert case.traffic is not None
    return Scenario(
        scene=scene,
        settings=field_settings(case),
        passes=passes,
        span_s=(float(passes.time_s.min()), float(passes.time_s.max())),
        windows=windows_of(record.time_s, GAP_S),
        instrument=inputs.instrument,
        step_s=fine_step(record.duration_s),
        dt_s=record.dt_s,
        seed=case.traffic.seed,
        errors=errors,
        components=components,
        wind=wind,
    )


def simulated_scenario(
    inputs: Inputs,
    case: Case,
    record: AnemometerRecord,
    components: bool,
    wind: SlowWind | None = None,
) -> tuple[Scenario, list[str]]:
    """The case's own traffic of the record's clock hours, in their shares, and what was assumed.

    A window for each hour, its number as seed; without clock times the hours of the case.
    """
    notes = []
    if inputs.hours is None:
        counted = dict.fromkeys(case.compute.hours, 1)
        first, last = case.compute.hours[0], (case.compute.hours[-1] + 1) % 24
        notes.append(
            "the record has no clock times: it is compared with the hours of the case, "
            f"{first} to {last} h"
        )
    else:
        values, number = np.unique(inputs.hours, return_counts=True)
        counted = dict(zip(values.tolist(), number.tolist(), strict=True))
    first, length = shortest_run(sorted(counted))
    compute = case.compute.model_copy(update={"start_hour": first, "duration_h": float(length)})
    timed = replace(case, compute=compute)
    assert timed.traffic is not None
    simulated = float(np.clip(2.0 * record.duration_s, *_SIMULATED_S))
    simulated = min(simulated, 3600.0 * len(counted))
    windows = []
    for hour, weight in counted.items():
        span = simulated * weight / sum(counted.values())
        span = min(max(span, _SHORTEST_S), _LONGEST_S)
        start = 3600.0 * ((hour - first) % 24) + _EDGE_S
        time = start + record.dt_s * np.arange(round(span / record.dt_s))
        windows.append(Window(start - 2.0, float(time[-1]) + 2.0, time, hour))
    settings = field_settings(timed)
    scenario = Scenario(
        scene=prepare_scene(timed, point_mount(inputs.mount)),
        settings=settings,
        passes=draw_round(timed, 0, 60.0 + settings.wake_memory_s),
        span_s=(0.0, 3600.0 * length),
        windows=tuple(sorted(windows, key=lambda w: w.start_s)),
        instrument=inputs.instrument,
        step_s=fine_step(simulated),
        dt_s=record.dt_s,
        seed=timed.traffic.seed,
        components=components,
        wind=None if wind is None else wind._replace(period_s=record.duration_s),
    )
    return scenario, notes


def shortest_run(hours: list[int]) -> tuple[int, int]:
    """First hour and number of the shortest run around the clock that holds all ``hours``.

    ``hours`` are sorted clock hours, each once.
    """
    gaps = [(hours[(i + 1) % len(hours)] - h - 1) % 24 for i, h in enumerate(hours)]
    widest = int(np.argmax(gaps)) if len(hours) > 1 else 0
    first = hours[(widest + 1) % len(hours)]
    return first, (24 - gaps[widest] if len(hours) > 1 else 1)
