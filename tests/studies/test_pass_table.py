"""Tables of single passes, against the signature of each pass and exact scalings."""

from __future__ import annotations

import numpy as np
import pytest
from grid_cases import pass_text

from wakesim.case.load import load_case_text
from wakesim.studies.pass_table import PASS_VARIABLES, PassRow, line_nodes, pass_row
from wakesim.studies.single_pass import signature
from wakesim.traffic.lines import LaneView
from wakesim.traffic.scene import field_settings

SPEEDS, HEIGHTS = (15.0, 25.0), (1.0, 2.0)


@pytest.fixture(scope="module")
def case():
    return load_case_text(pass_text())


@pytest.fixture(scope="module")
def row(case):
    return pass_row(PassRow(case, "artic_lorry_eu", 1.5, HEIGHTS, SPEEDS))


def test_every_pass_is_that_of_its_signature(case, row):
    vehicle, settings = case.vehicles["artic_lorry_eu"], field_settings(case)
    at = {"offset_m": 0.5 * vehicle.width_m + 1.5, "height_m": 2.0}
    one = signature(
        LaneView(vehicle, 0.0, 1, 25.0, 0.0), "x", case.mounts[0].model_copy(update=at), settings
    )
    assert row["int_u_dt"][1, 1] == pytest.approx(one.int_u_dt_m, rel=5e-3)
    assert row["int_speed2_dt"][1, 1] == pytest.approx(one.int_speed2_dt_m2_s, rel=5e-3)
    assert row["int_speed3_dt"][1, 1] == pytest.approx(one.int_speed3_dt_m3_s2, rel=5e-3)
    assert row["peak"][1, 1] == pytest.approx(one.peak_m_s, rel=2e-3)
    assert row["duration"][1, 1] == pytest.approx(one.duration_s, abs=0.06)


def test_frozen_fields_scale_with_the_speed(row):
    """The peak with V; the integral of the cube with V^2, and a little more, for wakes are followed
    to one age and a faster vehicle's is longer then."""
    assert set(row) == set(PASS_VARIABLES)
    assert row["peak"][1] == pytest.approx(row["peak"][0] * 25.0 / 15.0, rel=1e-9)
    ratio = row["int_speed3_dt"][1] / row["int_speed3_dt"][0]
    assert np.all(ratio > 0.99 * (25.0 / 15.0) ** 2)
    assert np.all(ratio < 1.25 * (25.0 / 15.0) ** 2)


def test_nodes_are_fine_beside_the_vehicle_and_fall():
    x = line_nodes(10.0, 50.0, 700.0)
    assert np.all(np.diff(x) < 0.0)
    assert x[0] <= 50.0
    assert x[-1] >= -700.0
    beside = (x < 10.0) & (x > -20.0)
    assert np.max(-np.diff(x[beside])) < 0.1001
    assert np.max(-np.diff(x)) < 2.01
