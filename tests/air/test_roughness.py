"""Roughness classes and the log law against the reference table."""

from __future__ import annotations

import csv
from typing import get_args

import numpy as np
import pytest

from wakesim.air.profiles import log_profile, power_profile
from wakesim.air.roughness import (
    power_exponent,
    power_exponent_between,
    roughness_class,
    roughness_classes,
    turbulence_intensity,
)
from wakesim.case.air import RoughnessName
from wakesim.errors import CaseError
from wakesim.runtime import shared_path

with shared_path("reference", "roughness.csv").open(encoding="utf-8") as _file:
    ROWS = list(csv.DictReader(_file))
FULL = [row for row in ROWS if row["power_alpha_3m_ref"]]


def test_the_reference_table_is_there():
    assert [len(ROWS), len(FULL)] == [8, 6]


@pytest.mark.parametrize("row", FULL, ids=lambda row: row["name"])
def test_formula_gives_the_columns_of_the_table(row):
    z0 = roughness_class(int(row["class"])).roughness_m
    assert z0 == float(row["z0_m"])
    assert power_exponent(3.0, z0) == pytest.approx(float(row["power_alpha_3m_ref"]), abs=5.1e-4)
    assert turbulence_intensity(3.0, z0) == pytest.approx(float(row["TI_3m_1_over_ln"]), abs=5.1e-4)


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["name"])
def test_look_up_by_number_and_every_name(row):
    for key in (int(row["class"]), *row["name"].split("/")):
        assert roughness_class(key).roughness_m == float(row["z0_m"])


def test_names_of_the_case_file_are_those_of_the_table():
    names = [name for entry in roughness_classes() for name in entry.names]
    assert names == list(get_args(RoughnessName))


@pytest.mark.parametrize("z0", [0.0002, 0.03, 0.5])
def test_power_law_is_tangent_to_the_log_law(z0):
    """Both profiles agree to second order in the step around the height of the exponent."""
    z = 4.0 * np.array([0.999, 1.001])
    reference = float(log_profile(4.0, 5.0, 10.0, z0))
    power = power_profile(z, reference, 4.0, float(power_exponent(4.0, z0)))
    np.testing.assert_allclose(power, log_profile(z, 5.0, 10.0, z0), rtol=2e-6)


@pytest.mark.parametrize("z0", [0.0002, 0.03, 0.5])
def test_power_law_between_two_heights_meets_the_log_law_at_both(z0):
    exponent = power_exponent_between(2.0, 10.0, z0)
    low = power_profile(2.0, 5.0, 10.0, exponent)
    assert low == pytest.approx(float(log_profile(2.0, 5.0, 10.0, z0)), rel=1e-12)


def test_one_seventh_power_is_open_land_between_10_and_50_m():
    """The textbook exponent 1/7 of smooth open land."""
    assert power_exponent_between(10.0, 50.0, 0.03) == pytest.approx(1 / 7, abs=0.012)


def test_displacement_lifts_the_ground():
    assert turbulence_intensity(5.0, 0.1, 2.0) == turbulence_intensity(3.0, 0.1)


@pytest.mark.parametrize(
    ("key", "part"),
    [("opne", "did you mean 'open'"), (9, "known: 1 to 8"), (True, "known: 1 to 8"), ("", "known")],
)
def test_unknown_class_is_refused_with_a_hint(key, part):
    with pytest.raises(CaseError, match=part):
        roughness_class(key)


@pytest.mark.parametrize(
    "call",
    [
        lambda: power_exponent(0.03, 0.03),
        lambda: power_exponent([5.0, 0.01], 0.03),
        lambda: turbulence_intensity(3.0, 0.0),
        lambda: turbulence_intensity(3.0, 0.1, -1.0),
        lambda: turbulence_intensity(float("nan"), 0.1),
        lambda: power_exponent_between(3.0, 3.0, 0.1),
    ],
)
def test_impossible_heights_are_refused(call):
    with pytest.raises(ValueError, match="must"):
        call()
