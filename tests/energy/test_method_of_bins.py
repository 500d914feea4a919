"""Annual energy against a hand-worked example, closed forms and quadrature."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import integrate, stats

from wakesim.energy.method_of_bins import annual_energy_kwh, weibull_distribution


def test_hand_worked_example() -> None:
    # Rayleigh, mean 5 m/s: F(v) = 1 - exp(-pi/4 (v/5)^2); curve 3, 4, 5, 6 m/s: 0, 20, 50, 100 W
    # F(3) = 0.246287, F(4) = 0.395077, F(5) = 0.544062, F(6) = 0.677281
    # sum = 10 x 0.148791 + 35 x 0.148984 + 75 x 0.133219 = 16.693798 W
    def rayleigh(v: np.ndarray) -> np.ndarray:
        return 1.0 - np.exp(-math.pi / 4.0 * (v / 5.0) ** 2)

    found = annual_energy_kwh([3, 4, 5, 6], [0, 20, 50, 100], rayleigh, hours=8760.0)
    assert found == pytest.approx(16.693798 * 8.760, rel=1e-5)


@pytest.mark.parametrize("shape", [1.5, 2.0, 3.0])
def test_cubic_curve_in_a_weibull_wind_meets_the_closed_form(shape: float) -> None:
    speed = np.linspace(0.01, 60.0, 6000)
    found = annual_energy_kwh(speed, 0.5 * speed**3, weibull_distribution(4.0, shape), 1000.0)
    assert found == pytest.approx(0.5 * 64.0 * math.gamma(1 + 3 / shape), rel=1e-5)


def test_limited_curve_against_quadrature() -> None:
    speed = np.linspace(1.2, 25.0, 2000)
    power = np.minimum(0.2 * speed**3, 300.0)
    wind = stats.weibull_min(2.2, scale=6.0)
    exact, _ = integrate.quad(
        lambda v: min(0.2 * v**3, 300.0) * wind.pdf(v), 1.2, 25.0, points=[1500 ** (1 / 3)]
    )
    found = annual_energy_kwh(speed, power, wind.cdf, 1000.0)
    # the half bin below the first point carries at most P_1/2 of its share
    assert found == pytest.approx(exact, abs=0.5 * power[0] * 0.1)


def test_nonsense_is_refused() -> None:
    with pytest.raises(ValueError, match="rise"):
        annual_energy_kwh([3, 2], [0, 1], weibull_distribution(4.0, 2.0))
    with pytest.raises(ValueError, match="above 0"):
        weibull_distribution(0.0, 2.0)
