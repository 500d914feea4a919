"""The yield under uncertain inputs: percentiles of samples, and which input matters most.

Samples are a scrambled Sobol sequence (scipy.stats.qmc). The ranking is variance-based (Sobol 1993;
Saltelli et al. 2010): the first-order index of an input is the share of the output's variance
that its own value explains, the total index the share with all its interactions. Both come from the
same samples by a polynomial chaos expansion (Sudret 2008, Reliab. Eng. Syst. Saf. 93, 964): least
squares on products of orthonormal Legendre polynomials of the inputs mapped to [-1, 1],

    y = sum over a of c_a Psi_a(x),   Var y = sum over a != 0 of c_a^2,

so indices are sums of squared coefficients. The products are single inputs up to the third degree
and pairs; with few samples, up to the second degree, then without pairs. A choice between two
options is a two-point variable with the basis {1, +-1}. An output that goes with the cube of a
smooth one is expanded as its cube root; the indices of the cube then come from the expansion
itself, which costs nothing to evaluate, by the estimators of Saltelli et al. 2010 (first order) and
Jansen 1999 (total). ``explained`` is the share of the variance that the expansion predicts for
samples left out one at a time; where it is low the indices are no guide, and that is said.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from wakesim.arrays import Array

_SURROGATE_EXPONENT = 13  # 2^13 points of the expansion for the estimators
LEAST_EXPLAINED = 0.8  # below this the ranking is flagged


@dataclass(frozen=True)
class Parameter:
    """One uncertain input, evenly spread over its range.

    ``scale`` is "linear", "log" (even in the logarithm) or "choice" (``low`` or ``high``, half
    each). ``origin`` says where the range comes from, ``key`` is its name in programs, ``unit``
    that of its values. Raises ValueError for an empty range.
    """

    name: str
    low: float
    high: float
    scale: str = "linear"
    origin: str = ""
    key: str = ""
    unit: str = ""

    def __post_init__(self) -> None:
        if self.scale not in ("linear", "log", "choice"):
            raise ValueError(f"{self.name}: unknown scale {self.scale!r}")
        least = 0.0 if self.scale == "log" else -math.inf
        if not (least < self.low < self.high < math.inf):
            raise ValueError(f"{self.name}: the low end must be below the high end")

    def value(self, place: Array) -> Array:
        """Values at places (n,) in 0..1."""
        if self.scale == "choice":
            return np.where(place < 0.5, self.low, self.high)
        if self.scale == "log":
            return self.low * (self.high / self.low) ** place
        return self.low + (self.high - self.low) * place


def sample(parameters: Sequence[Parameter], count: int, seed: int) -> tuple[Array, Array]:
    """(places in 0..1, values), each (count, parameters), of a scrambled Sobol sequence.

    Raises ValueError unless ``count`` is a power of two (the sequence is even only there).
    """
    exponent = count.bit_length() - 1
    if count < 2 or 2**exponent != count:
        raise ValueError(f"the number of samples is {count}: must be a power of two")
    place = _sobol(len(parameters), seed).random_base2(exponent)
    values = np.column_stack([p.value(place[:, k]) for k, p in enumerate(parameters)])
    return place, values


def _sobol(dimensions: int, seed: int) -> Any:
    """The scrambled sequence; its library is imported here, where a case has an uncertain yield."""
    from scipy.stats import qmc

    return qmc.Sobol(dimensions, seed=seed)


@dataclass(frozen=True)
class Percentiles:
    """Values exceeded with 90, 50 and 10 % probability (P90, P50, P10 of the yield trade)."""

    p90: float
    p50: float
    p10: float
    mean: float
    sd: float


def percentiles(values: ArrayLike) -> Percentiles:
    """Exceedance percentiles of samples (n,). Raises ValueError for none or not finite ones."""
    v = np.asarray(values, dtype=np.float64)
    if v.ndim != 1 or v.size < 2 or not np.all(np.isfinite(v)):
        raise ValueError("at least two finite values are needed")
    low, middle, high = np.quantile(v, [0.1, 0.5, 0.9])
    return Percentiles(float(low), float(middle), float(high), float(v.mean()), float(v.std()))


@dataclass(frozen=True)
class Ranking:
    """Shares of the variance by input, in the parameters' order, and how far to trust them."""

    names: tuple[str, ...]
    first_order: Array
    total: Array
    explained: float

    @property
    def trusted(self) -> bool:
        """Whether the expansion predicts left-out samples well enough."""
        return self.explained >= LEAST_EXPLAINED

    def ordered(self) -> list[tuple[str, float, float]]:
        """(name, first order, total), largest total first."""
        rows = zip(self.names, self.first_order, self.total, strict=True)
        return sorted(((n, float(f), float(t)) for n, f, t in rows), key=lambda r: -r[2])


def ranking(
    parameters: Sequence[Parameter], place: ArrayLike, output: ArrayLike, root: int = 1
) -> Ranking:
    """Variance-based indices from samples ``place`` (n, parameters) in 0..1 and output (n,).

    ``root`` 3 is for an energy, which goes with the cube of a speed. Raises ValueError when there
    are fewer than twice as many samples as terms of the smallest expansion, or values that are not
    finite, or negative ones under a root. An output that never changes gives indices of zero.
    """
    x = 2.0 * np.asarray(place, dtype=np.float64) - 1.0
    y = np.asarray(output, dtype=np.float64)
    if x.shape != (y.size, len(parameters)) or not np.all(np.isfinite(y)):
        raise ValueError("places and outputs do not fit together, or are not finite")
    if root != 1 and y.min() < 0.0:
        raise ValueError("a root needs outputs of at least 0")
    terms = _affordable_terms(parameters, y.size)
    names, variance = tuple(p.name for p in parameters), float(np.var(y))
    if variance <= 1e-24 * max(float(np.mean(y**2)), 1e-300):
        return Ranking(names, np.zeros(len(names)), np.zeros(len(names)), 1.0)
    z = y if root == 1 else y ** (1.0 / root)
    basis = _basis(x, parameters, terms)
    orthogonal, upper = np.linalg.qr(basis)
    coefficient = np.linalg.solve(upper, orthogonal.T @ z)
    leverage = np.sum(orthogonal**2, axis=1)
    left_out = z - (z - basis @ coefficient) / np.maximum(1.0 - leverage, 1e-9)
    explained = 1.0 - float(np.mean((y - _power(left_out, root)) ** 2)) / variance
    if root == 1:
        first, total = _squared(coefficient, terms)
    else:
        first, total = _sampled(parameters, terms, coefficient, root)
    return Ranking(names, first, total, explained)


def _power(z: Array, root: int) -> Array:
    return z if root == 1 else np.maximum(z, 0.0) ** root


def _squared(coefficient: Array, terms: list[tuple[int, ...]]) -> tuple[Array, Array]:
    """First-order and total indices as sums of squared coefficients."""
    square = coefficient**2
    square[0] = 0.0
    used = np.array(terms) > 0
    alone = used.sum(axis=1) == 1
    return (square @ (used & alone[:, None])) / square.sum(), (square @ used) / square.sum()


def _sampled(
    parameters: Sequence[Parameter], terms: list[tuple[int, ...]], coefficient: Array, root: int
) -> tuple[Array, Array]:
    """Indices of the expansion's power by the estimators of Saltelli (first) and Jansen (total)."""
    count = len(parameters)
    drawn = 2.0 * _sobol(2 * count, 0).random_base2(_SURROGATE_EXPONENT) - 1.0
    a, b = drawn[:, :count], drawn[:, count:]

    def value(x: Array) -> Array:
        return _power(_basis(x, parameters, terms) @ coefficient, root)

    at_a, at_b = value(a), value(b)
    variance = float(np.var(np.concatenate([at_a, at_b])))
    first, total = np.empty(count), np.empty(count)
    for k in range(count):
        mixed = a.copy()
        mixed[:, k] = b[:, k]
        at_mixed = value(mixed)
        first[k] = np.mean((at_b - at_b.mean()) * (at_mixed - at_a)) / variance
        total[k] = 0.5 * np.mean((at_a - at_mixed) ** 2) / variance
    return first, total


def _affordable_terms(parameters: Sequence[Parameter], samples: int) -> list[tuple[int, ...]]:
    """The largest expansion with at most half as many terms as samples."""
    terms: list[tuple[int, ...]] = []
    for degree, pairs in ((3, True), (2, True), (2, False)):
        terms = _terms([degree if p.scale != "choice" else 1 for p in parameters], pairs)
        if samples >= 2 * len(terms):
            return terms
    raise ValueError(f"{samples} samples are too few for {len(terms)} terms; take twice as many")


def _terms(highest: Sequence[int], pairs: bool) -> list[tuple[int, ...]]:
    """Degrees of every product: single inputs up to their highest, and pairs of first degree."""
    count = len(highest)
    terms = [(0,) * count]
    for k, top in enumerate(highest):
        for degree in range(1, top + 1):
            terms.append(tuple(degree if j == k else 0 for j in range(count)))
    for a, b in itertools.combinations(range(count), 2) if pairs else ():
        terms.append(tuple(1 if j in (a, b) else 0 for j in range(count)))
    return terms


def _basis(x: Array, parameters: Sequence[Parameter], terms: list[tuple[int, ...]]) -> Array:
    single = []
    for k, parameter in enumerate(parameters):
        if parameter.scale == "choice":
            single.append(np.stack([np.ones(len(x)), np.where(x[:, k] < 0.0, -1.0, 1.0)]))
        else:
            series = np.polynomial.legendre.legvander(x[:, k], 3).T
            single.append(series * np.sqrt(2.0 * np.arange(4) + 1.0)[:, None])
    out = np.ones((len(x), len(terms)))
    for column, term in enumerate(terms):
        for k, degree in enumerate(term):
            if degree:
                out[:, column] *= single[k][degree]
    return out


@dataclass(frozen=True)
class YieldUncertainty:
    """P90, P50 and P10 of the effective speed, m/s, and of a year's energy, kWh, with rankings.

    The year has the air of the case. ``values`` (samples,
    parameters) and ``outputs`` (samples, 2) are the samples behind them, ``failed`` counts those
    that gave no result.
    """

    parameters: tuple[Parameter, ...]
    samples: int
    failed: int
    speed: Percentiles
    energy: Percentiles
    speed_ranking: Ranking
    energy_ranking: Ranking
    values: Array
    outputs: Array
