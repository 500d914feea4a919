"""Straight vortex panels with linear strength: stream function, velocity, outline checks.

Notation, with complex positions z = x + iy. A panel has centre c, half vector e = h exp(i theta)
and strength gamma(s) = m + (d/2) s/h for -h <= s <= h along the direction of e, counter-clockwise
vorticity positive. With Z = (z - c) exp(-i theta) and Lambda = log((Z + h)/(Z - h)) its velocity is

    u - iv = exp(-i theta) / (2 pi i) * [(m + (d/2) Z/h) Lambda - d],

(in real form the linear-strength vortex of Katz & Plotkin, Low-Speed Aerodynamics, 2001, chapter
10; reference from memory, re-derived here and checked by quadrature in the tests). Away from the
panel the bracket is summed from its series in q = h/Z, without logarithms or cancellation:

    u - iv = 1 / (2 pi i) * [2 m h R + (2 m h R + d exp(-i theta)) Q P],
    R = 1/(z - c),  Q = e^2 R^2 = q^2,  P = 1/3 + Q/5 + Q^2/7 + ...

At |Z| >= 16 h the five terms kept leave 3e-16 of the leading one: both forms are exact to rounding.
"""

from __future__ import annotations

import math

import numpy as np
from numba import prange

from wakesim.arrays import kernel

_FAR_SQUARED = 256.0  # (distance / half length)^2 from which the series is exact to rounding
_ON_PANEL = 1e-9  # half lengths; closer than this is rounding of a point on the outline
_P0, _P1, _P2, _P3, _P4 = 1.0 / 3.0, 1.0 / 5.0, 1.0 / 7.0, 1.0 / 9.0, 1.0 / 11.0
_INV_2PI = 0.5 / math.pi


@kernel(inline="always")
def _far_sum(px, py, cx, cy, half, ex, ey, e2x, e2y, mid, diff):
    """Sum of the far panels' brackets at one point, and the number of near panels left out."""
    re = 0.0
    im = 0.0
    near = 0.0
    for j in range(cx.size):
        dx = px - cx[j]
        dy = py - cy[j]
        d2 = dx * dx + dy * dy
        far = d2 > _FAR_SQUARED * half[j] * half[j]
        inv = 1.0 / (d2 if far else 1.0)
        keep = 1.0 if far else 0.0
        near += 1.0 - keep
        rx = dx * inv
        ry = -dy * inv
        sx = rx * rx - ry * ry
        sy = 2.0 * rx * ry
        qx = e2x[j] * sx - e2y[j] * sy
        qy = e2x[j] * sy + e2y[j] * sx
        hx = _P3 + _P4 * qx
        hy = _P4 * qy
        gx = _P2 + (hx * qx - hy * qy)
        gy = hx * qy + hy * qx
        hx = _P1 + (gx * qx - gy * qy)
        hy = gx * qy + gy * qx
        gx = _P0 + (hx * qx - hy * qy)
        gy = hx * qy + hy * qx
        bx = gx * qx - gy * qy
        by = gx * qy + gy * qx
        weight = 2.0 * mid[j] * half[j]
        slope = diff[j] / half[j]
        ax = weight * rx + slope * ex[j]
        ay = weight * ry - slope * ey[j]
        re += keep * (weight * rx + ax * bx - ay * by)
        im += keep * (weight * ry + ax * by + ay * bx)
    return re, im, near


@kernel()
def _near_sum(px, py, cx, cy, half, ex, ey, mid, diff):
    """Sum of the near panels' brackets at one point; index of the panel the point lies on or -1."""
    re = 0.0
    im = 0.0
    for j in range(cx.size):
        dx = px - cx[j]
        dy = py - cy[j]
        h = half[j]
        d2 = dx * dx + dy * dy
        if d2 > _FAR_SQUARED * h * h:
            continue
        tx = ex[j] / h
        ty = ey[j] / h
        x = dx * tx + dy * ty
        y = dy * tx - dx * ty
        if abs(y) <= _ON_PANEL * h and abs(x) <= (1.0 + _ON_PANEL) * h:
            return 0.0, 0.0, j
        ax = x + h
        bx = x - h
        lx = 0.5 * math.log((ax * ax + y * y) / (bx * bx + y * y))
        ly = math.atan2(-2.0 * h * y, ax * bx + y * y)
        sx = mid[j] + 0.5 * diff[j] * x / h
        sy = 0.5 * diff[j] * y / h
        wx = sx * lx - sy * ly - diff[j]
        wy = sx * ly + sy * lx
        re += wx * tx + wy * ty
        im += wy * tx - wx * ty
    return re, im, -1


@kernel()
def _point_velocity(px, py, cx, cy, half, ex, ey, e2x, e2y, mid, diff):
    re, im, near = _far_sum(px, py, cx, cy, half, ex, ey, e2x, e2y, mid, diff)
    on = -1
    if near > 0.0:
        near_re, near_im, on = _near_sum(px, py, cx, cy, half, ex, ey, mid, diff)
        re += near_re
        im += near_im
    # (re + i im) / (2 pi i) = u - iv
    return im * _INV_2PI, re * _INV_2PI, on


@kernel(parallel=True)
def velocity_parallel(points, cx, cy, half, ex, ey, e2x, e2y, mid, diff, out, on):
    """Velocity of all panels at ``points`` (m, 2) into ``out`` (m, 2), on all threads.

    ``on`` (m,) int64 receives the panel a point lies on, or -1; there ``out`` is without meaning
    and the caller takes the surface value. Panel arrays are (n,): centre, half length, half vector,
    its complex square, mean strength and strength difference from first to last end.
    """
    for i in prange(points.shape[0]):
        out[i, 0], out[i, 1], on[i] = _point_velocity(
            points[i, 0], points[i, 1], cx, cy, half, ex, ey, e2x, e2y, mid, diff
        )


@kernel()
def velocity_serial(points, cx, cy, half, ex, ey, e2x, e2y, mid, diff, out, on):
    """Same as ``velocity_parallel`` on the calling thread; faster for few points."""
    for i in range(points.shape[0]):
        out[i, 0], out[i, 1], on[i] = _point_velocity(
            points[i, 0], points[i, 1], cx, cy, half, ex, ey, e2x, e2y, mid, diff
        )


@kernel(parallel=True)
def add_stream_influence(px, py, cx, cy, half, ex, ey, following, sign, matrix):
    """Add ``sign`` times the stream function at each point per unit vertex strength to ``matrix``.

    ``matrix`` is (m, n) with rows the points (m,) and columns the vertices (n,); panel j runs from
    vertex j to vertex ``following[j]``. A vortex of unit circulation has psi = -log(r) / (2 pi);
    the log and its first moment over a panel are integrated in closed form, self terms included.
    """
    scale = -sign * _INV_2PI
    for i in prange(px.size):
        for j in range(cx.size):
            h = half[j]
            tx = ex[j] / h
            ty = ey[j] / h
            dx = px[i] - cx[j]
            dy = py[i] - cy[j]
            x = dx * tx + dy * ty
            y = dy * tx - dx * ty
            a = x + h
            b = x - h
            ra = a * a + y * y
            rb = b * b + y * y
            la = math.log(ra) if ra > 0.0 else 0.0
            lb = math.log(rb) if rb > 0.0 else 0.0
            angle = math.atan2(2.0 * h * y, a * b + y * y)
            total = 0.5 * (a * la - b * lb) - 2.0 * h + y * angle
            moment = x * total - 0.25 * (ra * la - rb * lb) + x * h
            matrix[i, j] += scale * 0.5 * (total - moment / h)
            matrix[i, following[j]] += scale * 0.5 * (total + moment / h)


@kernel(reorder=False)
def first_contact(x, y, following):
    """First pair of panels (i, j), not neighbours, that cross or touch; (-1, -1) if none.

    Panel i runs from vertex i to vertex ``following[i]``. A neighbour folded back on its
    predecessor counts as contact. No fast-math: orientation signs must be those of IEEE arithmetic.
    """
    for i in range(x.size):
        ax, ay = x[i], y[i]
        bx, by = x[following[i]], y[following[i]]
        for j in range(i + 1, x.size):
            cx, cy = x[j], y[j]
            dx, dy = x[following[j]], y[following[j]]
            if following[i] == j or following[j] == i:
                ux, uy, vx, vy = bx - ax, by - ay, dx - cx, dy - cy
                if ux * vy - uy * vx == 0.0 and ux * vx + uy * vy < 0.0:
                    return i, j
                continue
            if max(ax, bx) < min(cx, dx) or max(cx, dx) < min(ax, bx):
                continue
            if max(ay, by) < min(cy, dy) or max(cy, dy) < min(ay, by):
                continue
            c_side = (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)
            d_side = (bx - ax) * (dy - ay) - (by - ay) * (dx - ax)
            a_side = (dx - cx) * (ay - cy) - (dy - cy) * (ax - cx)
            b_side = (dx - cx) * (by - cy) - (dy - cy) * (bx - cx)
            apart_of_i = (c_side > 0.0 and d_side > 0.0) or (c_side < 0.0 and d_side < 0.0)
            apart_of_j = (a_side > 0.0 and b_side > 0.0) or (a_side < 0.0 and b_side < 0.0)
            if not (apart_of_i or apart_of_j):
                return i, j
    return -1, -1


@kernel(reorder=False)
def smallest_gap(x, y, half, body):
    """Least distance between vertices of different bodies over the longer half panel there.

    Arrays (n,). Infinity for a single body.
    """
    least = np.inf
    for i in range(x.size):
        for j in range(i + 1, x.size):
            if body[i] != body[j]:
                gap = math.hypot(x[i] - x[j], y[i] - y[j]) / max(half[i], half[j])
                least = min(least, gap)
    return least
