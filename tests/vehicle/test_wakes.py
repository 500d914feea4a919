"""Similarity laws: conserved integrals, published exponents and widths; all laws: limits.

Published: couple wake, Eskridge and Hunt 1979 (velocity -3/4, length 1/4, maximum at z = 2 l);
momentum wake, Pope 2000 section 5.4 (velocity -2/3, length 1/3); turbulence, Eskridge and Thompson
1982 (energy -1.2).
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from wakesim.case.vehicle import catalogue
from wakesim.vehicle.similarity_wake import SimilarityWake, couple_amplitude
from wakesim.vehicle.wake import LAWS, AirState, Wake, WakeConstants, vehicle_wake

VEHICLES = ("motorcycle", "small_car", "panel_van", "artic_lorry_eu")
AIRS = (AirState(), AirState(0.02, 0.0), AirState(0.01, 0.1))
COUPLE = WakeConstants(law="couple")


def cross_section(wake: Wake, x: float, weight: int) -> float:
    """Integral over z > 0 of u z^weight at x, by Gauss-Legendre panels out to 9 deviations."""
    s_y, s_z = (float(s) for s in wake.spread(x))
    nodes, weights = np.polynomial.legendre.leggauss(80)
    centre = wake.air.crosswind_ratio * x
    y = centre + 9 * s_y * nodes
    top = wake.vehicle.height_m + 9 * s_z
    z = 0.5 * top * (nodes + 1)
    u = wake.velocity(x, y[:, None], z[None, :])
    return float(9 * s_y * weights @ u @ (weights * z**weight) * 0.5 * top)


@pytest.mark.parametrize("air", AIRS)
@pytest.mark.parametrize("name", VEHICLES)
def test_couple_and_momentum_are_conserved(name, air):
    vehicle = catalogue()[name]
    drag_area = 0.5 * vehicle.drag_coefficient * vehicle.frontal_area_m2
    for family, weight, exact in (
        ("couple", 1, drag_area * 0.5 * vehicle.height_m),
        ("momentum", 0, drag_area),
    ):
        wake = vehicle_wake(vehicle, WakeConstants(law=family), air)
        for x in (wake.bubble_m, 2 * wake.bubble_m, 60.0, 900.0):
            assert cross_section(wake, x, weight) == pytest.approx(exact, rel=1e-6)


def slope(x, values):
    return np.diff(np.log(values)) / np.diff(np.log(x))


@pytest.mark.parametrize("name", VEHICLES)
def test_far_exponents(name):
    vehicle = catalogue()[name]
    x = np.array([1e5, 4e5])
    z = np.linspace(0.0, 200.0, 20001)
    for family, velocity, length in (("couple", -0.75, 0.25), ("momentum", -2 / 3, 1 / 3)):
        wake = vehicle_wake(vehicle, WakeConstants(law=family))
        peak = [wake.velocity(xi, 0.0, z).max() for xi in x]
        assert slope(x, peak) == pytest.approx(velocity, abs=0.02)
        assert slope(x, wake.spread(x)[0]) == pytest.approx(length, abs=0.01)
    energy = [vehicle_wake(vehicle, COUPLE).turbulence(xi, 0.0, z).max() for xi in x / 100]
    assert slope(x, energy) == pytest.approx(-1.2, abs=0.01)


@pytest.mark.parametrize("name", VEHICLES)
def test_couple_wake_meets_the_published_law_far_behind(name):
    """Maximum 2 A V (x/h)^(-3/4) at z = 2 l, zero on the road."""
    vehicle = catalogue()[name]
    wake, h, lam = vehicle_wake(vehicle, COUPLE), vehicle.height_m, 1.1
    amplitude = couple_amplitude(vehicle, lam)
    drag = vehicle.drag_coefficient * vehicle.frontal_area_m2 / h**2 * 0.5
    assert amplitude**4 == pytest.approx(drag / (32 * math.pi * math.sqrt(math.e) * lam**3))
    x = 1000 * h
    length = lam * amplitude * h * (x / h) ** 0.25
    z = np.linspace(0, 8 * length, 4001)
    u = wake.velocity(x, 0.0, z)
    assert u.max() == pytest.approx(2 * amplitude * (x / h) ** -0.75, rel=0.01)
    assert z[u.argmax()] == pytest.approx(2 * length, rel=0.01)
    assert u[0] == 0.0
    # the whole profile: sqrt(e) zeta exp(-(eta^2 + zeta^2)/8)
    eta, zeta = 1.3, np.array([0.5, 2.0, 4.0])
    law = amplitude * (x / h) ** -0.75 * math.sqrt(math.e) * zeta
    law = law * np.exp(-(eta**2 + zeta**2) / 8)
    assert wake.velocity(x, eta * length, zeta * length) == pytest.approx(law, rel=0.03)


@pytest.mark.parametrize("name", VEHICLES)
def test_momentum_wake_meets_the_published_law_far_behind(name):
    """r^3 = 3 S (ln 2/2 pi) 2 C_D A_f x and u_c/V = ln 2 2 C_D A_f/(2 pi r^2)."""
    vehicle = catalogue()[name]
    wake = vehicle_wake(vehicle, WakeConstants(law="momentum"))
    x = 4e4
    drag_area = vehicle.drag_coefficient * vehicle.frontal_area_m2
    radius = (3 * 0.4 * math.log(2) / (2 * math.pi) * 2 * drag_area * x) ** (1 / 3)
    centre = math.log(2) * 2 * drag_area / (2 * math.pi * radius**2)
    assert wake.velocity(x, 0.0, 0.0) == pytest.approx(centre, rel=0.02)
    assert wake.velocity(x, radius, 0.0) == pytest.approx(0.5 * centre, rel=0.03)


@pytest.mark.parametrize("law", LAWS)
@pytest.mark.parametrize("name", ["motorcycle", "small_car", "artic_lorry_eu"])
def test_near_wake_is_bounded_and_continuous(name, law):
    vehicle = catalogue()[name]
    wake = vehicle_wake(vehicle, WakeConstants(law=law))
    x = np.linspace(0.0, 3 * wake.bubble_m, 1201)[:, None]
    u = wake.velocity(x, 0.0, np.linspace(0.0, vehicle.height_m, 40))
    assert u.min() >= 0.0
    assert u.max() <= 1.0 + wake.constants.reversed_flow + 1e-2
    assert u[0].max() == pytest.approx(1.0, abs=0.05)  # air moves with the base
    assert np.abs(np.diff(u, axis=0)).max() < 0.09
    assert wake.velocity(-vehicle.length_m - 0.01, 0.0, 1.0) == 0.0
    end = wake.velocity(wake.bubble_m, 0.0, np.linspace(0, vehicle.height_m, 400)).max()
    # by definition; the image in the road adds to it for a low vehicle
    assert end == pytest.approx(1.0, abs=2e-3 if law == "couple" else 0.1)


@pytest.mark.parametrize("law", LAWS)
def test_crosswind_shifts_and_stirred_air_widens(law):
    vehicle, constants = catalogue()["suv"], WakeConstants(law=law)
    plain = vehicle_wake(vehicle, constants)
    x, y, z = 80.0, np.linspace(-20, 20, 81), 1.0
    blown = vehicle_wake(vehicle, constants, AirState(0.0, 0.1))
    assert blown.velocity(x, y + 8.0, z) == pytest.approx(plain.velocity(x, y, z), abs=1e-15)
    assert blown.turbulence(x, y + 8.0, z) == pytest.approx(plain.turbulence(x, y, z), abs=1e-15)
    wide = vehicle_wake(vehicle, constants, AirState(0.02, 0.0))
    assert wide.width(x) > 1.1 * plain.width(x)
    if isinstance(plain, SimilarityWake):
        past = x - wide.bubble_m
        for own, grown in zip(plain.spread(x), wide.spread(x), strict=True):
            assert grown**2 == pytest.approx(own**2 + 2 * 0.02 * past)


@pytest.mark.parametrize("law", LAWS)
def test_turbulent_energy_scales_with_its_factor_squared(law):
    vehicle = catalogue()["coach"]
    one = vehicle_wake(vehicle, WakeConstants(law=law)).turbulence(20.0, 1.0, 2.0)
    halved = WakeConstants(law=law, turbulence_factor=0.5)
    assert vehicle_wake(vehicle, halved).turbulence(20.0, 1.0, 2.0) == pytest.approx(0.25 * one)


@pytest.mark.parametrize("law", LAWS)
def test_sections_are_the_wake_itself(law):
    wake = vehicle_wake(catalogue()["panel_van"], WakeConstants(law=law), AirState(0.01, 0.0))
    x = np.array([0.5, 3.0, 40.0, 300.0])
    y, z, u, k = wake.sections(x)
    assert u.shape == k.shape == (x.size, y.size, z.size)
    direct = wake.both(x[:, None, None], y[None, :, None], z[None, None, :])
    assert u == pytest.approx(direct[0], abs=1e-12)
    assert k == pytest.approx(direct[1], abs=1e-12)


def test_air_beside_a_lorry_is_dragged_along_from_the_nose_on():
    lorry = catalogue()["artic_lorry_eu"]
    wake = vehicle_wake(lorry)
    beside = 0.5 * lorry.width_m + 0.3
    u, k = wake.both(np.array([-lorry.length_m - 0.1, -12.0, -2.0]), beside, 1.5)
    assert u[0] == k[0] == 0.0
    assert np.all(u[1:] > 0.01)
    assert np.all(k[1:] > 0.001)


def test_momentum_is_proportional_to_drag():
    vehicle = catalogue()["coach"]
    light = replace(vehicle, drag_coefficient=0.25 * vehicle.drag_coefficient, drag_range=None)
    full, less = (
        cross_section(vehicle_wake(v, WakeConstants(law="momentum")), 50.0, 0)
        for v in (vehicle, light)
    )
    assert less == pytest.approx(0.25 * full, rel=1e-6)


def test_an_unknown_law_is_refused():
    with pytest.raises(ValueError, match="unknown wake law"):
        vehicle_wake(catalogue()["suv"], WakeConstants(law="jet"))
