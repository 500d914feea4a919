"""Ambient turbulence against its target spectrum, variance and coherence, by scipy's estimators."""

from __future__ import annotations

import time
from itertools import pairwise

import numpy as np
import pytest
from scipy import integrate, signal, stats

from wakesim.air.ambient_turbulence import (
    COMPONENTS,
    SIGMA_RATIOS,
    coherence,
    coherent_series,
    length_scale,
    scale_parameter,
    spectrum,
)

FORMS = ("kaimal", "von_karman")
BOTH = [(form, component) for form in FORMS for component in COMPONENTS]
U = 4.0
# A rotor of 1 m x 2 m, its centre at 2 m, as a mount gives it.
_Y, _Z = np.meshgrid([-1 / 3, 0.0, 1 / 3], [4 / 3, 2.0, 8 / 3], indexing="ij")
ROTOR = np.column_stack([_Y.ravel(), _Z.ravel()])


def rng(seed: int) -> np.random.Generator:
    return np.random.default_rng(seed)


@pytest.mark.parametrize(("form", "component"), BOTH)
def test_spectra_integrate_to_the_variance(form, component):
    length, sigma = length_scale(2.0, component, form), 0.7
    total, _ = integrate.quad(
        lambda x: float(spectrum(np.exp(x), U, sigma, length, component, form)) * np.exp(x),
        -40.0,
        60.0,
        limit=400,
    )
    assert total == pytest.approx(sigma**2, rel=1e-7)


@pytest.mark.parametrize("component", COMPONENTS)
def test_kaimal_as_printed(component):
    """n S/sigma^2 = 4 x (1 + 6 x)^(-5/3), x = n L/U (Burton et al., eq. 2.23)."""
    for n, length in ((0.05, 11.0), (0.4, 3.0), (5.0, 40.0)):
        x = n * length / U
        printed = 4.0 * x / (1.0 + 6.0 * x) ** (5.0 / 3.0)
        assert n * spectrum(n, U, 2.0, length, component) / 4.0 == pytest.approx(printed)


def test_von_karman_as_printed():
    """u: 4 x (1 + 70.8 x^2)^(-5/6); v, w with half the length of u (eq. 2.24, 2.26)."""
    n = np.array([0.03, 0.3, 3.0])
    x = n * 5.0 / U
    along = n * spectrum(n, U, 1.0, 5.0, "u", "von_karman")
    np.testing.assert_allclose(along, 4 * x / (1 + 70.8 * x**2) ** (5 / 6), rtol=5e-4)
    x = n * 2.5 / U
    printed = 4 * x * (1 + 755.2 * x**2) / (1 + 283.2 * x**2) ** (11 / 6)
    for component in ("v", "w"):
        across = n * spectrum(n, U, 1.0, 5.0, component, "von_karman")
        np.testing.assert_allclose(across, printed, rtol=2e-3)


def test_inertial_range_of_isotropic_turbulence():
    """Far up, S_v = S_w = 4/3 S_u and all fall as f^(-5/3) (Kolmogorov)."""
    f = 1e5 * np.array([1.0, 2.0])
    along, across = (spectrum(f, U, 1.0, 5.0, c, "von_karman") for c in ("u", "v"))
    assert across[0] / along[0] == pytest.approx(4.0 / 3.0, rel=1e-6)
    assert along[1] / along[0] == pytest.approx(2.0 ** (-5.0 / 3.0), rel=1e-6)
    # The standard's ratios and lengths were chosen for the same in the Kaimal form.
    kaimal = [spectrum(1e5, U, SIGMA_RATIOS[c], length_scale(9.0, c), c) for c in COMPONENTS]
    assert kaimal[1] / kaimal[0] == pytest.approx(4.0 / 3.0, rel=0.01)
    assert kaimal[2] / kaimal[0] == pytest.approx(4.0 / 3.0, rel=0.01)


def test_scales_over_height():
    assert scale_parameter(2.0) == pytest.approx(1.4)
    assert scale_parameter(60.0) == scale_parameter(150.0) == pytest.approx(42.0)
    assert length_scale(80.0) == pytest.approx(340.2)  # the standard's 8.1 x 42 m


@pytest.mark.parametrize(("form", "component"), BOTH)
def test_series_has_its_spectrum_and_variance(form, component):
    """Band averages of the periodogram, within four of their standard errors."""
    dt, n, sigma = 0.05, 200_000, 0.8
    length = length_scale(2.0, component, form)
    series = coherent_series(
        ROTOR[[4]], n, dt, U, sigma, length, rng(1), component=component, form=form
    )[0]
    f, power = signal.periodogram(series, 1.0 / dt, window="boxcar", detrend=False)
    grid = np.linspace(0.0, 0.5 / dt, 200_001)
    target = spectrum(grid, U, sigma, length, component, form)
    resolved = integrate.simpson(target, x=grid) / sigma**2
    for low, high in pairwise(np.geomspace(0.02, 8.0, 12)):
        band = (f >= low) & (f < high)
        ratio = power[band] / spectrum(f[band], U, sigma, length, component, form) * resolved
        assert np.mean(ratio) == pytest.approx(1.0, abs=4.0 / np.sqrt(band.sum()) + 0.01)
    # Effective number of independent squares from the spectrum itself.
    error = np.sqrt(np.sum((target * (grid[1]) / sigma**2) ** 2) / (grid[1] * n * dt))
    assert np.mean(series**2) == pytest.approx(sigma**2, rel=4.0 * error + 0.002)


def test_every_sample_has_the_asked_variance():
    draws = np.array([coherent_series(ROTOR[:2], 40, 0.05, U, 0.5, 11.0, rng(i))
                      for i in range(3000)])  # fmt: skip
    for position in (0, 39):
        values = draws[:, 1, position]
        assert np.mean(values**2) == pytest.approx(0.25, rel=4.0 * np.sqrt(2.0 / 3000))
        assert stats.kstest(values / 0.5, "norm").pvalue > 1e-4


@pytest.mark.parametrize(("form", "decay_length"), [("kaimal", 11.34), ("von_karman", 4.9)])
def test_series_have_their_coherence(form, decay_length):
    """Real cross-spectrum over spectrum, by Welch's method, for near and far pairs of the rotor."""
    dt, n, segment = 0.05, 400_000, 512
    series = coherent_series(ROTOR, n, dt, U, 1.0, decay_length, rng(3), form=form)
    for i, j in ((4, 5), (4, 1), (3, 5), (0, 8)):
        f, cross = signal.csd(series[i], series[j], 1.0 / dt, nperseg=segment)
        _, first = signal.welch(series[i], 1.0 / dt, nperseg=segment)
        _, second = signal.welch(series[j], 1.0 / dt, nperseg=segment)
        r = np.hypot(*(ROTOR[i] - ROTOR[j]))
        # IEC 61400-1, from memory.
        target = np.exp(-12.0 * np.sqrt((f * r / U) ** 2 + (0.12 * r / decay_length) ** 2))
        measured = (cross / np.sqrt(first * second)).real
        used = (f > 0.1) & (f < 9.0)
        error = 1.0 / np.sqrt(n / segment)  # of one value; neighbouring ones are nearly independent
        assert np.abs(measured - target)[used].max() < 5.0 * error
        assert np.mean((measured - target)[used]) == pytest.approx(0.0, abs=0.006)
        imaginary = (cross / np.sqrt(first * second)).imag[used]
        assert np.abs(imaginary).max() < 5.0 * error


def test_rotor_average_varies_less_as_the_coherence_says():
    """Variance of the mean over nine points: the double sum of the cross-spectra."""
    dt, n, length = 0.05, 300_000, 11.34
    series = coherent_series(ROTOR, n, dt, U, 1.0, length, rng(5))
    f = np.linspace(0.0, 10.0, 4001)
    target = spectrum(f, U, 1.0, length)
    target /= integrate.simpson(target, x=f)
    apart = np.hypot(*(ROTOR[:, None] - ROTOR[None]).transpose(2, 0, 1))
    shared = coherence(f[:, None, None], apart, U, length).mean(axis=(1, 2))
    expected = integrate.simpson(target * shared, x=f)
    assert expected < 0.8
    assert np.mean(series.mean(axis=0) ** 2) == pytest.approx(expected, rel=0.04)


def test_ends_are_nearly_independent():
    """Seven time scales apart; a periodic series would have a product near one."""
    draws = np.array([coherent_series(ROTOR[:1], 400, 0.05, U, 1.0, 11.0, rng(i))[0]
                      for i in range(2000)])  # fmt: skip
    assert np.mean(draws[:, 0] * draws[:, -1]) == pytest.approx(0.0, abs=0.02 + 4 / 2000**0.5)


def test_one_point_or_still_air():
    assert coherent_series([[0.0, 2.0]], 1, 0.05, U, 1.0, 11.0, rng(1)).shape == (1, 1)
    assert coherent_series(ROTOR, 0, 0.05, U, 1.0, 11.0, rng(1)).shape == (9, 0)
    assert not coherent_series(ROTOR, 50, 0.05, U, 0.0, 11.0, rng(1)).any()


def test_same_seed_same_bytes():
    first, again, other = (
        coherent_series(ROTOR, 1001, 0.05, U, 0.5, 11.0, rng(seed)) for seed in (1, 1, 2)
    )
    assert first.tobytes() == again.tobytes() != other.tobytes()


def test_ten_minutes_at_nine_points_are_quick():
    best = np.inf
    for _ in range(3):
        start = time.perf_counter()
        coherent_series(ROTOR, 12_000, 0.05, U, 0.5, 11.0, rng(1))
        best = min(best, time.perf_counter() - start)
    assert best < 0.5  # 0.01 s on an idle machine; the rest is allowance for a busy one


@pytest.mark.parametrize(
    "change",
    [
        {"dt": 0.0},
        {"mean_speed_m_s": 0.0},
        {"length_m": -1.0},
        {"sigma_m_s": -0.1},
        {"n": -1},
        {"points_yz": [[0.0, 2.0], [0.0, 2.0]]},
        {"points_yz": [0.0, 2.0, 1.0]},
        {"form": "Dryden"},
        {"component": "x"},
        {"coherence_scale_m": 0.0},
    ],
)
def test_impossible_series_are_refused(change):
    asked = {"points_yz": ROTOR, "n": 10, "dt": 0.05, "mean_speed_m_s": U, "sigma_m_s": 1.0,
             "length_m": 11.0, "rng": rng(1)}  # fmt: skip
    with pytest.raises(ValueError):
        coherent_series(**asked | change)
    with pytest.raises(ValueError):
        scale_parameter(0.0)
