"""Compiled look-up of a vehicle's tabulated displacement flow along lines past it.

See ``pulse_grid`` for the two blocks of the table and their mapped coordinates.
"""

from __future__ import annotations

import math

import numpy as np

from wakesim.arrays import kernel

_LOG_SHIFT_M, _SINH_M = 0.25, 0.3
_FOUR_PI = 4.0 * math.pi


@kernel(part=True)
def _cubic(position, count, weight):
    """Lagrange weights (4,) of a place in node numbers; returns the first node."""
    first = min(max(math.floor(position) - 1, 0), count - 4)
    t = min(max(position - first, 0.0), 3.0)
    a, b, c, d = t, t - 1.0, t - 2.0, t - 3.0
    weight[0] = -b * c * d / 6.0
    weight[1] = 0.5 * a * c * d
    weight[2] = -0.5 * a * b * d
    weight[3] = a * b * c / 6.0
    return first


@kernel(part=True)
def _combine(block, first_y, weight_y, first_z, weight_z, odd, out):
    """Weighted sum of 4 x 4 rows of a block into out (2, nx)."""
    out[:] = 0.0
    for a in range(4):
        for b in range(4):
            w = weight_y[a] * weight_z[b]
            row = block[first_y + a, first_z + b]
            for i in range(out.shape[1]):
                out[0, i] += w * row[0, i]
                out[1, i] += w * odd * row[1, i]


@kernel(part=True)
def _far(y, z, x, whole, out):
    """Multipoles of the whole vehicle and its image in the road."""
    out[:] = 0.0
    for image in range(2):
        dy = y - whole[1]
        dz = (z if image == 0 else -z) - whole[2]
        for i in range(x.size):
            dx = x[i] - whole[0]
            inverse = 1.0 / (dx * dx + dy * dy + dz * dz)
            cube = inverse * math.sqrt(inverse) / _FOUR_PI
            fifth = cube * inverse
            along = whole[4] * dx + whole[5] * dy + whole[6] * dz
            qx = whole[7] * dx + whole[10] * dy + whole[11] * dz
            qy = whole[10] * dx + whole[8] * dy + whole[12] * dz
            qz = whole[11] * dx + whole[12] * dy + whole[9] * dz
            twice = qx * dx + qy * dy + qz * dz
            trace = whole[7] + whole[8] + whole[9]
            radial = whole[3] * cube + (3.0 * along - 1.5 * trace) * fifth
            radial += 7.5 * twice * fifth * inverse
            out[0, i] += radial * dx - whole[4] * cube - 3.0 * qx * fifth
            out[1, i] += radial * dy - whole[5] * cube - 3.0 * qy * fifth


@kernel(part=True)
def _row(y, z, x, beside, above, mapping, size, whole, weight_y, weight_z, out):
    """u and v (2, nx) per unit speed along the line at Y = y, Z = z; work (4,), (4,)."""
    half, height, under, reach = size
    gap, over = abs(y) - half, z - height
    if gap > reach or over > reach:
        _far(y, z, x, whole, out)
        return
    odd = 1.0 if y >= 0.0 else -1.0
    nearest = math.exp(mapping[0]) - _LOG_SHIFT_M
    if gap <= nearest and over >= gap:
        place = (abs(y) - mapping[4]) / mapping[5]
        first_y = _cubic(place, above.shape[0], weight_y)
        place = (math.log(max(over, nearest) + _LOG_SHIFT_M) - mapping[6]) / mapping[7]
        first_z = _cubic(place, above.shape[1], weight_z)
        _combine(above, first_y, weight_y, first_z, weight_z, odd, out)
    else:
        place = (math.log(max(gap, nearest) + _LOG_SHIFT_M) - mapping[0]) / mapping[1]
        first_y = _cubic(place, beside.shape[0], weight_y)
        level = math.asinh(over / _SINH_M) + math.asinh((z - under) / _SINH_M)
        place = (level - mapping[2]) / mapping[3]
        first_z = _cubic(place, beside.shape[1], weight_z)
        _combine(beside, first_y, weight_y, first_z, weight_z, odd, out)


@kernel()
def pulse_rows(y, z, x, beside, above, mapping, size, whole):
    """u and v (m, 2, nx) along lines at Y (m,) and Z (m,)."""
    out = np.empty((y.size, 2, x.size))
    for i in range(y.size):
        weight_y, weight_z = np.empty(4), np.empty(4)
        _row(y[i], z[i], x, beside, above, mapping, size, whole, weight_y, weight_z, out[i])
    return out
