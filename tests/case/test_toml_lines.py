"""The line scanner against texts whose lines are known."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest
from case_texts import NAMES, TABLES, TEXTS, paths_of
from hypothesis import given, settings
from hypothesis import strategies as st

from wakesim.case.messages import LineMap

TRICKY = '''\
# comment with [brackets] = and "quotes
title = "a # b ] = {" # [x]
[road]
name = 'it is "quoted" # here'
[[ road . carriageways ]]
text = """
[not.a.table]
key = 1 \\"""
"quotes" at the end"""""
a.b = [1, # one ]
  2, {q = 1, "z.z" = [3]},
]
[[road.carriageways]]
name = "k\\"q"
[road.carriageways.sub."we ird".'lit.eral']
x = 1979-05-27 07:32:00
y = \'\'\'
]]\'\'\'
"" = -inf
z = [
]
1.5 = {}
'''

EXPECTED = {
    ("title",): 2,
    ("road",): 3,
    ("road", "name"): 4,
    ("road", "carriageways"): 5,
    ("road", "carriageways", 0): 5,
    ("road", "carriageways", 0, "text"): 6,
    ("road", "carriageways", 0, "a"): 10,
    ("road", "carriageways", 0, "a", "b"): 10,
    ("road", "carriageways", 0, "a", "b", 0): 10,
    ("road", "carriageways", 0, "a", "b", 1): 11,
    ("road", "carriageways", 0, "a", "b", 2): 11,
    ("road", "carriageways", 0, "a", "b", 2, "q"): 11,
    ("road", "carriageways", 0, "a", "b", 2, "z.z"): 11,
    ("road", "carriageways", 0, "a", "b", 2, "z.z", 0): 11,
    ("road", "carriageways", 1): 13,
    ("road", "carriageways", 1, "name"): 14,
    ("road", "carriageways", 1, "sub"): 15,
    ("road", "carriageways", 1, "sub", "we ird"): 15,
    ("road", "carriageways", 1, "sub", "we ird", "lit.eral"): 15,
    ("road", "carriageways", 1, "sub", "we ird", "lit.eral", "x"): 16,
    ("road", "carriageways", 1, "sub", "we ird", "lit.eral", "y"): 17,
    ("road", "carriageways", 1, "sub", "we ird", "lit.eral", ""): 19,
    ("road", "carriageways", 1, "sub", "we ird", "lit.eral", "z"): 20,
    ("road", "carriageways", 1, "sub", "we ird", "lit.eral", "1"): 22,
    ("road", "carriageways", 1, "sub", "we ird", "lit.eral", "1", "5"): 22,
}


def test_every_form_of_toml_is_placed() -> None:
    lines = LineMap(TRICKY)
    assert lines.paths() == set(paths_of(tomllib.loads(TRICKY)))
    assert {path: lines.line_of(path) for path in lines.paths()} == EXPECTED


def test_an_unknown_path_takes_the_line_of_what_holds_it() -> None:
    lines = LineMap(TRICKY)
    assert lines.line_of(("road", "carriageways", 1, "lanes")) == 13
    assert lines.line_of(("road", "lanes", 3)) == 3
    assert lines.line_of(("mounts", 0)) is None
    assert lines.line_of(()) is None


@pytest.mark.parametrize("name", NAMES)
def test_shipped_cases_are_placed_completely(name: str) -> None:
    rows, lines = TEXTS[name].split("\n"), LineMap(TEXTS[name])
    paths = paths_of(TABLES[name])
    assert lines.paths() == set(paths)
    for path in paths:
        if isinstance(path[-1], str):
            assert path[-1] in rows[(lines.line_of(path) or 0) - 1]


KEYS = st.sampled_from(["a", "b-c", '"d e"', "'f.g'", '"h\\"i"', "x.y", "1 . 2"])
VALUES = st.sampled_from(
    [
        ("1", 0),
        ('"s]#"', 0),
        ("[1, [2, 3], 'x']", 0),
        ("{ p = 1, q.r = [{}] }", 0),
        ('"""one\ntwo"""', 1),
        ("[\n # c\n 1,\n\n 2,\n]", 5),
        ("'''\n'''", 1),
        ("1e-3 # end", 0),
    ]
)
BLANKS = st.sampled_from(["", "\n", "# [a]\n", "\t\n  \n"])


@settings(max_examples=100, deadline=None)
@given(st.lists(st.tuples(BLANKS, KEYS, VALUES), max_size=12))
def test_lines_are_counted_over_any_mixture(parts: list[tuple[str, str, tuple[str, int]]]) -> None:
    text, row, expected = "", 1, {}
    for i, (blank, key, (value, extra)) in enumerate(parts):
        text += f"{blank}[[t]]\nk{i}.{key} = {value}\n"
        row += blank.count("\n") + 1
        expected[("t", i, f"k{i}")] = row
        row += extra + 1
    loaded: dict[str, Any] = tomllib.loads(text)
    lines = LineMap(text)
    assert lines.paths() == set(paths_of(loaded))
    assert {path: lines.line_of(path) for path in expected} == expected
