from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wakesim.measures.effective import gust_peak, moving_mean


def test_moving_mean_against_direct_averages():
    speed = np.abs(np.random.default_rng(1).standard_normal(500))
    means = moving_mean(speed, 0.05, 1.0)
    direct = [speed[i : i + 20].mean() for i in range(481)]
    np.testing.assert_allclose(means, direct, rtol=1e-12)


@given(width=st.integers(1, 400), window=st.integers(1, 200))
def test_rectangular_pulse(width, window):
    """A pulse of height 6 and width w under an average over T peaks at 6 min(1, w/T)."""
    speed = np.zeros(1000)
    speed[300 : 300 + width] = 6.0
    peak = gust_peak(speed, 0.05, window * 0.05)
    assert peak == pytest.approx(6.0 * min(1.0, width / window), rel=1e-12)


def test_sinusoid_under_averaging():
    """Averaging over T scales an oscillation of frequency f by sin(pi f T)/(pi f T)."""
    time = np.arange(200_000) * 1e-3
    speed = 5.0 + 2.0 * np.sin(2.0 * np.pi * 0.2 * time)
    expected = 5.0 + 2.0 * np.sinc(0.2 * 3.0)
    assert gust_peak(speed, 1e-3, 3.0) == pytest.approx(expected, rel=1e-6)


def test_longer_averaging_lowers_the_peak():
    speed = np.abs(np.random.default_rng(1).standard_normal(5000))
    peaks = [gust_peak(speed, 0.1, t) for t in (0.1, 0.5, 3.0, 30.0, 500.0)]
    assert np.all(np.diff(peaks) < 0.0)
    assert peaks[0] == speed.max()
    assert peaks[-1] == pytest.approx(speed.mean())
    assert gust_peak(speed, 0.1, 1e6) == pytest.approx(speed.mean())


def test_impossible_input_is_refused():
    for arguments in (([], 0.1, 3.0), ([1.0], 0.0, 3.0), ([1.0], 0.1, 0.0), ([[1.0]], 0.1, 1.0)):
        with pytest.raises(ValueError):
            gust_peak(*arguments)
