"""[map], [table] and [pass_table]: what they hold, and one clear line for every mistake."""

from __future__ import annotations

import pytest
from case_texts import TEXTS, edited, problems

from wakesim.case.load import load_case_text
from wakesim.case.starters import KINDS, starter_text

MAP = TEXTS["mounting-map.toml"]
TABLE = TEXTS["lookup-table.toml"]
PASSES = TEXTS["single-pass-table.toml"]


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
    assert states == 33_600
    assert table.flow_veh_h is not None
    assert table.flow_veh_h[0] == 0.0
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


def test_a_split_needs_two_carriageways_and_clearance_a_roadside() -> None:
    far = TABLE.index('[[road.carriageways]]\nname = "far"')
    one = TABLE[:far] + TABLE[TABLE.index("[traffic]") :]
    flow = one.index("[[traffic.flows]]               # 19 050 vehicles a day, evening peak")
    one = one[:flow] + one[one.index("[air]") :]
    (line,) = problems(table_with("direction_split = [0.4, 0.6]", one))
    assert "needs a road of two carriageways; this one has 1" in line
    flow = TABLE.index("[[traffic.flows]]               # 19 050 vehicles a day, evening peak")
    near = TABLE[:flow] + TABLE[TABLE.index("[air]") :]
    (line,) = problems(table_with("direction_split = [0.4, 0.6]", near))
    assert "needs [[traffic.flows]] of both carriageways; only 'near' has any" in line
    above = edited(
        TABLE, ('kind = "post"', 'kind = "overhead"'), ("height_m = 2.0 ", "height_m = 7.0 ")
    )
    (line,) = problems(table_with("clearance_m = [3.0]", above))
    assert 'kind = "overhead" takes offset_m' in line


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
