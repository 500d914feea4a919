"""Exact statistics against the Monte Carlo series, exact limits and symmetries."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from one_lane_road import FAR, FAR_FLOW, text_of
from scipy import stats
from walked_rounds import walked_rounds

from wakesim.case.load import load_case_text
from wakesim.measures.model_interval import coarse
from wakesim.measures.places import rotor_statistics
from wakesim.measures.series import rotor_sums
from wakesim.studies.mounting_map import ColumnBlock, assemble, columns_of, compute_columns
from wakesim.studies.single_pass import signature
from wakesim.traffic.mount_air import mount_air
from wakesim.traffic.point_statistics import (
    FEW_POINTS,
    PointAir,
    point_statistics,
    pulse_fields,
)
from wakesim.traffic.scene import (
    field_settings,
    prepare_scene,
)
from wakesim.traffic.stationary import mean_cubes

PULSES = pulse_fields(field_settings(load_case_text(text_of(), "test.toml")))
TWO_WAYS = {"far": FAR, "far_flow": FAR_FLOW}


def case_of(height=2.0, wall=None, **changes):
    lines = f"height_m = {height}" + (f"\nwall_offset_m = {wall}" if wall else "")
    text = text_of(**changes).replace("height_m = 2.0", lines)
    return load_case_text(text, "test.toml")


def no_drift(case):
    drift = case.air.drift.model_copy(update={"enabled": False})
    return replace(case, air=case.air.model_copy(update={"drift": drift}))


def monte_carlo(case, settings, rounds):
    """Blocks of ten minutes: mean cube over the rotor; mean, variance, speed at its centre."""
    rows = []
    for parts in walked_rounds(case, rounds, settings):
        for part in parts:
            rows.append([
                np.mean(part.speed**3), np.var(part.u), np.var(part.v),
                np.mean(np.hypot(part.u, part.v)), np.mean(part.u), np.mean(part.v),
            ])  # fmt: skip
    return np.array(rows)


def exact_row(case, settings, pulses):
    """The same quantities, exact."""
    mount, kinds = case.mounts[0], {"settings": settings, "pulses": pulses}
    at = [[mount.offset_m, mount.height_m]]
    rotor = rotor_statistics(case, at, 1.2, **kinds)
    centre = point_statistics(case, at, wall_y_m=mount.wall_offset_m, **kinds)
    return np.array([
        rotor["effective_speed"][0] ** 3, centre.variance_u[0, 0], centre.variance_v[0, 0],
        centre.mean_speed_m_s[0, 0], centre.mean_u_m_s[0, 0], centre.mean_v_m_s[0, 0],
    ])  # fmt: skip


WIND = "wind = { speed_m_s = 3.0, angle_deg = 60.0, turbulence_intensity = 0.2 }"
CARS = {"light_mix": "{ small_car = 1.0 }"}
PLACES = {
    "between": {"kind": "central_reservation", "offset": 1.5, **TWO_WAYS, **CARS},
    "overhead in wind": {"kind": "overhead", "offset": -1.75, "height": 5.2, "air": WIND, **CARS},
    "roadside": {"offset": 0.9, **TWO_WAYS},
    "overhead": {"kind": "overhead", "offset": -1.75, "height": 5.2, **TWO_WAYS},
    "roadside in wind": {"offset": 1.6, "air": WIND},
}
LONG = ("roadside", "overhead", "roadside in wind")


@pytest.mark.parametrize(
    "place", [pytest.param(p, marks=pytest.mark.slow) if p in LONG else p for p in PLACES]
)
def test_agrees_with_the_monte_carlo(place):
    """Same physics, Poisson arrivals: differences within the sampling interval."""
    case = case_of(hours=1, **PLACES[place])
    settings = field_settings(case)
    if place not in LONG:
        settings = coarse(settings)  # of both
    rows = monte_carlo(case, settings, 12 if place in LONG else 3)
    mean, error = rows.mean(axis=0), rows.std(axis=0, ddof=1) / np.sqrt(len(rows))
    exact = exact_row(case, settings, pulse_fields(settings))
    assert np.all(error[:4] < 0.06 * mean[:4])  # or the comparison would say nothing
    # at least 17 degrees of freedom; the drift's grid and the lines of the series: up to 1 %
    assert np.all(np.abs(exact - mean) < 3.5 * error + 0.01 * np.abs(mean))


def one_class(**changes):
    """Cars alone in one lane, one speed, no wander, no drift."""
    usual = {"heavy": 0.0, "light_mix": "{ small_car = 1.0 }", "wander": 0.0} | changes
    case = no_drift(case_of(**usual))
    cars = {k: replace(v, speed_sd_m_s=0.0) for k, v in case.vehicles.items()}
    return replace(case, vehicles=cars)


@cache
def car_signature():
    case = one_class()
    scene, settings = prepare_scene(case, case.mounts[0]), field_settings(case)
    return case, signature(scene.views[0], "near 1", case.mounts[0], settings)


def faded(pass_, length, memory=12.0):
    """Integral of u dt of a signature, its wake faded out over the last tenth of its memory."""
    age = pass_.time_s - length / pass_.speed_m_s
    fade = np.clip((memory - age) / (0.1 * memory), 0.0, 1.0)
    step = pass_.time_s[1] - pass_.time_s[0]
    return np.sum(pass_.pulse_u_m_s + fade * pass_.wake_u_m_s) * step


def test_mean_is_campbells_integral_of_the_signature():
    case, pass_ = car_signature()
    state = point_statistics(case, [[1.5, 2.0]], pulses=PULSES)
    # the pulse of a signature reaches 100 m
    assert state.mean_u_m_s[0, 0] == pytest.approx(900 / 3600 * faded(pass_, 4.05), rel=3e-3)


def test_few_passes_are_the_cube_of_one():
    """At a low rate passes do not overlap: mean cube = rate x integral of the cubed signature."""
    case, pass_ = car_signature()
    air = PointAir(case, pulses=PULSES, excluding=["turbulence"])
    air.rates_per_s = air.rates_per_s * 1e-5
    measure = air.measure(air.sampler(np.array([[1.5, 2.0]]), 0.0).samples()[0], 0, np.ones(1))
    found = mean_cubes([measure]).mean_cube[0] / air.rates_per_s[0, 0]
    step = pass_.time_s[1] - pass_.time_s[0]
    age = pass_.time_s - 4.05 / pass_.speed_m_s
    u = pass_.pulse_u_m_s + np.clip((12.0 - age) / 1.2, 0.0, 1.0) * pass_.wake_u_m_s
    assert found == pytest.approx(np.sum(np.hypot(u, pass_.v_m_s) ** 3) * step, rel=5e-3)


def test_a_walls_image_counts():
    case = one_class(kind="wall", offset=1.5, wall=2.2)
    scene, settings = prepare_scene(case, case.mounts[0]), field_settings(case)
    pass_ = signature(scene.views[0], "near 1", case.mounts[0], settings)
    state = point_statistics(case, [[1.5, 2.0], [2.3, 2.0]], pulses=PULSES)
    assert state.mean_u_m_s[0, 0] == pytest.approx(900 / 3600 * faded(pass_, 4.05), rel=0.03)
    assert np.isnan(state.mean_u_m_s[0, 1])  # behind the wall
    open_road = point_statistics(one_class(), [[1.5, 2.0]], pulses=PULSES)
    assert state.mean_cube_m3_s3[0, 0] > 1.2 * open_road.mean_cube_m3_s3[0, 0]


def test_two_equal_directions_cancel_and_mirror():
    case = case_of(**TWO_WAYS)
    middle = float(np.mean([lane.centre_m for lane in case.road.lanes]))
    at = [[middle, 1.5], [middle + 6.6, 2.0], [middle - 6.6, 2.0]]
    state = point_statistics(case, at, pulses=PULSES)
    assert abs(state.mean_u_m_s[0, 0]) < 1e-3 * state.effective_speed_m_s[0, 0]
    assert state.mean_u_m_s[0, 1] == pytest.approx(-state.mean_u_m_s[0, 2], rel=2e-3)
    assert state.mean_cube_m3_s3[0, 1] == pytest.approx(state.mean_cube_m3_s3[0, 2], rel=2e-3)
    assert state.mean_cube_m3_s3[0, 0] > 0.0


def test_mean_and_variance_are_linear_in_the_flow_without_drift():
    low, high = (
        point_statistics(no_drift(case_of(flow=flow)), [[1.5, 2.0]], pulses=PULSES)
        for flow in (400, 1200)
    )
    # the mixing made by the traffic changes the wakes a little; hold it
    settings = field_settings(case_of(flow=400))
    high = point_statistics(no_drift(case_of(flow=1200)), [[1.5, 2.0]], settings=settings)
    for name in ("mean_u_m_s", "mean_v_m_s", "variance_u", "variance_v"):
        assert getattr(high, name) == pytest.approx(3.0 * getattr(low, name), rel=1e-9)


def test_more_traffic_one_way_moves_more_air():
    at = [[1.5, 2.0], [-1.75, 5.0], [6.0, 1.0]]
    flows = (1, 50, 300, 900, 1800)
    found = [point_statistics(case_of(flow=flow), at, pulses=PULSES) for flow in flows]
    cubes = np.array([f.mean_cube_m3_s3[0] for f in found])
    assert np.all(np.diff(cubes, axis=0) > 0.0)
    assert np.all(np.diff([f.drag_factor.mean() for f in found]) < 0.0)


def test_without_traffic_the_wind_alone_blows():
    """E|X|^3 of a normal vector whose components have a common variance: a Rice distribution."""
    state = point_statistics(case_of(flow=0, air=WIND), [[3.0, 2.0]], pulses=PULSES)
    speed = np.hypot(state.mean_u_m_s[0, 0], state.mean_v_m_s[0, 0])
    sd = 0.2 * speed
    assert state.variance_u[0, 0] == pytest.approx(sd**2)
    exact = stats.rice(speed / sd, scale=sd).moment(3)
    assert state.mean_cube_m3_s3[0, 0] == pytest.approx(exact, rel=1e-6)


def test_hours_together_are_hours_alone():
    case = case_of(hours=3)
    text_hours = point_statistics(case, [[1.5, 2.0]], hours=[5, 6], pulses=PULSES)
    alone = point_statistics(case, [[1.5, 2.0]], hours=[6], pulses=PULSES)
    assert text_hours.mean_cube_m3_s3[1] == pytest.approx(alone.mean_cube_m3_s3[0], rel=1e-12)


@pytest.mark.parametrize("wall", [None, 4.5])
def test_few_points_are_as_among_many(wall):
    """Few are summed over the hulls' panels, many looked up in tables."""
    case = case_of(wall=wall, kind="wall" if wall else "post", air=WIND)
    at = np.array([[0.3, 0.5], [1.5, 2.0], [-1.75, 4.6], [3.9, 3.0]])
    others = np.column_stack([np.linspace(0.5, 4.0, FEW_POINTS), np.full(FEW_POINTS, 1.0)])
    few = point_statistics(case, at, pulses=PULSES, wall_y_m=wall)
    many = point_statistics(case, np.concatenate([at, others]), pulses=PULSES, wall_y_m=wall)
    assert np.isfinite(few.mean_cube_m3_s3).all()
    for name in ("effective_speed_m_s", "mean_speed_m_s"):
        assert getattr(few, name)[0] == pytest.approx(getattr(many, name)[0, :4], rel=3e-3)
    assert few.variance_v[0] == pytest.approx(many.variance_v[0, :4], rel=0.01)


def test_drift_is_that_of_the_mount():
    case = case_of()
    scene = prepare_scene(case, case.mounts[0])
    air = mount_air(scene, field_settings(case))
    state = point_statistics(case, scene.points, pulses=PULSES)
    assert state.drift_m_s[0] == pytest.approx(air.by_class[0].sum(axis=0), rel=0.03)
    assert state.drag_factor == pytest.approx(air.drag_factor, abs=2e-3)


def test_vehicles_way_is_not_a_number():
    case = case_of()  # lane centre -1.75, wander 0.2; lorry 2.55 x 4 m: up to 1.875 m from it
    at = [[0.1, 2.0], [0.13, 2.0], [-1.75, 3.9], [-1.75, 4.1], [-3.7, 0.5]]
    state = point_statistics(case, at, pulses=PULSES)
    assert np.isnan(state.mean_cube_m3_s3[0]).tolist() == [True, False, True, False, False]
    mount = case.mounts[0]
    rotor = rotor_statistics(case, [(mount.offset_m, mount.height_m)], 1.2, pulses=PULSES)
    assert np.isfinite(rotor["effective_speed"]).all()


def test_the_field_is_smooth_across_blocks_rules_and_heights():
    """No jump beyond a few thousandths where tables, wander rules or chunks change."""
    z = np.linspace(1.0, 7.0, 241)
    y = np.linspace(0.6, 14.0, 241)
    for at in (
        np.column_stack([np.full(z.size, 0.9), z]),
        np.column_stack([y, np.full(y.size, 2)]),
    ):
        speed = point_statistics(case_of(), at, pulses=PULSES).effective_speed_m_s[0]
        middle = 0.5 * (speed[2:] + speed[:-2])
        assert np.abs(speed[1:-1] / middle - 1.0).max() < 4e-3


def test_parts_can_be_left_out():
    at = [[1.5, 2.0]]
    whole = point_statistics(case_of(air=WIND), at, pulses=PULSES)
    calm = point_statistics(case_of(air=WIND), at, pulses=PULSES, excluding=["ambient"])
    assert calm.mean_v_m_s[0, 0] == pytest.approx(0.0, abs=0.05)
    assert whole.mean_cube_m3_s3[0, 0] > calm.mean_cube_m3_s3[0, 0]
    still = point_statistics(
        case_of(), at, pulses=PULSES, excluding=["pulse", "wake", "turbulence", "drift"]
    )
    assert still.mean_cube_m3_s3[0, 0] == 0.0
    with pytest.raises(ValueError, match="unknown part 'gusts'"):
        point_statistics(case_of(), at, excluding=["gusts"])


def test_refuses_nonsense():
    case = case_of()
    for points in ([[1.0, 0.0]], [[1.0, np.nan]], [1.0, 2.0]):
        with pytest.raises(ValueError, match="points"):
            point_statistics(case, points)
    settings = replace(field_settings(case), open_tail=False)
    with pytest.raises(ValueError, match="pulse tables"):
        point_statistics(case, [[1.0, 1.0]], settings=settings, pulses=PULSES)


def test_series_rotor_and_map_take_the_same_turbulence_from_the_roughness():
    """In a neutral log law the standard deviation is u*/kappa at every height, for all of them."""
    wind = (
        'wind = { speed_m_s = 4.0, angle_deg = 40.0, turbulence_intensity = "roughness", '
        'profile = "log", roughness_m = 0.05 }'
    )
    case = case_of(flow=0, air=wind, height=2.0)
    scene, mount = prepare_scene(case, case.mounts[0]), case.mounts[0]
    friction = 0.4 * 4.0 / np.log(case.air.wind.reference_height_m / 0.05)
    assert scene.ambient_sd == pytest.approx(friction / 0.4, rel=1e-12)
    state = point_statistics(case, scene.points, pulses=PULSES)
    assert state.variance_u[0] == pytest.approx(scene.ambient_sd**2, rel=1e-9)
    rotor = rotor_statistics(case, [(mount.offset_m, mount.height_m)], 1.2, pulses=PULSES)
    cubes = stats.rice(np.hypot(*scene.ambient.T) / scene.ambient_sd, scale=scene.ambient_sd)
    exact = np.cbrt(scene.weights @ cubes.moment(3))
    assert rotor["effective_speed"][0] == pytest.approx(exact, rel=1e-6)
    still = np.zeros((1, 20000, 4, 9)), np.zeros((20000, 2)), np.zeros((1, 9))
    noise = np.random.default_rng(3).standard_normal((20000, 2))
    series_of = rotor_sums(
        still[0], scene.weights, still[1], still[2], still[2], scene.ambient, scene.ambient_sd,
        noise,
    )  # fmt: skip
    assert np.cbrt(np.mean(series_of.speed**3)) == pytest.approx(exact, rel=0.01)
    z = np.linspace(mount.height_m - 0.4, mount.height_m + 0.4, 9)
    y = np.array([mount.offset_m])
    columns = columns_of(case, y, z, np.ones((9, 1), dtype=bool))
    moments = [compute_columns(ColumnBlock((column,))) for column in columns]
    mapped = assemble(case, y, z, np.ones((9, 1), dtype=bool), moments, 1.2)
    assert mapped["effective_speed"][4, 0] == pytest.approx(exact, rel=1e-4)
