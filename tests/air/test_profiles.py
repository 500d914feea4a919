from __future__ import annotations

import csv
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wakesim.air.profiles import (
    ambient_velocity,
    friction_velocity,
    log_profile,
    power_profile,
    wind_speed,
)
from wakesim.runtime import shared_path


def _wind(**changes):
    settings = {
        "speed_m_s": 5.0,
        "angle_deg": 90.0,
        "reference_height_m": 10.0,
        "profile": "log",
        "roughness_m": 0.03,
        "displacement_m": 0.0,
        "exponent": 0.14,
    }
    return SimpleNamespace(**(settings | changes))


@pytest.mark.parametrize("profile", ["log", "power"])
@pytest.mark.parametrize("displacement", [0.0, 2.0])
def test_reference_speed_at_reference_height(profile, displacement):
    wind = _wind(profile=profile, displacement_m=displacement)
    assert wind_speed(wind, 10.0) == pytest.approx(5.0, rel=1e-14)


def test_log_law_values():
    heights = np.array([0.03, 0.3, 3.0, 30.0])
    speeds = log_profile(heights, 2.0, 0.3, 0.03)
    np.testing.assert_allclose(speeds, [0.0, 2.0, 4.0, 6.0], atol=1e-12)
    shifted = log_profile(heights + 1.5, 2.0, 1.8, 0.03, 1.5)
    np.testing.assert_allclose(shifted, speeds, atol=1e-12)


def test_power_law_values():
    speeds = power_profile([-1.0, 0.0, 1.25, 10.0, 80.0], 4.0, 10.0, 1.0 / 3.0)
    np.testing.assert_allclose(speeds, [0.0, 0.0, 2.0, 4.0, 8.0], rtol=1e-14)
    np.testing.assert_array_equal(power_profile([-1.0, 0.0, 1.0], 4.0, 10.0, 0.0), [0.0, 0.0, 4.0])


def test_no_wind_below_displacement_and_roughness():
    heights = np.array([-0.5, 0.0, 1.0, 2.03])
    np.testing.assert_allclose(
        wind_speed(_wind(displacement_m=2.0, reference_height_m=10.0), heights), 0.0, atol=1e-12
    )


def test_slope_of_the_log_law_matches_the_roughness_table():
    """d ln U / d ln z at 3 m is 1/ln(3/z0), tabulated for the terrain classes."""
    lines = shared_path("reference", "roughness.csv").read_text().splitlines()
    rows = [row for row in csv.DictReader(lines) if row["power_alpha_3m_ref"]]
    assert len(rows) >= 5
    for row in rows:
        step = 1e-4
        low, high = log_profile([3.0 - step, 3.0 + step], 5.0, 10.0, float(row["z0_m"]))
        slope = np.log(high / low) / np.log((3.0 + step) / (3.0 - step))
        assert slope == pytest.approx(float(row["power_alpha_3m_ref"]), abs=6e-4)


@given(
    angle=st.floats(-720.0, 720.0),
    speed=st.floats(0.0, 40.0),
    height=st.floats(0.05, 100.0),
    profile=st.sampled_from(["log", "power"]),
)
def test_ambient_vector_keeps_speed_and_direction(angle, speed, height, profile):
    wind = _wind(angle_deg=angle, speed_m_s=speed, profile=profile)
    u, v = ambient_velocity(wind, height)
    expected = float(wind_speed(wind, height))
    assert np.hypot(u, v) == pytest.approx(expected, rel=1e-12, abs=1e-15)
    assert u == pytest.approx(expected * np.cos(np.radians(angle)), abs=1e-9)
    opposite = ambient_velocity(_wind(angle_deg=angle + 180.0, speed_m_s=speed, profile=profile), 2)
    same = ambient_velocity(wind, 2)
    np.testing.assert_allclose(opposite, -np.array(same), atol=1e-9)


def test_direction_convention():
    u, v = ambient_velocity(_wind(angle_deg=0.0), [1.0, 10.0])
    np.testing.assert_allclose((u[1], v[1]), (5.0, 0.0), atol=1e-12)
    u, v = ambient_velocity(_wind(angle_deg=90.0), [1.0, 10.0])
    np.testing.assert_allclose((u[1], v[1]), (0.0, 5.0), atol=1e-12)
    assert v[0] < v[1]


def test_still_air_is_zero():
    u, v = ambient_velocity(None, np.ones((3, 2)))
    assert u.shape == v.shape == (3, 2)
    assert not u.any()
    assert not v.any()


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"profile": "spiral"}, "unknown wind profile"),
        ({"roughness_m": 0.0}, "roughness"),
        ({"displacement_m": -1.0}, "displacement"),
        ({"displacement_m": 9.98}, "reference height"),
        ({"profile": "power", "reference_height_m": 0.0}, "reference height"),
        ({"profile": "power", "exponent": -0.1}, "exponent"),
    ],
)
def test_impossible_profiles_are_refused(changes, words):
    with pytest.raises(ValueError, match=words):
        wind_speed(_wind(**changes), 2.0)


def test_friction_velocity_is_that_of_the_log_law():
    u = friction_velocity(5.0, 10.0, 0.03, 0.5)
    z = np.array([2.0, 6.0])
    np.testing.assert_allclose(
        u / 0.4 * np.log((z - 0.5) / 0.03), log_profile(z, 5.0, 10.0, 0.03, 0.5)
    )
    assert friction_velocity(-5.0, 10.0, 0.03, 0.5) == u
    with pytest.raises(ValueError, match="reference height"):
        friction_velocity(5.0, 0.02, 0.03)
