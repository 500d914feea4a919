"""Air of many hours: which are computed, and what lies between them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from grid_cases import year_text
from scipy.spatial.distance import cdist

from wakesim.case.load import load_case_text
from wakesim.energy.year_air import AirBetween, Places, YearAir, farthest_first, moments_of
from wakesim.energy.year_hours import Winds, hours_of_year
from wakesim.measures.places import rotor_statistics

RNG = np.random.default_rng(8)


def made(**changes):
    return load_case_text(year_text(**changes), "year.toml")


def test_each_further_place_is_the_farthest_from_those_before():
    at = RNG.standard_normal((200, 3))
    free = np.ones(200, dtype=bool)
    free[:20] = False
    found = farthest_first(at, 30, free=free)
    assert min(found) >= 20
    assert len(set(found)) == 30
    for k in range(1, 30):
        far = cdist(at[free], at[found[:k]]).min(axis=1)
        assert cdist(at[found[k : k + 1]], at[found[:k]]).min() == pytest.approx(far.max())
    more = farthest_first(at, 5, found, free)
    assert not set(more) & set(found)


def test_equal_hours_are_taken_once():
    at = np.repeat(RNG.standard_normal((7, 2)), 5, axis=0)
    assert len(farthest_first(at, 30)) == 7


def test_between_nodes_a_power_law_of_the_air_is_exact():
    """Cubes that go with the usual speed and, in the logarithm, straight with the places."""
    case = made(sectors=SECTORS, road_heading_deg=0)
    hours = hours_of_year(case)
    places = Places(hours)
    force = places.force(hours.flow_veh_h, hours.speed_factor)
    winds = hours.winds
    at = places.features(force, winds)
    mount = case.mounts[0]
    engine = YearAir(lambda *_: (), hours, [mount])
    slope = RNG.normal(0.0, 0.2, at.shape[1])
    cube = engine.usual[:, 0] ** 3 * np.exp(at @ slope)
    mean = np.cbrt(cube / np.exp(0.2))
    moments = np.stack([cube, mean], axis=-1)[:, None, :]
    nodes = farthest_first(at, 40)
    between = AirBetween(case, [mount], places, at[nodes], moments[nodes], engine.usual[nodes])
    some = np.arange(0, len(hours), 97)
    got_cube, got_mean = between(force[some], winds.take(some))
    assert got_cube[:, 0] == pytest.approx(cube[some], rel=1e-6)
    assert got_mean[:, 0] == pytest.approx(mean[some], rel=1e-6)


SECTORS = """[
  { from_deg = 0, share = 0.5, mean_speed_m_s = 3.0 },
  { from_deg = 180, share = 0.5, mean_speed_m_s = 2.0 },
]"""


def test_drag_force_counts_as_in_the_hour_s_case():
    """The force of an hour over that of another is that of the passes of their cases."""
    case = made()
    hours = hours_of_year(case)
    hours = replace(hours, flow_veh_h=hours.flow_veh_h * RNG.uniform(0.2, 1.0, (len(hours), 1)))
    force = Places(hours).force(hours.flow_veh_h, hours.speed_factor).sum(axis=1)

    def of_passes(number):
        one = hours.case(number)
        state = one.traffic_state(0)
        bodies = one.vehicles.values()
        area = np.array([v.drag_coefficient * v.frontal_area_m2 for v in bodies])
        return np.sum(state.flow_veh_s[:, None] * state.mix * area * state.mean_speed_m_s**2)

    assert force[10] / force[500] == pytest.approx(of_passes(10) / of_passes(500))
    assert force.max() == pytest.approx(1.0)


def test_moments_of_an_hour_are_those_of_maps_and_tables():
    case = made()
    one = hours_of_year(case).case(30)
    cube, mean = moments_of(one)
    mount = one.mounts[0]
    known = rotor_statistics(one, [(mount.offset_m, mount.height_m)], 1.2)
    assert np.cbrt(cube[0]) == pytest.approx(known["effective_speed"][0], rel=2e-3)
    assert known["mean_speed"][0] <= mean[0] <= known["effective_speed"][0]


def test_still_winds_have_no_direction():
    winds = Winds(np.zeros((4, 2)), np.full(4, 0.3), np.ones(4), np.zeros(4, dtype=bool))
    case = made()
    places = Places(hours_of_year(case))
    at = places.features(np.full((4, 2 * len(case.road.carriageways)), 0.25), winds)
    assert np.all(at[:, -3:] == 0.0)
