"""Rotor-equivalent speed and the exact split of its cube."""

from __future__ import annotations

import numba
import numpy as np
import pytest

from wakesim.measures.series import MECHANISMS, rotor_sums
from wakesim.vehicle.wake import SHARE_U, SHARE_V

N, CLASSES, POINTS = 1500, 3, 9


@pytest.fixture(scope="module")
def inputs():
    rng = np.random.default_rng(8)
    field = rng.normal(0.0, 0.6, (CLASSES, N, 4, POINTS))
    field[:, :, 3] = rng.exponential(0.2, (CLASSES, N, POINTS))
    weights = rng.uniform(0.5, 1.5, POINTS)
    return {
        "field": field,
        "weights": weights / weights.sum(),
        "noise": rng.normal(size=(N, 2)),
        "drift": rng.normal(0.0, 0.3, (CLASSES, POINTS)),
        "still_energy": rng.exponential(0.1, (CLASSES, POINTS)),
        "ambient": rng.normal(0.0, 1.0, (POINTS, 2)),
        "ambient_sd": rng.uniform(0.0, 0.4, POINTS),
        "ambient_noise": rng.normal(size=(N, 2)),
    }


def plain(d):
    """Velocity components (n, points) of the mechanisms, in numpy."""
    f = d["field"].sum(axis=0)
    energy = f[:, 3] + d["still_energy"].sum(axis=0)
    turbulence = [
        np.sqrt(2 * share * energy) * d["noise"][:, [k]]
        for k, share in enumerate((SHARE_U, SHARE_V))
    ]
    ambient = [d["ambient"][:, k] + d["ambient_sd"] * d["ambient_noise"][:, [k]] for k in range(2)]
    zero = np.zeros_like(energy)
    return {
        "pulse": (f[:, 0], f[:, 1]),
        "wake": (f[:, 2], zero),
        "turbulence": tuple(turbulence),
        "drift": (np.broadcast_to(d["drift"].sum(axis=0), energy.shape), zero),
        "ambient": tuple(ambient),
    }


def test_speed_and_split_against_numpy(inputs):
    sums = rotor_sums(**inputs)
    parts = plain(inputs)
    u = sum(p[0] for p in parts.values())
    v = sum(p[1] for p in parts.values())
    speed = np.hypot(u, v)
    assert sums.speed == pytest.approx(np.cbrt(speed**3 @ inputs["weights"]), rel=1e-12)
    assert sums.u == pytest.approx(u[:, 4])
    assert sums.v == pytest.approx(v[:, 4])
    assert sums.passing == pytest.approx((parts["pulse"][0] + parts["wake"][0])[:, 4])
    for k, name in enumerate(MECHANISMS):
        share = np.sum(inputs["weights"] * speed * (u * parts[name][0] + v * parts[name][1]))
        assert sums.by_mechanism[k] == pytest.approx(share, rel=1e-9)
    own = np.hypot(*parts["ambient"])
    assert sums.ambient_cube == pytest.approx(np.sum(inputs["weights"] * own**3))
    assert sums.u_sum == pytest.approx(np.sum(inputs["weights"] * u))
    assert sums.v_sum == pytest.approx(np.sum(inputs["weights"] * v))


def test_shares_add_up_to_the_cube(inputs):
    sums = rotor_sums(**inputs)
    cube = np.sum(sums.speed**3)
    assert sums.by_mechanism.sum() == pytest.approx(cube, rel=1e-12)
    assert sums.by_class.sum() + sums.by_mechanism[4] == pytest.approx(cube, rel=1e-12)


def test_split_of_mean_plus_turbulence_has_its_closed_form():
    """u = U + s n: E|u|u U = U (U^2 + s^2) and E|u|u s n = 2 U s^2 for s << U along one axis."""
    n, mean, sd = 400_000, 5.0, 0.5
    rng = np.random.default_rng(3)
    field = np.zeros((1, n, 4, 1))
    field[0, :, 2] = mean
    field[0, :, 3] = sd**2 / (2 * SHARE_U)
    noise = np.column_stack([rng.normal(size=n), np.zeros(n)])
    nothing = np.zeros((n, 2))
    sums = rotor_sums(
        field,
        np.ones(1),
        noise,
        np.zeros((1, 1)),
        np.zeros((1, 1)),
        np.zeros((1, 2)),
        np.zeros(1),
        nothing,
    )
    assert sums.by_mechanism[1] / n == pytest.approx(mean * (mean**2 + sd**2), rel=2e-3)
    assert sums.by_mechanism[2] / n == pytest.approx(2 * mean * sd**2, rel=3e-2)
    assert np.mean(sums.speed**3) == pytest.approx(mean**3 + 3 * mean * sd**2, rel=2e-3)


def test_result_does_not_depend_on_threads(inputs):
    two = rotor_sums(**inputs)
    before = numba.get_num_threads()
    try:
        numba.set_num_threads(1)
        one = rotor_sums(**inputs)
    finally:
        numba.set_num_threads(before)
    assert np.array_equal(one.speed, two.speed)
    assert np.array_equal(one.by_class, two.by_class)
    assert np.array_equal(one.by_mechanism, two.by_mechanism)


def test_shapes_must_fit(inputs):
    with pytest.raises(ValueError, match="do not fit"):
        rotor_sums(**(inputs | {"weights": np.ones(3)}))
