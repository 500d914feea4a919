"""Power of an hour from moments and stretches, against closed forms and scipy's distributions."""

from __future__ import annotations

import numpy as np
import pytest
from energy_case import case
from scipy import stats

from wakesim.case.air import OPEN_LAND
from wakesim.energy.bounds import BETZ
from wakesim.energy.rotor import generic_rotor
from wakesim.energy.year_power import (
    PARTS,
    ambient_moments,
    of_wind,
    power_coefficient,
    response_table,
    shares_of,
    standing,
)

RNG = np.random.default_rng(4)
GUSTY = np.abs(2.0 + 0.8 * RNG.standard_normal(4000))


def test_a_rotor_without_inertia_and_cuts_takes_its_best_coefficient_at_every_speed():
    rotor = generic_rotor("drag", 1.0, 2.0, cut_in_m_s=0.0, response="quasi_steady")
    table = response_table(rotor, GUSTY, GUSTY, 0.05, 1.2)
    best = rotor.curve.best[1] * rotor.conversion
    assert table.coefficient.mean(axis=0) == pytest.approx(best, rel=1e-9)
    found = power_coefficient([table], np.ones((3, 1)), np.array([1.0, 8.0, 64.0]), np.full(3, 0.9))
    assert found.mean(axis=0) == pytest.approx(best, rel=1e-9)


def test_cut_in_of_a_quasi_steady_rotor_is_the_distribution_s_tail():
    """Against the same sum over a series, straight."""
    rotor = generic_rotor("drag", 1.0, 2.0, cut_in_m_s=2.0, response="quasi_steady")
    table = response_table(rotor, GUSTY, GUSTY, 0.05, 1.2)
    cube = np.mean(GUSTY**3)
    for scale in (0.6, 1.0, 1.7):
        speed = scale * GUSTY
        share = np.sum(speed[speed >= 2.0] ** 3) / np.sum(speed**3)
        expected = share * rotor.curve.best[1] * rotor.conversion
        peaked = np.log(cube / np.mean(GUSTY) ** 3)
        found = table(np.array([scale * np.cbrt(cube)]), np.array([peaked])).mean(axis=0)
        assert found == pytest.approx(expected, abs=0.05 * rotor.curve.best[1])


@pytest.mark.parametrize("kind", ["drag", "lift"])
def test_no_state_passes_betz(kind):
    rotor = generic_rotor(kind, 1.0, 2.0, cut_in_m_s=0.8)
    table = response_table(rotor, GUSTY, GUSTY, 0.05, 1.2)
    assert np.all(table.coefficient.mean(axis=0) <= BETZ)
    assert np.all(table.coefficient >= 0.0)
    assert np.all(np.diff(table.peaked) > 0.0)
    assert table.coefficient.shape[0] == PARTS


def test_a_shrouded_rotor_sees_less():
    rotor = generic_rotor("drag", 1.0, 2.0, cut_in_m_s=0.0, response="quasi_steady")
    half = response_table(rotor, GUSTY, 0.5 * GUSTY, 0.05, 1.2)
    assert half.turned == pytest.approx(0.5)
    found = half(np.array([2.0]), np.array([0.3])).mean(axis=0)
    assert found == pytest.approx(rotor.curve.best[1] * rotor.conversion / 8.0, rel=1e-9)


def test_moments_of_a_wind_are_those_of_rice():
    """Both components normal with the same deviation: the speed is Rician (scipy)."""
    made = case()
    mount = made.mounts[0]
    unit = ambient_moments(made, mount)
    points, shares = mount.points()
    profile = OPEN_LAND
    speed, intensity = 4.0, 0.3
    cube, mean = of_wind(unit, np.array([speed]), np.array([intensity]))
    there = speed * np.array([profile.ratio(z) for z in points[:, 1]])
    cubes = [stats.rice(1.0 / intensity, scale=intensity * u).moment(3) for u in there]
    means = [stats.rice(1.0 / intensity, scale=intensity * u).mean() for u in there]
    assert cube[0] == pytest.approx(np.dot(shares, cubes), rel=2e-3)
    assert mean[0] == pytest.approx(np.dot(shares, means), rel=1e-2)


def test_hours_share_the_nearest_stretches():
    at = RNG.standard_normal((50, 3))
    shares = shares_of(at, at[:6])
    assert shares.sum(axis=1) == pytest.approx(1.0)
    assert np.all((shares > 0.0).sum(axis=1) <= 3)
    assert shares[:6].argmax(axis=1).tolist() == list(range(6))


def test_standing_hours_fall_where_the_energy_is():
    at = np.concatenate([RNG.normal(0.0, 0.1, (60, 2)), RNG.normal(5.0, 0.1, (60, 2))])
    weight = np.repeat([1.0, 1e-6], 60)
    found = standing(at, weight, list(range(120)), 4)
    assert sum(n < 60 for n in found) >= 3
    assert len(set(found)) == len(found)
