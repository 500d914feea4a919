"""The intensity measure: time integrals, cumulants and merging."""

from __future__ import annotations

import math

import numpy as np
import pytest

from wakesim.traffic.measure import Measure, join, measure, time_weights


@pytest.mark.parametrize("n", [2, 5])
def test_few_samples_take_the_trapezoidal_rule(n):
    x = np.linspace(0.0, 1.0, n)
    assert time_weights(n) @ x**2 / (n - 1) == pytest.approx(np.trapezoid(x**2, x), rel=1e-12)


def test_time_weights_are_fourth_order():
    errors = []
    for n in (41, 81):
        t = np.linspace(0.0, 3.0, n)
        errors.append(time_weights(n) @ np.exp(-t) * t[1] - (1.0 - math.exp(-3.0)))
    assert errors[0] / errors[1] > 12.0
    assert abs(errors[1]) < 1e-6


def test_cumulants_of_turbulent_nodes_are_normal_moments():
    rng = np.random.default_rng(5)
    covariance = np.array([[0.5, 0.2], [0.2, 0.3]])
    one = Measure(np.array([1.0]), np.array([[0.7, -0.4, 0.5, 0.3, 0.2]]))
    x, w = np.polynomial.hermite_e.hermegauss(12)
    root = np.linalg.cholesky(covariance)
    z = np.stack(np.meshgrid(x, x, indexing="ij")).reshape(2, -1)
    weight = np.outer(w, w).ravel() / (2.0 * math.pi)
    u, v = np.array([[0.7], [-0.4]]) + root @ z
    for order in range(1, 7):
        expected = [weight @ (u ** (order - j) * v**j) for j in range(order + 1)]
        assert one.cumulants(order) == pytest.approx(expected, rel=1e-10)
    with pytest.raises(ValueError, match="order"):
        one.cumulants(0)
    factor = rng.uniform(0.5, 2.0)
    assert one.scaled(factor, 3.0).cumulants(4) == pytest.approx(3.0 * factor**4 * one.cumulants(4))


def test_samples_without_any_air_movement_are_left_out():
    pulse = np.zeros((50, 2))
    pulse[20:30, 0] = 1.0
    assert len(measure([pulse], 0.1, 0.1)) == 10
    assert measure([pulse], 0.1, 0.1).intensity == pytest.approx(0.1)
    assert measure([pulse, pulse], [0.1, 0.0], [0.1, 0.2]).intensity == pytest.approx(0.1)


def test_joined_streams_add_their_cumulants():
    rng = np.random.default_rng(2)
    one, other = (measure([rng.normal(size=(40, 2))], 0.3, 0.1) for _ in range(2))
    for order in (1, 2, 3):
        assert join([one, other]).cumulants(order) == pytest.approx(
            one.cumulants(order) + other.cumulants(order)
        )
    assert len(join([])) == 0


@pytest.mark.parametrize("nodes", [1, 2, 30, 10_000])
def test_reducing_keeps_intensity_mean_and_covariance(nodes):
    rng = np.random.default_rng(1)
    pulse = np.cumsum(rng.normal(size=(2000, 2)), axis=0) * 0.05
    full = measure([pulse], 0.3, 0.1, turbulence=[0.1 * pulse**2])
    few = full.reduced(nodes)
    assert len(few) == min(nodes, len(full))
    assert few.intensity == pytest.approx(full.intensity, rel=1e-12)
    assert few.mean == pytest.approx(full.mean, rel=1e-10)
    assert few.covariance == pytest.approx(full.covariance, rel=1e-9)
    assert np.all(few.nodes[:, 2] * few.nodes[:, 3] >= few.nodes[:, 4] ** 2 * (1.0 - 1e-9))


def test_equal_samples_merge_into_one():
    pulse = np.ones((100, 2))
    few = measure([pulse], 0.3, 0.1).reduced(10)
    assert len(few) == 1
    assert few.nodes[0] == pytest.approx([1.0, 1.0, 0.0, 0.0, 0.0], abs=1e-12)
    with pytest.raises(ValueError, match="at least one node"):
        few.reduced(0)
