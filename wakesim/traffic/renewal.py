"""What headways other than exponential do to the variance.

Shot noise is exact for a Poisson stream, that is for negative exponential headways. A lane with a
minimum headway or with platoons is a renewal process instead. Its points have the spectrum (M. S.
Bartlett, J. R. Stat. Soc. B 25 (1963) 264, from memory)

    S(w) = q (1 - |g|^2) / |1 - g|^2,    S(0) = q^3 var(h),

q the flow and g(w) = E exp(i w h) the characteristic function of the headway h, and with classes
drawn independently of it the covariance of the superposed velocity is, by the second-order product
density of the points,

    C = sum_j q_j int f_j f_j^T dt - q int m m^T dt + (1/2 pi) int S(w) Re(M M*) dw,

m = sum (q_j/q) f_j the mean signature, in time from the moment the nose passes, and M its
transform. S = q is the Poisson stream. Lanes are independent of each other: their covariances add.
This is exact for the mean and the covariance; the mean cube of such a stream is not known in closed
form, and its shot-noise value is an approximation.

For the family of headways of ``wakesim.traffic.headways``, a share a at D + Exp(k), the rest at D,
g = exp(i w D) (1 - a + a k / (k - i w)).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from wakesim.arrays import Array
from wakesim.traffic import headways
from wakesim.traffic.headways import HeadwaySettings
from wakesim.traffic.measure import checked_samples, per_pulse, time_weights

_MEMORY_HEADWAYS = 200.0  # mean headways after which the stream has forgotten


def poisson_only(headway: HeadwaySettings) -> bool:
    """Whether shot noise is exact for this headway model: only for the negative exponential.

    A shifted exponential or Cowan M3 without minimum headway and bunching counts as well. For any
    other model the shot-noise covariance and mean cube are approximations; ``renewal_covariance``
    gives the exact covariance. Raises CaseError for an unknown model.
    """
    minimum = headways.minimum_headway(headway)
    return minimum == 0.0 and all(headways.free_share(headway, q) == 1.0 for q in (0.1, 0.5))


def headway_spectrum(headway: HeadwaySettings, flow_veh_s: float, w: ArrayLike) -> Array:
    """Spectrum S(w) of the passes of one lane, 1/s, at angular frequencies (n,), rad/s."""
    minimum, share, rate = headways.parameters(headway, flow_veh_s)
    omega = np.asarray(w, dtype=np.float64)
    free = share * rate / (rate - 1j * omega)
    g = np.exp(1j * omega * minimum) * (1.0 - share + free)
    limit = flow_veh_s**3 * headways.standard_deviation(headway, flow_veh_s) ** 2
    away = np.abs(1.0 - g) ** 2
    # Below it rounding would rule; the spectrum is flat there.
    near = np.abs(omega) < 1e-5 * flow_veh_s
    out = np.full(omega.shape, limit)
    return np.divide(flow_veh_s * (1.0 - np.abs(g) ** 2), away, out=out, where=~near)


def renewal_covariance(
    pulses: Sequence[ArrayLike],
    rates: ArrayLike,
    dt: float,
    headway: HeadwaySettings,
    *,
    turbulence: Sequence[ArrayLike] | None = None,
    starts_s: ArrayLike = 0.0,
) -> Array:
    """Exact covariance of u and v (2, 2), m2/s2, for the renewal stream of one lane.

    ``pulses``, ``rates``, ``turbulence`` as in ``shot_noise``, one per class of the lane, all with
    the step ``dt`` (s). ``starts_s``: time of the first sample from the moment the nose passes, one
    for all or one per pulse, rounded to steps. For exponential headways it is the covariance of
    ``shot_noise``. Raises ValueError for input that does not fit, CaseError for a flow that the
    headways cannot carry.
    """
    signatures = [checked_samples(p, f"pulse {i}", "m/s") for i, p in enumerate(pulses)]
    rate = per_pulse(rates, len(signatures), "rates")
    step = float(per_pulse(dt, 1, "dt")[0])
    if not step > 0.0 or np.any(rate < 0.0):
        raise ValueError("dt must be greater than 0 s and rates at least 0 passes/s")
    flow = float(rate.sum())
    own = np.zeros((2, 2))
    if flow == 0.0:
        return own
    for i, f in enumerate(signatures):
        weight = rate[i] * step * time_weights(len(f))
        own += (f * weight[:, None]).T @ f
        if turbulence is not None:
            variance = checked_samples(turbulence[i], f"turbulence {i}", "m2/s2")
            own += np.diag(weight @ variance)
    mean = _mean_signature(
        signatures, rate / flow, per_pulse(starts_s, len(rate), "starts_s"), step
    )
    return own + _correlation(mean, flow, step, headway)


def _mean_signature(signatures: list[Array], share: Array, starts: Array, step: float) -> Array:
    """Mean signature on a common time axis (n, 2), with the ends weighted as in the integrals."""
    first = np.rint(starts / step).astype(np.int64)
    first -= first.min()
    total = np.zeros((max(s + len(f) for s, f in zip(first, signatures, strict=True)), 2))
    for s, f, part in zip(first, signatures, share, strict=True):
        total[s : s + len(f)] += part * f * time_weights(len(f))[:, None]
    return total


def _correlation(mean: Array, flow: float, step: float, headway: HeadwaySettings) -> Array:
    """(1/2 pi) int (S - q) Re(M M*) dw, (2, 2)."""
    span = len(mean) + math.ceil(_MEMORY_HEADWAYS / flow / step)
    n = 1 << (span - 1).bit_length()
    transform = np.fft.rfft(mean, n, axis=0) * step
    omega = 2.0 * math.pi * np.fft.rfftfreq(n, step)
    excess = headway_spectrum(headway, flow, omega) - flow
    excess[1:] *= 2.0
    if n % 2 == 0:
        excess[-1] *= 0.5
    product = np.einsum("k,ki,kj->ij", excess, transform, transform.conj()).real
    return product / (n * step)
