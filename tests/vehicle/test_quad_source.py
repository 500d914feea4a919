"""The quad-source kernel against quadrature and Gauss's law."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import dblquad

from wakesim.vehicle.kernels import quad_source as qs

QUAD = np.array([[[0.1, 0.2, 0.3], [1.3, 0.1, 0.3], [1.1, 1.4, 0.3], [-0.2, 0.9, 0.3]]])


def parts(quads):
    geometry = qs.panel_geometry(np.asarray(quads, dtype=float))
    return [
        geometry[k]
        for k in ("corners", "centres", "normals", "areas", "gauss", "gauss_share", "diagonal")
    ]


def velocity(points, quads, road=False, wall=None):
    strengths = np.ones(len(quads))
    return qs.velocity_sum(
        np.asarray(points, dtype=float), strengths, *parts(quads),
        road, wall is not None, wall or 0.0,
    )  # fmt: skip


def quadrature(point, quad):
    """Integral of r/(4 pi r^3) over the quad by adaptive quadrature on its bilinear map."""
    out = []
    for c in range(3):

        def integrand(t, s, c=c):
            shape = np.array([(1 - s) * (1 - t), s * (1 - t), s * t, (1 - s) * t])
            along_s = np.array([-(1 - t), 1 - t, t, -t]) @ quad
            along_t = np.array([-(1 - s), -s, s, 1 - s]) @ quad
            r = np.asarray(point) - shape @ quad
            weight = np.linalg.norm(np.cross(along_s, along_t))
            return weight * r[c] / (4.0 * math.pi * np.linalg.norm(r) ** 3)

        out.append(dblquad(integrand, 0, 1, 0, 1, epsabs=1e-10, epsrel=1e-9)[0])
    return np.array(out)


@pytest.mark.parametrize(
    ("point", "tolerance"),
    [
        ((0.5, 0.6, 0.8), 1e-8),  # above, exact formula
        ((0.5, 0.6, -0.1), 1e-8),  # below
        ((2.5, -0.4, 0.35), 1e-8),  # beside, near the plane
        ((6.0, 7.0, 5.0), 3e-5),  # four Gauss points
        ((40.0, -30.0, 20.0), 1e-3),  # one point
    ],
)
def test_velocity_is_the_surface_integral(point, tolerance):
    exact = quadrature(point, QUAD[0])
    found = velocity([point], QUAD)[0]
    assert np.linalg.norm(found - exact) < tolerance * np.linalg.norm(exact)


def test_normal_velocity_jumps_by_the_strength():
    x, y, z = qs.panel_geometry(QUAD)["centres"][0]
    above, below = velocity([(x, y, z + 1e-9), (x, y, z - 1e-9)], QUAD)
    assert above[2] == pytest.approx(0.5, abs=1e-6)
    assert below[2] == pytest.approx(-0.5, abs=1e-6)
    assert above[:2] == pytest.approx(below[:2], abs=1e-6)


def test_flux_through_a_closed_surface_is_the_source():
    nodes, weights = np.polynomial.legendre.leggauss(24)
    phi = np.arange(48) * 2.0 * np.pi / 48
    mu, angle = np.meshgrid(nodes, phi, indexing="ij")
    normal = np.stack(
        [np.sqrt(1 - mu**2) * np.cos(angle), np.sqrt(1 - mu**2) * np.sin(angle), mu], axis=-1
    ).reshape(-1, 3)
    share = np.repeat(weights * 2.0 * np.pi / 48, 48)
    centre = QUAD[0].mean(axis=0)
    flux = share @ np.einsum("nc,nc->n", velocity(centre + 3.0 * normal, QUAD), normal) * 9.0
    area = qs.panel_geometry(QUAD)["areas"][0]
    assert flux == pytest.approx(area, rel=1e-4)


def test_images_make_road_and_wall_tight():
    rng = np.random.default_rng(5)
    on_road = np.column_stack([rng.uniform(-5, 5, (40, 2)), np.zeros(40)])
    on_wall = np.column_stack([rng.uniform(-5, 5, 40), np.full(40, 2.5), rng.uniform(0, 4, 40)])
    assert np.abs(velocity(on_road, QUAD, road=True, wall=2.5)[:, 2]).max() < 1e-15
    assert np.abs(velocity(on_wall, QUAD, road=True, wall=2.5)[:, 1]).max() < 1e-15


def test_a_triangle_is_a_quad_with_equal_corners():
    whole = np.array([[[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]]], dtype=float)
    a, b, c, d = whole[0]
    halves = np.array([[a, b, c, c], [a, c, d, d]])
    points = [(0.3, 0.4, 0.5), (1.5, -0.2, -0.3)]
    assert velocity(points, halves) == pytest.approx(velocity(points, whole), abs=1e-14)


def test_a_panel_without_area_is_refused():
    with pytest.raises(ValueError, match="panel 0 has no area"):
        qs.panel_geometry(np.zeros((1, 4, 3)))
