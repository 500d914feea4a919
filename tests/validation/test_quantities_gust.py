"""Gusts of one pass: the expected maximum against brute force, and laws of scale."""

from __future__ import annotations

import mpmath
import numpy as np
import pytest
from quantity_values import compute
from scipy.integrate import quad
from scipy.special import gamma, kv

from wakesim.case.vehicle import vehicle
from wakesim.errors import CaseError
from wakesim.validation.quantities.gust import expected_extreme, von_karman_correlation
from wakesim.vehicle.passfield import pass_field

LORRY = vehicle("artic_lorry_eu")
TIME_S = 0.2


def exact_correlation(lag, time):
    """Bessel form with the integral of its own: int rho dt = a sqrt(pi) Gamma(5/6)/Gamma(1/3)."""
    x = np.abs(lag) / (time * gamma(1 / 3) / (np.sqrt(np.pi) * gamma(5 / 6)))
    safe = np.where(x > 0.0, x, 1.0)
    rho = 2.0 ** (2 / 3) / gamma(1 / 3) * safe ** (1 / 3) * kv(1 / 3, safe)
    return np.where(x > 0.0, rho, 1.0)


def drawn_maxima(mean, sd, dt, averaging, passes, seed, time=TIME_S):
    """Largest moving-mean speed of each of many drawn passes, by Cholesky factor, no spectra."""
    n, window = len(mean), round(averaging / dt)
    lag = np.subtract.outer(np.arange(n), np.arange(n)) * dt
    factor = np.linalg.cholesky(exact_correlation(lag, time) + 1e-10 * np.eye(n))
    rng = np.random.default_rng(seed)
    square = np.zeros((n + 1, passes))
    for i in range(2):
        x = mean[:, i : i + 1] + sd[:, i : i + 1] * (factor @ rng.standard_normal((n, passes)))
        x = np.concatenate([np.zeros((window, passes)), x])
        sums = np.concatenate([np.zeros((1, passes)), np.cumsum(x, axis=0)])
        square += ((sums[window:] - sums[:-window]) / window) ** 2
    return np.sqrt(square.max(axis=0))


def burst(peak, sd, dt, duration=6.0):
    """A wake that rises quickly and dies away, m/s; with a swing across the road."""
    t = np.arange(0.0, duration, dt)
    shape = np.exp(-t) * (1.0 - np.exp(-t / 0.1))
    mean = np.column_stack([peak * shape, 0.3 * peak * shape * np.cos(3.0 * t)])
    return mean, np.column_stack([sd * shape, 0.9 * sd * shape])


@pytest.mark.parametrize(
    ("averaging", "peak", "sd"),
    [(0.1, 3.0, 2.0), (0.1, 0.0, 2.0), (0.3, 3.0, 0.3), (0.3, 0.5, 2.0), (1.0, 3.0, 2.0)],
)
def test_expected_maximum_against_drawn_passes(averaging, peak, sd):
    dt = 0.0125
    mean, deviation = burst(peak, sd, dt)
    result = expected_extreme(mean, deviation, dt, averaging, TIME_S)
    drawn = drawn_maxima(mean, deviation, dt, averaging, 2000, seed=7)
    assert result.mean_m_s == pytest.approx(drawn.mean(), rel=0.04)
    assert result.sd_m_s == pytest.approx(drawn.std(), rel=0.10)


@pytest.mark.parametrize("averaging", [0.2, 1.0])
def test_expected_maximum_of_steady_turbulence(averaging):
    n, dt = 1000, 0.025
    mean = np.column_stack([np.full(n, 3.0), np.zeros(n)])
    sd = np.ones((n, 2))
    result = expected_extreme(mean, sd, dt, averaging, TIME_S)
    drawn = drawn_maxima(mean, sd, dt, averaging, 800, seed=8)
    assert result.mean_m_s == pytest.approx(drawn.mean(), rel=0.02)
    assert result.sd_m_s == pytest.approx(drawn.std(), rel=0.15)


def test_without_turbulence_the_maximum_is_the_moving_mean():
    mean = np.zeros((400, 2))
    mean[100:300, 0] = 3.0  # 2 s at 0.01 s
    for averaging, exact in ((1.0, 3.0), (4.0, 1.5)):
        result = expected_extreme(mean, np.zeros((400, 2)), 0.01, averaging, TIME_S)
        assert result.mean_flow_m_s == pytest.approx(exact, rel=1e-12)
        assert (result.mean_m_s, result.sd_m_s) == (result.mean_flow_m_s, 0.0)


def test_correlation_against_the_bessel_form_in_high_precision():
    lag = np.array([0.0, 1e-4, 0.01, 0.1, 0.5, 2.0])
    result = von_karman_correlation(lag, TIME_S)
    assert result[0] == 1.0
    third = mpmath.mpf(1) / 3
    a = TIME_S * mpmath.gamma(third) / (mpmath.sqrt(mpmath.pi) * mpmath.gamma(mpmath.mpf(5) / 6))
    for value, t in zip(result[1:], lag[1:], strict=True):
        x = mpmath.mpf(float(t)) / a
        exact = 2 ** (2 * third) / mpmath.gamma(third) * x**third * mpmath.besselk(third, x)
        assert value == pytest.approx(float(exact), rel=1e-9)
    area = quad(lambda t: float(von_karman_correlation(np.array(t), TIME_S)), 0.0, 10.0, limit=200)
    assert area[0] == pytest.approx(TIME_S, rel=1e-4)


COARSE = {"refinement": 0.5}


def place(speed=25.0, clearance=1.0, height=1.5, averaging=0.5):
    return {
        "speed_m_s": speed, "clearance_m": clearance, "height_m": height, "averaging_s": averaging,
    }  # fmt: skip


@pytest.mark.parametrize(("clearance", "averaging"), [(0.6, 0.2), (1.5, 1.0)])
def test_gust_beside_a_lorry_against_drawn_passes(clearance, averaging):
    """The whole chain: signature from the pass field, then many drawn passes."""
    speed, dt = 25.0, 0.0125
    x = np.arange(20.0, -120.0, -speed * dt)
    lateral = 0.5 * LORRY.width_m + clearance
    points = np.column_stack([x, np.full(x.size, lateral), np.full(x.size, 1.5)])
    field = pass_field(LORRY, refinement=0.5)
    mean = speed * field.velocity(points)[:, :2]
    energy = field.turbulence(points)
    sd = speed * np.sqrt(2.0 * energy[:, None] * np.array([0.40, 0.32]))
    drawn = drawn_maxima(mean, sd, dt, averaging, 2000, seed=9)
    where = place(speed, clearance, 1.5, averaging)
    average = compute("gust_speed", where, LORRY, **COARSE)[0]
    high = compute("gust_speed", where, LORRY, statistic="mean_plus_2sd", **COARSE)[0]
    assert average == pytest.approx(drawn.mean(), rel=0.03)
    assert high == pytest.approx(drawn.mean() + 2.0 * drawn.std(), rel=0.05)


def test_gust_over_speed_depends_on_travelled_lengths_only():
    """Twice the speed and half the times: the same frozen field, the same ratio."""
    slow = compute(
        "gust_ratio", place(15.0, averaging=1.0), LORRY, turbulence_time_s=0.2, **COARSE
    )[0]
    fast = compute(
        "gust_ratio", place(30.0, averaging=0.5), LORRY, turbulence_time_s=0.1, **COARSE
    )[0]
    assert fast == pytest.approx(slow, rel=1e-6)
    speed = compute(
        "gust_speed", place(30.0, averaging=0.5), LORRY, turbulence_time_s=0.1, **COARSE
    )[0]
    assert speed == pytest.approx(30.0 * fast, rel=1e-12)


def test_gust_falls_with_distance_and_averaging():
    gap = compute("gust_speed", place(clearance=[0.5, 4.0]), LORRY, **COARSE)
    assert np.all(np.diff(gap) < 0.0)
    time = compute("gust_speed", place(averaging=[0.2, 1.0]), LORRY, **COARSE)
    assert np.all(np.diff(time) < 0.0)
    flow = compute("gust_speed", place(), LORRY, statistic="mean_flow", **COARSE)[0]
    average, high = (
        compute("gust_speed", place(), LORRY, statistic=statistic, **COARSE)[0]
        for statistic in ("mean", "mean_plus_2sd")
    )
    assert flow <= average < high


@pytest.mark.parametrize(
    ("conditions", "options", "text"),
    [
        (place(clearance=0.0), {}, "clearance_m = 0.0: must be from 0.05"),
        (place(averaging=0.01), {}, "averaging_s = 0.01"),
        (place(speed=-3.0), {}, "speed_m_s = -3"),
        (place(height=np.inf), {}, "height_m = inf"),
        (place(), {"statistic": "max"}, "must be one of 'mean'"),
        (place(), {"law": "pair"}, "must be one of 'section', 'couple'"),
        (place(), {"turbulence_time_s": True}, "must be a number"),
    ],
)
def test_bad_conditions_are_refused_in_one_line(conditions, options, text):
    with pytest.raises(CaseError, match=text) as caught:
        compute("gust_speed", conditions, LORRY, **options)
    assert "\n" not in str(caught.value)


def test_a_gust_needs_a_body():
    with pytest.raises(CaseError, match=r"needs a \[body\] or a vehicle"):
        compute("gust_speed", place())


@pytest.mark.parametrize(
    ("mean", "sd", "dt", "averaging", "text"),
    [
        (np.zeros((9, 3)), np.zeros((9, 3)), 0.1, 1.0, "shape"),
        (np.full((9, 2), np.nan), np.zeros((9, 2)), 0.1, 1.0, "finite"),
        (np.zeros((9, 2)), -np.ones((9, 2)), 0.1, 1.0, "at least 0"),
        (np.zeros((9, 2)), np.ones((9, 2)) * (1.0, 0.1), 0.1, 1.0, "factor of two"),
        (np.zeros((9, 2)), np.zeros((9, 2)), 0.1, 0.2, "four time steps"),
        (np.zeros((9, 2)), np.zeros((9, 2)), 0.0, 0.2, "greater than 0"),
    ],
)
def test_bad_signatures_are_refused(mean, sd, dt, averaging, text):
    with pytest.raises(ValueError, match=text):
        expected_extreme(mean, sd, dt, averaging, TIME_S)
