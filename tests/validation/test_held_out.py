"""The rule of adoption on made-up data: it must say yes and it must say no."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from wakesim.validation.fitting import Constant, Problem, estimate, gain, judge

X = np.linspace(4.0, 9.0, 16)
ALLOWED = (0.2, 3.0)


def decay(default: float, seed: int, sd: float = 0.1, count: int = 16) -> Problem:
    """y = x^-n, true exponent 1.2, relative noise ``sd``."""
    noise = np.random.default_rng(seed).standard_normal(count)
    x = X[:count]
    return Problem(
        "decay", "made up", (Constant("n", "n", "1", default, (0.05, 20.0), ALLOWED),),
        x**-1.2 * np.exp(sd * noise), np.arange(count), lambda q: x ** -q[0],
    )  # fmt: skip


def adopted(default: float, draws: int, **how: float) -> int:
    return sum(judge(decay(default, seed, **how))[0].adopt for seed in range(draws))


def test_a_wrong_default_is_replaced():
    assert adopted(1.0, 30) == 30


def test_a_right_default_is_kept():
    """By chance a fit does better now and then; by more than its 90 % uncertainty hardly ever."""
    draws = 60
    count = adopted(1.2, draws)
    assert stats.binomtest(count, draws, 0.05, alternative="greater").pvalue > 0.01


def test_noise_that_hides_the_gain_keeps_the_default():
    assert adopted(1.1, 30, sd=0.5) <= 3


def test_two_held_out_stations_do_not_carry_a_gain_that_eight_do():
    assert adopted(1.1, 20, sd=0.06, count=5) <= 4
    assert adopted(1.1, 20, sd=0.06) >= 16


def test_of_two_constants_only_the_wrong_one_is_replaced():
    """Level and exponent, the level being right where both ends of the data balance."""
    x = np.tile([1.0, 1.0, 9.0, 9.0], 4)
    level = Constant("A", "A", "1", 3.0**-1.2, (1e-3, 1e3))
    exponent = Constant("n", "n", "1", 0.8, (0.05, 20.0))
    counts = np.zeros(2)
    for seed in range(20):
        noise = np.random.default_rng(seed).standard_normal(16)
        problem = Problem(
            "decay", "made up", (level, exponent), x**-1.2 * np.exp(0.1 * noise), np.arange(16),
            lambda q: q[0] * (x / 3.0) ** -q[1],
        )  # fmt: skip
        fits = judge(problem)
        counts += [fit.adopt for fit in fits]
        if not fits[0].adopt:
            assert fits[0].reason == "its own share of the fall is within its uncertainty"
    assert counts[1] == 20
    assert counts[0] <= 4


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"allowed": (0.1, 0.9)}, "outside its range 0.1 to 0.9"),
        ({"unlike": "a sphere is no lorry"}, "a sphere is no lorry"),
        ({"bounds": (0.05, 1.1)}, "ends at a bound of the search"),
    ],
)
def test_range_bound_and_kind_of_body_stand_in_the_way(change, words):
    problem = decay(1.0, 3)
    assert judge(problem)[0].adopt
    (fit,) = judge(replace(problem, constants=(replace(problem.constants[0], **change),)))
    assert not fit.adopt
    assert words in fit.reason


def test_the_fit_never_sees_the_held_out_part():
    problem = decay(1.0, 5)
    spoilt = np.where(problem.training(), problem.measured, 7.0 * problem.measured)
    (one,), (other,) = judge(problem), judge(replace(problem, measured=spoilt))
    assert other.fitted == pytest.approx(one.fitted, rel=1e-9)
    assert other.interval == pytest.approx(one.interval, rel=1e-9)
    assert other.held_out_rms_fitted > 5 * one.held_out_rms_fitted


def test_a_nuisance_is_fitted_on_both_sides_and_not_judged():
    problem = decay(1.2, 6)
    level = Constant("A", "A", "1", 1.5, (0.05, 20.0))
    exponent = replace(problem.constants[0], default=1.2)
    two = replace(problem, predict=lambda q: q[0] * X ** -q[1], constants=(level, exponent))
    (fit,) = judge(replace(two, constants=(replace(level, nuisance=True), exponent)))
    assert fit.constant.name == "n"
    # with the level free, the right default of the exponent does as well as the fit
    assert fit.held_out_rms_default < 1.3 * fit.held_out_rms_fitted
    assert judge(two)[1].held_out_rms_default > 2 * fit.held_out_rms_default


def test_the_gain_of_a_mean_in_closed_form():
    """One constant, additive: mean square about the default less that about the fitted mean."""
    rng = np.random.default_rng(7)
    y = 2.0 + 0.3 * rng.standard_normal(30)
    constant = Constant("a", "a", "m", 1.0, (-9.0, 9.0), positive=False)
    problem = Problem(
        "mean", "made up", (constant,), y, np.arange(30), lambda q: np.full(30, q[0]),
        relative=False,
    )  # fmt: skip
    use = problem.training()
    train, held = y[use], y[~use]
    found = estimate(problem, use)
    got = gain(problem, problem.defaults, found, ~use)
    fall = (held - 1.0) ** 2 - (held - train.mean()) ** 2
    assert got.value == pytest.approx(fall.mean(), rel=1e-6)
    sampling = stats.t.ppf(0.95, 14) * stats.sem(fall)
    # own rise: 95 % point of 2 d b + d^2, d = t_14 times the standard error, b the mean error
    error = stats.sem(train)
    draws = error * stats.t.rvs(14, size=400_000, random_state=1)
    rise = np.quantile(draws**2 - 2 * draws * (held.mean() - train.mean()), 0.95)
    assert got.uncertainty == pytest.approx(math.hypot(sampling, rise), rel=0.02)
