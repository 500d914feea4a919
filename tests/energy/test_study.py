"""The energy of a mount: the year against its rotor_power, and every part the case asks for."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from energy_case import TABLES, case, computed

from wakesim.case.energy import PowerPoints
from wakesim.energy.bounds import bounds_at
from wakesim.energy.hourly_power import MountPower, rotor_of
from wakesim.energy.study import EnergyResult
from wakesim.energy.yields import row_factor, year_hours, year_yield
from wakesim.traffic.scene import field_settings


@pytest.fixture(scope="module")
def energy() -> EnergyResult:
    found = computed().mounts[0].energy
    assert found is not None
    return found


def test_the_year_is_the_sum_of_its_states_by_hand(energy: EnergyResult) -> None:
    # 2027: 261 weekdays, 104 days without traffic; 3/4 still air, 1/4 wind
    windy, still = energy.by_wind
    assert (windy.probability, still.probability) == pytest.approx((0.25, 0.75))
    assert still.wind is None
    assert still.without_traffic_w == 0.0
    weekday = 24e-3 * (0.25 * windy.with_traffic_w + 0.75 * still.with_traffic_w)
    weekend = 24e-3 * 0.25 * windy.without_traffic_w
    hours = energy.year.hours
    daily = energy.year.daily_kwh()
    kind = hours.day_type[::24]
    assert daily[kind == 0] == pytest.approx(np.full(261, weekday))
    assert daily[kind > 0] == pytest.approx(np.full(104, weekend))
    assert energy.year.annual_kwh == pytest.approx(daily.sum())
    assert energy.annual_kwh[energy.rotor.response] == pytest.approx(energy.year.annual_kwh)
    without = 8.76 * 0.25 * windy.without_traffic_w
    assert energy.year.annual_without_traffic_kwh == pytest.approx(without)
    assert energy.year.annual_net_kwh == pytest.approx(energy.year.annual_kwh - 8.76 * 0.01)


def test_the_air_of_the_case_all_year(energy: EnergyResult) -> None:
    weekday = 24e-3 * energy.power.mean_w
    assert energy.case_air_kwh == pytest.approx(261 * weekday)


def test_a_year_in_wind_alone_is_the_rotor_in_that_wind() -> None:
    # no vehicle on any day counts: 4 m/s at 10 m, log law, thirds centred 1.5, 2.0, 2.5 m high
    tables = '[rotor]\nkind = "drag"\nresponse = "quasi_steady"\ncut_in_m_s = 0.6\n'
    tables += "[energy]\nsample_per_hour_s = 20.0\nsaturday_flow = 0.0\nsunday_flow = 0.0\n"
    air = "wind = { speed_m_s = 4.0, angle_deg = 90.0, roughness_m = 0.03 }"
    one = case(tables, air=air)
    rotor = rotor_of(one, one.mounts[0])
    rotor_power = MountPower(one, one.mounts[0], rotor, 1.225, 20.0)
    power = rotor_power.without_traffic(one.air.wind).chosen_w
    year = year_yield(year_hours(2027), np.broadcast_to(power[:, None], (3, 24, 1)), [power.mean()])
    cubes = [(4.0 * math.log(z / 0.03) / math.log(10.0 / 0.03)) ** 3 for z in (1.5, 2.0, 2.5)]
    expected = 8.76 * 0.72 * 0.15 * 0.5 * 1.225 * 0.9 * np.mean(cubes)
    assert year.annual_kwh == pytest.approx(expected, rel=1e-9)
    assert year.added_by_traffic_kwh == pytest.approx(0.0, abs=1e-12)


def test_bounds_by_hand(energy: EnergyResult) -> None:
    # 900 panel vans an hour, alone: drag work times rate; one rotor every 20 m
    one = case()
    vehicle = next(iter(one.vehicles.values()))
    speed = vehicle.mean_speed_m_s or math.nan
    rho = energy.density_kg_m3
    drag = 0.5 * rho * vehicle.drag_coefficient * vehicle.frontal_area_m2 * speed**2 * 0.25
    b = energy.bounds
    assert b.drag_power_w_m == pytest.approx(drag)
    assert b.spacing_m == 20.0
    shaft = energy.power.mean_w / energy.rotor.conversion
    assert b.traffic_shaft_w == pytest.approx(shaft)
    assert b.drag_share == pytest.approx(shaft / (20.0 * drag))
    assert b.road_load.mechanical_kwh == pytest.approx(8.766 * shaft)
    assert 0.0 < b.wake_power_w_m < 0.5 * drag  # one side of the lane, and not all of it
    flux = 0.5 * rho * energy.power.mean_effective_speed_m_s**3 * 0.9
    assert b.betz_w == pytest.approx(16 / 27 * flux)
    assert energy.power.mean_w < b.betz_w


def test_only_what_the_traffic_adds_is_held_against_its_drag() -> None:
    one = case()
    mount = one.mounts[0]
    settings = field_settings(one)
    none = bounds_at(one, mount, settings, 1.2, 1.0, -0.5, 10.0)
    assert none.drag_share == none.traffic_shaft_w == 0.0


def test_wakes_of_both_directions_count_on_the_rotors_side() -> None:
    # a road and its mirror image: wakes bring as much beyond the rotor's edge in still air
    found = []
    for way, offset in (("forward", 1.5), ("backward", -1.5)):
        one = case(near=way, offset=offset)
        settings = field_settings(one)
        found.append(bounds_at(one, one.mounts[0], settings, 1.2, 1.0, 0.1, 10.0).wake_power_w_m)
    assert found[0] > 0.0
    assert found[0] == pytest.approx(found[1], rel=1e-12)


def test_load_row_claim_and_loads(energy: EnergyResult) -> None:
    coverage = energy.coverage
    assert coverage is not None
    assert coverage.load_kwh == pytest.approx(3.65)
    assert 0.0 < coverage.energy_share < 1.0
    assert coverage.met_kwh <= energy.year.annual_kwh
    assert energy.row_kwh == pytest.approx(4 * energy.year.annual_kwh)
    assert energy.row_factor == row_factor(4, 20.0, 0.9)
    assert energy.claim is not None
    assert "the mount m" in energy.claim.verdict
    assert [load.vehicle for load in energy.loads] == ["panel_van"]
    assert energy.gust_cycles_a_year == pytest.approx(900 * 8766)
    assert energy.loads[0].cycles_a_year == pytest.approx(900 * 8766)


def test_partial_days_are_counted_as_whole_ones(energy: EnergyResult) -> None:
    assert computed().case.compute.duration_h == 0.2
    assert energy.power.chosen_w.shape == (24,)
    assert energy.effective_speed_m_s == pytest.approx(energy.power.mean_effective_speed_m_s)


def test_a_power_curve_replaces_the_responses() -> None:
    one = case(TABLES.replace('"drag"', '"drag"\nresponse = "quasi_steady"'))
    one = replace(one, power_curve=PowerPoints((0.5, 2.0, 8.0), (0.0, 2.0, 90.0)))
    rotor = rotor_of(one, one.mounts[0])
    found = MountPower(one, one.mounts[0], rotor, 1.225, 20.0).with_traffic(None)
    assert list(found.electrical_w) == ["quasi_steady"]
    assert np.isnan(found.captured_speed_m_s).all()
    assert 0.0 < found.mean_w < 90.0
