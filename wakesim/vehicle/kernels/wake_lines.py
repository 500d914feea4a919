"""Compiled look-up of a marched wake along lines past it.

``section.march.sample`` takes any points; here the rows of lines share their section along x and
the lines their heights, and the two levels of air are blended where they are read.
"""

from __future__ import annotations

import numpy as np

from wakesim.arrays import kernel


@kernel()
def wake_lines(xs, ys, zs, u, k, u_upper, k_upper, share, rough, x, y, z, shift, out_u, out_k):
    """u and k (n, m) at distances x (n,) behind the nose along lines at ``y``, ``z`` (m,).

    Tables (nx, ny, nz) of two levels of air on the same nodes ``xs``, ``ys`` and ``zs``, the share
    ``share`` of the upper: linear in x, |y| and z, ln z below the first height, 0 outside.
    ``shift`` (n,): how far the wake has been carried aside.
    """
    n, ny, nz = u.shape
    lines = y.size
    height, above, log = np.empty(lines, dtype=np.int64), np.empty(lines), np.ones(lines)
    place = np.zeros(lines, dtype=np.int64)
    for c in range(lines):
        height[c] = min(max(np.searchsorted(zs, z[c]) - 1, 0), nz - 2)
        step = zs[height[c] + 1] - zs[height[c]]
        above[c] = min(max((z[c] - zs[height[c]]) / step, 0.0), 1.0)
        if z[c] < zs[0]:
            log[c] = max(np.log(max(z[c], rough) / rough) / np.log(zs[0] / rough), 0.0)
    blend = share > 0.0
    for i in range(x.size):
        if x[i] < xs[0] or x[i] > xs[n - 1]:
            out_u[i] = 0.0
            out_k[i] = 0.0
            continue
        a = min(max(np.searchsorted(xs, x[i]) - 1, 0), n - 2)
        fraction = (x[i] - xs[a]) / (xs[a + 1] - xs[a])
        for c in range(lines):
            side = abs(y[c] - shift[i])
            if side > ys[ny - 1] or z[c] < 0.0 or z[c] > zs[nz - 1]:
                out_u[i, c] = 0.0
                out_k[i, c] = 0.0
                continue
            b = place[c]
            while b > 0 and ys[b] >= side:
                b -= 1
            while b < ny - 2 and ys[b + 1] < side:
                b += 1
            place[c] = b
            across = min(max((side - ys[b]) / (ys[b + 1] - ys[b]), 0.0), 1.0)
            h = height[c]
            flow = 0.0
            energy = 0.0
            for p in range(2):
                weight_x = fraction if p else 1.0 - fraction
                for q in range(2):
                    weight = weight_x * (across if q else 1.0 - across)
                    low, high = weight * (1.0 - above[c]), weight * above[c]
                    d, e = a + p, b + q
                    s = low * u[d, e, h] + high * u[d, e, h + 1]
                    t = low * k[d, e, h] + high * k[d, e, h + 1]
                    if blend:
                        s2 = low * u_upper[d, e, h] + high * u_upper[d, e, h + 1]
                        t2 = low * k_upper[d, e, h] + high * k_upper[d, e, h + 1]
                        s += share * (s2 - s)
                        t += share * (t2 - t)
                    flow += s
                    energy += t
            out_u[i, c] = flow * log[c]
            out_k[i, c] = energy
