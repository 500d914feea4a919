"""Displacement flow and its pressure against closed forms that share no code with the panels."""

from __future__ import annotations

import numpy as np
import pytest
from quantity_values import compute
from scipy.special import gamma

from wakesim.case.vehicle import Vehicle
from wakesim.errors import CaseError
from wakesim.validation.quantities.bodies import ellipsoid, streamlined_quads

BODY = Vehicle("body", 1.044, 0.389, 0.338, 0.05, 0.112, 0.285)


def ellipse_stream(a, b, alpha_deg, x, y):
    """Unit stream at alpha past an ellipse: zeta-plane circle of radius (a + b)/2."""
    z, alpha, k = complex(x, y), np.radians(alpha_deg), 0.25 * (a * a - b * b)
    root = np.sqrt(z * z - 4.0 * k)
    zeta = max(0.5 * (z + root), 0.5 * (z - root), key=abs)
    radius = 0.5 * (a + b)
    w = np.exp(-1j * alpha) - np.exp(1j * alpha) * radius**2 / zeta**2
    w /= 1.0 - k / zeta**2
    return w.real, -w.imag


@pytest.mark.parametrize("alpha", [0.0, 30.0, -75.0])
def test_stream_past_an_ellipse(alpha):
    where = [(2.5, 0.7), (-0.3, 1.9), (-3.0, -1.2)]
    for x, y in where:
        conditions = {
            "semi_x_m": 2.0, "semi_y_m": 1.0, "incidence_deg": alpha, "x_m": x, "y_m": y,
        }  # fmt: skip
        u = compute("plane_stream_u", conditions)[0]
        v = compute("plane_stream_v", conditions)[0]
        assert (u, v) == pytest.approx(ellipse_stream(2.0, 1.0, alpha, x, y), abs=1e-4)


def test_speed_on_a_circle_is_twice_the_sine():
    angle = np.array([30.0, 90.0, 135.0, 270.0])
    speed = compute("plane_surface_speed", {"semi_x_m": 1.5, "angle_deg": angle}, panels=720)
    assert speed == pytest.approx(2.0 * np.abs(np.sin(np.radians(angle))), abs=2e-3)


def test_stream_past_a_sphere_is_that_of_a_dipole():
    points = np.array([[1.5, 0.8, 0.0], [0.3, -1.4, 0.9], [-2.0, 0.1, -0.5]])
    r = np.linalg.norm(points, axis=1)
    exact = -1.5 * points[:, :1] * points / r[:, None] ** 5
    exact[:, 0] += 1.0 + 0.5 / r**3
    place = dict(zip(("x_m", "y_m", "z_m"), points.T, strict=True))
    u = compute("solid_stream_u", {"semi_x_m": 1.0, **place}, panels=14)
    v = compute("solid_stream_v", {"semi_x_m": 1.0, **place}, panels=14)
    assert u == pytest.approx(exact[:, 0], abs=2e-3)
    assert v == pytest.approx(exact[:, 1], abs=2e-3)


def test_speed_on_a_sphere_over_a_distant_wall():
    """1.5 at the side of a sphere in free air (a wall ten radii away changes it by 0.1 %)."""
    speed = compute(
        "solid_surface_speed",
        {"semi_x_m": 1.0, "centre_over_wall_m": 10.0, "x_m": 0.0, "y_m": 1.0, "z_m": 10.0},
        panels=14,
    )
    assert speed[0] == pytest.approx(1.5, rel=0.02)


def test_signature_of_a_passing_sphere():
    lateral, order = np.array([2.0, 2.0, 2.0, 4.0]), np.array([1.0, 2.0, 3.0, 2.0])
    result = compute(
        "passing_moment", {"semi_x_m": 1.0, "lateral_m": lateral, "order": order}, panels=14
    )
    exact = 27.0 * np.pi / (512.0 * lateral**5)
    assert abs(result[0]) < 2e-4
    assert result[1] == pytest.approx(exact[1], rel=0.02)
    assert result[2] == pytest.approx(-288.0 / 5005.0 / 2.0**8, rel=0.03)
    assert result[3] == pytest.approx(exact[3], rel=0.02)


def test_far_field_of_an_open_tail_is_that_of_its_net_source():
    """Source 1/2 C_D A_f V over the road: u = Q/(2 pi r^2), in a tunnel taken off the stream."""
    speed, r = 40.0, 4000.0
    source = 0.5 * BODY.drag_coefficient * BODY.frontal_area_m2 * speed / (2.0 * np.pi * r**2)
    ahead = {"X_m": r, "Y_m": 0.0, "Z_m": 0.0, "speed_m_s": speed}
    aside = {"X_m": -0.5, "Y_m": 0.6 * r, "Z_m": 0.8 * r, "speed_m_s": speed}
    slowed = speed - compute("tunnel_velocity_u", ahead, BODY)[0]
    assert slowed == pytest.approx(source, rel=0.01)
    assert compute("pulse_velocity_u", ahead, BODY)[0] == pytest.approx(slowed, rel=1e-5)
    assert compute("tunnel_velocity_v", aside, BODY)[0] == pytest.approx(0.6 * source, rel=0.01)
    assert compute("tunnel_velocity_w", aside, BODY)[0] == pytest.approx(0.8 * source, rel=0.01)


def test_plane_body_decays_as_the_square():
    place = {"X_m": [20.0, 40.0], "Y_m": 0.0, "Z_m": 0.1, "speed_m_s": 1.0}
    near, far = compute("pulse_velocity_u", place, BODY, plane=True)
    assert near / far == pytest.approx(((40.0 + 0.522) / (20.0 + 0.522)) ** 2, rel=2e-3)


POINT = {"X_m": 1.0, "Y_m": 0.0, "Z_m": 0.1, "speed_m_s": 40.0}


@pytest.mark.parametrize(
    ("name", "conditions", "body", "options", "text"),
    [
        ("tunnel_velocity_u", {**POINT, "X_m": -0.5}, BODY, {}, "inside the body"),
        ("tunnel_velocity_u", {**POINT, "Z_m": -0.1}, BODY, {}, "Z_m = -0.1"),
        ("tunnel_velocity_u", {**POINT, "speed_m_s": 0.0}, BODY, {}, "speed_m_s = 0.0"),
        ("tunnel_velocity_u", {**POINT, "X_m": np.nan}, BODY, {}, "X_m = nan"),
        ("tunnel_velocity_u", POINT, None, {}, "needs a .body."),
        ("tunnel_velocity_u", POINT, BODY, {"open_tail": "yes"}, "must be true or false"),
        ("tunnel_velocity_u", POINT, BODY, {"refinement": 9.0}, "must be from 0.5 to 2"),
        ("tunnel_velocity_u", POINT, BODY, {"nose_length_m": 0.6}, "half the body's length"),
        ("tunnel_velocity_u", POINT, BODY, {"nose_length_m": 0.2, "plane": True}, "closed 3D hull"),
        ("plane_added_mass", {"semi_x_m": 1.0, "centre_over_wall_m": 0.9}, None, {}, "more than"),
        ("solid_added_mass", {"semi_x_m": 1.0, "centre_over_wall_m": 1.0}, None, {}, "more than"),
        ("solid_added_mass", {"semi_x_m": -1.0}, None, {}, "point 1, semi_x_m = -1"),
        ("solid_added_mass", {"semi_x_m": 1.0}, None, {"panels": 2.5}, "whole number, 4 to 28"),
        ("solid_added_mass", {"semi_y_m": 1.0}, None, {}, "needs the condition 'semi_x_m'"),
        (
            "passing_moment", {"semi_x_m": 1.0, "lateral_m": 0.5, "order": 2.0}, None,
            {"panels": 4},
            "inside the body",
        ),
    ],
)  # fmt: skip
def test_bad_conditions_are_refused_in_one_line(name, conditions, body, options, text):
    with pytest.raises(CaseError, match=text) as caught:
        compute(name, conditions, body, **options)
    assert str(caught.value).startswith("here.toml: ")
    assert "\n" not in str(caught.value)


# --- pressure of a pass -------------------------------------------------------------------------

TRAIN = Vehicle("train", 60.0, 3.0, 3.9, 0.2, 10.5, 0.3)
NOSE_M = 5.0


def point_source_pressure(lateral):
    """Peak of 2 u/V beside a source and a sink of the body's section over the road.

    Nose and tail of a slender hull push aside A V and draw it in again; the road doubles both.
    Small speeds, so the squared one is left out.
    """
    area = TRAIN.width_m * (TRAIN.height_m - TRAIN.clearance_m)
    area *= gamma(1.25) ** 2 / gamma(1.5)  # superellipse of power 4
    between = TRAIN.length_m - 2.0 * NOSE_M / 3.0  # centroids of the noses' displacement
    x = np.linspace(-200.0, 200.0, 40001)
    u = x / np.hypot(x, lateral) ** 3 - (x + between) / np.hypot(x + between, lateral) ** 3
    return 2.0 * area / (2.0 * np.pi) * u


@pytest.mark.parametrize("lateral", [15.0, 25.0])
def test_far_beside_a_slender_body_nose_and_tail_are_a_source_and_a_sink(lateral):
    exact = point_source_pressure(lateral)
    place = {"lateral_m": lateral, "height_m": 0.0}
    options = {"nose_length_m": NOSE_M, "refinement": 0.5}
    peak = compute("peak_pressure_coefficient", place, TRAIN, **options)[0]
    trough = compute("peak_pressure_coefficient", place, TRAIN, sign="negative", **options)[0]
    assert peak == pytest.approx(exact.max(), rel=0.05)
    assert trough == pytest.approx(exact.min(), rel=0.05)
    absolute = compute("peak_pressure_coefficient", place, TRAIN, sign="absolute", **options)[0]
    assert absolute == max(peak, -trough)


def test_a_far_wall_doubles_the_pressure():
    place = {"lateral_m": 25.0, "height_m": 1.0}
    options = {"nose_length_m": NOSE_M, "refinement": 0.5}
    free = compute("peak_pressure_coefficient", place, TRAIN, **options)[0]
    wall = compute("peak_pressure_coefficient", place, TRAIN, wall=True, **options)[0]
    face = compute("peak_pressure_coefficient", place, TRAIN, surface_factor=2.0, **options)[0]
    assert wall == pytest.approx(2.0 * free, rel=0.02)
    assert face == pytest.approx(2.0 * free, rel=1e-12)


def test_pulse_in_pascal_is_the_swing_of_the_coefficient():
    place = {"lateral_m": 4.0, "height_m": 1.5}
    options = {"refinement": 0.5, "part": "nose"}
    up = compute("peak_pressure_coefficient", place, TRAIN, **options)[0]
    down = compute("peak_pressure_coefficient", place, TRAIN, sign="negative", **options)[0]
    swing = compute(
        "pressure_peak_to_peak", {**place, "speed_m_s": 30.0}, TRAIN, density_kg_m3=1.2, **options
    )[0]
    assert swing == pytest.approx(0.5 * 1.2 * 900.0 * (up - down), rel=1e-12)
    size = compute("pressure_peak", {**place, "speed_m_s": 60.0}, TRAIN, **options)[0]
    assert size == pytest.approx(0.5 * 1.225 * 3600.0 * max(up, -down), rel=1e-12)


def test_largest_over_listed_heights():
    options = {"refinement": 0.5, "part": "nose"}
    heights = [0.5, 1.5, 3.0]
    each = [
        compute("peak_pressure_coefficient", {"lateral_m": 3.0, "height_m": h}, TRAIN, **options)[0]
        for h in heights
    ]
    listed = compute(
        "peak_pressure_coefficient", {"lateral_m": 3.0}, TRAIN, heights_m=heights, **options
    )[0]
    assert listed == pytest.approx(max(each), rel=5e-3)


def test_decay_is_relative_to_the_reference_distance():
    place = {"lateral_m": [3.0, 6.0], "height_m": 1.5}
    options = {"refinement": 0.5, "part": "nose"}
    plain = compute("peak_pressure_coefficient", place, TRAIN, **options)
    decay = compute("peak_pressure_coefficient", place, TRAIN, reference_lateral_m=3.0, **options)
    assert decay == pytest.approx(plain / plain[0], rel=1e-12)


def test_plan_plane_overstates():
    place = {"lateral_m": 4.0, "height_m": 1.5}
    solid = compute("peak_pressure_coefficient", place, TRAIN, refinement=0.5)[0]
    assert compute("peak_pressure_coefficient", place, TRAIN, plane=True)[0] > 1.3 * solid


def enclosed(quads):
    """Volume (divergence theorem) of a closed surface of planar or triangulated quads, m3."""
    total = 0.0
    for a, b, c in ((0, 1, 2), (0, 2, 3)):
        triple = np.cross(quads[:, a], quads[:, b])
        total += np.einsum("nc,nc->", triple, quads[:, c]) / 6.0
    return total


def test_volumes_of_the_bodies():
    semi = (2.0, 1.5, 0.5)
    assert enclosed(ellipsoid(semi, 24, 3.0)) == pytest.approx(4 / 3 * np.pi * 1.5, rel=5e-3)
    section = TRAIN.width_m * (TRAIN.height_m - TRAIN.clearance_m) * gamma(1.25) ** 2 / gamma(1.5)
    exact = section * (TRAIN.length_m - 2 * NOSE_M + 2 * NOSE_M * 2 / 3)  # semi-ellipsoids hold 2/3
    assert enclosed(streamlined_quads(TRAIN, NOSE_M)) == pytest.approx(exact, rel=0.015)


@pytest.mark.parametrize(
    ("conditions", "options", "text"),
    [
        ({"lateral_m": 1.0, "height_m": 1.0}, {}, "inside the body"),
        ({"lateral_m": 1.0, "height_m": 1.0}, {"wall": True}, "must stand outside half"),
        ({"lateral_m": 3.0}, {}, "needs the condition 'height_m'"),
        ({"lateral_m": 3.0, "height_m": -1.0}, {}, "height_m = -1"),
        ({"lateral_m": 3.0}, {"heights_m": [1.0, -2.0]}, "list of heights"),
        ({"lateral_m": 3.0}, {"heights_m": []}, "list of heights"),
        ({"lateral_m": 3.0, "height_m": 1.0}, {"sign": "up"}, "must be one of 'positive'"),
        ({"lateral_m": 3.0, "height_m": 1.0}, {"part": "side"}, "must be one of 'nose'"),
        ({"lateral_m": 3.0, "height_m": 1.0}, {"surface_factor": 3.0}, "must be from 1 to 2"),
    ],
)
def test_bad_conditions_of_a_pressure_are_refused_in_one_line(conditions, options, text):
    with pytest.raises(CaseError, match=text) as caught:
        compute("peak_pressure_coefficient", conditions, TRAIN, **{"refinement": 0.5, **options})
    assert "\n" not in str(caught.value)
