"""Measures of agreement between n measured values Co and computed values Cp.

Chang and Hanna 2004, Meteorol. Atmos. Phys. 87, 167-196, their equations 1 to 6:

    fractional bias       FB   = (mean Co - mean Cp) / (0.5 (mean Co + mean Cp))
    geometric mean bias   MG   = exp(mean ln Co - mean ln Cp)
    normalised error      NMSE = mean (Co - Cp)^2 / (mean Co mean Cp)
    geometric variance    VG   = exp(mean (ln Co - ln Cp)^2)
    factor of two         FAC2 = share of points with 0.5 <= Cp / Co <= 2

FB above 0 means that the model computes too little. A perfect model has FB = NMSE = 0 and
MG = VG = FAC2 = 1. FB and NMSE are for values of one sign; the geometric ones use only the points
where both values are positive, and ``positive`` says how many those are. The hit rate is the share
of points with |Cp - Co| <= max(0.25 |Co|, uncertainty); the idea is that of VDI 3783 Part 9 (from
memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from wakesim.validation.comparison import Array

HIT_RELATIVE = 0.25
_ROUNDING = 1e-12  # a point on a limit counts as inside


@dataclass(frozen=True)
class Metrics:
    """Measures of agreement of one comparison; None where a measure is not defined.

    ``rms``, ``bias`` (mean of computed minus measured) and ``max_error`` are in the unit of the
    quantity, everything else is a pure number. ``low_ratio`` and ``high_ratio`` are the smallest
    and the largest computed / measured. ``positive`` is the number of points behind
    ``geometric_bias`` and ``geometric_variance``.
    """

    n: int
    bias: float
    rms: float
    max_error: float
    max_relative_error: float | None
    low_ratio: float | None
    high_ratio: float | None
    fractional_bias: float | None
    nmse: float | None
    geometric_bias: float | None
    geometric_variance: float | None
    positive: int
    fac2: float | None
    hit_rate: float


def metrics(measured: Array, computed: Array, uncertainty: Array | None = None) -> Metrics:
    """All measures of agreement; the arrays are (n,) in one unit, finite, n at least 1."""
    error = computed - measured
    ratio = _ratios(measured, computed)
    geometric = _geometric(measured, computed)
    return Metrics(
        n=int(measured.size),
        bias=float(error.mean()),
        rms=float(np.sqrt(np.mean(error**2))),
        max_error=float(np.abs(error).max()),
        max_relative_error=None if ratio is None else float(np.abs(ratio - 1.0).max()),
        low_ratio=None if ratio is None else float(ratio.min()),
        high_ratio=None if ratio is None else float(ratio.max()),
        fractional_bias=fractional_bias(measured, computed),
        nmse=nmse(measured, computed),
        geometric_bias=geometric[0],
        geometric_variance=geometric[1],
        positive=geometric[2],
        fac2=None if ratio is None else _share((ratio >= 0.5) & (ratio <= 2.0)),
        hit_rate=hit_rate(measured, computed, uncertainty),
    )


def _share(inside: np.ndarray) -> float:
    return float(np.mean(inside))


def _ratios(measured: Array, computed: Array) -> Array | None:
    """computed / measured, None when a measured value is zero; rounding on 0.5 and 2 forgiven."""
    if np.any(measured == 0.0):
        return None
    ratio = computed / measured
    for limit in (0.5, 2.0):
        ratio = np.where(np.abs(ratio - limit) <= _ROUNDING * limit, limit, ratio)
    return ratio


def _one_sign(measured: Array, computed: Array) -> bool:
    both = np.concatenate([measured, computed])
    return bool(np.all(both >= 0.0) or np.all(both <= 0.0))


def fractional_bias(measured: Array, computed: Array) -> float | None:
    """FB; None for values of both signs and when both means are zero."""
    total = 0.5 * (measured.mean() + computed.mean())
    if not _one_sign(measured, computed) or total == 0.0:
        return None
    # values below zero throughout are compared by their size
    return float((measured.mean() - computed.mean()) / total)


def nmse(measured: Array, computed: Array) -> float | None:
    """NMSE; None for values of both signs and when a mean is zero."""
    product = measured.mean() * computed.mean()
    if not _one_sign(measured, computed) or product == 0.0:
        return None
    return float(np.mean((measured - computed) ** 2) / product)


def _geometric(measured: Array, computed: Array) -> tuple[float | None, float | None, int]:
    """MG, VG and the number of points with both values above zero."""
    positive = (measured > 0.0) & (computed > 0.0)
    count = int(positive.sum())
    if count == 0:
        return None, None, 0
    difference = np.log(measured[positive]) - np.log(computed[positive])
    return float(np.exp(difference.mean())), float(np.exp(np.mean(difference**2))), count


def hit_rate(measured: Array, computed: Array, uncertainty: Array | None = None) -> float:
    """Share of points within 25 % of the measured value or within its stated uncertainty."""
    allowed = HIT_RELATIVE * np.abs(measured)
    if uncertainty is not None:
        allowed = np.maximum(allowed, uncertainty)
    slack = _ROUNDING * np.maximum(np.abs(measured), np.abs(computed))
    return _share(np.abs(computed - measured) <= allowed + slack)
