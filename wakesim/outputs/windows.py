"""Which part of a long series to show: the busiest stretch, and a typical busy moment."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from wakesim.measures.results import Series


def window_mean_cube(speed_m_s: NDArray[np.float64], samples: int) -> NDArray[np.float64]:
    """Mean cubed speed of every window of ``samples`` values, shape (n - samples + 1,), m³/s³."""
    total = np.concatenate([[0.0], np.cumsum(np.asarray(speed_m_s, dtype=float) ** 3)])
    cubes: NDArray[np.float64] = (total[samples:] - total[:-samples]) / samples
    return cubes


def busiest_window(speed_m_s: NDArray[np.float64], dt_s: float, length_s: float) -> slice:
    """Samples of the window of ``length_s`` with the highest mean cubed speed.

    A series shorter than the window is returned whole.
    """
    samples = max(1, round(length_s / dt_s))
    if samples >= len(speed_m_s):
        return slice(0, len(speed_m_s))
    start = int(np.argmax(window_mean_cube(speed_m_s, samples)))
    return slice(start, start + samples)


def typical_busy_window(series: Series, length_s: float) -> slice:
    """A window of ``length_s`` in the hour with most passes, with that hour's usual mean cube.

    Of the consecutive windows of the hour it is the one whose mean cubed speed is nearest to the
    mean over the hour, so that it shows neither a lull nor a freak.
    """
    speed = np.asarray(series.speed_m_s, dtype=float)
    samples = max(1, round(length_s / series.dt_s))
    if samples >= len(speed):
        return slice(0, len(speed))
    first, last = _busiest_hour(series)
    if last - first < samples:
        middle = (first + last) // 2
        start = min(max(0, middle - samples // 2), len(speed) - samples)
        return slice(start, start + samples)
    count = (last - first) // samples
    cubes = speed[first : first + count * samples].reshape(count, samples) ** 3
    wanted = float(np.mean(speed[first:last] ** 3))
    best = first + samples * int(np.argmin(np.abs(cubes.mean(axis=1) - wanted)))
    return slice(best, best + samples)


def _busiest_hour(series: Series) -> tuple[int, int]:
    """First and one-past-last sample of the run of equal clock hours with most passes."""
    hour = np.asarray(series.hour)
    edges = np.concatenate([[0], np.flatnonzero(np.diff(hour)) + 1, [len(hour)]])
    times = np.asarray(series.time_s)[np.minimum(edges, len(hour) - 1)].astype(float)
    times[-1] = np.inf
    passes = np.histogram(np.asarray(series.passes.time_s), bins=times)[0]
    lengths = np.diff(edges)
    busiest = int(np.argmax(passes / lengths)) if len(passes) else 0
    return int(edges[busiest]), int(edges[busiest + 1])
