"""What a valid case becomes: units, lanes, traffic of every hour, defaults, warnings."""

from __future__ import annotations

import dataclasses
import math
import pickle

import numpy as np
import pytest
from case_texts import NAMES, POST, TEXTS, edited, problems
from one_lane_road import text_of
from pydantic import ValidationError

from wakesim.case.air import Wind
from wakesim.case.load import load_case, load_case_text
from wakesim.case.mounts import place_kind
from wakesim.case.schema import Case
from wakesim.case.starters import KINDS, starter_text
from wakesim.case.traffic import Headway, hourly_profile
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


CRATE = """
[vehicles.crate]
length_m = 4.0
width_m = 2.0
height_m = 2.5
clearance_m = 0.2
frontal_area_m2 = 4.5
drag_coefficient = 0.6
nose_radius_m = 0.35

[traffic.speeds.crate]
mean_kmh = 100.0
"""


def test_an_own_vehicle_may_have_its_own_nose() -> None:
    change = ("small_car = 0.62", "crate = 0.62")
    assert _case(POST + CRATE, change).vehicles["crate"].nose_radius_m == 0.35
    without = CRATE.replace("nose_radius_m = 0.35\n", "")
    assert _case(POST + without, change).vehicles["crate"].nose_radius_m is None


@pytest.mark.parametrize("radius", ["0", "0.9"])
def test_an_impossible_nose_is_one_line_with_its_place(radius: str) -> None:
    text = POST + CRATE.replace("0.35", radius)
    (line,) = problems(edited(text, ("small_car = 0.62", "crate = 0.62")))
    number = text[: text.index("nose_radius_m")].count("\n") + 1
    assert line.startswith(f"x.toml:{number}: vehicles.crate")
    assert f"nose_radius_m = {radius} m: must be at" in line


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
    assert case.model.wake_law == "section"
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


@pytest.mark.parametrize("name", NAMES)
def test_a_mount_hangs_where_a_map_would_look_for_its_kind(name: str) -> None:
    case = load_case_text(TEXTS[name])
    for mount in case.mounts:
        low, high = mount.span_m
        over = any(w.extent_m[0] < high and w.extent_m[1] > low for w in case.road.carriageways)
        assert place_kind(case.road, mount.offset_m, over) is mount.support.place
        assert mount.support.doubt(case.road, mount.offset_m) == ""
        assert mount.support.walled == (mount.wall_offset_m is not None)


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


def test_a_close_mount_is_flagged_only_inside_the_unvalidated_range() -> None:
    near, far = (
        _case(WALL, ("seed = 20260104", "seed = 1\nwander_sd_m = 0.1\n#"), ("t_m = 4.5 ", gap))
        for gap in ("t_m = 0.4 ", "t_m = 0.5 ")
    )
    assert far.warnings == []
    assert far.mount_warnings == {far.mounts[0].name: ()}
    assert near.warnings == list(near.mount_warnings[near.mounts[0].name])
    assert "coach in lane 'near 1' passes the rotor at 0.45 m" in near.warnings[0]


# --- speeds ---------------------------------------------------------------------------------------

CARS = "\n[traffic.speeds.small_car]\nmean_kmh = 72.0\nsd_kmh = 9.0\n"


def _speeds_kmh(case: Case, name: str, hour: int = 12) -> list[float]:
    """Mean speed of a class in each lane."""
    column = list(case.vehicles).index(name)
    return list(3.6 * case.traffic_state(hour).mean_speed_m_s[:, column])


def test_a_class_may_drive_at_another_speed_on_each_carriageway() -> None:
    near = "\n[traffic.flows.speeds.small_car]\nmean_kmh = 54.0\nsd_kmh = 3.6\n"
    near += "[traffic.flows.speeds.artic_lorry]\nmean_mph = 30.0\n"
    second = POST.index("[[traffic.flows]]", POST.index("[[traffic.flows]]") + 1)
    case = _case(POST[:second] + near + POST[second:] + CARS)
    assert _speeds_kmh(case, "small_car") == pytest.approx([54, 54, 72, 72])
    assert _speeds_kmh(case, "artic_lorry_eu")[0] == pytest.approx(48.28032)
    listed = case.vehicles["artic_lorry_eu"]
    assert _speeds_kmh(case, "artic_lorry_eu")[2] == pytest.approx(3.6 * listed.mean_speed_m_s)
    state = case.traffic_state(12)
    cars, lorries = (list(case.vehicles).index(n) for n in ("small_car", "artic_lorry_eu"))
    assert state.speed_sd_m_s[:, cars] == pytest.approx([1.0, 1.0, 2.5, 2.5])
    assert state.speed_sd_m_s[0, lorries] == listed.speed_sd_m_s
    faster = case.traffic.faster(case.road, 1.2)
    again = dataclasses.replace(case, traffic=faster)
    assert again.traffic_state(12).mean_speed_m_s == pytest.approx(1.2 * state.mean_speed_m_s)
    assert again.traffic_state(12).speed_sd_m_s == pytest.approx(1.2 * state.speed_sd_m_s)


def test_an_own_vehicle_needs_a_speed_on_every_carriageway_it_drives_on() -> None:
    body = CRATE[: CRATE.index("[traffic")]
    text = edited(POST, ("small_car = 0.62", "crate = 0.62"), ("small_car = 0.62", "crate = 0.62"))
    first = text.index("[[traffic.flows]]")
    second = text.index("[[traffic.flows]]", first + 1)
    air = text.index("[air]")
    own = "\n[traffic.flows.speeds.crate]\nmean_kmh = {}\n"
    near = own.format(60)
    (line,) = problems(text[:second] + near + text[second:] + body)
    assert "'crate' is your own vehicle and has no speed on carriageway 'far'" in line
    both = text[:second] + near + text[second:air] + own.format(80) + text[air:] + body
    case = _case(both)
    assert _speeds_kmh(case, "crate") == pytest.approx([60, 60, 80, 80])
    (line,) = problems(both.replace("speeds.crate]", "speeds.krate]", 1))
    assert "traffic.flows[1].speeds: unknown vehicle 'krate'; did you mean 'crate'?" in line


def test_a_speed_limit_slows_the_classes_without_a_speed_of_their_own() -> None:
    limit = ("[[road.carriageways]]", "speed_limit_kmh = 80.0\n[[road.carriageways]]")
    free, case = _case(POST + CARS), _case(POST + CARS, limit)
    assert _speeds_kmh(case, "small_car") == pytest.approx([72] * 4)
    assert _speeds_kmh(case, "suv") == pytest.approx([80] * 4)
    ratio = case.vehicles["suv"].speed_sd_m_s / free.vehicles["suv"].speed_sd_m_s
    assert ratio == pytest.approx(80 / (3.6 * free.vehicles["suv"].mean_speed_m_s))
    assert case.warnings == []
    (warning,) = _case(POST + CARS.replace("72.0", "95.0"), limit).warnings
    assert "small_car: its mean speed of 95 km/h is above the road's speed limit of 80" in warning
    (line,) = problems(edited(POST, (limit[0], "speed_limit_mph = 50\n" + limit[1])))
    assert "road.speed_limit_mph = 50 mph: the same speed is given by speed_limit_kmh" in line or (
        "road.speed_limit_kmh = 80.0 km/h: the same speed is given" in line
    )
    single = _case(SINGLE, limit)
    assert 3.6 * single.vehicles["small_car"].mean_speed_m_s == pytest.approx(80)


def test_classes_left_at_motorway_speed_are_named() -> None:
    (warning,) = _case(POST + CARS).warnings
    named = {"suv 111 km/h", "panel_van", "coach", "rigid_lorry", "artic_lorry_eu", "motorcycle"}
    assert all(name in warning for name in named)
    assert "small_car" not in warning
    assert _case(POST).warnings == []  # a motorway with none given


# --- density --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("flow", "speed_kmh", "word"), [(1700, 18, "they overlap"), (1700, 40, "many"), (1000, 80, "")]
)
def test_more_vehicles_than_fit_into_a_lane_are_said_to_overlap(
    flow: int, speed_kmh: int, word: str
) -> None:
    """1700 lorries of 16.5 m an hour are 28.05 km; at 18 km/h they stand on 18 km of road."""
    text = (
        _flat(flow).replace("lane_width_m = 3.5", "lane_width_m = 6.0")
        + f"\n[traffic.speeds.artic_lorry]\nmean_kmh = {speed_kmh}\nsd_kmh = 0\n"
    )
    found = [text for text in _case(text).warnings if "overlap" in text]
    assert len(found) == bool(word)
    if word:
        assert word in found[0]
        assert f"{flow * 16.5 / 1000 / speed_kmh:.2g} km of vehicles on each km" in found[0]
        assert "at hour 17: 1700 veh/h" in found[0]


def test_more_vehicle_than_road_is_no_traffic() -> None:
    """1700 x 16.5 m x 2.55 m at 18 km/h on 3.5 m of lane: 114 % of its area."""
    text = _flat(1700) + "\n[traffic.speeds.artic_lorry]\nmean_kmh = 18\nsd_kmh = 0\n"
    (line,) = problems(text)
    assert line.startswith("x.toml:16: traffic.flows[1]: carriageway 'near' at hour 17: 1700 veh/h")
    assert "114 % of its lanes' area: they overlap; must be at most 80 %" in line
    assert problems(text.replace("mean_kmh = 18", "mean_kmh = 36")) == []


def test_the_days_of_a_yield_are_held_against_the_lane_too() -> None:
    text = _flat(1300).replace(
        "[[traffic.flows]]",
        'headway = { model = "shifted_exponential", minimum_s = 2.0 }\n[[traffic.flows]]',
    )
    text += '[rotor]\nkind = "drag"\n[energy]\nsaturday_flow = 1.5\n'
    (line,) = problems(text)
    assert "1950 veh/h at hour 0 (energy.saturday_flow = 1.5, energy.saturday_heavy = 1)" in line
    assert problems(text.replace("= 1.5", "= 1.3")) == []


def _flat(flow: int, start: int = 17) -> str:
    """One lane of lorries alone, the same at every hour."""
    base = text_of(near="forward", flow=flow, heavy=1.0)
    return base.replace("[compute]", f"[compute]\nstart_hour = {start}")


def test_a_lane_beyond_its_headway_names_an_hour_that_is_computed() -> None:
    text = _flat(1500, start=17).replace(
        "[[traffic.flows]]",
        'headway = { model = "shifted_exponential", minimum_s = 2.5 }\n[[traffic.flows]]',
    )
    (line,) = problems(text)
    assert "would carry 1500 veh/h at hour 17; headway minimum_s = 2.5 s" in line


def test_a_case_cannot_be_changed() -> None:
    case = _case(POST)
    with pytest.raises(dataclasses.FrozenInstanceError):
        case.title = "other"  # type: ignore[misc]
    with pytest.raises(ValidationError):
        case.mounts[0].height_m = 3.0  # type: ignore[misc]


def test_a_table_made_alone_raises_its_first_mistake_and_holds_its_speed_in_si() -> None:
    assert Wind(speed_kmh=36.0, angle_deg=0.0).speed_m_s == pytest.approx(10.0)
    with pytest.raises(ValidationError, match="the same speed is given by speed_m_s already"):
        Wind(speed_m_s=1.0, speed_kmh=36.0, angle_deg=0.0)
    with pytest.raises(ValidationError, match="'minimum_s' is missing"):
        Headway(model="shifted_exponential")
