"""Fits and intervals against closed forms, a general-purpose library, and repeated draws."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from scipy.optimize import curve_fit

from wakesim.validation.fitting import Constant, Problem, estimate, intervals, jackknife

X = np.linspace(1.0, 9.0, 12)


def line(measured, x=X, station=None) -> Problem:
    """y = a + b x with additive residuals."""
    free = (-1e3, 1e3)
    return Problem(
        "line", "made up",
        tuple(Constant(n, n, "1", 0.5, free, positive=False) for n in "ab"),
        np.asarray(measured), np.arange(x.size) if station is None else station,
        lambda q: q[0] + q[1] * x, relative=False,
    )  # fmt: skip


def decay(measured, x=X) -> Problem:
    """y = A x^-n with relative residuals."""
    return Problem(
        "decay", "made up",
        (Constant("A", "A", "1", 1.0, (1e-2, 1e2)), Constant("n", "n", "1", 0.5, (1e-2, 1e1))),
        np.asarray(measured), np.arange(x.size), lambda q: q[0] * x ** -q[1],
    )  # fmt: skip


def noise(seed: int, size: int) -> np.ndarray:
    return np.random.default_rng(seed).standard_normal(size)


def test_a_line_has_the_interval_of_the_textbook():
    y = 2.0 - 0.3 * X + 0.2 * noise(1, X.size)
    found = estimate(line(y))
    known = stats.linregress(X, y)
    half = stats.t.ppf(0.95, X.size - 2) * np.array([known.intercept_stderr, known.stderr])
    assert found.values == pytest.approx([known.intercept, known.slope], rel=1e-6)
    assert found.freedom == X.size - 2
    for (low, high), value, width in zip(
        intervals(line(y), found), found.values, half, strict=True
    ):
        assert (low, high) == pytest.approx((value - width, value + width), rel=1e-5)


def test_a_decay_has_the_covariance_of_a_general_library():
    y = 0.7 * X**-1.2 * np.exp(0.1 * noise(2, X.size))
    found = estimate(decay(y))
    # the same residuals and the same logarithms, fitted by another routine
    best, covariance = curve_fit(
        lambda x, a, n: a - np.exp(n) * np.log(x), X, np.log(y), p0=[0.0, 0.0]
    )
    assert found.point == pytest.approx(best, rel=1e-5)
    assert found.covariance == pytest.approx(covariance, rel=1e-3)


def test_the_jackknife_of_a_mean_is_its_standard_error():
    y = 3.0 + noise(3, 9)
    problem = replace(
        line(y, x=np.zeros(9)),
        constants=(Constant("a", "a", "1", 0.0, (-99.0, 99.0), positive=False),),
        predict=lambda q: np.full(9, q[0]),
    )
    use = np.ones(9, dtype=bool)
    ((low, high),) = jackknife(problem, use, estimate(problem))
    half = stats.t.ppf(0.95, 8) * np.std(y, ddof=1) / 3.0
    assert (low, high) == pytest.approx((y.mean() - half, y.mean() + half), rel=1e-6)


def test_the_jackknife_sees_data_that_belong_together():
    """Each station counted twice: the plain interval shrinks, the jackknife's does not."""
    y = 1.0 + 0.2 * X + 0.3 * noise(4, X.size)
    once, twice = line(y), line(np.tile(y, 2), np.tile(X, 2), np.tile(np.arange(X.size), 2))
    widths = []
    for problem in (once, twice):
        found = estimate(problem)
        use = np.ones(problem.measured.size, dtype=bool)
        widths.append([
            ends[1][1] - ends[1][0]
            for ends in (intervals(problem, found), jackknife(problem, use, found))
        ])  # fmt: skip
    plain, left_out = np.array(widths[1]) / np.array(widths[0])
    assert plain < 0.75
    assert left_out == pytest.approx(1.0, rel=1e-3)


def test_every_other_station_trains_whatever_the_numbers_of_the_stations():
    problem = line(np.zeros(6), x=np.zeros(6), station=np.array([7, 2, 9, 2, 7, 30]))
    assert problem.training().tolist() == [False, True, True, True, False, False]


def test_too_few_data_are_an_error_and_just_enough_give_no_interval():
    with pytest.raises(ValueError, match="line: 1 data cannot fix 2 constants"):
        estimate(line(np.ones(12)), np.arange(12) == 0)
    two = np.arange(12) < 2
    found = estimate(line(1.0 + X), two)
    assert found.values == pytest.approx([1.0, 1.0])
    assert intervals(line(1.0 + X), found)[0] == (-math.inf, math.inf)
    assert jackknife(line(1.0 + X), two, found)[1] == (-math.inf, math.inf)


def test_an_estimate_at_a_bound_says_so():
    problem = decay(5.0 * X**-0.5)
    narrow = replace(problem.constants[0], bounds=(6.0, 9.0))
    found = estimate(replace(problem, constants=(narrow, problem.constants[1])))
    assert found.at_bound.tolist() == [True, False]
    assert found.values[0] == pytest.approx(6.0, rel=1e-3)


def waves() -> Problem:
    """y = sin(f x) + 2: in f the sum of squares has many valleys."""
    return Problem(
        "waves", "made up", (Constant("f", "f", "1", 5.0, (0.5, 6.0)),),
        2.0 + np.sin(0.9 * X), np.arange(X.size), lambda q: 2.0 + np.sin(q[0] * X),
    )  # fmt: skip


def test_the_search_leaves_a_local_minimum():
    """From the default alone the fit ends in another valley."""
    problem = waves()
    stuck = estimate(problem, start=problem.defaults)
    assert stuck.rms > 0.1
    assert estimate(problem).values == pytest.approx([0.9], rel=1e-6)


def covered(problem: Problem, true: np.ndarray, sd: float, draws: int) -> np.ndarray:
    """How often the 90 % intervals hold the true values (p,), with ``sd`` of relative noise."""
    exact = problem.predict(true)
    hits = np.zeros(true.size)
    for seed in range(draws):
        made = replace(problem, measured=exact * np.exp(sd * noise(100 + seed, exact.size)))
        ends = intervals(made, estimate(made, start=true))
        hits += [low <= t <= high for (low, high), t in zip(ends, true, strict=True)]
    return hits


@pytest.mark.parametrize(
    ("problem", "true", "sd"),
    [
        (decay(np.ones(X.size)), np.array([0.7, 1.2]), 0.15),
        (waves(), np.array([0.9]), 0.05),
    ],
    ids=["decay", "waves"],
)
def test_intervals_hold_the_truth_nine_times_in_ten(problem, true, sd):
    draws = 200
    for hits in covered(problem, true, sd, draws):
        assert stats.binomtest(int(hits), draws, 0.9).pvalue > 1e-3
        # the test would notice intervals of 80 %, or of 97 %
        assert stats.binomtest(round(0.8 * draws), draws, 0.9).pvalue < 1e-3
        assert stats.binomtest(round(0.97 * draws), draws, 0.9).pvalue < 1e-3
