"""Traffic turbulence: published form and constants, and the observed growth it must agree with."""

from __future__ import annotations

import math

import numpy as np
import pytest

from wakesim.validation.quantities.traffic_scaling import (
    area_share,
    mixing_length,
    traffic_diffusivity,
    traffic_sigma_w,
)


def test_published_form():
    # 0.3 * 15 m/s * sqrt(0.04) = 0.9 m/s
    assert traffic_sigma_w(15.0, 0.04) == pytest.approx(0.9)
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
    # sigma_z = 1.8 m + 0.11 m/s t (Benson 1979): K = sigma_z dsigma_z/dt
    observed = 0.11 * (1.8 + 0.11 * np.array([0.0, 16.0]))
    np.testing.assert_allclose(observed, [0.2, 0.4], atol=0.01)
    share = area_share(1500.0 / 3600.0, 30.0, 4.4 * 1.8, 7.3)
    k = traffic_diffusivity(traffic_sigma_w(30.0, share), mixing_length(1.5))
    assert observed[0] < k < observed[1]


def test_refuses_nonsense():
    with pytest.raises(ValueError, match="speed"):
        area_share(0.1, 0.0, 8.0, 7.0)
    with pytest.raises(ValueError, match="flow"):
        area_share(-0.1, 20.0, 8.0, 7.0)
    with pytest.raises(ValueError, match="cover"):
        traffic_sigma_w([20.0, 20.0], [0.6, 0.6])
    with pytest.raises(ValueError, match="height"):
        mixing_length(0.0)
