"""Winds of the year against the moments of the Weibull distribution, and their order."""

from __future__ import annotations

import math

import numpy as np
import pytest
from one_lane_road import text_of

from wakesim.case.energy import EnergyTable, WindRoseTable, WindState
from wakesim.case.load import load_case_text
from wakesim.energy.winds import wind_of_hours, year_winds

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
