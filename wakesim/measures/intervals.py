"""How sure the effective speed of a simulated series is, given only its length.

The mean cube is a stratified mean: each clock hour is a stratum that is simulated for a fixed
time, so differences between hours are no error. Within a stratum the error follows from the
series' own slow fluctuations. The series is cut into blocks, the block means x_i (i < n, in order
of time, less the stratum's mean) are projected on the slowest cosines,

    L_j = sqrt(2/n) sum_i x_i cos(pi j (i + 1/2)/n),   j = 1 .. K,

and n times the mean of L_j^2 is the variance of their sum, with K degrees of freedom: the
spectrum at zero frequency, whatever the shape of the memory (U. K. Mueller, J. Econometrics 141
(2007) 1331-1352; E. Lazarus, D. J. Lewis, J. H. Stock, M. W. Watson, J. Bus. Econ. Stat. 36 (2018)
541-559; both from memory). With K = n - 1 it is the plain spread of the blocks (batch means), which
is too small by what neighbouring blocks have in common: of a busy hour, cut into minutes, with
wakes followed for 30 s it holds 82 % of the variance, with 120 s 65 %.

How many cosines are slow enough is measured: the lag-one correlation r of the blocks, over all
strata and free of its small-sample bias (F. H. C. Marriott, J. A. Pope, Biometrika 41 (1954)
390-402, from memory), is taken for that of a first-order process, whose spectrum is

    S(w)/S(0) = (1 - r)^2/(1 - 2 r cos w + r^2),   w radians a block.

K is the largest number over which S is on average within 5 % of S(0), by the leading term of its
expansion; what is missing is divided out. Where r is small K stops at n/6, so that a slow part
hidden under fast gusts is not overlooked. Rounds over the same hours are put one behind the other:
the junctions, without correlation, belong to the series as much as to its mean. Over all strata the
degrees of freedom are those of Satterthwaite (Biometrics Bulletin 2 (1946) 110-114, from memory).
What two neighbouring hours have in common at their boundary is left out: less than 2 % of the
variance for a memory of a minute.

Cubes of gusts are skewed to the right: in a quiet hour a few lorries carry the mean, and a Student
interval then misses high truths. The interval is therefore corrected for the skewness of the mean,
from K + 1 blocks, by Hall's monotone transformation (P. Hall, J. R. Statist. Soc. B 54 (1992)
221-228, from memory), and carried over from the mean cube to its cube root. So few blocks show
about half of a strong skewness. Of a mean made by independent events it is at least the standard
error over the mean (E S^3 E S >= (E S^2)^2 for strengths S), and 1.5 times that for exponential
strengths, which is taken as the least.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import fft, special

from wakesim.arrays import Array

Strata = NDArray[np.integer] | Sequence[slice] | None

BLOCK_S = 30.0
_LOSS = 0.05  # share of the variance that the measured correlation may take from the cosines
_BLOCKS_PER_COSINE = 6  # where it takes less: the fastest cosine has a period of 12 blocks
_FEW_COSINES = 12  # allowed in any case, for short series
_LARGEST_CORRELATION = 0.9
_EVENT_SKEWNESS = 1.5  # least skewness of the mean, in standard errors over the mean


class Blocks(NamedTuple):
    """Block means of the cubed speed; arrays of equal length (n_blocks,)."""

    stratum: NDArray[np.int64]
    mean_cube: Array
    samples: NDArray[np.int64]


class CubeEstimate(NamedTuple):
    """Mean of the cubed speed and its standard error (m3/s3), with the error's degrees of freedom
    and the skewness of the mean (third cumulant over the cube of the standard error)."""

    mean: float
    standard_error: float
    freedom: float
    skewness: float


def block_cubes(
    speed: ArrayLike, dt: float, strata: Strata = None, block_s: float = BLOCK_S
) -> Blocks:
    """Block means of v^3 of a series (n,), with blocks that never span two strata.

    ``strata`` are labels (n,) of integer type, or slices (one stratum each), or None for one
    stratum. Each stretch of equal labels is cut into equal blocks of at least ``block_s`` seconds,
    or into two halves when it is too short for two such blocks.

    Raises ValueError for speeds that are negative or not finite, or strata that do not fit.
    """
    values = np.asarray(speed, dtype=np.float64)
    if values.ndim != 1 or values.size == 0:
        raise ValueError("a one-dimensional series of speeds is needed")
    if not (values.min() >= 0.0 and np.isfinite(values.max())):
        raise ValueError("speeds must be finite and at least 0 m/s")
    if not (dt > 0.0 and block_s > 0.0):
        raise ValueError("time step and block length must be greater than 0 s")
    length = max(1, math.ceil(block_s / dt - 1e-9))
    cubes = values * values * values
    labels, means, sizes = [], [], []
    for label, start, stop in _stretches(strata, values.size):
        count = min(max(2, (stop - start) // length), stop - start)
        edges = start + (np.arange(count + 1) * (stop - start)) // count
        size = np.diff(edges)
        labels.append(np.full(count, label, dtype=np.int64))
        means.append(np.add.reduceat(cubes[:stop], edges[:-1]) / size)
        sizes.append(size)
    return Blocks(np.concatenate(labels), np.concatenate(means), np.concatenate(sizes))


def _stretches(strata: Strata, n: int) -> list[tuple[int, int, int]]:
    if strata is None:
        return [(0, 0, n)]
    if isinstance(strata, np.ndarray):
        if strata.shape != (n,) or not np.issubdtype(strata.dtype, np.integer):
            raise ValueError(f"stratum labels must be integers of shape ({n},)")
        cuts = np.concatenate(([0], np.flatnonzero(np.diff(strata)) + 1, [n]))
        return [(int(strata[a]), int(a), int(b)) for a, b in pairwise(cuts)]
    result = []
    for label, piece in enumerate(strata):
        start, stop, step = piece.indices(n)
        if step != 1 or stop <= start:
            raise ValueError("each stratum must be a slice of at least one sample, in steps of one")
        result.append((label, start, stop))
    if not result:
        raise ValueError("at least one stratum is needed")
    return result


def join_blocks(parts: Sequence[Blocks]) -> Blocks:
    """Blocks of several simulated rounds together; equal labels are one stratum."""
    return Blocks(*(np.concatenate(column) for column in zip(*parts, strict=True)))


def estimate(blocks: Blocks) -> CubeEstimate:
    """Stratified mean of the cubed speed with its standard error from the blocks.

    Blocks of one stratum stand in order of time. Blocks may be correlated: see the head of the
    module. A stratum of a single block has no spread of its own and is given the largest of the
    others; the skewness takes the strata of three blocks or more. Raises ValueError when no stratum
    has two blocks.
    """
    weight = blocks.samples / blocks.samples.sum()
    mean = float(np.sum(weight * blocks.mean_cube))
    several, single = [], 0.0  # deviations of the block means times their weights; squared shares
    scale = []
    for label in np.unique(blocks.stratum):
        own = blocks.stratum == label
        share = weight[own].sum()
        if np.count_nonzero(own) == 1:
            single += share**2
            continue
        centre = np.sum(weight[own] * blocks.mean_cube[own]) / share
        several.append(weight[own] * (blocks.mean_cube[own] - centre))
        scale.append(share)
    if not several:
        raise ValueError("too few samples for an interval: at least two in one stratum are needed")
    correlation = _correlation(several)
    variance, freedom, third = np.array([_slow_part(x, correlation) for x in several]).T
    known = float(variance.sum())
    sizes = np.array([x.size for x in several])
    largest = float(np.max(variance * sizes / np.array(scale) ** 2))
    total = known + single * largest
    degrees = known**2 / float(np.sum(variance**2 / freedom)) if known > 0.0 else math.inf
    skewness = float(third.sum()) / total**1.5 if total > 0.0 else 0.0
    return CubeEstimate(mean, math.sqrt(total), degrees, skewness)


def _correlation(series: Sequence[Array]) -> float:
    """Lag-one correlation of several series of deviations (n,) together, at least 0."""
    square = np.array([float(x @ x) for x in series])
    if not square.sum() > 0.0:
        return 0.0
    size = np.array([x.size for x in series])
    product = np.array([float(x[1:] @ x[:-1]) for x in series])
    raw = float(np.sum(product * size / (size - 1)) / square.sum())
    bias = (1.0 + 3.0 * max(raw, 0.0)) * float(np.sum(square / size) / square.sum())
    return min(max(raw + bias, 0.0), _LARGEST_CORRELATION)


def _slow_part(deviation: Array, correlation: float) -> tuple[float, int, float]:
    """Variance of the sum of deviations (n,), its degrees of freedom, third cumulant of the sum."""
    n = deviation.size
    most = min(n - 1, max(n // _BLOCKS_PER_COSINE, _FEW_COSINES))
    memory = math.sqrt(correlation) / (1.0 - correlation)  # S = S(0) (1 - memory^2 w^2), small w
    slow = math.sqrt(3.0 * _LOSS) * n / (math.pi * memory) if memory > 0.0 else math.inf
    count = max(1, int(min(slow, most)))
    w = math.pi * np.arange(1, count + 1) / n
    fall = (1.0 - correlation) ** 2 / (1.0 - 2.0 * correlation * np.cos(w) + correlation**2)
    amplitude = fft.dct(deviation, norm="ortho")[1 : count + 1]
    variance = n * float(amplitude @ amplitude) / float(fall.sum())
    third = 0.0
    if count > 1:
        pooled = np.add.reduceat(deviation, (np.arange(count + 1) * n) // (count + 1))
        third = float(np.sum(pooled**3)) * (count + 1) ** 2 / (count * (count - 1))
    return variance, count, third


def interval(blocks: Blocks, level: float = 0.90) -> tuple[float, float]:
    """Two-sided interval of the effective speed, m/s, at confidence ``level`` from blocks."""
    if not 0.0 < level < 1.0:
        raise ValueError("confidence level must be between 0 and 1")
    mean, error, freedom, skewness = estimate(blocks)
    if mean > 0.0:
        skewness = max(skewness, _EVENT_SKEWNESS * error / mean)
    quantile = 0.5 * (1.0 + level)
    student = special.ndtri(quantile) if math.isinf(freedom) else special.stdtrit(freedom, quantile)
    below = error * _unskewed(float(student), skewness)
    above = error * _unskewed(-float(student), skewness)
    return float(np.cbrt(max(mean - below, 0.0))), float(np.cbrt(mean - above))


def _unskewed(x: float, skewness: float) -> float:
    """Inverse of Hall's transformation g(t) = t + s t^2/3 + s^2 t^3/27 + s/6, s the skewness."""
    if abs(skewness) < 1e-6:
        return x
    return 3.0 / skewness * (float(np.cbrt(1.0 + skewness * (x - skewness / 6.0))) - 1.0)
