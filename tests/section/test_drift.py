"""Cross-section balance against closed forms: line sources, log law, decaying wakes, barriers."""

from __future__ import annotations

import math
from functools import partial

import numpy as np
import pytest
from closed_drift import line_drift
from scipy import sparse

from wakesim.air.profiles import friction_velocity, log_profile
from wakesim.section.crossflow import Barrier, blocked_faces, face_flows
from wakesim.section.drift import SINKS, DriftModel, _solve, _within_bands
from wakesim.section.grid import CrossSectionGrid
from wakesim.section.transport import ground_resistance
from wakesim.validation.quantities.drift import PassingSource, mean_drift

LANES = (-1.825, -5.475, -12.0, -15.65)
MOUNTS = ((4.5, 2.0), (-8.7, 1.5), (-3.0, 6.5), (12.0, 3.0))
FORCE, HEIGHT = 4.4, 1.5
DISTANCES = np.array([2.0, 2.5, 4.3, 6.3, 8.0, 10.0])


def grid_of(cells=1.0, **settings):
    """Default grid, or one with every cell ``cells`` times as large."""
    sizes = {"finest_m": 0.15 * cells, "growth": 0.12 * cells}
    return CrossSectionGrid.around(LANES, MOUNTS[:1], **(sizes | settings))


@pytest.fixture(scope="module")
def grid():
    return grid_of()


@pytest.fixture(scope="module")
def mounts_grid():
    return CrossSectionGrid.around(LANES, MOUNTS)


def unbalanced(balance):
    """Drag in less all that becomes of it, over the drag (or the storage)."""
    rest = sum(balance[name] for name in (*SINKS, "storage"))
    return abs(balance["drag_in"] - rest) / max(map(abs, balance.values()))


def line_error(grid, k, v):
    """Largest error beside a line, each distance over the largest drift there; and the field."""
    field = DriftModel(grid, k, v).solve(grid.source(LANES[0], HEIGHT, FORCE))
    y, z = np.meshgrid(LANES[0] + DISTANCES, np.linspace(0.2, 3.0, 15), indexing="ij")
    exact = line_drift(FORCE, LANES[0], HEIGHT, y, z, k, v)
    return np.max(np.abs(field.at(y, z) - exact) / exact.max(axis=1, keepdims=True)), field


@pytest.mark.parametrize(
    ("k", "v", "limit"),
    [
        (0.15, 0.0, 0.01), (1.5, 0.0, 0.01), (0.5, 0.3, 0.01), (0.5, 1.0, 0.01),
        (0.15, 1.0, 0.01), (0.5, 3.0, 0.01), (0.15, 3.0, 0.01), (0.5, 8.0, 0.01), (1.5, 8.0, 0.01),
    ],
)  # fmt: skip
def test_default_grid_against_the_line_in_closed_form(grid, k, v, limit):
    error, field = line_error(grid, k, v)
    assert error < limit
    assert unbalanced(field.balance) < 1e-11
    # No overshoot of either sign, at cell Peclet numbers up to several hundred far out.
    assert field.speed.min() > -1e-12 * field.speed.max()


@pytest.mark.parametrize("height", [0.6, 1.0, 1.5, 2.2])
@pytest.mark.parametrize("lane", [LANES[0], LANES[1] + 0.07])
def test_single_points_beside_the_line_are_within_one_per_cent(grid, lane, height):
    field = DriftModel(grid, 0.5).solve(grid.source(lane, height, FORCE))
    side = np.linspace(2.0, 10.0, 33)
    y, z = np.meshgrid([*(lane - side), *(lane + side)], [0.05, 0.2, 0.5, 1.0, 1.5, 2.0, 3.0, 4.0])
    np.testing.assert_allclose(
        field.at(y, z), line_drift(FORCE, lane, height, y, z, 0.5), rtol=0.01
    )


@pytest.mark.parametrize(("k", "v"), [(0.5, 0.0), (0.5, 1.0), (0.5, 3.0), (0.5, 8.0)])
def test_second_order_in_the_cell_size(k, v):
    # Far sides, so that the boundary does not hide the order; they cost few cells.
    found = [line_error(grid_of(c, reach_m=1000.0, height_m=700.0), k, v)[0] for c in (4, 2, 1)]
    assert found[2] < 0.005
    assert math.log2(found[0] / found[2]) / 2.0 > 1.8


def test_prototype_value_by_both_routes(grid):
    # 1500 cars/h at 30 m/s, C_D 0.32, 2.2 m2, K = 0.15, 2.5 m from the line at z = 1.5 m: 1.0 m/s,
    # the drag acting at half the height of a 1.25 m high car.
    passes = PassingSource(1500.0 / 3600.0, 0.5 * 0.32 * 2.2 * 30.0, LANES[0], 0.625)
    assert passes.force_m3_s2 == pytest.approx(4.4)
    place = LANES[0] + 2.5, 1.5
    assert mean_drift([passes], *place, 0.15) == pytest.approx(1.0, abs=0.005)
    field = DriftModel(grid, 0.15).solve(grid.source(LANES[0], 0.625, passes.force_m3_s2))
    assert field.at(*place) == pytest.approx(1.0, abs=0.01)


@pytest.mark.parametrize("k", [0.15, 0.5, 1.5])
@pytest.mark.parametrize("v", [0.0, 1.0, 3.0])
def test_both_routes_agree(mounts_grid, k, v):
    y, z = np.array(MOUNTS).T
    model = DriftModel(mounts_grid, k, v)
    compared = 0
    for flow_veh_h, momentum, height, sigma_y, sigma_z in (
        (300.0, 10.0, 0.7, 0.6, 0.5),
        (1500.0, 10.5, 0.75, 0.9, 0.7),
        (200.0, 75.0, 2.0, 1.2, 1.3),
    ):
        for lane in LANES[:2]:
            passes = PassingSource(flow_veh_h / 3600.0, momentum, lane, height, sigma_y, sigma_z)
            source = mounts_grid.source(lane, height, passes.force_m3_s2, sigma_y, sigma_z)
            mean, field = mean_drift([passes], y, z, k, v), model.solve(source)
            floor = 5e-4 * field.speed.max()  # for points upwind, where next to nothing arrives
            np.testing.assert_allclose(field.at(y, z), mean, rtol=0.01, atol=floor)
            compared += np.sum(mean > 20.0 * floor)
    assert compared >= 12


def test_opposing_carriageways_cancel_beyond_the_median(grid):
    near, far, k = -3.65, -13.8, 0.5
    both = grid.source(near, 0.8, FORCE) - grid.source(far, 0.8, FORCE)
    field = DriftModel(grid, k).solve(both)
    y = np.array([3.0, 4.5, 8.0, 20.0])
    one = line_drift(FORCE, near, 0.8, y, 2.0, k)
    exact = one - line_drift(FORCE, far, 0.8, y, 2.0, k)
    np.testing.assert_allclose(field.at(y, 2.0), exact, atol=0.01 * one.max())
    assert np.all(np.diff(exact / one) < 0.0)  # the further away, the more they cancel
    assert field.at(20.0, 2.0) < 0.7 * one[-1]
    middle = 0.5 * (near + far)
    assert abs(field.at(middle, 1.5)) < 0.01 * line_drift(FORCE, near, 0.8, middle, 1.5, k)
    assert field.balance["drag_in"] == pytest.approx(0.0, abs=1e-12)


def test_road_takes_the_share_of_the_closed_form():
    grid = grid_of(2.0, reach_m=3000.0, height_m=3000.0)
    field = DriftModel(grid, 0.5).solve(grid.source(LANES[0], HEIGHT, FORCE))
    low, high = (grid.y_edges[[0, -1]] - LANES[0]) / HEIGHT
    share = (math.atan(high) - math.atan(low)) / math.pi
    assert field.balance["road_friction"] == pytest.approx(FORCE * share, rel=1e-3)


@pytest.mark.parametrize("v", [0.0, 2.0, lambda z: log_profile(z, 3.0, 10.0, 0.03), -5.0])
@pytest.mark.parametrize("friction", [False, True])
def test_momentum_balance_closes(grid, v, friction):
    rough = np.where(np.abs(grid.y + 3.65) < 3.65, 0.001, 0.03)
    walls = [Barrier(1.5, 2.0, friction), Barrier(-9.0, 1.0, friction)]
    model = DriftModel(grid, partial(mixed, made=0.3, wind=0.2), v, rough, walls)
    sources = np.array(
        [
            s * grid.source(lane, 0.8, 3.0, 0.8, 0.6)
            for lane, s in zip(LANES, (1, 1, -1, -1), strict=True)
        ]
    )
    field = model.solve(sources.sum(axis=0))
    assert unbalanced(field.balance) < 1e-8
    one = model.solve(sources[0])
    assert unbalanced(one.balance) < 1e-8
    parts = one.balance
    assert (parts["barrier"] > 0.0) == friction
    assert parts["road_friction"] > 0.0
    assert parts["storage"] == 0.0
    if not callable(v) and v != 0.0:
        lee, luff = ("right", "left") if v > 0.0 else ("left", "right")
        assert parts[f"outflow_{lee}"] > 0.02 * parts["drag_in"] > parts[f"outflow_{luff}"]


def test_log_law_is_exact():
    # Between two walls and driven in the highest cells only, the stress below is uniform.
    friction, rough = 0.3, 0.01
    walls = (Barrier(-20.0, math.inf), Barrier(10.0, math.inf))
    grid = grid_of(2.0, barriers=[(w.y_m, w.height_m) for w in walls])
    model = DriftModel(grid, lambda y, z: 0.4 * friction * z, 0.0, rough, walls)
    source = np.zeros(grid.shape)
    between = (grid.y > -20.0) & (grid.y < 10.0)
    source[between, -1] = 1.0
    field = model.solve(source)
    stress = field.balance["road_friction"] / 30.0
    z = np.concatenate((np.linspace(rough, grid.z[0], 7), grid.z[:-1]))
    expected = stress / (0.4 * friction) * np.log(z / rough)
    np.testing.assert_allclose(field.at(-2.0, z), expected, rtol=1e-9, atol=1e-12 * stress)
    assert field.at(-2.0, 0.5 * rough) == 0.0
    assert np.abs(field.speed[~between]).max() == 0.0


def test_resistance_of_the_air_above_the_road_in_closed_form():
    y, z, rough = np.zeros(3), np.array([0.005, 0.045, 0.3]), np.full(3, 0.01)
    above = np.maximum(z, rough)
    # K = K_t z/(l + z), and K = a + b z down to a smooth road.
    exact = (0.8 * np.log(above / rough) + above - rough) / 0.3
    k = partial(mixed, made=0.3, wind=0.0)
    np.testing.assert_allclose(ground_resistance(k, y, z, rough), exact, rtol=1e-10)
    smooth = ground_resistance(lambda y, z: 0.1 + 0.5 * z, y, z, np.zeros(3))
    np.testing.assert_allclose(smooth, np.log1p(5.0 * z) / 0.5, rtol=1e-12)
    np.testing.assert_allclose(ground_resistance(0.5, y, z, rough), (above - rough) / 0.5)


def test_linear_law_below_the_first_centre(grid):
    field = DriftModel(grid, 0.5).solve(grid.source(LANES[0], HEIGHT, FORCE))
    y, z = 1.0, np.array([0.0, 0.02, 0.05])
    exact = line_drift(FORCE, LANES[0], HEIGHT, y, z, 0.5)
    np.testing.assert_allclose(field.at(y, z), exact, rtol=0.01)


def mixed(y, z, made, wind):
    return made * z / (0.8 + z) + 0.4 * wind * z + 0.0 * y


def test_rougher_road_and_more_mixing_leave_less_drift(grid):
    source = grid.source(LANES[0], 0.8, FORCE, 0.8, 0.6)
    drift = []
    for rough, made, wind in (
        (1e-3, 0.3, 0.0),
        (0.03, 0.3, 0.0),
        (0.03, 0.6, 0.0),
        (0.03, 0.6, 0.2),
    ):
        k = partial(mixed, made=made, wind=wind)
        drift.append(float(DriftModel(grid, k, 0.0, rough).solve(source).at(2.0, 2.0)))
    assert np.all(np.diff(drift) < 0.0)
    assert drift[-1] > 0.0


class TestBarriers:
    WALL = Barrier(1.5, 2.5)

    def fields(self, v, wall):
        grid = grid_of(barriers=[(wall.y_m, wall.height_m)])
        source = grid.source(LANES[0], 0.8, FORCE, 0.3, 0.3)
        free, shut = (DriftModel(grid, 0.5, v, 0.0, walls).solve(source) for walls in ((), (wall,)))
        return free, shut

    @pytest.mark.parametrize(
        ("v", "reach", "limit"), [(0.0, [1.6, 2.0, 3.0], 0.75), (1.0, [1.6, 1.8, 2.0], 0.9)]
    )
    def test_a_barrier_shelters_its_lee(self, v, reach, limit):
        free, shut = self.fields(v, self.WALL)
        y, z = np.meshgrid(reach, [0.3, 0.6, 1.0])
        assert np.all(shut.at(y, z) < limit * free.at(y, z))
        if v == 0.0:  # and holds the air on the road's side; a crosswind is lifted there
            assert shut.at(1.0, 1.0) > free.at(1.0, 1.0)
            assert shut.at(1.51, 1.0) < 0.6 * shut.at(1.49, 1.0)

    def test_wall_without_friction_is_a_mirror(self):
        free, shut = self.fields(0.0, Barrier(1.5, math.inf))
        y, z = np.meshgrid([0.0, 1.0, 1.4], [0.5, 1.0, 2.0, 5.0])
        mirrored = free.at(y, z) + free.at(3.0 - y, z)
        np.testing.assert_allclose(shut.at(y, z), mirrored, rtol=0.01)
        assert np.all(np.abs(shut.at([1.6, 3.0, 30.0], 1.0)) < 1e-12)

    def test_wall_with_friction_is_a_negative_mirror(self):
        free, shut = self.fields(0.0, Barrier(1.5, math.inf, friction=True))
        y, z = np.meshgrid([-0.5, 0.5, 1.3], [0.5, 1.0, 2.0, 5.0])
        mirrored = free.at(y, z) - free.at(3.0 - y, z)
        np.testing.assert_allclose(shut.at(y, z), mirrored, atol=0.01 * mirrored.max())
        assert shut.at(1.5 - 1e-9, 1.0) == pytest.approx(0.0, abs=1e-6)
        assert shut.balance["barrier"] > 0.1 * shut.balance["drag_in"]

    def test_crosswind_over_a_thin_wall_is_the_potential_flow(self):
        # psi = v Im sqrt(h^2 + (y + i z)^2); above the wall v sqrt(z^2 - h^2).
        h = 4.0
        grid = grid_of(0.5, barriers=[(0.0, h)])
        closed = blocked_faces(grid, [Barrier(0.0, h)])
        along, up = face_flows(grid, 2.0, closed)
        psi = np.concatenate((np.zeros((along.shape[0], 1)), np.cumsum(along, axis=1)), axis=1)
        y, z = np.meshgrid(grid.y_edges, grid.z_edges, indexing="ij")
        exact = 2.0 * np.imag(np.sqrt(h**2 + (np.abs(y) + 1j * z) ** 2 + 0j))
        near = (np.abs(y) < 15.0) & (z < 15.0)
        off = np.hypot(y, z - h) > 0.5  # the edge of the wall is a singularity
        assert np.abs(psi - exact)[near & off].max() < 0.025 * 2.0 * h
        leaving = np.diff(along, axis=0) + np.diff(up, axis=1)
        assert np.abs(leaving).max() < 1e-12
        assert np.all(along[closed] == 0.0)

    def test_a_wall_to_the_top_turns_the_crosswind_along_it(self, grid):
        along, up = face_flows(grid, 2.0, blocked_faces(grid, [Barrier(6.0, math.inf)]))
        assert not along.any()
        assert not up.any()


def test_mirror_symmetry(grid):
    wall, source = (1.5, 2.0), (LANES[0], 0.8, FORCE, 0.8, 0.6)
    one = grid_of(barriers=[wall])
    two = CrossSectionGrid(-one.y_edges[::-1], one.z_edges)
    speeds = [
        DriftModel(g, 0.5, s * 1.5, 0.0, [Barrier(s * wall[0], wall[1])])
        .solve(g.source(s * source[0], *source[1:]))
        .speed
        for g, s in ((one, 1.0), (two, -1.0))
    ]
    np.testing.assert_allclose(speeds[1][::-1], speeds[0], rtol=1e-9, atol=1e-13)


class TestMarch:
    """A wake over a no-slip road spreads as a Gaussian with its image."""

    K, MOMENTUM, SIGMA = 0.5, 10.0, 1.0

    def decayed(self, y, z, t):
        var = self.SIGMA**2 + 2.0 * self.K * t
        bell = [
            np.exp(-((y - LANES[0]) ** 2 + (z - s * HEIGHT) ** 2) / (2.0 * var)) for s in (1, -1)
        ]
        return self.MOMENTUM / (2.0 * math.pi * var) * (bell[0] - bell[1])

    def error(self, cells, step, end=8.0):
        grid = grid_of(cells, reach_m=60.0, height_m=60.0)
        centre = np.meshgrid(grid.y, grid.z, indexing="ij")
        still = np.zeros(grid.shape)
        march = DriftModel(grid, self.K).march(
            self.decayed(*centre, 0.0), lambda t: still, step, round(end / step)
        )
        assert max(map(unbalanced, march.balance)) < 1e-8
        exact = self.decayed(*centre, end)
        return np.abs(march.speed[-1] - exact).max() / exact.max()

    def test_second_order_in_time_and_space_together(self):
        found = [self.error(c, s) for c, s in ((2.0, 1.0), (1.0, 0.5), (0.5, 0.25))]
        assert found[2] < 0.002
        assert math.log2(found[0] / found[2]) / 2.0 > 1.8

    def test_second_order_in_time_with_a_changing_source(self):
        grid = grid_of(2.0, reach_m=60.0, height_m=60.0)
        source = grid.source(LANES[0], 0.8, FORCE, 0.8, 0.6)
        model = DriftModel(grid, 0.5, 1.0)
        ends = [
            model.march(
                np.zeros(grid.shape), lambda t: math.sin(t / 4.0) ** 2 * source, 8.0 / n, n
            ).speed[-1]
            for n in (8, 16, 256)
        ]
        errors = [np.abs(e - ends[-1]).max() for e in ends[:2]]
        assert math.log2(errors[0] / errors[1]) > 1.8
        assert errors[1] < 0.01 * np.abs(ends[-1]).max()

    @pytest.mark.parametrize(("v", "step"), [(0.0, 30.0), (1.0, 2.0)])
    def test_the_start_of_the_rush_hour_ends_in_the_steady_state(self, grid, v, step):
        model = DriftModel(grid, 0.5, v)
        source = grid.source(LANES[0], 0.8, FORCE, 0.8, 0.6)
        before, after = model.solve(0.3 * source), model.solve(source)
        march = model.march(before.speed, lambda t: source, step, 60, start_s=100.0)
        place = MOUNTS[0]
        response = march.at(*place) / after.at(*place)
        assert response[0] == pytest.approx(0.3)
        assert np.all(np.diff(response) > -1e-3)
        assert response[-1] == pytest.approx(1.0, abs=0.02)
        assert march.time_s[[0, -1]].tolist() == [100.0, 100.0 + 60.0 * step]
        assert max(map(unbalanced, march.balance)) < 1e-8
        assert march.balance[0]["storage"] > 5.0 * abs(march.balance[-1]["storage"])
        # L-stable: one step of a year lands on the steady state, without ringing.
        leap = model.march(before.speed, lambda t: source, 3e7, 1).speed[-1]
        np.testing.assert_allclose(leap, after.speed, atol=1e-4 * after.speed.max())


class TestGrid:
    def test_default_is_smooth_and_small(self, grid):
        assert grid.shape[0] * grid.shape[1] < 20_000
        for edges, growth in ((grid.y_edges, 1.13), (grid.z_edges, 1.13)):
            ratio = np.diff(edges)[1:] / np.diff(edges)[:-1]
            assert np.all((ratio < growth) & (ratio > 1.0 / growth))
        for lane in LANES:
            assert np.diff(grid.y_edges)[np.searchsorted(grid.y_edges, lane) - 1] < 0.16
        assert np.isclose(grid.areas.sum(), np.ptp(grid.y_edges) * 200.0)

    def test_barriers_fall_on_edges(self):
        made = grid_of(barriers=[(1.234, 2.345), (6.5, math.inf)])
        assert {1.234, 6.5} <= set(made.y_edges)
        assert 2.345 in made.z_edges

    @pytest.mark.parametrize("spread", [0.0, 0.05, 0.7, 3.0])
    def test_source_keeps_force_place_and_couple(self, grid, spread):
        cells = grid.source(-3.3, 1.1, 2.5, spread, spread) * grid.areas
        y, z = grid.y[:, None], grid.z
        kept = math.erf(1.1 / (math.sqrt(2.0) * spread)) if spread else 1.0
        assert cells.sum() == pytest.approx(2.5 * kept, rel=0.001)
        assert np.sum(cells * z) == pytest.approx(2.5 * 1.1, rel=1e-9)
        assert np.sum(cells * y) / cells.sum() == pytest.approx(-3.3, rel=1e-9)
        variance = np.sum(cells * (y + 3.3) ** 2) / cells.sum()
        assert variance == pytest.approx(spread**2, rel=1e-9, abs=1e-12)

    def test_refuses_nonsense(self, grid):
        with pytest.raises(ValueError, match="at least one lane"):
            CrossSectionGrid.around([], [])
        with pytest.raises(ValueError, match="must increase"):
            CrossSectionGrid(np.array([0.0, 1.0, 1.0, 2.0]), np.arange(5.0))
        with pytest.raises(ValueError, match="start at 0"):
            CrossSectionGrid(np.arange(5.0), np.arange(1.0, 6.0))
        with pytest.raises(ValueError, match="outside the grid"):
            grid.source(1e4, 1.0, 1.0)
        with pytest.raises(ValueError, match="high"):
            CrossSectionGrid.around(LANES, [[4.5, 300.0]])


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        ({"diffusivity_m2_s": 0.0}, "diffusivity"),
        ({"diffusivity_m2_s": lambda y, z: 0.4 * z}, "smooth road"),
        ({"roughness_m": -1.0}, "roughness"),
        ({"roughness_m": 0.3}, "first cell"),
        ({"crosswind_m_s": math.nan}, "crosswind"),
        ({"barriers": [Barrier(1e4, 2.0)]}, "outside the grid"),
        ({"barriers": [Barrier(1.0, 0.0)]}, "higher than 0"),
    ],
)
def test_model_refuses_nonsense(grid, settings, message):
    with pytest.raises(ValueError, match=message):
        DriftModel(grid, **({"diffusivity_m2_s": 0.5} | settings))


def test_points_and_sources_that_do_not_fit_are_refused(grid):
    model = DriftModel(grid, 0.5)
    field = model.solve(np.zeros(grid.shape))
    with pytest.raises(ValueError, match="outside"):
        field.at(0.0, -0.1)
    with pytest.raises(ValueError, match="shape"):
        model.solve(np.zeros((3, 3)))
    with pytest.raises(ValueError, match="step"):
        model.march(field.speed, lambda t: field.source, 0.0, 1)


def test_roughness_and_profile_of_the_ambient_wind_fit_together():
    speed = friction_velocity(5.0, 10.0, 0.03) / 0.4 * math.log(2.0 / 0.03)
    assert log_profile(2.0, 5.0, 10.0, 0.03) == pytest.approx(speed)


@pytest.mark.parametrize(
    ("below", "above", "n", "k"), [(7, 14, 60, 1), (14, 7, 61, 5), (2, 2, 9, 3)]
)
def test_elimination_within_bands_is_that_of_full_matrices(below, above, n, k):
    """Strong diagonals, as the balances have; an even and an odd number of rows."""
    rng = np.random.default_rng(n)
    offsets = [-below, -1, 0, 1, above]
    data = -rng.uniform(0.5, 1.0, (len(offsets), n))
    data[2] = rng.uniform(4.5, 6.0, n)
    matrix = sparse.dia_matrix((data, offsets), shape=(n, n))
    right = rng.standard_normal((n, k))
    exact = np.linalg.solve(matrix.toarray(), right)
    assert np.abs(_within_bands(matrix, below, above, right) - exact).max() < 1e-13
    assert np.abs(_solve(matrix, right) - exact).max() < 1e-13


def test_a_zero_on_the_diagonal_is_solved_by_exchanging_rows():
    n = 12
    data = np.ones((3, n)) * np.array([[1.0], [0.0], [2.0]])
    matrix = sparse.dia_matrix((data, [-1, 0, 1]), shape=(n, n))
    right = np.arange(1.0, n + 1.0)[:, None]
    assert _solve(matrix, right) == pytest.approx(np.linalg.solve(matrix.toarray(), right))
