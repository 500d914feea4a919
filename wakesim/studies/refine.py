"""Adding values to the axes of a table where interpolation misses more than a tolerance.

Every interval of every axis is tried at its middle, with the other axes at a few base states (their
middle, both ends, and random ones from a fixed seed): the effective speed computed there against
the one interpolated along that axis from computed values at its nodes. Where any base state misses
by more than the tolerance, the middle becomes a value of the axis; so on, round by round, until
nothing misses, a round would exceed ``most_states``, or ``_ROUNDS`` are done. An axis is judged
alone: errors of several axes can add up, which the check of the finished table shows.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from math import prod

import numpy as np

from wakesim.arrays import Array
from wakesim.case.studies import PLACE_AXES
from wakesim.measures.interpolation import Axis, interpolate

Axes = dict[str, tuple[float, ...]]
Evaluate = Callable[[Sequence[Mapping[str, float]]], Array]

_ROUNDS = 3
_RANDOM_BASES = 2
_SEED = 20260725


@dataclass(frozen=True)
class Refined:
    """Axes after refinement, the values ``added``, and whether the tolerance was ``met``."""

    axes: Axes
    added: Axes
    met: bool


def refine(
    axes: Mapping[str, Sequence[float]], evaluate: Evaluate, tolerance: float, most_states: int
) -> Refined:
    """Axes whose intervals each interpolate within ``tolerance`` (relative).

    ``evaluate(states)`` gives the effective speed (n,) of states, each a value for every axis.
    """
    now: Axes = {name: tuple(values) for name, values in axes.items()}
    added: dict[str, list[float]] = {name: [] for name in now}
    met = False
    for _ in range(_ROUNDS):
        wanted = _misses(now, evaluate, tolerance)
        met = not any(wanted.values())
        grown = {n: tuple(sorted((*now[n], *wanted[n]))) for n in now}
        if met or prod(len(v) for v in grown.values()) > most_states:
            break
        for name, values in wanted.items():
            added[name] += values
        now = grown
    else:
        met = not any(_misses(now, evaluate, tolerance).values())
    return Refined(now, {n: tuple(sorted(v)) for n, v in added.items() if v}, met)


def _misses(axes: Axes, evaluate: Evaluate, tolerance: float) -> dict[str, list[float]]:
    """Middles of the intervals that miss the tolerance, by axis."""
    bases = _bases(axes)
    states: list[dict[str, float]] = []
    plan = []
    for name, values in axes.items():
        if len(values) < 2:
            continue
        middles = [float(f"{m:.4g}") for m in Axis.of(name, values).middles()]
        for base in bases:
            first = len(states)
            states += [{**base, name: v} for v in (*values, *middles)]
            plan.append((name, values, middles, first))
    found: dict[str, list[float]] = {name: [] for name in axes}
    if not states:
        return found
    speed = evaluate(states)
    for name, values, middles, first in plan:
        nodes = speed[first : first + len(values)]
        exact = speed[first + len(values) : first + len(values) + len(middles)]
        guess = interpolate([Axis.of(name, values)], nodes, {name: np.array(middles)})
        for middle, miss in zip(middles, relative_error(guess, exact), strict=True):
            if miss > tolerance and middle not in found[name]:
                found[name].append(middle)
    return found


def relative_error(guess: Array, exact: Array) -> Array:
    """|guess/exact - 1|; 0 where both are 0, infinite where only the exact value is."""
    with np.errstate(divide="ignore", invalid="ignore"):
        error = np.abs(guess - exact) / np.abs(exact)
    return np.where((guess == 0.0) & (exact == 0.0), 0.0, error)


def _bases(axes: Axes) -> list[dict[str, float]]:
    """States at which each axis in turn is tried."""
    rng = np.random.default_rng(_SEED)
    places = [{n: v[len(v) // 2] for n, v in axes.items()}]
    places += [{n: v[end] for n, v in axes.items()} for end in (0, -1)]
    for _ in range(_RANDOM_BASES):
        places.append({n: float(rng.uniform(v[0], v[-1])) for n, v in axes.items()})
    return places


def random_states(
    axes: Mapping[str, Sequence[float]], count: int, alike: int = 1
) -> list[dict[str, float]]:
    """States drawn evenly along every axis, the same every time.

    ``alike`` of them in a row share everything but the place, which is cheaper to compute.
    """
    rng = np.random.default_rng(_SEED + 1)
    out: list[dict[str, float]] = []
    for k in range(count):
        state = {n: float(rng.uniform(v[0], v[-1])) for n, v in axes.items()}
        if k % alike:
            state |= {n: v for n, v in out[-1].items() if n not in PLACE_AXES}
        out.append(state)
    return out
