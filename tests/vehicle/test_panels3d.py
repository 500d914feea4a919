"""Source-panel hulls against exact potential flow.

Exact values: sphere by its dipole; spheroids by Lamb, Hydrodynamics (1932), section 114; sphere of
radius 1 with its centre 1.5 over a wall recomputed here by a harmonic expansion (see
exact_sphere_over_wall).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from solids import cube_sphere, observed_orders, spheroid

from wakesim.case.vehicle import catalogue
from wakesim.vehicle.panels3d import SourceHull

PROBES = np.array([[1.5, 0.8, 0.0], [0.3, -1.4, 0.9], [-2.0, 0.1, -0.5], [0.0, 0.0, 1.6]])


def dipole(points, radius=1.0):
    """Air velocity around a sphere moving along +x at unit speed."""
    r = np.linalg.norm(points, axis=1)
    out = 3.0 * points[:, :1] * points / r[:, None] ** 2
    out[:, 0] -= 1.0
    return 0.5 * radius**3 * out / r[:, None] ** 3


def lamb_k1(ratio: float) -> float:
    """Added-mass coefficient of a prolate spheroid along its axis."""
    e = math.sqrt(1.0 - ratio**-2)
    alpha = (1 - e**2) / e**3 * (math.log((1 + e) / (1 - e)) - 2 * e)
    return alpha / (2.0 - alpha)


def exact_sphere_over_wall(height: float, levels=()) -> tuple[float, np.ndarray]:
    """Added mass parallel to a wall of a unit sphere at ``height``, and speeds past it.

    The speeds are on the axis through the centre at heights ``levels``, in the sphere's frame.

    Collocation with solid harmonics about the centre and their wall images: the potential is a sum
    of multipoles P_n^1 cos(phi)/r^(n+1), fitted to the boundary condition to rounding error.
    """
    from scipy.special import lpmv

    terms = 40
    theta = (np.arange(400) + 0.5) * np.pi / 400
    n = np.arange(1, terms + 1)

    def potential(x, z):  # in the plane y = 0, phi = 0 for x > 0
        out = []
        for centre, mirror in ((height, 1.0), (-height, -1.0)):
            r = np.hypot(x, z - centre)
            cosine = mirror * (z - centre) / r
            out.append(np.array([-lpmv(1, k, cosine) / r ** (k + 1) for k in n]))
        return out[0] + out[1]

    step = 1e-5
    x, z = np.sin(theta), height + np.cos(theta)

    def normal_derivative(sign):
        s = 1.0 + sign * step
        return potential(s * x, height + s * np.cos(theta))

    slope = (normal_derivative(1) - normal_derivative(-1)) / (2 * step)
    coefficients, *_ = np.linalg.lstsq(slope.T, x, rcond=None)
    phi = coefficients @ potential(x, z)
    # -oint phi n_x dS over the sphere, phi = f(theta) cos(azimuth), n_x = sin(theta) cos(azimuth)
    energy = -np.sum(phi * np.sin(theta) * np.sin(theta)) * np.pi / 400 * np.pi
    added = energy / (4.0 / 3.0 * np.pi)

    def speed(at):  # -(d phi/dx) on the axis x = 0 gives the speed against the body
        return 1.0 - (coefficients @ potential(np.array([step]), np.array([at])))[0] / step

    return added, np.array([speed(level) for level in levels])


def test_sphere_at_the_tabulated_point():
    stream = SourceHull(cube_sphere(22), road=False).velocity(PROBES[:1])[0]
    # stream U = 1 along +x past the body is the body frame of a body moving along -x
    assert 1.0 - stream[0] == pytest.approx(0.86407082, rel=2e-3)
    assert -stream[1] == pytest.approx(-0.12677333, rel=4e-3)


def test_field_and_added_mass_are_second_order():
    sizes = np.array([6, 10, 16, 24])
    field, mass = [], []
    for n in sizes:
        hull = SourceHull(cube_sphere(n), road=False)
        field.append(np.abs(hull.velocity(PROBES) - dipole(PROBES)).max())
        mass.append(hull.added_mass - 0.5)
    assert observed_orders(1.0 / sizes, field).min() > 1.8
    assert observed_orders(1.0 / sizes, mass).min() > 1.8


@pytest.mark.parametrize("n", [46])
def test_sphere_and_spheroids_within_two_permille_at_3000_panels(n):
    for ratio, exact in ((1.0, 0.5), (2.0, 0.21001505), (4.0, 0.08155725)):
        if ratio > 1.0:
            assert lamb_k1(ratio) == pytest.approx(exact, abs=1e-8)
        hull = SourceHull(spheroid(ratio, 1.0, n), road=False)
        assert 2500 < hull.areas.size < 3300
        assert hull.added_mass == pytest.approx(exact, rel=2e-3)


def test_textbook_diagonal_would_fail():
    """The flux-corrected diagonal is what makes the 4:1 spheroid right."""
    from scipy.linalg import solve

    from wakesim.vehicle.kernels.quad_source import influence_matrix

    hull = SourceHull(spheroid(4.0, 1.0, 24), road=False)
    every = np.arange(hull.areas.size)
    matrix = influence_matrix(*hull._panels, every, np.zeros(every.size, bool), *hull._images)
    np.fill_diagonal(matrix, 0.5)
    strengths = solve(matrix, hull.normals[:, 0])
    mass = (strengths * hull.areas) @ hull.centres[:, 0] / hull.volume - 1.0
    assert abs(mass / 0.08155725 - 1) > 5 * abs(hull.added_mass / 0.08155725 - 1)


def test_sphere_near_the_road():
    levels = [0.5, 2.5, 0.0, 0.25, 3.0]  # under and over the sphere, road, middle of the gap, above
    added, speed = exact_sphere_over_wall(1.5, levels)
    assert added == pytest.approx(0.52861814, abs=2e-6)
    assert speed[:2] == pytest.approx([1.60825020, 1.51069099], abs=2e-5)
    hull = SourceHull(cube_sphere(22, centre=(0.0, 0.0, 1.5)), road=True)
    assert hull.added_mass == pytest.approx(added, rel=2e-3)
    away = np.column_stack([np.zeros((3, 2)), levels[2:]])
    assert 1.0 - hull.velocity(away)[:, 0] == pytest.approx(speed[2:], rel=2e-3)
    # on the surface itself a flat panel's own velocity is first order in the panel size
    surface = 1.0 - hull.velocity(hull.centres)[:, 0]
    order = np.argsort(hull.centres[:, 2])
    assert surface[order[:4]].mean() == pytest.approx(speed[0], rel=0.015)
    assert surface[order[-4:]].mean() == pytest.approx(speed[1], rel=0.015)


def test_wall_image_equals_road_image():
    over_road = SourceHull(cube_sphere(10, centre=(0, 0, 1.5)), road=True)
    beside_wall = SourceHull(cube_sphere(10, centre=(0, 1.5, 0)), road=False, wall_y=0.0)
    assert beside_wall.added_mass == pytest.approx(over_road.added_mass, rel=1e-10)
    points = np.array([[0.4, 0.2, 3.0], [2.0, -0.7, 0.4]])
    turned = points[:, [0, 2, 1]]
    assert beside_wall.velocity(turned)[:, [0, 2, 1]] == pytest.approx(
        over_road.velocity(points), abs=1e-12
    )


def test_closed_body_decays_as_the_cube_of_distance():
    hull = SourceHull(spheroid(2.0, 1.0, 16), road=False)
    r = np.array([20.0, 40.0, 80.0])
    for direction in ([1, 0, 0], [0, 1, 0], [0.6, 0, 0.8]):
        speed = np.linalg.norm(hull.velocity(r[:, None] * np.array(direction)), axis=1)
        assert observed_orders(r, speed) == pytest.approx([-3, -3], abs=0.02)


def test_passing_sphere_moments():
    """Moments of the along-road signature of the unit sphere at lateral distance b."""
    hull = SourceHull(cube_sphere(20), road=False)
    b, dx = 2.0, 0.1
    x = np.arange(-200.0, 200.0, dx)
    u = hull.velocity(np.column_stack([x, np.full(x.size, b), np.zeros(x.size)]))[:, 0]
    assert abs(u.sum() * dx) < 2e-4
    assert (u**2).sum() * dx == pytest.approx(27 * np.pi / (512 * b**5), rel=8e-3)
    assert (u**3).sum() * dx == pytest.approx(-288 / 5005 / b**8, rel=1.2e-2)


@pytest.mark.parametrize(
    ("quads", "options", "message"),
    [
        (cube_sphere(4)[:-1], {"road": False}, "closed surface"),
        (cube_sphere(4)[:, ::-1], {"road": False}, "face inwards"),
        (cube_sphere(4), {"road": True}, "crosses the road"),
        (cube_sphere(4), {"road": False, "wall_y": 0.5}, "crosses the wall"),
        (np.zeros((3, 4, 2)), {}, r"shape \(n, 4, 3\)"),
        (np.full((2, 4, 3), np.nan), {}, "finite"),
    ],
)
def test_impossible_hulls_are_refused(quads, options, message):
    with pytest.raises(ValueError, match=message):
        SourceHull(quads, **options)


def test_one_side_of_a_symmetric_hull_gives_the_strengths_of_the_whole():
    from scipy.linalg import solve

    from wakesim.vehicle.hull import vehicle_hull
    from wakesim.vehicle.kernels.quad_source import influence_matrix

    hull = SourceHull(vehicle_hull(catalogue()["coach"], 0.5).quads)
    every = np.arange(hull.areas.size)
    matrix = influence_matrix(*hull._panels, every, np.zeros(every.size, bool), *hull._images)
    whole = solve(matrix, hull.boundary_value)
    assert hull.strengths == pytest.approx(whole, rel=1e-9, abs=1e-10)
    turn = np.random.default_rng(4).permutation(every.size)  # panels in any order
    again = SourceHull(vehicle_hull(catalogue()["coach"], 0.5).quads[turn])
    assert again.strengths == pytest.approx(whole[turn], rel=1e-9, abs=1e-10)
