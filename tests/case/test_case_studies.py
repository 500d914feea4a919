"""[map], [table] and [pass_table]: what they hold, and one clear line for every mistake."""

from __future__ import annotations

import pytest
from case_texts import TEXTS, edited, problems

from wakesim.case.load import load_case_text
from wakesim.case.starters import KINDS, starter_text

MAP = TEXTS["mounting-map.toml"]
TABLE = TEXTS["lookup-table.toml"]
PASSES = TEXTS["single-pass-table.toml"]


def line_of(text: str, part: str) -> int:
    return text[: text.index(part)].count("\n") + 1


def table_with(body: str, base: str = TABLE) -> str:
    """The table case with another [table]."""
    return base[: base.index("[table]")] + f"[table]\n{body}\n"


def test_the_cases_hold_what_they_say() -> None:
    case = load_case_text(MAP)
    assert case.map is not None
    assert len(case.map.offsets) == 40
    assert len(case.map.heights) == 30
    assert case.map.offsets[0] == -22.0
    assert case.map.offsets[-1] == 9.2
    table = load_case_text(TABLE).table
    assert table is not None
    states = 1
    for values in table.axes.values():
        states *= len(values)
    assert 18_000 < states < 22_000
    assert list(table.axes)[:2] == ["clearance_m", "height_m"]
    passes = load_case_text(PASSES)
    assert passes.pass_table is not None
    assert passes.pass_table.speed_m_s == pytest.approx([50 / 3.6, 70 / 3.6, 90 / 3.6, 110 / 3.6])
    assert list(passes.vehicles) == list(passes.pass_table.classes or ())


@pytest.mark.parametrize("kind", ["map", "table", "pass-table"])
def test_starters_load(kind: str) -> None:
    assert kind in KINDS
    assert load_case_text(starter_text(kind)).study.endswith(("map", "table"))


def test_lists_stand_for_ranges() -> None:
    text = edited(MAP, ("{ from_m = 1.2, to_m = 8.45, count = 30 }", "[1.2, 2.0, 6.8]"))
    table = load_case_text(text).map
    assert table is not None
    assert table.heights == (1.2, 2.0, 6.8)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("to_m = 9.2", "to_m = -30.0", "map.offset_m.to_m = -30.0 m: must be above from_m = -22 m"),
        ("count = 40", "count = 1", "map.offset_m.count = 1: must be at least 2 and at most 400"),
        ("count = 40", "cuont = 40", "map.offset_m: unknown key 'cuont'; did you mean 'count'?"),
        ('hour = "busiest"', "hour = 24", "map.hour = 24: must be at least 0 and at most 23"),
        ('hour = "busiest"', 'hour = "rush"', 'or the word "busiest"'),
        ("keep_out_m = 0.5", "keep_out_m = -1.0", "map.keep_out_m = -1.0 m: must be at least 0 m"),
        ("[map]\n", "[mapp]\n", "unknown table [mapp]; did you mean [map]?"),
        (
            "to_m = 8.45, count = 30",
            "to_m = 1.05, count = 30",
            "map.height_m.to_m = 1.05 m: must be above from_m = 1.2 m",
        ),
        (
            "{ from_m = 1.2, to_m = 8.45, count = 30 }",
            "[0.5, 0.9]",
            "map.height_m: 0.9 m: the rotor of 2 m height must stay 0.1 m above the ground",
        ),
    ],
)
def test_mistakes_in_a_map(old: str, new: str, words: str) -> None:
    text = edited(MAP, (old, new))
    (line,) = problems(text)
    assert words in line
    assert line.startswith("x.toml:")


@pytest.mark.parametrize(
    ("body", "words"),
    [
        ("", "table: no axis is given: at least one of offset_m, clearance_m"),
        ("flow_veh_h = [300, 100]", "table.flow_veh_h: must rise from value to value; 100 follows"),
        ("flow_veh_h = []", "table.flow_veh_h: must not be empty"),
        ("heavy_share = [0.1, 12]", "must be at least 0 and at most 1; 12 looks like a percentage"),
        ("clearance_m = [3.0]\noffset_m = [4.0]", "give offset_m or clearance_m, not both"),
        ("height_m = [0.6, 2.0]", "table.height_m: 0.6 m: the rotor of 2 m height must stay"),
        ("wind_angle_deg = [0, 90]", "needs a wind: an axis wind_speed_m_s, or [air.wind]"),
        ("wind_speed_m_s = [0, 3]", "needs a direction: an axis wind_angle_deg, or [air.wind]"),
        ("offset_m = [-2.0, 5.0]", "table.offset_m: at -2 m (y = -2 m, centre 2 m high) the rotor"),
        ("clearance_m = [0.6, 3.0]", "table.clearance_m: at 0.6 m"),
        ("flow_veh_h = [1, 2, 3]\nmost_states = 2", "table: has 3 states, more than most_states"),
        ("flow_veh = [1.0]", "unknown key 'flow_veh'; did you mean 'flow_veh_h'?"),
        ("flow_veh_h = [100]\ntolerance = 2.0", "table.tolerance = 2.0: must be at least 0.001"),
    ],
)
def test_mistakes_in_a_table(body: str, words: str) -> None:
    (line,) = problems(table_with(body))
    assert words in line


def test_a_split_needs_two_carriageways_and_clearance_a_roadside() -> None:
    far = TABLE.index('[[road.carriageways]]\nname = "far"')
    one = TABLE[:far] + TABLE[TABLE.index("[traffic]") :]
    flow = one.index("[[traffic.flows]]               # 19 050 vehicles a day, evening peak")
    one = one[:flow] + one[one.index("[air]") :]
    (line,) = problems(table_with("direction_split = [0.4, 0.6]", one))
    assert "needs a road of two carriageways; this one has 1" in line
    above = edited(
        TABLE, ('kind = "post"', 'kind = "overhead"'), ("height_m = 2.0 ", "height_m = 7.0 ")
    )
    (line,) = problems(table_with("clearance_m = [3.0]", above))
    assert 'kind = "overhead" takes offset_m' in line


def test_mistakes_in_a_pass_table() -> None:
    assert problems(edited(PASSES, ('"suv"', '"suw"')))[0].endswith("did you mean 'suv'?") or (
        "suv" in problems(edited(PASSES, ('"suv"', '"suw"')))[0]
    )
    (line,) = problems(edited(PASSES, ('"suv"', '"small_car"')))
    assert "is in the list already" in line
    (line,) = problems(edited(PASSES, ("speed_kmh = [50, 70, 90, 110]\n", "")))
    assert "'speed' is missing: one of speed_m_s, speed_kmh, speed_mph" in line
    (line,) = problems(edited(PASSES, ("clearance_m = [1.0", "clearance_m = [-1.0")))
    assert "must be at least 0.05 m" in line


@pytest.mark.parametrize(
    ("text", "study", "table"),
    [(MAP, "mounting_map", "map"), (TABLE, "lookup_table", "table")],
)
def test_a_study_needs_its_table(text: str, study: str, table: str) -> None:
    (line,) = problems(text[: text.index(f"[{table}]")])
    assert line == f'x.toml: table [{table}] is missing; study = "{study}" needs it'


def test_one_mount_only() -> None:
    second = '[[mounts]]\nname = "b"\nkind = "post"\noffset_m = 6.0\nheight_m = 2.0\n'
    second += "rotor_width_m = 1.0\nrotor_height_m = 2.0\n\n[map]\n"
    (line,) = problems(edited(MAP, ("[map]\n", second)))
    assert 'study = "mounting_map" takes the rotor of one mount' in line


def test_tables_of_other_studies_are_flagged() -> None:
    case = load_case_text(edited(MAP, ('study = "mounting_map"', 'study = "traffic"')))
    assert '[map] is not used: the case has study = "traffic"' in case.warnings
