"""Bounds against closed forms and a general-purpose integrator."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate

from wakesim.case.vehicle import vehicle
from wakesim.energy import bounds
from wakesim.vehicle.wake import WakeConstants, vehicle_wake


def test_betz_and_speed_needed_are_inverse() -> None:
    power = bounds.betz_power(6.0, 1.2, 3.0)
    assert power == pytest.approx(16 / 27 * 0.5 * 1.2 * 216 * 3)
    assert bounds.speed_needed(power, 3.0, 1.2) == pytest.approx(6.0)


@given(induction=st.floats(0, 0.5))
def test_no_actuator_disc_passes_betz(induction: float) -> None:
    # momentum theory: C_p = 4 a (1 - a)^2
    assert 4 * induction * (1 - induction) ** 2 <= bounds.BETZ * (1 + 1e-12)


def test_drag_work_of_a_lorry() -> None:
    # 1/2 x 1.225 x 0.58 x 10 x 25^2 = 2220.3 N
    assert bounds.drag_work(0.58, 10.0, 25.0, 1.225) == pytest.approx(2220.3125)
    assert bounds.drag_power_per_metre([0.1, 0.2], [1000.0, 500.0]) == pytest.approx(200.0)


@pytest.mark.parametrize("family", ["couple", "momentum"])
def test_wake_energy_against_an_adaptive_integral(family: str) -> None:
    wake = vehicle_wake(vehicle("artic_lorry_eu"), WakeConstants(law=family))
    x, b = 60.0, 3.0

    def density(z: float, y: float) -> float:
        return float(0.5 * wake.velocity(x, y, z) ** 2 + wake.turbulence(x, y, z))

    exact, _ = integrate.dblquad(density, b, 40.0, 0.0, 40.0, epsabs=1e-9)
    assert bounds._energy_beyond(wake, x, b) == pytest.approx(exact, rel=1e-4)


def test_wake_energy_falls_with_distance_and_stays_below_the_drag_work() -> None:
    lorry = vehicle("artic_lorry_eu")
    wake = vehicle_wake(lorry, WakeConstants(coarse=True))
    found = [bounds.wake_energy_beyond(wake, b, 25.0, 1.225, 30.0) for b in (0.0, 2, 4, 8, 16)]
    assert np.all(np.diff(found) < 0.0)
    work = float(bounds.drag_work(lorry.drag_coefficient, lorry.frontal_area_m2, 25.0, 1.225))
    assert 2 * found[0] < work


def test_road_load_of_one_kilowatt() -> None:
    load = bounds.road_load(1000.0)
    assert load.mechanical_kwh == pytest.approx(8766.0)
    assert load.diesel_litres == pytest.approx(8766.0 / 0.40 / 9.96)
    assert load.electric_kwh == pytest.approx(8766.0 / 0.80)
    with pytest.raises(ValueError, match="power"):
        bounds.road_load(-1.0)
