"""The road's balance: placing of wakes, steady traffic, drag lowered by its own air."""

from __future__ import annotations

import numpy as np
import pytest

import wakesim
from wakesim.section.closure import Closure
from wakesim.section.crossflow import Barrier
from wakesim.section.drift import SINKS
from wakesim.section.grid import CrossSectionGrid
from wakesim.section.road import RoadSection, Sources
from wakesim.section.wake import wake_table
from wakesim.vehicle.bubble import WakeConstants
from wakesim.vehicle.marched_wake import wake_start

CLOSURE = Closure(c2=2.2, weak_shear=1.5)
LANES = (-1.8, 1.8)
PLACES = ((3.0, 0.5), (3.0, 2.0), (6.0, 3.0), (0.0, 6.0))


@pytest.fixture(scope="module")
def table():
    vehicle = wakesim.vehicle("artic_lorry_eu")
    return wake_table(vehicle, wake_start(vehicle, WakeConstants(coarse=True)), 0)


def symmetric_grid():
    half = CrossSectionGrid.around(LANES, [], 80.0, 50.0, 0.8, 0.2)
    right = half.y_edges[half.y_edges > 1e-6]
    return CrossSectionGrid(np.concatenate([-right[::-1], [0.0], right]), half.z_edges)


def sources_of(section, table, directions, speed=25.0):
    entry = np.array([section.project(table, table.entry, y) for y in LANES])
    return Sources(entry, np.array(directions, dtype=float), np.full(len(LANES), speed))


def at(section, values, place):
    """A field at the nearest cell's centre."""
    i, j = (
        np.abs(a - b).argmin() for a, b in zip((section.grid.y, section.grid.z), place, strict=True)
    )
    return float(values[i, j])


@pytest.fixture(scope="module")
def section():
    return RoadSection(symmetric_grid(), 0.002)


@pytest.fixture(scope="module")
def one_way(section, table):
    made = sources_of(section, table, (1, 1))
    rates = np.full(2, 0.15)
    return made, rates, section.steady_traffic(made, rates, CLOSURE)


@pytest.mark.parametrize("lane", [-1.8, 0.37, 4.2])
def test_projection_keeps_integral_and_place(section, table, lane):
    grid = section.grid
    placed = section.project(table, table.entry, lane)
    area = np.outer(np.diff(table.y_edge), np.diff(table.z_edge))
    whole = 2.0 * (table.entry * area).sum(axis=(1, 2))
    kept = (placed * grid.areas).sum(axis=(1, 2))
    np.testing.assert_allclose(kept[[0, 3, 4]], whole[[0, 3, 4]], rtol=1e-12)
    np.testing.assert_allclose(kept[1:3], whole[1:3], rtol=1e-5)  # still air beyond the sides
    force = placed[0] * grid.areas / (placed[0] * grid.areas).sum()
    assert float((force.sum(axis=1) * grid.y).sum()) == pytest.approx(lane, abs=0.03)
    assert placed.shape == (5, *grid.shape)


def test_mean_flow_is_the_linear_balance_of_the_lowered_drag(section, one_way):
    made, rates, state = one_way
    push = np.tensordot(rates * state.factor, section.force(made), axes=1)
    field = section.linear(state.viscosity).solve(push)
    np.testing.assert_allclose(state.u, field.speed, rtol=1e-9, atol=1e-12)
    balance = field.balance
    rest = sum(balance[name] for name in (*SINKS, "storage"))
    assert abs(balance["drag_in"] - rest) < 1e-10 * balance["drag_in"]
    assert balance["road_friction"] > 0.3 * balance["drag_in"]


def test_traffic_lowers_its_own_drag(section, table, one_way):
    made, rates, busy = one_way
    moved = section.entry_speed(made, busy.u) / made.speed
    assert np.all(moved > 0.02)
    np.testing.assert_allclose(busy.factor, (1.0 - moved) ** 2, rtol=0.03)
    factors = [section.steady_traffic(made, s * rates, CLOSURE).factor[0] for s in (0.01, 1e-4)]
    assert busy.factor[0] < 0.9 * factors[0] < 0.9 * factors[1]  # the less, the less traffic
    assert factors[1] > 0.95
    oncoming = sources_of(section, table, (1, -1))
    lopsided = section.steady_traffic(oncoming, np.array([0.3, 0.003]), CLOSURE)
    assert lopsided.factor[0] < 1.0 < lopsided.factor[1]


def test_equal_opposite_traffic_is_antisymmetric(section, table):
    made = sources_of(section, table, (1, -1))
    state = section.steady_traffic(made, np.full(2, 0.15), CLOSURE)
    scale = np.abs(state.u).max()
    np.testing.assert_allclose(state.u, -state.u[::-1], atol=1e-6 * scale)
    np.testing.assert_allclose(state.k, state.k[::-1], rtol=1e-5, atol=1e-9)
    assert state.factor[0] == pytest.approx(state.factor[1], rel=1e-9)
    assert scale > 0.5


def test_the_start_of_the_search_does_not_matter(section, one_way):
    made, rates, state = one_way
    other = section.steady_traffic(made, 0.6 * rates, CLOSURE)
    warm = section.steady_traffic(made, rates, CLOSURE, other)
    np.testing.assert_allclose(warm.u, state.u, atol=1e-4 * np.abs(state.u).max())
    np.testing.assert_allclose(warm.k, state.k, atol=1e-3 * state.k.max())
    np.testing.assert_allclose(warm.factor, state.factor, rtol=1e-4)


def test_no_traffic_is_still_air(section, one_way):
    made, rates, _ = one_way
    assert not section.steady_traffic(made, 0.0 * rates, CLOSURE).u.any()


def test_crosswind_carries_the_air_to_its_lee_and_a_wall_holds_it(table, one_way, section):
    _, rates, calm = one_way
    blown = RoadSection(section.grid, 0.002, 1.0, 0.05)
    state = blown.steady_traffic(sources_of(blown, table, (1, 1)), rates, CLOSURE)
    lee, luff = at(blown, state.u, (6.0, 2.0)), at(blown, state.u, (-6.0, 2.0))
    assert lee > 3.0 * abs(luff)
    assert lee < at(section, calm.u, (6.0, 2.0))  # much is blown away
    assert np.isfinite(state.k).all()
    assert state.k.min() > 0.0
    walled = RoadSection(section.grid, 0.002, 0.0, 0.0, [Barrier(4.0, 3.0)])
    held = walled.steady_traffic(sources_of(walled, table, (1, 1)), rates, CLOSURE)
    assert at(walled, held.u, (3.0, 1.0)) > at(section, calm.u, (3.0, 1.0))
    assert at(walled, held.u, (5.5, 1.0)) < 0.9 * at(section, calm.u, (5.5, 1.0))
