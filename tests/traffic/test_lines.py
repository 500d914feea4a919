"""Lines against the pass field they are taken from."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from wakesim.case.vehicle import catalogue
from wakesim.traffic.lines import (
    SPEED_NODES,
    WANDER_NODES,
    FieldSettings,
    LaneView,
    air_relative_speed,
    build_library,
)
from wakesim.vehicle.passfield import pass_field
from wakesim.vehicle.wake import AirState, WakeConstants

SETTINGS = FieldSettings(WakeConstants(), True, 20.0, 0.25)
STIRRED = 0.5  # m2/s


def rotor(y, z, width=1.0, height=2.0):
    steps = np.array([-1.0, 0.0, 1.0]) / 3.0
    a, b = np.meshgrid(y + steps * width, z + steps * height, indexing="ij")
    return np.column_stack([a.ravel(), b.ravel()])


@pytest.mark.parametrize(
    ("name", "lane", "direction", "mount"),
    [
        ("small_car", -1.825, 1, (1.5, 1.5)),
        ("artic_lorry_eu", -1.825, 1, (2.0, 2.5)),
        ("artic_lorry_eu", -17.3, -1, (4.5, 2.0)),
        ("coach", -1.825, 1, (-1.0, 6.5)),  # overhead
    ],
)
def test_near_lines_are_the_pass_field(name, lane, direction, mount):
    vehicle = catalogue()[name]
    view = LaneView(vehicle, lane, direction, 25.0, 2.0)
    points = rotor(*mount)
    library = build_library((view,), points, SETTINGS, viscosity_m2_s=STIRRED)
    field = pass_field(vehicle, air=AirState(0.5 / 25.0, 0.0))
    for node in (0, 4, 8):
        rows = library.pulse.lines(node, 1)[0]
        wakes = library.wake.lines(node, 1)[0]
        x = library.pulse_start_m - library.pulse.step_m * np.arange(len(rows))
        behind = library.wake_start_m - library.wake.step_m * np.arange(len(wakes))
        for p in (0, 4, 8):
            y = direction * (points[p, 0] - lane - WANDER_NODES[node] * 0.25)
            at = np.column_stack([x, np.full(x.size, y), np.full(x.size, points[p, 1])])
            pulse = direction * field.displacement(at)[:, :2]
            scale = np.abs(pulse).max()
            assert rows[:, :, p] == pytest.approx(pulse, abs=0.01 * scale)
            wake, energy = direction * field.wake(at)[:, 0], field.turbulence(at)
            last = len(rows) - len(wakes)
            assert not wake[:last].any()
            assert not energy[:last].any()
            assert behind == pytest.approx(x[last:], abs=1e-12)
            assert wakes[:, 0, p] == pytest.approx(wake[last:], abs=2e-7)  # single precision
            assert wakes[:, 1, p] == pytest.approx(energy[last:], abs=2e-7)


def test_far_lines_continue_the_near_ones_and_fade_at_the_cutoff():
    vehicle = catalogue()["suv"]
    view = LaneView(vehicle, -1.825, 1, 30.0, 3.0)
    points = rotor(3.0, 1.5)
    library = build_library((view,), points, SETTINGS, viscosity_m2_s=STIRRED)
    near = library.wake.lines(4, 1)[0, -1]
    middle = int(np.flatnonzero(SPEED_NODES == 0.0)[0])
    far = library.far.lines(middle, 1)[0]
    assert far[0] == pytest.approx(near, rel=1e-6)
    x = library.far_start_m[0] - library.far.step_m * np.arange(len(far))
    age = (-vehicle.length_m - x) / 30.0
    assert np.all(far[age >= 20.0] == 0.0)
    field = pass_field(vehicle, air=AirState(0.5 / 30.0, 0.0))
    early = (age > 4.0) & (age < 18.0)
    at = np.column_stack([x, np.full(x.size, 3.0 + 1.825), np.full(x.size, 1.5)])[early]
    assert far[early, 0, 4] == pytest.approx(field.wake(at)[:, 0], rel=2e-7)


def test_age_by_speed_node_is_close_enough():
    """Between speed nodes a wake's age is off; its far signature changes by a few per cent."""
    vehicle = catalogue()["small_car"]
    view = LaneView(vehicle, -1.825, 1, 30.0, 3.0)
    library = build_library((view,), rotor(3.0, 1.5), SETTINGS, viscosity_m2_s=STIRRED)
    far = library.far.lines(1, 1)[0, :, 0, 4].astype(np.float64)
    x = library.far_start_m[0] - library.far.step_m * np.arange(len(far))
    halfway = 30.0 + 0.625 * 3.0  # the worst place, between two nodes
    field = pass_field(vehicle, air=AirState(0.5 / halfway, 0.0))
    at = np.column_stack([x, np.full(x.size, 4.825), np.full(x.size, 1.5)])
    exact = field.wake(at)[:, 0]
    old = x > -vehicle.length_m - 15.0 * 30.0
    assert far[old].sum() == pytest.approx(exact[old].sum(), rel=0.06)


def test_wind_changes_the_air_relative_speed_with_the_direction():
    assert air_relative_speed(30.0, 1, 4.0) == 26.0
    assert air_relative_speed(30.0, -1, 4.0) == 34.0
    assert air_relative_speed(3.0, 1, 9.0) == 1.0


def test_panel_part_is_kept_between_calls():
    cache: dict = {}
    view = LaneView(catalogue()["suv"], -1.825, 1, 30.0, 3.0)
    first = build_library((view,), rotor(3.0, 1.5), SETTINGS, None, cache)
    kept = {key: value.copy() for key, value in cache.items()}
    again = build_library((view,), rotor(3.0, 1.5), SETTINGS, None, cache)
    assert len(cache) == 1
    assert np.array_equal(first.pulse.data, again.pulse.data)
    assert all(np.array_equal(kept[key], cache[key]) for key in kept)


def test_a_kept_pulse_is_that_of_its_own_vehicle_and_point():
    """Two sizes of one class at two mounts through one cache, whatever came first."""
    settings = replace(SETTINGS, refinement=0.5)
    car = catalogue()["suv"]
    larger = replace(car, width_m=1.1 * car.width_m)
    cache: dict = {}
    for vehicle in (car, larger):
        for mount in ((3.0, 1.5), (3.5, 1.5)):
            view = LaneView(vehicle, -1.825, 1, 30.0, 3.0)
            kept = build_library((view,), rotor(*mount), settings, None, cache)
            alone = build_library((view,), rotor(*mount), settings)
            assert np.array_equal(kept.pulse.data, alone.pulse.data)
    assert len(cache) == 4
