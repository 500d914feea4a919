"""Rounds of a case at its first mount, vehicle by vehicle, to hold exact statistics against."""

from __future__ import annotations

from collections.abc import Iterator

from wakesim.case.schema import Case
from wakesim.measures import series
from wakesim.measures.series import RotorSums
from wakesim.traffic.lines import FieldSettings
from wakesim.traffic.mount_air import mount_air
from wakesim.traffic.scene import (
    draw_round,
    field_settings,
    prepare_scene,
    round_noise,
    scene_lines,
    with_drag,
)


def walked_rounds(
    case: Case, rounds: int, settings: FieldSettings | None = None
) -> Iterator[list[RotorSums]]:
    """The stretches of each round in turn; ``settings`` default to the case's."""
    settings = field_settings(case) if settings is None else settings
    scene = prepare_scene(case, case.mounts[0])
    air = mount_air(scene, settings)
    lines = scene_lines(scene, settings, air.viscosity, memory_s=air.memory_s)
    samples = round(3600.0 * case.compute.duration_h * case.compute.sample_rate_hz)
    before = 2.0 * max(settings.wake_memory_s, float(air.memory_s.max()))
    for number in range(rounds):
        passes = with_drag(scene, draw_round(case, number, before), air.drag_factor)
        noise = round_noise(scene, number, samples)
        yield list(series.walk(scene, lines, passes, 0.0, samples, noise, air))
