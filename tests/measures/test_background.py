"""The drift at a mount: agreement with the full sum of wakes, balance, and the reduced drag."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from one_lane_road import FAR, FAR_FLOW, text_of

import wakesim
from wakesim.section.drift import DriftModel
from wakesim.section.grid import CrossSectionGrid
from wakesim.air.spread import PassingSource, mean_drift
from wakesim.case.load import load_case_text
from wakesim.measures import series
from wakesim.measures.background import background, drift_model, settling_time
from wakesim.traffic.handover import velocity_left


def case_of(drift="", air="still = true", **changes):
    """A road of cars alone, for an hour, with given mixing."""
    usual = {
        "air": f"{air}\neddy_diffusivity_m2_s = 0.3\n{drift}", "offset": 2.0, "memory": 20,
        "heavy": 0.0, "light_mix": "{ small_car = 1.0 }", "hours": 1, "wander": 0.25,
    }  # fmt: skip
    return load_case_text(text_of(**(usual | changes)), "test.toml")


def scene_of(**changes):
    case = case_of(**changes)
    return series.prepare(case, case.mounts[0]), series.field_settings(case)


def test_drift_of_old_wakes_is_the_rest_of_their_own_sum():
    """Wakes that only diffuse: the balance fed at age T gives what the sum from T on gives.

    Both from the same handed-over field; constant K and a smooth no-slip road, where the sum is
    known by quadrature (wakesim.air.spread), independent of the finite volumes.
    """
    rate, momentum, k, age = 0.3, 9.0, 0.3, 15.0
    grid = CrossSectionGrid.around([-1.75], np.array([[2.0, 2.0]]), 150.0, 100.0, 0.3)
    whole = PassingSource(rate, momentum, -1.75, 0.75, 0.5, 0.4)
    old = whole.aged(age, k)
    points = np.array([[2.0, 1.0], [2.0, 3.0], [5.0, 2.0], [-6.0, 1.5]])
    everything = mean_drift([whole], points[:, 0], points[:, 1], k)
    young = everything - mean_drift([old], points[:, 0], points[:, 1], k)
    var_y, var_z = 0.5**2 + 2 * k * age, 0.4**2 + 2 * k * age
    y, z = grid.y[:, None] + 1.75, grid.z[None, :]
    left = momentum / (2 * np.pi * np.sqrt(var_y * var_z)) * np.exp(-0.5 * y**2 / var_y)
    left = left * (np.exp(-0.5 * (z - 0.75) ** 2 / var_z) - np.exp(-0.5 * (z + 0.75) ** 2 / var_z))
    drift = DriftModel(grid, k).solve(rate * left).at(points[:, 0], points[:, 1])
    assert young + drift == pytest.approx(everything, rel=0.02)
    assert np.all(drift > 0.2 * (young + drift))  # not a small correction


def test_effective_speed_hardly_depends_on_the_cutoff():
    """Without the drift it rises with the wake memory; with it one part makes up for the other."""
    found = {}
    for drift in ("", "drift = { enabled = false }"):
        runs = [
            wakesim.run(case_of(drift=drift, memory=memory)).mounts[0].statistics
            for memory in (12, 48)
        ]
        found[drift] = runs[1].effective_speed_m_s / runs[0].effective_speed_m_s
    assert abs(np.log(found[""])) < 0.6 * abs(np.log(found["drift = { enabled = false }"]))
    assert found[""] == pytest.approx(1.0, abs=0.1)


def test_balance_closes_and_friction_takes_most():
    scene, settings = scene_of()
    air = background(scene, settings)
    balance = air.balance
    assert balance == pytest.approx(air.field.balance)  # one direction
    sinks = sum(v for k, v in balance.items() if k != "drag_in")
    assert sinks == pytest.approx(balance["drag_in"], rel=1e-8)
    assert balance["road_friction"] > 0.7 * balance["drag_in"]


def test_drag_is_reduced_by_the_air_that_moves_along():
    scene, settings = scene_of(flow=1500)
    air = background(scene, settings)
    speed = np.array([s.mean_speed_m_s for s in scene.sights])
    assert air.drag_factor == pytest.approx((1 - air.lane_speed / speed) ** 2, rel=1e-6)
    assert 0.5 < air.drag_factor.min() < 0.99
    quiet, _ = scene_of(flow=60)
    assert background(quiet, settings).drag_factor.min() > air.drag_factor.max()


def test_opposite_traffic_meets_more_drag_and_cancels_the_drift():
    both, settings = scene_of(far=FAR, far_flow=FAR_FLOW, kind="central_reservation", offset=1.5)
    alone, _ = scene_of(far=FAR, kind="central_reservation", offset=1.5)
    one = background(alone, settings).by_class.sum(axis=1).mean()
    two = background(both, settings).by_class.sum(axis=1).mean()
    assert abs(two) < 0.1 * one


def test_crosswind_flushes_the_drift():
    still, settings = scene_of()
    calm = background(still, settings).by_class.sum(axis=1).mean()
    wind = "[air.wind]\nspeed_m_s = 2.0\nangle_deg = {}\n[[mounts]]"
    text = case_of().text.replace("still = true\n", "")
    for angle in (90, -90):
        blown = load_case_text(text.replace("[[mounts]]", wind.format(angle)), "t")
        scene = series.prepare(blown, blown.mounts[0])
        drift = background(scene, series.field_settings(blown)).by_class.sum(axis=1).mean()
        assert abs(drift) < 0.5 * calm


def test_coarse_grid_is_close_enough_for_variants():
    scene, settings = scene_of()
    fine, coarse = (
        background(scene, settings, coarse=c).by_class.sum(axis=1).mean() for c in (False, True)
    )
    assert coarse == pytest.approx(fine, rel=0.03)


def test_source_of_the_balance_is_what_the_passes_leave():
    scene, settings = scene_of()
    air = background(scene, settings)
    grid = air.field.model.grid
    acting = (scene.rates_per_s * air.drag_factor).mean(axis=0)
    left = sum(
        q * velocity_left(s, settings, None, grid.y, grid.z)
        for q, s in zip(acting, scene.sights, strict=True)
    )
    assert air.field.source == pytest.approx(left, rel=1e-12)


def test_drift_can_be_switched_off():
    scene, settings = scene_of(drift="drift = { enabled = false }")
    air = background(scene, settings)
    assert air.field is None
    assert not air.by_class.any()
    assert np.all(air.drag_factor == 1.0)


def test_rough_ground_slows_the_drift():
    scene, settings = scene_of()
    smooth, rough = (
        background(scene, replace(settings, roughness_factor=f)).by_class.sum(axis=1).mean()
        for f in (0.1, 10.0)
    )
    assert rough < smooth


def test_mixing_follows_the_traffic_or_the_case():
    scene, settings = scene_of()
    assert settings.diffusivity_m2_s == 0.3
    text = case_of().text.replace("eddy_diffusivity_m2_s = 0.3\n", "")
    low, high = (
        series.traffic_mixing(load_case_text(text.replace("= 900", f"= {q}"), "t"))[0]
        for q in (300, 1200)
    )
    assert high == pytest.approx(2.0 * low)  # the square root of the area covered
    assert 0.05 < low < 0.5
    assert drift_model(scene, settings, 0.6).grid.shape[0] > 40


def test_drift_follows_the_traffic_within_minutes():
    scene, settings = scene_of()
    air = background(scene, settings)
    settled = settling_time(scene, air)
    assert 60.0 < settled < 1200.0
    # slower mixing takes longer to reach the mount
    lazy = replace(settings, diffusivity_m2_s=0.1)
    assert settling_time(scene, background(scene, lazy)) > settled


def test_balance_of_two_directions_does_not_cancel():
    scene, settings = scene_of(far=FAR, far_flow=FAR_FLOW, kind="central_reservation", offset=1.5)
    air = background(scene, settings)
    assert abs(air.field.balance["drag_in"]) < 0.1 * air.balance["drag_in"]


def test_no_drift_is_made_beyond_a_wall():
    text = case_of().text.replace('kind = "post"', 'kind = "wall"\nwall_offset_m = 3.0')
    case = load_case_text(text, "t")
    scene = series.prepare(case, case.mounts[0])
    field = background(scene, series.field_settings(case)).field
    beyond = field.model.grid.y > 3.0
    assert not field.source[beyond].any()
    assert np.abs(field.speed[beyond]).max() < 1e-9
    assert field.speed[~beyond].max() > 0.05
