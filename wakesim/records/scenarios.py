"""Whose air the model makes: the logged vehicles, or simulated ones of the same clock hours."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from wakesim.case.schema import Case
from wakesim.records.anemometer import AnemometerRecord
from wakesim.records.forward import forward, logged_scene, point_mount
from wakesim.records.forward_series import ForwardSeries
from wakesim.records.inputs import Anemometer, Inputs
from wakesim.records.instrument import linear_response
from wakesim.records.modelled import Scenario, SlowWind, Window, fine_step, windows_of
from wakesim.records.pass_lines import LogErrors
from wakesim.records.passing_log import PassingLog
from wakesim.traffic.scene import draw_round, field_settings, prepare_scene
from wakesim.traffic.stream import Passes

LARGEST_OFFSET_S = 60.0  # of the log's clock from the record's
GAP_S = 30.0  # a longer gap ends a window of the model
_SIMULATED_S = (3600.0, 6 * 3600.0)  # least and most simulated without a log
_SHORTEST_S, _LONGEST_S = 120.0, 3590.0  # in one clock hour
_EDGE_S = 5.0  # of a clock hour that is left out


def other_law(case: Case) -> Case:
    """The case with the comparator of its wake law: the couple wake, or the marched one."""
    law = "section" if case.model.wake_law == "couple" else "couple"
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
