"""Power coefficients of states, against distributions integrated over and against longer series."""

from __future__ import annotations

import numpy as np
import pytest
from grid_cases import quick, table_text
from scipy import integrate, stats

from wakesim.case.load import load_case_text
from wakesim.energy.bounds import BETZ
from wakesim.energy.hourly_power import rotor_of
from wakesim.energy.table_power import TablePower, hours_of_states, place_features
from wakesim.energy.year_air import moments_of
from wakesim.energy.year_power import STRETCHES, compute_stretch, response_table
from wakesim.measures.places import rotor_statistics_from
from wakesim.studies.lookup_table import state_case

CUT_IN, INTENSITY = 1.5, 0.25
ROTOR = f'[rotor]\nkind = "drag"\nresponse = "quasi_steady"\ncut_in_m_s = {CUT_IN}\n'
# The same wind at all heights, so that the rotor's nine points see one speed.
WIND = (
    'wind = {{ speed_m_s = 0.0, angle_deg = 0.0, profile = "power", exponent = 0.0, '
    "turbulence_intensity = {} }}"
)
STATES = (
    {"flow_veh_h": 0.0, "wind_speed_m_s": 0.0},
    {"flow_veh_h": 0.0, "wind_speed_m_s": 1.2},
    {"flow_veh_h": 0.0, "wind_speed_m_s": 1.6},
    {"flow_veh_h": 0.0, "wind_speed_m_s": 2.0},
    {"flow_veh_h": 300.0, "wind_speed_m_s": 0.0},
    {"flow_veh_h": 900.0, "wind_speed_m_s": 1.6},
)
PLACES = np.array([[1.4, 2.0], [2.5, 2.0]])
COUNT = np.ones(len(STATES), dtype=int)


def made(intensity: float = INTENSITY, rotor: str = ROTOR):
    body = "[table]\nflow_veh_h = [0, 600]\n" + rotor
    air = WIND.format(intensity) + "\ndrift = {{ enabled = false }}"
    return load_case_text(quick(table_text(body, air=air.replace("{{", "{").replace("}}", "}"))))


def power_of(case) -> TablePower:
    states = [state_case(case, state) for state in STATES]
    return TablePower(case, states, np.ones(len(states)), COUNT, PLACES)


def coefficients(case):
    """Coefficient, mean cube and mean (states, places)."""
    power = power_of(case)
    results = [compute_stretch(task) for task in power.tasks()]
    found = [rotor_statistics_from(state, PLACES, 1.2, None)[0] for state in power.states]
    cube = np.array([one["effective_speed"] ** 3 for one in found])
    mean = np.array([one["rotor_mean"] for one in found])
    return power.coefficient(results, cube, mean), cube, mean


@pytest.fixture(scope="module")
def gusty():
    return coefficients(made())


def best(case) -> float:
    rotor = rotor_of(case, case.mounts[0])
    return rotor.curve.best[1] * rotor.conversion


@pytest.mark.parametrize("number", [1, 2, 3])
def test_wind_alone_takes_the_tail_of_rice_s_distribution(number, gusty):
    """Without inertia: the cubes above the cut-in over all cubes, integrated by scipy."""
    speed = STATES[number]["wind_speed_m_s"]
    rice = stats.rice(1.0 / INTENSITY, scale=INTENSITY * speed)
    above, _ = integrate.quad(lambda v: v**3 * rice.pdf(v), CUT_IN, 4.0 * speed)
    share = above / rice.moment(3)
    assert 0.05 < share < 0.99  # the cut-in counts
    coefficient, cube, _ = gusty
    assert np.cbrt(cube[number]) == pytest.approx(np.cbrt(rice.moment(3)), rel=2e-3)
    # one stretch of eight minutes stands for the distribution
    assert coefficient[number] == pytest.approx(share * best(made()), abs=0.04 * best(made()))


def test_a_steady_wind_is_all_or_nothing():
    case = made(0.0)
    coefficient, _, _ = coefficients(case)
    assert coefficient[0] == pytest.approx(0.0, abs=0.0)  # no air moves
    assert coefficient[1] == pytest.approx(0.0, abs=1e-9)
    assert coefficient[3] == pytest.approx(best(case), rel=1e-6)


def test_traffic_below_the_cut_in_still_gives_power(gusty):
    """Where the effective speed put through the cut-in would give nothing."""
    coefficient, cube, mean = gusty
    effective = np.cbrt(cube[4])
    assert np.all(effective < CUT_IN)
    assert np.all(coefficient[4] > 0.05 * best(made()))
    assert np.all((coefficient >= 0.0) & (coefficient <= BETZ))
    assert np.all(mean[1:] <= np.cbrt(cube[1:]))


def test_stretches_are_few_and_those_of_wind_alone_have_no_vehicles():
    power = power_of(made())
    assert len(power.stretches) <= STRETCHES + 1
    assert {s.state for s in power.stretches if not s.alone} == {4, 5}  # all that have vehicles
    (wind,) = [s.state for s in power.stretches if s.alone]
    assert wind in (1, 2, 3)


def test_failed_stretches_and_states_leave_the_others():
    case = made()
    power = power_of(case)
    cube, mean = np.full((6, 2), 4.0), np.full((6, 2), 1.4)
    cube[5, 1] = np.nan
    results = [compute_stretch(task) if k else None for k, task in enumerate(power.tasks())]
    found = power.coefficient(results, cube, mean)
    assert np.isnan(found).tolist() == [[False] * 2] * 5 + [[False, True]]
    nothing = power.coefficient([None] * len(results), cube, mean)
    assert np.isnan(nothing).all()


def test_states_as_hours_are_the_same_cases():
    """Flows, speeds and wind: the air of an hour is that of the state."""
    case = made()
    values = {
        "flow_veh_h": 400.0, "heavy_share": 0.2, "speed_factor": 0.9, "direction_split": 0.4,
        "wind_speed_m_s": 1.5, "wind_angle_deg": 40.0,
    }  # fmt: skip
    state = state_case(case, values)
    hours = hours_of_states(case, [state], np.array([0.9]))
    assert hours.flow_veh_h.sum() == pytest.approx(400.0 / 0.4)
    mount = case.mounts[0]
    cube, mean, _ = moments_of(hours.case(0))
    known, _ = rotor_statistics_from(state, [(mount.offset_m, mount.height_m)], 1.2, None)
    assert np.cbrt(cube[0]) == pytest.approx(known["effective_speed"][0], rel=1e-3)
    assert mean[0] == pytest.approx(known["rotor_mean"][0], rel=1e-3)


def test_places_count_by_their_distance_from_the_lane():
    case = made()
    found = place_features(case, np.array([[1.0, 2.0], [2.0, 2.0], [9.0, 2.0], [9.0, 4.0]]))
    assert found[0].tolist() == pytest.approx([0.0, np.log(2.0)])
    assert found[2, 0] > found[1, 0] >= found[0, 0]
    assert found[3, 1] - found[2, 1] == pytest.approx(np.log(2.0))


def test_a_steady_series_answers_alike_for_every_exponent():
    case = made(0.0)
    rotor = rotor_of(case, case.mounts[0])
    air = np.full(4000, 2.0)
    table = response_table(rotor, air, air, 0.05, 1.2)
    for peaked in (0.0, 0.3, 2.0):
        found = table(np.array([1.2, 2.0]), np.full(2, peaked)).mean(axis=0)
        assert found == pytest.approx([0.0, best(case)], abs=1e-9)


@pytest.mark.parametrize(
    ("keys", "low", "high"),
    [('response = "fixed_speed"\nshaft_speed_rpm = 60.0', 6.28318, 6.28319),
     ('response = "fixed_speed"', 1.0, 40.0)],
)  # fmt: skip
def test_a_rotor_at_fixed_speed_is_held_at_one(keys, low, high):
    power = power_of(made(rotor=f'[rotor]\nkind = "drag"\n{keys}\n'))
    assert low < power.shaft_speed_rad_s < high
    assert {task.shaft_speed_rad_s for task in power.tasks()} == {power.shaft_speed_rad_s}
    assert power_of(made()).shaft_speed_rad_s is None
