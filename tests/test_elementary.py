"""exp and log of compiled loops against the mathematical library."""

from __future__ import annotations

import math

import numpy as np
import pytest

from wakesim.arrays import kernel
from wakesim.elementary import exp, log


@kernel()
def _exp_all(x, out):
    for i in range(x.size):
        out[i] = exp(x[i])


@kernel()
def _log_all(x, out):
    for i in range(x.size):
        out[i] = log(x[i])


def _applied(loop, x):
    out = np.empty_like(x)
    loop(x, out)
    return out


@pytest.mark.parametrize(("reach", "error"), [(1.0, 5e-16), (30.0, 4e-15), (700.0, 8e-14)])
def test_exponential(reach, error):
    x = np.random.default_rng(1).uniform(-reach, reach, 40_001)
    np.testing.assert_allclose(_applied(_exp_all, x), np.exp(x), rtol=error)


def test_exponential_at_whole_powers_and_zero():
    x = np.array([0.0, -0.0, math.log(2.0), -math.log(2.0), 0.5 * math.log(2.0), 1e-300])
    np.testing.assert_allclose(_applied(_exp_all, x), np.exp(x), rtol=5e-16)


def test_logarithm_of_wide_and_near_arguments():
    rng = np.random.default_rng(2)
    wide = np.exp(rng.uniform(-700.0, 700.0, 40_001))
    np.testing.assert_allclose(_applied(_log_all, wide), np.log(wide), rtol=5e-16)
    near = 1.0 + rng.uniform(-0.5, 1.0, 40_001) * 10.0 ** -rng.integers(0, 15, 40_001)
    np.testing.assert_allclose(_applied(_log_all, near), np.log(near), rtol=5e-16, atol=5e-32)
    assert _applied(_log_all, np.array([1.0]))[0] == 0.0


def test_logarithm_at_the_ends_of_its_reduction():
    root = math.sqrt(0.5)
    x = np.array([root, np.nextafter(root, 0.0), 2.0 * root, 2.0, 0.5, 2.0**-1022, 2.0**1023])
    np.testing.assert_allclose(_applied(_log_all, x), np.log(x), rtol=5e-16)
