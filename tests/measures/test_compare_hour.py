"""A short march of every vehicle beside the balance and beside superposition."""

from __future__ import annotations

import numpy as np
import pytest
from one_lane_road import text_of

from wakesim.case.load import load_case_text
from wakesim.measures.whole_hour import compare_hour

# one class, no lorries: a few minutes of them are already near their mean
CARS = {"heavy": 0.0, "light_mix": "{ small_car = 1.0 }", "flow": 1800, "hours": 0.05}


def test_march_balance_and_superposition_agree_for_dense_traffic_of_one_class():
    case = load_case_text(text_of(**CARS))
    told = []
    whole = compare_hour(case, case.mounts[0], run_in_s=60.0, say=told.append)
    assert whole.hour == 0
    # 240 s of 1800 vehicles an hour
    assert whole.passes == pytest.approx(120, abs=4 * np.sqrt(120))
    assert whole.march_u_m_s.shape == whole.balance_u_m_s.shape == (whole.y_m.size, whole.z_m.size)
    near = (np.abs(whole.y_m) < 8.0)[:, None] & (whole.z_m < 4.0)
    march, balance = whole.march_u_m_s[near], whole.balance_u_m_s[near]
    assert march.mean() == pytest.approx(balance.mean(), rel=0.15)
    assert np.corrcoef(march, balance)[0, 1] > 0.95
    assert whole.mean_u_march_m_s == pytest.approx(whole.mean_u_superposed_m_s, rel=0.15)
    assert whole.effective_march_m_s == pytest.approx(whole.effective_superposed_m_s, rel=0.15)
    assert told == sorted(told)
