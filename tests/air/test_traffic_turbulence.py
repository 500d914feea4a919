"""Traffic turbulence: published form and constants, and the observed growth it must agree with."""

from __future__ import annotations

import math

import numpy as np
import pytest

from wakesim.air.profiles import friction_velocity, log_profile
from wakesim.air.traffic_turbulence import (
    DIFFUSIVITY_RANGE_M2_S,
    area_share,
    combined_sigma_w,
    diffusivity_profile,
    mixed_layer_diffusivity,
    mixing_length,
    traffic_diffusivity,
    traffic_sigma_w,
)


def test_published_form():
    # 0.3 * 15 m/s * sqrt(0.04) = 0.9 m/s; with 4 m/s of wind sqrt(0.4^2 + 0.9^2).
    assert traffic_sigma_w(15.0, 0.04) == pytest.approx(0.9)
    assert combined_sigma_w(4.0, 0.9) == pytest.approx(math.hypot(0.4, 0.9))
    assert combined_sigma_w(0.0, 0.9) == pytest.approx(0.9)
    assert traffic_sigma_w(15.0, 0.04, traffic_share=0.15) == pytest.approx(0.45)


def test_share_of_the_road_is_what_stands_on_it():
    # 36 vehicles of 8 m2 on each kilometre of a 7.2 m wide carriageway.
    share = area_share(36.0 * 25.0 / 1000.0, 25.0, 8.0, 7.2)
    assert share == pytest.approx(36 * 8.0 / 7200.0)


def test_classes_add_by_variance():
    whole = traffic_sigma_w(30.0, 0.03)
    assert traffic_sigma_w([30.0, 30.0, 30.0], [0.01, 0.015, 0.005]) == pytest.approx(whole)
    assert traffic_sigma_w([30.0, 25.0], [0.03, 0.02]) == pytest.approx(
        math.hypot(whole, traffic_sigma_w(25.0, 0.02))
    )
    assert traffic_sigma_w(30.0, 0.0) == 0.0


def test_main_road_agrees_with_the_observed_mixed_layer():
    observed = mixed_layer_diffusivity(np.array([0.0, 16.0]))
    np.testing.assert_allclose(observed, [0.2, 0.4], atol=0.01)
    share = area_share(1500.0 / 3600.0, 30.0, 4.4 * 1.8, 7.3)
    k = traffic_diffusivity(traffic_sigma_w(30.0, share), mixing_length(1.5))
    assert observed[0] < k < observed[1]


@pytest.mark.parametrize("flow_veh_h", [300.0, 1500.0, 4000.0])
def test_stated_range_covers_roads_from_quiet_to_full(flow_veh_h):
    share = area_share(np.array([0.85, 0.15]) * flow_veh_h / 3600.0, [31.0, 24.0], [7.9, 41.0], 7.3)
    height = 0.85 * 1.5 + 0.15 * 4.0
    k = traffic_diffusivity(traffic_sigma_w([31.0, 24.0], share), mixing_length(height))
    assert DIFFUSIVITY_RANGE_M2_S[0] < k < DIFFUSIVITY_RANGE_M2_S[1]


def test_profile_limits():
    z = np.array([0.0, 1e-6, 0.8, 1e6])
    k = diffusivity_profile(z, 0.5, 0.8)
    assert k[0] == 0.0
    assert k[1] / z[1] == pytest.approx(0.5 / 0.8, rel=1e-5)
    assert k[2] == pytest.approx(0.25)
    assert k[3] == pytest.approx(0.5, rel=1e-5)
    with_wind = diffusivity_profile(z[:3], 0.5, 0.8, 0.3)
    np.testing.assert_allclose(with_wind - k[:3], 0.4 * 0.3 * z[:3])
    assert diffusivity_profile(1e6, 0.5, 0.8, 0.3) == 20.0
    assert diffusivity_profile(1e6, 0.5, 0.8, 0.3, largest_m2_s=3.0) == 3.0


def test_friction_velocity_is_that_of_the_log_law():
    u = friction_velocity(5.0, 10.0, 0.03, 0.5)
    z = np.array([2.0, 6.0])
    np.testing.assert_allclose(
        u / 0.4 * np.log((z - 0.5) / 0.03), log_profile(z, 5.0, 10.0, 0.03, 0.5)
    )
    assert friction_velocity(-5.0, 10.0, 0.03, 0.5) == u


def test_refuses_nonsense():
    with pytest.raises(ValueError, match="speed"):
        area_share(0.1, 0.0, 8.0, 7.0)
    with pytest.raises(ValueError, match="flow"):
        area_share(-0.1, 20.0, 8.0, 7.0)
    with pytest.raises(ValueError, match="cover"):
        traffic_sigma_w([20.0, 20.0], [0.6, 0.6])
    with pytest.raises(ValueError, match="height"):
        mixing_length(0.0)
    with pytest.raises(ValueError, match="mixing length"):
        diffusivity_profile(1.0, 0.5, 0.0)
    with pytest.raises(ValueError, match="at least 0"):
        diffusivity_profile(1.0, -0.5, 1.0)
    with pytest.raises(ValueError, match="heights"):
        diffusivity_profile(-1.0, 0.5, 1.0)
    with pytest.raises(ValueError, match="reference height"):
        friction_velocity(5.0, 0.02, 0.03)
