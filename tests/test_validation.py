"""The published comparisons: pass marks set beforehand, and failures that stay visible."""

from __future__ import annotations

import importlib.util
import re
import sys

import numpy as np
import pytest

from wakesim.runtime import shared_path

FOLDER = shared_path().parent / "validation"


@pytest.fixture(scope="module")
def comparisons():
    spec = importlib.util.spec_from_file_location("comparisons", FOLDER / "comparisons.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules["comparisons"] = module
    spec.loader.exec_module(module)
    return module


def test_hull_ahead_of_the_ahmed_body(comparisons):
    d = comparisons.ahead_of_nose()
    error = {k: comparisons.rms(d[f"{k}_U"] - d["U"]) for k in ("closed", "open", "plane")}
    assert error["closed"] < 0.5  # the mark, at the nominal tunnel speed
    assert error["open"] < 0.55  # misses the mark of 0.5 by little
    assert error["plane"] > 8 * error["open"]  # the plan plane is no substitute
    # the remainder is one factor on the tunnel speed, not a wrong shape
    scaled = d["open_U"] * np.mean(d["U"] / d["open_U"])
    assert comparisons.rms(scaled - d["U"]) < 0.1
    assert comparisons.rms(d["open_W"] - d["W"]) < 0.25


def test_near_wake_of_the_ahmed_body(comparisons):
    d = comparisons.near_wake()
    ratio = d["couple_deficit"] / d["deficit"]
    assert np.all((ratio > 0.75) & (ratio < 1.3))
    ratio = d["couple_urms"] / d["urms"]
    assert np.all((ratio > 0.75) & (ratio < 1.3))
    ratio = d["momentum_deficit"] / d["deficit"]
    assert np.all((ratio > 0.45) & (ratio < 1.1))


def test_wall_pressure_of_a_blunt_body(comparisons):
    d = comparisons.wall_pressure()
    level = d["computed"] / d["envelope"]
    assert np.all((level > 0.5) & (level < 1.0))
    fall = d["computed"][0] / d["computed"][-1]
    assert fall == pytest.approx(d["envelope"][0] / d["envelope"][-1], rel=0.2)


def test_the_report_is_up_to_date(comparisons):
    rows = comparisons.all_rows()
    text = (FOLDER / "REPORT.md").read_text(encoding="utf-8")
    fresh = comparisons.report(rows)
    number = re.compile(r"[-+]?\d+\.\d+")
    assert number.sub("#", text) == number.sub("#", fresh)
    written, computed = (np.array(number.findall(t), dtype=float) for t in (text, fresh))
    assert written == pytest.approx(computed, rel=0.02, abs=0.02)
    failed = [row for row in rows if row.passed is False]
    assert text.count("| FAIL |") == len(failed)
