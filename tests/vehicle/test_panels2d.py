"""Plan-plane vortex panels against exact flows; the convergence order is asserted as data."""

from __future__ import annotations

import logging

import numpy as np
import pytest
from plane_references import EllipseMap, as_points, circles, several_ellipses, single_ellipse

from wakesim.vehicle.outlines import circle, ellipse, vehicle_outline
from wakesim.vehicle.panels2d import VortexOutline

RESOLUTIONS = (50, 100, 200, 400)


def points_around(seed, bodies, clear=0.3, reach=4.0, count=60):
    """Random points at least ``clear`` outside every ellipse, measured in its own mapped plane."""
    z = np.random.default_rng(seed).uniform(-reach, reach, (20 * count, 2)) @ (1.0, 1.0j)
    for body in bodies:
        z = z[abs(body.zeta(z)) > body.radius + clear]
    return as_points(z[:count])


def outline(body: EllipseMap, n):
    centre = (body.centre.real, body.centre.imag)
    return ellipse(n, body.semi_x, body.semi_y, np.degrees(body.turn), centre)


def observed_order(errors):
    return np.log2(np.asarray(errors[:-1]) / np.asarray(errors[1:]))


# ---------------------------------------------------------------- exact single bodies


@pytest.mark.parametrize(
    ("semi", "alpha_deg", "point", "stream"),
    [
        ((1.0, 1.0), 0.0, (1.5, 0.8), (0.80723411, -0.28735288)),
        ((2.0, 1.0), 0.0, (2.5, 0.7), (0.78985906, -0.21836244)),
        ((2.0, 1.0), 30.0, (2.5, 0.7), (0.46567557, 0.52103352)),
    ],
)
def test_classical_stream_values(semi, alpha_deg, point, stream):
    """A unit stream at incidence alpha past a body at rest, turned into the moving-body frame.

    Turning everything by -alpha puts the stream along +x; the air-fixed velocity of the body that
    moves along +x is then (1, 0) minus the stream value.
    """
    alpha = np.radians(alpha_deg)
    z = complex(*point) * np.exp(-1j * alpha)
    expected = complex(*stream) * np.exp(-1j * alpha)
    body = EllipseMap(0.0, *semi, -alpha)
    exact = single_ellipse(body, as_points(z))[0]
    assert 1.0 - exact[0] == pytest.approx(expected.real, abs=1e-8)
    assert -exact[1] == pytest.approx(expected.imag, abs=1e-8)

    errors = [
        np.linalg.norm(VortexOutline([outline(body, n)]).velocity(as_points(z))[0] - exact)
        for n in RESOLUTIONS
    ]
    assert errors[-1] < 2e-5
    assert observed_order(errors).min() > 1.9
    # the two finest, extrapolated to zero panel length
    fine = [VortexOutline([outline(body, n)]).velocity(as_points(z))[0] for n in RESOLUTIONS[-2:]]
    np.testing.assert_allclose((4.0 * fine[1] - fine[0]) / 3.0, exact, rtol=0, atol=1e-7)


@pytest.mark.parametrize("turn_deg", [0.0, 30.0, 90.0, 200.0])
def test_field_of_a_turned_ellipse_is_second_order_everywhere(turn_deg):
    body = EllipseMap(0.3 - 0.2j, 2.0, 1.0, np.radians(turn_deg))
    points = points_around(1, [body])
    exact = single_ellipse(body, points)
    errors = [
        np.abs(VortexOutline([outline(body, n)]).velocity(points) - exact).max()
        for n in RESOLUTIONS
    ]
    assert errors[-1] < 1e-4
    assert observed_order(errors).min() > 1.9


def test_surface_speed_of_a_circle_is_second_order():
    errors = []
    for n in RESOLUTIONS:
        gamma = VortexOutline([circle(n)]).surface_speed[0]
        errors.append(np.abs(gamma - 2.0 * np.sin(2.0 * np.pi * np.arange(n) / n)).max())
    assert errors[-1] < 1e-4
    assert observed_order(errors).min() > 1.9


@pytest.mark.parametrize(("turn_deg", "added_mass"), [(0.0, 0.5), (90.0, 2.0), (30.0, 0.875)])
def test_added_mass_of_an_ellipse(turn_deg, added_mass):
    """b/a along the long axis, a/b across it, squares of the cosines between (Lamb, art. 71)."""
    errors = [
        abs(VortexOutline([ellipse(n, 2.0, 1.0, turn_deg)]).added_mass - added_mass)
        for n in RESOLUTIONS
    ]
    assert errors[-1] < 2e-4
    assert observed_order(errors).min() > 1.9


# ---------------------------------------------------------------- several bodies and walls


def test_two_circles_against_their_images():
    bodies = [(0.0 + 0.0j, 1.0), (1.6 + 1.5j, 0.7)]
    maps = [EllipseMap(c, a, a) for c, a in bodies]
    points = points_around(2, maps)
    exact, dipole = circles(bodies, points)
    area = sum(np.pi * a**2 for _, a in bodies)
    errors, mass_errors, values = [], [], []
    for n in RESOLUTIONS:
        flow = VortexOutline([outline(m, n) for m in maps])
        values.append(flow.velocity(points))
        errors.append(np.abs(values[-1] - exact).max())
        mass_errors.append(abs(flow.added_mass - (2.0 * np.pi * dipole / area - 1.0)))
    assert errors[-1] < 1e-4
    assert observed_order(errors).min() > 1.9
    assert mass_errors[-1] < 1e-4
    np.testing.assert_allclose((4.0 * values[-1] - values[-2]) / 3.0, exact, rtol=0, atol=1e-6)


def test_two_ellipses_against_a_fitted_series():
    maps = [EllipseMap(0.0, 2.0, 0.8, 0.2), EllipseMap(0.7 + 2.4j, 1.5, 0.6, -0.3)]
    points = points_around(3, maps)
    exact, residual = several_ellipses(maps, points)
    assert residual < 1e-9
    errors, values = [], []
    for n in RESOLUTIONS:
        values.append(VortexOutline([outline(m, n) for m in maps]).velocity(points))
        errors.append(np.abs(values[-1] - exact).max())
    assert errors[-1] < 2e-4
    assert observed_order(errors).min() > 1.9
    np.testing.assert_allclose((4.0 * values[-1] - values[-2]) / 3.0, exact, rtol=0, atol=2e-6)


def test_series_reference_agrees_with_images():
    """The two references share no method; on circles they must meet."""
    bodies = [(0.0 + 0.0j, 1.0), (1.6 + 1.5j, 0.7)]
    maps = [EllipseMap(c, a, a) for c, a in bodies]
    points = points_around(4, maps)
    np.testing.assert_allclose(
        several_ellipses(maps, points)[0], circles(bodies, points)[0], rtol=0, atol=1e-9
    )


def test_circle_over_a_wall():
    """Centre 1.25 radii above the wall: added mass, speed in the gap and on top."""
    pair = [(1.25j, 1.0), (-1.25j, 1.0)]
    exact_mass = circles(pair, [[5.0, 5.0]])[1] - 1.0
    surface = circles(pair, [[0.0, 0.25], [0.0, 2.25]])[0][:, 0] - 1.0
    assert exact_mass == pytest.approx(1.41614716, abs=1e-8)
    assert surface == pytest.approx([-3.24594277, -2.20711230], abs=1e-8)
    mass, gap, top = [], [], []
    for n in (100, 200, 400, 800):
        flow = VortexOutline([circle(n, 1.0, (0.0, 1.25))], wall_y=0.0)
        gamma = flow.surface_speed[0]
        mass.append(abs(flow.added_mass - exact_mass))
        gap.append(abs(gamma[3 * n // 4] + 3.24594277))
        top.append(abs(gamma[n // 4] - 2.20711230))
    for errors, final in ((mass, 1e-4), (gap, 1e-4), (top, 2e-5)):
        assert errors[-1] < final
        assert observed_order(errors).min() > 1.9


def test_wall_lets_nothing_through_and_equals_an_explicit_image():
    loop = vehicle_outline(5.0, 1.8, 0.3, nose_m=(0.0, 1.7))
    with_wall = VortexOutline([loop], wall_y=0.3)
    along = np.column_stack((np.linspace(-8, 4, 50), np.full(50, 0.3)))
    assert np.abs(with_wall.velocity(along)[:, 1]).max() < 1e-13
    image = (loop * (1.0, -1.0) + (0.0, 0.6))[::-1]
    pair = VortexOutline([loop, image])
    points = np.random.default_rng(5).uniform((-8, 2.7), (3, 6), (40, 2))
    np.testing.assert_allclose(with_wall.velocity(points), pair.velocity(points), atol=1e-11)
    assert with_wall.added_mass == pytest.approx(pair.added_mass, rel=1e-10)


def test_a_wall_on_the_other_side_is_the_mirror_image():
    above = VortexOutline([vehicle_outline(5.0, 1.8, 0.3, nose_m=(0.0, 2.0))], wall_y=0.0)
    below = VortexOutline([vehicle_outline(5.0, 1.8, 0.3, nose_m=(0.0, -2.0))], wall_y=0.0)
    points = np.array([[-2.0, 4.0], [1.0, 0.5]])
    np.testing.assert_allclose(
        below.velocity(points * (1.0, -1.0)), above.velocity(points) * (1.0, -1.0), atol=1e-12
    )


# ---------------------------------------------------------------- physics that holds for any body


@pytest.fixture(scope="module")
def vehicle():
    return VortexOutline([vehicle_outline(5.0, 1.8, 0.3)])


def test_signs_of_a_passing_vehicle(vehicle):
    """Pushed ahead at the nose, drawn after at the tail, squeezed backwards alongside."""
    ahead, behind, left, right = vehicle.velocity(
        [[1.0, 0.0], [-6.0, 0.0], [-2.5, 2.0], [-2.5, -2.0]]
    )
    assert ahead[0] > 0.05
    assert behind[0] > 0.05
    assert left[0] < -0.02
    assert right[0] < -0.02
    nose_left = vehicle.velocity([[0.0, 1.5]])[0]
    tail_left = vehicle.velocity([[-5.0, 1.5]])[0]
    assert nose_left[1] > 0.05  # away from the vehicle as the nose passes
    assert tail_left[1] < -0.05  # and back at the tail


def test_mirror_symmetry(vehicle):
    points = np.array([[0.5, 0.9], [-1.0, 1.4], [-5.5, 0.4], [-2.5, 8.0]])
    there = vehicle.velocity(points)
    np.testing.assert_allclose(
        vehicle.velocity(points * (1.0, -1.0)), there * (1.0, -1.0), atol=1e-12
    )
    fore_and_aft = points * (-1.0, 1.0) - (5.0, 0.0)
    np.testing.assert_allclose(vehicle.velocity(fore_and_aft), there * (1.0, -1.0), atol=1e-12)


def test_placement_scale_and_reversal():
    """Moving, scaling or turning the picture by half a turn moves, keeps or turns the field."""
    upper, lower = ellipse(60, 2.0, 1.0, 20.0)[:30], ellipse(60, 2.0, 0.6, 20.0)[30:]
    loop = np.concatenate((upper, lower))  # a lopsided body
    points = np.array([[3.0, 0.4], [-1.0, 2.0], [0.2, -1.9]])
    here = VortexOutline([loop]).velocity(points)
    shift = np.array([120.0, -45.0])
    np.testing.assert_allclose(
        VortexOutline([loop + shift]).velocity(points + shift), here, atol=1e-11
    )
    np.testing.assert_allclose(VortexOutline([3.0 * loop]).velocity(3.0 * points), here, atol=1e-12)
    np.testing.assert_allclose(VortexOutline([-loop]).velocity(-points), here, atol=1e-12)


def test_reversing_the_motion_of_the_stream_frame():
    """In the frame of the body the air far away moves at -x and the outline is a streamline."""
    flow = VortexOutline([circle(400)])
    far = flow.velocity([[1e5, 3e4]]) - (1.0, 0.0)
    np.testing.assert_allclose(far, [[-1.0, 0.0]], atol=1e-9)


def test_closed_body_decays_as_the_inverse_square(vehicle):
    direction = np.array([np.cos(0.7), np.sin(0.7)])
    radius = np.array([1e2, 1e3, 1e4, 1e5])
    speed = np.linalg.norm(vehicle.velocity(radius[:, None] * direction - (2.5, 0.0)), axis=1)
    np.testing.assert_allclose(speed * radius**2, speed[-1] * radius[-1] ** 2, rtol=2e-3)
    order = np.log10(speed[:-1] / speed[1:])
    np.testing.assert_allclose(order, 2.0, atol=1e-3)
    # the far dipole carries the added mass and the displaced area
    strength = (1.0 + vehicle.added_mass) * vehicle.area_m2 / (2.0 * np.pi)
    assert speed[-1] * radius[-1] ** 2 == pytest.approx(strength, rel=1e-6)


def test_circulation_of_each_body_is_zero():
    loops = [vehicle_outline(5.0, 1.8, 0.3), ellipse(120, 1.5, 0.6, 25.0, (-2.0, 2.6))]
    flow = VortexOutline(loops)
    angle = 2.0 * np.pi * np.arange(4000) / 4000
    turn = np.column_stack((np.cos(angle), np.sin(angle)))
    tangent = np.column_stack((-np.sin(angle), np.cos(angle)))
    for centre, axes in (((-2.0, 2.6), (2.1, 1.4)), ((-2.5, 0.0), (3.6, 1.4))):
        ring = np.asarray(centre) + turn * axes
        step = tangent * axes * (2.0 * np.pi / len(angle))
        velocity = flow.velocity(ring)
        circulation = np.sum(velocity * step)
        outflow = np.sum(velocity[:, 0] * step[:, 1] - velocity[:, 1] * step[:, 0])
        scale = np.sum(np.abs(velocity * step))
        assert scale > 1.0
        assert abs(circulation) < 1e-9 * scale
        assert abs(outflow) < 1e-9 * scale


def test_no_penetration_just_off_the_panels():
    """Normal velocity a hair outside the panel centres, on a body with corners and long sides."""
    residual = []
    for arc_panels in (8, 16, 32):
        loop = vehicle_outline(5.0, 1.8, 0.3, arc_panels=arc_panels)
        step = np.roll(loop, -1, axis=0) - loop
        length = np.linalg.norm(step, axis=1)
        normal = np.column_stack((step[:, 1], -step[:, 0])) / length[:, None]
        near = loop + 0.5 * step + 1e-5 * length[:, None] * normal
        velocity = VortexOutline([loop]).velocity(near)
        residual.append(np.abs(np.sum(velocity * normal, axis=1) - normal[:, 0]).max())
    assert residual[0] < 0.02
    assert residual[1] < 0.45 * residual[0]
    assert residual[2] < 0.45 * residual[1]


def test_values_on_the_outline_are_those_just_outside():
    n = 200
    loop = circle(n)
    flow = VortexOutline([loop])
    centre = 0.5 * (loop + np.roll(loop, -1, axis=0))
    for on in (loop, centre):
        angle = np.arctan2(on[:, 1], on[:, 0])
        normal = np.column_stack((np.cos(angle), np.sin(angle)))
        velocity = flow.velocity(on)
        np.testing.assert_allclose(np.sum(velocity * normal, axis=1), normal[:, 0], atol=1e-9)
        exact = np.column_stack((np.cos(2 * angle), np.sin(2 * angle)))  # 1/z^2 on |z| = 1
        np.testing.assert_allclose(velocity, exact, atol=1e-3)
    off = flow.velocity(centre * 1.0001)
    np.testing.assert_allclose(off, flow.velocity(centre), atol=0.01)


def test_air_inside_moves_with_the_body():
    flow = VortexOutline([ellipse(200, 2.0, 1.0, 15.0)])
    np.testing.assert_allclose(
        flow.velocity([[0.0, 0.0], [1.2, 0.3], [-0.8, -0.4]]), [[1.0, 0.0]] * 3, atol=1e-3
    )


def test_a_sharp_cornered_body_still_converges():
    def square(n):
        side = np.arange(n) / n
        z = np.concatenate((side + 0j, 1 + 1j * side, 1 - side + 1j, 1j * (1 - side)))
        return as_points(z)

    values = [VortexOutline([square(n)]).velocity([[1.6, 1.3]])[0] for n in (20, 40, 80, 160)]
    steps = np.linalg.norm(np.diff(values, axis=0), axis=1)
    assert steps[-1] < 5e-4
    assert np.all(steps[1:] < 0.6 * steps[:-1])


def test_default_vehicle_outline_resolves_a_close_pass():
    """Peak and cubed integral 0.5 m beside a 16.5 m lorry: default points against four times."""
    x = np.linspace(-30.0, 12.0, 1500)
    line = np.column_stack((x, np.full_like(x, 1.75)))
    found = []
    for arc_panels in (8, 32):
        speed = np.hypot(
            *VortexOutline([vehicle_outline(16.5, 2.5, 0.15, arc_panels=arc_panels)])
            .velocity(line)
            .T
        )
        found.append((speed.max(), np.sum(speed**3)))
    np.testing.assert_allclose(found[0], found[1], rtol=5e-4)


# ---------------------------------------------------------------- input and failures


GOOD = circle(40)


@pytest.mark.parametrize(
    ("loops", "wall_y", "message"),
    [
        ([], None, "at least one outline"),
        ([GOOD[::-1]], None, "outline 1 must run counter-clockwise"),
        ([GOOD, GOOD[::-1] + 5.0], None, "outline 2 must run counter-clockwise"),
        ([GOOD[:, :1]], None, r"must have shape \(k, 2\)"),
        ([GOOD[:1, :]], None, "at least 8"),
        ([circle(5)], None, "has 5 points; at least 8"),
        ([np.where(GOOD > 0.99, np.nan, GOOD)], None, "not finite"),
        ([np.repeat(GOOD, 2, axis=0)], None, "repeats a point"),
        ([GOOD], 0.5, "crosses or touches the wall at y = 0.5 m"),
        ([GOOD], np.nan, "wall_y must be a finite number"),
        ([GOOD, GOOD - (0, 4)], -2.0, "both sides of the wall"),
        ([GOOD, GOOD + 0.5], None, "outlines 1 and 2 overlap or touch"),
        ([GOOD, 0.5 * GOOD], None, "outline 2 lies inside outline 1"),
        ([0.5 * GOOD, GOOD], None, "outline 1 lies inside outline 2"),
    ],
)
def test_bad_outlines_are_refused(loops, wall_y, message):
    with pytest.raises(ValueError, match=message):
        VortexOutline(loops, wall_y=wall_y)


def test_self_crossing_and_folding_are_refused():
    t = 2.0 * np.pi * np.arange(60) / 60
    loop_within = np.column_stack(
        ((1.0 + 2.0 * np.cos(t)) * np.cos(t), (1.0 + 2.0 * np.cos(t)) * np.sin(t))
    )
    with pytest.raises(ValueError, match="crosses or touches itself"):
        VortexOutline([loop_within + 1e-3 * np.cos(t)[:, None]])
    spike = np.array(
        [[0, 0], [1, 0], [2, 0], [2, 1], [3, 1], [2, 1.0], [2, 2], [1, 2], [0, 2], [0, 1]],
        dtype=float,
    )
    with pytest.raises(ValueError, match="itself"):
        VortexOutline([spike])


def test_straight_sides_do_not_count_as_touching():
    loop = vehicle_outline(4.0, 2.0, 0.2)
    turned = loop @ np.array([[0.8, 0.6], [-0.6, 0.8]])
    assert VortexOutline([turned]).area_m2 == pytest.approx(8.0 - (4 - np.pi) * 0.04, rel=1e-3)


def test_a_repeated_last_point_is_dropped():
    closed = np.concatenate((GOOD, GOOD[:1]))
    flow = VortexOutline([closed])
    assert len(flow.surface_speed[0]) == 40
    np.testing.assert_array_equal(
        flow.velocity([[2.0, 1.0]]), VortexOutline([GOOD]).velocity([[2.0, 1.0]])
    )


@pytest.mark.parametrize("points", [[1.0, 2.0], [[1.0, 2.0, 3.0]], [[np.inf, 0.0]]])
def test_bad_points_are_refused(points):
    with pytest.raises(ValueError, match="points must"):
        VortexOutline([GOOD]).velocity(points)


def test_no_points_give_no_velocities():
    assert VortexOutline([GOOD]).velocity(np.empty((0, 2))).shape == (0, 2)


def test_narrow_gaps_are_warned_of(caplog):
    with caplog.at_level(logging.WARNING, logger="wakesim"):
        VortexOutline([GOOD, circle(40, 1.0, (3.0, 0.0))])
        VortexOutline([GOOD], wall_y=-1.5)
        assert not caplog.records
        VortexOutline([GOOD, circle(40, 1.0, (2.05, 0.0))])
        VortexOutline([GOOD], wall_y=-1.02)
    assert len(caplog.records) == 2
    assert all("panel lengths wide" in record.getMessage() for record in caplog.records)
