"""States of a lookup table: each is the case that a user would write for it."""

from __future__ import annotations

import numpy as np
import pytest
from grid_cases import map_text, quick, table_text
from scipy import stats

import wakesim
from wakesim.case.load import load_case_text
from wakesim.measures.places import rotor_statistics
from wakesim.studies import lookup_table as lookup
from wakesim.studies.mounting_map import (
    FREE,
    GROUND,
    IN_THE_WAY,
    KEEP_OUT,
    WALL,
    assemble,
    blocks_of,
    candidates,
    columns_of,
    compute_columns,
    kinds,
    reasons,
)
from wakesim.traffic.scene import chosen_hour, one_hour


def test_flows_keep_their_ratio_unless_they_are_split():
    case = load_case_text(table_text())
    flows = lookup.state_case(case, {"flow_veh_h": 300.0}).traffic.flows
    assert [f.hourly_veh_h[5] for f in flows] == [300.0, 300.0]
    flows = lookup.state_case(case, {"flow_veh_h": 300.0, "direction_split": 0.75}).traffic.flows
    assert [f.hourly_veh_h[5] for f in flows] == [300.0, pytest.approx(100.0)]


def test_no_wind_from_anywhere_is_one_state():
    case = load_case_text(table_text())
    groups, index = lookup.state_groups(case, case.table.axes)
    assert len(index) == 2 * 2 * 3
    assert len(groups) == 2 * (1 + 2)  # 0 and 360 deg are one direction
    assert len(groups[0].places) == 6
    calm = lookup.state_case(case, dict(groups[0].values))
    assert calm.air.still
    assert calm.air.wind is None


def test_without_a_flow_kind_speed_and_split_of_vehicles_are_nothing():
    """One state of each wind, whatever the axes of the vehicles say; no flow on the far side."""
    body = (
        "[table]\nflow_veh_h = [0, 200]\nheavy_share = [0.1, 0.3]\nspeed_factor = [0.8, 1.1]\n"
        "direction_split = [0.3, 0.5, 0.7]\nwind_speed_m_s = [0, 2]\nwind_angle_deg = [0, 90]\n"
    )
    case = load_case_text(table_text(body))
    groups, index = lookup.state_groups(case, case.table.axes)
    assert index.size == 2 * 2 * 2 * 2 * 2 * 3
    assert len(groups) == (2 * 2 * 3 + 1) * 3  # three winds differ
    for group in groups:
        values = dict(group.values)
        flows = lookup.state_case(case, values).traffic.flows
        near, far = (flow.hourly_veh_h[8] for flow in flows)
        if values["flow_veh_h"] == 0.0:
            assert near == far == 0.0
        else:
            assert near / (near + far) == pytest.approx(values["direction_split"])


@pytest.fixture(scope="module")
def from_zero():
    """A table with a rotor, from no vehicle on, in gusty wind; its axes over both directions."""
    body = (
        "[table]\noffset_m = [1.2, 2.5]\nheight_m = [1.2, 2.0]\nflow_veh_h = [0, 40, 300]\n"
        "wind_speed_m_s = [0, 1, 3]\ndirection_split = [0.3, 0.6]\n"
        '[rotor]\nkind = "drag"\nresponse = "quasi_steady"\ncut_in_m_s = 0.8\n'
    )
    air = "wind = { speed_m_s = 1.0, angle_deg = 30.0, turbulence_intensity = 0.3 }"
    air += "\ndrift = { enabled = false }"
    text = quick(table_text(body, air=air)).replace("model_interval = false", "")
    return wakesim.run(load_case_text(text, "zero.toml"), workers=1)


def test_states_without_vehicles_are_the_wind_alone(from_zero):
    """Against Rice's distribution at nine points of a logarithmic profile over open land."""
    speed = from_zero.variables["effective_speed"]
    assert list(from_zero.axes)[:3] == ["offset_m", "height_m", "flow_veh_h"]
    assert np.all(speed[:, :, 0, 0] == 0.0)
    for j, height in enumerate(from_zero.axes["height_m"]):
        for w, wind in enumerate(from_zero.axes["wind_speed_m_s"]):
            if wind == 0.0:
                continue
            z = height + np.array([-0.5, 0.0, 0.5])  # thirds of 1.5 m
            there = wind * np.log(z / 0.03) / np.log(10.0 / 0.03)
            cube = np.mean([stats.rice(1.0 / 0.3, scale=0.3 * u).moment(3) for u in there])
            assert speed[:, j, 0, w] == pytest.approx(np.cbrt(cube), rel=2e-3)
    power = from_zero.variables["power_coefficient"]
    assert np.all(power[:, :, 0, 0] == 0.0)
    assert np.isfinite(power).all()
    assert np.all(power[:, :, 0, 2] > 0.05)


def test_from_no_flow_to_the_next_the_speed_grows_and_has_no_gap(from_zero, tmp_path):
    """Between a calm that does not move and sparse traffic, and in wind."""
    from_zero.save(tmp_path)
    table = wakesim.open_table(tmp_path / "table.h5")
    flow = np.linspace(0.0, 40.0, 81)
    for wind in (0.0, 1.0, 3.0):
        at = {"offset_m": 1.2, "height_m": 2.0, "wind_speed_m_s": wind, "direction_split": 0.5}
        found = table.effective_speed(flow_veh_h=flow, **at)
        assert np.all(np.diff(found) > -1e-9)
        assert found[0] == pytest.approx(float(table.effective_speed(flow_veh_h=0.0, **at)))
        low, high = table.model_interval(flow_veh_h=flow, **at)
        assert np.all((low <= found) & (found <= high))
        assert low[0] == pytest.approx(found[0])  # of the wind alone the model leaves nothing open
        assert high[-1] > low[-1]
        power = table.rotor_power(flow_veh_h=flow, **at)
        assert np.isfinite(power).all()
        if wind == 0.0:
            assert power[0] == 0.0
            exact = lookup.compute_chain(lookup.StateChain((lookup.StateGroup(
                from_zero.case, (("flow_veh_h", 10.0), ("wind_speed_m_s", 0.0)), ((1.2, 2.0),)
            ),)))["effective_speed"][0, 0]  # fmt: skip
            near = {**at, "direction_split": 0.5}
            assert float(table.effective_speed(flow_veh_h=10.0, **near)) == pytest.approx(
                exact, rel=0.25
            )


def test_light_wind_is_checked_by_itself(from_zero):
    whole, light = from_zero.interpolation, from_zero.interpolation_light_wind
    assert whole.states == light.states == 96
    assert light.median < light.p90 <= light.largest
    calm = load_case_text(quick(table_text("[table]\nflow_veh_h = [100, 200]\n")))
    assert lookup._light(calm.table.axes) is None
    axes = {"wind_speed_m_s": (0.0, 1.5)}
    assert lookup._light(axes) == {"wind_speed_m_s": (0.5, 1.5)}
    assert lookup._light({"wind_speed_m_s": (3.0, 6.0)}) is None


def test_a_rotor_is_used_by_a_table():
    text = table_text() + '[rotor]\nkind = "lift"\n'
    assert not [w for w in load_case_text(text).warnings if "rotor" in w]


def test_a_failed_state_takes_no_interval_but_its_own(monkeypatch):
    """The others keep theirs, and lie inside them."""
    body = "[table]\noffset_m = [1.2, 1.6]\nflow_veh_h = [100, 300, 900]\n"
    text = quick(table_text(body)).replace("model_interval = false", "")
    right = lookup.state_after

    def sometimes(group, start):
        if dict(group.values)["flow_veh_h"] == 300.0:
            raise FloatingPointError("no result today")
        return right(group, start)

    monkeypatch.setattr(lookup, "state_after", sometimes)
    found = wakesim.run(load_case_text(text), workers=1).variables
    for name in ("effective_speed", "model_low", "model_high"):
        assert np.isnan(found[name]).tolist() == [[False, True, False]] * 2, name
    sure = [0, 2]
    assert np.all(found["model_low"][:, sure] < found["effective_speed"][:, sure])
    assert np.all(found["effective_speed"][:, sure] < found["model_high"][:, sure])


def test_arranged_values_stand_where_their_state_is():
    case = load_case_text(table_text())
    axes = case.table.axes
    groups, index = lookup.state_groups(case, axes)

    def fake(group):
        v = dict(group.values)
        base = v["flow_veh_h"] + 1e4 * v["wind_speed_m_s"] + v["wind_angle_deg"] * 1e-3
        return {"x": np.array([base + 1e6 * y + 1e7 * z for y, z in group.places])}

    found = lookup.arrange(axes, index, [fake(g) for g in groups])["x"]
    assert found.shape == (2, 3, 2, 2, 3)
    assert found[1, 2, 0, 1, 1] == pytest.approx(150 + 2e4 + 0.18 + 2.5e6 + 2e7)
    assert found[0, 0, 1, 1, 2] == pytest.approx(600 + 2e4 + 1.2e6 + 1.2e7)  # 360 is 0
    results = [None, *(fake(g) for g in groups[1:])]
    assert np.isnan(lookup.arrange(axes, index, results)["x"]).sum() == 6 * 3


def test_clearance_counts_from_the_side_of_the_lorry():
    case = load_case_text(table_text("[table]\nclearance_m = [2.0, 3.0]\n"))
    lorry = case.vehicles["artic_lorry_eu"]
    (y, z), _ = lookup.places_of(case, case.table.axes)
    assert y == pytest.approx(-1.75 + lorry.width_m / 2 + 2.0)
    assert z == 2.0


# --- maps -----------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def mapped():
    case = load_case_text(map_text())
    return one_hour(case, chosen_hour(case, case.map.hour))


def test_places_are_refused_for_the_right_reason(mapped):
    """By hand: lanes -3.5 to 0 and 3.0 to 6.5 m, rotor 0.6 by 1.5 m, lorry 4 m high."""
    y, z = np.array([-2.0, 0.2, 0.75, 0.85, 1.5, 2.15, 2.3, 7.5]), np.array([0.8, 2.0, 5.0, 6.5])
    found = reasons(mapped, y, z)
    assert found[0].tolist()[2:6] == [GROUND] * 4  # 0.8 m is 0.05 m above the ground
    assert found[1, 0] == IN_THE_WAY
    assert found[1, 1:].tolist() == [IN_THE_WAY, KEEP_OUT, FREE, FREE, FREE, KEEP_OUT, FREE]
    assert found[2, 0] == KEEP_OUT  # above the lorries, below the headroom
    assert found[3].tolist() == [FREE] * 8  # bottom at 5.75 m
    kind = kinds(mapped, y, z)
    assert kind[3, [0, 4, 7]].tolist() == ["overhead", "central_reservation", "roadside"]
    walled = load_case_text(
        map_text(far="", far_flow="", kind="wall").replace(
            "height_m = 2.0", "wall_offset_m = 3.0\nheight_m = 2.0"
        )
    )
    assert reasons(walled, np.array([2.0, 2.75, 4.0]), np.array([2.0]))[0].tolist() == [
        FREE, WALL, WALL,
    ]  # fmt: skip


def test_the_map_is_that_of_nine_points_at_every_place(mapped):
    """Columns shared by many heights and splines between their nodes, against the rotor itself."""
    y, z = np.array([1.0, 1.8]), np.linspace(0.9, 4.1, 17)
    free = reasons(mapped, y, z) == FREE
    assert free.sum() == free.size
    columns = columns_of(mapped, y, z, free)
    assert sum(len(c.z_m) for c in columns) < 0.5 * 9 * free.size
    moments = []
    for block in blocks_of(columns, 50):
        found, first = compute_columns(block), 0
        for column in block.columns:
            last = first + len(column.z_m)
            moments.append({k: v[first:last] for k, v in found.items()})
            first = last
    found = assemble(mapped, y, z, free, moments, 1.2)
    for i, j in ((0, 0), (5, 1), (11, 0), (16, 1)):
        exact = rotor_statistics(mapped, [(y[j], z[i])], 1.2)
        for name, value in exact.items():
            assert found[name][i, j] == pytest.approx(value[0], rel=5e-3, abs=1e-3), name


def test_candidates_are_the_tops_of_the_zones_and_the_neighbours():
    speed = np.full((9, 6), np.nan)
    speed[:, 0] = np.linspace(1.0, 1.4, 9)
    speed[2:5, 4] = [0.9, 1.2, 1.1]
    found = candidates(speed, (8, 0))
    assert found[0] == (8, 0)
    assert (3, 4) in found
    assert {(7, 0), (5, 0)} <= set(found)
    assert all(np.isfinite(speed[place]) for place in found)
