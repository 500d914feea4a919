from __future__ import annotations

import csv
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from wakesim.measures.effective import (
    effective_speed,
    energy_pattern_factor,
    mean_cube,
    power_density,
    share_above,
)
from wakesim.runtime import shared_path

SPEEDS = hnp.arrays(np.float64, st.integers(1, 60), elements=st.floats(0.0, 60.0, width=32))


def _weibull(k: float) -> tuple[np.ndarray, np.ndarray]:
    """Speeds and weights of a Weibull density: Gauss-Legendre in s with (v/c)^k = s^4."""
    nodes, weights = np.polynomial.legendre.leggauss(200)
    s = 1.5 * (nodes + 1.0)  # to s = 3, where exp(-81) is left
    return 7.0 * s ** (4.0 / k), weights * 4.0 * s**3 * np.exp(-(s**4))


def test_weibull_factors_of_the_reference_table():
    mpmath = pytest.importorskip("mpmath")
    rows = list(csv.DictReader(shared_path("reference", "epf_checks.csv").read_text().splitlines()))
    assert len(rows) >= 8
    for row in rows:
        k = float(row["k"])
        speed, weight = _weibull(k)
        exact = float(
            mpmath.gamma(1 + 3 / mpmath.mpf(k)) / mpmath.gamma(1 + 1 / mpmath.mpf(k)) ** 3
        )
        factor = energy_pattern_factor(speed, weight)
        assert factor == pytest.approx(exact, rel=1e-9)
        assert factor == pytest.approx(float(row["EPF_weibull"]), abs=6e-7)
        ratio = effective_speed(speed, weight) / float(np.sum(speed * weight) / weight.sum())
        assert ratio == pytest.approx(float(row["rmc_over_mean"]), abs=6e-7)


def test_rayleigh_factor_is_six_over_pi():
    assert energy_pattern_factor(*_weibull(2.0)) == pytest.approx(6.0 / math.pi, rel=1e-10)
    rng = np.random.default_rng(1)
    sample = np.hypot(*rng.standard_normal((2, 1_000_000)))
    assert energy_pattern_factor(sample) == pytest.approx(6.0 / math.pi, rel=0.01)


@pytest.mark.parametrize("amplitude", [0.0, 0.3, 1.0])
def test_sinusoid(amplitude):
    """v = 1 + a sin: mean cube 1 + 3 a^2 / 2 exactly."""
    phase = 2.0 * np.pi * np.arange(1000) / 1000
    speed = 4.0 * (1.0 + amplitude * np.sin(phase))
    exact = 1.0 + 1.5 * amplitude**2
    assert mean_cube(speed) == pytest.approx(64.0 * exact, rel=1e-12)
    assert effective_speed(speed) == pytest.approx(4.0 * exact ** (1.0 / 3.0), rel=1e-12)
    assert energy_pattern_factor(speed) == pytest.approx(exact, rel=1e-12)


@given(SPEEDS)
def test_effective_speed_is_between_mean_and_peak(speed):
    effective = effective_speed(speed)
    assert speed.mean() * (1.0 - 1e-12) <= effective <= speed.max() * (1.0 + 1e-12)
    factor = energy_pattern_factor(speed)
    if speed.max() > 0.0:
        assert factor >= 1.0 - 1e-12
        assert effective == pytest.approx(factor ** (1.0 / 3.0) * speed.mean(), rel=1e-9)
    else:
        assert math.isnan(factor)


@given(SPEEDS, st.floats(1e-3, 1e3))
def test_scaling(speed, factor):
    assert effective_speed(factor * speed) == pytest.approx(
        factor * effective_speed(speed), rel=1e-10, abs=1e-30
    )
    if speed.max() > 0.0:
        assert energy_pattern_factor(factor * speed) == pytest.approx(
            energy_pattern_factor(speed), rel=1e-10
        )


@given(SPEEDS, st.integers(1, 5), st.floats(0.1, 10.0))
def test_weights_stand_for_repetition(speed, times, unit):
    repeated = np.concatenate([speed, np.repeat(speed[:1], times)])
    weights = np.full(speed.size, unit)
    weights[0] *= 1 + times
    assert effective_speed(speed, weights) == pytest.approx(effective_speed(repeated), rel=1e-10)


def test_share_above_is_strict():
    assert share_above([0.0, 1.0, 1.2, 1.3, 5.0], 1.2) == 0.4
    assert share_above([0.0, 0.0], 0.0) == 0.0


def test_power_density_of_the_claim_check():
    """5.4 m/s at 1.225 kg/m3 and a power coefficient of 0.30: 28.9 W/m2."""
    assert 0.30 * power_density(5.4, 1.225) == pytest.approx(28.9, abs=0.05)


@pytest.mark.parametrize("bad", [[], [-0.1, 1.0], [np.nan], [np.inf, 1.0]])
def test_impossible_speeds_are_refused(bad):
    for measure in (effective_speed, energy_pattern_factor, lambda v: share_above(v, 1.0)):
        with pytest.raises(ValueError, match="speeds"):
            measure(bad)


def test_impossible_weights_are_refused():
    for weights in ([1.0], [1.0, -1.0], [0.0, 0.0], [np.nan, 1.0]):
        with pytest.raises(ValueError, match="weights"):
            effective_speed([1.0, 2.0], weights)
