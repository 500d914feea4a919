"""Compiled loops of the stationary statistics: passes sampled at points, and their moments.

Sights (a class in a lane) share the nodes and wake factors of their group (a class at one speed in
one air). Tables of all groups lie in flat arrays with offsets.
"""

from __future__ import annotations

import numba
import numpy as np

from wakesim.arrays import kernel
from wakesim.vehicle.kernels.pulse_lines import pulse_row


@kernel()
def _pulse_at(
    lateral, height, wall, x, beside, above, mapping, size, whole, weight_y, weight_z, row, extra
):
    """Pulse u and v along a line and, with a wall at a finite lateral place, its image."""
    pulse_row(lateral, height, x, beside, above, mapping, size, whole, weight_y, weight_z, row)
    if np.isfinite(wall):
        pulse_row(
            2.0 * wall - lateral, height, x, beside, above, mapping, size, whole,
            weight_y, weight_z, extra,
        )  # fmt: skip
        for i in range(x.size):
            row[0, i] += extra[0, i]
            row[1, i] -= extra[1, i]


@kernel()
def _wake_at(ys, zs, u, k, y, z, rough):
    """u and k of one section (ny, nz) at y >= 0 and z, linear; ln z below the first centre."""
    ny, nz = u.shape
    if y > ys[ny - 1] or z > zs[nz - 1]:
        return 0.0, 0.0
    i = min(max(np.searchsorted(ys, y) - 1, 0), ny - 2)
    j = min(max(np.searchsorted(zs, z) - 1, 0), nz - 2)
    a = min(max((y - ys[i]) / (ys[i + 1] - ys[i]), 0.0), 1.0)
    c = min(max((z - zs[j]) / (zs[j + 1] - zs[j]), 0.0), 1.0)
    low = (1.0 - a) * (1.0 - c)
    flow = low * u[i, j] + a * (1.0 - c) * u[i + 1, j]
    flow += (1.0 - a) * c * u[i, j + 1] + a * c * u[i + 1, j + 1]
    energy = low * k[i, j] + a * (1.0 - c) * k[i + 1, j]
    energy += (1.0 - a) * c * k[i, j + 1] + a * c * k[i + 1, j + 1]
    if z < zs[0]:
        flow *= max(np.log(max(z, rough) / rough) / np.log(zs[0] / rough), 0.0)
    return flow, energy


@kernel(parallel=True)
def sample_sight(
    height, lateral, wall, wander, rule, rule_offset, rule_weight,
    x, beside, above, mapping, size, whole,
    tail, pulse_end, first, share, direction, wake_y, wake_z, wake_u, wake_k, shift, rough,
    number, first_node, start, out, node, view, chance,
):  # fmt: skip
    """Samples of one view at all points, written from ``start`` (m,) on, which is moved on.

    ``lateral`` (m,) Y of the points without wander, ``wander`` (7,) m in the vehicle's frame,
    ``rule`` (m,) 0 to 2: how many wander nodes; pulse table as in ``pulse_lines``; ``wake_y``,
    ``wake_z`` and ``wake_u``, ``wake_k`` (nw, ny, nz): sections of the wake at the nodes behind the
    nose, about its own centre, which is ``shift`` (nw,) aside; ``rough`` m, where u is 0.
    ``out`` (m, N, 4): pulse u, v, wake u, k per unit speed in road axes; ``node`` and ``view``
    (m, N): which node and view; ``chance`` (m, N): share of the passes.
    """
    nodes = tail + wake_u.shape[0]
    for p in numba.prange(height.size):
        weight_y, weight_z = np.empty(4), np.empty(4)
        row, extra = np.empty((2, x.size)), np.empty((2, x.size))
        n = start[p]
        for k in range(rule_offset[rule[p]], rule_offset[rule[p] + 1]):
            o = k - rule_offset[rule[p]]
            # offsets are stored as 0, the other two of three, the other four of five
            w = 0 if o == 0 else (o if rule[p] == 1 else o + 2)
            _pulse_at(
                lateral[p] - wander[w], height[p], wall - wander[w], x, beside, above, mapping,
                size, whole, weight_y, weight_z, row, extra,
            )  # fmt: skip
            end = pulse_end if o > 0 else nodes
            for j in range(end):
                u = 0.0
                v = 0.0
                wake = 0.0
                energy = 0.0
                if j < pulse_end:
                    for a in range(4):
                        i = first[j] + a
                        u += share[j, a] * row[0, i]
                        v += share[j, a] * row[1, i]
                if j >= tail:
                    b = j - tail
                    aside = lateral[p] - wander[w]
                    wake, energy = _wake_at(
                        wake_y, wake_z, wake_u[b], wake_k[b], abs(aside - shift[b]), height[p],
                        rough,
                    )  # fmt: skip
                    if np.isfinite(wall):
                        image = 2.0 * (wall - wander[w]) - aside
                        more, extra_k = _wake_at(
                            wake_y, wake_z, wake_u[b], wake_k[b], abs(image - shift[b]),
                            height[p], rough,
                        )  # fmt: skip
                        wake += more
                        energy += extra_k
                out[p, n, 0] = direction * u
                out[p, n, 1] = direction * v
                out[p, n, 2] = direction * wake
                out[p, n, 3] = energy
                node[p, n] = first_node + j
                view[p, n] = number
                chance[p, n] = rule_weight[k] if j < pulse_end else 1.0
                n += 1
        start[p] = n


@kernel()
def combine(
    count, samples, node, view, chance, node_weight, moments, rate, drag, parts,
    share_u, share_v, weight, nodes,
):  # fmt: skip
    """Nodes and weights of a Measure from the samples of one point; returns how many.

    ``rate`` and ``drag`` (views,); ``parts`` (3,): factors on pulse, wake and k.
    """
    n = 0
    for i in range(count):
        g, s = node[i], view[i]
        w = rate[s] * chance[i] * node_weight[g]
        if w <= 0.0:
            continue
        pulse_u = parts[0] * samples[i, 0]
        pulse_v = parts[0] * samples[i, 1]
        wake = parts[1] * drag[s] * samples[i, 2]
        energy = parts[2] * drag[s] * samples[i, 3]
        if pulse_u == 0.0 and pulse_v == 0.0 and wake == 0.0 and energy == 0.0:
            continue
        r, rc, rr, rrc, rrcc = moments[g]
        u = r * pulse_u + rc * wake
        v = r * pulse_v
        square = rr * pulse_u * pulse_u + 2.0 * rrc * pulse_u * wake + rrcc * wake * wake
        weight[n] = w
        nodes[n, 0] = u
        nodes[n, 1] = v
        nodes[n, 2] = max(square - u * u, 0.0) + 2.0 * share_u * rrc * energy
        nodes[n, 3] = max(rr - r * r, 0.0) * pulse_v * pulse_v + 2.0 * share_v * rrc * energy
        nodes[n, 4] = pulse_v * (rr * pulse_u + rrc * wake) - u * v
        n += 1
    return n
