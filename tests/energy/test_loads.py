"""Indicative loads against hand-worked numbers and the pulse's own exact properties."""

from __future__ import annotations

import numpy as np
import pytest

from wakesim.case.mounts import Mount
from wakesim.case.vehicle import vehicle
from wakesim.energy import loads
from wakesim.measures.results import Signature
from wakesim.traffic.lines import FieldSettings, LaneView
from wakesim.vehicle.wake import WakeConstants

TIME = np.linspace(-1.0, 2.0, 301)


def steady_signature(u: float, v: float, sigma: float) -> Signature:
    one = np.ones(TIME.size)
    return Signature(
        "lorry", "lorry", "near 1", 25.0, 2.0, TIME, u * one, v * one, 0 * one, 0 * one, 0 * one,
        sigma * one, 0.0, 0.0, 0.0, 0.0, 0.0,
    )  # fmt: skip


def test_force_by_hand() -> None:
    # u = 2 + 2 x 0.5 = 3, v = 4: |u| = 5; 1/2 x 1.2 x 2 x 5 = 6 kg/s: 18 N along, 24 N across
    load = loads.pass_load(steady_signature(2.0, 4.0, 0.5), np.zeros(TIME.size), 2.0, 1.2, 0.1)
    assert load.force_n[0] == pytest.approx(18.0)
    assert load.side_force_n[0] == pytest.approx(24.0)
    assert load.peak_force_n == pytest.approx(30.0)
    assert load.peak_dynamic_pressure_pa == pytest.approx(15.0)  # 1/2 x 1.2 x 25
    assert load.cycles_a_year == pytest.approx(0.1 * 3600 * 8766)
    assert loads.cycles_above([load], [29.0, 31.0]) == pytest.approx([load.cycles_a_year, 0.0])


def test_air_against_the_road_pushes_against_it() -> None:
    load = loads.pass_load(steady_signature(-2.0, 0.0, 0.5), np.zeros(TIME.size), 2.0, 1.2, 0.1)
    assert load.force_n[0] == pytest.approx(-0.5 * 1.2 * 2.0 * 9.0)


def test_pressure_rises_at_the_nose_falls_after_and_goes_with_the_square() -> None:
    post = Mount(
        name="post", kind="post", offset_m=4.0, height_m=2.0, rotor_width_m=1.0, rotor_height_m=2.0
    )
    settings = FieldSettings(WakeConstants(coarse=True), True, 30.0, 0.25, refinement=0.6)
    found = {}
    for speed in (12.5, 25.0):
        view = LaneView(vehicle("artic_lorry_eu"), 0.0, 1, speed, 0.0)
        # the same places relative to the vehicle at both speeds
        found[speed] = loads.pressure_history(view, post, settings, 1.225, TIME * 25.0 / speed)
    assert found[25.0] == pytest.approx(4.0 * found[12.5])
    first = np.argmax(np.abs(found[25.0]) > 0.5 * np.abs(found[25.0]).max())
    assert found[25.0][first] > 0.0  # pressure first, then suction
    # stagnation pressure is never passed away from the body
    assert np.abs(found[25.0]).max() < loads.dynamic_pressure(25.0, 1.225)
