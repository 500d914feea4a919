"""Velocity induced by vortices in the plan plane, by the faster of two routes.

A vortex of circulation Gamma (counter-clockwise positive) with a compact core of radius delta
induces at (dx, dy) from it, r^2 = dx^2 + dy^2,

    u = -Gamma / (2 pi) dy K,   v = Gamma / (2 pi) dx K,
    K = [1 - max(0, 1 - r^2/delta^2)^4] / r^2,

exactly the point vortex for r >= delta, and smooth with u = v = 0 at its centre. Few points are
summed pair by pair (exact to rounding), many by expansions of groups (cores included: only groups
beyond each other's cores are expanded); see ``kernels/vortex_sums``.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wakesim.arrays import Array
from wakesim.vehicle.kernels import vortex_sums, vortex_tree

_PARALLEL_PAIRS = 20_000  # below this a thread team costs more than it saves
_FAST_PAIRS_PER_POINT = 1000  # pairs per point, targets and sources, from which groups pay
_LEAF = 100  # points of the smallest groups
_OPENING = 0.46  # radius of a group over its distance from the far end of another one


def induced_velocity(
    targets: ArrayLike, sources: ArrayLike, circulation: ArrayLike, core: ArrayLike
) -> Array:
    """Velocity of a set of plan-plane vortices with compact cores.

    Parameters
    ----------
    targets
        Points (m, 2), m.
    sources
        Vortex centres (n, 2), m.
    circulation
        (n,), m2/s, positive counter-clockwise.
    core
        Core radius, m, not negative: one number or (n,). 0 is a point vortex, which adds nothing
        at a target on its centre.

    Returns
    -------
    (m, 2), m/s
        Large sums differ from the sum pair by pair by less than 1e-7 of the largest velocity in
        the tests; that is no proven bound. Same bytes for any number of threads. Lengths below
        1e-70 of the largest coordinate or core count as zero.

    Raises
    ------
    ValueError
        An array has the wrong shape, is not finite, or a core radius is negative.
    """
    problem = _checked(targets, sources, circulation, core)
    m, n = len(problem.targets), len(problem.sources)
    return _velocity(problem, fast=m * n > _FAST_PAIRS_PER_POINT * (m + n))


def direct_sum(
    targets: ArrayLike, sources: ArrayLike, circulation: ArrayLike, core: ArrayLike
) -> Array:
    """Same as ``induced_velocity``, always pair by pair."""
    return _velocity(_checked(targets, sources, circulation, core), fast=False)


def multipole_sum(
    targets: ArrayLike, sources: ArrayLike, circulation: ArrayLike, core: ArrayLike
) -> Array:
    """Same as ``induced_velocity``, always through expansions."""
    return _velocity(_checked(targets, sources, circulation, core), fast=True)


class _Problem(NamedTuple):
    targets: Array  # (m, 2) m
    sources: Array  # (n, 2) m
    circulation: Array  # (n,) m2/s
    core: Array  # (n,) m


def _checked(
    targets: ArrayLike, sources: ArrayLike, circulation: ArrayLike, core: ArrayLike
) -> _Problem:
    at = _points("targets", targets)
    of = _points("sources", sources)
    strength = _finite("circulation", circulation)
    if strength.shape != (len(of),):
        raise ValueError(f"circulation must have shape ({len(of)},), not {strength.shape}")
    radius = _finite("core", core)
    if radius.shape not in ((), (len(of),)):
        raise ValueError(f"core must be one number or ({len(of)},), not {radius.shape}")
    if np.any(radius < 0.0):
        raise ValueError(f"core must not be negative, found {radius.min():g} m")
    return _Problem(at, of, strength, np.broadcast_to(radius, (len(of),)))


def _points(name: str, values: ArrayLike) -> Array:
    array = _finite(name, values)
    if array.ndim != 2 or array.shape[1] != 2:
        raise ValueError(f"{name} must have shape (k, 2), not {array.shape}")
    return array


def _finite(name: str, values: ArrayLike) -> Array:
    try:
        if np.iscomplexobj(values):
            raise TypeError
        array = np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise ValueError(f"{name} must be an array of real numbers") from error
    if not np.all(np.isfinite(array)):
        raise ValueError(f"{name} must be finite")
    return array


def _velocity(problem: _Problem, fast: bool) -> Array:
    """Scale by powers of two, which is exact, so that no product overflows; sum; scale back."""
    targets, sources, circulation, core = problem
    if len(targets) == 0 or len(sources) == 0:
        return np.zeros((len(targets), 2))
    length = max(_exponent(targets), _exponent(sources), _exponent(core))
    strength = _exponent(circulation)
    px, py = np.ldexp(targets.T, -length)
    x, y = np.ldexp(sources.T, -length)
    core2 = np.maximum(np.ldexp(core, -length) ** 2, vortex_sums.SMALLEST_SQUARED)
    vortices = np.stack([x, y, np.ldexp(circulation, -strength), core2, 1.0 / core2])
    re, im = (_through_groups if fast else _pair_by_pair)(px, py, vortices)
    return np.ldexp(np.stack([im, re], axis=1) / (2.0 * math.pi), strength - length)


def _exponent(values: Array) -> int:
    """The power of two just above the largest magnitude."""
    return int(np.frexp(np.max(np.abs(values)))[1])


def _pair_by_pair(px: Array, py: Array, vortices: Array) -> tuple[Array, Array]:
    re, im = np.zeros(px.size), np.zeros(px.size)
    parallel = px.size * vortices.shape[1] > _PARALLEL_PAIRS
    add = vortex_sums.add_pairs_parallel if parallel else vortex_sums.add_pairs_serial
    add(px, py, *vortices, re, im)
    return re, im


def _through_groups(px: Array, py: Array, vortices: Array) -> tuple[Array, Array]:
    order, keys = vortex_tree.morton_order(vortices[0], vortices[1])
    vortices = np.ascontiguousarray(vortices[:, order])
    x, y, strength, core2, _ = vortices
    sources = vortex_tree.grow(x, y, np.sqrt(core2), keys, _LEAF)
    if px.size == x.size and np.array_equal(px[order], x) and np.array_equal(py[order], y):
        targets = sources
    else:
        order, keys = vortex_tree.morton_order(px, py)
        targets = vortex_tree.grow(px[order], py[order], np.zeros(px.size), keys, _LEAF)
    px, py = px[order], py[order]
    pairs = vortex_tree.cell_pairs(targets, sources, _OPENING)
    multipole = vortex_sums.multipoles(sources, _leaves(sources), x, y, strength)
    local = vortex_sums.local_expansions(targets, sources, pairs.far_start, pairs.far, *multipole)
    sums = np.empty((2, px.size))
    vortex_sums.leaf_sums(
        targets, _leaves(targets), sources, pairs.near_start, pairs.near,
        px, py, vortices, *local, *sums,
    )  # fmt: skip
    out = np.empty((2, px.size))
    out[:, order] = sums
    return out[0], out[1]


def _leaves(tree: vortex_tree.Tree) -> NDArray[np.int64]:
    return np.flatnonzero(tree.child < 0)
