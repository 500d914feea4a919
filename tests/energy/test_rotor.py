"""Rotors: published ranges, Betz, power curves, and the time constant of the linearised motion."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wakesim.energy import response
from wakesim.energy.bounds import BETZ
from wakesim.energy.rotor import CoefficientCurve, PowerCurve, Rotor, generic_rotor, rotor_types
from wakesim.errors import CaseError

RHO = 1.225
KINDS = tuple(rotor_types())


@pytest.mark.parametrize("kind", KINDS)
def test_a_generic_type_stays_in_its_range_and_names_its_source(kind: str) -> None:
    rotor = generic_rotor(kind, 1.0, 2.0)
    low, high = rotor.power_coefficient_range or (math.nan, math.nan)
    assert 0.0 < low <= rotor.curve.best[1] <= high < BETZ
    assert "memory" in rotor.source or "read" in rotor.source


def test_an_unknown_type_is_refused() -> None:
    with pytest.raises(CaseError, match=r'"propeller": must be one of drag, lift, hybrid'):
        generic_rotor("propeller", 1.0, 2.0)


def test_the_curve_scales_to_a_stated_maximum() -> None:
    rotor = generic_rotor("lift", 1.0, 2.0, best_power_coefficient=0.2)
    assert rotor.curve.best[1] == pytest.approx(0.2)
    with pytest.raises(ValueError, match="Betz"):
        generic_rotor("lift", 1.0, 2.0, best_power_coefficient=0.6)


@pytest.mark.parametrize("best_ratio", [0.8, 2.5])
def test_time_constant_is_that_of_a_small_disturbance(best_ratio: float) -> None:
    ratio = np.linspace(0.0, 2.0 * best_ratio, 2001)
    curve = CoefficientCurve(ratio, 0.2 * (1.0 - (ratio / best_ratio - 1.0) ** 2))
    rotor = Rotor("parabola", 1.0, 2.0, curve, cut_in_m_s=0.0)
    v = 3.0
    steady = curve.best[0] * v / rotor.radius_m
    start = 1.001 * steady
    found = response.inertial(rotor, np.full(200, v), 0.01, RHO, start_rad_s=start, substeps=4)
    left = (found.shaft_speed_rad_s[-1] - steady) / (start - steady)
    assert -2.0 / math.log(left) == pytest.approx(rotor.time_constant_s(v, RHO), rel=0.005)


def measured() -> PowerCurve:
    return PowerCurve(np.array([2.0, 4.0, 8.0]), np.array([0.0, 10.0, 90.0]))


def with_curve(curve: PowerCurve) -> Rotor:
    return generic_rotor("drag", 1.0, 2.0, power_curve=curve, response="quasi_steady")


def test_a_power_curve_is_the_electrical_output() -> None:
    # between 2 and 4 m/s half way: 5 W; below the first and above the last point nothing
    rotor = with_curve(measured())
    found = response.quasi_steady(rotor, [3.0, 1.0, 9.0, 8.0], 1.0, RHO)
    assert found.electrical_j == pytest.approx(5.0 + 90.0)


def test_thin_air_turns_the_curve_by_the_cube_root_of_the_density() -> None:
    # IEC 61400-12-1: v (rho/rho_0)^(1/3); 4 m/s in air of 1.225/8 counts as 2 m/s
    assert measured().power(4.0, 1.225 / 8.0) == pytest.approx(0.0)
    assert measured().power(8.0, 1.225 / 8.0) == pytest.approx(10.0)


def test_a_power_curve_needs_the_quasi_steady_response() -> None:
    with pytest.raises(ValueError, match="quasi-steady"):
        generic_rotor("drag", 1.0, 2.0, power_curve=measured())


def test_a_scaled_curve_never_passes_betz() -> None:
    curve = measured().scaled(3.0, 2.0)
    assert np.all(curve.power_w <= BETZ * 0.5 * RHO * 2.0 * curve.speed_m_s**3 + 1e-12)
    assert curve.power_w[1] == pytest.approx(30.0)


@given(speed=st.floats(0.0, 25.0), kind=st.sampled_from(KINDS), rated=st.floats(1.0, 1e4))
def test_no_response_without_inertia_passes_betz_or_the_rated_power(
    speed: float, kind: str, rated: float
) -> None:
    rotor = generic_rotor(kind, 1.0, 2.0, rated_power_w=rated)
    flux = 0.5 * RHO * 2.0 * speed**3
    for found in (
        response.quasi_steady(rotor, [speed], 1.0, RHO),
        response.fixed_speed(rotor, [speed], 1.0, RHO, 6.0),
    ):
        assert found.generated_j <= min(BETZ * flux, rated) * (1.0 + 1e-12)
        if speed < rotor.cut_in_m_s:
            assert found.generated_j == 0.0


def test_the_best_fixed_speed_in_a_steady_wind_is_that_of_the_best_tip_speed_ratio() -> None:
    rotor = generic_rotor("drag", 1.0, 2.0)
    found = response.best_fixed_speed(rotor, np.full(50, 4.0), RHO)
    assert found == pytest.approx(0.8 * 4.0 / 0.5, rel=0.02)


def test_no_other_fixed_speed_gives_more_in_a_gusty_series() -> None:
    rotor = generic_rotor("hybrid", 1.0, 2.0)
    speed = np.abs(np.random.default_rng(3).normal(2.0, 1.0, 4000))
    best = response.best_fixed_speed(rotor, speed, RHO)
    most = response.fixed_speed(rotor, speed, 1.0, RHO, best).generated_j
    for factor in (0.5, 0.8, 0.95, 1.05, 1.25, 2.0):
        other = response.fixed_speed(rotor, speed, 1.0, RHO, factor * best).generated_j
        assert other <= most * 1.002
    assert response.best_fixed_speed(rotor, np.zeros(5), RHO) > 0.0


@pytest.mark.parametrize(
    ("option", "value"),
    [
        ("rated_power_w", 0.0), ("generator_efficiency", 1.1), ("cut_in_m_s", -1.0),
        ("cut_out_m_s", 1.0), ("standby_w", -0.1), ("inertia_kg_m2", 0.0), ("response", "fast"),
        ("shaft_speed_rad_s", 0.0),
    ],
)  # fmt: skip
def test_figures_outside_their_ranges_are_refused(option: str, value: object) -> None:
    with pytest.raises(ValueError, match=option.split("_")[0]):
        generic_rotor("drag", 1.0, 2.0, **{option: value})
