"""Velocity of many constant-source panels by a tree of multipole expansions.

Groups of panels far from the field point act through their moments: with R from the group's centre
and q the source strengths at r within it, M = sum q, D = sum q r, Q = sum q r r,

    4 pi u = M R/R^3 + [3 (D.R) R/R^5 - D/R^3]
             + [15/2 (R.Q.R) R/R^7 - 3 Q.R/R^5 - 3/2 tr(Q) R/R^5],

the gradient of the potential's Taylor series to second order (a tree code; J. Barnes and P. Hut,
Nature 324 (1986) 446). A group is opened when its radius is more than ``OPENING`` of the distance;
an opened single panel is taken exactly.

``_near_field`` is the one of ``quad_source``: a cached kernel here does not notice edits there.
"""

from __future__ import annotations

import math

import numba
import numpy as np

from wakesim.arrays import kernel
from wakesim.vehicle.kernels.quad_source import _near_field

OPENING = 0.2
_FOUR_PI = 4.0 * math.pi
_DEPTH = 96


@kernel(reorder=False)  # equal places must stay equal, or the halves differ
def build_tree(corners, gauss, charge):
    """Tree of panels: ``centre`` (t, 3), ``radius`` (t,), ``moment`` (t, 10), ``child`` (t,) the
    first of two children, ``panel`` (t,) the panel of a leaf or -1.

    Panels: ``corners`` (n, 4, 3), and ``charge`` (n, 4) at the points ``gauss`` (n, 4, 3). A group
    is halved at the median along its longest side.
    """
    n = corners.shape[0]
    nodes = 2 * n - 1
    middle = np.empty((n, 3))
    for i in range(n):
        for c in range(3):
            middle[i, c] = (corners[i, 0, c] + corners[i, 1, c]
                            + corners[i, 2, c] + corners[i, 3, c]) / 4.0  # fmt: skip
    centre, radius, moment = np.empty((nodes, 3)), np.empty(nodes), np.zeros((nodes, 10))
    child, panel = np.full(nodes, -1), np.full(nodes, -1)
    order = np.arange(n)
    begin, end = np.zeros(nodes, dtype=np.int64), np.full(nodes, n)
    made = 1
    for k in range(nodes):
        own = order[begin[k] : end[k]].copy()
        low, high = np.full(3, np.inf), np.full(3, -np.inf)
        first, last = low.copy(), high.copy()  # of the panels' middles
        for i in own:
            for c in range(3):
                first[c] = min(first[c], middle[i, c])
                last[c] = max(last[c], middle[i, c])
                for q in range(4):
                    low[c] = min(low[c], corners[i, q, c])
                    high[c] = max(high[c], corners[i, q, c])
        centre[k] = 0.5 * (low + high)
        largest = 0.0
        for i in own:
            for q in range(4):
                distance = 0.0
                for c in range(3):
                    distance += (corners[i, q, c] - centre[k, c]) ** 2
                largest = max(largest, distance)
                x = gauss[i, q, 0] - centre[k, 0]
                y = gauss[i, q, 1] - centre[k, 1]
                z = gauss[i, q, 2] - centre[k, 2]
                s = charge[i, q]
                moment[k, 0] += s
                moment[k, 1] += s * x
                moment[k, 2] += s * y
                moment[k, 3] += s * z
                moment[k, 4] += s * x * x
                moment[k, 5] += s * y * y
                moment[k, 6] += s * z * z
                moment[k, 7] += s * x * y
                moment[k, 8] += s * x * z
                moment[k, 9] += s * y * z
        radius[k] = math.sqrt(largest)
        if own.size == 1:
            panel[k] = own[0]
            continue
        side = np.argmax(last - first)
        order[begin[k] : end[k]] = own[np.argsort(middle[own, side], kind="mergesort")]
        child[k] = made
        half = begin[k] + own.size // 2
        begin[made], end[made] = begin[k], half
        begin[made + 1], end[made + 1] = half, end[k]
        made += 2
    return centre, radius, moment, child, panel


@kernel(part=True)
def _add_group(x, first, last, y, z, centre, moment, u, v):
    """Add 4 pi u and v of a group's moments (10,), M, D (3), Q as xx, yy, zz, xy, xz, yz, at the
    places x[first:last] of a line, y and z from the group's centre."""
    m, dx, dy, dz = moment[0], moment[1], moment[2], moment[3]
    xx, yy, zz, xy, xz, yz = moment[4], moment[5], moment[6], moment[7], moment[8], moment[9]
    trace = xx + yy + zz
    middle = centre[0]
    for i in range(first, last):
        r = x[i] - middle
        inverse = 1.0 / (r * r + y * y + z * z)
        cube = inverse * math.sqrt(inverse)
        fifth = cube * inverse
        along = dx * r + dy * y + dz * z
        qx = xx * r + xy * y + xz * z
        qy = xy * r + yy * y + yz * z
        qz = xz * r + yz * y + zz * z
        twice = qx * r + qy * y + qz * z
        radial = m * cube + (3.0 * along - 1.5 * trace) * fifth + 7.5 * twice * fifth * inverse
        u[i] += radial * r - dx * cube - 3.0 * qx * fifth
        v[i] += radial * y - dy * cube - 3.0 * qy * fifth


@kernel(part=True)
def _add_line(x, y, z, centre, radius, moment, child, panel, corners, normals, strengths, u, v):
    """Add 4 pi u and v of the whole tree, without images, along the line (x, y, z); ``x`` (n,)
    rises or falls.

    The places where a group must be opened are neighbours, within a distance along x of its centre:
    the tree is walked once for the whole line, and each group acts on a stretch of it.
    """
    node = np.zeros(_DEPTH, dtype=np.int64)
    begin, end = np.zeros_like(node), np.full_like(node, x.size)
    top = 1
    while top > 0:
        top -= 1
        n, first, last = node[top], begin[top], end[top]
        dy, dz = y - centre[n, 1], z - centre[n, 2]
        beside = dy * dy + dz * dz
        limit = radius[n] * radius[n]
        low = first
        while low < last:
            r = x[low] - centre[n, 0]
            if limit > OPENING * OPENING * (r * r + beside):
                break
            low += 1
        high = last
        while high > low:
            r = x[high - 1] - centre[n, 0]
            if limit > OPENING * OPENING * (r * r + beside):
                break
            high -= 1
        _add_group(x, first, low, dy, dz, centre[n], moment[n], u, v)
        _add_group(x, high, last, dy, dz, centre[n], moment[n], u, v)
        if low == high:
            continue
        if panel[n] >= 0:
            s = _FOUR_PI * strengths[panel[n]]
            for i in range(low, high):
                a, b, _ = _near_field(x[i], y, z, corners[panel[n]], normals[panel[n]])
                u[i] += s * a
                v[i] += s * b
        else:
            for k in range(2):
                node[top], begin[top], end[top] = child[n] + k, low, high
                top += 1


@kernel(part=True)
def _line(
    i, x, y, z, centre, radius, moment, child, panel, corners, normals, strengths, out
):  # fmt: skip
    """Velocity out[i] (2, n) on line i of ``tree_lines``; ``out`` is zero before."""
    for turn in (1.0, -1.0):
        _add_line(
            x[i], y[i], turn * z[i], centre, radius, moment, child, panel, corners, normals,
            strengths, out[i, 0], out[i, 1],
        )  # fmt: skip
    for j in range(x.shape[1]):
        out[i, 0, j] /= _FOUR_PI
        out[i, 1, j] /= _FOUR_PI


@kernel(parallel=True)
def tree_lines(x, y, z, centre, radius, moment, child, panel, corners, normals, strengths):
    """Velocity (m, 2, n) along x and y on lines ``x`` (m, n), rising or falling, at ``y`` and ``z``
    (m,) above the road, the road as an image.

    Tree as from ``build_tree``; panels: ``corners`` (n, 4, 3), ``normals`` (n, 3), ``strengths``
    (n,).
    """
    out = np.zeros((y.size, 2, x.shape[1]))
    for i in numba.prange(y.size):
        _line(
            i, x, y, z, centre, radius, moment, child, panel, corners, normals, strengths, out
        )  # fmt: skip
    return out


@kernel()
def few_lines(x, y, z, centre, radius, moment, child, panel, corners, normals, strengths):
    """``tree_lines`` one after the other."""
    out = np.zeros((y.size, 2, x.shape[1]))
    for i in range(y.size):
        _line(
            i, x, y, z, centre, radius, moment, child, panel, corners, normals, strengths, out
        )  # fmt: skip
    return out
