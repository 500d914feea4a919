"""Power spectrum of a velocity series by averaged, overlapping periodograms.

Method: P. D. Welch, IEEE Trans. Audio Electroacoust. 15 (1967) 70-73, Hann window, half overlap.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from wakesim.arrays import Array


def velocity_spectrum(velocity: ArrayLike, dt: float, segment_s: float) -> tuple[Array, Array]:
    """One-sided spectrum of a series (n,): frequencies (Hz) and densities (m2/s2/Hz), shape (m,).

    Frequencies run from 0 to 1/(2 dt) in steps of one over the segment length (``segment_s``
    seconds, at most the record). Only the mean of the whole record is taken off, so slow changes
    stay, in the first bins. ``S.sum() * f[1]`` is the variance of the record exactly: the estimate
    is scaled to it by a factor close to one, which makes up for the smaller weight of the two ends.

    Raises ValueError for fewer than four samples, values that are not finite, or times that are
    not positive.
    """
    values = np.asarray(velocity, dtype=np.float64)
    if values.ndim != 1 or values.size < 4:
        raise ValueError("a one-dimensional series of at least four samples is needed")
    if not np.all(np.isfinite(values)):
        raise ValueError("velocities must be finite")
    if not (dt > 0.0 and segment_s > 0.0):
        raise ValueError("time step and segment length must be greater than 0 s")
    from scipy import signal  # half a second to import

    length = min(max(4, round(segment_s / dt)), values.size)
    fluctuation = values - values.mean()
    frequency, power = signal.welch(
        fluctuation, 1.0 / dt, "hann", length, length - length // 2, detrend=False
    )
    variance, total = float(np.mean(fluctuation * fluctuation)), float(power.sum())
    scale = variance / (total * frequency[1]) if total > 0.0 else 0.0
    return frequency, power * scale
