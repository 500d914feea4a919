"""Rotor response against closed forms, a general-purpose integrator, and its own energy balance."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate

from wakesim.energy import response
from wakesim.energy.bounds import BETZ
from wakesim.energy.response import capture_ratio
from wakesim.energy.rotor import CoefficientCurve, Rotor, generic_rotor, rotor_types

RHO = 1.225
KINDS = tuple(rotor_types())


def steady_rotor(**options: object) -> Rotor:
    return generic_rotor("drag", 1.0, 2.0, **options)


@pytest.mark.parametrize("kind", KINDS)
def test_constant_wind_runs_at_the_best_point(kind: str) -> None:
    rotor = generic_rotor(kind, 1.0, 2.0)
    ratio, best = rotor.curve.best
    start = ratio * 4.0 / rotor.radius_m
    found = response.inertial(rotor, np.full(2000, 4.0), 0.05, RHO, start_rad_s=start)
    expected = best * 0.5 * RHO * 2.0 * 64.0
    assert found.generated_j / found.duration_s == pytest.approx(expected, rel=1e-9)
    assert found.captured_effective_speed(rotor, RHO) == pytest.approx(4.0, rel=1e-9)


def gust(mean: float, amplitude: float, period: float, dt: float, periods: int) -> np.ndarray:
    time = (np.arange(round(periods * period / dt)) + 0.5) * dt
    return mean + amplitude * np.sin(2 * np.pi * time / period)


def test_slow_gusts_are_followed_like_a_rotor_without_inertia() -> None:
    # limit of small inertia: mean of v^3 = m^3 + 3/2 m a^2
    rotor = steady_rotor(inertia_kg_m2=1e-3, cut_in_m_s=0.0)
    v = gust(3.0, 1.0, 20.0, 0.01, 2)
    start = rotor.curve.best[0] * 3.0 / rotor.radius_m
    found = response.inertial(rotor, v, 0.01, RHO, start_rad_s=start)
    expected = rotor.curve.best[1] * 0.5 * RHO * 2.0 * (27.0 + 1.5 * 3.0)
    assert found.generated_j / found.duration_s == pytest.approx(expected, rel=1e-3)
    quasi = response.quasi_steady(rotor, v, 0.01, RHO)
    assert quasi.generated_j / quasi.duration_s == pytest.approx(expected, rel=1e-4)


def test_fast_gusts_meet_a_rotor_at_constant_speed() -> None:
    # limit of large inertia: the shaft turns at the speed where the mean torques balance
    rotor = steady_rotor(inertia_kg_m2=1e4, cut_in_m_s=0.0)
    v = gust(3.0, 1.0, 1.0, 0.005, 30)
    curve, radius = rotor.curve, rotor.radius_m

    def unbalance(omega: float) -> float:
        power = np.interp(omega * radius / v, curve.tip_speed_ratio, curve.power_coefficient)
        mean = np.mean(power * 0.5 * RHO * 2.0 * v**3) / omega
        return float(mean - rotor.tracking_gain(RHO) * omega**2)

    from scipy.optimize import brentq

    omega = brentq(unbalance, 0.5, 20.0)
    found = response.inertial(rotor, v, 0.005, RHO, start_rad_s=omega)
    expected = rotor.tracking_gain(RHO) * omega**3
    assert found.generated_j / found.duration_s == pytest.approx(expected, rel=1e-4)
    assert np.ptp(found.shaft_speed_rad_s) < 1e-3 * omega


def test_square_pulse_against_the_integrated_equation_of_motion() -> None:
    rotor = steady_rotor(cut_in_m_s=0.0)
    curve, radius, gain = rotor.curve, rotor.radius_m, rotor.tracking_gain(RHO)
    speeds, times = (1.0, 3.0, 1.0), (0.5, 1.5, 4.0)
    omega0 = curve.best[0] * 1.0 / radius

    def rates(v: float):
        def right_side(_t: float, state: np.ndarray) -> list[float]:
            omega = state[0]
            ratio = omega * radius / v
            power = np.interp(ratio, curve.tip_speed_ratio, curve.power_coefficient)
            aero = power * 0.5 * RHO * 2.0 * v**3 / omega
            if ratio > 1.6:  # braked: slope of C_q at 1.6 is 0.10/0.4/1.6
                aero -= 0.5 * RHO * 2.0 * radius * 0.15625 * (ratio - 1.6) * ratio / 1.6 * v**2
            return [(aero - gain * omega**2) / rotor.inertia, gain * omega**3]

        return right_side

    state = np.array([omega0, 0.0])
    for v, length in zip(speeds, times, strict=True):
        state = integrate.solve_ivp(
            rates(v), (0.0, length), state, rtol=1e-11, atol=1e-13, max_step=0.005
        ).y[:, -1]
    v = np.concatenate([np.full(round(t / 0.05), s) for s, t in zip(speeds, times, strict=True)])
    found = response.inertial(rotor, v, 0.05, RHO, start_rad_s=omega0, substeps=200)
    assert found.shaft_speed_rad_s[-1] == pytest.approx(state[0], rel=1e-6)
    assert found.generated_j == pytest.approx(state[1], rel=1e-6)


def test_second_order_in_the_step() -> None:
    rotor = steady_rotor(cut_in_m_s=0.0)
    v = np.concatenate([np.full(10, 1.0), np.full(20, 1.2), np.full(20, 1.1)])
    start = rotor.curve.best[0] * 1.0 / rotor.radius_m * 1.02
    energy = [
        response.inertial(rotor, v, 0.2, RHO, start_rad_s=start, substeps=n).generated_j
        for n in (2, 4, 8, 512)
    ]
    errors = np.abs(np.array(energy[:3]) - energy[3])
    assert np.all(np.log2(errors[:-1] / errors[1:]) > 1.7)


SERIES = st.lists(st.floats(0.0, 12.0), min_size=2, max_size=40)


@settings(deadline=None, max_examples=60)
@given(
    speeds=SERIES, start=st.floats(0.0, 30.0), friction=st.floats(0.0, 0.05),
    kind=st.sampled_from(KINDS), rated=st.sampled_from([20.0, 1e9]),
)  # fmt: skip
def test_energy_balance_and_betz(
    speeds: list[float], start: float, friction: float, kind: str, rated: float
) -> None:
    rotor = generic_rotor(kind, 0.8, 1.5, rated_power_w=rated)
    found = response.inertial(rotor, speeds, 0.1, RHO, start_rad_s=start, friction_n_m_s=friction)
    kept = found.generated_j + found.friction_j + found.kinetic_change_j
    initial = 0.5 * rotor.inertia * start**2
    size = max(abs(found.captured_j), initial, 1e-12)
    assert abs(found.captured_j - kept) <= 1e-9 * size
    # no more than Betz can come out of the air itself
    assert found.captured_j <= BETZ * found.available_j + 1e-9 * size
    assert found.generated_j <= found.captured_j + initial + 1e-9 * size
    assert np.all(found.shaft_speed_rad_s >= 0.0)


def test_the_closed_torque_is_the_aerodynamic_one() -> None:
    """The captured energy is the integral of the aerodynamic power, not just what balances."""
    rotor = steady_rotor()
    v = gust(3.0, 0.8, 2.0, 0.01, 5)
    start = rotor.curve.best[0] * 3.0 / rotor.radius_m
    found = response.inertial(rotor, v, 0.01, RHO, start_rad_s=start, substeps=1)
    omega = 0.5 * (found.shaft_speed_rad_s[1:] + found.shaft_speed_rad_s[:-1])
    ratio = omega * rotor.radius_m / v
    assert ratio.max() < rotor.curve.tip_speed_ratio[-1]
    power = np.interp(ratio, rotor.curve.tip_speed_ratio, rotor.curve.power_coefficient)
    captured = np.sum(power * 0.5 * RHO * rotor.area_m2 * v**3) * 0.01
    assert found.captured_j == pytest.approx(captured, rel=1e-9)


def test_a_rotor_at_rest_starts_at_cut_in_and_not_below() -> None:
    rotor = steady_rotor(cut_in_m_s=1.2)
    below = response.inertial(rotor, np.full(600, 1.19), 0.1, RHO)
    assert below.captured_j == 0.0
    above = response.inertial(rotor, np.full(6000, 1.21), 0.1, RHO)
    expected = 0.15 * 0.5 * RHO * 2.0 * 1.21**3
    assert above.generated_w[-1] == pytest.approx(expected, rel=0.02)


def test_still_air_brakes_a_turning_rotor_by_the_square() -> None:
    # J d omega/dt = -c omega^2: omega = omega_0/(1 + c omega_0 t/J); c = 1/2 rho A R s R^2/1.6
    rotor = steady_rotor(cut_in_m_s=100.0)  # the generator never takes part
    found = response.inertial(rotor, np.zeros(100), 0.1, RHO, start_rad_s=5.0, substeps=50)
    c = 0.5 * RHO * 2.0 * 0.5 * 0.15625 * 0.25 / 1.6
    expected = 5.0 / (1.0 + c * 5.0 * 10.0 / rotor.inertia)
    assert found.shaft_speed_rad_s[-1] == pytest.approx(expected, rel=1e-6)
    assert found.captured_j < 0.0


def test_capture_ratio_goes_to_one_for_long_pulses_and_is_scale_free() -> None:
    rotor = steady_rotor()
    lengths = np.array([0.2, 1.0, 5.0, 200.0])
    found = capture_ratio(rotor, lengths)
    assert found[-1] == pytest.approx(1.0, abs=0.01)
    assert np.all(found < 1.0)
    assert np.all(found > 0.0)
    other = generic_rotor("drag", 2.0, 1.0, inertia_kg_m2=7.0)
    assert capture_ratio(other, lengths, speed_m_s=5.0) == pytest.approx(found, rel=1e-6)


def test_direction_weight_of_a_half_shroud() -> None:
    # open for air along +x, shut for air along -x, half in between
    weight = [1.0, 0.5, 0.0, 0.5]
    u, v = np.array([2.0, -2.0, 0.0, 0.0]), np.array([0.0, 0.0, 2.0, -2.0])
    speed = response.directed_speed(u, v, weight)
    assert speed**3 == pytest.approx(8.0 * np.array([1.0, 0.0, 0.5, 0.5]))
    assert response.directed_speed(u, v, None) == pytest.approx([2.0] * 4)
    with pytest.raises(ValueError, match="between 0 and 1"):
        response.directed_speed(u, v, [1.5])


@pytest.mark.parametrize(
    ("ratio", "power"),
    [
        ([0, 1, 2], [0, 0.6, 0]), ([0, 1], [0, 0.1]), ([0.1, 1, 2], [0, 0.1, 0]),
        ([0, 2, 1], [0, 0.1, 0]), ([0, 1, 2], [0.1, 0.2, 0]), ([0, 1, 2], [0, np.nan, 0]),
        ([0, 1, 2], [0, 0.2, 0.1]),
    ],
)  # fmt: skip
def test_impossible_curves_are_refused(ratio: list[float], power: list[float]) -> None:
    with pytest.raises(ValueError, match=r"C_p|tip speed"):
        CoefficientCurve(np.array(ratio, float), np.array(power, float))


def test_fixed_speed_against_hand_worked_numbers() -> None:
    # drag type at lambda 0.8: C_p 0.15; 0.15 x 1/2 x 1.225 x 2 x 8 = 1.47 W
    rotor = steady_rotor()
    found = response.fixed_speed(rotor, [2.0, 2.0], 1.0, RHO, 0.8 * 2.0 / 0.5)
    assert found.generated_j == pytest.approx(2 * 1.47)
    assert found.electrical_j == pytest.approx(2 * 1.47 * 0.72)
