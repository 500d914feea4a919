"""Whether a fitted constant may replace its default: the test on data that the fit did not see.

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

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy.stats import t as student

from wakesim.arrays import Array
from wakesim.validation.fitting import (
    TAIL,
    Constant,
    Estimate,
    Interval,
    Mask,
    Problem,
    estimate,
    intervals,
    jackknife,
)

_DRAWS, _SEED = 4000, 20
_STEP = 1e-4  # of the differences behind the linearised residuals
_ADOPTED = "it does better on the held-out part by more than its uncertainty"


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
