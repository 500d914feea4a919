"""[rotor], [energy], [claim]: every mistake is one clear line; files lie beside the case."""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest
from case_texts import POST, TEXTS, edited, problems

from wakesim.case.energy import read_power_curve
from wakesim.case.load import load_case
from wakesim.errors import CaseError

YIELD = TEXTS["energy-yield.toml"]
ROTOR = 'kind = "drag" '


@pytest.mark.parametrize("table", ["[energy]\nyear = 2027", "[claim]\npower_w = 3.0"])
def test_energy_and_claim_need_a_rotor(table: str) -> None:
    name = table[1:7].strip("]")
    (found,) = problems(f"{POST}\n{table}\n")
    assert found.endswith(f"{name}: needs a table [rotor]")


def test_a_claim_must_state_something() -> None:
    (found,) = problems(f'{POST}\n[rotor]\nkind = "drag"\n[claim]\ncount = 3\n')
    assert "claim: states nothing" in found


# --- the file of a power curve --------------------------------------------------------------------

CURVE = "# measured\nspeed_m_s, power_w\n\n1.0, 0.0\n3.0, 6.5\n5.0, 40\n"


def with_curve(folder: Path, text: str) -> Path:
    case = folder / "cases"
    case.mkdir()
    (case / "curve.csv").write_text(text, encoding="utf-8")
    path = case / "x.toml"
    path.write_text(
        edited(YIELD, ("standby_w = 0.05", 'power_curve = "curve.csv"')), encoding="utf-8"
    )
    return path


def test_the_curve_lies_beside_the_case(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = with_curve(tmp_path, CURVE)
    monkeypatch.chdir(tmp_path)
    points = load_case(path.relative_to(tmp_path)).power_curve
    assert points is not None
    assert points.speed_m_s == (1.0, 3.0, 5.0)
    assert points.power_w == (0.0, 6.5, 40.0)


CURVE_MISTAKES = {
    "order": ("3.0, 6.5", "0.9, 0.1", ":5: speed_m_s = 0.9 m/s: must be above the line before"),
    "text": ("6.5", "much", ":5: power_w = 'much': must be a finite number at least 0 W and at"),
    "nan": ("6.5", "nan", ":5: power_w = 'nan': must be a finite number"),
    "columns": ("speed_m_s, power_w", "v, P", ":2: columns 'speed_m_s', 'power_w' are missing"),
    "cells": ("3.0, 6.5", "3.0", ":5: holds 1 values; the header names 2 columns"),
    "points": ("3.0, 6.5\n5.0, 40\n", "", ": holds 1 point: must be at least 2"),
    # 16/27 x 1/2 x 1.225 x 27 x 2 = 19.6 W
    "Betz": ("6.5", "30", ":5: power_w = 30 W: must be at most 19.6 W at 3 m/s"),
    "UTF-16": (CURVE, "\ufeff".encode("utf-16").decode("latin-1"), ": is UTF-16 text"),
    "nothing": (CURVE, "# nothing\n\n", ": is empty"),
}


@pytest.mark.parametrize("name", CURVE_MISTAKES)
def test_a_mistake_in_the_curve_is_one_line(name: str, tmp_path: Path) -> None:
    old, new, message = CURVE_MISTAKES[name]
    path = with_curve(tmp_path, CURVE)
    curve = path.parent / "curve.csv"
    curve.write_text(edited(CURVE, (old, new)), encoding="latin-1")
    with pytest.raises(CaseError) as caught:
        load_case(path)
    (found,) = caught.value.problems
    assert found.startswith(f"{path}:")
    assert f"rotor.power_curve: {curve}{message}" in found


def test_a_file_that_is_no_curve_is_not_shown(tmp_path: Path) -> None:
    secret = "root:x:0:0:secret,words"
    path = with_curve(tmp_path, f"{secret}\nmore of it\n")
    with pytest.raises(CaseError) as caught:
        load_case(path)
    for line in caught.value.problems:
        shown = line.replace(str(path.parent), "")
        assert not any(part in shown for part in ("root", "secret", "words", "more"))


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
def test_a_pipe_or_a_device_as_a_curve_is_refused_at_once(tmp_path: Path) -> None:
    path = with_curve(tmp_path, CURVE)
    curve = path.parent / "curve.csv"
    curve.unlink()
    os.mkfifo(curve)  # opened without a writer it would wait for ever
    with pytest.raises(CaseError, match=r"curve\.csv: is not a regular file"):
        load_case(path)
    with pytest.raises(CaseError, match="is not a regular file"):
        read_power_curve("/dev/zero")


@pytest.mark.parametrize(
    "key",
    [
        "rotor.best_power_coefficient",
        "rotor.inertia_kg_m2",
        "rotor.shaft_speed_rpm",
        "claim.speed_m_s",
        "claim.power_coefficient",
        "mounts.rotor_width_m",
    ],
)
def test_the_smallest_number_is_too_small(key: str) -> None:
    """Each of these divided by zero, or overflowed, in the middle of a run."""
    table, name = key.split(".")
    text = edited(YIELD, ("standby_w = 0.05", 'response = "fixed_speed"'))
    text = re.sub(rf"(?m)^{name} = .*$", "", text)
    heading = "[[mounts]]" if table == "mounts" else f"[{table}]"
    text = text.replace(heading, f"{heading}\n{name} = 5e-324", 1)
    (line,) = problems(text)
    assert f"{name} = 5e-324" in line
    assert "must be at least" in line
