"""Steady turbulence: the march in time of the same balances, with steps that go to zero."""

from __future__ import annotations

import numpy as np
import pytest

import wakesim
from wakesim.section.closure import VON_KARMAN, Closure
from wakesim.section.crossflow import Barrier
from wakesim.section.grid import CrossSectionGrid
from wakesim.section.march import shear
from wakesim.section.road import LASTING_S, RoadSection, Sources
from wakesim.section.wake import wake_table
from wakesim.vehicle.bubble import WakeConstants
from wakesim.vehicle.marched_wake import wake_start

CLOSURE = Closure(c2=2.2, weak_shear=1.5)
LANES = (-1.8, 1.8)
WAY = np.array([1.0, -1.0])
RATES = np.array([0.1, 0.05])
TIME_S = 6.0


def traffic(crosswind_m_s=0.0, barriers=()):
    grid = CrossSectionGrid.around(LANES, [], 60.0, 40.0, 0.8, 0.25, barriers=barriers)
    walls = [Barrier(*one) for one in barriers]
    section = RoadSection(grid, 0.003, crosswind_m_s, 0.05, walls)
    vehicle = wakesim.vehicle("rigid_lorry")
    table = wake_table(vehicle, wake_start(vehicle, WakeConstants(coarse=True)), 0)
    entry = np.array([section.project(table, table.entry, y) for y in LANES])
    made = Sources(entry, WAY, np.full(2, 22.0))
    return section, made, section.steady_traffic(made, RATES, CLOSURE)


def marched(section, made, state, step_s):
    """k and eps after ``TIME_S`` from the steady state, its u held, with the sources it has."""
    acting, e = RATES * state.factor, made.entry
    k = np.tensordot(acting * made.speed**2, e[:, 1] + e[:, 3], axes=1)
    eps = np.tensordot(RATES * state.factor**1.5 * made.speed**3, e[:, 2] + e[:, 4], axes=1)
    fields = section.at_rest()
    for mine, given in zip(fields, (state.u, state.k, state.eps), strict=False):
        mine[:] = given
    last = 0.0
    for _ in range(round(TIME_S / step_s)):
        section.step(fields, (np.zeros_like(k), k, eps), last, step_s, CLOSURE)
        last = step_s
        fields[0][:] = state.u
    return fields[1], fields[2]


@pytest.mark.parametrize(
    ("crosswind", "barriers"), [(0.0, ()), (2.0, ()), (1.0, ((5.0, 3.0),))], ids=str
)
def test_it_is_where_a_march_with_ever_smaller_steps_stays(crosswind, barriers):
    section, made, state = traffic(crosswind, barriers)
    felt = state.k > 0.05 * state.k.max()
    moved = []
    for step in (0.2, 0.05, 0.0125):
        k, eps = marched(section, made, state, step)
        moved.append(
            [np.abs(now / old - 1.0)[felt].max() for now, old in ((k, state.k), (eps, state.eps))]
        )
    assert np.all(np.diff(moved, axis=0) < 0.0)
    assert max(moved[-1]) < 0.015
    assert max(moved[0]) > 3.0 * max(moved[-1])


def test_what_traffic_makes_is_lost():
    """Over a calm section nothing leaves: sources and production equal the losses."""
    section, made, state = traffic()
    grid, k, eps, e = section.grid, state.k, state.eps, made.entry
    square, none = np.empty(grid.shape), np.zeros((grid.shape[1] + 1, grid.shape[0]), dtype=bool)
    shear(state.u, grid.y, grid.z, section.closed, none, section.roughness, square)
    made_k = np.tensordot(RATES * state.factor * made.speed**2, e[:, 1] + e[:, 3], axes=1)
    gain, loss = made_k + state.viscosity * square, eps + k / LASTING_S
    z = grid.z[0]
    u_tau = np.sqrt(0.3 * k[:, 0] + section.friction_velocity**2)
    stress = u_tau * VON_KARMAN * state.u[:, 0] / np.log(z / section.roughness)
    gain[:, 0] = made_k[:, 0] + stress**2 / (VON_KARMAN * u_tau * z)
    loss[:, 0] = 0.09**0.75 * k[:, 0] ** 1.5 / (VON_KARMAN * z)
    whole = float((gain * grid.areas).sum())
    assert float((loss * grid.areas).sum()) == pytest.approx(whole, rel=1e-3)
    assert whole > 1.1 * float((made_k * grid.areas).sum())
