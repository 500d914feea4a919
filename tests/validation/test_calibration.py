"""The calibration itself: its data, its models, and the section it writes."""

from __future__ import annotations

import csv
import re
from dataclasses import replace

import numpy as np
import pytest

from wakesim.runtime import shared_path, validation_path
from wakesim.validation.calibration import (
    AHMED,
    KEYS,
    Interpolated,
    calibrate,
    leave_sets_out,
    marched_data,
    marched_problem,
    marched_values,
    report_lines,
    tail_problem,
)
from wakesim.validation.fitting import estimate
from wakesim.validation.quantities import quantities
from wakesim.validation.reader import read_comparison
from wakesim.validation.scorecard import evaluate
from wakesim.vehicle.passfield import pass_field
from wakesim.vehicle.wake import WakeConstants, vehicle_wake


@pytest.fixture(scope="module")
def fits():
    return calibrate()


def column(name: str, key: str) -> np.ndarray:
    text = shared_path("reference", name).read_text(encoding="utf-8").splitlines()
    return np.array([float(r[key]) for r in csv.DictReader(t for t in text if t[0] != "#")])


@pytest.mark.slow  # with the marches of the fit: 15 s of processor time once
def test_every_free_constant_is_fitted(fits):
    assert [fit.constant.name for fit in fits] == [
        "mixing of far wakes",
        "turbulent energy at the bubble's end",
        "energy of the corner's separation",
        "net source of the open tail",
    ]


def test_residuals_face_the_published_numbers():
    data = marched_data()
    sets, measured = data.sets, data.measured
    assert measured[sets["gust beside a lorry"]] == pytest.approx([0.506])
    assert measured[sets["wake of a box truck"]] == pytest.approx([0.085, 0.065])
    assert measured[sets["wake of a motorcycle"]] == pytest.approx([0.279, 0.123])
    peaks = column("ahmed25_wake_peaks.csv", "peak_deficit_over_U0")
    assert measured[sets["peak deficit behind the Ahmed body"]] == pytest.approx(peaks[2:])
    roads = measured[sets["turbulence over roads"]]
    assert roads[0] == pytest.approx((2.30 * 1.49) ** 0.25)
    assert sum(s.stop - s.start for s in sets.values()) == measured.size == 14
    # the first station, third, ... train; the peaks of one distance go together, the gust trains
    training = marched_problem().training()
    assert training[0]
    assert training[sets["wake of a box truck"]].tolist() == [False, True]
    for name in ("peak deficit", "peak turbulence"):
        part = training[sets[f"{name} behind the Ahmed body"]]
        assert part.tolist() == [False, True, False]
    tail = tail_problem()
    speed = column("ahmed25_ahead_of_nose.csv", "U_m_s")
    assert tail.measured[:8] == pytest.approx(speed)
    assert tail.training()[:8].tolist() == [True, False] * 4
    assert tail.training()[8:].tolist() == [True, False] * 4


@pytest.mark.slow  # with the marches of the fit: 15 s of processor time once
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


def test_the_values_of_the_fit_are_those_of_the_scorecard_s_rows():
    """The same wakes, asked by the fit on the coarse grid and by the rows on the fine one."""
    known, folder = quantities(), validation_path()
    computed = marched_values(WakeConstants(coarse=True))
    for name, row in (
        ("wake of a box truck", "road-wake-deficit/box-truck"),
        ("wake of a motorcycle", "road-wake-deficit/motorcycle"),
    ):
        found = evaluate(read_comparison(folder / f"{row}.toml", folder, known), known).computed
        assert computed[marched_data().sets[name]] == pytest.approx(found, rel=0.02)


@pytest.mark.slow  # with the marches of the fit: 15 s of processor time once
def test_interpolation_over_the_constants_is_the_march_itself():
    """Within 1.5 % at places between the nodes; the coarse grid within 8 % of the fine one."""
    problem = marched_problem()
    for values in ([0.6, 0.015, 0.3], [3.0, 0.04, 0.7]):
        moved = dict(zip(KEYS, values, strict=True))
        marched = marched_values(WakeConstants(coarse=True, **moved))
        assert problem.predict(np.array(values)) == pytest.approx(marched, rel=0.015)
    fine, coarse = (marched_values(WakeConstants(coarse=c)) for c in (False, True))
    assert coarse == pytest.approx(fine, rel=0.08)


def test_polynomials_in_the_logarithms_are_met_exactly():
    def power(v):
        return np.array([v[0] ** 2 * v[1] ** -0.5, 3.0 * np.exp(0.3 * np.log(v[0]) ** 2)])

    found = Interpolated(power, ((0.5, 4.0), (0.1, 1.0)), (4, 3))
    for values in ([0.7, 0.2], [2.5, 0.9]):
        assert found(np.array(values)) == pytest.approx(power(values), rel=1e-12)


@pytest.mark.slow  # with the marches of the fit: 15 s of processor time once
def test_a_wake_made_with_other_constants_is_found_again():
    problem = marched_problem()
    truth = np.array([2.5, 0.03, 0.6])
    made = replace(problem, measured=problem.predict(truth))
    assert estimate(made).values == pytest.approx(truth, rel=1e-3)


@pytest.mark.slow  # with the marches of the fit: 15 s of processor time once
def test_a_data_set_left_out_does_not_see_its_own_values(fits):
    left = {one.name: one for one in leave_sets_out()}
    problem, data = marched_problem(), marched_data()
    assert set(left) == set(data.sets)
    one = left["wake of a box truck"]
    moved = problem.measured.copy()
    moved[data.sets[one.name]] *= 3.0
    use = np.ones(moved.size, dtype=bool)
    use[data.sets[one.name]] = False
    again = estimate(replace(problem, measured=moved), use).values
    assert again == pytest.approx(one.fitted, rel=1e-9)


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
    wake = vehicle_wake(AHMED, WakeConstants("couple", turbulence_near=near, turbulence_far=far))
    h = AHMED.height_m
    assert wake.turbulence(0.26 * h, 0.0, z).max() == pytest.approx(near, rel=0.01)
    x = 40.0 * h
    level = far * AHMED.drag_coefficient * AHMED.frontal_area_m2 / h**2 * 40.0**-1.2
    assert wake.turbulence(x, 0.0, z).max() == pytest.approx(level, rel=0.01)


def test_a_tail_made_with_another_net_source_is_found_again():
    problem = tail_problem()
    made = replace(problem, measured=problem.predict(np.array([3.0, 1.02])))
    assert estimate(made).values == pytest.approx([3.0, 1.02], rel=1e-3)


@pytest.mark.slow  # with the marches of the fit: 15 s of processor time once
def test_the_section_is_whole_and_the_same_bytes_each_time(fits):
    lines = report_lines()
    calibrate.cache_clear()
    assert report_lines() == lines
    rows = [line for line in lines if line.startswith("| ")]
    assert len(rows) == 2 + len(fits) + len(leave_sets_out())
    text = "\n".join(lines)
    for fit in fits:
        assert fit.problem.name in text
        assert fit.constant.name in text
    assert not re.search(r"\bnan\b|\binf\b|\de[+-]", text)
    assert all(len(line) <= 100 for line in lines if not line.startswith("|"))
    kept = [fit for fit in fits if not fit.adopt]
    assert text.count("keep the default") == len(kept)
