"""Interpolation in a table of states: piecewise cubic, over the wind's direction straight.

Along an axis: the cubic Hermite polynomial of each interval, with the slope at a node that of the
parabola through it and its neighbours (one-sided at the ends); a straight line between two values;
a constant for one. It is linear in the table's values, so an axis is a matrix of weights, and a
product of axes is taken one axis at a time. An axis of directions from a to a + 360 deg is closed.
Directions are straight, since the effective speed has kinks over them that a parabola overshoots:
the slightest crosswind carries the mean air of the traffic to one side (over the directions of the
shipped table the mean miss is 0.02 of the speed, with parabolas 0.06).
Flow, heavy share, wind speed and direction split are taken by their square roots, clearances by
their logarithm: along these the effective speed is closer to a straight line (sparse passes add
cubes, so the speed grows as a root of their number).
Where the table has kinks it can overshoot a little; the error is measured, not assumed.

Both ends of an interval around a value are its distances from it, interpolated by weights that are
never negative (``around``): the value lies between them wherever it is asked for.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wakesim.arrays import Array

FULL_CIRCLE_DEG = 360.0
_WIND = "wind_speed_m_s"
_ROOTS = ("flow_veh_h", "heavy_share", _WIND, "direction_split")
_LOGARITHMS = ("clearance_m",)
_SLACK = 1e-9  # of an axis' length, taken as inside
_MOST_NUMBERS = 4_000_000  # at hand at once
_NO_WEIGHT = 1e-9  # of a value that a rounding error away from a node has no part


@dataclass(frozen=True, eq=False)
class Axis:
    """Values (n,) that rise; ``periodic`` when the last is the first again after a full circle."""

    name: str
    values: Array
    periodic: bool = False

    @classmethod
    def of(cls, name: str, values: ArrayLike) -> Axis:
        """An axis; one of directions is straight, and closed over a full circle."""
        array = np.asarray(values, dtype=np.float64)
        turns = name.endswith("_deg")
        closed = turns and np.isclose(array[-1] - array[0], FULL_CIRCLE_DEG)
        return (Linear if turns else cls)(name, array, bool(closed))

    @property
    def ends(self) -> tuple[float, float]:
        """Lowest and highest value."""
        return float(self.values[0]), float(self.values[-1])

    @property
    def _rooted(self) -> bool:
        """Interpolated over the square root; a wind of two values, with nothing to bend by, over
        the wind itself."""
        two = self.name == _WIND and self.values.size < 3
        return self.name in _ROOTS and not two and bool(self.values[0] >= 0.0)

    def scaled(self, x: ArrayLike) -> Array:
        """Values as they are interpolated in."""
        at = np.asarray(x, dtype=np.float64)
        if self._rooted:
            return np.sqrt(at)
        if self.name in _LOGARITHMS and self.values[0] > 0.0:
            return np.log(at)
        return at

    def middles(self) -> Array:
        """The middle of every interval (n - 1,), as interpolation sees it."""
        nodes = self.scaled(self.values)
        middle = 0.5 * (nodes[1:] + nodes[:-1])
        if self._rooted:
            return middle**2
        if self.name in _LOGARITHMS and self.values[0] > 0.0:
            return np.exp(middle)
        return middle

    def wrapped(self, x: Array) -> Array:
        """Directions brought into the axis; other values as they are."""
        if not self.periodic:
            return x
        return self.values[0] + np.mod(x - self.values[0], FULL_CIRCLE_DEG)

    def outside(self, x: ArrayLike) -> NDArray[np.bool_]:
        """Where values are beyond the ends (NaN is)."""
        low, high = self.ends
        slack = _SLACK * max(high - low, abs(high), 1e-12)
        at = self.wrapped(np.asarray(x, dtype=np.float64))
        return np.asarray(~((at >= low - slack) & (at <= high + slack)))

    @cached_property
    def _slopes(self) -> Array:
        """Matrix (n, n) from values at the nodes to slopes there."""
        x = self.scaled(self.values)
        n = x.size
        slopes = np.zeros((n, n))
        if n == 2:
            slopes[:] = np.array([-1.0, 1.0]) / (x[1] - x[0])
        for i in range(n) if n > 2 else ():
            first = min(max(i - 1, 0), n - 3)
            slopes[i, first : first + 3] = _parabola(x[first : first + 3], i - first)
        return slopes

    def weights(self, x: ArrayLike) -> Array:
        """Weights (m, n) of the nodes at values (m,); clipped to the ends."""
        at = self.scaled(np.clip(self.wrapped(np.asarray(x, dtype=np.float64)), *self.ends))
        nodes = self.scaled(self.values)
        n = nodes.size
        if n == 1:
            return np.ones((at.size, 1))
        i = np.clip(np.searchsorted(nodes, at, side="right") - 1, 0, n - 2)
        step = np.diff(nodes)[i]
        t = (at - nodes[i]) / step
        rows = np.arange(at.size)
        out = (step * t * (1.0 - t) ** 2)[:, None] * self._slopes[i]
        out += (step * t**2 * (t - 1.0))[:, None] * self._slopes[i + 1]
        out[rows, i] += (1.0 + 2.0 * t) * (1.0 - t) ** 2
        out[rows, i + 1] += t**2 * (3.0 - 2.0 * t)
        return out


def _parabola(x: Array, at: int) -> Array:
    """Coefficients (3,) of the slope at node ``at`` of the parabola through three values."""
    out = np.empty(3)
    for j in range(3):
        others = [k for k in range(3) if k != j]
        numerator = sum(x[at] - x[k] for k in others)
        out[j] = numerator / np.prod([x[j] - x[k] for k in others])
    return out


@dataclass(frozen=True, eq=False)
class Linear(Axis):
    """An axis along which the table is straight between its values, as they are interpolated in;
    no weight is negative."""

    def weights(self, x: ArrayLike) -> Array:
        at = self.scaled(np.clip(self.wrapped(np.asarray(x, dtype=np.float64)), *self.ends))
        nodes = self.scaled(self.values)
        n = nodes.size
        if n == 1:
            return np.ones((at.size, 1))
        i = np.clip(np.searchsorted(nodes, at, side="right") - 1, 0, n - 2)
        t = (at - nodes[i]) / np.diff(nodes)[i]
        out = np.zeros((at.size, n))
        rows = np.arange(at.size)
        out[rows, i], out[rows, i + 1] = 1.0 - t, t
        return out


def interpolate(axes: Sequence[Axis], table: Array, at: Mapping[str, ArrayLike]) -> Array:
    """The table (one dimension an axis) at coordinates that broadcast; their common shape.

    NaN where a value of the table that is needed there is NaN, and nowhere else.
    """
    unknown = np.isnan(table)
    if not unknown.any():
        return _weighted(axes, table, at)
    result = _weighted(axes, np.where(unknown, 0.0, table), at)
    result[needs(axes, unknown, at)] = np.nan
    return result


def needs(
    axes: Sequence[Axis], marked: NDArray[np.bool_], at: Mapping[str, ArrayLike]
) -> NDArray[np.bool_]:
    """Where a marked value of a table has a weight; the coordinates' common shape."""
    return _weighted(axes, marked.astype(np.float64), at, np.abs) > _NO_WEIGHT


def _weighted(
    axes: Sequence[Axis],
    table: Array,
    at: Mapping[str, ArrayLike],
    form: Callable[[Array], Array] = np.asarray,
) -> Array:
    """Sums of the table's values with the weights of all axes, each taken in a ``form``."""
    coordinates = [np.asarray(at[axis.name], dtype=np.float64) for axis in axes]
    shape = np.broadcast_shapes(*(c.shape for c in coordinates))
    reduced, left = table, []
    for axis, values in zip(axes, coordinates, strict=True):  # single values first: they shrink it
        if values.size == 1:
            where = len(left)
            reduced = np.tensordot(form(axis.weights(values.ravel()))[0], reduced, axes=(0, where))
        else:
            left.append((axis, np.broadcast_to(values, shape).ravel()))
    if not left:
        return np.broadcast_to(reduced, shape).copy()
    count = int(np.prod(shape))
    rest = max(1, reduced.size // reduced.shape[0])
    block = max(1, _MOST_NUMBERS // rest)
    out = np.empty(count)
    for first in range(0, count, block):
        part = slice(first, min(first + block, count))
        value = form(left[0][0].weights(left[0][1][part])) @ reduced.reshape(reduced.shape[0], -1)
        size = reduced.shape[1:]
        for axis, values in left[1:]:
            value = value.reshape(len(value), size[0], -1)
            value = np.einsum("qa,qar->qr", form(axis.weights(values[part])), value)
            size = size[1:]
        out[part] = value.reshape(-1)
    return out.reshape(shape)


def straight(axes: Sequence[Axis]) -> list[Axis]:
    """The same axes, straight between their values."""
    return [Linear(axis.name, axis.values, axis.periodic) for axis in axes]


def around(
    axes: Sequence[Axis], value: Array, low: Array, high: Array, at: Mapping[str, ArrayLike]
) -> tuple[Array, Array, Array]:
    """A table of values and of the ends of an interval around each, at coordinates that broadcast:
    value, lower and upper end, each of their common shape.

    No value is below 0, and none outside its interval. NaN where one that is needed is.
    """
    between = np.maximum(interpolate(axes, value, at), 0.0)  # a cubic may overshoot; NaN stays
    lines = straight(axes)
    below, above = (
        interpolate(lines, np.maximum(distance, 0.0), at)
        for distance in (value - low, high - value)
    )
    return between, np.maximum(between - below, 0.0), between + above


def share_of_cube(
    axes: Sequence[Axis], share: Array, value: Array, at: Mapping[str, ArrayLike]
) -> Array:
    """A table of shares of the cubes of another table's values, at coordinates that broadcast.

    What is interpolated is the cube root of the product, which goes nearly straight with the value
    where the share itself bends: a rotor's from nothing to its best over a few tenths of a m/s.
    From 0 to the largest share of the table; 0 where the value is; NaN where one that is needed is.
    """
    whole = np.maximum(interpolate(axes, value, at), 0.0)
    part = np.maximum(interpolate(axes, np.cbrt(share) * value, at), 0.0)
    ratio = np.divide(part, whole, out=np.zeros_like(whole), where=whole != 0.0)
    return np.minimum(ratio**3, share[np.isfinite(share)].max(initial=0.0))


def on_grid(axes: Sequence[Axis], table: Array, at: Mapping[str, Sequence[float]]) -> Array:
    """The table interpolated at all combinations of values of its axes, axis by axis.

    NaN where a value of the table that is needed there is NaN, and nowhere else.
    """
    unknown = np.isnan(table)
    found = _combined(axes, np.where(unknown, 0.0, table), at)
    if unknown.any():
        found[_combined(axes, unknown.astype(np.float64), at, np.abs) > _NO_WEIGHT] = np.nan
    return found


def _combined(
    axes: Sequence[Axis],
    table: Array,
    at: Mapping[str, Sequence[float]],
    form: Callable[[Array], Array] = np.asarray,
) -> Array:
    """Sums of the table's values at all combinations, with the weights taken in a ``form``."""
    for k, axis in enumerate(axes):
        weights = form(axis.weights(np.asarray(at[axis.name], dtype=np.float64)))
        table = np.moveaxis(np.tensordot(weights, table, axes=(1, k)), 0, k)
    return np.ascontiguousarray(table)
