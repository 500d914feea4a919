"""Gaussian series with the spectrum of turbulence.

The one-sided spectrum of the along-wind component after von Kármán (T. von Kármán, Proc. Natl.
Acad. Sci. 34 (1948) 530), written with the integral time scale T and unit variance:

    S(f) = 4 T (1 + (c T f)^2)^(-5/6),  c = 2 sqrt(pi) Gamma(1/3) / Gamma(5/6) = 8.413.

c is the value that makes the integral over all f one; its square is the 70.8 of the engineering
form. S(0) = 4 T is what makes T the integral time scale.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike
from scipy import fft, special

from wakesim.arrays import Array

KARMAN_CONSTANT = 2.0 * math.sqrt(math.pi) * math.gamma(1.0 / 3.0) / math.gamma(5.0 / 6.0)

# The correlation is below 1e-3 after eight integral time scales; the periodic series is that much
# longer than what is returned, so that its two ends know nothing of each other.
_GUARD_SCALES = 8.0
_GUARD_LIMIT = 1 << 20


def _check_times(dt: float, integral_time_s: float) -> None:
    if not (dt > 0.0 and math.isfinite(dt)):
        raise ValueError("time step must be greater than 0 s")
    if not (integral_time_s > 0.0 and math.isfinite(integral_time_s)):
        raise ValueError("integral time scale must be greater than 0 s")


def von_karman_spectrum(frequency_hz: ArrayLike, integral_time_s: float) -> Array:
    """One-sided spectrum of unit variance, 1/Hz, same shape as ``frequency_hz``.

    Times a variance in m2/s2 it is the along-wind velocity spectrum.
    """
    scaled = KARMAN_CONSTANT * integral_time_s * np.asarray(frequency_hz, dtype=np.float64)
    return 4.0 * integral_time_s * (1.0 + scaled * scaled) ** (-5.0 / 6.0)


def resolved_share(dt: float, integral_time_s: float) -> float:
    """Share of the variance of the full spectrum that lies below the Nyquist frequency 1/(2 dt)."""
    _check_times(dt, integral_time_s)
    edge = KARMAN_CONSTANT * integral_time_s / (2.0 * dt)
    share = special.hyp2f1(0.5, 5.0 / 6.0, 1.5, -edge * edge) * edge
    return float(4.0 / KARMAN_CONSTANT * share)


def von_karman_noise(n: int, dt: float, integral_time_s: float, rng: np.random.Generator) -> Array:
    """Stationary Gaussian series, shape (n,), zero mean and unit variance, von Kármán spectrum.

    Made in one inverse Fourier transform from independent Gaussian amplitudes. A sampled series
    holds only frequencies up to 1/(2 dt); the variance beyond is not lost but spread over that
    band in proportion, so the expected square of each sample is exactly one and the spectrum is
    ``von_karman_spectrum / resolved_share`` up to the Nyquist frequency. The integral time scale
    of the series is longer than asked by the same factor (4 % for T = 1 s at 20 Hz, 21 % for
    T = 0.1 s). Like any stretch of turbulence, a stretch of a few T has a sample mean that is not
    zero.

    Raises ValueError for n < 0 or times that are not positive.
    """
    _check_times(dt, integral_time_s)
    if n < 0:
        raise ValueError("number of samples must be at least 0")
    if n == 0:
        return np.empty(0)
    guard = min(math.ceil(_GUARD_SCALES * integral_time_s / dt), max(n, _GUARD_LIMIT))
    period = fft.next_fast_len(n + guard, real=True)
    power = von_karman_spectrum(fft.rfftfreq(period, dt), integral_time_s)
    amplitude = np.sqrt(power)
    even = period % 2 == 0
    total = 2.0 * power.sum() - power[0] - (power[-1] if even else 0.0)
    amplitude *= period / math.sqrt(2.0 * total)
    bins = rng.standard_normal((power.size, 2)).view(np.complex128)[:, 0]
    bins[0] = bins[0].real * math.sqrt(2.0)
    if even:
        bins[-1] = bins[-1].real * math.sqrt(2.0)
    bins *= amplitude
    return fft.irfft(bins, period, overwrite_x=True)[:n].copy()
