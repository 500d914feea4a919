"""What a valid case becomes: units, lanes, traffic of every hour, defaults, warnings."""

from __future__ import annotations

import dataclasses
import math
import pickle

import numpy as np
import pytest
from case_texts import NAMES, POST, TEXTS, edited
from pydantic import ValidationError

from wakesim.case.load import load_case, load_case_text
from wakesim.case.profiles import hourly_profile
from wakesim.case.schema import Case
from wakesim.case.starters import KINDS, starter_text
from wakesim.runtime import cases_path, sha256

SINGLE = TEXTS["single-pass.toml"]
WALL = TEXTS["wall-face.toml"]
REAL = TEXTS["real-counts.toml"]


def _case(text: str, *changes: tuple[str, str]) -> Case:
    return load_case_text(edited(text, *changes), "x.toml")


@pytest.mark.parametrize("name", NAMES)
def test_shipped_cases_are_valid_marked_invented_and_without_warnings(name: str) -> None:
    case = load_case(cases_path(name))
    assert case.invented_data
    assert case.warnings == []
    assert case.text == TEXTS[name]
    assert case.sha256 == sha256(TEXTS[name])
    assert "Tarn Valley Expressway" in case.road.name or name == "real-counts.toml"
    assert len(TEXTS[name].split("\n")) < 90
    assert pickle.loads(pickle.dumps(case)) == case


def test_every_kind_of_starter_is_a_shipped_case() -> None:
    bodies = [starter_text(kind).partition("\n")[2] for kind in KINDS]
    assert bodies == [TEXTS[name] for name, _ in KINDS.values()]


def test_lanes_count_inwards_from_each_outer_edge() -> None:
    lanes = _case(POST).road.lanes
    assert [(lane.index, lane.name, lane.number, lane.direction) for lane in lanes] == [
        (0, "near 1", 1, 1),
        (1, "near 2", 2, 1),
        (2, "far 1", 1, -1),
        (3, "far 2", 2, -1),
    ]
    centres = [lane.centre_m for lane in lanes]
    assert centres == pytest.approx([-1.825, -5.475, -17.275, -13.625], abs=1e-12)


def test_the_day_of_the_main_example_is_38_000_vehicles() -> None:
    case = _case(POST)
    per_lane = sum(case.traffic_state(hour).flow_veh_s * 3600 for hour in range(24))
    assert per_lane.sum() == pytest.approx(38100, abs=1e-6)


def test_traffic_state_splits_flow_by_lane_and_class() -> None:
    case = _case(POST)
    state = case.traffic_state(8)
    names = list(case.vehicles)
    flow, heavy = 1450.0, 0.11
    assert state.flow_veh_s.shape == (4,)
    assert state.mix.shape == state.mean_speed_m_s.shape == state.speed_sd_m_s.shape == (4, 7)
    expected = flow * ((1 - heavy) * 0.60 + heavy * 0.95) / 3600
    assert state.flow_veh_s[0] == pytest.approx(expected, rel=1e-12)
    lorries = flow * heavy * 0.95 * 0.65 / 3600
    column = names.index("artic_lorry_eu")
    assert state.mix[0, column] * state.flow_veh_s[0] == pytest.approx(lorries, rel=1e-12)
    np.testing.assert_allclose(state.mix.sum(axis=1), 1.0, rtol=1e-12)
    assert state.mean_speed_m_s[0, column] == pytest.approx(87 / 3.6, rel=1e-12)
    assert case.traffic_state(32).flow_veh_s.tolist() == state.flow_veh_s.tolist()


def test_a_lane_without_flow_has_an_empty_mix() -> None:
    case = _case(
        WALL,
        ("light_lane_share = [0.60, 0.40]", "light_lane_share = [1, 0]"),
        ("heavy_lane_share = [0.95, 0.05]", "heavy_lane_share = [1, 0]"),
    )
    state = case.traffic_state(0)
    assert state.flow_veh_s.tolist() == pytest.approx([1100 / 3600, 0.0])
    assert state.mix[1].tolist() == [0.0] * 7


def test_a_carriageway_without_flow_is_empty() -> None:
    far = POST[POST.rindex("[[traffic.flows]]") : POST.index("[air]")]
    state = _case(POST, (far, "")).traffic_state(8)
    assert state.flow_veh_s[2:].tolist() == [0.0, 0.0]


def test_lanes_share_equally_by_default() -> None:
    case = _case(WALL, ("light_lane_share", "# "), ("heavy_lane_share", "# "))
    assert case.traffic_state(0).flow_veh_s.tolist() == pytest.approx([550 / 3600] * 2)


def test_rounded_shares_are_scaled_to_one() -> None:
    case = _case(WALL, ("small_car = 0.62", "small_car = 0.6205"))
    assert case.traffic is not None
    assert sum(case.traffic.flows[0].light_mix.values()) == pytest.approx(1.0, abs=1e-15)
    assert case.traffic_state(0).flow_veh_s.sum() == pytest.approx(1100 / 3600, rel=1e-14)


def test_daily_flow_with_hourly_shares() -> None:
    case = load_case(cases_path("central-reservation.toml"))
    flows = [case.traffic_state(hour).flow_veh_s[:2].sum() for hour in range(24)]
    assert sum(flows) * 3600 == pytest.approx(19000, rel=1e-12)
    assert flows[7] * 3600 == pytest.approx(19000 * 0.089, rel=2e-3)


def test_published_profile_gives_counted_volume_and_heavy_share() -> None:
    state = _case(REAL).traffic_state(7)
    case = _case(REAL)
    assert state.flow_veh_s.sum() * 3600 == pytest.approx(2652.0, rel=1e-12)
    heavy = [vehicle.heavy for vehicle in case.vehicles.values()]
    share = (state.flow_veh_s @ state.mix)[heavy].sum() / state.flow_veh_s.sum()
    assert share == pytest.approx(0.0966, rel=1e-12)


def test_published_profile_scaled_to_a_day() -> None:
    case = _case(REAL, ("# daily_veh = 40000", "daily_veh = 40000"))
    flows = [case.traffic_state(hour).flow_veh_s.sum() * 3600 for hour in range(24)]
    assert sum(flows) == pytest.approx(40000, rel=1e-12)
    assert flows[7] == pytest.approx(40000 * 1.953 / 24, rel=1e-3)


@pytest.mark.parametrize("name", ["A115", "I94"])
@pytest.mark.parametrize("day", ["weekday", "saturday", "sunday"])
def test_profiles_are_whole_days_whose_shape_and_volume_agree(name: str, day: str) -> None:
    profile = hourly_profile(name, day)
    assert len(profile.share) == len(profile.mean_veh_h) == 24
    assert sum(profile.share) == pytest.approx(1.0, abs=1e-12)
    volume = np.array(profile.mean_veh_h)
    np.testing.assert_allclose(volume / volume.sum(), profile.share, atol=2e-4)
    assert (profile.heavy_share is None) == (name == "I94")


@pytest.mark.parametrize(
    ("key", "value"), [("mean_m_s", 25.0), ("mean_kmh", 90), ("mean_mph", 90 / 1.609344)]
)
def test_speeds_in_any_unit(key: str, value: float) -> None:
    table = f"[traffic.speeds.artic_lorry]\n{key} = {value}\nsd_kmh = 3.6\n\n[air]"
    case = _case(WALL, ("[air]", table))
    lorry = case.vehicles["artic_lorry_eu"]
    assert lorry.mean_speed_m_s == pytest.approx(25.0, rel=1e-12)
    assert lorry.speed_sd_m_s == pytest.approx(1.0, rel=1e-12)


def test_lane_speed_factor_scales_mean_and_spread() -> None:
    plain = _case(WALL).traffic_state(0)
    table = "[traffic.lane_speed_factor]\nnear = [1.0, 1.1]\n\n[air]"
    faster = _case(WALL, ("[air]", table)).traffic_state(0)
    np.testing.assert_allclose(faster.mean_speed_m_s[1], 1.1 * plain.mean_speed_m_s[1])
    np.testing.assert_allclose(faster.speed_sd_m_s[1], 1.1 * plain.speed_sd_m_s[1])
    np.testing.assert_array_equal(faster.mean_speed_m_s[0], plain.mean_speed_m_s[0])


def test_whole_numbers_are_numbers() -> None:
    case = _case(POST, ("height_m = 2.0 ", "height_m = 2 "))
    assert case.mounts[0].height_m == 2.0
    assert isinstance(case.mounts[0].height_m, float)


def test_defaults_of_a_single_pass() -> None:
    case = _case(SINGLE)
    assert case.traffic is None
    assert case.single_pass is not None
    assert (case.single_pass.lane_index, case.single_pass.speed_m_s) == (0, None)
    assert case.single_pass.vehicles == tuple(case.vehicles)
    assert (case.air.still, case.air.wind, case.air.pressure_pa) == (True, None, 101325.0)
    assert case.air.eddy_diffusivity_m2_s is None
    assert case.air.drift.enabled
    assert case.mounts[0].cut_in_m_s == 1.2
    assert case.model.wake_family == "couple"
    assert case.outputs.series_csv == "stretch"
    with pytest.raises(ValueError, match="single-pass"):
        case.traffic_state(0)


def test_a_single_pass_takes_the_whole_catalogue_by_default() -> None:
    rows = [row for row in SINGLE.split("\n") if not row.startswith("vehicles = ")]
    case = load_case_text("\n".join(rows))
    assert len(case.vehicles) == 9
    case = _case(SINGLE, ("# speed_kmh = 90", "speed_kmh = 90"))
    assert case.single_pass is not None
    assert case.single_pass.speed_m_s == pytest.approx(25.0)


def test_wind_altitude_and_headway_are_resolved() -> None:
    case = _case(WALL)
    assert case.air.wind is not None
    assert (case.air.still, case.air.pressure_pa, case.air.altitude_m) == (False, None, 180.0)
    assert (case.air.wind.speed_m_s, case.air.wind.roughness_m) == (2.0, 0.03)
    assert case.traffic is not None
    headway = case.traffic.headway
    assert (headway.model, headway.minimum_s, headway.bunching_s) == ("cowan_m3", 1.0, 7.5)
    plain = _case(WALL, ("headway =", "# headway ="))
    assert plain.traffic is not None
    assert (plain.traffic.headway.model, plain.traffic.headway.minimum_s) == ("exponential", 0.0)


@pytest.mark.parametrize(
    ("settings", "share"),
    [
        ('model = "cowan_m3", minimum_s = 1.5, bunching_s = 6', math.exp(-6 * 0.1)),
        ('model = "cowan_m3", minimum_s = 1.5, bunching_factor = 0.6', math.exp(-0.6 * 1.5 * 0.1)),
        ('model = "cowan_m3", minimum_s = 1.5, tanner = true', 1 - 1.5 * 0.1),
        ('model = "shifted_exponential", minimum_s = 1.5', 1.0),
    ],
)
def test_free_share_of_each_headway_model(settings: str, share: float) -> None:
    old = 'model = "cowan_m3", minimum_s = 1.0, bunching_s = 7.5'
    case = _case(WALL, (old, settings))
    assert case.traffic is not None
    assert case.traffic.headway.free_share(0.1) == pytest.approx(share, rel=1e-14)


def test_nine_points_tile_the_swept_rectangle() -> None:
    mount = _case(POST).mounts[0]
    points, weights = mount.points()
    assert points.shape == (9, 2)
    assert weights.sum() == pytest.approx(1.0, abs=1e-15)
    assert points[4].tolist() == [4.5, 2.0]
    assert sorted({round(y, 9) for y in points[:, 0]}) == [4.166666667, 4.5, 4.833333333]
    assert sorted({round(z, 9) for z in points[:, 1]}) == [1.333333333, 2.0, 2.666666667]


def test_hours_of_a_round_wrap_at_midnight() -> None:
    compute = _case(WALL, ("start_hour = 10", "start_hour = 22"), ("= 6.0", "= 3.5")).compute
    assert compute.hours == (22, 23, 0, 1)
    assert _case(POST).compute.hours == tuple(range(24))


OWN = (
    "[vehicles.tanker]\nlength_m = 10\nwidth_m = 2.5\nheight_m = 4\nclearance_m = 0.5\n"
    "frontal_area_m2 = 9\ndrag_coefficient = 0.6\n\n"
    "[traffic.speeds.tanker]\nmean_kmh = 90\n\n[air]"
)


def test_an_own_vehicle_joins_the_catalogue_ones() -> None:
    case = _case(WALL, ("[air]", OWN), ("coach = 0.10", "tanker = 0.10"))
    assert list(case.vehicles)[-1] == "tanker"
    assert "coach" not in case.vehicles
    assert case.vehicles["tanker"].mean_speed_m_s == pytest.approx(25.0)
    assert case.vehicles["tanker"].source == "given in the case file, no source named"


WARNINGS = {
    "heavy in the light mix": (
        [("motorcycle = 0.01", "coach = 0.01")],
        "flow 'near': light_mix holds coach, a heavy vehicle",
    ),
    "light in the heavy mix": (
        [("coach = 0.10", "suv = 0.10")],
        "flow 'near': heavy_mix holds suv, a light vehicle",
    ),
    "more than a lane carries": (
        [("flow_veh_h = 1100", "flow_veh_h = 4500"), ("bunching_s = 7.5", "bunching_s = 2")],
        "lane 'near 1' carries up to 2905 veh/h, more than the 2400 veh/h a motorway lane does "
        "(from memory)",
    ),
    "speeds of nobody": (
        [("[air]", "[traffic.speeds.drawbar_lorry]\nmean_kmh = 80\n\n[air]")],
        "[traffic.speeds.drawbar_lorry] is not used: no flow holds this vehicle",
    ),
    "own vehicle of no flow": (
        [("[air]", OWN)],
        "[vehicles.tanker] is not used",
    ),
    "the other study's table": (
        [("[air]", '[single_pass]\ncarriageway = "near"\n\n[air]')],
        '[single_pass] is not used: the case has study = "traffic"',
    ),
    "crawling": (
        [("[air]", "[traffic.speeds.suv]\nmean_kmh = 25\nsd_kmh = 5\n\n[air]")],
        "suv: part of the vehicles would drive below 5 m/s; none is drawn slower, and results for "
        "dense slow traffic are not validated",
    ),
    "no reservation": (
        [('kind = "wall"', 'kind = "central_reservation"'), ("wall_offset_m", "# ")],
        "mount 'barrier': kind is central_reservation, but there are not carriageways on both "
        "sides of it",
    ),
    "wind through the wall": (
        [("angle_deg = 0.0 ", "angle_deg = 30.0 ")],
        "mount 'barrier': 1 m/s of the wind blow across the road as if there were no wall; beside "
        "a wall only wind along the road is sound",
    ),
    "nothing under it": (
        [('kind = "wall"', 'kind = "overhead"'), ("wall_offset_m", "# ")],
        "mount 'barrier': kind is overhead, but no lane lies under it",
    ),
}


@pytest.mark.parametrize("label", WARNINGS)
def test_doubtful_cases_are_flagged_not_refused(label: str) -> None:
    changes, warning = WARNINGS[label]
    assert warning in _case(WALL, *changes).warnings


def test_a_close_mount_is_flagged_only_inside_the_unvalidated_range() -> None:
    near, far = (
        _case(WALL, ("seed = 20260104", "seed = 1\nwander_sd_m = 0.1\n#"), ("t_m = 4.5 ", gap))
        for gap in ("t_m = 0.4 ", "t_m = 0.5 ")
    )
    assert near.warnings == [
        "mount 'barrier': coach in lane 'near 1' passes the rotor at 0.45 m; "
        "below 0.5 m results are not validated"
    ]
    assert far.warnings == []


def test_an_overhead_mount_just_above_the_tallest_vehicle_is_flagged() -> None:
    text = TEXTS["overhead-bridge.toml"]
    case = _case(text, ("height_m = 6.2 ", "height_m = 4.51 "))
    assert case.warnings == [
        "mount 'bridge': artic_lorry_eu in lane 'near 1' passes the rotor at 0.01 m; "
        "below 0.5 m results are not validated"
    ]


def test_a_case_cannot_be_changed() -> None:
    case = _case(POST)
    with pytest.raises(dataclasses.FrozenInstanceError):
        case.title = "other"  # type: ignore[misc]
    with pytest.raises(ValidationError):
        case.mounts[0].height_m = 3.0  # type: ignore[misc]
