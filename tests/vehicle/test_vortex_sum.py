"""The plan-plane vortex sum against exact motions and the sum pair by pair."""

from __future__ import annotations

import numpy as np
import pytest

import wakesim


def reference(targets, sources, circulation, core):
    """Every pair by numpy, straight from the definition."""
    d = targets[:, None] - sources[None]
    square = np.sum(d**2, axis=-1)
    core = np.broadcast_to(np.asarray(core, float), len(sources))
    inside = np.zeros_like(square)
    wide = core > 0.0
    inside[:, wide] = np.maximum(0.0, 1.0 - square[:, wide] / core[wide] ** 2) ** 4
    shape = np.divide(1.0 - inside, square, out=np.zeros_like(square), where=square > 0.0)
    u = -np.sum(circulation * d[..., 1] * shape, axis=1)
    v = np.sum(circulation * d[..., 0] * shape, axis=1)
    return np.stack([u, v], axis=-1) / (2.0 * np.pi)


@pytest.mark.parametrize(("number", "rate"), [(3, 0.15915494), (6, 0.39788736)])
def test_a_ring_of_equal_vortices_turns_at_its_rate(number, rate):
    # (N - 1) Gamma / (4 pi R^2)
    angle = 2.0 * np.pi * np.arange(number) / number
    ring = np.column_stack([np.cos(angle), np.sin(angle)])
    v = wakesim.induced_velocity(ring, ring, np.ones(number), 0.0)
    assert ring[:, 0] * v[:, 1] - ring[:, 1] * v[:, 0] == pytest.approx(rate, rel=1e-7)
    assert np.abs(np.sum(ring * v, axis=1)).max() < 1e-15


def test_kirchhoff_patch_of_axes_two_to_one():
    # rotates at vorticity a b/(a + b)^2 = 2/9 of it; on the long axis' end the speed is that of
    # the exact field, u = -omega a y/(a + b), v = omega b x/(a + b) inside
    side = np.linspace(-2.0, 2.0, 151)
    step = side[1] - side[0]
    x, y = (a.ravel() for a in np.meshgrid(side, side))
    inside = (x / 2.0) ** 2 + y**2 < 1.0
    points = np.column_stack([x, y])[inside]
    v = wakesim.induced_velocity(points, points, np.full(len(points), step**2), 2.0 * step)
    deep = (points[:, 0] / 2.0) ** 2 + points[:, 1] ** 2 < 0.5
    exact = np.column_stack([-2.0 * points[:, 1] / 3.0, points[:, 0] / 3.0])
    assert np.abs(v - exact)[deep].max() < 2e-3


@pytest.mark.parametrize(
    ("count", "core"), [(40, 0.1), (40, 0.0), (6000, 0.01), (6000, 0.3), (20000, 0.002)]
)
def test_both_routes_against_every_pair(count, core):
    rng = np.random.default_rng(count)
    sources = rng.normal(size=(count, 2)) * [1.0, 0.2]
    sources[: count // 10] *= 1e-3  # a cluster of another scale
    circulation = rng.normal(size=count)
    chosen = rng.integers(0, count, 50)
    found = wakesim.induced_velocity(sources, sources, circulation, core)[chosen]
    right = reference(sources[chosen], sources, circulation, core)
    assert np.abs(found - right).max() < 1e-7 * np.abs(right).max()


def test_own_cores_other_targets_and_far_away():
    rng = np.random.default_rng(1)
    sources, targets = rng.random((9000, 2)), rng.random((700, 2))
    circulation, core = rng.random(9000), rng.uniform(0.0, 0.1, 9000)
    found = wakesim.induced_velocity(targets, sources, circulation, core)
    right = reference(targets, sources, circulation, core)
    assert np.abs(found - right).max() < 1e-7 * np.abs(right).max()
    far = wakesim.induced_velocity([[1e4, 0.5]], sources, circulation, core)[0]
    assert far[1] == pytest.approx(circulation.sum() / (2.0 * np.pi * 1e4), rel=1e-3)


def test_points_on_a_line_and_on_each_other():
    sources = np.zeros((5000, 2))
    sources[:, 0] = np.repeat(np.linspace(0.0, 1.0, 2500), 2)
    ones = np.ones(5000)
    found = wakesim.induced_velocity(sources, sources, ones, 0.0)
    right = reference(sources[::500], sources, ones, 0.0)
    assert found[::500] == pytest.approx(right, abs=1e-7 * np.abs(right).max())


def test_no_vortex_moves_nothing():
    none = np.empty((0, 2))
    assert not wakesim.induced_velocity([[0.0, 1.0]], none, np.empty(0), 0.1).any()
    assert wakesim.induced_velocity(none, [[0.0, 1.0]], [1.0], 0.1).shape == (0, 2)


@pytest.mark.parametrize(
    ("targets", "sources", "circulation", "core"),
    [
        ([[0.0]], [[0.0, 1.0]], [1.0], 0.1),
        ([[0.0, 0.0]], [[0.0, 1.0]], [1.0, 2.0], 0.1),
        ([[0.0, 0.0]], [[0.0, np.nan]], [1.0], 0.1),
        ([[0.0, 0.0]], [[0.0, 1.0]], [1.0], -0.1),
        ([[0.0, 0.0]], [[0.0, 1.0]], [1.0], [0.1, 0.2]),
    ],
)
def test_nonsense_is_refused(targets, sources, circulation, core):
    with pytest.raises(ValueError, match=r"."):
        wakesim.induced_velocity(targets, sources, circulation, core)
