"""Vehicle hulls: closed, outward, the right size and source strength."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from wakesim.case.vehicle import catalogue, largest_nose_radius_m
from wakesim.errors import CaseError
from wakesim.vehicle.hull import vehicle_hull
from wakesim.vehicle.passfield import net_source_m2, pass_field
from wakesim.vehicle.pulse_grid import pulse_table
from wakesim.vehicle.wake import WakeConstants, bubble_length_m

VEHICLES = sorted(catalogue())


@pytest.mark.parametrize("name", VEHICLES)
def test_hull_is_closed_and_has_the_vehicle_dimensions(name):
    vehicle = catalogue()[name]
    shape = vehicle_hull(vehicle)
    diagonal_1 = shape.quads[:, 2] - shape.quads[:, 0]
    diagonal_2 = shape.quads[:, 3] - shape.quads[:, 1]
    vector = 0.5 * np.cross(diagonal_1, diagonal_2)
    assert np.linalg.norm(vector.sum(axis=0)) < 1e-12 * np.linalg.norm(vector, axis=1).sum()
    low, high = shape.quads.min(axis=(0, 1)), shape.quads.max(axis=(0, 1))
    expected_low = [-vehicle.length_m, -vehicle.width_m / 2, vehicle.clearance_m]
    expected_high = [0.0, vehicle.width_m / 2, vehicle.height_m]
    assert low == pytest.approx(expected_low, abs=1e-9)
    assert high[:2] == pytest.approx(expected_high[:2], abs=1e-9)
    assert high[2] == pytest.approx(vehicle.height_m, rel=2e-2)
    assert 0.6 < pass_field(vehicle).hull.volume / np.prod(expected_high - low) <= 1.0
    assert 600 < len(shape.quads) < 3000


@pytest.mark.parametrize("name", VEHICLES)
def test_open_tail_leaves_the_net_source_of_the_drag(name):
    vehicle = catalogue()[name]
    hull = pass_field(vehicle).hull
    net = net_source_m2(vehicle.drag_coefficient, vehicle.frontal_area_m2)
    assert net == pytest.approx(0.5 * vehicle.drag_coefficient * vehicle.frontal_area_m2)
    assert hull.source_m2 == pytest.approx(net, rel=4e-3)


def test_far_field_of_the_open_tail_is_a_source_over_the_road():
    """r^-2 with strength Q = C_D A_f / 2 in the half space: u = Q / (2 pi r^2)."""
    vehicle = catalogue()["artic_lorry_eu"]
    field = pass_field(vehicle)
    net = net_source_m2(vehicle.drag_coefficient, vehicle.frontal_area_m2)
    centre = np.array([-0.5 * vehicle.length_m, 0.0, 0.0])
    for direction in ([0.6, 0.8, 0.0], [0.0, 0.8, 0.6], [0.8, 0.0, 0.6]):
        direction = np.array(direction)
        # over opposite points the dipole part cancels
        speeds = []
        for r in (400.0, 800.0):
            up = field.displacement(centre[None] + r * direction)[0] @ direction
            mirror = direction * [-1, -1, 1]
            down = field.displacement(centre[None] + r * mirror)[0] @ mirror
            speeds.append(0.5 * (up + down))
            assert speeds[-1] == pytest.approx(net / (2 * np.pi * r**2), rel=0.02)
        assert np.log2(speeds[1] / speeds[0]) == pytest.approx(-2.0, abs=0.02)


def test_refining_the_hull_changes_little():
    vehicle = catalogue()["artic_lorry_eu"]
    x = np.arange(-40.0, 20.0, 0.5)
    points = np.column_stack([x, np.full(x.size, 3.275), np.full(x.size, 2.0)])
    usual = pass_field(vehicle).displacement(points)
    fine = pass_field(vehicle, refinement=1.6).displacement(points)
    assert np.abs(usual - fine).max() < 0.01 * np.linalg.norm(fine, axis=1).max()


def test_field_is_symmetric_about_the_centreline():
    vehicle = catalogue()["suv"]
    rng = np.random.default_rng(3)
    points = np.column_stack(
        [rng.uniform(-20, 10, 30), rng.uniform(1.5, 5, 30), rng.uniform(0.2, 4, 30)]
    )
    left = pass_field(vehicle).velocity(points)
    right = pass_field(vehicle).velocity(points * [1, -1, 1])
    assert right == pytest.approx(left * [1, -1, 1], abs=1e-6)


def test_a_wall_is_tight_and_doubles_the_wake_beside_it():
    vehicle = catalogue()["panel_van"]
    wall = 3.0
    field = pass_field(vehicle, wall_lateral_m=wall)
    x = np.linspace(-60, 10, 50)
    on_wall = np.column_stack([x, np.full(50, wall), np.full(50, 1.5)])
    assert np.abs(field.displacement(on_wall)[:, 1]).max() < 1e-12
    free = pass_field(vehicle)
    assert field.wake(on_wall) == pytest.approx(2.0 * free.wake(on_wall), rel=1e-12)
    assert field.turbulence(on_wall) == pytest.approx(2.0 * free.turbulence(on_wall), rel=1e-12)


def test_a_wall_through_the_vehicle_is_refused():
    with pytest.raises(ValueError, match="wall"):
        pass_field(catalogue()["coach"], wall_lateral_m=1.0)


def test_the_vehicle_s_own_nose_shapes_hull_and_table():
    """Beside the corner a sharp front drives more air aside than a round one, in the panels and
    in the table of lines alike."""
    lorry = catalogue()["artic_lorry_eu"]
    point = np.array([[0.5, 1.775, 2.0]])
    aside = []
    for radius in (0.02, 1.0):
        own = replace(lorry, nose_radius_m=radius)
        quads = vehicle_hull(own).quads
        front = quads[np.isclose(quads[..., 0], 0.0).all(axis=1)]
        assert np.abs(front[..., 1]).max() == pytest.approx(lorry.width_m / 2 - radius, abs=1e-9)
        aside.append(pass_field(own).displacement(point)[0, 1])
    assert aside[0] > 1.2 * aside[1]
    given = pass_field(lorry, nose_radius_m=1.0)
    assert given.vehicle == own
    assert given.displacement(point)[0, 1] == aside[1]
    table = pulse_table(own, bubble_length_m(own, WakeConstants()))
    across = table.lines(point[0, 1], point[0, 2])[0, 1]
    assert np.interp(-point[0, 0], -table.x, across) == pytest.approx(aside[1], rel=0.02)


def test_the_argument_overrides_the_vehicle_and_is_checked():
    van = replace(catalogue()["panel_van"], nose_radius_m=0.1)
    assert pass_field(van, nose_radius_m=0.4).vehicle.nose_radius_m == 0.4
    for radius in (0.0, -1.0, 2.0, np.nan):
        with pytest.raises(CaseError, match="nose_radius_m"):
            pass_field(van, nose_radius_m=radius)


@pytest.mark.parametrize("shape", ["box", "bonnet"])
def test_the_largest_nose_leaves_a_front(shape):
    car = replace(catalogue()["suv"], shape=shape)
    sizes = (car.length_m, car.width_m, car.height_m, car.clearance_m, shape)
    round_car = replace(car, nose_radius_m=largest_nose_radius_m(*sizes))
    quads = vehicle_hull(round_car).quads
    vector = 0.5 * np.cross(quads[:, 2] - quads[:, 0], quads[:, 3] - quads[:, 1])
    assert np.linalg.norm(vector, axis=1).min() > 0.0
    # a body made smaller by the model interval keeps a front as well
    smaller = replace(round_car, width_m=0.95 * car.width_m, height_m=0.95 * car.height_m)
    assert np.isfinite(pass_field(smaller).velocity([[0.5, 2.0, 1.0]])).all()
