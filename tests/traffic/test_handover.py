"""What followed wakes hand to the drift, so that nothing is lost or counted twice."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad

from wakesim.case.catalogue import catalogue
from wakesim.flow.wake import VehicleWake, WakeConstants
from wakesim.traffic.handover import distance_blown, velocity_left
from wakesim.traffic.lines import FADE, FieldSettings, Sight

Y, Z = np.linspace(-30.0, 30.0, 601), np.linspace(0.0, 30.0, 601)


def settings(family="momentum", memory=20.0, **changes):
    return FieldSettings(WakeConstants(family=family), True, memory, 0.25, 0.3, **changes)


def moment(field, weight):
    """Integral of u z^weight over the half plane."""
    return np.trapezoid(np.trapezoid(field * Z**weight, Z, axis=1), Y)


@pytest.mark.parametrize("direction", [1, -1])
@pytest.mark.parametrize("name", ["small_car", "artic_lorry_eu"])
def test_momentum_and_couple_are_handed_over_whole(name, direction):
    vehicle = catalogue()[name]
    sight = Sight(vehicle, -1.825, direction, 25.0, 0.0)
    drag_area = 0.5 * vehicle.drag_coefficient * vehicle.frontal_area_m2
    left = velocity_left(sight, settings("momentum"), None, Y, Z)
    assert moment(left, 0) == pytest.approx(direction * drag_area * 25.0, rel=2e-3)
    left = velocity_left(sight, settings("couple"), None, Y, Z)
    couple = drag_area * 0.5 * vehicle.height_m
    assert moment(left, 1) == pytest.approx(direction * couple * 25.0, rel=2e-3)


def test_velocity_left_is_the_mean_over_the_fade():
    vehicle = catalogue()["coach"]
    sight, chosen = Sight(vehicle, -1.825, 1, 25.0, 0.0), settings("couple")
    wake = VehicleWake(vehicle, chosen.constants, chosen.air_state(sight, 25.0))
    at = [(3.0, 1.0), (-1.0, 2.5)]
    for y, z in at:
        total, _ = quad(lambda t: 25.0 * wake.velocity(25.0 * t, y + 1.825, z), 18.0, 20.0)  # noqa: B023
        left = velocity_left(sight, chosen, None, np.array([y]), np.array([z]))
        assert left[0, 0] == pytest.approx(total / 2.0, rel=1e-6)


def test_distance_blown_is_the_integral_of_the_faded_wake():
    vehicle = catalogue()["panel_van"]
    sight, chosen = Sight(vehicle, -1.825, -1, 28.0, 0.0), settings("couple")
    wake = VehicleWake(vehicle, chosen.constants, chosen.air_state(sight, 28.0))

    def speed(t):
        fade = min(1.0, (20.0 - t) / (FADE * 20.0))
        return -28.0 * fade * float(wake.velocity(28.0 * t, 2.0, 1.2))

    exact, _ = quad(speed, 1.0, 20.0, limit=200)
    found = distance_blown(sight, chosen, None, np.array([[-1.825 + 2.0, 1.2]]))
    assert found[0] == pytest.approx(exact, rel=2e-3)


def test_crosswind_carries_what_is_left():
    vehicle = catalogue()["suv"]
    sight = Sight(vehicle, -1.825, 1, 25.0, 0.0, 0.0, 0.5)
    left = velocity_left(sight, settings(), None, Y, Z)
    centre = moment(left * Y[:, None], 0) / moment(left, 0)
    # the wake starts behind the tail; a tenth of the memory is the fade
    assert centre == pytest.approx(-1.825 + 0.5 * 19.0, abs=0.1)
    extra = velocity_left(
        Sight(vehicle, -1.825, 1, 25.0, 0.0), settings(extra_crosswind_m_s=0.5), None, Y, Z
    )
    assert extra == pytest.approx(left, abs=1e-12)
