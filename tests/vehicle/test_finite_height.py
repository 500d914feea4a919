"""Finite-height relief: dipoles in closed form, plain functions, and refusals."""

from __future__ import annotations

import mpmath
import numpy as np
import pytest

from wakesim.vehicle.finite_height import Relief, finite_height_relief
from wakesim.vehicle.outlines import circle
from wakesim.vehicle.panels2d import VortexOutline

X = np.linspace(-60.0, 60.0, 24001)


def sphere(points, radius=1.0):
    """Sphere moving along +x in still air: u = (a^3/2) (3 x r / r^5 - e_x / r^3)."""
    r = np.linalg.norm(points, axis=1, keepdims=True)
    return 0.5 * radius**3 * (3.0 * points[:, :1] * points / r**5 - np.eye(3)[0] / r**3)


def cylinder(points, radius=1.0):
    """Circle moving along +x: u - iv = a^2 / z^2."""
    w = radius**2 / (points @ (1.0, 1.0j)) ** 2
    return np.column_stack((w.real, -w.imag))


@pytest.mark.parametrize("b", [1.5, 2.5, 4.0])
def test_sphere_against_circle(b):
    """Peaks a^3/(2 b^3) and a^2/b^2; cubes by quadrature and 3 pi/(8 b^5)."""
    relief = finite_height_relief(sphere, cylinder, b, 0.0, X)
    assert relief.peak_3d == pytest.approx(0.5 / b**3, rel=1e-12)
    assert relief.peak_2d == pytest.approx(1.0 / b**2, rel=1e-12)
    assert relief.peak_ratio == pytest.approx(0.5 / b, rel=1e-12)
    integral = mpmath.quad(
        lambda t: (1 + 4 * t * t) ** 1.5 / (1 + t * t) ** 6, [-mpmath.inf, 0, mpmath.inf]
    )
    assert relief.cube_2d_m == pytest.approx(3.0 * np.pi / (8.0 * b**5), rel=1e-6)
    assert relief.cube_3d_m == pytest.approx(float(integral) / (8.0 * b**8), rel=1e-6)
    assert relief.cube_ratio == pytest.approx(relief.cube_3d_m / relief.cube_2d_m, rel=1e-15)


def test_height_and_place_of_the_line():
    """Above the sphere's axis the horizontal speed falls; the vertical one does not count."""
    seen = []

    def recorded(points):
        seen.append(points)
        return sphere(points)

    level = finite_height_relief(recorded, cylinder, -2.0, 0.0, X)
    raised = finite_height_relief(recorded, cylinder, -2.0, 1.5, X)
    assert np.all(seen[1][:, 1] == -2.0)
    assert np.all(seen[1][:, 2] == 1.5)
    assert raised.cube_ratio < 0.5 * level.cube_ratio
    assert raised.cube_2d_m == level.cube_2d_m
    only_up = finite_height_relief(lambda p: sphere(p) + 5.0 * np.eye(3)[2], cylinder, -2.0, 0.0, X)
    assert only_up.cube_3d_m == pytest.approx(level.cube_3d_m, rel=1e-12)


def test_takes_a_panel_field_and_a_plain_function():
    flow = VortexOutline([circle(200)])
    x = np.linspace(-20.0, 20.0, 2001)
    relief = finite_height_relief(sphere, flow, 2.0, 0.0, x)
    closed = finite_height_relief(sphere, cylinder, 2.0, 0.0, x)
    assert isinstance(relief, Relief)
    assert relief.cube_ratio == pytest.approx(closed.cube_ratio, rel=1e-3)
    assert relief.peak_ratio == pytest.approx(closed.peak_ratio, rel=1e-3)


def test_same_field_has_no_relief():
    def tall(points):
        flat = cylinder(points[:, :2])
        return np.column_stack((flat, np.zeros(len(points))))

    relief = finite_height_relief(tall, cylinder, 1.7, 3.0, X)
    assert relief.peak_ratio == 1.0
    assert relief.cube_ratio == 1.0


def two_components(points):
    return np.ones((len(points), 2))


def three_components(points):
    return np.ones((len(points), 3))


@pytest.mark.parametrize(
    ("field3d", "field2d", "x", "message"),
    [
        (sphere, cylinder, [0.0, 1.0], "at least 3 positions"),
        (sphere, cylinder, [0.0, 1.0, 1.0], "increasing"),
        (sphere, cylinder, [[0.0, 1.0, 2.0]], "one-dimensional"),
        (sphere, cylinder, [0.0, 1.0, 2.0], "cut off"),
        (two_components, cylinder, [-1.0, 0.0, 1.0], "3D field returned shape"),
        (sphere, three_components, [-1.0, 0.0, 1.0], "plan-plane field returned shape"),
        (lambda p: 0.0 * p, cylinder, [-1.0, 0.0, 1.0], "3D field is zero"),
        (lambda p: np.nan * p, cylinder, [-1.0, 0.0, 1.0], "3D field is not finite"),
    ],
)
def test_refusals(field3d, field2d, x, message):
    with pytest.raises(ValueError, match=message):
        finite_height_relief(field3d, field2d, 2.0, 0.0, x)
