"""Linear systems of the panel methods, the same bits whatever the number of threads; a spline."""

from __future__ import annotations

import warnings

import numpy as np
from scipy.linalg import LinAlgWarning, solve, solve_banded
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


def cubic_spline(x: Array, values: Array, at: Array) -> Array:
    """The cubic spline through values (n, ...) at rising x (n,), n of at least 4, at places (m,).

    Not-a-knot ends; places beyond them continue the last piece. Shape (m, ...). It is here because
    the library that has one takes longer to import than all else that a run of traffic needs of it.
    """
    step = np.diff(x)
    column = (-1,) + (1,) * (values.ndim - 1)
    slope = np.diff(values, axis=0) / step.reshape(column)
    bands = np.zeros((3, x.size))  # of the equations for the slopes at the nodes
    bands[0, 2:], bands[1, 1:-1], bands[2, :-2] = step[:-1], 2.0 * (step[:-1] + step[1:]), step[1:]
    right = np.empty(values.shape)
    before, after = step[:-1].reshape(column), step[1:].reshape(column)
    right[1:-1] = 3.0 * (after * slope[:-1] + before * slope[1:])
    for end, one, two in ((0, 0, 1), (-1, -1, -2)):
        h, k = step[one], step[two]
        bands[1, end], bands[0 if end == 0 else 2, 1 if end == 0 else -2] = k, h + k
        right[end] = ((3.0 * h + 2.0 * k) * k * slope[one] + h * h * slope[two]) / (h + k)
    tangent = solve_banded((1, 1), bands, right.reshape(x.size, -1)).reshape(values.shape)
    piece = np.clip(np.searchsorted(x, at, side="right") - 1, 0, x.size - 2)
    bend = (tangent[:-1] + tangent[1:] - 2.0 * slope) / step.reshape(column)
    curve = (slope - tangent[:-1]) / step.reshape(column) - bend
    bend /= step.reshape(column)
    h = (at - x[piece]).reshape(column)
    out = bend[piece]
    for coefficient in (curve, tangent, values):
        out *= h
        out += coefficient[piece]
    return out
