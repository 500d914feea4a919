"""The dense solver of the panel methods."""

from __future__ import annotations

import numpy as np
import pytest
from threadpoolctl import threadpool_limits

from wakesim.errors import NumericalError
from wakesim.vehicle.linear import solve_dense


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
