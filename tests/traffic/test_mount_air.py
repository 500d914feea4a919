"""The mean air of the traffic at a mount: no seam, balance, reduced drag, what moves it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from one_lane_road import FAR, FAR_FLOW, text_of

from wakesim.case.load import load_case, load_case_text
from wakesim.energy.hourly_power import whole_day
from wakesim.measures.model_interval import coarse
from wakesim.runtime import cases_path
from wakesim.traffic.mean_air import followed_wakes
from wakesim.traffic.mount_air import mount_air, settling_time
from wakesim.traffic.point_statistics import point_statistics
from wakesim.traffic.scene import field_settings, one_hour, prepare_scene


def case_of(drift="", air="still = true", **changes):
    """A road of cars alone, for an hour."""
    usual = {
        "air": f"{air}\n{drift}", "offset": 2.0, "memory": 20, "heavy": 0.0,
        "light_mix": "{ small_car = 1.0 }", "hours": 1, "wander": 0.25,
    }  # fmt: skip
    return load_case_text(text_of(**(usual | changes)), "test.toml")


def scene_of(**changes):
    case = case_of(**changes)
    return prepare_scene(case, case.mounts[0]), field_settings(case)


def at_mount(air):
    """Drift at the mount, mean over hours and points, m/s."""
    return float(air.by_class.sum(axis=1).mean())


@pytest.mark.parametrize("flow", [300, 1500])
def test_the_mean_does_not_depend_on_how_long_wakes_are_followed(flow):
    """Followed wakes and drift add up to the same mean at any point, by construction."""
    case = case_of(flow=flow)
    settings = coarse(field_settings(case))
    points = np.array([[2.0, 0.8], [2.0, 2.0], [6.0, 3.0]])
    found = [
        point_statistics(case, points, settings=replace(settings, wake_memory_s=memory))
        for memory in (15.0, 60.0, 120.0)
    ]
    means = np.array([state.mean_u_m_s[0] for state in found])
    assert means[1:] == pytest.approx(np.tile(means[0], (2, 1)), rel=0.01)
    drifts = np.array([state.drift_m_s[0] for state in found])
    assert np.all(np.diff(drifts, axis=0) < 0.0)
    speed = np.array([state.effective_speed_m_s[0] for state in found])
    assert speed[2] == pytest.approx(speed[0], rel=0.05 if flow > 1000 else 0.12)


def test_without_the_mean_air_the_answer_hangs_on_the_memory():
    case = case_of(drift="drift = { enabled = false }")
    settings = field_settings(case)
    speed = [
        float(
            point_statistics(
                case, [[2.0, 2.0]], settings=replace(settings, wake_memory_s=memory)
            ).effective_speed_m_s[0, 0]
        )
        for memory in (12.0, 48.0)
    ]
    assert speed[1] > 1.1 * speed[0]


def test_turbulence_of_followed_wakes_and_of_the_background_add_up_to_the_balance():
    case = case_of(flow=1200)
    scene, settings = prepare_scene(case, case.mounts[0]), field_settings(case)
    for memory in (15.0, 60.0):
        air = mount_air(scene, replace(settings, wake_memory_s=memory))
        acting = scene.rates_per_s[0] * air.drag_factor[0]
        level = float(air.viscosity[air.level[0]])
        followed = sum(
            q * followed_wakes([s], air.air.settings, None, level, scene.points)[0, 1]
            for q, s in zip(acting, scene.views, strict=True)
        )
        whole = air.air.energy(0, scene.points)
        background_part = air.energy_by_class[0].sum(axis=0)
        assert np.all(background_part >= 0.0)
        free = followed < whole
        assert (followed + background_part)[free] == pytest.approx(whole[free], rel=1e-9)


def test_balance_closes_and_friction_takes_most():
    scene, settings = scene_of()
    air = mount_air(scene, settings)
    sinks = sum(v for k, v in air.balance.items() if k != "drag_in")
    assert sinks == pytest.approx(air.balance["drag_in"], rel=1e-8)
    assert air.balance["road_friction"] > 0.5 * air.balance["drag_in"]


def test_drag_is_reduced_by_the_air_that_moves_along():
    scene, settings = scene_of(flow=1500)
    air = mount_air(scene, settings)
    speed = np.array([s.mean_speed_m_s for s in scene.views])
    assert air.drag_factor == pytest.approx((1 - air.lane_speed / speed) ** 2, rel=0.02)
    assert 0.5 < air.drag_factor.min() < 0.99
    quiet, _ = scene_of(flow=60)
    assert mount_air(quiet, settings).drag_factor.min() > air.drag_factor.max()


def test_opposite_traffic_meets_more_drag_and_cancels_the_drift():
    both, settings = scene_of(far=FAR, far_flow=FAR_FLOW, kind="central_reservation", offset=1.5)
    alone, _ = scene_of(far=FAR, kind="central_reservation", offset=1.5)
    one, two = mount_air(alone, settings), mount_air(both, settings)
    assert abs(at_mount(two)) < 0.1 * at_mount(one)
    assert two.drag_factor.mean() > one.drag_factor.mean()
    # forces of two directions hide each other in the sum, not in the balance along each one's way
    assert abs(two.field.balance["drag_in"]) < 0.1 * two.balance["drag_in"]


@pytest.mark.parametrize("angle", [90, -90])
def test_crosswind_flushes_the_drift(angle):
    scene, settings = scene_of()
    calm = at_mount(mount_air(scene, settings))
    wind = f"[air.wind]\nspeed_m_s = 4.0\nangle_deg = {angle}\n[[mounts]]"
    text = case_of().text.replace("still = true\n", "")
    blown = load_case_text(text.replace("[[mounts]]", wind), "t")
    scene = prepare_scene(blown, blown.mounts[0])
    assert abs(at_mount(mount_air(scene, field_settings(blown)))) < 0.5 * calm


def test_coarse_grid_is_close_enough_for_variants():
    scene, settings = scene_of()
    fine, coarse = (at_mount(mount_air(scene, settings, coarse=c)) for c in (False, True))
    assert coarse == pytest.approx(fine, rel=0.06)


def test_the_mean_air_can_be_switched_off():
    scene, settings = scene_of(drift="drift = { enabled = false }")
    air = mount_air(scene, settings)
    assert air.field is None
    assert not air.by_class.any()
    assert np.all(air.drag_factor == 1.0)


def test_rough_ground_and_more_mixing_slow_the_air():
    scene, settings = scene_of()
    base = at_mount(mount_air(scene, settings))
    for change in ("road_roughness_factor", "verge_roughness_factor", "mixing_factor"):
        less, more = (
            at_mount(mount_air(scene, replace(settings, **{change: f}))) for f in (0.5, 2.0)
        )
        assert more < base < less


def test_mixing_grows_with_the_traffic_or_is_that_of_the_case():
    scene, settings = scene_of(flow=300)
    low = mount_air(scene, settings).mean_viscosity_m2_s
    scene, settings = scene_of(flow=1500)
    high = mount_air(scene, settings).mean_viscosity_m2_s
    assert 0.01 < low < high < 2.0
    scene, settings = scene_of(air="still = true\neddy_diffusivity_m2_s = 0.3")
    assert mount_air(scene, settings).mean_viscosity_m2_s == pytest.approx(0.3, rel=0.2)


def test_an_hour_alone_is_that_hour_within_its_day():
    text = case_of(hours=2).text.replace("flow_veh_h = 900", f"hourly_veh_h = {[300, 1200] * 12}")
    day = load_case_text(text, "t")
    alone = load_case_text(text.replace("duration_h = 2", "start_hour = 1\nduration_h = 1"), "t")
    points = [[2.0, 2.0], [5.0, 3.0]]
    within = point_statistics(day, points)
    own = point_statistics(alone, points)
    row = within.hours.index(1)
    assert within.effective_speed_m_s[row] == pytest.approx(own.effective_speed_m_s[0], rel=0.02)


def test_drift_follows_the_traffic_within_minutes():
    scene, settings = scene_of()
    assert 60.0 < settling_time(scene, mount_air(scene, settings)) < 3600.0


def test_no_drift_is_made_beyond_a_wall():
    text = case_of().text.replace('kind = "post"', 'kind = "wall"\nwall_offset_m = 3.0')
    case = load_case_text(text, "t")
    scene = prepare_scene(case, case.mounts[0])
    field = mount_air(scene, field_settings(case)).field
    beyond = field.model.grid.y > 3.0
    assert not field.source[beyond].any()
    assert np.abs(field.speed[beyond]).max() < 1e-9
    assert field.speed[~beyond].max() > 0.05


def test_an_hour_of_a_day_is_that_hour_alone():
    """From 170 to 2800 vehicles an hour: few eddy viscosities stand for all, and wakes are followed
    for as long as the traffic of each asks for."""
    case = whole_day(load_case(cases_path("expressway-post.toml")))
    points, shares = case.mounts[0].points()
    hours = (2, 5, 8, 20, 22)
    together = point_statistics(case, points).mean_cube_m3_s3[list(hours)] @ shares
    alone = [
        point_statistics(one_hour(case, hour), points).mean_cube_m3_s3[0] @ shares for hour in hours
    ]
    assert np.cbrt(together) == pytest.approx(np.cbrt(alone), rel=0.02)
