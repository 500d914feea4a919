"""Vortex-panel speed against vectorised numpy in the same run, and the cost of one solve."""

from __future__ import annotations

import numpy as np
import pytest
from timing import fastest

from wakesim.vehicle.outlines import circle
from wakesim.vehicle.panels2d import VortexOutline

PANELS = 400


@pytest.fixture(scope="module")
def flow():
    return VortexOutline([circle(PANELS)])


def numpy_velocity(flow, points):
    """The closed form of every panel at every point, one array expression."""
    loop, gamma = flow.loops[0], flow.surface_speed[0]
    start = loop @ (1.0, 1.0j)
    step = np.roll(start, -1) - start
    length = np.abs(step)
    z = (points @ (1.0, 1.0j))[:, None]
    local = (z - start) * (length / step)
    ratio = np.log(local / (local - length))
    diff = np.roll(gamma, -1) - gamma
    w = ((gamma + diff * local / length) * ratio - diff) @ (length / step) / (2j * np.pi)
    return np.column_stack((w.real, -w.imag))


def test_faster_than_vectorised_numpy(flow, capsys):
    points = np.random.default_rng(1).uniform(-6.0, 6.0, (2500, 2))
    points = points[np.hypot(*points.T) > 1.05]
    np.testing.assert_allclose(flow.velocity(points), numpy_velocity(flow, points), atol=1e-12)
    plain = fastest(lambda: numpy_velocity(flow, points), 3)
    kernel = fastest(lambda: flow.velocity(points), 20)
    rate = len(points) * PANELS / kernel
    with capsys.disabled():
        print(f"\n{rate / 1e6:.0f} M panel-point pairs/s, {plain / kernel:.0f} times numpy")
    assert plain / kernel > 10.0


def test_velocity(benchmark, flow):
    points = np.random.default_rng(2).uniform(-6.0, 6.0, (20_000, 2))
    velocity = benchmark(flow.velocity, points)
    assert np.isfinite(velocity).all()


def test_assemble_and_solve(capsys):
    """Checks, assembly and solution against the bare dense solution of the same size.

    The ratio holds on a busy machine, where threads of the linear algebra wait for each other.
    """
    rng = np.random.default_rng(3)
    matrix, right = rng.normal(size=(PANELS + 1, PANELS + 1)), rng.normal(size=PANELS + 1)
    VortexOutline([circle(PANELS)])  # compiled before the clock starts
    bare = fastest(lambda: np.linalg.solve(matrix, right), 30)
    whole = fastest(lambda: VortexOutline([circle(PANELS)]), 30)
    with capsys.disabled():
        print(f"\n{PANELS} panels solved in {1e3 * whole:.1f} ms, bare system {1e3 * bare:.1f} ms")
    assert whole < 20.0 * bare
