"""Distribution of the speed against closed forms and its own exact moments."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats
from shot_noise_references import exponential_pulse, gaussian_pulse

from wakesim.traffic.stationary import shot_noise


def test_unit_exponential_pulses_give_dickmans_function():
    # lambda tau = 1: the density is exp(-gamma) rho(x), rho = 1 up to 1, then 1 - ln x up to 2.
    d = shot_noise([exponential_pulse(2.0, 0.01)], 0.5, 0.01).distribution()
    x = np.linspace(0.1, 1.95, 60)
    scale = math.exp(-np.euler_gamma)
    expected = scale * np.where(x < 1.0, x, 2.0 * x - 1.0 - x * np.log(np.maximum(x, 1.0)))
    assert np.abs(d.at(x).cdf - expected).max() < 1e-3
    middle = (x < 0.97) | (x > 1.03)
    density = scale * np.where(x < 1.0, 1.0, 1.0 - np.log(np.maximum(x, 1.0)))
    assert np.abs(d.at(x).pdf - density)[middle].max() < 0.01


def test_exponential_pulses_of_two_directions_give_an_angle_free_check():
    # lambda tau = 1, pulses along u and along v: independent u and v, each of Dickman's law
    pulses = [exponential_pulse(2.0, 0.02, (1.0, 0.0)), exponential_pulse(2.0, 0.02, (0.0, 1.0))]
    d = shot_noise(pulses, 0.5, 0.02).distribution([0.25, 0.5, 0.75, 1.0])
    quarter_disc = 0.25 * math.pi * d.speed**2 * math.exp(-2.0 * np.euler_gamma)
    assert np.abs(d.cdf - quarter_disc).max() < 1e-3


def test_the_air_without_a_pass_is_an_atom():
    t = np.linspace(0.0, 1.0, 401)
    pulse = np.column_stack([4.0 * t * (1.0 - t), np.zeros_like(t)])  # felt for 1 s, at most 1 m/s
    rate = 0.3
    noise = shot_noise([pulse], rate, t[1], mean=(0.0, 0.0))
    d = noise.distribution([0.0, 0.2, 0.5, 0.9])
    assert d.atom_speed == 0.0
    assert d.atom_share == pytest.approx(math.exp(-rate), rel=1e-3)  # a step of 0.0025 s
    assert d.cdf[0] == pytest.approx(math.exp(-rate), abs=1e-3)
    assert noise.share_above(0.0) == pytest.approx(-math.expm1(-rate), abs=1e-3)
    # With one pass, or two: P(f <= x) = 1 - sqrt(1 - x); two or more bring the sum to 2 m/s.
    one = rate * math.exp(-rate) * (1.0 - np.sqrt(1.0 - d.speed))
    two_at_most = -math.expm1(-rate) - rate * math.exp(-rate)
    assert np.all(d.cdf >= math.exp(-rate) + one - 1e-3)
    most = one + two_at_most * (1.0 - np.sqrt(1.0 - d.speed))
    assert np.all(d.cdf <= math.exp(-rate) + most + 1e-3)
    windy = shot_noise([pulse], rate, t[1], mean=(1.2, 1.6))
    assert windy.distribution().atom_speed == pytest.approx(2.0)
    step = windy.share_above(1.9999) - windy.share_above(2.0)
    assert step == pytest.approx(math.exp(-rate), abs=5e-3)
    turbulent = shot_noise([pulse], rate, t[1], covariance=0.01 * np.eye(2))
    assert turbulent.distribution().atom_share == 0.0


def test_steady_air_is_an_atom_alone():
    noise = shot_noise([], [], 0.1, mean=(3.0, 4.0))
    d = noise.distribution()
    assert (d.atom_speed, d.atom_share) == (5.0, 1.0)
    assert noise.share_above(4.9) == 1.0
    assert noise.share_above(5.0) == 0.0
    assert noise.mean_cube_speed == pytest.approx(125.0, rel=1e-10)


def test_a_normal_wind_is_rice_distributed():
    noise = shot_noise([], [], 0.1, mean=(2.0, -1.0), covariance=0.64 * np.eye(2))
    d = noise.distribution()
    rice = stats.rice(math.sqrt(5.0) / 0.8, scale=0.8)
    assert np.abs(d.cdf - rice.cdf(d.speed)).max() < 1e-4
    assert np.abs(d.pdf - rice.pdf(d.speed)).max() < 1e-3


def test_turbulence_along_one_axis_is_half_normal():
    noise = shot_noise([], [], 0.1, covariance=np.diag([0.0, 0.25]))
    d = noise.distribution()
    half = stats.halfnorm(scale=0.5)
    assert np.abs(d.cdf - half.cdf(d.speed)).max() < 3e-3
    assert noise.mean_cube_speed == pytest.approx(half.moment(3), rel=1e-6)
    assert noise.mean_speed == pytest.approx(half.mean(), rel=1e-5)


@pytest.mark.parametrize("rate", [0.02, 0.5, 5.0])
@pytest.mark.parametrize("mean", [(0.0, 0.0), (0.5, 2.0)])
def test_moments_of_the_distribution_are_the_exact_ones(rate, mean):
    pulses = [gaussian_pulse(0.5, 0.02, (2.0, 0.3)), gaussian_pulse(0.8, 0.02, (-0.4, 0.8))]
    turbulence = [0.3 * p**2 for p in pulses]
    noise = shot_noise(
        pulses, rate, 0.02, turbulence=turbulence, mean=mean, covariance=np.diag([0.02, 0.01])
    )
    d = noise.distribution()
    middle = 0.5 * (d.speed[1:] + d.speed[:-1])
    mass = np.diff(d.cdf)
    assert d.cdf[-1] == pytest.approx(1.0, abs=1e-9)
    assert np.sum(mass * middle**3) == pytest.approx(noise.mean_cube_speed, rel=1e-3)
    assert np.sum(mass * middle) == pytest.approx(noise.mean_speed, rel=1e-3)
    assert mass.min() > -1e-6


@pytest.mark.parametrize(
    ("speeds", "message"),
    [([1.0, 1.0], "increase"), ([-1.0, 1.0], "at least 0"), ([], "list"), ([np.nan], "finite")],
)
def test_speeds_that_do_not_fit(speeds, message):
    noise = shot_noise([], [], 0.1, mean=(3.0, 4.0))
    with pytest.raises(ValueError, match=message):
        noise.distribution(speeds)


def test_a_negative_cut_in_is_refused():
    with pytest.raises(ValueError, match="at least 0"):
        shot_noise([], [], 0.1, mean=(3.0, 4.0)).share_above(-1.0)
