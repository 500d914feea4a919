"""Sampling and variance-based indices against closed forms and scipy's own estimator."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from wakesim.energy.uncertainty import Parameter, percentiles, ranking, sample

ABC = [Parameter("a", 0.0, 1.0), Parameter("b", 0.0, 1.0), Parameter("c", 0.0, 1.0)]


def test_samples_fill_their_ranges() -> None:
    parameters = [
        Parameter("x", -1.0, 3.0), Parameter("k", 0.1, 10.0, "log"), Parameter("w", 0, 1, "choice"),
    ]  # fmt: skip
    _, values = sample(parameters, 512, seed=3)
    assert values[:, 0].mean() == pytest.approx(1.0, abs=0.01)
    assert np.log10(values[:, 1]).mean() == pytest.approx(0.0, abs=0.01)
    assert values[:, 2].mean() == pytest.approx(0.5, abs=0.01)
    assert stats.kstest(values[:, 0], stats.uniform(-1, 4).cdf).statistic < 0.01
    again = sample(parameters, 512, seed=3)[1]
    assert np.array_equal(values, again)


def test_percentiles_are_exceedances() -> None:
    found = percentiles(np.linspace(0.0, 1.0, 1001))
    assert (found.p90, found.p50, found.p10) == pytest.approx((0.1, 0.5, 0.9))


def test_polynomial_with_interaction_meets_its_exact_indices() -> None:
    # y = 4 a + 6 (b - 1/2)^2 + 12 (a - 1/2)(c - 1/2): variances 16/12, 36/180, 144/144
    place, x = sample(ABC, 256, seed=1)
    a, b, c = x.T
    found = ranking(ABC, place, 4 * a + 6 * (b - 0.5) ** 2 + 12 * (a - 0.5) * (c - 0.5))
    parts = np.array([16 / 12, 36 / 180, 1.0])
    whole = parts.sum()
    assert found.first_order == pytest.approx([parts[0] / whole, parts[1] / whole, 0.0], abs=1e-9)
    assert found.total == pytest.approx(
        [(parts[0] + parts[2]) / whole, parts[1] / whole, parts[2] / whole], abs=1e-9
    )
    assert found.explained == pytest.approx(1.0)
    assert [name for name, _, _ in found.ordered()] == ["a", "c", "b"]


def test_a_smooth_product_agrees_with_scipy() -> None:
    parameters = [*ABC, Parameter("f", 1.0, 3.0, "choice")]

    def model(x: np.ndarray) -> np.ndarray:
        return np.exp(0.8 * x[0]) * (1 + x[1]) + x[3] * x[2]

    place, values = sample(parameters, 512, seed=7)
    found = ranking(parameters, place, model(values.T))
    assert found.trusted

    class TwoPoint:
        def ppf(self, q: np.ndarray) -> np.ndarray:
            return np.where(q < 0.5, 1.0, 3.0)

    dists = [stats.uniform(), stats.uniform(), stats.uniform(), TwoPoint()]
    reference = stats.sobol_indices(func=model, n=2**14, dists=dists, rng=5)
    assert found.first_order == pytest.approx(np.ravel(reference.first_order), abs=0.02)
    assert found.total == pytest.approx(np.ravel(reference.total_order), abs=0.02)


def test_a_cube_agrees_with_scipy_where_its_expansion_alone_is_poor() -> None:
    parameters = [*ABC, Parameter("f", 0.0, 1.0, "choice")]

    def model(x: np.ndarray) -> np.ndarray:
        return (0.3 + x[3] + 0.5 * x[0] + np.exp(x[1]) * (0.2 + x[3]) + 0.1 * x[2]) ** 3

    place, values = sample(parameters, 128, seed=7)
    found = ranking(parameters, place, model(values.T), root=3)
    assert found.explained > 0.99
    assert found.explained > ranking(parameters, place, model(values.T)).explained

    class TwoPoint:
        def ppf(self, q: np.ndarray) -> np.ndarray:
            return np.where(q < 0.5, 0.0, 1.0)

    dists = [stats.uniform(), stats.uniform(), stats.uniform(), TwoPoint()]
    reference = stats.sobol_indices(func=model, n=2**14, dists=dists, rng=5)
    assert found.first_order == pytest.approx(np.ravel(reference.first_order), abs=0.02)
    assert found.total == pytest.approx(np.ravel(reference.total_order), abs=0.02)
    with pytest.raises(ValueError, match="at least 0"):
        ranking(parameters, place, -model(values.T), root=3)


def test_what_the_expansion_cannot_follow_is_flagged() -> None:
    place, x = sample(ABC, 256, seed=2)
    found = ranking(ABC, place, np.sin(40 * x[:, 0]) * np.sin(30 * x[:, 1]))
    assert not found.trusted


@pytest.mark.parametrize("count", [16, 32, 64])
def test_few_samples_get_a_smaller_expansion(count: int) -> None:
    # a + 3 b: shares 1/10 and 9/10
    place, x = sample(ABC, count, seed=5)
    found = ranking(ABC, place, x[:, 0] + 3 * x[:, 1])
    assert found.total == pytest.approx([0.1, 0.9, 0.0], abs=1e-9)


def test_a_constant_has_no_ranking() -> None:
    place, _ = sample(ABC, 64, seed=2)
    assert not ranking(ABC, place, np.full(64, 2.0)).total.any()


def test_nonsense_is_refused() -> None:
    with pytest.raises(ValueError, match="power of two"):
        sample(ABC, 100, seed=1)
    with pytest.raises(ValueError, match="low end"):
        Parameter("x", 2.0, 1.0)
    with pytest.raises(ValueError, match="low end"):
        Parameter("x", -1.0, 1.0, "log")
    with pytest.raises(ValueError, match="too few"):
        ranking(ABC, np.random.default_rng(0).random((12, 3)), np.zeros(12))
