"""Quadtree of points in the plane and the pairs of its cells that act on each other.

Points are sorted along a Morton curve (bits of x and y interleaved, 31 each). A cell is a range of
the sorted points; it is split where the keys of its first and last point first differ, so a cell
with one occupied quadrant costs nothing and the depth is at most 31. Each cell has the circle
about its bounding box. Two cells are far from each other when

    r_large + opening * r_small <= opening * distance  and  gap >= largest core of the source cell,

with r_large and r_small the two radii. Then r_s / (distance - r_t) and r_t / (distance - r_s),
whose powers bound what the expansions leave out, are at most ``opening``. The second condition
means that every far pair of points lies outside the core, where the flow is exactly that of a point
vortex. The pairs come from one walk down both trees at once, the larger cell opened first.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from wakesim.arrays import kernel

_BITS = 31
_DIGIT = 11  # bits of the keys sorted at a time
_FEW_PAIRS = 600  # below this a far pair of cells is cheaper point by point
_STACK = 512  # more than 3 new pairs for each of 2 x 32 levels


class Tree(NamedTuple):
    """Cells, a parent before its children."""

    start: NDArray[np.int64]  # first sorted point
    end: NDArray[np.int64]  # one past the last
    parent: NDArray[np.int64]
    child: NDArray[np.int64]  # first child, -1 for a leaf
    children: NDArray[np.int64]  # how many, side by side
    x: NDArray[np.float64]  # centre of the bounding box
    y: NDArray[np.float64]
    radius: NDArray[np.float64]  # of a circle about it that holds all points
    largest_core: NDArray[np.float64]
    smallest_core: NDArray[np.float64]


class CellPairs(NamedTuple):
    """Source cells of each target cell k: ``far[far_start[k]:far_start[k + 1]]``; near likewise.

    Only leaves have near cells.
    """

    far_start: NDArray[np.int64]
    far: NDArray[np.int64]
    near_start: NDArray[np.int64]
    near: NDArray[np.int64]


@kernel(reorder=False)
def _spread(v):
    """Bits of a 31-bit integer moved to the even places."""
    v = (v | (v << 16)) & 0x0000FFFF0000FFFF
    v = (v | (v << 8)) & 0x00FF00FF00FF00FF
    v = (v | (v << 4)) & 0x0F0F0F0F0F0F0F0F
    v = (v | (v << 2)) & 0x3333333333333333
    return (v | (v << 1)) & 0x5555555555555555


@kernel(reorder=False)
def _morton_keys(x, y):
    low_x, low_y = x.min(), y.min()
    side = max(x.max() - low_x, y.max() - low_y)
    top = (1 << _BITS) - 1
    per_length = (top + 1) / side if side > 0.0 else 0.0
    keys = np.empty(x.size, np.int64)
    for i in range(x.size):
        column = min(int((x[i] - low_x) * per_length), top)
        row = min(int((y[i] - low_y) * per_length), top)
        keys[i] = _spread(column) | (_spread(row) << 1)
    return keys


@kernel(reorder=False)
def morton_order(x, y):
    """Indices that sort the points (n,) along the curve, equal keys in given order; sorted keys."""
    keys = _morton_keys(x, y)
    n = keys.size
    order = np.arange(n)
    other_keys, other_order = np.empty_like(keys), np.empty_like(order)
    mask = (1 << _DIGIT) - 1
    for shift in range(0, 2 * _BITS, _DIGIT):
        place = np.zeros(mask + 2, np.int64)
        for i in range(n):
            place[((keys[i] >> shift) & mask) + 1] += 1
        if place.max() == n:
            continue
        for k in range(mask + 1):
            place[k + 1] += place[k]
        for i in range(n):
            digit = (keys[i] >> shift) & mask
            other_keys[place[digit]] = keys[i]
            other_order[place[digit]] = order[i]
            place[digit] += 1
        keys, other_keys = other_keys, keys
        order, other_order = other_order, order
    return order, keys


@kernel(reorder=False)
def _cells(keys, capacity):
    """Ranges and kinship of the cells over sorted keys (n >= 1), level by level down."""
    most = 2 * keys.size  # every cell that is not a leaf has two children or more
    start, end = np.empty(most, np.int64), np.empty(most, np.int64)
    parent, child = np.empty(most, np.int64), np.empty(most, np.int64)
    children = np.empty(most, np.int64)
    start[0], end[0], parent[0] = 0, keys.size, -1
    cells, k = 1, 0
    while k < cells:
        child[k], children[k] = -1, 0
        differing = keys[start[k]] ^ keys[end[k] - 1]
        if end[k] - start[k] > capacity and differing != 0:
            shift = 0
            while differing >> (shift + 2):
                shift += 2
            child[k] = cells
            low = start[k]
            while low < end[k]:
                limit = ((keys[low] >> shift) + 1) << shift
                high = low + np.searchsorted(keys[low : end[k]], limit)
                start[cells], end[cells], parent[cells] = low, high, k
                cells += 1
                low = high
            children[k] = cells - child[k]
        k += 1
    return (
        start[:cells].copy(), end[:cells].copy(), parent[:cells].copy(), child[:cells].copy(),
        children[:cells].copy(),
    )  # fmt: skip


@kernel(reorder=False)
def _circles(x, y, core, start, end, child, children):
    """Centres, radii, largest and smallest core radii of the cells, children before parents."""
    cells = start.size
    box = np.empty((4, cells))
    centre_x, centre_y, radius = np.empty(cells), np.empty(cells), np.zeros(cells)
    largest, smallest = np.zeros(cells), np.full(cells, np.inf)
    for k in range(cells - 1, -1, -1):
        box[:2, k], box[2:, k] = np.inf, -np.inf
        for i in range(start[k] if child[k] < 0 else end[k], end[k]):
            box[0, k], box[2, k] = min(box[0, k], x[i]), max(box[2, k], x[i])
            box[1, k], box[3, k] = min(box[1, k], y[i]), max(box[3, k], y[i])
            largest[k], smallest[k] = max(largest[k], core[i]), min(smallest[k], core[i])
        for c in range(child[k], child[k] + children[k]):
            box[0, k], box[2, k] = min(box[0, k], box[0, c]), max(box[2, k], box[2, c])
            box[1, k], box[3, k] = min(box[1, k], box[1, c]), max(box[3, k], box[3, c])
            largest[k], smallest[k] = max(largest[k], largest[c]), min(smallest[k], smallest[c])
        half_x, half_y = 0.5 * (box[2, k] - box[0, k]), 0.5 * (box[3, k] - box[1, k])
        centre_x[k], centre_y[k] = box[0, k] + half_x, box[1, k] + half_y
        reach = 0.0
        for i in range(start[k] if child[k] < 0 else end[k], end[k]):
            reach = max(reach, np.hypot(x[i] - centre_x[k], y[i] - centre_y[k]))
        for c in range(child[k], child[k] + children[k]):
            away = np.hypot(centre_x[c] - centre_x[k], centre_y[c] - centre_y[k])
            reach = max(reach, away + radius[c])
        radius[k] = min(reach, np.hypot(half_x, half_y)) if child[k] >= 0 else reach
    return centre_x, centre_y, radius, largest, smallest


@kernel(reorder=False)
def grow(x, y, core, keys, capacity):
    """Tree over points (n >= 1) already in Morton order; leaves hold ``capacity`` points or fewer.

    More only if they share a key, closer than 2^-31 of the whole width.
    """
    start, end, parent, child, children = _cells(keys, capacity)
    centre_x, centre_y, radius, largest, smallest = _circles(
        x, y, core, start, end, child, children
    )
    return Tree(start, end, parent, child, children, centre_x, centre_y, radius, largest, smallest)


@kernel(reorder=False)
def _walk(targets, sources, opening, fill, far_place, far, near_place, near):
    """One walk down both trees: counts the pairs of each target cell, or writes them in place."""
    stack = np.empty((_STACK, 2), np.int64)
    stack[0] = 0
    height = 1
    while height > 0:
        height -= 1
        a, b = stack[height, 0], stack[height, 1]
        a_leaf, b_leaf = targets.child[a] < 0, sources.child[b] < 0
        distance = np.hypot(targets.x[a] - sources.x[b], targets.y[a] - sources.y[b])
        radii = targets.radius[a] + sources.radius[b]
        larger = max(targets.radius[a], sources.radius[b])
        apart = larger <= opening * (distance - radii + larger)
        if distance + radii == 0.0:
            continue  # all points coincide: nothing is induced
        if apart and distance - radii >= sources.largest_core[b]:
            pairs = (targets.end[a] - targets.start[a]) * (sources.end[b] - sources.start[b])
            if not a_leaf or pairs > _FEW_PAIRS:
                if fill:
                    far[far_place[a]] = b
                far_place[a] += 1
                continue
            direct = True
        else:
            # Wholly inside the cores no cell of b can become far: b is taken as it is.
            direct = a_leaf and (b_leaf or distance + radii < sources.smallest_core[b])
        if direct:
            if fill:
                near[near_place[a]] = b
            near_place[a] += 1
        elif not a_leaf and (
            b_leaf
            or targets.radius[a] >= sources.radius[b]
            or distance + radii < sources.smallest_core[b]
        ):
            for c in range(targets.child[a], targets.child[a] + targets.children[a]):
                stack[height] = c, b
                height += 1
        else:
            for c in range(sources.child[b], sources.child[b] + sources.children[b]):
                stack[height] = a, c
                height += 1


@kernel(reorder=False)
def cell_pairs(targets, sources, opening):
    """Far and near source cells of each target cell (``CellPairs``), in the order of the walk."""
    cells = targets.start.size
    far_start, near_start = np.zeros(cells + 1, np.int64), np.zeros(cells + 1, np.int64)
    none = np.empty(0, np.int64)
    _walk(targets, sources, opening, False, far_start[1:], none, near_start[1:], none)
    for k in range(cells):
        far_start[k + 1] += far_start[k]
        near_start[k + 1] += near_start[k]
    far, near = np.empty(far_start[-1], np.int64), np.empty(near_start[-1], np.int64)
    _walk(targets, sources, opening, True, far_start.copy(), far, near_start.copy(), near)
    return CellPairs(far_start, far, near_start, near)
