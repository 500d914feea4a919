"""Constants fitted to published data by least squares, and whether they may replace defaults.

Residuals are e = ln(computed/measured), or computed - measured. Constants that must stay positive
are fitted by their logarithm. With J the Jacobian of the residuals at the least-squares solution,
n data and p constants,

    C = s^2 (J^T J)^-1,  s^2 = sum(e^2)/(n - p),  interval: value +- t(0.95, n - p) sqrt(C_ii),

the 90 % interval of nonlinear regression (G. A. F. Seber and C. J. Wild, Nonlinear Regression,
1989, section 5.1, from memory). It takes every datum as independent. Beside it stands the
delete-one-station jackknife (B. Efron and C. Stein, Ann. Statist. 9 (1981) 586, from memory), with
t(0.95, stations - 1), which does not.

Split, fixed before any fit: of the stations in order, the first, third, fifth ... train; the others
are held out. A fitted constant replaces its default only when (1 fixed before any fit, 2 and 3
after a first trial fit of the wake peaks)

1. the mean square held-out residual falls by more than its uncertainty, both for the whole set
   against the defaults and for this constant against the others refitted with it at its default;
2. its value lies within its published or assumed range, and not at a bound of the search;
3. the data stand for what the default stands for (``Constant.unlike`` is empty).

The uncertainty of the fall is the root of the sum of two squares: t(0.95, m - 1) times the standard
error of the mean of the falls at the m held-out stations, and the rise of the held-out mean square
that the constants' own uncertainty makes at its 95 % point (multivariate t draws, residuals
linearised).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import OptimizeResult, least_squares
from scipy.stats import t as student

from wakesim.arrays import Array, Mask

Interval = tuple[float, float]

TAIL = 0.95  # one-sided: 90 % two-sided
_STARTS = (0.25, 0.75)  # further starts, as shares of the search range
_AT_BOUND = 1e-3  # of the search range
_DRAWS, _SEED = 4000, 20
_STEP = 1e-4  # of the differences behind the linearised residuals
_ADOPTED = "it does better on the held-out part by more than its uncertainty"


@dataclass(frozen=True)
class Constant:
    """A constant to fit: default, search bounds and the range in which it may be adopted.

    A ``nuisance`` is fitted along with the others and never adopted. ``positive``: fitted by its
    logarithm. ``unlike`` is empty when the data stand for what the default stands for, else says in
    words why they do not.
    """

    name: str
    symbol: str
    unit: str
    default: float
    bounds: Interval
    allowed: Interval = (-math.inf, math.inf)
    positive: bool = True
    nuisance: bool = False
    unlike: str = ""


@dataclass(frozen=True)
class Problem:
    """Data and a model: ``predict`` takes values of the constants (p,) and returns (n,).

    ``station`` (n,) numbers the places of measurement in order. ``relative``: residuals are
    logarithms of ratios, else differences in ``unit``. ``note``: limits of the data in words.
    """

    name: str
    data: str
    constants: tuple[Constant, ...]
    measured: Array
    station: NDArray[np.int64]
    predict: Callable[[Array], Array]
    relative: bool = True
    unit: str = ""
    note: str = ""

    def residuals(self, values: Array) -> Array:
        """Residuals (n,) at values (p,) of the constants."""
        computed = self.predict(values)
        if self.relative:
            return np.log(computed / self.measured)
        return computed - self.measured

    def training(self) -> Mask:
        """(n,) True for every other station in order, from the first on."""
        place = np.searchsorted(np.unique(self.station), self.station)
        return np.asarray(place % 2 == 0)

    @property
    def station_counts(self) -> tuple[int, int]:
        """Number of stations that train and that are held out."""
        use = self.training()
        return len(set(self.station[use])), len(set(self.station[~use]))

    @property
    def defaults(self) -> Array:
        """Default values (p,)."""
        return np.array([c.default for c in self.constants])

    def to_point(self, values: Array) -> Array:
        """Values (p,) in the scale of the fit: logarithms of positive constants."""
        pairs = zip(self.constants, values, strict=True)
        return np.array([math.log(v) if c.positive else v for c, v in pairs])

    def to_values(self, point: Array) -> Array:
        """The reverse of ``to_point``."""
        pairs = zip(self.constants, point, strict=True)
        return np.array([math.exp(q) if c.positive else q for c, q in pairs])

    def search(self) -> tuple[Array, Array]:
        """Bounds of the search in the scale of the fit, each (p,)."""
        low, high = zip(*(c.bounds for c in self.constants), strict=True)
        return self.to_point(np.array(low)), self.to_point(np.array(high))


@dataclass(frozen=True)
class Estimate:
    """Least-squares solution: values (p,), and in the scale of the fit the point (p,), its
    covariance (p, p) and the degrees of freedom."""

    values: Array
    point: Array
    covariance: Array
    freedom: int
    rms: float
    at_bound: NDArray[np.bool_]


def _solutions(problem: Problem, use: Mask, start: Array | None) -> list[OptimizeResult]:
    low, high = problem.search()
    starts = [problem.to_point(problem.defaults if start is None else start)]
    if start is None:
        shares = itertools.product(_STARTS, repeat=low.size)
        starts += [low + np.array(share) * (high - low) for share in shares]
    return [
        least_squares(
            lambda point: problem.residuals(problem.to_values(point))[use],
            np.clip(first, low, high),
            bounds=(low, high),
            x_scale=np.full(low.size, 0.1),
            diff_step=1e-5,
            xtol=1e-10,
            ftol=1e-12,
            gtol=1e-12,
        )
        for first in starts
    ]


def estimate(problem: Problem, use: Mask | None = None, start: Array | None = None) -> Estimate:
    """Constants fitted to the data in ``use`` (n,), default all of them.

    The search begins at the defaults and at points over the search range, or at ``start`` (p,)
    alone. Raises ValueError with fewer data than constants; with as many the covariance is
    infinite.
    """
    use = np.ones(problem.measured.size, dtype=bool) if use is None else use
    count, size = int(use.sum()), len(problem.constants)
    if count < size:
        raise ValueError(f"{problem.name}: {count} data cannot fix {size} constants")
    best = min(_solutions(problem, use, start), key=lambda r: round(float(r.cost), 12))
    freedom = count - size
    covariance = np.full((size, size), np.inf)
    if freedom > 0:
        variance = 2.0 * float(best.cost) / freedom
        covariance = variance * np.linalg.pinv(best.jac.T @ best.jac)
    low, high = problem.search()
    margin = _AT_BOUND * (high - low)
    return Estimate(
        values=problem.to_values(best.x),
        point=best.x,
        covariance=covariance,
        freedom=freedom,
        rms=math.sqrt(2.0 * float(best.cost) / count),
        at_bound=(best.x < low + margin) | (best.x > high - margin),
    )


def _exp(x: float) -> float:
    return math.exp(x) if x < 700.0 else math.inf


def _about(problem: Problem, point: Array, half: Array) -> list[Interval]:
    """Intervals of all constants from half-widths in the scale of the fit."""
    out = []
    for constant, centre, width in zip(problem.constants, point, half, strict=True):
        low, high = float(centre - width), float(centre + width)
        out.append((_exp(low), _exp(high)) if constant.positive else (low, high))
    return out


def intervals(problem: Problem, found: Estimate) -> list[Interval]:
    """90 % intervals of all constants from the covariance; unbounded without one."""
    half = np.full(found.point.size, np.inf)
    if found.freedom > 0:
        half = student.ppf(TAIL, found.freedom) * np.sqrt(np.diag(found.covariance))
    return _about(problem, found.point, half)


def jackknife(problem: Problem, use: Mask, found: Estimate) -> list[Interval]:
    """90 % intervals of all constants by leaving out one station of ``use`` at a time.

    Unbounded when a station fewer leaves fewer data than constants.
    """
    places = np.unique(problem.station[use])
    points = []
    for place in places:
        kept = use & (problem.station != place)
        if kept.sum() < len(problem.constants):
            return _about(problem, found.point, np.full(found.point.size, np.inf))
        points.append(estimate(problem, kept, found.values).point)
    n = places.size
    error = np.sqrt((n - 1) / n * np.sum((points - np.mean(points, axis=0)) ** 2, axis=0))
    return _about(problem, found.point, student.ppf(TAIL, n - 1) * error)


# --- the test on data that the fit did not see --------------------------------------------------


@dataclass(frozen=True)
class Gain:
    """Fall of the held-out mean square residual, and its 90 % uncertainty."""

    value: float
    uncertainty: float

    @property
    def certain(self) -> bool:
        """Whether the fall exceeds its uncertainty."""
        return self.value > self.uncertainty


@dataclass(frozen=True)
class Fit:
    """One constant of one problem, fitted and judged. Intervals are 90 %, (low, high).

    ``fitted`` is from the training part; ``fitted_to_all`` from all data, for comparison only.
    ``set_gain`` is that of all the problem's constants together, ``own_gain`` of this one.
    """

    problem: Problem
    constant: Constant
    fitted: float
    fitted_to_all: float
    interval: Interval
    jackknife: Interval
    training_rms: float
    held_out_rms_default: float
    held_out_rms_fitted: float
    set_gain: Gain
    own_gain: Gain
    adopt: bool
    reason: str

    @property
    def default_doubtful(self) -> bool:
        """Whether the default lies outside both intervals of the fit."""
        value = self.constant.default
        return not any(low <= value <= high for low, high in (self.interval, self.jackknife))


def _jacobian(problem: Problem, point: Array, use: Mask) -> Array:
    """Central differences of the residuals in ``use``, (n, p)."""
    columns = []
    for step in _STEP * np.eye(point.size):
        ahead, behind = (problem.residuals(problem.to_values(point + s * step)) for s in (1, -1))
        columns.append((ahead - behind)[use] / (2.0 * _STEP))
    return np.column_stack(columns)


def _own_rise(problem: Problem, found: Estimate, held: Mask) -> float:
    """Rise of the held-out mean square by the constants' uncertainty, its 95 % point."""
    if found.freedom == 0:
        return math.inf
    error = problem.residuals(found.values)[held]
    slope = _jacobian(problem, found.point, held)
    rng = np.random.default_rng(_SEED)
    values, vectors = np.linalg.eigh(found.covariance)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    scale = np.sqrt(found.freedom / rng.chisquare(found.freedom, _DRAWS))
    moved = (rng.standard_normal((_DRAWS, found.point.size)) @ root.T) * scale[:, None]
    squares = np.mean((error + moved @ slope.T) ** 2, axis=1)
    return max(float(np.quantile(squares, TAIL) - np.mean(error**2)), 0.0)


def gain(problem: Problem, before: Array, found: Estimate, held: Mask) -> Gain:
    """Gain of the fitted values over the values ``before`` (p,) on the data ``held`` (n,)."""
    old, new = (problem.residuals(v)[held] ** 2 for v in (before, found.values))
    place = problem.station[held]
    by_station = np.array([np.mean((old - new)[place == p]) for p in np.unique(place)])
    sampling = math.inf
    if by_station.size > 1:
        error = float(np.std(by_station, ddof=1)) / math.sqrt(by_station.size)
        sampling = float(student.ppf(TAIL, by_station.size - 1)) * error
    return Gain(float(np.mean(old - new)), math.hypot(sampling, _own_rise(problem, found, held)))


def _rest_fitted(problem: Problem, use: Mask, fixed: list[bool]) -> Array:
    """Values (p,) with the ``fixed`` constants at their defaults and the others fitted."""
    values = problem.defaults
    free = [i for i, held in enumerate(fixed) if not held]
    if not free:
        return values

    def predict(chosen: Array) -> Array:
        full = problem.defaults
        full[free] = chosen
        return problem.predict(full)

    part = replace(problem, constants=tuple(problem.constants[i] for i in free), predict=predict)
    values[free] = estimate(part, use).values
    return values


def _objections(constant: Constant, fit: Fit, at_bound: bool) -> str:
    """Why a constant is not adopted; empty when nothing speaks against it."""
    low, high = constant.allowed
    found = []
    if not fit.set_gain.certain:
        found.append("the held-out residuals do not fall by more than the uncertainty of the fall")
    elif not fit.own_gain.certain:
        found.append("its own share of the fall is within its uncertainty")
    if at_bound:
        found.append("the fit ends at a bound of the search: the data do not fix it")
    elif not low <= fit.fitted <= high:
        found.append(f"the fitted value is outside its range {low:g} to {high:g}")
    if constant.unlike:
        found.append(constant.unlike)
    return "; ".join(found)


def judge(problem: Problem) -> tuple[Fit, ...]:
    """Fit on the training part, judge on the held-out part; one entry for each own constant.

    Raises ValueError when the training part has fewer data than constants.
    """
    use = problem.training()
    held = ~use
    found = estimate(problem, use)
    normal, left_out = intervals(problem, found), jackknife(problem, use, found)
    base = _rest_fitted(problem, use, [not c.nuisance for c in problem.constants])
    whole = gain(problem, base, found, held)
    rms_base, rms_fit = (
        math.sqrt(float(np.mean(problem.residuals(v)[held] ** 2))) for v in (base, found.values)
    )
    everything = estimate(problem).values
    fits = []
    for i, constant in enumerate(problem.constants):
        if constant.nuisance:
            continue
        without = _rest_fitted(problem, use, [k == i for k in range(len(problem.constants))])
        fit = Fit(
            problem=problem,
            constant=constant,
            fitted=float(found.values[i]),
            fitted_to_all=float(everything[i]),
            interval=normal[i],
            jackknife=left_out[i],
            training_rms=found.rms,
            held_out_rms_default=rms_base,
            held_out_rms_fitted=rms_fit,
            set_gain=whole,
            own_gain=gain(problem, without, found, held),
            adopt=False,
            reason="",
        )
        against = _objections(constant, fit, bool(found.at_bound[i]))
        fits.append(replace(fit, adopt=not against, reason=against or _ADOPTED))
    return tuple(fits)
