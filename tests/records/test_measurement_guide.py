"""The measurement guide says what the program computes, reads and accepts."""

from __future__ import annotations

import re
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from wakesim.case.instrument import Instrument
from wakesim.case.load import load_case
from wakesim.case.mounts import Mount
from wakesim.case.schema import Case
from wakesim.case.vehicle import vehicle
from wakesim.cli import _parser
from wakesim.measures import series
from wakesim.records.alignment import FASTEST_DRIFT
from wakesim.records.columns import ANEMOMETER, PASSING_LOG
from wakesim.records.decisive import DECAY_S
from wakesim.records.forward import point_mount
from wakesim.records.instrument import apply_response
from wakesim.records.modelled import LARGEST_OFFSET_S
from wakesim.runtime import cases_path
from wakesim.traffic.mount_air import mount_air
from wakesim.traffic.scene import (
    draw_round,
    field_settings,
    prepare_scene,
    round_noise,
    scene_lines,
)
from wakesim.vehicle.passfield import pass_field
from wakesim.vehicle.wake import AirState, WakeConstants, vehicle_wake

GUIDE = (Path(__file__).parents[2] / "validation" / "MEASUREMENT_GUIDE.md").read_text("utf-8")
LANE_M = -1.825


def table(name: str) -> list[list[str]]:
    body = GUIDE.split(f"<!-- table: {name} -->")[1].split("<!-- end of table -->")[0]
    rows = [[c.strip() for c in line.strip("|").split("|")] for line in body.strip().splitlines()]
    return rows[2:]


def snippet(kind: str, start: str) -> str:
    found = re.findall(rf"```{kind}\n(.*?)```", GUIDE, re.DOTALL)
    return next(text for text in found if text.startswith(start))


def test_wake_table() -> None:
    lorry = vehicle("artic_lorry_eu")
    for height, *cells in table("wake after a lorry"):
        told = [float(cell) for cell in cells]
        computed = [
            25.0
            * float(
                vehicle_wake(lorry, WakeConstants(law=law), AirState(0.02 / 25.0)).velocity(
                    25.0 * t - lorry.length_m, 4.5 - LANE_M, float(height)
                )
            )
            for t in (15.0, 30.0, 60.0)
            for law in ("section", "couple")
        ]
        np.testing.assert_allclose(told, computed, atol=0.0051)


@pytest.mark.parametrize(
    ("name", "speed", "place", "along", "across"),
    [
        ("artic_lorry_eu", 25.0, 10.0, 0.1, 0.2),
        ("small_car", 33.3, 10.0, 0.0, 0.0),
        ("artic_lorry_eu", 25.0, 4.5, 0.3, 0.8),
        ("artic_lorry_eu", 25.0, 1.2, 1.1, 2.9),
        ("small_car", 33.3, 4.5, 0.2, 0.2),
        ("small_car", 33.3, 1.2, 0.8, 0.8),
    ],
)
def test_pulses(name: str, speed: float, place: float, along: float, across: float) -> None:
    x = -speed * np.arange(-2.0, 3.0, 0.02)
    points = np.column_stack([x, np.full_like(x, place - LANE_M), np.full_like(x, 1.5)])
    pulse = speed * pass_field(vehicle(name)).displacement(points)
    if name.startswith("artic"):  # the nose: forward along the road
        assert pulse[:, 0].max() == pytest.approx(along, abs=0.06)
    else:  # a car's largest is the backward one beside it
        assert -pulse[:, 0].min() == pytest.approx(along, abs=0.06)
    assert pulse[:, 1].max() == pytest.approx(across, abs=0.06)


def test_columns_and_files(tmp_path: Path) -> None:
    for known in (ANEMOMETER, PASSING_LOG):
        assert all(f"`{name}`" in GUIDE for name in known)
    head = snippet("", "# sonic 2").splitlines()[2]
    assert set(head.split(",")) <= set(ANEMOMETER)
    head = snippet("", "time,class").splitlines()[0]
    assert set(head.split(",")) <= set(PASSING_LOG)
    Instrument.model_validate(tomllib.loads(snippet("toml", "[instrument]"))["instrument"])


def test_limits_are_those_of_the_program() -> None:
    """What the guide says of clocks and memory is what the program takes."""
    assert f"an even drift up to {1e6 * FASTEST_DRIFT:.0f} ppm" in GUIDE
    assert f"constant offset up to {LARGEST_OFFSET_S:.0f} s" in GUIDE
    assert f"`model.wake_memory_s` of the case must be {DECAY_S[-1][1]:.0f} or more" in GUIDE
    assert "15 to 30 s and 30 to 60 s" in GUIDE
    assert DECAY_S == ((15.0, 30.0), (30.0, 60.0))
    options = set(re.findall(r"`(--[a-z-]+)", GUIDE))
    known = {option for line in _parser_options() for option in line}
    assert options <= known


def _parser_options() -> list[list[str]]:
    parsers = _parser()._subparsers._group_actions[0].choices  # type: ignore[union-attr]
    return [action.option_strings for parser in parsers.values() for action in parser._actions]


def percent(cell: str) -> float:
    return float(cell.replace("−", "-").replace("%", "").replace("+", ""))


def simulated(case: Case, mount: Mount) -> tuple[np.ndarray, np.ndarray, float]:
    """Velocity along and across the road at one point, m/s, in one round of the case's traffic."""
    scene = prepare_scene(case, point_mount(mount))
    settings = field_settings(case)
    samples = round(3600.0 * case.compute.duration_h * case.compute.sample_rate_hz)
    air = mount_air(scene, settings)
    passes = draw_round(case, 0, 10.0 + 1.25 * settings.wake_memory_s)
    noise = round_noise(scene, 0, samples)
    lines = scene_lines(scene, settings, air.viscosity, memory_s=air.memory_s)
    sums = series.merge(list(series.walk(scene, lines, passes, 0.0, samples, noise, air)))
    return sums.u, sums.v, 1.0 / case.compute.sample_rate_hz


def block_average(values, dt, length):
    """Means over whole blocks of ``length`` s."""
    size = round(length / dt)
    return values[: values.size // size * size].reshape(-1, size).mean(axis=1)


@pytest.mark.slow
@pytest.mark.parametrize(("place", "column"), [(4.5, 0), (1.2, 2)])
def test_instrument_table(place: float, column: int) -> None:
    case = load_case(cases_path("expressway-post.toml"))
    compute = case.compute.model_copy(update={"duration_h": 2.0, "start_hour": 8})
    mount = case.mounts[0].model_copy(update={"offset_m": place})
    u, v, dt = simulated(replace(case, compute=compute), mount)
    true = np.hypot(u, v)
    sonic = Instrument(kind="sonic", path_length_m=0.15, averaging_s=0.1)
    second = Instrument(kind="sonic", path_length_m=0.15, averaging_s=1.0)
    cups = [
        Instrument(kind="cup", distance_constant_m=2.5, starting_speed_m_s=start)
        for start in (0.4, 0.8)
    ]
    ten = np.hypot(block_average(u, dt, 10.0), block_average(v, dt, 10.0))
    shown = [
        apply_response(u, v, dt, sonic).speed,
        apply_response(u, v, dt, second).speed,
        block_average(true, dt, 10.0),
        block_average(true, dt, 600.0),
        ten,
        *(apply_response(u, v, dt, cup).speed for cup in cups),
    ]
    told = GUIDE.split("## What would settle")[0]
    effective, mean, below = (
        re.search(rf"\| {line}[^|]*\| ([\d.]+)[^|]*\| ([\d.]+)", told)
        for line in ("effective speed", "mean speed", "time below")
    )
    side = column // 2 + 1
    assert np.cbrt(np.mean(true**3)) == pytest.approx(float(effective[side]), abs=0.06)
    assert true.mean() == pytest.approx(float(mean[side]), abs=0.06)
    assert 100 * np.mean(true < 1.0) == pytest.approx(float(below[side]), abs=1.0)
    for row, speed in zip(table("instruments"), shown, strict=True):
        change = 100 * (np.cbrt(np.mean(speed**3) / np.mean(true**3)) - 1)
        assert change == pytest.approx(percent(row[1 + column]), abs=1.5)
        if row[2 + column]:
            change = 100 * (speed.mean() / true.mean() - 1)
            assert change == pytest.approx(percent(row[2 + column]), abs=1.5)
