"""Samples of an uncertain yield: causes and not chance, the same however they are computed."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from energy_case import TABLES, case

from wakesim.energy.uncertainty import (
    central_pulses,
    collect,
    evaluate,
    payloads,
    yield_parameters,
)
from wakesim.sweep import Task, content_key, sweep

CASE = case(TABLES.replace("samples = 0", "samples = 64"))
MOUNT = CASE.mounts[0]


def found(**inputs: float) -> dict[str, float]:
    return evaluate({"case": CASE, "mount": "m", "inputs": inputs, "shaft_speed_rad_s": None})


def test_more_of_what_moves_the_air_gives_more_and_smoothly() -> None:
    base = found()["effective_speed_m_s"]
    for more in ({"traffic_flow": 1.1}, {"vehicle_speeds": 1.05}, {"drag_coefficients": 1.0}):
        assert found(**more)["effective_speed_m_s"] > base, more
    # the same vehicles pass in every sample: a small change of the flow is a small change
    less = found(traffic_flow=0.999)["effective_speed_m_s"]
    assert base * (1.0 - 2e-3) < less < base


def test_the_power_coefficient_scales_the_energy_alone() -> None:
    one, two = found(power_coefficient=0.15), found(power_coefficient=0.2)
    assert one["effective_speed_m_s"] == two["effective_speed_m_s"]
    assert two["annual_kwh"] > one["annual_kwh"]


def task_list() -> list[Task]:
    _, _, all_payloads = payloads(CASE, MOUNT, seed=7)
    picked = [*all_payloads[:3], all_payloads[-1]]
    return [Task(content_key("test", p["inputs"]), p) for p in picked]


def test_a_run_that_was_stopped_goes_on_to_the_same_bytes(tmp_path: Path) -> None:
    tasks = task_list()
    whole = sweep(evaluate, tasks, tmp_path / "whole", chunk_size=2)
    central_pulses.cache_clear()  # as in a worker that starts with another sample
    backwards = list(reversed(tasks))

    def stop(share: float, _: str) -> None:
        if share >= 0.5:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        sweep(evaluate, backwards, tmp_path / "part", chunk_size=1, progress=stop)
    rest = sweep(evaluate, backwards, tmp_path / "part", chunk_size=1)
    assert (rest.reused, rest.computed) == (2, 2)
    assert list(reversed(rest.results)) == list(whole.results)


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
    assert u.speed_ranking.total.sum() >= 1.0
    assert u.energy.p90 < u.energy.p50 < u.energy.p10
