"""Speed of the superposition kernel, as a ratio to vectorised numpy in the same run.

Run with: pytest tests/benchmarks -s
"""

from __future__ import annotations

import numpy as np
from timing import fastest

from wakesim.traffic.series_kernels import add_lines

COLUMNS, GROUP, DT = 36, 9, 0.05


def problem(events: int, seconds: float):
    rng = np.random.default_rng(0)
    rows = 520
    data = rng.normal(size=(8 * rows, COLUMNS))
    first = np.arange(8) * rows
    sizes = np.full(8, rows)
    speed = rng.normal(28.0, 2.0, events)
    time_s = rng.uniform(0.0, seconds, events)
    start = (40.0 - speed * time_s) / 0.2
    return (
        data, first, sizes, rng.integers(0, 8, events), start, speed * DT / 0.2,
        rng.uniform(0.5, 1.5, (events, COLUMNS // GROUP)),
    )  # fmt: skip


def plain(data, first, sizes, line, start, step, gain, out):
    for e in range(line.size):
        last = sizes[line[e]] - 1
        low = max(0, int(np.ceil(-start[e] / step[e])))
        high = min(out.shape[0], int(np.ceil((last - start[e]) / step[e])))
        if low >= high:
            continue
        position = start[e] + np.arange(low, high) * step[e]
        row = position.astype(np.int64)
        fraction = (position - row)[:, None]
        row += first[line[e]]
        value = data[row] + fraction * (data[row + 1] - data[row])
        out[low:high] += value * np.repeat(gain[e], GROUP)


def test_superposition_rate():
    seconds, events = 600.0, 1500
    arguments = problem(events, seconds)
    fast, slow = (np.zeros((round(seconds / DT), COLUMNS)) for _ in range(2))
    add_lines(*arguments, GROUP, 512, 0, fast)
    plain(*arguments, slow)
    assert np.allclose(fast, slow, atol=1e-10)
    start, step = arguments[4], arguments[5]
    low = np.clip(np.ceil(-start / step), 0, len(fast))
    high = np.clip(np.ceil((519 - start) / step), 0, len(fast))
    samples = float(np.sum(high - low)) * COLUMNS
    kernel = fastest(lambda: add_lines(*arguments, GROUP, 512, 0, fast))
    numpy = fastest(lambda: plain(*arguments, slow), 3)
    print(
        f"\n{samples / kernel / 1e6:.0f} M line samples/s, numpy {samples / numpy / 1e6:.0f} M/s, "
        f"ratio {numpy / kernel:.1f}"
    )
    assert numpy / kernel > 8.0
