"""Dense linear systems of the panel methods, with the same bits whatever the number of threads."""

from __future__ import annotations

import warnings

import numpy as np
from scipy.linalg import LinAlgWarning, solve
from threadpoolctl import threadpool_limits

from wakesim.arrays import Array
from wakesim.errors import NumericalError


def solve_dense(matrix: Array, right_hand: Array, what: str) -> Array:
    """Solution of matrix (n, n) x = right_hand (n,); ``matrix`` is overwritten.

    A threaded factorisation splits its sums by the number of threads and so differs in the last
    bit; one thread is as fast at the sizes here (about 1500). Raises NumericalError naming ``what``
    when the system is singular.
    """
    with threadpool_limits(limits=1, user_api="blas"), warnings.catch_warnings():
        warnings.simplefilter("ignore", LinAlgWarning)
        try:
            solution = solve(matrix, right_hand, overwrite_a=True, check_finite=False)
        except np.linalg.LinAlgError as error:
            raise NumericalError(f"{what}: the system is singular") from error
    if not np.isfinite(solution).all():
        raise NumericalError(f"{what}: the system has no finite solution")
    return solution
