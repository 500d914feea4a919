"""Traffic superposition: the velocity at a rotor's points as a sum over passes.

Each pass walks its line at a constant step a sample. Threads own blocks of time, not passes, and
take the passes in one fixed order, so the result does not depend on the number of threads.
"""

from __future__ import annotations

import numba
import numpy as np
from numpy.typing import NDArray

from wakesim.arrays import Array, kernel
from wakesim.traffic.lines import (
    FAR_CHANNELS,
    NEAR_CHANNELS,
    POINTS,
    SPEED_NODES,
    WANDER_NODES,
    LineLibrary,
    LineTable,
    air_relative_speed,
)
from wakesim.traffic.stream import Passes

_BLOCK = 512
_NEAR = NEAR_CHANNELS * POINTS
_FAR_COLUMN = (NEAR_CHANNELS - FAR_CHANNELS) * POINTS


@kernel(parallel=True)
def add_lines(data, first, rows, line, start, step, gain, group, block, column, out):
    """Add lines to out (n, columns), in place.

    Event e adds line[e] of the table (data, first, rows): at sample i the row is
    start[e] + i step[e], linear between rows, times gain[e, c // group] in column c; output
    columns begin at ``column``. ``block`` samples are one thread's unit of work.
    """
    n = out.shape[0]
    width = data.shape[1]
    blocks = (n + block - 1) // block
    for b in numba.prange(blocks):
        begin = b * block
        end = min(n, begin + block)
        weight = np.empty(width)
        for e in range(line.size):
            last = rows[line[e]] - 1
            low = int(np.ceil(-start[e] / step[e]))
            high = int(np.ceil((last - start[e]) / step[e]))
            low = max(low, begin)
            high = min(high, end)
            if low >= high:
                continue
            for c in range(width):
                weight[c] = gain[e, c // group]
            base = first[line[e]]
            for i in range(low, high):
                position = start[e] + i * step[e]
                row = min(max(int(position), 0), last - 1)
                fraction = position - row
                row += base
                for c in range(width):
                    a = data[row, c]
                    out[i, column + c] += weight[c] * (a + fraction * (data[row + 1, c] - a))


def _nearest(nodes: Array, value: Array) -> NDArray[np.int64]:
    """Index of the nearest of equally spaced nodes."""
    index = np.rint((value - nodes[0]) / (nodes[1] - nodes[0]))
    return np.clip(index, 0, nodes.size - 1).astype(np.int64)


def _ratio(value: Array, unit: Array | float) -> Array:
    unit = np.asarray(unit, dtype=np.float64)
    return np.divide(value, unit, out=np.zeros_like(value), where=unit > 0.0)


def view_table(lanes: int, vehicles: int, keys: list[tuple[int, int]]) -> NDArray[np.int64]:
    """Number of the view of every (lane, vehicle), shape (lanes, vehicles); -1 where none."""
    table = np.full((lanes, vehicles), -1, dtype=np.int64)
    for number, (lane, vehicle) in enumerate(keys):
        table[lane, vehicle] = number
    return table


def superpose(
    library: LineLibrary,
    view_of: NDArray[np.int64],
    passes: Passes,
    vehicles: int,
    start_s: float,
    samples: int,
    dt_s: float,
    level: NDArray[np.int64] | None = None,
) -> Array:
    """Sum of all passes, (vehicles, samples, 4, 9): pulse u, pulse v, wake u (m/s), k (m2/s2).

    ``view_of`` (lanes, vehicles) numbers the views of the library; sample i is at
    start_s + i dt_s. ``level`` (n,): which of the library's eddy viscosities each pass's wake
    spreads in, default the first.
    """
    out = np.zeros((vehicles, samples, _NEAR))
    view = view_of[passes.lane, passes.vehicle]
    if np.any(view < 0):
        raise ValueError("a pass has no line: its class was not prepared for its lane")
    direction = np.array([s.direction for s in library.views])[view]
    length = np.array([s.vehicle.length_m for s in library.views])[view]
    mean = np.array([s.mean_speed_m_s for s in library.views])[view]
    sd = np.array([s.speed_sd_m_s for s in library.views])[view]
    along = np.array([s.wind_along_m_s for s in library.views])[view]
    relative = air_relative_speed(passes.speed_m_s, direction, along)
    since = start_s - passes.time_s
    wander = _ratio(passes.wander_m, library.settings.wander_sd_m)
    group = view * library.viscosity_m2_s.size + (0 if level is None else level)
    near_line = group * WANDER_NODES.size + _nearest(WANDER_NODES, wander)
    far_line = group * SPEED_NODES.size + _nearest(SPEED_NODES, _ratio(passes.speed_m_s - mean, sd))
    travelled = passes.speed_m_s * since
    near_start = (library.near_start_m + travelled) / library.near.step_m
    far_start = (library.far_start_m[view] + travelled) / library.far.step_m
    wake = relative * passes.wake_factor
    energy = relative**2 * passes.wake_factor
    near_gain = np.column_stack([relative, relative, wake, energy])
    far_gain = np.column_stack([wake, energy])
    far_span = library.far.rows[far_line] * library.far.step_m
    reach = (length + 100.0 + far_span) / passes.speed_m_s
    window = (passes.time_s - 60.0 < start_s + samples * dt_s) & (-since + reach > 0.0)
    for v in range(vehicles):
        mine = np.flatnonzero(window & (passes.vehicle == v))
        if mine.size == 0:
            continue
        for table, line, start, gain, column in (
            (library.near, near_line, near_start, near_gain, 0),
            (library.far, far_line, far_start, far_gain, _FAR_COLUMN),
        ):
            _add(table, line[mine], start[mine], passes.speed_m_s[mine] * dt_s / table.step_m,
                 gain[mine], column, out[v])  # fmt: skip
    return out.reshape(vehicles, samples, NEAR_CHANNELS, POINTS)


def _add(
    table: LineTable, line: NDArray[np.int64], start: Array, step: Array, gain: Array,
    column: int, out: Array,
) -> None:  # fmt: skip
    add_lines(
        table.data, table.first, table.rows, line, start, step, np.ascontiguousarray(gain),
        POINTS, _BLOCK, column, out,
    )  # fmt: skip
