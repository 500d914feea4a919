"""Claim check against hand-worked arithmetic and laws."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wakesim.energy.bounds import BETZ
from wakesim.energy.claims import Claim, Place, check_claim

POST = Place("the post", 0.56, 0.38, 1.92, drag_power_w_m=100.0)


def value(check, name: str) -> float:
    return next(i.value for i in check.implied if i.name == name)


def test_the_trade_figure_needs_34_6_square_metres_for_each_kilowatt() -> None:
    # common practice, no published source: 5.4 m/s, power coefficient 0.30, 1.225 kg/m3
    check = check_claim(Claim(power_w=1000.0, speed_m_s=5.4, power_coefficient=0.30))
    assert value(check, "output per swept area") == pytest.approx(28.9, abs=0.05)
    assert value(check, "swept area per kilowatt") == pytest.approx(34.6, abs=0.05)
    assert value(check, "swept area the stated power needs") == pytest.approx(34.6, abs=0.05)


def test_more_than_betz_is_a_contradiction_with_its_factor() -> None:
    # 1/2 x 1.225 x 125 x 2 = 153.125 W of flux; 200 W is C_p 1.306
    check = check_claim(Claim(power_w=200.0, speed_m_s=5.0, area_m2=2.0))
    assert value(check, "power coefficient implied") == pytest.approx(200 / 153.125)
    finding = next(f for f in check.findings if f.kind == "contradiction")
    assert finding.factor == pytest.approx(200 / 153.125 * 27 / 16)


def test_a_kilowatt_from_two_square_metres_names_the_missing_area() -> None:
    claim = Claim(power_w=1000.0, speed_m_s=5.4, power_coefficient=0.30, area_m2=2.0)
    check = check_claim(claim)
    factors = [f.factor for f in check.findings if f.kind == "contradiction"]
    assert any(f == pytest.approx(34.55 / 2.0, rel=2e-3) for f in factors)


def test_more_energy_than_power_times_a_day() -> None:
    check = check_claim(Claim(power_w=100.0, daily_energy_kwh=4.8))
    assert value(check, "mean output") == pytest.approx(200.0)
    assert [f.factor for f in check.findings] == [pytest.approx(2.0)]


def test_load_not_covered_by_the_stated_energy() -> None:
    check = check_claim(Claim(daily_energy_kwh=2.0, count=3, daily_load_kwh=8.0, loads=3))
    assert value(check, "share of the load covered, as stated") == pytest.approx(0.25)
    assert [f.factor for f in check.findings] == [pytest.approx(4.0)]


def test_energy_against_the_place_even_without_losses() -> None:
    claim = Claim(daily_energy_kwh=1.0, area_m2=2.0)
    check = check_claim(claim, POST)
    most = BETZ * 0.5 * 1.225 * 1.92**3 * 2.0
    finding = check.findings[0]
    assert finding.kind == "beyond the place"
    assert finding.factor == pytest.approx(1000.0 / 24.0 / most)


def test_energy_needs_more_than_all_drag_work() -> None:
    claim = Claim(daily_energy_kwh=24.0, count=10, section_length_m=50.0)
    check = check_claim(claim, POST)
    assert value(check, "stated energy over that of the drag work") == pytest.approx(2.0)
    # not against a law: ambient wind may give the rest
    (finding,) = [f for f in check.findings if "all the work" in f.text]
    assert finding.kind == "beyond the place"
    assert finding.factor == pytest.approx(2.0)


def test_the_trade_speed_is_compared_with_the_place_in_the_cube() -> None:
    check = check_claim(Claim(speed_m_s=5.6), POST)
    (finding,) = check.findings
    assert finding.kind == "beyond the place"
    assert finding.factor == pytest.approx(10.0)


def test_a_modest_claim_agrees() -> None:
    claim = Claim(daily_energy_kwh=0.002, area_m2=2.0, power_coefficient=0.15)
    check = check_claim(claim, POST)
    assert {f.kind for f in check.findings} == {"agrees"}


def test_the_check_values_of_the_trade_are_consistent_in_themselves() -> None:
    # common practice, no published source: 5.4 m/s is 0.20 of 60 mph, cut-in 1.2 m/s
    claim = Claim(
        power_w=1000.0, speed_m_s=5.4, power_coefficient=0.30, area_m2=34.56,
        traffic_speed_m_s=60 * 0.44704, cut_in_m_s=1.2,
    )  # fmt: skip
    check = check_claim(claim)
    assert value(check, "speed of the air over that of the traffic") == pytest.approx(
        0.20, abs=0.005
    )
    assert {f.kind for f in check.findings} == {"agrees"}


def test_air_faster_than_the_traffic_or_slower_than_cut_in() -> None:
    fast = check_claim(Claim(speed_m_s=30.0, traffic_speed_m_s=25.0))
    slow = check_claim(Claim(speed_m_s=1.0, cut_in_m_s=2.5))
    assert [f.factor for f in fast.findings] == [pytest.approx(1.2)]
    assert [f.factor for f in slow.findings] == [pytest.approx(2.5)]
    assert fast.findings[0].kind == slow.findings[0].kind == "contradiction"


@pytest.mark.parametrize("coefficient", [0.593, 0.59])
def test_betz_as_people_round_it_is_no_contradiction(coefficient: float) -> None:
    assert not check_claim(Claim(power_coefficient=coefficient, speed_m_s=4.0)).findings


def test_less_than_the_coefficient_gives_may_be_losses() -> None:
    # 0.3 x 1/2 x 1.225 x 64 x 2 = 23.52 W at the shaft, 16 W stated
    claim = Claim(power_w=16.0, speed_m_s=4.0, power_coefficient=0.3, area_m2=2.0)
    (finding,) = check_claim(claim).findings
    assert finding.kind == "agrees"
    assert finding.factor == pytest.approx(16.0 / 23.52)


def test_a_place_without_interval_and_its_gusts() -> None:
    place = Place("the post", 0.5, gust_m_s=2.25)
    check = check_claim(Claim(speed_m_s=1.0, daily_energy_kwh=1.0, area_m2=2.0), place)
    assert [f.kind for f in check.findings] == ["beyond the place"] * 2


def test_the_density_of_the_place_is_its_own() -> None:
    place = Place("the post", 1.0, density_kg_m3=0.6125)
    check = check_claim(Claim(speed_m_s=1.0, power_coefficient=0.5), place)
    assert value(check, "swept area per kilowatt") == pytest.approx(1000 / (0.5 * 0.6125))
    assert value(check, "swept area per kilowatt at the place") == pytest.approx(
        2 * value(check, "swept area per kilowatt")
    )


@pytest.mark.parametrize("value", [0.0, -1.0, math.nan, math.inf])
def test_figures_must_be_positive(value: float) -> None:
    with pytest.raises(ValueError, match="power_w"):
        Claim(power_w=value)


@given(
    speed=st.floats(0.5, 15), area=st.floats(0.1, 50), coefficient=st.floats(0.01, BETZ),
    density=st.floats(0.9, 1.4),
)  # fmt: skip
def test_a_claim_made_by_the_law_never_contradicts_itself(
    speed: float, area: float, coefficient: float, density: float
) -> None:
    power = coefficient * 0.5 * density * speed**3 * area
    claim = Claim(
        power_w=power, speed_m_s=speed, power_coefficient=coefficient, area_m2=area,
        daily_energy_kwh=24e-3 * power,
    )  # fmt: skip
    check = check_claim(claim, density_kg_m3=density)
    bad = [f for f in check.findings if f.kind == "contradiction" and f.factor > 1.0 + 1e-9]
    assert not bad
    assert value(check, "speed the stated power needs") == pytest.approx(speed)
