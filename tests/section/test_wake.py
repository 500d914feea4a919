"""The marched wake of one vehicle: momentum, interpolation between tables and within one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import wakesim
from wakesim.section import wake
from wakesim.section.wake import LEVELS_M, at_points, bracket, march_wake, wake_table
from wakesim.vehicle.bubble import WakeConstants
from wakesim.vehicle.marched_wake import wake_start

SPEED = 25.0
LORRY, CAR = wakesim.vehicle("artic_lorry_eu"), wakesim.vehicle("small_car")
BOTH = pytest.mark.parametrize("vehicle", [LORRY, CAR], ids=["lorry", "car"])


def start_of(vehicle, **changes):
    return replace(wake_start(vehicle, WakeConstants()), **changes)


def drag_area(vehicle):
    return 0.5 * vehicle.drag_coefficient * vehicle.frontal_area_m2


def after(vehicle, seconds):
    """Distance behind the nose, m, so long after the tail has passed."""
    return vehicle.length_m + SPEED * seconds


def error(table, other, x):
    """Largest differences of u and k at a distance, over the peaks of ``other``."""
    y, z = np.meshgrid(np.linspace(0.0, 12.0, 61), np.linspace(0.05, 8.0, 54), indexing="ij")
    mine, exact = at_points(table, x, y, z), at_points(other, x, y, z)
    return [float(np.abs(a - b).max() / b.max()) for a, b in zip(mine, exact, strict=True)]


@BOTH
def test_the_road_takes_little_of_the_momentum(vehicle):
    table = march_wake(vehicle, start_of(vehicle, roughness_m=0.001))
    left = table.momentum() / drag_area(vehicle)
    assert left[table.start_index] == pytest.approx(1.0, abs=0.01)  # at the bubble's end
    assert left.max() < 1.0 + 1e-12
    assert np.all(np.diff(left[table.start_index :]) < 0.0)
    for seconds, least in ((10.0, 0.80), (30.0, 0.72)):
        assert np.interp(after(vehicle, seconds), table.x, left) >= least


def test_a_rougher_road_takes_more():
    left = [
        march_wake(CAR, start_of(CAR, roughness_m=rough, coarse=True)).momentum()[-1]
        for rough in (2e-4, 2e-3, 2e-2)
    ]
    assert left[0] > 1.01 * left[1] > 1.03 * left[2]


def test_wakes_start_alike_and_thin_out_in_mixed_air():
    still, mixed = (wake_table(CAR, start_of(CAR), level) for level in (0, 4))
    assert error(mixed, still, CAR.length_m + 1.0)[0] < 0.1
    for seconds, most in ((3.0, 0.8), (10.0, 0.5), (30.0, 0.4)):
        x = after(CAR, seconds)
        peaks = [at_points(t, x, 0.0, [0.5, 1.0, 2.0])[0].max() for t in (still, mixed)]
        assert peaks[1] < most * peaks[0]


def test_the_bracket_holds_the_level():
    assert [bracket(m)[0] + bracket(m)[2] for m in LEVELS_M] == pytest.approx(
        np.arange(len(LEVELS_M)), abs=1e-12
    )
    assert bracket(1.0)[::2] == (len(LEVELS_M) - 2, 1.0)
    assert bracket(-1.0)[::2] == (0, 0.0)


@pytest.mark.parametrize(
    ("vehicle", "low", "limits"),
    [
        (CAR, 0, (0.01, 0.01)),
        (CAR, 2, (0.015, 0.03)),
        (CAR, 4, (0.03, 0.10)),
        (LORRY, 3, (0.015, 0.03)),
    ],
)
def test_between_two_levels_the_blend_is_near_the_march(vehicle, low, limits):
    # In the middle of the levels the error is largest; u and k over their peaks.
    logs = np.log(np.array(LEVELS_M) + LEVELS_M[1])
    between = float(np.exp(0.5 * (logs[low] + logs[low + 1])) - LEVELS_M[1])
    number, _, share = bracket(between)
    assert number == low
    assert share == pytest.approx(0.5)
    start = start_of(vehicle)
    exact = march_wake(vehicle, start, between)
    lower, upper = (wake_table(vehicle, start, level) for level in (low, low + 1))
    u, k = ((1.0 - share) * a + share * b for a, b in ((lower.u, upper.u), (lower.k, upper.k)))
    table = replace(lower, u=u, k=k)
    found = np.array([error(table, exact, after(vehicle, t)) for t in (1.0, 3.0, 10.0)])
    assert found[:2].max() < limits[0]
    assert found[2].max() < limits[1]
    np.testing.assert_allclose(table.momentum(), exact.momentum(), rtol=0.03)


@BOTH
def test_a_coarse_march_is_near_the_fine_one(vehicle):
    fine, coarse = (march_wake(vehicle, start_of(vehicle, coarse=c)) for c in (False, True))
    for seconds, u, k in ((1.0, 0.06, 0.10), (3.0, 0.08, 0.20), (10.0, 0.10, 0.25)):
        found = error(coarse, fine, after(vehicle, seconds))
        assert found[0] < u
        assert found[1] < k
    np.testing.assert_allclose(
        np.interp(after(vehicle, 10.0), coarse.x, coarse.momentum()),
        np.interp(after(vehicle, 10.0), fine.x, fine.momentum()),
        rtol=0.03,
    )


def test_nodes_are_met_and_sections_left_out_are_near(monkeypatch):
    table = wake_table(CAR, start_of(CAR), 0)
    node = 90
    u, k = at_points(table, table.x[node], table.y[:, None], table.z[None])
    np.testing.assert_allclose(u, table.u[node], rtol=1e-12, atol=1e-15)
    np.testing.assert_allclose(k, table.k[node], rtol=1e-12, atol=1e-15)
    mirrored = at_points(table, table.x[node], -table.y[:, None], table.z[None])[0]
    np.testing.assert_array_equal(mirrored, u)
    assert at_points(table, -0.1, 0.0, 1.0) == (0.0, 0.0)
    monkeypatch.setattr(wake, "_KEEP", 1e-9)
    whole = march_wake(CAR, start_of(CAR))
    end = table.x[table.start_index]
    for x in whole.x[(whole.x > 1.001 * end) & (whole.x < table.x[-1])]:
        found = error(table, whole, x)
        assert found[0] < 0.025
        assert found[1] < (0.09 if x - CAR.length_m < 1.5 * (end - CAR.length_m) else 0.01)


def test_below_the_lowest_centre_the_log_law_holds():
    table, x = wake_table(LORRY, start_of(LORRY), 0), after(LORRY, 5.0)
    first, rough = table.z[0], wake.ROAD_ROUGHNESS_M
    z = np.array([rough, 0.3 * first, first])
    u, _ = at_points(table, x, 0.0, z)
    np.testing.assert_allclose(u / u[-1], np.log(z / rough) / np.log(first / rough), atol=1e-12)


def test_many_points_and_few_give_the_same():
    rng, table = np.random.default_rng(1), wake_table(CAR, start_of(CAR), 0)
    points = rng.uniform([0.0, -20.0, 0.0], [500.0, 20.0, 10.0], (wake._MANY + 1, 3)).T
    many = at_points(table, *points)
    few = at_points(table, *points[:, :500])
    for a, b in zip(many, few, strict=True):
        np.testing.assert_allclose(a[:500], b, rtol=1e-12, atol=1e-18)
