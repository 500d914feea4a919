"""Yield bookkeeping against hand-worked sums and conservation of energy."""

from __future__ import annotations

import calendar
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from one_lane_road import text_of

from wakesim.case.energy import EnergyTable, WindRoseTable, WindState
from wakesim.case.load import load_case_text
from wakesim.energy.yields import (
    coverage,
    row_factor,
    wind_of_hours,
    year_hours,
    year_winds,
    year_yield,
)


@pytest.mark.parametrize("year", [2024, 2025])
def test_hours_of_a_year_follow_the_calendar(year: int) -> None:
    hours = year_hours(year)
    days = 366 if calendar.isleap(year) else 365
    assert hours.hour.size == 24 * days
    for month in range(1, 13):
        assert np.count_nonzero(hours.month == month) == 24 * calendar.monthrange(year, month)[1]
    sundays = sum(
        calendar.weekday(year, m, d) == 6
        for m in range(1, 13)
        for d in range(1, calendar.monthrange(year, m)[1] + 1)
    )
    assert np.count_nonzero(hours.day_type == 2) == 24 * sundays


def test_a_year_by_hand() -> None:
    hours = year_hours(2025)  # 261 weekdays, 52 Saturdays, 52 Sundays
    power = np.zeros((3, 24, 2))
    power[0, 8] = [10.0, 30.0]
    power[1, 8] = [4.0, 8.0]
    found = year_yield(hours, power, [1.0, 3.0], wind_probability=[0.75, 0.25], standby_w=0.5)
    assert found.annual_kwh == pytest.approx((261 * 15.0 + 52 * 5.0) / 1000)
    assert found.annual_without_traffic_kwh == pytest.approx(1.5 * 8760 / 1000)
    assert found.annual_net_kwh == pytest.approx(found.annual_kwh - 4.38)
    assert found.monthly_kwh().sum() == pytest.approx(found.annual_kwh)
    assert found.daily_kwh().sum() == pytest.approx(found.annual_kwh)
    assert found.added_by_traffic_kwh == pytest.approx(
        found.annual_kwh - found.annual_without_traffic_kwh
    )


def test_the_wind_of_each_hour_is_used() -> None:
    hours = year_hours(2025)
    power = np.broadcast_to(np.array([1.0, 100.0]), (3, 24, 2))
    wind = (np.arange(8760) < 10).astype(int)
    found = year_yield(hours, power, [0.0, 50.0], wind_of_hour=wind)
    assert found.annual_kwh == pytest.approx((10 * 100 + 8750) / 1000)
    assert found.annual_without_traffic_kwh == pytest.approx(0.5)


def test_lamp_by_hand() -> None:
    # one hour makes 100 Wh, then 20 Wh needed in each of three; battery 50 Wh, no losses
    made, need = [100.0, 0.0, 0.0, 0.0], [0.0, 20.0, 20.0, 20.0]
    found = coverage(made, need, 50.0, 1.0)
    assert found.met_kwh == pytest.approx(0.050)
    assert found.spilled_kwh == pytest.approx(0.050)
    assert found.energy_share == pytest.approx(50 / 60)
    assert found.hour_share == pytest.approx(3 / 4)
    assert found.load_hour_share == pytest.approx(2 / 3)
    bare = coverage(made, need)
    assert bare.met_kwh == 0.0
    assert bare.spilled_kwh == pytest.approx(0.1)


@given(
    made=st.lists(st.floats(0, 100), min_size=1, max_size=30),
    need=st.floats(0, 60), battery=st.floats(0, 200), efficiency=st.floats(0.3, 1.0),
)  # fmt: skip
def test_no_energy_is_made_or_lost(
    made: list[float], need: float, battery: float, efficiency: float
) -> None:
    found = coverage(made, [need] * len(made), battery, efficiency)
    kept = found.met_kwh + found.spilled_kwh + found.lost_kwh + found.stored_kwh
    assert kept == pytest.approx(1e-3 * sum(made), abs=1e-9)
    assert -1e-12 <= found.met_kwh <= found.load_kwh + 1e-12


def test_standby_is_a_load_of_its_own() -> None:
    found = coverage([-5.0, 30.0], [10.0, 10.0])
    assert found.met_kwh == pytest.approx(0.010)
    assert found.energy_share == pytest.approx(0.5)


def test_a_row_is_never_more_than_its_rotors_and_recovers_with_spacing() -> None:
    assert row_factor(1, 10.0, 2.0) == 1.0
    factors = [row_factor(20, s, 2.0) for s in (5.0, 20.0, 100.0, 1e7)]
    assert np.all(np.diff(factors) > 0.0)
    assert factors[-1] == pytest.approx(1.0, abs=0.01)
    # second of two: one deficit, by hand: push 1.2, r^3 = 3 x .5 x .110318 x 1.2 x 20 = 3.97144
    radius = 3.97144 ** (1 / 3)
    deficit = 0.110318 * 1.2 / radius**2
    assert row_factor(2, 20.0, 2.0) == pytest.approx(0.5 * (1 + (1 - deficit) ** 3), rel=1e-5)


CASE = load_case_text(text_of())


@pytest.mark.parametrize("shape", [1.5, 2.0, 3.0])
def test_a_rose_keeps_mean_and_mean_cube_of_its_weibull_distribution(shape: float) -> None:
    table = EnergyTable(wind_rose=WindRoseTable(mean_speed_m_s=4.0, shape=shape))
    winds, share = year_winds(CASE, table)
    speed = np.array([w.speed_m_s for w in winds])
    scale = 4.0 / math.gamma(1 + 1 / shape)
    assert share.sum() == pytest.approx(1.0)
    assert share @ speed == pytest.approx(4.0)
    assert share @ speed**3 == pytest.approx(scale**3 * math.gamma(1 + 3 / shape))
    angle = np.radians([w.angle_deg for w in winds])
    assert abs(share @ np.exp(1j * angle)) < 1e-12  # alike from all directions


def test_what_the_shares_leave_is_still_air() -> None:
    table = EnergyTable(winds=(WindState(speed_m_s=3.0, angle_deg=90.0, share=0.4),))
    winds, share = year_winds(CASE, table)
    assert winds[1] is None
    assert share == pytest.approx([0.4, 0.6])
    assert winds[0] is not None
    assert winds[0].turbulence_intensity == 0.15
    assert year_winds(CASE, EnergyTable())[0] == (None,)  # the case's own air


def test_drawn_winds_keep_shares_and_spells() -> None:
    share = np.array([0.5, 0.3, 0.2])
    found = wind_of_hours(share, 200_000, 6.0, seed=4)
    assert np.bincount(found) / found.size == pytest.approx(share, abs=0.01)
    # a new draw once in six hours, which differs from the last with probability 1 - sum p^2
    changes = np.count_nonzero(np.diff(found)) / found.size
    assert changes == pytest.approx((1.0 - 0.38) / 6.0, rel=0.02)
    assert np.array_equal(found, wind_of_hours(share, 200_000, 6.0, seed=4))
    with pytest.raises(ValueError, match="at least 1 h"):
        wind_of_hours(share, 10, 0.5, seed=1)
