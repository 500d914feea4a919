"""Pressures of a pass against point sources, images and the laws of scale."""

from __future__ import annotations

import numpy as np
import pytest
from quantity_values import compute
from scipy.special import gamma

from wakesim.case.vehicle import Vehicle
from wakesim.errors import CaseError
from wakesim.validation.quantities.bodies import ellipsoid, streamlined_quads

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
def test_bad_conditions_are_refused_in_one_line(conditions, options, text):
    with pytest.raises(CaseError, match=text) as caught:
        compute("peak_pressure_coefficient", conditions, TRAIN, **options)
    assert "\n" not in str(caught.value)
