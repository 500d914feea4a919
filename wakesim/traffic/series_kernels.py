"""Compiled loops of the series at a rotor: passes walked along their lines, block by block of
samples, and what the rotor makes of each block while it is at hand.

Columns of a field are channel by channel, the nine points inside: pulse u, pulse v, wake u, k.
"""

from __future__ import annotations

import numba
import numpy as np

from wakesim.arrays import kernel

_PART = 2  # channels of a line
_POINTS = 9
_PULSE, _WAKE = 0, _PART * _POINTS  # first column of the pulse and of the wake
_COLUMNS = 4 * _POINTS
_TOGETHER = 16  # blocks for which the passes that act are looked up at once


@kernel(part=True)
def _add_line(data, first, last, start, step, gain, group, begin, low, high, weight, column, out):
    """Add to out (n, columns), from ``column`` on, one line of a table of rows ``data``.

    The line is rows first to first + last. Sample i, from ``low`` to ``high``, is row
    start + i step, linear between rows, times gain[c // group]; sample ``begin`` is out[0].
    ``weight``: work of the width of the table.
    """
    width = data.shape[1]
    for c in range(width):
        weight[c] = gain[c // group]
    for i in range(low, high):
        position = start + i * step
        row = min(max(int(position), 0), last - 1)
        fraction = position - row
        here, beyond = data[first + row], data[first + row + 1]
        to = out[i - begin, column : column + width]
        for c in range(width):
            a = np.float64(here[c])
            to[c] += weight[c] * (a + fraction * (np.float64(beyond[c]) - a))


@kernel(parallel=True)
def add_lines(data, first, rows, line, start, step, gain, group, block, column, out):
    """Add lines to out (n, columns), in place.

    Event e adds line[e] of the table (data, first, rows): at sample i the row is
    start[e] + i step[e], linear between rows, times gain[e, c // group] in column c; output
    columns begin at ``column``. ``block`` samples are one thread's unit of work.
    """
    n = out.shape[0]
    for b in numba.prange((n + block - 1) // block):
        begin = b * block
        end = min(n, begin + block)
        weight = np.empty(data.shape[1])
        for e in range(line.size):
            last = rows[line[e]] - 1
            low = max(int(np.ceil(-start[e] / step[e])), begin)
            high = min(int(np.ceil((last - start[e]) / step[e])), end)
            if low < high:
                _add_line(
                    data, first[line[e]], last, start[e], step[e], gain[e], group, begin, low,
                    high, weight, column, out[begin:end],
                )  # fmt: skip


@kernel(part=True)
def _acting(low, high, begin, end, mine):
    """Numbers of the events that act on samples ``begin`` to ``end``, into ``mine``; how many."""
    n = 0
    for e in range(low.shape[1]):
        if (
            min(low[0, e], low[1, e], low[2, e]) < end
            and max(high[0, e], high[1, e], high[2, e]) > begin
        ):
            mine[n] = e
            n += 1
    return n


@kernel(part=True)
def _add_passes(
    pulse, wake, far, kind, first, last, start, step, gain, low, high, mine, begin, end, weight,
    used, field,
):  # fmt: skip
    """Field (classes, n, 36) of samples ``begin`` to ``end`` by the events ``mine``; only classes
    that are ``used`` (classes,) are written. Events as in ``series_blocks``."""
    used[:] = False
    for e in mine:
        k = kind[e]
        for t in range(3):
            a, b = max(low[t, e], begin), min(high[t, e], end)
            if a >= b:
                continue
            if not used[k]:
                used[k] = True
                field[k, : end - begin] = 0.0
            if t == 0:
                _add_line(
                    pulse, first[t, e], last[t, e], start[t, e], step[t, e], gain[t, e], _POINTS,
                    begin, a, b, weight, _PULSE, field[k],
                )  # fmt: skip
            else:
                _add_line(
                    wake if t == 1 else far, first[t, e], last[t, e], start[t, e], step[t, e],
                    gain[t, e], _POINTS, begin, a, b, weight, _WAKE, field[k],
                )  # fmt: skip


@kernel(parallel=True)
def passes_field(
    pulse, wake, far, kind, first, last, start, step, gain, low, high, block, out
):  # fmt: skip
    """Sum of all passes into out (classes, n, 36); events as in ``series_blocks``."""
    n = out.shape[1]
    for b in numba.prange((n + block - 1) // block):
        begin = b * block
        end = min(n, begin + block)
        mine = np.empty(kind.size, dtype=np.int64)
        acting = _acting(low, high, begin, end, mine)
        _add_passes(
            pulse, wake, far, kind, first, last, start, step, gain, low, high, mine[:acting],
            begin, end, np.empty(pulse.shape[1]), np.empty(out.shape[0], dtype=np.bool_),
            out[:, begin:end],
        )  # fmt: skip


@kernel(part=True)
def _add_rotor(
    field, used, n, weights, noise, drift, still_energy, ambient, ambient_sd, ambient_noise,
    share_u, share_v, speed, u_out, v_out, passing, part,
):  # fmt: skip
    """Rotor-equivalent speed of n samples of a field (classes, n, 36), and sums of its parts.

    ``part`` (classes + 8,) is added to: by class, by mechanism, and cube of the ambient wind, u
    and v. A class's part is linear in its field, with factors that the whole field gives.
    """
    classes, points = drift.shape
    middle = points // 2
    total, factor, factors = np.empty(_COLUMNS), np.empty(_COLUMNS), np.zeros(_COLUMNS)
    drift_u, still = np.zeros(points), np.zeros(points)
    for c in range(classes):
        for p in range(points):
            drift_u[p] += drift[c, p]
            still[p] += still_energy[c, p]
    by_pulse, by_wake, by_turbulence, by_drift, by_ambient = 0.0, 0.0, 0.0, 0.0, 0.0
    ambient_cube, u_sum, v_sum = 0.0, 0.0, 0.0
    for i in range(n):
        total[:] = 0.0
        for c in range(classes):
            if used[c]:
                for j in range(_COLUMNS):
                    total[j] += field[c, i, j]
        root_u = np.sqrt(2.0 * share_u) * noise[i, 0]
        root_v = np.sqrt(2.0 * share_v) * noise[i, 1]
        cube = 0.0
        for p in range(points):
            pulse_u, pulse_v = total[p], total[points + p]
            wake_u = total[2 * points + p]
            energy = max(total[3 * points + p] + still[p], 0.0)
            rms = np.sqrt(energy)
            turbulent_u, turbulent_v = root_u * rms, root_v * rms
            ambient_u = ambient[p, 0] + ambient_sd[p] * ambient_noise[i, 0]
            ambient_v = ambient[p, 1] + ambient_sd[p] * ambient_noise[i, 1]
            u = pulse_u + wake_u + turbulent_u + drift_u[p] + ambient_u
            v = pulse_v + turbulent_v + ambient_v
            magnitude = np.sqrt(u * u + v * v)
            weight = weights[p] * magnitude
            cube += weight * magnitude * magnitude
            turbulent = weight * (u * turbulent_u + v * turbulent_v)
            by_pulse += weight * (u * pulse_u + v * pulse_v)
            by_wake += weight * u * wake_u
            by_turbulence += turbulent
            by_drift += weight * u * drift_u[p]
            by_ambient += weight * (u * ambient_u + v * ambient_v)
            square = ambient_u * ambient_u + ambient_v * ambient_v
            ambient_cube += weights[p] * square * np.sqrt(square)
            u_sum += weights[p] * u
            v_sum += weights[p] * v
            factor[p] = weight * u
            factor[points + p] = weight * v
            factor[2 * points + p] = weight * u
            factor[3 * points + p] = turbulent / energy if energy > 0.0 else 0.0
            if p == middle:
                u_out[i] = u
                v_out[i] = v
                passing[i] = pulse_u + wake_u
        speed[i] = cube ** (1.0 / 3.0)
        for j in range(_COLUMNS):
            factors[j] += factor[j]
        for c in range(classes):
            if used[c]:
                mine = 0.0
                for j in range(_COLUMNS):
                    mine += field[c, i, j] * factor[j]
                part[c] += mine
    for c in range(classes):
        for p in range(points):
            part[c] += factors[2 * points + p] * drift[c, p]
            part[c] += factors[3 * points + p] * still_energy[c, p]
    part[classes] += by_pulse
    part[classes + 1] += by_wake
    part[classes + 2] += by_turbulence
    part[classes + 3] += by_drift
    part[classes + 4] += by_ambient
    part[classes + 5] += ambient_cube
    part[classes + 6] += u_sum
    part[classes + 7] += v_sum


@kernel(parallel=True)
def rotor_of_field(
    field, weights, noise, drift, still_energy, ambient, ambient_sd, ambient_noise,
    share_u, share_v, block, speed, u, v, passing, part,
):  # fmt: skip
    """Rotor of a field (classes, n, 36); ``part`` (blocks, classes + 8): see ``_add_rotor``."""
    classes, n, _ = field.shape
    for b in numba.prange((n + block - 1) // block):
        begin = b * block
        end = min(n, begin + block)
        _add_rotor(
            field[:, begin:end], np.ones(classes, dtype=np.bool_), end - begin, weights,
            noise[begin:end], drift, still_energy, ambient, ambient_sd, ambient_noise[begin:end],
            share_u, share_v, speed[begin:end], u[begin:end], v[begin:end], passing[begin:end],
            part[b],
        )  # fmt: skip


@kernel(parallel=True)
def series_blocks(
    pulse, wake, far, kind, first, last, start, step, gain, low, high,
    begin, end, hour, weights, noise, drift, still_energy, ambient, ambient_sd, ambient_noise,
    share_u, share_v, speed, u, v, passing, part,
):  # fmt: skip
    """Passes and rotor in one walk over blocks of samples begin[b] to end[b] of hour[b].

    Event e is a pass of class kind[e] (sorted by class); it walks three lines, t = 0 of the table
    ``pulse``, 1 of ``wake``, 2 of ``far``: rows first[t, e] to first + last, row start + i step at
    sample i, from sample low to high, times gain[t, e] (2,). ``drift`` and ``still_energy``
    (hours, classes, points); ``part`` (blocks, classes + 8): see ``_add_rotor``.
    """
    classes = drift.shape[1]
    for g in numba.prange((begin.size + _TOGETHER - 1) // _TOGETHER):
        first_block, last_block = g * _TOGETHER, min((g + 1) * _TOGETHER, begin.size)
        mine = np.empty(kind.size, dtype=np.int64)
        acting = _acting(low, high, begin[first_block], end[last_block - 1], mine)
        weight, used = np.empty(pulse.shape[1]), np.empty(classes, dtype=np.bool_)
        for b in range(first_block, last_block):
            a, o, h = begin[b], end[b], hour[b]
            field = np.empty((classes, o - a, _COLUMNS))
            _add_passes(
                pulse, wake, far, kind, first, last, start, step, gain, low, high,
                mine[:acting], a, o, weight, used, field,
            )  # fmt: skip
            _add_rotor(
                field, used, o - a, weights, noise[a:o], drift[h], still_energy[h], ambient,
                ambient_sd, ambient_noise[a:o], share_u, share_v, speed[a:o], u[a:o], v[a:o],
                passing[a:o], part[b],
            )  # fmt: skip
