"""The model interval: inputs moved one at a time, combined, and what they do."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from one_lane_road import text_of

from wakesim import constants
from wakesim.case.load import load_case_text
from wakesim.measures import model_interval
from wakesim.measures.model_interval import (
    change,
    ends,
    standing_hours,
    uncertain_inputs,
    variants,
)
from wakesim.measures.places import moved_at
from wakesim.traffic.scene import field_settings


def test_changes_add_as_squares_each_input_once():
    base = np.array([2.0, 2.0])
    moved = [
        ("a", base + 0.3),
        ("a", base - 0.6),
        ("b", base + 0.4),
        ("b", base + np.array([0.1, -0.8])),
    ]
    low, high = ends(base, moved)
    assert high == pytest.approx([2.5, 2.5])  # sqrt(0.3^2 + 0.4^2)
    assert low == pytest.approx([1.4, 1.0])  # the second: sqrt(0.6^2 + 0.8^2)


def test_interval_never_goes_below_still_air():
    low, _ = ends(np.array([0.5]), [("a", np.array([0.1])), ("b", np.array([0.05]))])
    assert low == 0.0


@pytest.mark.parametrize("law", ["section", "couple", "momentum"])
def test_every_input_has_a_range_around_its_default_and_moves_something(law):
    case = load_case_text(text_of())
    settings = field_settings(case)
    settings = replace(settings, constants=replace(settings.constants, law=law))
    tried = variants(settings, "counted", "hull", "beside")
    names = [item.name for item, _ in tried]
    assert names.count("tail of the hull") == 1  # the one not in use
    assert all(names.count(name) == 2 for name in names if name != "tail of the hull")
    for item, value in tried:
        assert change(item, case, settings, value) != (case, settings)
        assert item.origin
        assert item.describe(value)


def test_constants_are_moved_over_the_ranges_of_their_rows():
    case = load_case_text(text_of())
    for law in ("section", "couple", "momentum"):
        settings = field_settings(case)
        settings = replace(settings, constants=replace(settings.constants, law=law))
        for item in uncertain_inputs(settings):
            for key in constants.moved_by(item):
                tried = [
                    getattr(change(item, case, settings, v)[1].constants, key) for v in item.ends
                ]
                assert tried == pytest.approx(constants.TABLE[key].ends)


def test_drag_stays_in_the_range_of_the_class():
    case = load_case_text(text_of())
    item = constants.DRAG_COEFFICIENTS
    for end in (0, 1):
        changed, _ = change(item, case, field_settings(case), item.ends[end])
        for name, vehicle in changed.vehicles.items():
            assert vehicle.drag_coefficient == case.vehicles[name].drag_range[end]


def test_more_drag_and_smoother_ground_move_more_air():
    one_class = {"light_mix": "{ panel_van = 1.0 }", "heavy": 0.0}
    case = load_case_text(text_of(memory=20, hours=1, **one_class))
    moved = moved_at(case, np.array([[2.5, 2.0]]))
    base = moved.effective_speed()
    for item in (constants.DRAG_COEFFICIENTS, constants.VEHICLE_DIMENSIONS):
        assert moved.effective_speed(item, item.ends[1]) > base
        assert moved.effective_speed(item, item.ends[0]) < base
    verge = constants.ROUGHNESS_OF_THE_VERGE
    assert moved.effective_speed(verge, verge.ends[0]) > base


def test_standing_hours_split_the_traffics_work_evenly():
    text = text_of(hours=3).replace(
        "flow_veh_h = 900", "hourly_veh_h = " + str([100, 900, 2000] * 8)
    )
    case = load_case_text(text)
    assert standing_hours(case, 1) == [case.compute.hours[2]]
    assert len(standing_hours(case, 3)) == 3
    assert set(standing_hours(case, 3)) <= set(case.compute.hours)
    assert model_interval.representative_hour(case) == standing_hours(case, 1)[0]
