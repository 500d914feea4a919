"""Shot noise against closed forms, sums over counts, and simulated Poisson streams."""

from __future__ import annotations

import math

import numba
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats
from shot_noise_references import (
    exponential_pulse,
    gaussian_pulse,
    simulate,
    sphere_pulse,
    sum_over_counts,
)

import wakesim
from wakesim.traffic.measure import Measure, compress, measure
from wakesim.traffic.stationary import ShotNoise, mean_cubes, shot_noise


def few_nodes(velocity, weight, variance=None) -> Measure:
    nodes = np.zeros((len(weight), 5))
    nodes[:, :2] = velocity
    if variance is not None:
        nodes[:, 2] = nodes[:, 3] = variance
    return Measure(np.asarray(weight, dtype=float), nodes)


def wake_like(dt=0.02):
    """A pulse, a wake and its turbulence, of the size of a lorry's at a roadside mount."""
    t = np.arange(0.0, 20.0, dt)
    u = 2.5 * np.exp(-(((t - 2.0) / 0.4) ** 2)) - 1.5 * np.exp(-(((t - 2.8) / 0.4) ** 2))
    u += np.where(t > 3.0, 1.2 * (1.0 - np.exp(3.0 - t)) * np.exp((3.0 - t) / 4.0), 0.0)
    v = 2.0 * np.gradient(np.exp(-(((t - 2.4) / 0.6) ** 2)), dt)
    k = np.where(t > 3.0, 1.5 * (1.0 - np.exp(2.0 * (3.0 - t))) * np.exp((3.0 - t) / 2.0), 0.0)
    return np.column_stack([u, v]), np.column_stack([0.8 * k, 0.64 * k])


# --- closed forms ---------------------------------------------------------------------------------


def test_exponential_pulses():
    # kappa_n = lambda tau / n = 1/n, so E X^3 = kappa_3 + 3 kappa_2 kappa_1 + kappa_1^3 = 17/6.
    noise = wakesim.shot_noise([exponential_pulse(2.0, 0.05)], 0.5, 0.05)
    assert noise.mean_cube_speed == pytest.approx(2.8333333333, rel=1e-6)
    assert noise.mean_speed == pytest.approx(1.0, rel=1e-5)
    assert noise.effective_speed == pytest.approx((17.0 / 6.0) ** (1 / 3), rel=1e-6)
    assert noise.energy_pattern_factor == pytest.approx(17.0 / 6.0, rel=3e-5)
    assert noise.mean == pytest.approx([1.0, 0.0], abs=1e-7)
    assert noise.covariance == pytest.approx(np.diag([0.5, 0.0]), abs=1e-7)
    assert noise.relative_error[0] < 1e-6


def test_time_integral_is_fourth_order_for_an_abrupt_pulse():
    errors = [
        shot_noise([exponential_pulse(2.0, dt)], 0.5, dt).mean_cube_speed - 17.0 / 6.0
        for dt in (0.4, 0.2)
    ]
    assert abs(errors[0]) < 1e-3 * 17.0 / 6.0
    assert abs(errors[0] / errors[1]) > 12.0


def test_time_integral_of_a_smooth_pulse_does_not_depend_on_the_step():
    coarse, fine = (
        shot_noise([gaussian_pulse(0.5, dt, (1.0, -0.4))], 0.3, dt) for dt in (0.25, 0.01)
    )
    assert coarse.mean_cube_speed == pytest.approx(fine.mean_cube_speed, rel=1e-6)


@pytest.mark.parametrize("rate", [1e-4, 0.05, 0.8, 20.0])
def test_gaussian_pulses(rate):
    a, b, sd = 1.3, -0.7, 0.5
    noise = shot_noise([gaussian_pulse(sd, 0.05, (a, b))], rate, 0.05)
    kappa = [rate * sd * math.sqrt(2.0 * math.pi / n) for n in range(1, 5)]
    for n in range(1, 5):
        expected = [kappa[n - 1] * a ** (n - j) * b**j for j in range(n + 1)]
        assert noise.cumulants(n) == pytest.approx(expected, rel=1e-9)
    size = math.hypot(a, b)  # both components keep one proportion: |X| is a sum of positive pulses
    cube = size**3 * (kappa[2] + 3.0 * kappa[1] * kappa[0] + kappa[0] ** 3)
    assert noise.mean_cube_speed == pytest.approx(cube, rel=1e-6)
    assert noise.mean_speed == pytest.approx(size * kappa[0], rel=1e-4)


def test_passing_sphere():
    b, rate, dt = 1.4, 0.3, 0.02
    noise = shot_noise([sphere_pulse(b, dt)], rate, dt)
    assert noise.mean[0] == pytest.approx(0.0, abs=1e-5)
    assert noise.mean[1] == pytest.approx(0.0, abs=1e-12)
    assert noise.cumulants(2)[0] == pytest.approx(rate * 27.0 * math.pi / (512.0 * b**5), rel=1e-6)
    assert noise.cumulants(2)[1] == pytest.approx(0.0, abs=1e-12)
    assert noise.cumulants(3)[0] == pytest.approx(-rate * 288.0 / (5005.0 * b**8), rel=1e-6)
    # v = -(3/2) x b / r^5: int v^2 dx = (9/4) b^2 int x^2/r^10 dx = (9/4) (5 pi/128) / b^5
    assert noise.covariance[1, 1] == pytest.approx(rate * 45.0 * math.pi / (512.0 * b**5), rel=1e-6)


def test_sparse_passes_add_their_cubes():
    b, rate, dt = 1.4, 1e-5, 0.02
    cube = integrate.quad(
        lambda x: (0.25 * (9.0 * x**2 * b**2 + (2.0 * x**2 - b**2) ** 2)) ** 1.5
        / (x**2 + b**2) ** 7.5,
        -np.inf, np.inf, epsabs=0.0, epsrel=1e-10,
    )[0]  # fmt: skip
    noise = shot_noise([sphere_pulse(b, dt, reach=40.0)], rate, dt)
    assert noise.mean_cube_speed == pytest.approx(rate * cube, rel=1e-4)
    still = shot_noise([sphere_pulse(b, dt, reach=40.0)], 0.0, dt)
    assert (still.mean_cube_speed, still.mean_speed) == (0.0, 0.0)
    assert math.isnan(still.energy_pattern_factor)


def test_odd_cumulants_of_two_equal_directions_vanish():
    pulse, turbulence = wake_like()
    noise = shot_noise([pulse, -pulse], 0.2, 0.02, turbulence=[turbulence, turbulence])
    one = shot_noise([pulse], 0.4, 0.02, turbulence=[turbulence])
    for order in (1, 3, 5):
        assert np.abs(noise.cumulants(order)).max() < 1e-12 * np.abs(one.cumulants(order)).max()
    for order in (2, 4):
        assert noise.cumulants(order) == pytest.approx(one.cumulants(order), rel=1e-12)


@pytest.mark.parametrize("mean", [(0.0, 0.0), (0.4, -0.3), (6.0, 2.0)])
def test_ambient_turbulence_alone_is_a_rice_distribution(mean):
    noise = shot_noise([], [], 0.1, mean=mean, covariance=np.diag([0.49, 0.49]))
    rice = stats.rice(math.hypot(*mean) / 0.7, scale=0.7)
    assert noise.mean_cube_speed == pytest.approx(rice.moment(3), rel=1e-9)
    assert noise.mean_speed == pytest.approx(rice.mean(), rel=1e-6)
    assert noise.share_above(1.0) == pytest.approx(rice.sf(1.0), abs=1e-4)


def test_many_passes_are_a_bivariate_normal():
    # What skewness is left, 1/sqrt(rate x duration), is below the tolerance.
    amplitudes = ((0.002, 0.0004), (-0.002, -0.0003), (0.0, 0.003))
    pulses = [gaussian_pulse(0.5, 0.05, a) for a in amplitudes]
    rates = [40e3, 30e3, 25e3]
    noise = shot_noise(pulses, rates, 0.05, mean=(-24.0, -94.0))
    inverse = np.linalg.inv(noise.covariance)
    root = math.sqrt(np.linalg.det(inverse)) / (2.0 * math.pi)
    reach = 9.0 * np.sqrt(np.diag(noise.covariance))
    axes = [np.linspace(m - r, m + r, 801) for m, r in zip(noise.mean, reach, strict=True)]
    u, v = np.meshgrid(*axes, indexing="ij")
    x = np.stack([u - noise.mean[0], v - noise.mean[1]])
    density = root * np.exp(-0.5 * np.einsum("iab,ij,jab->ab", x, inverse, x))
    cell = (axes[0][1] - axes[0][0]) * (axes[1][1] - axes[1][0])
    assert noise.mean_cube_speed == pytest.approx(
        cell * np.sum(density * np.hypot(u, v) ** 3), rel=1e-4
    )
    assert noise.mean_speed == pytest.approx(cell * np.sum(density * np.hypot(u, v)), rel=1e-4)


# --- sums over counts -----------------------------------------------------------------------------

VELOCITY = [(1.0, 0.2), (-0.5, 0.9), (0.3, -1.4)]


@pytest.mark.parametrize("weight", [(0.001, 0.002, 0.0005), (0.2, 0.1, 0.3), (1.5, 2.0, 0.7)])
@pytest.mark.parametrize("mean", [(0.0, 0.0), (0.6, -0.3), (4.0, 3.0)])
@pytest.mark.parametrize("turbulence", [None, (0.3, 0.05, 1.2)])
@pytest.mark.parametrize("ambient", [0.0, 0.25])
def test_mean_cube_equals_the_sum_over_counts(weight, mean, turbulence, ambient):
    passes = few_nodes(VELOCITY, weight, turbulence)
    covariance = ambient * np.eye(2)
    noise = ShotNoise(passes, np.array(mean), covariance)
    cube = sum_over_counts(VELOCITY, weight, 3, mean, turbulence, ambient)
    speed = sum_over_counts(VELOCITY, weight, 1, mean, turbulence, ambient)
    assert noise.mean_cube_speed == pytest.approx(cube, rel=2e-6)
    many = mean_cubes([passes], mean=mean, covariance=covariance)
    assert noise.mean_speed == pytest.approx(speed, rel=1e-4)
    assert many.mean_cube[0] == pytest.approx(cube, rel=5e-5)
    assert many.mean_speed[0] == pytest.approx(speed, rel=2e-3)


# --- simulation -----------------------------------------------------------------------------------


@pytest.mark.parametrize("turbulent", [False, True])
def test_against_a_simulated_stream(turbulent):
    pulse, turbulence = wake_like()
    other = sphere_pulse(2.0, 0.02, radius=1.5, speed=20.0, reach=60.0)
    pulses, rates = [pulse, other], [0.12, 0.2]
    extra = [turbulence, np.zeros_like(other)] if turbulent else None
    noise = shot_noise(pulses, rates, 0.02, turbulence=extra)
    n = 200_000
    drawn = simulate(pulses, rates, 0.02, n, np.random.default_rng(7), extra)
    speed = np.hypot(*drawn.T)
    cubes = speed**3
    assert abs(cubes.mean() - noise.mean_cube_speed) < 4.0 * cubes.std() / math.sqrt(n)
    assert abs(speed.mean() - noise.mean_speed) < 4.0 * speed.std() / math.sqrt(n)
    assert np.abs(drawn.mean(0) - noise.mean).max() < 4.0 * drawn.std(0).max() / math.sqrt(n)
    bound = 1.63 / math.sqrt(n)  # Kolmogorov-Smirnov, 1 %
    distribution = noise.distribution()
    grid = distribution.speed[distribution.speed > 3.0 * distribution.resolution]
    empirical = np.searchsorted(np.sort(speed), grid, side="right") / n
    assert np.abs(empirical - distribution.at(grid).cdf).max() < bound
    for cut_in in (0.5, 1.0, 2.0):
        assert abs(np.mean(speed > cut_in) - noise.share_above(cut_in)) < bound


# --- properties -----------------------------------------------------------------------------------

NUMBER = st.floats(-2.0, 2.0)
NODE = st.tuples(NUMBER, NUMBER, st.floats(1e-3, 2.0), st.floats(0.0, 1.0))
NODES = st.lists(NODE, min_size=1, max_size=6)
PROPERTY = settings(deadline=None, max_examples=15, derandomize=True)


def noise_of(rows, mean=(0.0, 0.0), ambient=None) -> ShotNoise:
    rows = np.array(rows)
    passes = few_nodes(rows[:, :2], rows[:, 2], rows[:, 3])
    return ShotNoise(passes, np.array(mean), np.zeros((2, 2)) if ambient is None else ambient)


@PROPERTY
@given(NODES, st.tuples(NUMBER, NUMBER), st.floats(0.0, 6.3))
def test_a_rotation_changes_no_speed(rows, mean, angle):
    turn = np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])
    turned = np.array(rows)
    turned[:, :2] = turned[:, :2] @ turn.T
    one, other = noise_of(rows, mean), noise_of(turned, turn @ np.array(mean))
    assert one.mean_cube_speed == pytest.approx(other.mean_cube_speed, rel=4e-6, abs=1e-12)


@PROPERTY
@given(NODES, st.tuples(NUMBER, NUMBER), st.floats(0.01, 50.0))
def test_a_factor_on_the_velocity_enters_as_its_cube(rows, mean, factor):
    one = noise_of(rows, mean)
    passes = one.passes.scaled(speed=factor)
    other = ShotNoise(passes, factor * np.array(mean), np.zeros((2, 2)))
    assert other.mean_cube_speed == pytest.approx(factor**3 * one.mean_cube_speed, rel=1e-9)


@PROPERTY
@given(NODES, st.tuples(NUMBER, NUMBER), st.floats(0.01, 2.0))
def test_symmetric_noise_raises_the_mean_cube(rows, mean, sd):
    still = noise_of(rows, mean).mean_cube_speed
    normal = noise_of(rows, mean, np.diag([sd**2, 0.0])).mean_cube_speed
    jumps = noise_of([*rows, (sd, 0.0, 0.3, 0.0), (-sd, 0.0, 0.3, 0.0)], mean).mean_cube_speed
    assert normal > still * (1.0 - 4e-6)
    assert jumps > still * (1.0 - 4e-6)


@PROPERTY
@given(NODES, st.tuples(NUMBER, NUMBER))
def test_moments_are_in_their_order(rows, mean):
    noise = noise_of(rows, mean)
    square = np.trace(noise.covariance) + noise.mean @ noise.mean
    assert noise.mean_cube_speed >= square**1.5 * (1.0 - 4e-6)
    assert noise.mean_speed <= math.sqrt(square) * (1.0 + 1e-4)
    assert noise.mean_speed >= np.hypot(*noise.mean) * (1.0 - 1e-4)


# --- many states ----------------------------------------------------------------------------------


def scattered_passes():
    """A lane with lateral wander: 15 signatures of two classes each, 15 000 samples."""
    pulses, turbulence, rates = [], [], []
    for size, flow in ((1.0, 0.05), (0.35, 0.25)):
        for wander in np.linspace(-0.6, 0.6, 15):
            pulse, variance = wake_like(0.04)
            pulses.append(size * pulse * (1.0 + wander))
            turbulence.append(size**2 * variance * (1.0 + wander) ** 2)
            rates.append(flow / 15)
    return pulses, rates, turbulence


@pytest.mark.parametrize("mean", [(0.0, 0.0), (0.5, 1.0), (3.0, 4.0)])
def test_few_nodes_stand_for_many(mean):
    pulses, rates, turbulence = scattered_passes()
    full = shot_noise(pulses, rates, 0.04, turbulence=turbulence, mean=mean)
    few = compress(pulses, rates, 0.04, turbulence=turbulence, nodes=300)
    assert len(few) <= 300 < len(full.passes) / 40
    assert few.mean == pytest.approx(full.passes.mean, rel=1e-10)
    assert few.covariance == pytest.approx(full.passes.covariance, rel=1e-10, abs=1e-13)
    assert few.intensity == pytest.approx(full.passes.intensity, rel=1e-12)
    found = mean_cubes([few], mean=mean)
    assert found.mean_cube[0] == pytest.approx(full.mean_cube_speed, rel=5e-4)
    assert found.mean_speed[0] == pytest.approx(full.mean_speed, rel=1e-3)
    assert found.mean[0] == pytest.approx(full.mean, rel=1e-10)
    assert found.covariance[0] == pytest.approx(full.covariance, rel=1e-10, abs=1e-13)


def test_more_nodes_are_closer():
    pulses, rates, turbulence = scattered_passes()
    full = measure(pulses, rates, 0.04, turbulence=turbulence)
    cube = ShotNoise(full, np.zeros(2), np.zeros((2, 2))).mean_cube_speed
    errors = [
        abs(ShotNoise(full.reduced(n), np.zeros(2), np.zeros((2, 2))).mean_cube_speed / cube - 1.0)
        for n in (20, 100, 500)
    ]
    assert errors[0] > 3.0 * errors[1] > 9.0 * errors[2]


def test_states_do_not_notice_each_other_or_the_threads():
    pulses, rates, turbulence = scattered_passes()
    base = compress(pulses, rates, 0.04, turbulence=turbulence, nodes=150)
    states = [base.scaled(0.5 + 0.1 * i, 0.2 + i) for i in range(5)] + [base.scaled(rate=0.0)]
    means = np.column_stack([np.arange(6.0), np.zeros(6)])
    together = mean_cubes(states, mean=means, covariance=0.04 * np.eye(2))
    threads = numba.get_num_threads()
    try:
        numba.set_num_threads(1)
        single = mean_cubes(states, mean=means, covariance=0.04 * np.eye(2))
        noise = shot_noise(pulses[:2], 0.1, 0.04)
        one_thread = noise.mean_cube_speed
    finally:
        numba.set_num_threads(threads)
    assert shot_noise(pulses[:2], 0.1, 0.04).mean_cube_speed == one_thread
    for own, other in zip(together, single, strict=True):
        assert np.array_equal(own, other)
    alone = mean_cubes(states[3:4], mean=means[3], covariance=0.04 * np.eye(2))
    assert alone.mean_cube[0] == together.mean_cube[3]
    assert together.mean_cube[5] == pytest.approx(
        stats.rice.moment(3, 25.0, scale=0.2), rel=1e-6
    )  # no passes: 5 m/s with a standard deviation of 0.2 m/s
    assert mean_cubes([]).mean_cube.shape == (0,)


# --- input ----------------------------------------------------------------------------------------

PULSE = np.ones((5, 2))


@pytest.mark.parametrize(
    ("arguments", "options", "message"),
    [
        (([np.ones(5)], 0.1, 0.1), {}, "pulse 0 must have shape"),
        (([PULSE, np.ones((1, 2))], 0.1, 0.1), {}, "pulse 1 must have shape"),
        (([PULSE * np.nan], 0.1, 0.1), {}, "pulse 0 must be finite"),
        (([PULSE], [0.1, 0.2], 0.1), {}, "rates: one number"),
        (([PULSE], -0.1, 0.1), {}, "rates must be at least 0"),
        (([PULSE], math.inf, 0.1), {}, "rates must be finite"),
        (([PULSE], 0.1, 0.0), {}, "dt must be greater than 0"),
        (([PULSE], 0.1, 0.1), {"turbulence": []}, "turbulence: 1 entries"),
        (([PULSE], 0.1, 0.1), {"turbulence": [-PULSE]}, "turbulence 0: variances"),
        (([PULSE], 0.1, 0.1), {"turbulence": [PULSE[:4]]}, "turbulence 0 must have the shape"),
        (([PULSE], 0.1, 0.1), {"mean": 1.0}, "mean must be"),
        (([PULSE], 0.1, 0.1), {"covariance": [[1.0, 2.0], [2.0, 1.0]]}, "covariance must be sym"),
        (([PULSE], 0.1, 0.1), {"covariance": [[1.0, 0.5], [0.0, 1.0]]}, "covariance must be sym"),
    ],
)
def test_what_does_not_fit_is_named(arguments, options, message):
    with pytest.raises(ValueError, match=message):
        shot_noise(*arguments, **options)
