"""Whole runs: what must hold whatever the constants are."""

from __future__ import annotations

import contextlib
import json
import math
from concurrent.futures import ThreadPoolExecutor

import energy_case
import numpy as np
import pytest
from one_lane_road import BASE, FAR, FAR_FLOW, text_of

import wakesim
from wakesim.case.load import load_case_text
from wakesim.case.studies import STUDY_TABLES
from wakesim.outputs.summary import summary
from wakesim.runtime import cases_path
from wakesim.studies.registry import find


def case_of(**changes):
    return load_case_text(text_of(**changes), "test.toml")


def statistics(**changes):
    return wakesim.run(case_of(**changes)).mounts[0].statistics


@pytest.mark.parametrize("name", STUDY_TABLES)
def test_every_study_that_a_case_can_ask_for_is_registered(name):
    assert callable(find(name))


@pytest.fixture(scope="module")
def usual():
    return wakesim.run(case_of())


def test_same_seed_same_bytes(usual):
    again = wakesim.run(case_of()).mounts[0].statistics.series
    series = usual.mounts[0].statistics.series
    for name in ("u_m_s", "v_m_s", "speed_m_s"):
        assert getattr(series, name).tobytes() == getattr(again, name).tobytes()
    assert series.passes.time_s.tobytes() == again.passes.time_s.tobytes()


def test_another_seed_another_series(usual):
    text = text_of()
    other = wakesim.run(load_case_text(text.replace("seed = 7", "seed = 8"), "t"))
    assert not np.array_equal(
        other.mounts[0].statistics.series.u_m_s, usual.mounts[0].statistics.series.u_m_s
    )


def test_shares_add_up_and_the_spectrum_holds_the_variance(usual):
    s = usual.mounts[0].statistics
    assert s.series.speed_m_s.size == round(0.2 * 3600 * 20)
    low, high = s.sampling_interval_m_s
    assert low < s.effective_speed_m_s < high
    assert sum(s.by_mechanism.values()) == pytest.approx(1.0)
    assert sum(s.by_class.values()) == pytest.approx(1.0)
    assert s.by_mechanism["ambient"] == 0.0
    assert s.spectrum_m2_s.sum() * s.spectrum_hz[1] == pytest.approx(np.var(s.series.u_m_s))
    assert len(s.series.passes) == usual.passes_total


def test_mirrored_road_gives_the_mirrored_series():
    """Traffic the other way turns u and v round; turbulence, which has no direction, is off."""
    one = statistics(turbulence=0.0, wander=0.0).series
    # the road mirrored in x and y: rotated by half a turn about the vertical
    other = statistics(near="backward", offset=-1.5, turbulence=0.0, wander=0.0).series
    assert other.u_m_s == pytest.approx(-one.u_m_s, abs=1e-6)
    assert other.v_m_s == pytest.approx(-one.v_m_s, abs=1e-6)
    assert other.speed_m_s == pytest.approx(one.speed_m_s, abs=1e-6)


def test_density_changes_power_and_not_speed(usual):
    thick = wakesim.run(case_of(air="still = true\npressure_pa = 105000.0\ntemperature_c = -20.0"))
    one, other = usual.mounts[0].statistics, thick.mounts[0].statistics
    assert thick.air_density_kg_m3 > 1.15 * usual.air_density_kg_m3
    assert other.series.speed_m_s.tobytes() == one.series.speed_m_s.tobytes()
    ratio = thick.air_density_kg_m3 / usual.air_density_kg_m3
    assert other.power_density_w_m2 / one.power_density_w_m2 == pytest.approx(ratio)


def test_mount_fifty_metres_away_sees_little_but_the_ambient():
    still = statistics(offset=50.0)
    assert still.effective_speed_m_s < 0.15 * statistics(offset=2.0).effective_speed_m_s
    wind = "[air.wind]\nspeed_m_s = 4.0\nangle_deg = 180.0"
    windy = statistics(offset=50.0, air=wind)
    assert windy.effective_speed_m_s == pytest.approx(windy.ambient_effective_speed_m_s, rel=0.05)
    assert windy.by_mechanism["ambient"] == pytest.approx(1.0, abs=0.06)


def test_a_road_without_vehicles_has_the_wind_alone():
    # power law: 4 (2/10)^0.14 m/s at the centre; a steady wind has no turbulence
    wind = '[air.wind]\nspeed_m_s = 4.0\nangle_deg = 30.0\nprofile = "power"'
    empty = statistics(flow=0, air=wind)
    assert empty.by_mechanism["ambient"] == pytest.approx(1.0)
    assert empty.mean_speed_m_s == pytest.approx(4.0 * 0.2**0.14, rel=5e-3)
    assert empty.mean_v_m_s == pytest.approx(0.5 * empty.mean_speed_m_s, rel=1e-3)


def test_opposite_traffic_cancels_in_the_mean_and_adds_in_the_cube():
    """A central mount between equal lanes of opposite direction, against one of them alone."""
    usual = {"far": FAR, "kind": "central_reservation", "heavy": 0.0, "hours": 3.0, "flow": 600}
    drifting = statistics(far_flow=FAR_FLOW, **usual)
    assert abs(drifting.mean_u_m_s) < 0.1 * statistics(**usual).mean_u_m_s
    # pulses and wakes alone: one direction's sustained drift would add to its own cube
    usual["air"] = "still = true\ndrift = { enabled = false }"
    both = statistics(far_flow=FAR_FLOW, **usual)
    alone = statistics(**usual)
    assert abs(both.mean_u_m_s) < 0.1 * alone.mean_u_m_s
    cube = both.effective_speed_m_s**3 / alone.effective_speed_m_s**3
    assert 1.8 < cube < 2.8  # above 2 where turbulence of both directions meets


def test_nearer_lanes_and_more_traffic_blow_harder():
    near, far = statistics(offset=1.2), statistics(offset=3.0)
    assert near.effective_speed_m_s > 1.2 * far.effective_speed_m_s
    less = statistics(offset=1.2, flow=300)
    assert near.effective_speed_m_s > less.effective_speed_m_s > 0


def test_crosswind_carries_the_wakes_to_the_mount_or_away():
    wind = "[air.wind]\nspeed_m_s = 3.0\nangle_deg = {}"
    onto = statistics(air=wind.format(90.0), offset=4.0)
    away = statistics(air=wind.format(-90.0), offset=4.0)
    assert onto.mean_u_m_s > 2.0 * abs(away.mean_u_m_s)
    assert onto.effective_speed_m_s > away.effective_speed_m_s


def test_wall_and_overhead_mounts_run():
    wall = BASE.replace("height_m = 2.0", "wall_offset_m = 3.0\nheight_m = 2.0")
    beside = statistics(base=wall, kind="wall")
    assert beside.mean_u_m_s > 1.05 * statistics().mean_u_m_s  # the wake's image adds
    over = BASE.replace("height_m = 2.0", "height_m = 6.0")
    above = statistics(base=over, kind="overhead", offset=-1.75)
    assert 0.05 < above.effective_speed_m_s < 5.0


def test_tolerance_ends_the_rounds_or_is_reported():
    text = text_of()
    loose = text.replace("tolerance = 0.5", "tolerance = 0.03").replace(
        "max_rounds = 1", "max_rounds = 40"
    )
    result = wakesim.run(load_case_text(loose, "t"))
    s = result.mounts[0].statistics
    half = 0.5 * (s.sampling_interval_m_s[1] - s.sampling_interval_m_s[0])
    assert result.tolerance_met
    assert 1 < result.rounds < 40
    assert half <= 0.03 * s.effective_speed_m_s
    assert result.simulated_s == pytest.approx(result.rounds * 720.0)
    tight = text.replace("tolerance = 0.5", "tolerance = 0.001")
    unmet = wakesim.run(load_case_text(tight, "t"))
    assert not unmet.tolerance_met
    assert any("tolerance" in w for w in unmet.warnings)


@pytest.mark.slow
def test_model_interval_holds_the_value_and_names_its_parts():
    text = text_of(offset=2.5, light_mix="{ panel_van = 1.0 }", heavy=0.0)
    result = wakesim.run(load_case_text(text.replace("model_interval = false", ""), "t"))
    s = result.mounts[0].statistics
    low, high = s.model_interval_m_s
    assert low < s.effective_speed_m_s < high
    assert set(s.cutoff_effective_speed_m_s) == {12.0, 15.0, 120.0}
    speeds = list(s.cutoff_effective_speed_m_s.values())
    assert max(speeds) < 1.1 * min(speeds)  # the mean does not hang on it
    by_name = {(v.parameter, v.setting): v.change_m_s for v in s.variants}
    assert by_name["wake turbulence", "rms × 1.3"] > 0 > by_name["wake turbulence", "rms × 0.75"]
    assert by_name["vehicle dimensions", "× 1.05"] > 0
    drag = {k[1]: v for k, v in by_name.items() if k[0] == "drag coefficients"}
    assert drag["low end of each class"] < drag["high end of each class"]
    assert all(v.origin for v in s.variants)


def test_single_pass_gives_signatures_alone():
    text = """
title = "one pass"
study = "single_pass"
[road]
name = "test road"
[[road.carriageways]]
name = "near"
direction = "forward"
edge_offset_m = 0.0
lanes = 1
lane_width_m = 3.5
[single_pass]
vehicles = ["small_car", "artic_lorry_eu"]
carriageway = "near"
lane = 1
speed_kmh = 90
[[mounts]]
name = "m"
kind = "post"
offset_m = 2.0
height_m = 1.5
rotor_width_m = 0.6
rotor_height_m = 1.0
"""
    result = wakesim.run(load_case_text(text, "t"))
    (mount,) = result.mounts
    assert mount.statistics is None
    car, lorry = mount.signatures
    assert car.speed_m_s == lorry.speed_m_s == pytest.approx(25.0)
    assert lorry.peak_m_s > 2 * car.peak_m_s
    assert lorry.int_speed3_dt_m3_s2 > 10 * car.int_speed3_dt_m3_s2
    # the plan plane overstates both, the low car far more
    assert car.relief_cube < lorry.relief_cube < 1.0
    assert car.relief_peak < lorry.relief_peak < 1.0
    nose = np.interp(0.0, lorry.time_s, lorry.v_m_s)
    assert nose > 0  # air is pushed aside as the nose arrives
    assert math.isclose(lorry.clearance_m, 2.0 + 1.75 - 1.275)


def test_a_figure_beyond_the_model_has_its_warning_beside_it():
    """20 m up and 200 m away: in the mount's record, in summary.json, and not at the third."""
    one = cases_path("single-pass.toml").read_text(encoding="utf-8")
    one = one.replace('"suv", "panel_van", "rigid_lorry", "coach", "artic_lorry_eu"', "", 1)
    mount = one[one.index("[[mounts]]") :] + "\n"
    high = mount.replace('"post"', '"high"', 1).replace("height_m = 2.0", "height_m = 20.0", 1)
    far = mount.replace('"post"', '"far"', 1).replace("offset_m = 4.5", "offset_m = 200.0", 1)
    text = f"{one}\n{high}{far}"
    result = wakesim.run(load_case_text(text, "x.toml"))
    usual, above, away = (m.warnings for m in result.mounts)
    assert usual == ()
    assert [len(above), len(away)] == [1, 1]
    assert "21 m above the road" in above[0]
    assert "200 m from the nearest lane" in away[0]
    found = json.loads(json.dumps(summary(result)))["mounts"]
    assert [m["warnings"] for m in found] == [[], list(above), list(away)]


@pytest.fixture
def quick_samples(monkeypatch):
    """Samples of an uncertain yield that cost nothing; how many were computed."""
    made = []

    def evaluate(payload):
        made.append(payload["inputs"])
        factor = 1.0 + 0.1 * len(payload["inputs"].keys() & {"traffic flow"})
        return {"effective_speed_m_s": factor, "annual_kwh": factor**3}

    monkeypatch.setattr("wakesim.studies.post.samples.evaluate", evaluate)
    return made


def test_an_uncertain_yield_says_how_long_it_takes_before_anything_else(
    quick_samples, monkeypatch, caplog, tmp_path
):
    """From the first eight samples; two places of 65 samples each leave 122."""
    monkeypatch.setattr("wakesim.progress._LONG_S", 0.0)
    monkeypatch.setattr("wakesim.studies.post.TrafficStudy", None)  # no study is reached
    tables = energy_case.TABLES.replace("samples = 0", "samples = 64")
    place = energy_case.text("").split("[[mounts]]")[1].split("[model]")[0]
    other = place.replace('name = "m"', 'name = "n"')
    case = load_case_text(energy_case.text(f"{tables}\n[[mounts]]{other}"), "two.toml")
    with caplog.at_level("INFO", logger="wakesim"), pytest.raises(TypeError):
        wakesim.run(case, folder=tmp_path, workers=2)
    assert len(quick_samples) == 8
    *_, told = caplog.messages
    assert told.startswith("uncertain yield, after the traffic: 122 points take about")
    assert told.endswith("on 2 processes")


def test_samples_of_an_uncertain_yield_are_computed_by_a_cluster(quick_samples, monkeypatch):
    asked = []

    @contextlib.contextmanager
    def cluster(address):
        asked.append(address)
        with ThreadPoolExecutor(1) as pool:
            yield pool

    monkeypatch.setattr("wakesim.studies.post.cluster_executor", cluster)
    tables = '[rotor]\nkind = "drag"\n[energy]\nsample_per_hour_s = 20.0\nsamples = 64\n'
    result = wakesim.run(energy_case.case(tables), cluster="tcp://there:8786")
    assert asked == ["tcp://there:8786"]
    assert len(quick_samples) == 65
    assert result.mounts[0].energy.uncertainty.samples == 64


def test_no_sample_is_computed_twice_and_progress_never_runs_backwards(quick_samples):
    tables = '[rotor]\nkind = "drag"\n[energy]\nsample_per_hour_s = 20.0\nsamples = 64\n'
    shares = []
    result = wakesim.run(energy_case.case(tables), lambda share, _: shares.append(share))
    assert len(quick_samples) == 65
    assert result.mounts[0].energy.uncertainty.samples == 64
    assert shares == sorted(shares)
    assert shares[-1] == 1.0
    assert sum(0.5 < share < 1.0 for share in shares) > 3  # the samples' own part


def test_progress_of_several_rounds_never_runs_backwards():
    text = text_of().replace("max_rounds = 1", "max_rounds = 3")
    text = text.replace("tolerance = 0.5", "tolerance = 1e-6")
    shares, texts = [], set()
    wakesim.run(load_case_text(text), lambda s, t: (shares.append(s), texts.add(t)))
    assert any("round 3" in text for text in texts)
    assert shares == sorted(shares)
    assert shares[-1] == 1.0
