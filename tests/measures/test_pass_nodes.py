"""Nodes of a pass against scipy's truncated normal and adaptive quadrature."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from scipy import integrate, stats

import wakesim
from wakesim.flow.pulse_grid import AHEAD_M, x_nodes
from wakesim.flow.wake import AirState, VehicleWake, WakeConstants
from wakesim.measures.pass_nodes import pass_nodes, wander_nodes

LORRY = wakesim.vehicle("artic_lorry_eu")


def nodes_of(mean=24.0, sd=2.0, along=0.0, memory=20.0, crosswind=0.0, lateral=(-20.0, 20.0)):
    wake = VehicleWake(LORRY, WakeConstants(), AirState(0.3 / 24.0, crosswind))
    return wake, pass_nodes(wake, x_nodes(LORRY.length_m), mean, sd, along, memory, lateral)


@pytest.mark.parametrize("count", [1, 3, 5])
def test_wander_nodes_have_the_moments_of_the_truncated_normal(count):
    nodes, weights = wander_nodes(count)
    exact = stats.truncnorm(-3.0, 3.0)
    assert weights.sum() == pytest.approx(1.0, rel=1e-12)
    for order in range(1, 2 * count):
        assert weights @ nodes**order == pytest.approx(exact.moment(order), rel=1e-9, abs=1e-9)


@pytest.mark.parametrize("along", [0.0, 6.0])
def test_moments_are_those_of_the_truncated_speeds(along):
    mean, sd, memory = 24.0, 2.0, 20.0
    _, found = nodes_of(mean, sd, along, memory)
    exact = stats.truncnorm(-3.0, 3.0, loc=mean, scale=sd)
    inverse = exact.expect(lambda v: 1.0 / v)
    ahead_of_tail = found.weight[: found.tail].sum() / inverse
    assert ahead_of_tail == pytest.approx(AHEAD_M + LORRY.length_m, rel=1e-6)
    for j in (0, found.tail + 3, found.x.size - 10):
        behind = max(-LORRY.length_m - found.x[j], 0.0)

        def relative_and_fade(v, behind=behind):
            r = v - along
            return r, np.clip((memory - behind / r) / (0.1 * memory), 0.0, 1.0)

        for column, powers in enumerate(((1, 0), (1, 1), (2, 0), (2, 1), (2, 2))):

            def weighted(v, powers=powers):
                r, fade = relative_and_fade(v)
                return r ** powers[0] * fade ** powers[1] / v

            assert found.moments[j, column] == pytest.approx(
                exact.expect(weighted) / inverse, rel=2e-3, abs=2e-3
            )


@pytest.mark.parametrize("crosswind", [0.0, 0.05, 0.4])
@pytest.mark.parametrize("place", [(5.0, 2.0), (1.0, 4.6)])
def test_integrals_along_the_wake(crosswind, place):
    """The integral of the wake and its cube over the pass, against scipy's adaptive quadrature."""
    y, z = place
    wake, found = nodes_of(sd=0.0, crosswind=crosswind)
    behind = -LORRY.length_m - found.x[found.tail :]
    fade = found.moments[found.tail :, 1] / 24.0
    for power in (1, 3):
        values = (wake.velocity(behind, y, z) * fade) ** power
        total = 24.0 * found.weight[found.tail :] @ values

        def integrand(x, power=power):
            cut = np.clip((20.0 - x / 24.0) / 2.0, 0.0, 1.0)
            return float(wake.velocity(x, y, z) * cut) ** power

        stops = [0.0, 1.0, wake.bubble_m, 20.0, 60.0, 150.0, 432.0, 480.0]
        exact = sum(
            integrate.quad(integrand, a, b, epsrel=1e-8, limit=400)[0] for a, b in pairwise(stops)
        )
        assert total == pytest.approx(exact, rel=5e-3, abs=2e-6)


def test_a_wake_blown_away_is_not_followed():
    _, still = nodes_of()
    _, blown = nodes_of(crosswind=0.3)
    assert blown.x[-1] > 0.5 * still.x[-1]
