"""Plan-plane vortex sums: pair by pair, and through expansions of cells (fast multipole method).

Pairs. With (dx, dy) from vortex to target, r^2 = dx^2 + dy^2 and q = min(r^2 / delta^2, 1), a
vortex of circulation g and core radius delta adds (g / 2 pi) K (-dy, dx) with the compact core

    K = [1 - max(0, 1 - r^2/delta^2)^4] / r^2 = (4 - 6 q + 4 q^2 - q^3) / max(r^2, delta^2).

The right-hand form has no cancellation at the centre and is exactly 1/r^2 outside the core. The
kernels return the sum of g K (dx, -dy), the real and imaginary part of sum g / (z - z_j) outside
the cores; u - iv is that over 2 pi i. Lengths are of order one or less, squared core radii at least
``SMALLEST_SQUARED``, so the product of two squares neither overflows nor vanishes.

Cells. In complex positions the sum sought is f(z) = sum g_j / (z - z_j). With c, r the centre and
radius of a cell, expansions are stored free of units, so that cells of any size do:

    source cell   f(z) = sum_k M_k r^k / (z - c)^(k+1),  M_k = sum g_j ((z_j - c) / r)^k
    target cell   f(z) = sum_l L_l ((z - c) / r)^l
    to a parent   M_k  = sum_j C(k, j) M'_j (r'/r)^j e^(k-j),        e = (c' - c) / r
    to a child    L'_l = (r'/r)^l sum_j C(j, l) L_j e^(j-l)
    across        L_l += w (-r_t w)^l sum_k C(k+l, l) M_k (r_s w)^k,  w = 1 / (c_t - c_s)

with ``TERMS`` terms each; a circle about a cell need not lie within that of its parent. References:
Greengard & Rokhlin (1987), J. Comput. Phys. 73, 325; for adaptive cells Carrier, Greengard &
Rokhlin (1988), SIAM J. Sci. Stat. Comput. 9, 669 (from memory; re-derived and tested here).

Near cells are gathered and summed pair by pair. Both sums stand in one module because a cached
kernel does not notice edits in another file. Every thread owns the targets or cells it writes, so
the result does not depend on their number.
"""

from __future__ import annotations

import math

import numpy as np
from numba import prange

from wakesim.arrays import kernel

SMALLEST_SQUARED = 1e-140
TERMS = 24  # a multiple of 4
_TARGETS = 32  # targets a thread takes at once
_SOURCES = 512  # sources summed before the next target: 20 kB, they stay in the first cache
_ACROSS = np.array(
    [[float(math.comb(k + m, m)) for k in range(TERMS)] for m in range(TERMS)]
)  # C(k + l, l) by row l
_CHOOSE = np.array([[float(math.comb(n, k)) for k in range(TERMS)] for n in range(TERMS)])


@kernel()
def _two_targets(ax, ay, bx, by, x, y, g, core2, inverse2):
    """Sums at two targets over sources (n,); one division serves both."""
    a_re = 0.0
    a_im = 0.0
    b_re = 0.0
    b_im = 0.0
    for j in range(x.size):
        adx = ax - x[j]
        ady = ay - y[j]
        bdx = bx - x[j]
        bdy = by - y[j]
        a2 = adx * adx + ady * ady
        b2 = bdx * bdx + bdy * bdy
        aq = a2 * inverse2[j]
        bq = b2 * inverse2[j]
        aq = aq if aq < 1.0 else 1.0
        bq = bq if bq < 1.0 else 1.0
        a2 = a2 if a2 > core2[j] else core2[j]
        b2 = b2 if b2 > core2[j] else core2[j]
        shared = g[j] / (a2 * b2)
        a_k = shared * b2 * (4.0 + aq * (aq * (4.0 - aq) - 6.0))
        b_k = shared * a2 * (4.0 + bq * (bq * (4.0 - bq) - 6.0))
        a_re += a_k * adx
        a_im -= a_k * ady
        b_re += b_k * bdx
        b_im -= b_k * bdy
    return a_re, a_im, b_re, b_im


@kernel()
def _add_pairs(begin, end, px, py, x, y, g, core2, inverse2, re, im):
    """Add the sums over sources (n,) at targets begin to end, two at a time."""
    for a in range(begin, end, 2):
        b = min(a + 1, end - 1)
        a_re, a_im, b_re, b_im = _two_targets(px[a], py[a], px[b], py[b], x, y, g, core2, inverse2)
        re[a] += a_re
        im[a] += a_im
        if b > a:
            re[b] += b_re
            im[b] += b_im


@kernel()
def _some_targets(begin, end, px, py, x, y, g, core2, inverse2, re, im):
    """Sums at targets begin to end over all sources, in tiles of sources."""
    for first in range(0, x.size, _SOURCES):
        tile = slice(first, min(first + _SOURCES, x.size))
        _add_pairs(
            begin, end, px, py, x[tile], y[tile], g[tile], core2[tile], inverse2[tile], re, im
        )


@kernel(parallel=True)
def add_pairs_parallel(px, py, x, y, g, core2, inverse2, re, im):
    """Add the sums at targets px, py (m,) to ``re``, ``im`` (m,), on all threads.

    Sources (n,): position, circulation, squared core radius and its inverse.
    """
    for block in prange((px.size + _TARGETS - 1) // _TARGETS):
        begin = block * _TARGETS
        end = min(begin + _TARGETS, px.size)
        _some_targets(begin, end, px, py, x, y, g, core2, inverse2, re, im)


@kernel()
def add_pairs_serial(px, py, x, y, g, core2, inverse2, re, im):
    """Same as ``add_pairs_parallel``, to the last bit, on the calling thread."""
    for begin in range(0, px.size, _TARGETS):
        end = min(begin + _TARGETS, px.size)
        _some_targets(begin, end, px, py, x, y, g, core2, inverse2, re, im)


@kernel()
def _powers(x, y, re, im):
    """Powers 0, 1, ... of x + iy."""
    re[0] = 1.0
    im[0] = 0.0
    for k in range(1, TERMS):
        re[k] = re[k - 1] * x - im[k - 1] * y
        im[k] = re[k - 1] * y + im[k - 1] * x


@kernel()
def _multipole_of_points(x, y, g, cx, cy, radius, re, im):
    scale = 1.0 / radius if radius > 0.0 else 0.0
    tx = (x - cx) * scale
    ty = (y - cy) * scale
    px = g.copy()
    py = np.zeros_like(g)
    for k in range(TERMS):
        sum_re = 0.0
        sum_im = 0.0
        for i in range(px.size):
            sum_re += px[i]
            sum_im += py[i]
            turned = px[i] * tx[i] - py[i] * ty[i]
            py[i] = px[i] * ty[i] + py[i] * tx[i]
            px[i] = turned
        re[k] = sum_re
        im[k] = sum_im


@kernel()
def _add_to_parent(tree, cell, re, im):
    parent = tree.parent[cell]
    scale = 1.0 / tree.radius[parent]
    e_re, e_im = np.empty(TERMS), np.empty(TERMS)
    ex = (tree.x[cell] - tree.x[parent]) * scale
    ey = (tree.y[cell] - tree.y[parent]) * scale
    _powers(ex, ey, e_re, e_im)
    shrink = 1.0
    for j in range(TERMS):
        m_re = re[cell, j] * shrink
        m_im = im[cell, j] * shrink
        shrink *= tree.radius[cell] * scale
        for k in range(j, TERMS):
            c = _CHOOSE[k, j]
            re[parent, k] += c * (m_re * e_re[k - j] - m_im * e_im[k - j])
            im[parent, k] += c * (m_re * e_im[k - j] + m_im * e_re[k - j])


@kernel(parallel=True)
def multipoles(tree, leaves, x, y, g):
    """Expansions (cells, TERMS), real and imaginary, of sources (n,) sorted as in the tree."""
    re = np.zeros((tree.start.size, TERMS))
    im = np.zeros((tree.start.size, TERMS))
    for n in prange(leaves.size):
        k = leaves[n]
        a, b = tree.start[k], tree.end[k]
        _multipole_of_points(
            x[a:b], y[a:b], g[a:b], tree.x[k], tree.y[k], tree.radius[k], re[k], im[k]
        )
    for k in range(tree.start.size - 1, 0, -1):
        _add_to_parent(tree, k, re, im)
    return re, im


@kernel()
def _across(s_re, s_im, sum_re, sum_im):
    """Product of the matrix C(k + l, l) with one expansion, four rows at a time for speed."""
    for m in range(0, TERMS, 4):
        r0 = r1 = r2 = r3 = 0.0
        i0 = i1 = i2 = i3 = 0.0
        for k in range(TERMS):
            r0 += _ACROSS[m, k] * s_re[k]
            i0 += _ACROSS[m, k] * s_im[k]
            r1 += _ACROSS[m + 1, k] * s_re[k]
            i1 += _ACROSS[m + 1, k] * s_im[k]
            r2 += _ACROSS[m + 2, k] * s_re[k]
            i2 += _ACROSS[m + 2, k] * s_im[k]
            r3 += _ACROSS[m + 3, k] * s_re[k]
            i3 += _ACROSS[m + 3, k] * s_im[k]
        sum_re[m], sum_re[m + 1], sum_re[m + 2], sum_re[m + 3] = r0, r1, r2, r3
        sum_im[m], sum_im[m + 1], sum_im[m + 2], sum_im[m + 3] = i0, i1, i2, i3


@kernel()
def _add_far_cells(targets, a, sources, cells, m_re, m_im, re, im):
    """Expansions of the source ``cells`` carried to target cell a."""
    w_re, w_im = np.empty(TERMS), np.empty(TERMS)
    s_re, s_im = np.empty(TERMS), np.empty(TERMS)
    sum_re, sum_im = np.empty(TERMS), np.empty(TERMS)
    for b in cells:
        dx = targets.x[a] - sources.x[b]
        dy = targets.y[a] - sources.y[b]
        inverse = 1.0 / (dx * dx + dy * dy)
        wx = dx * inverse
        wy = -dy * inverse
        _powers(sources.radius[b] * wx, sources.radius[b] * wy, w_re, w_im)
        for k in range(TERMS):
            s_re[k] = m_re[b, k] * w_re[k] - m_im[b, k] * w_im[k]
            s_im[k] = m_re[b, k] * w_im[k] + m_im[b, k] * w_re[k]
        _powers(-targets.radius[a] * wx, -targets.radius[a] * wy, w_re, w_im)
        _across(s_re, s_im, sum_re, sum_im)
        for m in range(TERMS):
            p_re = w_re[m] * wx - w_im[m] * wy
            p_im = w_re[m] * wy + w_im[m] * wx
            re[m] += sum_re[m] * p_re - sum_im[m] * p_im
            im[m] += sum_re[m] * p_im + sum_im[m] * p_re


@kernel()
def _add_from_parent(tree, k, re, im):
    parent = tree.parent[k]
    scale = 1.0 / tree.radius[parent]
    e_re, e_im = np.empty(TERMS), np.empty(TERMS)
    _powers((tree.x[k] - tree.x[parent]) * scale, (tree.y[k] - tree.y[parent]) * scale, e_re, e_im)
    ratio = tree.radius[k] * scale
    shrink = 1.0
    for m in range(TERMS):
        sum_re = 0.0
        sum_im = 0.0
        for j in range(m, TERMS):
            c = _CHOOSE[j, m]
            sum_re += c * (re[parent, j] * e_re[j - m] - im[parent, j] * e_im[j - m])
            sum_im += c * (re[parent, j] * e_im[j - m] + im[parent, j] * e_re[j - m])
        re[k, m] += shrink * sum_re
        im[k, m] += shrink * sum_im
        shrink *= ratio


@kernel(parallel=True)
def local_expansions(targets, sources, far_start, far, m_re, m_im):
    """Expansions (cells, TERMS) of all far sources about the target cells."""
    re = np.zeros((targets.start.size, TERMS))
    im = np.zeros((targets.start.size, TERMS))
    for a in prange(targets.start.size):
        cells = far[far_start[a] : far_start[a + 1]]
        _add_far_cells(targets, a, sources, cells, m_re, m_im, re[a], im[a])
    for k in range(1, targets.start.size):
        _add_from_parent(targets, k, re, im)
    return re, im


@kernel()
def _local_at_points(x, y, cx, cy, radius, l_re, l_im, re, im):
    scale = 1.0 / radius if radius > 0.0 else 0.0
    tx = (x - cx) * scale
    ty = (y - cy) * scale
    re[:] = 0.0
    im[:] = 0.0
    for m in range(TERMS - 1, -1, -1):
        c_re = l_re[m]
        c_im = l_im[m]
        for i in range(re.size):
            turned = re[i] * tx[i] - im[i] * ty[i] + c_re
            im[i] = re[i] * ty[i] + im[i] * tx[i] + c_im
            re[i] = turned


@kernel()
def _gather(cells, start, end, source):
    """Columns of ``source`` (5, n) of the points of the cells, side by side."""
    count = 0
    for b in cells:
        count += end[b] - start[b]
    out = np.empty((5, count))
    n = 0
    for b in cells:
        for i in range(start[b], end[b]):
            for row in range(5):
                out[row, n] = source[row, i]
            n += 1
    return out


@kernel(parallel=True)
def leaf_sums(targets, leaves, sources, near_start, near, x, y, source, l_re, l_im, re, im):
    """Sums at the sorted targets x, y (m,) into ``re``, ``im`` (m,), leaf by leaf.

    ``source`` (5, n): sorted position, circulation, squared core radius and its inverse.
    """
    for n in prange(leaves.size):
        k = leaves[n]
        a, b = targets.start[k], targets.end[k]
        _local_at_points(
            x[a:b], y[a:b], targets.x[k], targets.y[k], targets.radius[k],
            l_re[k], l_im[k], re[a:b], im[a:b],
        )  # fmt: skip
        gathered = _gather(
            near[near_start[k] : near_start[k + 1]], sources.start, sources.end, source
        )
        _add_pairs(
            0, b - a, x[a:b], y[a:b],
            gathered[0], gathered[1], gathered[2], gathered[3], gathered[4], re[a:b], im[a:b],
        )  # fmt: skip
