"""Speed and accuracy of the compressed shot noise, as ratios to the plain one in the same run.

Run with: pytest tests/benchmarks -s
"""

from __future__ import annotations

import numpy as np
from timing import fastest, timed

from wakesim.traffic.measure import Measure, measure
from wakesim.traffic.stationary import ShotNoise, mean_cubes


def passes() -> Measure:
    """Signatures of four classes in a lane, nine offsets each: 43 200 samples."""
    t = np.arange(0.0, 60.0, 0.05)
    pulses, turbulence = [], []
    for size in (1.0, 0.6, 0.3, 0.2):
        for wander in np.linspace(-0.3, 0.3, 9):
            bow = np.exp(-(((t - 2.0) / 0.4) ** 2)) - 0.6 * np.exp(-(((t - 2.8) / 0.4) ** 2))
            behind = np.maximum(t - 3.0, 0.0)
            wake = 0.6 * behind * np.exp(-behind / (2.0 + size)) ** 0.8
            v = np.gradient(np.exp(-(((t - 2.4) / 0.6) ** 2)), t)
            factor = size * (1.0 + wander)
            pulses.append(factor * np.column_stack([2.5 * bow + wake, 1.5 * v]))
            turbulence.append(factor**2 * np.outer(0.5 * wake**2, (0.8, 0.64)))
    return measure(pulses, 0.3 / len(pulses), 0.05, turbulence=turbulence)


def plain(state: Measure, voices=16, octaves=16, directions=32) -> float:
    """The defining double integral with numpy, on the rules the exact route begins with."""
    u, v, s_u, s_v = state.nodes[:, :4].T
    moment = state.covariance + np.outer(state.mean, state.mean)
    k = 0.05 / state.reach * 2.0 ** (np.arange(voices * octaves) / voices)
    total, first = 0.0, 0.0
    for theta in np.pi * np.arange(directions) / directions:
        c, s = np.cos(theta), np.sin(theta)
        along, variance = u * c + v * s, s_u * c * c + s_v * s * s
        m = np.array([c, s]) @ moment @ np.array([c, s])
        for j, n in enumerate(k):
            psi = np.sum(state.weight * (np.exp(1j * n * along - 0.5 * n * n * variance) - 1.0))
            value = (np.exp(psi).real - 1.0 + 0.5 * n * n * m) / n**3
            total += value
            first += value if j == 0 else 0.0
    # Below the first wave number the integrand rises in proportion, beyond the last it is m/2 k.
    total += first / (2.0 ** (1.0 / voices) - 1.0)
    beyond = 0.25 * np.trace(moment) / k[-1] / (2.0 ** (1.0 / voices) - 1.0)
    return 9.0 * np.log(2.0) / voices * (total / directions + beyond)


def test_compiled_route_against_numpy():
    state = passes().reduced(300)
    nothing = np.zeros(2), np.zeros((2, 2))
    cube = ShotNoise(state, *nothing).mean_cube_speed  # compiled
    fast = fastest(lambda: ShotNoise(state, *nothing).mean_cube_speed, 3)
    reference, slow, _ = timed(plain, state)
    print(
        f"\n300 nodes: numpy {slow / fast:.0f} times as long; difference {cube / reference - 1:.1e}"
    )
    assert abs(cube / reference - 1.0) < 1e-3
    assert slow / fast > 3.0


def test_compressed_states_against_exact_ones():
    full = passes()
    nothing = np.zeros(2), np.zeros((2, 2))
    cube = ShotNoise(full, *nothing).mean_cube_speed
    exact_s = fastest(lambda: ShotNoise(full, *nothing).mean_cube_speed, 3)
    print(f"\nexact, {len(full)} samples: {1e3 * exact_s:.0f} ms a state")
    for nodes in (100, 300, 1000):
        few, cut_s, _ = timed(full.reduced, nodes)
        states = [few.scaled(rate=1.0 + 1e-9 * i) for i in range(200)]
        mean_cubes(states[:2])
        found, many_s, _ = timed(mean_cubes, states)
        error = abs(found.mean_cube[0] / cube - 1.0)
        ratio = exact_s / (many_s / len(states))
        print(
            f"{nodes} nodes: error {error:.1e}, {1e3 * many_s / len(states):.2f} ms a state, "
            f"{ratio:.0f} times the exact rate; compressing {1e3 * cut_s:.0f} ms"
        )
        if nodes == 300:
            assert error < 1e-3
            assert ratio > 20.0
