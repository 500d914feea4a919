"""Every message as the user reads it, for the mistakes users make.

The mistakes stand in ``wrong_cases.toml``, what the program says of them in ``golden/messages.txt``
and ``golden/warnings.txt`` (see ``tests/golden.py``).
"""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

import golden
import pytest
from case_texts import POST, TEXTS, edited, problems

from wakesim.case.load import load_case_text

HERE = Path(__file__).parent
MISTAKES = tomllib.loads((HERE / "wrong_cases.toml").read_text(encoding="utf-8"))
WRONG, DOUBTFUL = MISTAKES["wrong"], MISTAKES["doubtful"]
WALL = TEXTS["wall-face.toml"]
OWN = (
    "[vehicles.tanker]\nlength_m = 10\nwidth_m = 2.5\nheight_m = 4\nclearance_m = 0.5\n"
    "frontal_area_m2 = 9\ndrag_coefficient = 0.6\n\n[air]"
)
USED = ("coach = 0.10", "tanker = 0.10")


def _text(wrong: dict[str, Any]) -> str:
    """The shipped case with the mistake."""
    text = TEXTS[wrong["case"]]
    if "cut_from" in wrong:
        return text[: text.index(wrong["cut_from"])] + wrong["changes"][0][1]
    return edited(text, *map(tuple, wrong["changes"]))


def test_the_messages_are_those_that_were_read() -> None:
    pages = []
    for wrong in WRONG:
        found = [line.removeprefix("x.toml:") for line in problems(_text(wrong))]
        pages += [f"{wrong['mistake']}", *found, ""]
    golden.compare("\n".join(pages), HERE / "golden" / "messages.txt")


def test_what_is_doubtful_is_flagged_not_refused() -> None:
    pages = []
    for doubtful in DOUBTFUL:
        warnings = load_case_text(_text(doubtful)).warnings
        assert warnings, doubtful["mistake"]
        pages += [doubtful["mistake"], *warnings, ""]
    golden.compare("\n".join(pages), HERE / "golden" / "warnings.txt")


@pytest.mark.parametrize("wrong", WRONG, ids=lambda wrong: wrong["mistake"])
def test_one_mistake_is_one_line_that_names_its_row(wrong: dict[str, Any]) -> None:
    """The row holds what the message is about: the key, the unknown word, or the table's head."""
    text = _text(wrong)
    (line,) = problems(text)
    place, about = line.split(": ", 1)
    row = text.split("\n")[int(place.removeprefix("x.toml:")) - 1]
    head = re.split(r": | = ", about)[0]
    key = re.split(r"[.\[\]]+", head.rstrip("]0123456789["))[-1]
    quoted = re.findall(r"unknown \w+ [\[']([^'\]]+)", about)
    quoted += re.findall(r"'(\w+)' is another name", about) + re.findall(r": (\w+) = ", about)
    named = [*quoted, key]
    assert any(word in row for word in named if word), (row, line)


MISSING = {
    "title = ": "'title' is missing (one line, shown on every output)",
    "study = ": '\'study\' is missing ("traffic", "single_pass", "mounting_map", "lookup_table", '
    '"single_pass_table" or "year")',
    "[traffic]": 'table [traffic] is missing; study = "traffic" needs it',
    "[[mounts]]": "table [[mounts]] is missing: where the rotor hangs, one table for each",
    "[road]": "table [road] is missing: the road and its [[road.carriageways]]",
}


@pytest.mark.parametrize("start", MISSING)
def test_what_is_missing_at_the_top_has_no_line(start: str) -> None:
    rows, keep = [], True
    for row in WALL.split("\n"):
        if row.startswith("["):
            keep = row.strip("[]").split(".")[0] != start.strip("[]") or " = " in start
        if keep and not row.startswith(start):
            rows.append(row)
    assert problems("\n".join(rows)) == [f"x.toml: {MISSING[start]}"]


def test_all_problems_of_a_file_come_at_once_and_in_its_order() -> None:
    text = edited(
        POST,
        ("lanes = 2 ", 'lanes = "two" '),
        ("seed = 20260101", "sed = 20260101"),
        ("heavy_share = [", "heavy_share = 8\nheavy = ["),
        ("0.40]", "0.30]"),
        ("temperature_c = 15.0", "temperature_c = 500"),
        ("offset_m = 4.5 ", ""),
        ("tolerance = 0.02 ", "tolerance = -1 "),
    )
    found = problems(text)
    lines = [int(line.split(":")[1]) for line in found]
    assert lines == sorted(lines)
    joined = "\n".join(found)
    for part in (
        'lanes = "two": must be a whole number, not text',
        "unknown key 'sed'; did you mean 'seed'?",
        "heavy_share = 8: must be at least 0 and at most 1",
        "unknown key 'heavy'",
        "temperature_c = 500 °C",
        "'offset_m' is missing (y of the rotor axis, in m)",
        "tolerance = -1: must be greater than 0 and at most 0.5",
    ):
        assert part in joined
    assert len(found) == 7


def test_sums_are_checked_beside_other_mistakes() -> None:
    text = edited(POST, ("seed = 20260101", "seed = -1"), ("small_car = 0.62", "small_car = 0.5"))
    assert [line.split(": ")[1] for line in problems(text)] == [
        "traffic.seed = -1",
        "traffic.flows[1].light_mix",
    ]


def test_a_wrong_own_vehicle_is_not_called_unknown_as_well() -> None:
    text = edited(POST, ("[air]", OWN), ("length_m = 10", "length_m = 1000"), USED)
    assert [line.split(": ", 1)[1] for line in problems(text)] == [
        "vehicles.tanker.length_m = 1000 m: must be at least 0.1 m and at most 60 m"
    ]


def test_wild_keys_and_values_stay_on_one_short_line() -> None:
    text = edited(POST, ("[compute]", f'[compute]\n"a\\nb{"x" * 500}" = 1\nstart_hour = {10**30}'))
    for line in problems(text):
        assert "\n" not in line
        assert len(line) < 250
