"""Turbulence of the ambient wind: spectra, coherence, and series at several points of a rotor.

One-sided spectra of the along-wind, lateral and vertical components u, v, w, with T = L/U:

    Kaimal       S/sigma^2 = 4 T (1 + 6 T f)^(-5/3),           a length L of its own for each,
    von Karman   S/sigma^2 = 4 T (1 + (c T f)^2)^(-5/6)                          for u,
                 S/sigma^2 = 2 T (1 + (8/3) (c T f)^2) (1 + (c T f)^2)^(-11/6)   for v and w,

c = 8.413, L the along-wind length of u in all three (isotropic turbulence). Both forms as in
T. Burton et al., "Wind Energy Handbook", eq. 2.23 to 2.26 (read); the normal turbulence models of
IEC 61400-1 use them with, for a height z (all from memory):

    Lambda = 0.7 z below 60 m, 42 m above;  L = 8.1, 2.7, 0.66 Lambda (Kaimal, u v w), 3.5 Lambda
    (von Karman);  sigma_v = 0.8, sigma_w = 0.5 sigma_u (Kaimal; equal for von Karman);
    coherence  exp(-12 sqrt((f r/U)^2 + (0.12 r/L_c)^2)),  L_c = 8.1 Lambda (Kaimal),
    3.5 Lambda (von Karman),

r the distance of two points across the wind. The coherence is the cross-spectrum, taken as real,
over the spectrum; the standard states it for u, for v and w it is assumed. The standard is made for
hub heights above those of a roadside mount.

Which series when: one series at the rotor's centre (wakesim.air.noise) is enough for effective
speeds of a small rotor and is the default of a traffic study; coherent series are for gusts, where
the averaging over the rotor matters. Measured at 20 Hz and nine points: ten minutes 0.01 s, a day
1.6 s and 0.5 GB; the single series takes 0.04 s for a day.
"""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy import fft, spatial

from wakesim import constants
from wakesim.air.noise import KARMAN_CONSTANT, von_karman_spectrum
from wakesim.arrays import Array

Component = Literal["u", "v", "w"]
Form = Literal["kaimal", "von_karman"]

COMPONENTS: tuple[Component, ...] = ("u", "v", "w")
SIGMA_RATIOS = {"u": 1.0, "v": constants.SIGMA_RATIO_V.value, "w": constants.SIGMA_RATIO_W.value}
KAIMAL_LENGTHS = {  # over Lambda
    "u": constants.KAIMAL_LENGTH_U.value,
    "v": constants.KAIMAL_LENGTH_V.value,
    "w": constants.KAIMAL_LENGTH_W.value,
}
VON_KARMAN_LENGTH = constants.VON_KARMAN_LENGTH.value  # over Lambda
COHERENCE_DECAY = constants.COHERENCE_DECAY.value
COHERENCE_OFFSET = constants.COHERENCE_OFFSET.value

# Time scales between what is returned and its periodic repetition; the correlation of the Kaimal
# form falls as (T/lag)^2.
_GUARD_SCALES = 16.0
_CHUNK = 8192  # frequencies factorised at a time


def _positive(**values: float) -> None:
    for name, value in values.items():
        if not (value > 0.0 and math.isfinite(value)):
            raise ValueError(f"{name} must be greater than 0")


def scale_parameter(height_m: float) -> float:
    """Turbulence scale Lambda at a height, m: 0.7 z, from 60 m on 42 m."""
    _positive(height=height_m)
    return constants.TURBULENCE_SCALE_HEIGHTS.value * min(height_m, 60.0)


def length_scale(height_m: float, component: Component = "u", form: Form = "kaimal") -> float:
    """Length L of a component's spectrum at a height, m (for von Karman that of u)."""
    of_lambda = KAIMAL_LENGTHS[component] if form == "kaimal" else VON_KARMAN_LENGTH
    return of_lambda * scale_parameter(height_m)


def spectrum(
    frequency_hz: ArrayLike,
    mean_speed_m_s: float,
    sigma_m_s: float,
    length_m: float,
    component: Component = "u",
    form: Form = "kaimal",
) -> Array:
    """One-sided velocity spectrum, m2/s, shape of ``frequency_hz``; integrates to sigma^2.

    ``sigma_m_s`` is that of the component, ``length_m`` as ``length_scale`` gives it.
    Raises ValueError for a speed or length that is not positive, or an unknown form or component.
    """
    _positive(mean_speed=mean_speed_m_s, length=length_m)
    if form not in ("kaimal", "von_karman") or component not in COMPONENTS:
        raise ValueError('form must be "kaimal" or "von_karman", component "u", "v" or "w"')
    f = np.asarray(frequency_hz, dtype=np.float64)
    time = length_m / mean_speed_m_s
    if form == "kaimal":
        unit = 4.0 * time * (1.0 + 6.0 * time * f) ** (-5.0 / 3.0)
    elif component == "u":
        unit = von_karman_spectrum(f, time)
    else:
        square = (KARMAN_CONSTANT * time * f) ** 2
        unit = 2.0 * time * (1.0 + 8.0 / 3.0 * square) * (1.0 + square) ** (-11.0 / 6.0)
    return sigma_m_s**2 * unit


def coherence(
    frequency_hz: ArrayLike, distance_m: ArrayLike, mean_speed_m_s: float, scale_m: float
) -> Array:
    """Cross-spectrum over spectrum of two points, by broadcasting frequency and distance.

    ``scale_m`` is L_c, the length of the u spectrum. Raises ValueError for a speed or length that
    is not positive.
    """
    _positive(mean_speed=mean_speed_m_s, scale=scale_m)
    f, r = np.asarray(frequency_hz, dtype=np.float64), np.asarray(distance_m, dtype=np.float64)
    return np.exp(-COHERENCE_DECAY * r * np.hypot(f / mean_speed_m_s, COHERENCE_OFFSET / scale_m))


def coherent_series(
    points_yz: ArrayLike,
    n: int,
    dt: float,
    mean_speed_m_s: float,
    sigma_m_s: float,
    length_m: float,
    rng: np.random.Generator,
    *,
    component: Component = "u",
    form: Form = "kaimal",
    coherence_scale_m: float | None = None,
) -> Array:
    """Velocity fluctuations (n_points, n) m/s at points (n_points, 2), m, across the wind.

    Stationary, Gaussian, zero mean, ``sigma_m_s`` and ``spectrum`` at every point, ``coherence``
    between them; ``coherence_scale_m`` defaults to ``length_m``, which is right for u. Made by the
    spectral method: at each frequency independent Gaussian amplitudes are mixed by the Cholesky
    factor of the coherence matrix (M. Shinozuka and C.-M. Jan, J. Sound Vib. 25 (1972) 111; from
    memory). As in wakesim.air.noise, variance beyond the frequency 1/(2 dt) is spread over the
    frequencies below it, so the expected square of each sample is exactly sigma^2.

    Raises ValueError for a step, speed or length that is not positive, a negative sigma or n, or
    two points in one place.
    """
    points = np.atleast_2d(np.asarray(points_yz, dtype=np.float64))
    _positive(time_step=dt, mean_speed=mean_speed_m_s, length=length_m)
    if not (sigma_m_s >= 0.0 and n >= 0):
        raise ValueError("standard deviation and number of samples must be at least 0")
    if points.ndim != 2 or points.shape[1] != 2:
        raise ValueError("points must have the shape (n_points, 2)")
    pairs = spatial.distance.pdist(points)
    if pairs.size and not pairs.min() > 0.0:
        raise ValueError("two points are in the same place")
    distance = spatial.distance.squareform(pairs) if pairs.size else np.zeros((1, 1))
    guard = math.ceil(_GUARD_SCALES * length_m / (mean_speed_m_s * dt))
    period = fft.next_fast_len(n + min(guard, 1 << 20), real=True)
    frequency = fft.rfftfreq(period, dt)
    power = spectrum(frequency, mean_speed_m_s, sigma_m_s, length_m, component, form)
    scale = length_m if coherence_scale_m is None else coherence_scale_m
    bins = np.empty((points.shape[0], frequency.size), dtype=np.complex128)
    for first in range(0, frequency.size, _CHUNK):
        part = slice(first, first + _CHUNK)
        shared = coherence(frequency[part, None, None], distance, mean_speed_m_s, scale)
        free = rng.standard_normal((shared.shape[0], points.shape[0], 2)).view(np.complex128)
        bins[:, part] = (np.linalg.cholesky(shared) @ free)[:, :, 0].T
    # Frequencies of which the real series has no sine: all variance goes to the cosine.
    ends = [0, -1] if period % 2 == 0 else [0]
    bins[:, ends] = bins[:, ends].real * math.sqrt(2.0)
    total = 2.0 * power.sum() - power[ends].sum()
    bins *= sigma_m_s * period * np.sqrt(power / (2.0 * total)) if sigma_m_s > 0.0 else 0.0
    return fft.irfft(bins, period, axis=1, overwrite_x=True)[:, :n].copy()
