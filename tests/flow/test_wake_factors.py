"""The wake as products of factors: the same numbers as the laws themselves."""

from __future__ import annotations

import numpy as np
import pytest

import wakesim
from wakesim.flow.wake import AirState, VehicleWake, WakeConstants
from wakesim.flow.wake_factors import wake_factors


@pytest.mark.parametrize("family", ["couple", "momentum"])
@pytest.mark.parametrize("name", ["small_car", "coach"])
@pytest.mark.parametrize("crosswind", [0.0, 0.15, -0.4])
def test_products_are_the_laws(family, name, crosswind):
    wake = VehicleWake(
        wakesim.vehicle(name), WakeConstants(family=family), AirState(0.01, crosswind)
    )
    x = np.concatenate([[0.0], np.geomspace(0.02, 900.0, 80)])
    y = np.array([-9.0, -1.3, 0.0, 0.4, 1.6, 5.5, 40.0])
    z = np.array([0.05, 0.8, 1.9, 4.1, 7.0])
    across, upward = wake_factors(wake, x, y, z)
    product = across[:, :, None, :] * upward[:, None, :, :]
    grid = (x[None, None, :], y[:, None, None], z[None, :, None])
    velocity, energy = wake.velocity(*grid), wake.turbulence(*grid)
    assert product[0] + product[1] == pytest.approx(velocity, rel=1e-9, abs=1e-12)
    assert product[2] == pytest.approx(energy, rel=1e-9, abs=1e-12)
    assert velocity.max() > 0.5
    assert energy.max() > 0.05
