"""Plan-plane vortex sum, pair by pair.

With (dx, dy) from vortex to target, r^2 = dx^2 + dy^2 and q = min(r^2 / delta^2, 1), a vortex of
circulation g and core radius delta adds (g / 2 pi) K (-dy, dx) with the compact core

    K = [1 - max(0, 1 - r^2/delta^2)^4] / r^2 = (4 - 6 q + 4 q^2 - q^3) / max(r^2, delta^2).

The right-hand form has no cancellation at the centre and is exactly 1/r^2 outside the core. The
kernels return the sum of g K (dx, -dy), the real and imaginary part of sum g / (z - z_j) outside
the cores; u - iv is that over 2 pi i. Lengths are of order one or less, squared core radii at least
``SMALLEST_SQUARED``, so the product of two squares neither overflows nor vanishes.
"""

from __future__ import annotations

from numba import njit, prange

SMALLEST_SQUARED = 1e-140
_FASTMATH = {"contract", "arcp", "reassoc", "nsz"}
_TARGETS = 32  # targets a thread takes at once
_SOURCES = 512  # sources summed before the next target: 20 kB, they stay in the first cache


@njit(cache=True, fastmath=_FASTMATH, error_model="numpy")
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


@njit(cache=True, fastmath=_FASTMATH, error_model="numpy")
def _some_targets(begin, end, px, py, x, y, g, core2, inverse2, re, im):
    """Sums at targets begin to end over all sources, in tiles of sources."""
    for first in range(0, x.size, _SOURCES):
        tile = slice(first, min(first + _SOURCES, x.size))
        for a in range(begin, end, 2):
            b = min(a + 1, end - 1)
            a_re, a_im, b_re, b_im = _two_targets(
                px[a], py[a], px[b], py[b],
                x[tile], y[tile], g[tile], core2[tile], inverse2[tile],
            )  # fmt: skip
            re[a] += a_re
            im[a] += a_im
            if b > a:
                re[b] += b_re
                im[b] += b_im


@njit(cache=True, fastmath=_FASTMATH, error_model="numpy", parallel=True)
def add_pairs_parallel(px, py, x, y, g, core2, inverse2, re, im):
    """Add the sums at targets px, py (m,) to ``re``, ``im`` (m,), on all threads.

    Sources (n,): position, circulation, squared core radius and its inverse.
    """
    for block in prange((px.size + _TARGETS - 1) // _TARGETS):
        begin = block * _TARGETS
        end = min(begin + _TARGETS, px.size)
        _some_targets(begin, end, px, py, x, y, g, core2, inverse2, re, im)


@njit(cache=True, fastmath=_FASTMATH, error_model="numpy")
def add_pairs_serial(px, py, x, y, g, core2, inverse2, re, im):
    """Same as ``add_pairs_parallel``, to the last bit, on the calling thread."""
    for begin in range(0, px.size, _TARGETS):
        end = min(begin + _TARGETS, px.size)
        _some_targets(begin, end, px, py, x, y, g, core2, inverse2, re, im)
