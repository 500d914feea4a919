"""Interpolation in tables, against scipy's Hermite splines with numpy's second-order slopes."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import CubicHermiteSpline, RegularGridInterpolator

from wakesim.measures.interpolation import Axis, around, interpolate, on_grid
from wakesim.studies.refine import refine


def hermite(x, f):
    """The published form: np.gradient with edge_order 2 is the slope of a parabola."""
    return CubicHermiteSpline(x, f, np.gradient(f, x, edge_order=2))


def test_one_axis_is_the_hermite_spline_of_parabola_slopes():
    rng = np.random.default_rng(1)
    x = np.sort(rng.uniform(0.0, 5.0, 7))
    f = rng.normal(size=7)
    at = rng.uniform(x[0], x[-1], 200)
    found = interpolate([Axis.of("height_m", x)], f, {"height_m": at})
    assert found == pytest.approx(hermite(x, f)(at), abs=1e-12)


def test_a_product_of_axes_is_taken_one_after_the_other():
    rng = np.random.default_rng(2)
    x, z = np.array([0.0, 1.0, 2.5, 4.0]), np.array([1.0, 2.0, 2.5])
    f = rng.normal(size=(4, 3, 1))
    axes = [Axis.of("offset_m", x), Axis.of("height_m", z), Axis.of("speed_factor", [1.0])]
    for a, b in rng.uniform([0.0, 1.0], [4.0, 2.5], (20, 2)):
        across = [hermite(x, f[:, j, 0])(a) for j in range(3)]
        found = interpolate(axes, f, {"offset_m": a, "height_m": b, "speed_factor": 1.0})
        assert float(found) == pytest.approx(float(hermite(z, across)(b)), abs=1e-12)


def test_flows_go_by_their_root_and_clearances_by_their_logarithm():
    q = np.array([0.0, 100.0, 400.0, 1600.0])
    f = np.array([0.1, 0.4, 0.7, 1.3])
    at = np.linspace(0.0, 1600.0, 50)
    found = interpolate([Axis.of("flow_veh_h", q)], f, {"flow_veh_h": at})
    assert found == pytest.approx(hermite(np.sqrt(q), f)(np.sqrt(at)), abs=1e-12)
    c = np.array([1.0, 2.0, 8.0])
    found = interpolate([Axis.of("clearance_m", c)], c, {"clearance_m": np.array([4.0])})
    assert found == pytest.approx(hermite(np.log(c), c)(np.log([4.0])), abs=1e-12)


def test_broadcasting_chunks_and_the_order_of_reduction_do_not_matter(monkeypatch):
    rng = np.random.default_rng(3)
    axes = [Axis.of(n, np.arange(4.0)) for n in ("offset_m", "height_m", "direction_split")]
    f = rng.normal(size=(4, 4, 4))
    at = {
        "offset_m": rng.uniform(0, 3, (6, 1)),
        "height_m": rng.uniform(0, 3, (1, 5)),
        "direction_split": 1.3,
    }
    found = interpolate(axes, f, at)
    assert found.shape == (6, 5)
    one = interpolate(axes, f, {n: np.broadcast_to(v, (6, 5))[2, 3] for n, v in at.items()})
    assert found[2, 3] == pytest.approx(float(one), abs=1e-12)
    full = {n: np.broadcast_to(v, (6, 5)).copy() for n, v in at.items()}
    monkeypatch.setattr("wakesim.measures.interpolation._MOST_NUMBERS", 20)
    assert interpolate(axes, f, full) == pytest.approx(found, abs=1e-12)


def test_a_full_circle_is_closed():
    nodes = np.arange(0.0, 361.0, 30.0)
    axis = Axis.of("wind_angle_deg", nodes)
    assert axis.periodic
    f = np.cos(np.radians(nodes))
    at = np.array([-15.0, 345.0, 705.0, 15.0])
    found = interpolate([axis], f, {"wind_angle_deg": at})
    assert found == pytest.approx(0.5 * (1.0 + np.cos(np.radians(30.0))), abs=1e-12)
    assert found[0] == pytest.approx(found[3], abs=1e-12)
    assert not axis.outside(at).any()
    part = Axis.of("wind_angle_deg", [0.0, 90.0, 180.0])
    assert part.outside([-15.0, 45.0, 270.0]).tolist() == [True, False, True]


def test_the_ends_and_not_a_number():
    axis = Axis.of("height_m", [1.0, 2.0])
    assert axis.outside([1.0, 2.0, 2.0 + 1e-12, 2.1, np.nan]).tolist() == [
        False, False, False, True, True,
    ]  # fmt: skip


def test_refinement_puts_values_where_the_function_bends():
    def exact(states):
        return np.array([1.0 + np.tanh(4.0 * (s["height_m"] - 2.0)) * 0.4 for s in states])

    axes = {"height_m": (0.0, 1.0, 2.0, 3.0, 4.0), "offset_m": (0.0, 5.0)}
    found = refine(axes, exact, 0.01, 10_000)
    assert found.met
    assert set(found.added) == {"height_m"}
    assert all(0.4 < z < 3.6 for z in found.added["height_m"])
    z = np.linspace(0.0, 4.0, 400)
    nodes = np.array(found.axes["height_m"])
    values = exact([{"height_m": v} for v in nodes])
    guess = interpolate([Axis.of("height_m", nodes)], values, {"height_m": z})
    assert np.max(np.abs(guess / exact([{"height_m": v} for v in z]) - 1.0)) < 0.02


def test_refinement_stops_at_the_number_of_states_and_says_so():
    found = refine({"height_m": (0.0, 1.0, 2.0)}, _noise, 0.001, 4)
    assert found.axes == {"height_m": (0.0, 1.0, 2.0)}
    assert not found.met
    found = refine({"height_m": (0.0, 1.0, 2.0)}, _noise, 0.001, 1000)
    assert 3 < len(found.axes["height_m"]) <= 3 * 2**3
    assert not found.met


def _noise(states):
    return np.array([2.0 + np.sin(1e4 * s["height_m"] ** 2) for s in states])


def test_a_table_on_a_grid_is_the_one_interpolated_point_by_point() -> None:
    rng = np.random.default_rng(5)
    axes = {"height_m": (1.0, 2.0, 4.0), "flow_veh_h": (50.0, 300.0, 900.0, 2000.0)}
    axes |= {"wind_angle_deg": (0.0, 90.0, 200.0, 360.0)}
    sides = [Axis.of(name, values) for name, values in axes.items()]
    table = rng.uniform(size=[len(v) for v in axes.values()])
    table[..., -1] = table[..., 0]  # 360 degrees are 0
    at = {n: np.sort(rng.uniform(v[0], v[-1], 7)) for n, v in axes.items()}
    mesh = dict(zip(at, np.meshgrid(*at.values(), indexing="ij"), strict=True))
    found = on_grid(sides, table, at)
    assert found == pytest.approx(interpolate(sides, table, mesh), rel=1e-12)
    assert on_grid(sides, table, axes) == pytest.approx(table, rel=1e-15)


def test_directions_go_straight_and_kinks_are_not_overshot():
    """Against numpy's periodic straight lines."""
    nodes = np.array([0.0, 90.0, 170.0, 180.0, 190.0, 270.0, 360.0])
    f = np.array([2.3, 2.1, 1.9, 1.2, 1.9, 0.8, 2.3])
    at = np.random.default_rng(6).uniform(-360.0, 720.0, 200)
    found = interpolate([Axis.of("wind_angle_deg", nodes)], f, {"wind_angle_deg": at})
    assert found == pytest.approx(np.interp(at, nodes[:-1], f[:-1], period=360.0), abs=1e-12)
    assert found.min() >= f.min()
    assert found.max() <= f.max()


@pytest.mark.parametrize("name", ["wind_speed_m_s", "direction_split", "heavy_share"])
def test_what_goes_by_its_root(name):
    x = np.array([0.0, 0.2, 0.5, 1.0])
    f = np.array([2.0, 1.0, 0.7, 0.9])
    at = np.linspace(0.0, 1.0, 41)
    found = interpolate([Axis.of(name, x)], f, {name: at})
    assert found == pytest.approx(hermite(np.sqrt(x), f)(np.sqrt(at)), abs=1e-12)


def kinked(seed: int) -> tuple[list[Axis], np.ndarray, np.ndarray, np.ndarray]:
    """Axes, values with kinks, and both ends of an interval around each."""
    rng = np.random.default_rng(seed)
    values = {
        "height_m": [1.0, 1.4, 3.0], "flow_veh_h": [0.0, 50.0, 400.0, 2000.0],
        "wind_speed_m_s": [0.0, 0.2, 1.0, 5.0], "wind_angle_deg": [0.0, 90.0, 180.0, 360.0],
    }  # fmt: skip
    axes = [Axis.of(name, v) for name, v in values.items()]
    shape = tuple(len(v) for v in values.values())
    value = rng.exponential(1.0, shape) ** 2
    low, high = value * rng.uniform(size=shape), value + rng.exponential(0.3, shape)
    for table in (value, low, high):
        table[..., -1] = table[..., 0]  # 360 degrees are 0
    return axes, value, low, high


@pytest.mark.parametrize("seed", range(20))
def test_every_value_lies_inside_its_interval(seed):
    """Anywhere, although cubics overshoot the kinks; the distances are those of scipy."""
    axes, value, low, high = kinked(seed)
    rng = np.random.default_rng(100 + seed)
    at = {axis.name: rng.uniform(*axis.ends, 2000) for axis in axes}
    between, below, above = around(axes, value, low, high, at)
    assert np.all((below >= 0.0) & (below <= between) & (between <= above))
    usual = interpolate(axes, value, at)
    assert (usual < 0.0).any()  # here a cubic overshoots
    assert between == pytest.approx(np.maximum(usual, 0.0), abs=1e-12)
    scaled = [axis.scaled(axis.values) for axis in axes]
    points = np.column_stack([axis.scaled(at[axis.name]) for axis in axes])
    lines = RegularGridInterpolator(scaled, high - value)(points)
    assert above - between == pytest.approx(lines, abs=1e-12)
    mesh = np.meshgrid(*(axis.values for axis in axes), indexing="ij")
    nodes = around(axes, value, low, high, dict(zip(at, mesh, strict=True)))
    for found, known in zip(nodes, (value, low, high), strict=True):
        assert found == pytest.approx(known, abs=1e-14)


def test_a_value_that_is_not_known_leaves_the_others_known():
    """A corner that failed counts where it has a weight, between states and on a grid."""
    axes, value, low, high = kinked(3)
    holed = value.copy()
    holed[0, 0, 0, 0] = np.nan
    names = [axis.name for axis in axes]
    far = dict(zip(names, (1.0, 1000.0, 3.0, 200.0), strict=True))
    found = around(axes, holed, low, high, far)
    assert found == pytest.approx(around(axes, value, low, high, far), abs=1e-12)
    near = dict(zip(names, (1.0, 10.0, 0.1, 20.0), strict=True))
    assert np.isnan(around(axes, holed, low, high, near)).all()
    grid = on_grid(axes, holed, {axis.name: axis.values for axis in axes})
    holed[..., -1] = holed[..., 0]
    assert np.isnan(grid).sum() == 2
    assert np.array_equal(np.isnan(grid), np.isnan(holed))
