from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import signal

from wakesim.air.noise import resolved_share, von_karman_noise, von_karman_spectrum
from wakesim.measures.spectra import velocity_spectrum


@given(
    n=st.integers(4, 3000),
    segment_s=st.floats(0.01, 200.0),
    dt=st.floats(0.01, 1.0),
    seed=st.integers(0, 10),
)
def test_integral_is_the_variance(n, segment_s, dt, seed):
    values = np.random.default_rng(seed).standard_normal(n).cumsum()
    frequency, power = velocity_spectrum(values, dt, segment_s)
    assert frequency.shape == power.shape
    assert frequency[0] == 0.0
    assert frequency[-1] <= 0.5 / dt * (1.0 + 1e-12)
    assert np.all(power >= 0.0)
    assert power.sum() * frequency[1] == pytest.approx(values.var(), rel=1e-10)


@pytest.mark.parametrize("hertz", [0.5, 2.0, 7.3])
def test_sinusoid_peaks_at_its_frequency(hertz):
    time = np.arange(40_000) * 0.05
    frequency, power = velocity_spectrum(3.0 + 2.0 * np.sin(2.0 * np.pi * hertz * time), 0.05, 60.0)
    step = frequency[1]
    assert frequency[np.argmax(power)] == pytest.approx(hertz, abs=step)
    near = np.abs(frequency - hertz) < 3.0 * step
    assert power[near].sum() * step == pytest.approx(2.0, rel=0.01)


@pytest.mark.parametrize("segment", [256, 255])
def test_against_an_independent_welch_estimate(segment):
    values = np.random.default_rng(3).standard_normal(50_000)
    values -= values.mean()
    frequency, power = velocity_spectrum(values, 0.1, segment * 0.1)
    other_frequency, other = signal.welch(
        values, 10.0, "hann", segment, noverlap=segment - segment // 2, detrend=False
    )
    np.testing.assert_allclose(frequency, other_frequency, rtol=1e-12)
    ratio = power / other
    np.testing.assert_allclose(ratio, ratio[0], rtol=1e-9)
    assert ratio[0] == pytest.approx(1.0, abs=0.01)


def test_recovers_the_turbulence_spectrum():
    dt, scale = 0.05, 1.0
    values = 1.5 * von_karman_noise(800_000, dt, scale, np.random.default_rng(2))
    frequency, power = velocity_spectrum(values, dt, 100.0)
    target = 2.25 * von_karman_spectrum(frequency, scale) / resolved_share(dt, scale)
    edges = np.geomspace(0.03, 9.0, 10)
    for low, high in pairwise(edges):
        band = (frequency >= low) & (frequency < high)
        error = 1.0 / np.sqrt(band.sum() * 400)
        assert np.mean(power[band] / target[band]) == pytest.approx(1.0, abs=4.0 * error + 0.01)


def test_slow_change_is_kept():
    time = np.arange(72_000) * 0.05
    frequency, power = velocity_spectrum(np.sin(2.0 * np.pi * time / 3600.0), 0.05, 60.0)
    assert power[:2].sum() * frequency[1] == pytest.approx(0.5, rel=0.01)


def test_constant_series_has_no_spectrum():
    _, power = velocity_spectrum(np.full(1000, 2.0), 0.05, 10.0)
    np.testing.assert_array_equal(power, 0.0)


def test_impossible_input_is_refused():
    for arguments in (
        (np.ones(3), 0.1, 1.0),
        (np.ones((5, 5)), 0.1, 1.0),
        (np.array([1.0, 2.0, np.nan, 1.0]), 0.1, 1.0),
        (np.ones(10), 0.0, 1.0),
        (np.ones(10), 0.1, 0.0),
    ):
        with pytest.raises(ValueError):
            velocity_spectrum(*arguments)
