"""Measures of agreement against values worked by hand from Chang and Hanna (2004)."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wakesim.validation.metrics import fractional_bias, metrics, nmse

OBSERVED = np.array([1.0, 2.0, 4.0])
COMPUTED = np.array([2.0, 2.0, 1.0])


def test_three_points_by_hand() -> None:
    m = metrics(OBSERVED, COMPUTED)
    assert m.n == m.positive == 3
    assert m.fractional_bias == pytest.approx((7 / 3 - 5 / 3) / 2.0)  # mean sum 4, half of it 2
    assert m.nmse == pytest.approx((10 / 3) / (7 / 3 * 5 / 3))
    # ln Co - ln Cp = -ln 2, 0, 2 ln 2
    assert m.geometric_bias == pytest.approx(2 ** (1 / 3))
    assert m.geometric_variance == pytest.approx(math.exp(5 * math.log(2) ** 2 / 3))
    assert m.fac2 == pytest.approx(2 / 3)
    assert m.rms == pytest.approx(math.sqrt(10 / 3))
    assert m.bias == pytest.approx(-2 / 3)
    assert m.max_error == 3.0
    assert m.max_relative_error == 1.0
    assert (m.low_ratio, m.high_ratio) == (0.25, 2.0)
    assert m.hit_rate == pytest.approx(1 / 3)


def test_a_pure_factor_of_two_has_the_values_of_the_paper() -> None:
    # Chang and Hanna (2004), on mean bias alone: FB = 0.67, MG = 2, NMSE = 0.5, VG = 1.6
    m = metrics(OBSERVED, 0.5 * OBSERVED)
    assert m.fractional_bias == pytest.approx(2 / 3)
    assert m.geometric_bias == pytest.approx(2.0)
    assert m.geometric_variance == pytest.approx(1.617, abs=5e-4)
    assert m.fac2 == 1.0
    uniform = metrics(np.full(4, 3.0), np.full(4, 1.5))
    assert uniform.nmse == pytest.approx(0.5)


@pytest.mark.parametrize("factor", [0.3, 0.5, 1.0, 2.0, 4.0])
def test_without_scatter_the_variances_follow_from_the_biases(factor: float) -> None:
    # the minima of the paper: NMSE = 4 FB^2 / (4 - FB^2), VG = exp((ln MG)^2)
    m = metrics(np.full(5, 2.0), np.full(5, 2.0 * factor))
    assert m.fractional_bias is not None
    assert m.geometric_bias is not None
    fb = m.fractional_bias
    assert m.nmse == pytest.approx(4 * fb**2 / (4 - fb**2))
    assert m.geometric_variance == pytest.approx(math.exp(math.log(m.geometric_bias) ** 2))


def test_a_perfect_model() -> None:
    m = metrics(OBSERVED, OBSERVED)
    assert (m.fractional_bias, m.nmse, m.geometric_bias, m.geometric_variance) == (0, 0, 1, 1)
    assert (m.fac2, m.hit_rate, m.rms, m.bias, m.max_relative_error) == (1, 1, 0, 0, 0)


def test_values_below_zero_are_compared_by_size_and_never_in_logarithms() -> None:
    minus, plus = metrics(-OBSERVED, -COMPUTED), metrics(OBSERVED, COMPUTED)
    assert minus.fractional_bias == pytest.approx(plus.fractional_bias)
    assert minus.nmse == pytest.approx(plus.nmse)
    assert minus.fac2 == plus.fac2
    assert (minus.geometric_bias, minus.geometric_variance, minus.positive) == (None, None, 0)


def test_both_signs_leave_mean_measures_undefined() -> None:
    m = metrics(np.array([-1.0, 1.0, 2.0]), np.array([-1.0, 1.0, 4.0]))
    assert m.fractional_bias is None
    assert m.nmse is None
    assert m.positive == 2
    assert m.geometric_variance == pytest.approx(math.exp(0.5 * math.log(2) ** 2))


def test_a_measured_zero_has_no_ratio() -> None:
    m = metrics(np.array([0.0, 1.0]), np.array([0.1, 1.0]))
    assert m.fac2 is None
    assert m.low_ratio is None
    assert m.max_relative_error is None
    assert m.hit_rate == 0.5
    assert metrics(np.zeros(2), np.zeros(2)).hit_rate == 1.0


def test_the_wrong_sign_is_no_factor_of_two() -> None:
    m = metrics(np.array([1.0, -1.0]), np.array([-1.0, -1.0]))
    assert m.fac2 == 0.5
    assert m.low_ratio == -1.0


def test_limits_of_the_factor_of_two_and_of_the_hit_rate_count_as_inside() -> None:
    m = metrics(np.array([0.3, 0.3, 0.1]), np.array([0.6, 0.15, 0.2 + 1e-3]))
    assert m.fac2 == pytest.approx(2 / 3)
    assert metrics(np.array([0.4]), np.array([0.3])).hit_rate == 1.0
    assert metrics(np.array([0.4]), np.array([0.2999])).hit_rate == 0.0


def test_the_stated_uncertainty_widens_the_hit() -> None:
    observed, computed = np.array([1.0, 1.0, 1.0]), np.array([1.3, 1.6, 0.2])
    assert metrics(observed, computed).hit_rate == 0.0
    assert metrics(observed, computed, np.full(3, 0.3)).hit_rate == pytest.approx(1 / 3)
    assert metrics(observed, computed, np.array([0.1, 0.6, 0.9])).hit_rate == pytest.approx(2 / 3)


@given(
    st.lists(st.tuples(st.floats(0.01, 100.0), st.floats(0.01, 100.0)), min_size=1, max_size=20),
    st.floats(0.01, 100.0),
)
def test_pure_numbers_do_not_depend_on_the_unit(
    pairs: list[tuple[float, float]], factor: float
) -> None:
    observed, computed = np.array(pairs).T
    one, other = metrics(observed, computed), metrics(factor * observed, factor * computed)
    assert other.fractional_bias == pytest.approx(one.fractional_bias, abs=1e-9)
    assert other.nmse == pytest.approx(one.nmse, abs=1e-9)
    assert other.geometric_variance == pytest.approx(one.geometric_variance)
    assert other.rms == pytest.approx(factor * one.rms)
    # exchanging the two turns the bias round and keeps the rest
    turned = metrics(computed, observed)
    assert turned.fractional_bias == pytest.approx(-(one.fractional_bias or 0.0), abs=1e-9)
    assert turned.geometric_variance == pytest.approx(one.geometric_variance)
    assert -2.0 <= (one.fractional_bias or 0.0) <= 2.0


def test_nothing_computed_is_the_largest_bias() -> None:
    assert fractional_bias(OBSERVED, np.zeros(3)) == 2.0
    assert nmse(OBSERVED, np.zeros(3)) is None
    assert fractional_bias(np.zeros(3), np.zeros(3)) is None
