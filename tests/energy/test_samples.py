"""Samples of an uncertain yield: causes and not chance, the same however they are computed."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from energy_case import TABLES, case, text

from wakesim import constants
from wakesim.air.density import density_of
from wakesim.case.load import load_case_text
from wakesim.case.schema import Case
from wakesim.energy.hourly_power import (
    CommonSample,
    first_round,
    mean_powers,
    rotor_of,
    whole_day,
)
from wakesim.energy.samples import (
    central,
    collect,
    evaluate,
    payloads,
    with_moments,
    yield_parameters,
)
from wakesim.measures import intervals
from wakesim.measures.model_interval import UnchangedPulses, change, coarse, standing_hours
from wakesim.runtime import cases_path
from wakesim.sweep import Task, content_key, sweep
from wakesim.traffic.point_statistics import point_statistics, pulse_fields
from wakesim.traffic.scene import field_settings, one_hour, prepare_scene

CASE = case(TABLES.replace("samples = 0", "samples = 64"))
MOUNT = CASE.mounts[0]


def found(**inputs: float) -> dict[str, float]:
    return evaluate({"case": CASE, "mount": "m", "inputs": inputs, "shaft_speed_rad_s": None})


def test_more_of_what_moves_the_air_gives_more_and_smoothly() -> None:
    base = found()["effective_speed_m_s"]
    for more in ({"traffic_flow": 1.1}, {"vehicle_speeds": 1.05}, {"drag_coefficients": 1.0}):
        assert found(**more)["effective_speed_m_s"] > base, more
    # nothing is left to chance: a small change of the flow is a small change
    less = found(traffic_flow=0.999)["effective_speed_m_s"]
    assert base * (1.0 - 2e-3) < less < base


def test_moments_are_met_and_the_order_of_speeds_kept() -> None:
    speed = np.random.default_rng(1).gamma(2.0, 0.7, 5000)
    for mean, cube in ((1.1, 1.5), (0.8, 0.4), (1.4, 2.5)):
        moved = with_moments(speed, mean, cube)
        assert moved.mean() == pytest.approx(mean * speed.mean(), rel=1e-9)
        assert np.mean(moved**3) == pytest.approx(cube * np.mean(speed**3), rel=1e-9)
        assert np.array_equal(np.argsort(moved), np.argsort(speed))
    # of a steady wind the mean follows from the mean cube
    assert with_moments(np.full(9, 2.0), 1.1, 8.0) == pytest.approx(np.full(9, 4.0))
    assert not with_moments(np.zeros(9), 1.1, 2.0).any()


def test_the_power_coefficient_scales_the_energy_alone() -> None:
    one, two = found(power_coefficient=0.15), found(power_coefficient=0.2)
    assert one["effective_speed_m_s"] == two["effective_speed_m_s"]
    assert two["annual_kwh"] > one["annual_kwh"]


def task_list(case: Case = CASE) -> list[Task]:
    _, _, all_payloads = payloads(case, case.mounts[0], seed=7)
    picked = [*all_payloads[:3], all_payloads[-1]]
    return [Task(content_key("test", p["inputs"]), p) for p in picked]


def test_a_run_that_was_stopped_goes_on_to_the_same_bytes(tmp_path: Path) -> None:
    tasks = task_list()
    whole = sweep(evaluate, tasks, tmp_path / "whole", chunk_size=2)
    central.cache_clear()  # as in a worker that starts with another sample
    backwards = list(reversed(tasks))

    def stop(share: float, _: str) -> None:
        if share >= 0.5:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        sweep(evaluate, backwards, tmp_path / "part", chunk_size=1, progress=stop)
    rest = sweep(evaluate, backwards, tmp_path / "part", chunk_size=1)
    assert (rest.reused, rest.computed) == (2, 2)
    assert list(reversed(rest.results)) == list(whole.results)


def test_a_sample_does_not_depend_on_those_computed_before() -> None:
    tasks = task_list()
    here = [evaluate(task.payload) for task in tasks]
    central.cache_clear()
    shuffled = {k: evaluate(tasks[k].payload) for k in (2, 0, 3, 1)}
    assert [shuffled[k] for k in range(4)] == here  # to the last bit


@pytest.mark.slow
def test_samples_are_the_same_from_any_number_of_processes(tmp_path: Path) -> None:
    drifting = text(TABLES.replace("samples = 0", "samples = 64"))
    drifting = drifting.replace("drift = { enabled = false }", "")
    tasks = task_list(load_case_text(drifting, "drifting.toml"))
    alone = sweep(evaluate, tasks, tmp_path / "one", chunk_size=1).results
    assert sweep(evaluate, tasks, tmp_path / "two", chunk_size=1, workers=2).results == alone


@pytest.mark.slow
def test_a_sample_agrees_with_a_long_series_of_the_moved_model() -> None:
    """Effective speed within its 99 % interval; the energy, for its mean cube, within 3 %."""
    one = case(TABLES.replace("sample_per_hour_s = 20.0", "sample_per_hour_s = 600.0"), heavy=0.2)
    rotor = rotor_of(one, one.mounts[0])
    inputs = {"drag_coefficients": 0.9, "wake_turbulence": 1.2, "lane_position": 0.2}
    series: list[np.ndarray] = []
    for moved in ({}, inputs):
        now, settings = one_hour(one, 0, one.mounts[0]), coarse(field_settings(one))
        for item in constants.INPUTS:
            if item.key in moved:
                now, settings = change(item, now, settings, moved[item.key])
        scene = prepare_scene(now, now.mounts[0])
        hour = CommonSample(scene, first_round(now, settings), 3600.0)
        (sums,) = hour.hours(scene, settings, {})
        series.append(sums.speed)
    was, found = (
        evaluate({"case": one, "mount": "m", "inputs": i, "shaft_speed_rad_s": None})
        for i in ({}, inputs)
    )
    dt = 1.0 / one.compute.sample_rate_hz
    for speed, exact in zip(series, (was, found), strict=True):
        blocks = intervals.block_cubes(speed, dt, np.zeros(speed.size, dtype=np.int8))
        low, high = intervals.interval(intervals.join_blocks([blocks]), 0.99)
        assert low < exact["effective_speed_m_s"] < high
    before, after = (float(mean_powers(rotor, [v], dt, density_of(one.air))[0]) for v in series)
    walked = after / before * np.mean(series[0] ** 3) / np.mean(series[1] ** 3)
    cubes = (found["effective_speed_m_s"] / was["effective_speed_m_s"]) ** 3
    assert found["annual_kwh"] / was["annual_kwh"] / cubes == pytest.approx(walked, rel=0.03)


@pytest.mark.slow
@pytest.mark.parametrize("wind", [False, True])
def test_what_is_taken_over_from_the_central_state_costs_little(wind: bool) -> None:
    """Change of the effective speed within 1.5 % of that of every hour's own balance and wakes."""
    example = cases_path("energy-yield.toml").read_text(encoding="utf-8")
    windy = "wind = { speed_m_s = 2.0, angle_deg = 60.0, roughness_m = 0.03 }"
    one = load_case_text(example.replace("still = true", windy) if wind else example, "x.toml")
    mount, whole = one.mounts[0], whole_day(one)
    points, shares = (part[3:6] for part in mount.points())
    hours, usual = standing_hours(whole, 3), coarse(field_settings(whole))
    own = pulse_fields(usual)
    inputs = {
        "mixing_of_the_roads_air": 1.4, "mixing_of_far_wakes": 2.5, "drag_coefficients": 0.7,
        "side_layer": 0.8, "start_of_the_wake": 1.4, "roughness_of_the_verge": 2.0,
    }  # fmt: skip
    exact, found = [], []
    for moved in ({}, inputs):
        now, settings = whole, usual
        for item in constants.INPUTS:
            if item.key in moved:
                now, settings = change(item, now, settings, moved[item.key])
        pulses = UnchangedPulses(own, whole.vehicles, settings)
        state = point_statistics(now, points, hours=hours, settings=settings, pulses=pulses)
        exact.append(np.cbrt((state.mean_cube_m3_s3 @ shares).mean() / shares.sum()))
        payload = {"case": one, "mount": mount.name, "inputs": moved, "shaft_speed_rad_s": None}
        found.append(evaluate(payload)["effective_speed_m_s"])
    assert found[1] / found[0] == pytest.approx(exact[1] / exact[0], rel=0.015)


def test_outputs_are_anchored_to_the_whole_study() -> None:
    place, values, all_payloads = payloads(CASE, MOUNT, seed=7)
    assert len(all_payloads) == 65
    assert all_payloads[-1]["inputs"] == {}
    rng = np.random.default_rng(0)
    fake: list[dict[str, float] | None] = [
        {"effective_speed_m_s": s, "annual_kwh": s**3} for s in rng.uniform(0.5, 2.0, 64)
    ]
    fake[3] = None
    central = {"effective_speed_m_s": 0.8, "annual_kwh": 0.4}
    u = collect(CASE, MOUNT, place, values, [*fake, central], 1.7, 6.0)
    assert (u.samples, u.failed) == (63, 1)
    first = fake[0]
    assert first is not None
    assert u.outputs[0, 0] == pytest.approx(first["effective_speed_m_s"] / 0.8 * 1.7)
    assert u.outputs[0, 1] == pytest.approx(first["annual_kwh"] / 0.4 * 6.0)
    with pytest.raises(ValueError, match="central sample"):
        collect(CASE, MOUNT, place, values, [*fake, None], 1.7, 6.0)


def test_a_stated_coefficient_outside_the_published_range_widens_it() -> None:
    assert CASE.rotor is not None
    rotor = CASE.rotor.model_copy(update={"best_power_coefficient": 0.3})
    parameters = yield_parameters(replace(CASE, rotor=rotor), MOUNT)
    (one,) = [p for p in parameters if p.name == "power coefficient"]
    assert (one.low, one.high) == pytest.approx((0.10, 0.30))


@pytest.mark.slow
def test_the_ranking_of_the_real_model_is_trusted() -> None:
    one = case(TABLES.replace("samples = 0", "samples = 256"))
    place, values, all_payloads = payloads(one, MOUNT, seed=7)
    u = collect(one, MOUNT, place, values, [evaluate(p) for p in all_payloads], 1.0, 1.0)
    assert u.speed_ranking.trusted
    assert u.energy_ranking.trusted
    assert u.speed_ranking.total.sum() >= 1.0 - 1e-12
    assert u.energy.p90 < u.energy.p50 < u.energy.p10
