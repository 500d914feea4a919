"""Pressure of the pulse against the exact sphere and the steady Bernoulli equation."""

from __future__ import annotations

import numpy as np
import pytest

from wakesim.vehicle.passfield import pulse_pressure


def sphere_velocity(points):
    r = np.linalg.norm(points, axis=1)
    out = 3.0 * points[:, :1] * points / r[:, None] ** 2
    out[:, 0] -= 1.0
    return 0.5 * out / r[:, None] ** 3


def test_surface_pressure_of_a_moving_sphere():
    """p = 1/2 rho V^2 (1 - 9/4 sin^2 theta) on a sphere (Lamb 1932)."""
    theta = np.linspace(0.01, np.pi - 0.01, 50)
    surface = np.column_stack([np.cos(theta), np.sin(theta), np.zeros(50)])
    found = pulse_pressure(sphere_velocity(surface), 20.0, 1.2)
    assert found == pytest.approx(0.5 * 1.2 * 400.0 * (1 - 2.25 * np.sin(theta) ** 2), abs=1e-9)


def test_agrees_with_steady_bernoulli_in_the_vehicle_frame():
    rng = np.random.default_rng(0)
    u = rng.normal(0, 0.3, (20, 3))
    relative = u - [1.0, 0.0, 0.0]
    steady = 0.5 * (1.0 - np.sum(relative**2, axis=1))
    assert pulse_pressure(u, 1.0, 1.0) == pytest.approx(steady)


def test_shape_is_checked():
    with pytest.raises(ValueError, match=r"shape \(m, 3\)"):
        pulse_pressure(np.zeros((3, 2)), 1.0, 1.0)
