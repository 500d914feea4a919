"""The dense solver of the panel methods."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import CubicSpline
from threadpoolctl import threadpool_limits

from wakesim.errors import NumericalError
from wakesim.vehicle.linear import cubic_spline, solve_dense


def test_solution_and_residual():
    rng = np.random.default_rng(0)
    matrix, exact = rng.normal(size=(300, 300)), rng.normal(size=300)
    right = matrix @ exact
    assert solve_dense(matrix.copy(), right, "test") == pytest.approx(exact, rel=1e-8)


def test_same_bits_for_any_number_of_threads():
    rng = np.random.default_rng(1)
    matrix, right = rng.normal(size=(700, 700)), rng.normal(size=700)
    found = []
    for threads in (1, 2):
        with threadpool_limits(limits=threads, user_api="blas"):
            found.append(solve_dense(matrix.copy(), right, "test"))
    assert found[0].tobytes() == found[1].tobytes()


@pytest.mark.parametrize("value", [0.0, np.nan])
def test_a_failed_solve_names_the_system(value):
    with pytest.raises(NumericalError, match="the hull: the system"):
        solve_dense(np.full((4, 4), value), np.ones(4), "the hull")


@pytest.mark.parametrize(("n", "shape"), [(4, ()), (5, (2,)), (60, (4, 3, 2))])
def test_spline_is_that_of_scipy(n: int, shape: tuple[int, ...]) -> None:
    rng = np.random.default_rng(n)
    x = np.cumsum(rng.uniform(0.1, 2.0, n))
    values = rng.normal(size=(n, *shape))
    at = np.concatenate([x, rng.uniform(x[0] - 1.0, x[-1] + 1.0, 200)])
    exact = CubicSpline(x, values, axis=0)(at)
    scale = np.abs(exact).max()
    np.testing.assert_allclose(cubic_spline(x, values, at), exact, rtol=0.0, atol=1e-12 * scale)
