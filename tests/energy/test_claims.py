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
    mean = 1000.0 / 24.0
    low, centre, high = (BETZ * 0.5 * 1.225 * v**3 * 2.0 for v in (0.38, 0.56, 1.92))
    (finding,) = check.findings
    assert finding.kind == "beyond the place"
    assert finding.factor == pytest.approx(mean / centre)
    assert finding.factor_range == pytest.approx((mean / high, mean / low))
    assert check.status == "contradicted"


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
    assert finding.factor_range == pytest.approx((5.6 / 1.92, 5.6 / 0.38))


def test_below_a_bound_is_no_support() -> None:
    claim = Claim(daily_energy_kwh=0.002, area_m2=2.0, power_coefficient=0.15)
    check = check_claim(claim, POST)
    # 0.15 x 1/2 x 1.225 x 0.56^3 x 2 = 0.0323 W at the place, 0.0833 W stated, high end 1.30 W
    (finding,) = check.findings
    assert finding.kind == "not excluded"
    assert finding.factor == pytest.approx(2.0 / 24.0 / (0.15 * 1.225 * 0.56**3))
    assert check.status == "not supported"


YEAR = POST.with_energy(10.0, 2.0, case_air_kwh=10.0, p90_kwh=4.0, p10_kwh=25.0)


@pytest.mark.parametrize(
    ("stated", "kind", "status"),
    [
        (30.0, "beyond the place", "contradicted"),
        (20.0, "within the range", "plausible"),
        (2.0, "within the range", "plausible"),
    ],
)
def test_a_year_against_the_computed_one(stated: float, kind: str, status: str) -> None:
    check = check_claim(Claim(annual_energy_kwh=stated), YEAR)
    (finding,) = check.findings
    assert finding.kind == kind
    assert finding.factor == pytest.approx(stated / 10.0)
    assert finding.factor_range == pytest.approx((stated / 25.0, stated / 4.0))
    assert check.status == status


def test_a_year_of_another_area_and_without_samples() -> None:
    place = POST.with_energy(10.0, 2.0)
    check = check_claim(Claim(annual_energy_kwh=40.0, area_m2=4.0), place)
    (finding,) = check.findings
    assert finding.factor == pytest.approx(2.0)
    # the rotor's energy goes with the cube of the effective speed
    low, high = ((0.56 / end) ** 3 * 2.0 for end in (1.92, 0.38))
    assert finding.factor_range == pytest.approx((low, high))


def test_the_range_of_a_year_in_winds_is_that_of_the_case_in_proportion() -> None:
    place = POST.with_energy(30.0, 2.0, case_air_kwh=10.0, p90_kwh=4.0, p10_kwh=25.0)
    assert (place.annual_low_kwh, place.annual_high_kwh) == pytest.approx((12.0, 75.0))


def test_a_day_and_a_year_must_be_the_same_energy() -> None:
    same = check_claim(Claim(daily_energy_kwh=0.02, annual_energy_kwh=7.305), YEAR)
    assert same.status == "plausible"
    assert same.findings[0].factor == pytest.approx(1.0)
    other = check_claim(Claim(daily_energy_kwh=0.02, annual_energy_kwh=3.6525), YEAR)
    assert [f.factor for f in other.findings if f.kind == "contradiction"] == [pytest.approx(0.5)]
    assert other.status == "contradicted"


def test_a_year_at_the_stated_speed_and_area_against_betz() -> None:
    # 16/27 x 1/2 x 1.225 x 5^3 x 2 m2 x 8766 h = 795.4 kWh
    most = BETZ * 0.5 * 1.225 * 125.0 * 2.0 * 8.766
    assert most == pytest.approx(795.4, abs=0.05)
    for stated, kind in ((1.2 * most, "contradiction"), (0.5 * most, "not excluded")):
        check = check_claim(Claim(annual_energy_kwh=stated, speed_m_s=5.0, area_m2=2.0))
        (finding,) = check.findings
        assert finding.kind == kind
        assert finding.factor == pytest.approx(stated / most)
    assert check.status == "not supported"


NOT_SUPPORTED = {
    "nothing": (Claim(), None),
    "a coefficient": (Claim(power_coefficient=0.3), None),
    "no place": (Claim(power_w=28.9, speed_m_s=5.4, power_coefficient=0.3, area_m2=1.0), None),
    "a power that nothing checks": (Claim(power_w=300.0, speed_m_s=0.5), POST),
    "a load without energy": (Claim(speed_m_s=0.5, daily_load_kwh=1.0), POST),
    "an energy without area": (Claim(speed_m_s=0.5, daily_energy_kwh=1.0), POST),
}


@pytest.mark.parametrize("name", NOT_SUPPORTED)
def test_what_nothing_contradicts_is_not_supported_by_that(name: str) -> None:
    claim, place = NOT_SUPPORTED[name]
    assert check_claim(claim, place).status == "not supported"


def test_plausible_needs_every_figure_borne_out() -> None:
    # 0.3 x 1/2 x 1.225 x 0.5^3 x 2 = 0.0459 W
    claim = Claim(
        speed_m_s=0.5, power_w=0.0459, power_coefficient=0.3, area_m2=2.0,
        annual_energy_kwh=0.4, daily_load_kwh=0.001,
    )  # fmt: skip
    assert check_claim(claim, YEAR).status == "plausible"
    assert check_claim(claim, POST).status == "not supported"


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
    check = check_claim(Claim(speed_m_s=1.0, daily_energy_kwh=0.01, area_m2=2.0), place)
    beyond = [f for f in check.findings if f.kind == "beyond the place"]
    assert [f.factor_range for f in beyond] == [None, None]


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
