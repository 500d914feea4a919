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

# changes of the example, the row that must be named, the message after file and line
MISTAKES = {
    "unknown type": (
        (ROTOR, 'kind = "drg" '),
        'rotor.kind = "drg": must be one of "drag", "lift", "hybrid"; did you mean "drag"?',
    ),
    "power in kilowatts": (
        ("standby_w = 0.05", "rated_power_kw = 0.3"),
        "rotor: unknown key 'rated_power_kw'; did you mean 'rated_power_w'?",
    ),
    "rated power of nothing": (
        ("standby_w = 0.05", "rated_power_w = 0"),
        "rotor.rated_power_w = 0 W: must be greater than 0 W and at most 1e+06 W",
    ),
    "power coefficient above Betz": (
        ("standby_w = 0.05", "best_power_coefficient = 0.7"),
        "rotor.best_power_coefficient = 0.7: must be at least 0.001 and at most 0.59",
    ),
    "efficiency as a percentage": (
        ("standby_w = 0.05", "generator_efficiency = 80"),
        "rotor.generator_efficiency = 80: must be greater than 0 and at most 1; "
        "80 looks like a percentage, write 0.8",
    ),
    "inertia without a rotor's mass": (
        ("standby_w = 0.05", "inertia_kg_m2 = -2"),
        "rotor.inertia_kg_m2 = -2 kg m²: must be at least 1e-09 kg m² and at most 100000 kg m²",
    ),
    "cut-out below cut-in": (
        ("standby_w = 0.05", "cut_in_m_s = 3\ncut_out_m_s = 2.5"),
        "rotor.cut_out_m_s = 2.5 m/s: must be above cut_in_m_s = 3 m/s",
    ),
    "cut-out below the mount's cut-in": (
        ("standby_w = 0.05", "cut_out_m_s = 0.5"),
        "rotor.cut_out_m_s = 0.5 m/s: must be above the mount's cut_in_m_s = 1.2 m/s",
    ),
    "unknown response": (
        ("standby_w = 0.05", 'response = "steady"'),
        'rotor.response = "steady": must be one of "inertial", "quasi_steady", "fixed_speed"; '
        'did you mean "quasi_steady"?',
    ),
    "shaft speed without its response": (
        ("standby_w = 0.05", "shaft_speed_rpm = 60"),
        'rotor.shaft_speed_rpm = 60 rev/min: only for response = "fixed_speed"',
    ),
    "direction weight above one": (
        ("standby_w = 0.05", "direction_weight = [1.0, 1.5]"),
        "rotor.direction_weight[2] = 1.5: must be at least 0 and at most 1",
    ),
    "power curve that is not there": (
        ("standby_w = 0.05", 'power_curve = "curve.csv"'),
        "rotor.power_curve: curve.csv: no such file",
    ),
    "power curve with inertia": (
        ("standby_w = 0.05", 'power_curve = "curve.csv"\nresponse = "inertial"'),
        'rotor.response = "inertial": must be "quasi_steady": a power curve holds no torque',
    ),
    "year in the past": (
        ("year = 2027", "year = 27"),
        "energy.year = 27: must be at least 1990 and at most 2100",
    ),
    "samples not a power of two": (
        ("samples = 128", "samples = 500"),
        "energy.samples = 500: must be 0 or a power of two from 64 to 65536",
    ),
    "shares above one": (
        ("share = 0.15 },\n  { speed_m_s = 4.0, angle_deg = 180.0, share = 0.15",
         "share = 0.15 },\n  { speed_m_s = 4.0, angle_deg = 180.0, share = 0.75"),
        "energy.winds: the shares sum to 1.3: must be at most 1 (the rest is still air)",
    ),
    "wind of no speed": (
        ("{ speed_m_s = 2.0, angle_deg = 90.0", "{ speed_m_s = 0.0, angle_deg = 90.0"),
        "energy.winds[1].speed_m_s = 0.0 m/s: must be greater than 0 m/s and at most 40 m/s",
    ),
    "winds and a rose": (
        ("samples = 128", "wind_rose = { mean_speed_m_s = 3.0 }\nsamples = 128"),
        "energy.wind_rose: give winds or wind_rose, not both",
    ),
    "load without hours": (
        ("to_hour = 6", "to_hour = 18"),
        "energy.load.to_hour = 18: must differ from from_hour = 18 (all day: 0 and 24)",
    ),
    "hour of a day": (
        ("to_hour = 6", "to_hour = 25"),
        "energy.load.to_hour = 25: must be at least 0 and at most 24",
    ),
    "row of none": (
        ("row = { count = 50", "row = { count = 0"),
        "energy.row.count = 0: must be at least 1 and at most 100000",
    ),
    "claim in two units": (
        ("traffic_speed_mph = 60.0", "speed_mph = 12.0"),
        "claim.speed_mph = 12.0 mph: the same speed is given by speed_m_s already",
    ),
    "claim as a percentage": (
        ("power_coefficient = 0.30", "power_coefficient = 30"),
        "claim.power_coefficient = 30: must be at least 0.001 and at most 10; "
        "30 looks like a percentage, write 0.3",
    ),
    "claim of negative power": (
        ("power_w = 1000.0", "power_w = -1.0"),
        "claim.power_w = -1.0 W: must be greater than 0 W and at most 1e+07 W",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", MISTAKES)
def test_one_mistake_is_one_line_with_key_value_unit_and_range(name: str) -> None:
    (old, new), message = MISTAKES[name]
    found = problems(edited(YIELD, (old, new)))
    assert len(found) == 1, found
    head, text = found[0].split(": ", 1)
    assert text == message
    file, line = head.split(":")
    key = re.findall(r"[a-z_]+", re.split(r" = |: ", message)[0])[-1]
    row = edited(YIELD, (old, new)).split("\n")[int(line) - 1]
    assert file == "x.toml"
    assert key in row or "unknown key" in message


@pytest.mark.parametrize("table", ["[energy]\nyear = 2027", "[claim]\npower_w = 3.0"])
def test_energy_and_claim_need_a_rotor(table: str) -> None:
    name = table[1:7].strip("]")
    (found,) = problems(f"{POST}\n{table}\n")
    assert found.endswith(f"{name}: needs a table [rotor]")


def test_a_claim_must_state_something() -> None:
    (found,) = problems(f'{POST}\n[rotor]\nkind = "drag"\n[claim]\ncount = 3\n')
    assert "claim: states nothing" in found


def test_a_study_that_has_no_use_for_a_rotor_says_so(tmp_path: Path) -> None:
    path = tmp_path / "x.toml"
    path.write_text(TEXTS["single-pass.toml"] + '\n[rotor]\nkind = "drag"\n', encoding="utf-8")
    assert '[rotor] is not used: the case has study = "single_pass"' in load_case(path).warnings


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
    "order": ("3.0, 6.5", "0.9, 6.5", ":5: speed_m_s = 0.9 m/s: must be above the line before"),
    "text": (
        "6.5",
        "much",
        ':5: power_w = "much": must be a number at least 0 W and at most',
    ),
    "nan": ("6.5", "nan", ':5: power_w = "nan": must be a number'),
    "columns": ("speed_m_s, power_w", "v, P", ":2: is no power curve: its first line must name"),
    "cells": ("3.0, 6.5", "3.0", ":5: holds 1 cells: must be speed_m_s, power_w"),
    "points": ("3.0, 6.5\n5.0, 40\n", "", ": holds 1 points: must be at least 2"),
    # 16/27 x 1/2 x 1.225 x 27 x 2 = 19.6 W
    "Betz": ("6.5", "30", ":5: power_w = 30 W: must be at most 19.6 W at 3 m/s"),
}


@pytest.mark.parametrize("name", CURVE_MISTAKES)
def test_a_mistake_in_the_curve_is_one_line(name: str, tmp_path: Path) -> None:
    old, new, message = CURVE_MISTAKES[name]
    path = with_curve(tmp_path, edited(CURVE, (old, new)))
    with pytest.raises(CaseError) as caught:
        load_case(path)
    (found,) = caught.value.problems
    assert found.startswith(f"{path}:")
    assert f"rotor.power_curve: {path.parent / 'curve.csv'}{message}" in found


def test_a_curve_that_is_no_text(tmp_path: Path) -> None:
    path = tmp_path / "curve.csv"
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(CaseError, match="is not a text file in UTF-8"):
        read_power_curve(path)
    path.write_text("# nothing\n\n", encoding="utf-8")
    with pytest.raises(CaseError, match="is empty"):
        read_power_curve(path)


def test_a_file_that_is_no_curve_is_not_shown(tmp_path: Path) -> None:
    secret = "root:x:0:0:secret,words"
    path = with_curve(tmp_path, f"{secret}\nmore of it\n")
    with pytest.raises(CaseError) as caught:
        load_case(path)
    (line,) = caught.value.problems
    assert "speed_m_s, power_w" in line
    shown = line.replace(str(path.parent), "")
    assert not any(part in shown for part in ("root", "secret", "words", "more"))


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
def test_a_pipe_or_a_device_as_a_curve_is_refused_at_once(tmp_path: Path) -> None:
    path = with_curve(tmp_path, CURVE)
    curve = path.parent / "curve.csv"
    curve.unlink()
    os.mkfifo(curve)  # opened without a writer it would wait for ever
    with pytest.raises(CaseError, match=r"curve\.csv: is no regular file"):
        load_case(path)
    with pytest.raises(CaseError, match="is no regular file"):
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
