"""Nodes of a pass against scipy's truncated normal and fine sums."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

import wakesim
from wakesim.traffic.pass_nodes import pass_nodes, wander_nodes
from wakesim.vehicle.pulse_grid import AHEAD_M, x_nodes
from wakesim.vehicle.wake import AirState, WakeConstants, vehicle_wake

LORRY = wakesim.vehicle("artic_lorry_eu")


def nodes_of(
    mean=24.0, sd=2.0, along=0.0, memory=20.0, crosswind=0.0, lateral=(-20.0, 20.0), law="couple"
):
    wake = vehicle_wake(LORRY, WakeConstants(law=law), AirState(0.3 / 24.0, crosswind))
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
    ahead_of_nose = found.weight[: found.nose].sum() / inverse
    assert ahead_of_nose == pytest.approx(AHEAD_M, rel=1e-6)
    for j in (0, found.nose + 30, found.x.size - 10):
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
@pytest.mark.parametrize("law", ["section", "couple"])
def test_integrals_along_the_wake(crosswind, place, law):
    """The integral of the wake and its cube over the pass, against a fine sum."""
    y, z = place
    wake, found = nodes_of(sd=0.0, crosswind=crosswind, law=law)
    behind = -LORRY.length_m - found.x[found.nose :]
    fade = found.moments[found.nose :, 1] / 24.0
    for power in (1, 3):
        values = (wake.velocity(behind, y, z) * fade) ** power
        total = 24.0 * found.weight[found.nose :] @ values

        x = np.concatenate(
            [np.linspace(-LORRY.length_m, 30.0, 40001), np.linspace(30.0, 480.0, 40001)[1:]]
        )
        cut = np.clip((20.0 - np.maximum(x, 0.0) / 24.0) / 2.0, 0.0, 1.0)
        exact = np.trapezoid((wake.velocity(x, y, z) * cut) ** power, x)
        # a marched wake is linear between its sections, with kinks that the panels do not know
        assert total == pytest.approx(exact, rel=5e-3 if law == "couple" else 0.025, abs=2e-6)


def test_a_wake_blown_away_is_not_followed():
    _, still = nodes_of()
    _, blown = nodes_of(crosswind=0.3)
    assert blown.x[-1] > 0.5 * still.x[-1]
