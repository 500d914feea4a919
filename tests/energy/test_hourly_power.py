"""Hourly powers: closed forms of the wind alone, and what traffic and clearance must do."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pytest
from one_lane_road import text_of

from wakesim.case.load import load_case_text
from wakesim.case.schema import Case
from wakesim.energy.hourly_power import (
    Day,
    HourlyPower,
    MountPower,
    in_wind,
    on_day,
    rotor_of,
    whole_day,
)

RHO = 1.225
ROTOR = '[rotor]\nkind = "drag"\ncut_in_m_s = 0.6\n'
RESPONSES = ("inertial", "quasi_steady", "fixed_speed")
WINDY = "wind = { speed_m_s = 4.0, angle_deg = 30.0, roughness_m = 0.03 }"


def case_of(rotor: str = ROTOR, **changes: object) -> Case:
    one_class = {"light_mix": "{ panel_van = 1.0 }", "heavy": 0.0}
    return load_case_text(text_of(**(one_class | changes)) + rotor)


def states_of(case: Case, per_hour_s: float = 20.0) -> MountPower:
    mount = case.mounts[0]
    return MountPower(case, mount, rotor_of(case, mount), RHO, per_hour_s)


@cache
def still(flow: float, offset: float, share: float = 1.0) -> HourlyPower:
    """A day in still air; ``share`` of the flow, by day type."""
    return _still(flow, offset).with_traffic(None, Day(flow=share))


@cache
def _still(flow: float, offset: float) -> MountPower:
    return states_of(case_of(flow=flow, offset=offset))


def test_more_traffic_never_lowers_the_yield_in_still_air_on_a_one_way_road() -> None:
    found = [still(900.0, 1.5, share) for share in (1.0, 0.3, 0.0)][::-1]
    for response in RESPONSES:
        power = [float(p.electrical_w[response].sum()) for p in found]
        assert power[0] >= 0.0
        assert np.all(np.diff(power) > 0.0), response
    assert np.all(np.diff([p.mean_effective_speed_m_s for p in found]) > 0.0)


def test_a_larger_clearance_never_raises_it() -> None:
    found = [still(900.0, offset) for offset in (1.5, 2.5, 5.0)]
    for response in RESPONSES:
        power = [float(p.electrical_w[response].sum()) for p in found]
        assert np.all(np.diff(power) <= 0.0), response
    speed = [p.mean_effective_speed_m_s for p in found]
    assert np.all(np.diff(speed) < 0.0)


def test_betz_holds_in_every_hour() -> None:
    found = still(900.0, 1.5)
    for response in RESPONSES:
        assert np.all(found.electrical_w[response] <= 16 / 27 * found.available_w + 1e-12)


def test_no_traffic_in_still_air_is_nothing() -> None:
    found = states_of(case_of()).without_traffic(None)
    assert not found.available_w.any()
    assert not any(values.any() for values in found.electrical_w.values())
    assert math.isnan(found.capture_ratio("inertial"))
    assert not states_of(case_of()).with_traffic(None, Day(flow=0.0)).available_w.any()


def test_a_steady_wind_alone_meets_the_closed_form() -> None:
    # log law, v = 4 ln(z/0.03)/ln(10/0.03); the rotor's thirds are centred 1.5, 2.0, 2.5 m high
    case = case_of(air=WINDY)
    found = states_of(case).without_traffic(case.air.wind)
    cubes = [(4.0 * math.log(z / 0.03) / math.log(10.0 / 0.03)) ** 3 for z in (1.5, 2.0, 2.5)]
    flux = 0.5 * RHO * 0.9 * sum(cubes) / 3.0
    assert found.available_w == pytest.approx(np.full(24, flux), rel=1e-9)
    electrical = 0.15 * 0.72 * flux
    assert found.electrical_w["quasi_steady"] == pytest.approx(np.full(24, electrical), rel=1e-9)
    assert found.electrical_w["inertial"][-1] == pytest.approx(electrical, rel=1e-6)
    assert found.electrical_w["fixed_speed"][-1] == pytest.approx(electrical, rel=0.01)
    assert found.captured_speed_m_s[-1] == pytest.approx((sum(cubes) / 3.0) ** (1 / 3), rel=1e-6)
    assert found.effective_speed_m_s[0] == pytest.approx((sum(cubes) / 3.0) ** (1 / 3), rel=1e-9)


def test_a_shroud_takes_its_share_of_a_steady_wind() -> None:
    # open for air along +x only, half of it at right angles; the wind blows at 30 degrees
    case = case_of(ROTOR + "direction_weight = [1.0, 0.5, 0.0, 0.5]\n", air=WINDY)
    found = states_of(case).without_traffic(case.air.wind)
    bare = states_of(case_of(air=WINDY)).without_traffic(case.air.wind)
    weight = 1.0 - 0.5 * 30.0 / 90.0
    assert found.available_w == pytest.approx(weight * bare.available_w, rel=1e-9)


def test_the_fixed_shaft_speed_is_kept_from_state_to_state() -> None:
    found = {still(900.0, 1.5, share).shaft_speed_rad_s for share in (1.0, 0.3)}
    assert found == {_still(900.0, 1.5).rotor.shaft_speed_rad_s}
    given = case_of(ROTOR + 'response = "fixed_speed"\nshaft_speed_rpm = 30\n')
    assert rotor_of(given, given.mounts[0]).shaft_speed_rad_s == pytest.approx(math.pi)


def test_days_and_winds_change_only_what_they_name() -> None:
    case = case_of(heavy=0.6)
    moved = on_day(case, Day(flow=0.5, heavy=2.0))
    assert moved.traffic is not None
    assert case.traffic is not None
    old, new = case.traffic.flows[0], moved.traffic.flows[0]
    assert new.hourly_veh_h == tuple(0.5 * q for q in old.hourly_veh_h)
    assert new.heavy_share == (1.0,) * 24  # a share stays a share
    assert on_day(case, Day()) is case
    assert in_wind(case, None).air.still
    assert whole_day(case).compute.hours == tuple(range(24))
