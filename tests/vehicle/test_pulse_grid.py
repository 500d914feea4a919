"""The displacement flow along lines, tabulated and summed, against the panels it stands for."""

from __future__ import annotations

import pickle
from dataclasses import replace

import numpy as np
import pytest
from solids import cube_sphere

import wakesim
from wakesim.vehicle import pulse_grid
from wakesim.vehicle.panels3d import SourceHull
from wakesim.vehicle.passfield import pass_field
from wakesim.vehicle.pulse_grid import GAP_M, PulseFields, SourceTree
from wakesim.vehicle.wake import WakeConstants

CLASSES = ("small_car", "artic_lorry_eu")
PULSES = PulseFields()


def direct(field, x, y, z):
    """u and v (2, nx) straight from the panels."""
    points = np.column_stack([x, np.full(x.size, y), np.full(x.size, z)])
    return field.displacement(points)[:, :2].T


def cube(line, x):
    return np.trapezoid(np.hypot(*line) ** 3, -x)


def test_the_tree_gives_the_exact_flow_of_a_sphere():
    """Far above the road a moving sphere is a dipole: v = grad(-a^3 x / 2 r^3) (Lamb 1932)."""
    quads = cube_sphere(14, centre=(0.0, 0.0, 400.0))
    tree = SourceTree(SourceHull(quads))
    rng = np.random.default_rng(3)
    r = rng.normal(size=(300, 3))
    r *= (rng.uniform(1.3, 4.0, 300) / np.linalg.norm(r, axis=1))[:, None]
    distance = np.linalg.norm(r, axis=1)
    exact = 0.5 * (3.0 * r * r[:, :1] / distance[:, None] ** 5)
    exact[:, 0] -= 0.5 / distance**3
    found = tree.velocity(r + np.array([0.0, 0.0, 400.0]))
    error = np.linalg.norm(found - exact[:, :2], axis=1) / np.linalg.norm(exact, axis=1)
    assert error.max() < 8e-3  # 1176 panels


@pytest.mark.parametrize("name", CLASSES)
@pytest.mark.parametrize(
    ("gap", "allowed"), [(0.3, 5e-3), (1.0, 3e-3), (2.5, 3e-3), (6.0, 0.02)], ids=str
)
def test_cube_of_the_pulse_is_that_of_the_panels(name, gap, allowed):
    vehicle = wakesim.vehicle(name)
    table, field = PULSES.table(vehicle), pass_field(vehicle)
    half, top = 0.5 * vehicle.width_m, vehicle.height_m
    x = table.x
    for y, z in (
        (half + gap, 0.4), (-half - gap, 0.7 * top), (half + gap, top + 0.1),
        (0.0, top + gap), (0.8 * half, top + gap),
    ):  # fmt: skip
        line, panels = table.lines(y, z)[0], direct(field, x, y, z)
        assert cube(line, x) == pytest.approx(cube(panels, x), rel=allowed)
        assert np.abs(line - panels).max() < 4.0 * allowed * np.hypot(*panels).max()


@pytest.mark.parametrize("name", CLASSES)
def test_few_lines_are_summed_over_the_panels(name):
    vehicle = wakesim.vehicle(name)
    half, top = 0.5 * vehicle.width_m, vehicle.height_m
    y = np.array([half + 0.3, -half - 1.0, half + 2.5, 0.0, -0.8 * half, half + 6.0, 70.0])
    z = np.array([0.4, 0.7 * top, top + 0.1, top + 0.3, top + 1.0, 2.0, 4.0])
    x, field = PULSES.x(vehicle), pass_field(vehicle)
    few, many = (PULSES.lines(vehicle, y, z, many) for many in (False, True))
    assert np.array_equal(x, PULSES.table(vehicle).x)
    for k, allowed in enumerate([2e-3] * 5 + [8e-3, 0.03]):  # of the peak: within 3 m; 6; 70 m
        panels = direct(field, x, y[k], z[k])
        peak = np.hypot(*panels).max()
        assert np.abs(few[k] - panels).max() < allowed * peak
        assert cube(few[k], x) == pytest.approx(cube(panels, x), rel=2.0 * allowed)
        assert np.abs(few[k] - many[k]).max() < 2e-3 * peak


def test_few_lines_nearer_than_the_gap_are_those_at_the_gap():
    vehicle = wakesim.vehicle("artic_lorry_eu")
    half, top = 0.5 * vehicle.width_m, vehicle.height_m
    y = np.array([half + 0.01, 0.3, half + GAP_M, 0.3])
    z = np.array([2.0, top + 0.02, 2.0, top + GAP_M])
    few, many = (PULSES.lines(vehicle, y, z, many) for many in (False, True))
    assert few[:2] == pytest.approx(few[2:], rel=1e-12)
    assert np.abs(few - many).max() < 0.02 * np.abs(few).max()


def test_few_lines_depend_on_nothing_asked_before():
    vehicle = wakesim.vehicle("small_car")
    y, z = np.array([1.9, -1.9, 4.0]), np.array([1.0, 1.0, 2.0])
    first = PulseFields().lines(vehicle, y, z, many=False)
    assert np.array_equal(first[0, 0], first[1, 0])
    assert np.array_equal(first[0, 1], -first[1, 1])
    fields = PulseFields()
    fields.table(vehicle)
    faster = replace(vehicle, mean_speed_m_s=11.0)
    assert np.array_equal(fields.lines(faster, y, z, many=False), first)
    pulse_grid._kept.clear()
    alone = [fields.lines(vehicle, y[k : k + 1], z[k : k + 1], many=False)[0] for k in (2, 1, 0)]
    assert np.array_equal(alone[::-1], first)
    tables = PulseFields(tabulated=True)
    assert np.array_equal(
        tables.lines(vehicle, y, z, many=False), fields.lines(vehicle, y, z, many=True)
    )


def test_memory_of_lines_is_bounded():
    kept = pulse_grid._KeptLines(3000)
    for key in range(5):
        kept.put((key,), np.zeros(125))
        assert kept.get((0,)) is not None  # asked for again and again
    assert kept.bytes == 3000
    assert [kept.get((key,)) is not None for key in range(5)] == [True, False, False, True, True]
    kept.put(("large",), np.zeros(1000))
    assert kept.bytes == 0


def test_far_from_the_vehicle_its_source_and_dipole_remain():
    vehicle = wakesim.vehicle("artic_lorry_eu")
    table, field = PULSES.table(vehicle), pass_field(vehicle)
    for y, z in ((75.0, 3.0), (-64.0, 30.0), (3.0, 70.0)):
        panels = direct(field, table.x, y, z)
        peak = np.hypot(*panels).max()
        assert np.abs(table.lines(y, z)[0] - panels).max() < 0.05 * peak


def test_a_walls_image_is_nearly_the_hull_solved_with_the_wall():
    """What the mirrored flow leaves out: the wall's effect on the hull's own sources."""
    vehicle = wakesim.vehicle("artic_lorry_eu")
    table, wall = PULSES.table(vehicle), 7.3
    field = pass_field(vehicle, wall_lateral_m=wall)
    for y, z in ((6.3, 2.0), (4.0, 1.0), (7.2, 3.5)):
        line, image = table.lines(y, z)[0], table.lines(2.0 * wall - y, z)[0]
        mirrored = np.stack([line[0] + image[0], line[1] - image[1]])
        panels = direct(field, table.x, y, z)
        assert cube(mirrored, table.x) == pytest.approx(cube(panels, table.x), rel=0.05)


def test_along_is_even_and_across_odd():
    table = PULSES.table(wakesim.vehicle("small_car"))
    left, right = table.lines([-2.3, -0.3], [1.0, 2.2]), table.lines([2.3, 0.3], [1.0, 2.2])
    assert np.array_equal(left[:, 0], right[:, 0])
    assert np.array_equal(left[:, 1], -right[:, 1])


def test_tables_serve_all_speeds_and_can_be_pickled():
    fields = PulseFields()
    car = wakesim.vehicle("small_car")
    table = fields.table(car)
    assert fields.table(replace(car, mean_speed_m_s=11.0, speed_sd_m_s=1.0)) is table
    again = pickle.loads(pickle.dumps(fields))
    assert np.array_equal(again.table(car).beside, table.beside)
    assert fields.serves(WakeConstants(law="momentum"), True, 1.0)
    assert not fields.serves(WakeConstants(bubble_length_heights=1.0), True, 1.0)
