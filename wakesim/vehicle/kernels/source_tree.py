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


@kernel(inline="always")
def _multipole(px, py, pz, centre, moment):
    """4 pi u at P of moments (10,): M, D (3), Q as xx, yy, zz, xy, xz, yz."""
    x, y, z = px - centre[0], py - centre[1], pz - centre[2]
    inverse = 1.0 / (x * x + y * y + z * z)
    cube = inverse * math.sqrt(inverse)
    fifth = cube * inverse
    along = moment[1] * x + moment[2] * y + moment[3] * z
    qx = moment[4] * x + moment[7] * y + moment[8] * z
    qy = moment[7] * x + moment[5] * y + moment[9] * z
    qz = moment[8] * x + moment[9] * y + moment[6] * z
    twice = qx * x + qy * y + qz * z
    trace = moment[4] + moment[5] + moment[6]
    radial = moment[0] * cube + (3.0 * along - 1.5 * trace) * fifth + 7.5 * twice * fifth * inverse
    return (
        radial * x - moment[1] * cube - 3.0 * qx * fifth,
        radial * y - moment[2] * cube - 3.0 * qy * fifth,
        radial * z - moment[3] * cube - 3.0 * qz * fifth,
    )


@kernel()
def _tree_velocity(px, py, pz, centre, radius, moment, child, panel, corners, normals, strengths):
    """4 pi u at P of the whole tree, without images."""
    stack = np.empty(_DEPTH, dtype=np.int64)
    stack[0] = 0
    top = 1
    u = 0.0
    v = 0.0
    w = 0.0
    while top > 0:
        top -= 1
        n = stack[top]
        x, y, z = px - centre[n, 0], py - centre[n, 1], pz - centre[n, 2]
        if radius[n] * radius[n] <= OPENING * OPENING * (x * x + y * y + z * z):
            a, b, c = _multipole(px, py, pz, centre[n], moment[n])
        elif panel[n] >= 0:
            a, b, c = _near_field(px, py, pz, corners[panel[n]], normals[panel[n]])
            s = _FOUR_PI * strengths[panel[n]]
            a, b, c = s * a, s * b, s * c
        else:
            stack[top] = child[n]
            stack[top + 1] = child[n] + 1
            top += 2
            continue
        u += a
        v += b
        w += c
    return u, v, w


@kernel(parallel=True)
def tree_velocity(points, centre, radius, moment, child, panel, corners, normals, strengths):
    """Velocity (m, 2) along x and y at points (m, 3) above the road, the road as an image.

    Tree: ``centre`` (t, 3), ``radius`` (t,), ``moment`` (t, 10), ``child`` (t,) the first of two
    children, ``panel`` (t,) the panel of a leaf or -1; panels: ``corners`` (n, 4, 3), ``normals``
    (n, 3), ``strengths`` (n,).
    """
    out = np.empty((points.shape[0], 2))
    for i in numba.prange(points.shape[0]):
        x, y, z = points[i, 0], points[i, 1], points[i, 2]
        a, b, _ = _tree_velocity(
            x, y, z, centre, radius, moment, child, panel, corners, normals, strengths
        )
        c, d, _ = _tree_velocity(
            x, y, -z, centre, radius, moment, child, panel, corners, normals, strengths
        )
        out[i, 0] = (a + c) / _FOUR_PI
        out[i, 1] = (b + d) / _FOUR_PI
    return out
