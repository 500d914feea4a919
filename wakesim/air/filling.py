"""Holes of an hourly record: where to take an hour that is missing from."""

from __future__ import annotations

import numpy as np

from wakesim.arrays import Array, Index, Mask


def nearest_day(wanted: Index, given: Mask, label: Index, day: Index) -> Index:
    """For each of the ``wanted`` positions (m,) the given one of its label on the nearest day.

    ``given`` (n,) marks the positions that can be taken, ``label`` (n,) what must be equal (the
    clock hour), ``day`` (n,) ascends. The earlier of two days as near; -1 where there is none.
    """
    out = np.full(wanted.size, -1)
    for value in np.unique(label[wanted]):
        alike = np.flatnonzero(given & (label == value))
        if not alike.size:
            continue
        here = np.flatnonzero(label[wanted] == value)
        target, days = day[wanted[here]], day[alike]
        after = np.searchsorted(days, target)
        left, right = np.maximum(after - 1, 0), np.minimum(after, alike.size - 1)
        nearer = np.abs(days[right] - target) < np.abs(days[left] - target)
        out[here] = alike[np.where(nearer, right, left)]
    return out


def runs(mask: Mask) -> tuple[Index, Index]:
    """First positions and lengths of the stretches of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return edges[::2], edges[1::2] - edges[::2]


def fill_short(values: Array, most: int) -> Array:
    """The values (n,) with stretches of NaN up to ``most`` long interpolated linearly.

    Longer ones, and those at the ends, stay.
    """
    hole = np.isnan(values)
    starts, lengths = runs(hole)
    inside = (starts > 0) & (starts + lengths < values.size)
    short = np.zeros(values.size, dtype=bool)
    for start, length in zip(starts[inside], lengths[inside], strict=True):
        short[start : start + length] = length <= most
    out = values.copy()
    if short.any():
        place = np.arange(values.size)
        out[short] = np.interp(place[short], place[~hole], values[~hole])
    return out
