"""Traffic superposition: the velocity at a rotor's points as a sum over passes.

Each pass walks its lines at a constant step a sample. Threads own blocks of time, not passes, and
take the passes in one fixed order, so the result does not depend on the number of threads.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from wakesim.arrays import Array, Index
from wakesim.traffic.lines import (
    POINTS,
    SPEED_NODES,
    WANDER_NODES,
    LineLibrary,
    air_relative_speed,
)
from wakesim.traffic.series_kernels import passes_field
from wakesim.traffic.stream import Passes

_BLOCK = 512
CHANNELS = 4


class Events(NamedTuple):
    """Passes as walks along three lines each, of the pulse, the near and the far wake: see
    ``series_kernels.series_blocks``."""

    kind: Index
    first: Index
    last: Index
    start: Array
    step: Array
    gain: Array
    low: Index
    high: Index


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


def events_of(
    library: LineLibrary,
    view_of: NDArray[np.int64],
    passes: Passes,
    start_s: float,
    samples: int,
    dt_s: float,
    level: NDArray[np.int64] | None = None,
) -> Events:
    """The passes that act on samples at start_s + i dt_s; arguments as in ``superpose``."""
    view = view_of[passes.lane, passes.vehicle]
    if np.any(view < 0):
        raise ValueError("a pass has no line: its class was not prepared for its lane")
    views = library.views
    farthest = float(library.far.rows.max(initial=0)) * library.far.step_m
    longest = max((s.vehicle.length_m for s in views), default=0.0)
    since = start_s - passes.time_s
    slow = np.maximum(passes.speed_m_s, 1e-9)
    ahead = library.pulse_start_m / slow
    gone = (library.pulse_start_m + 100.0 + longest + farthest) / slow
    near = (-since < samples * dt_s + ahead) & (since < gone)
    order = np.flatnonzero(near)
    order = order[np.argsort(passes.vehicle[order], kind="stable")]
    passes, view, since = passes.take(order), view[order], since[order]
    level = np.zeros(order.size, dtype=np.int64) if level is None else level[order]

    direction, mean, sd, along = (
        np.array(values, dtype=np.float64)[view]
        for values in (
            [s.direction for s in views], [s.mean_speed_m_s for s in views],
            [s.speed_sd_m_s for s in views], [s.wind_along_m_s for s in views],
        )
    )  # fmt: skip
    relative = air_relative_speed(passes.speed_m_s, direction, along)
    wander = _nearest(WANDER_NODES, _ratio(passes.wander_m, library.settings.wander_sd_m))
    speed = _nearest(SPEED_NODES, _ratio(passes.speed_m_s - mean, sd))
    group = view * library.viscosity_m2_s.size + level
    line = (
        view * WANDER_NODES.size + wander,
        group * WANDER_NODES.size + wander,
        group * SPEED_NODES.size + speed,
    )
    tables = library.pulse, library.wake, library.far
    start_m = (library.pulse_start_m, library.wake_start_m, library.far_start_m[view])
    travelled = passes.speed_m_s * since
    start = np.stack([(m + travelled) / t.step_m for m, t in zip(start_m, tables, strict=True)])
    step = np.stack([passes.speed_m_s * dt_s / t.step_m for t in tables])
    last = np.stack([t.rows[n] - 1 for n, t in zip(line, tables, strict=True)])
    wake, energy = relative * passes.wake_factor, relative**2 * passes.wake_factor
    acting = np.stack([wake, energy], axis=1)
    return Events(
        kind=passes.vehicle.astype(np.int64),
        first=np.stack([t.first[n] for n, t in zip(line, tables, strict=True)]),
        last=last,
        start=start,
        step=step,
        gain=np.stack([np.stack([relative, relative], axis=1), acting, acting]),
        low=np.clip(np.ceil(-start / step), 0, samples).astype(np.int64),
        high=np.clip(np.ceil((last - start) / step), 0, samples).astype(np.int64),
    )


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
    out = np.zeros((vehicles, samples, CHANNELS * POINTS))
    events = events_of(library, view_of, passes, start_s, samples, dt_s, level)
    passes_field(
        library.pulse.data, library.wake.data, library.far.data, *events, _BLOCK, out
    )  # fmt: skip
    return out.reshape(vehicles, samples, CHANNELS, POINTS)
