"""The calibration itself: its data, its models, and the section it writes."""

from __future__ import annotations

import csv
import math
from dataclasses import replace

import numpy as np
import pytest

from wakesim.flow.passfield import pass_field
from wakesim.flow.wake import VehicleWake, WakeConstants
from wakesim.runtime import shared_path
from wakesim.validation.calibration import calibrate, report_lines
from wakesim.validation.calibration_problems import AHMED, problems, spheroid_problem, tail_problem
from wakesim.validation.fitting import estimate


@pytest.fixture(scope="module")
def fits():
    return calibrate()


def column(name: str, key: str) -> np.ndarray:
    text = shared_path("reference", name).read_text(encoding="utf-8").splitlines()
    return np.array([float(r[key]) for r in csv.DictReader(t for t in text if t[0] != "#")])


def test_every_free_constant_is_fitted(fits):
    assert {fit.constant.name for fit in fits} == {
        "spread of the couple wake",
        "spread of the momentum wake",
        "recirculation length",
        "near level of the wake turbulence",
        "far level of the wake turbulence",
        "net source of the open tail",
    }


def test_residuals_face_the_published_numbers():
    couple = next(p for p in problems() if p.name == "couple wake")
    peaks = column("ahmed25_wake_peaks.csv", "peak_deficit_over_U0")
    assert couple.measured == pytest.approx(peaks)
    # a bubble of 0.66 body heights ends at x/H = 0.66, where by definition the peak is V
    at_end = couple.predict(np.array([1.1, 0.66 * 0.288 / 0.338]))
    assert at_end[1] == pytest.approx(1.0, abs=1e-3)
    assert couple.training().tolist() == [True, False, True, False, True]
    tail = tail_problem()
    speed = column("ahmed25_ahead_of_nose.csv", "U_m_s")
    assert tail.measured[:8] == pytest.approx(speed)
    assert tail.training()[:8].tolist() == [True, False] * 4
    assert tail.training()[8:].tolist() == [True, False] * 4


def test_intervals_hold_the_fit_and_the_decision_follows_the_rule(fits):
    for fit in fits:
        low, high = fit.constant.allowed
        assert fit.interval[0] < fit.fitted < fit.interval[1]
        assert fit.jackknife[0] < fit.fitted < fit.jackknife[1]
        held = fit.held_out_rms_default**2 - fit.held_out_rms_fitted**2
        assert fit.set_gain.value == pytest.approx(held, rel=1e-6)
        if fit.adopt:
            assert fit.set_gain.value > fit.set_gain.uncertainty
            assert low <= fit.fitted <= high
        if not low <= fit.fitted <= high:
            assert not fit.adopt


def test_the_default_levels_of_turbulence_lie_in_their_intervals(fits):
    """They were fitted to the same peaks by hand, so anything else would be a slip."""
    for fit in fits:
        if "level" in fit.constant.name:
            assert fit.interval[0] < fit.constant.default < fit.interval[1]


def test_the_spheroid_s_growth_is_that_of_the_measured_radii():
    """r^3 grows by 3 S (ln 2/2 pi) C_D A per length in the open (Pope 2000, section 5.4)."""
    values = estimate(spheroid_problem()).values
    x, r = (column("chevray1968_spheroid_wake.csv", k) for k in ("x_over_D", "half_radius_over_D"))
    slope = np.polyfit(x[-3:], r[-3:] ** 3, 1)[0]
    growth = 3 * values[0] * math.log(2) / (2 * math.pi) * values[1] * math.pi / 4
    assert growth == pytest.approx(slope, rel=0.25)


def test_the_model_of_the_spheroid_is_the_free_wake():
    """Published law in the open: centre ln 2 C_D A/(2 pi r^2), no image, momentum 1/2 C_D A."""
    problem = spheroid_problem()
    values = np.array([0.07, 0.06, -3.0])
    out = problem.predict(values)
    centre, radius = out[:6], out[6:]
    area = math.pi / 4
    assert centre == pytest.approx(
        math.log(2) * values[1] * area / (2 * math.pi * radius**2), rel=1e-6
    )
    assert np.diff(radius**3) == pytest.approx(
        3 * 0.07 * math.log(2) / (2 * math.pi) * 0.06 * area
        * np.diff(column("chevray1968_spheroid_wake.csv", "x_over_D")),
        rel=1e-6,
    )  # fmt: skip


def test_the_net_source_is_the_factor_times_the_drag_s_and_the_field_linear_in_it():
    points = np.array([[0.4, 0.0, 0.2], [-0.5, 0.6, 0.3], [2.0, -1.0, 0.5]])
    fields = {f: pass_field(AHMED, net_source_factor=f) for f in (0.0, 1.0, -2.5)}
    drag_area = 0.5 * AHMED.drag_coefficient * AHMED.frontal_area_m2
    base = fields[0.0].hull.source_m2
    for factor, field in fields.items():
        assert field.hull.source_m2 - base == pytest.approx(factor * drag_area, rel=0.02)
    none, one, other = (f.displacement(points) for f in fields.values())
    assert other == pytest.approx(none - 2.5 * (one - none), abs=1e-12)
    assert pass_field(AHMED).displacement(points).tobytes() == one.tobytes()


def test_the_levels_of_turbulence_are_its_limits():
    """Near level just behind the base, far level at x = h per C_D A/h^2, with x^-1.2."""
    near, far = 0.08, 0.3
    z = np.linspace(0.0, 3.0, 3001)
    wake = VehicleWake(AHMED, WakeConstants(turbulence_near=near, turbulence_far=far))
    h = AHMED.height_m
    assert wake.turbulence(0.26 * h, 0.0, z).max() == pytest.approx(near, rel=0.01)
    x = 40.0 * h
    level = far * AHMED.drag_coefficient * AHMED.frontal_area_m2 / h**2 * 40.0**-1.2
    assert wake.turbulence(x, 0.0, z).max() == pytest.approx(level, rel=0.01)


def test_a_tail_made_with_another_net_source_is_found_again():
    problem = tail_problem()
    made = replace(problem, measured=problem.predict(np.array([3.0, 1.02])))
    assert estimate(made).values == pytest.approx([3.0, 1.02], rel=1e-3)


def test_the_section_is_whole_and_the_same_bytes_each_time(fits):
    lines = report_lines()
    calibrate.cache_clear()
    assert report_lines() == lines
    rows = [line for line in lines if line.startswith("| ")]
    assert len(rows) == 1 + len(fits)
    assert len({row.count("|") for row in rows}) == 1
    text = "\n".join(lines)
    for fit in fits:
        assert fit.problem.name in text
        assert fit.constant.name in text
    assert not any(word in text for word in ("nan", "inf ", "e+", "e-"))
    assert all(len(line) <= 100 for line in lines if not line.startswith("|"))
    kept = [fit for fit in fits if not fit.adopt]
    assert text.count("keep the default") == len(kept)
