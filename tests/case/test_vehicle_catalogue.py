"""The catalogue against the reference figures, and what a vehicle record refuses."""

from __future__ import annotations

import csv
import dataclasses
import pickle

import numpy as np
import pytest

from wakesim.case.vehicle import Vehicle, aliases, catalogue, vehicle
from wakesim.errors import CaseError
from wakesim.runtime import shared_path

# catalogue name: (row of vehicle_classes.csv, row of speed_classes.csv)
ROWS = {
    "motorcycle": ("motorcycle_with_rider", "motorcycle_GB_motorway"),
    "small_car": ("small_car", "car_GB_motorway_2022"),
    "suv": ("suv", "car_GB_motorway_2022"),
    "panel_van": ("panel_van_3p5t", "van_GB_motorway"),
    "rigid_lorry": ("rigid_truck_2axle", "rigid_truck"),
    "coach": ("coach_12m", "coach"),
    "artic_lorry_eu": ("artic_EU", "artic_GB_motorway"),
    "artic_lorry_us": ("artic_US_WB20_WB67", "US_truck_65mph"),
    "drawbar_lorry": ("drawbar_EU", "artic_GB_motorway"),
}


def _rows(name: str) -> dict[str, dict[str, str]]:
    with shared_path("reference", name).open(encoding="utf-8") as file:
        return {row["class"]: row for row in csv.DictReader(file)}


@pytest.mark.parametrize("name", ROWS)
def test_figures_are_those_of_the_reference(name: str) -> None:
    body = _rows("vehicle_classes.csv")[ROWS[name][0]]
    speed = _rows("speed_classes.csv")[ROWS[name][1]]
    found = vehicle(name)
    assert found.drag_range is not None
    assert found.mean_speed_m_s is not None
    assert (
        found.length_m,
        found.width_m,
        found.height_m,
        found.clearance_m,
        found.frontal_area_m2,
        found.drag_coefficient,
        *found.drag_range,
    ) == tuple(
        float(body[key])
        for key in (
            "length_m",
            "width_m",
            "height_m",
            "ground_clearance_m",
            "frontal_area_m2",
            "Cd",
            "Cd_lo",
            "Cd_hi",
        )
    )
    assert found.mean_speed_m_s * 3.6 == pytest.approx(float(speed["mean_kmh"]), rel=1e-12)
    assert found.speed_sd_m_s * 3.6 == pytest.approx(float(speed["sd_kmh"]), rel=1e-12)


def test_every_class_is_covered_and_says_where_it_comes_from() -> None:
    assert set(catalogue()) == set(ROWS)
    for found in catalogue().values():
        parts = found.source.split(" | ")
        assert [part.split(":")[0] for part in parts] == ["dimensions", "drag", "speed"]
        assert all("read" in part or "memory" in part or "analogy" in part for part in parts)


def test_second_names_lead_to_the_same_vehicle() -> None:
    assert aliases()["artic_lorry"] == "artic_lorry_eu"
    assert vehicle("artic_lorry") is vehicle("artic_lorry_eu")


def test_the_catalogue_cannot_be_changed_through_a_copy() -> None:
    catalogue().clear()
    assert "small_car" in catalogue()


@pytest.mark.parametrize(
    ("name", "hint"),
    [
        ("smallcar", "did you mean 'small_car'?"),
        ("Artic_Lorry", "did you mean 'artic_lorry'?"),
        ("zeppelin", "known: motorcycle, small_car"),
        (7, "known: "),
    ],
)
def test_an_unknown_name_is_refused_with_help(name: object, hint: str) -> None:
    with pytest.raises(CaseError) as caught:
        vehicle(name)  # type: ignore[arg-type]
    assert f"unknown vehicle '{name}'" in str(caught.value)
    assert hint in str(caught.value)


BODY = {
    "name": "crate",
    "length_m": 4,
    "width_m": 2.0,
    "height_m": np.float64(2.5),
    "clearance_m": 0.2,
    "frontal_area_m2": 4.5,
    "drag_coefficient": 0.6,
}


def test_whole_and_array_numbers_are_numbers() -> None:
    crate = Vehicle(**BODY)
    assert crate.length_m == 4
    assert crate.label == "crate"
    assert pickle.loads(pickle.dumps(crate)) == crate


@pytest.mark.parametrize(
    ("changes", "part"),
    [
        ({"length_m": -1.0}, "length_m = -1 m: must be at least 0.1 m and at most 60 m"),
        ({"width_m": float("nan")}, "width_m = nan: must be a finite number"),
        ({"width_m": 10**400}, "must be a finite number"),
        ({"width_m": True}, "width_m = True: must be a finite number"),
        ({"width_m": "2"}, "width_m = '2': must be a finite number"),
        ({"clearance_m": 2.5}, "clearance_m = 2.5 m: must be below the vehicle's height_m"),
        ({"frontal_area_m2": 5.3}, "is more than width_m x height_m = 5.00 m² can hold"),
        ({"shape": "egg"}, "shape = 'egg': must be 'box' or 'bonnet'"),
        ({"drag_range": (0.7, 0.5)}, "the low value must come first"),
        ({"drag_range": (0.7, 0.8)}, "does not hold drag_coefficient = 0.6"),
        ({"drag_range": 0.5}, "must be two numbers, [low, high]"),
        ({"mean_speed_m_s": 0.0}, "mean_speed_m_s = 0.0: must be a number above 0 m/s"),
        (
            {"length_m": 30.0, "width_m": 0.25, "frontal_area_m2": 0.5},
            "width_m = 0.25 m: must be at least 1 m, a thirtieth of its longest side (30 m)",
        ),
        (
            {"clearance_m": 2.45},
            "height_m = 2.5 m: leaves a body 0.05 m high above clearance_m = 2.45 m; must be at "
            "least 0.133 m, a thirtieth of its longest side (4 m)",
        ),
        ({"nose_radius_m": 0}, "nose_radius_m = 0 m: must be at least 0.001 m and at most 5 m"),
        ({"nose_radius_m": "wide"}, "nose_radius_m = 'wide': must be a finite number"),
        ({"nose_radius_m": 1.0}, "nose_radius_m = 1 m: must be at most 0.8 m on this body"),
        (
            {"nose_radius_m": 0.6, "shape": "bonnet"},
            "nose_radius_m = 0.6 m: must be at most 0.517 m on this body",
        ),
        ({"speed_sd_m_s": -1.0}, "speed_sd_m_s = -1.0: must be a number, 0 m/s or more"),
    ],
)
def test_impossible_figures_are_refused(changes: dict[str, object], part: str) -> None:
    with pytest.raises(CaseError) as caught:
        Vehicle(**(BODY | changes))
    (problem,) = caught.value.problems
    assert problem.startswith("vehicle 'crate': ")
    assert part in problem


def test_all_impossible_figures_are_named_at_once() -> None:
    with pytest.raises(CaseError) as caught:
        Vehicle(**(BODY | {"length_m": 0, "shape": "egg", "drag_coefficient": 9.0}))
    assert len(caught.value.problems) == 3


def test_an_area_as_large_as_the_outline_is_allowed() -> None:
    assert Vehicle(**(BODY | {"frontal_area_m2": 5.0})).frontal_area_m2 == 5.0


@pytest.mark.parametrize("end", [0, 1])
def test_vehicles_at_the_limits_have_room_for_the_model_interval(end: int) -> None:
    """Moving every dimension by 5 % and the drag by 15 % is no mistake of the user."""
    low = {"length_m": 0.1, "width_m": 0.05, "height_m": 0.05, "clearance_m": 0.005}
    low |= {"frontal_area_m2": 0.001, "drag_coefficient": 0.01}
    high = {"length_m": 60, "width_m": 10, "height_m": 10, "clearance_m": 3}
    high |= {"frontal_area_m2": 60, "drag_coefficient": 3, "nose_radius_m": 0.45 * 7}
    crate = Vehicle(name="crate", **((low, high)[end]))
    factor, drag = ((0.95, 0.85), (1.05, 1.15))[end]
    moved = {key: getattr(crate, key) * factor for key in list(low)[:4]}
    area = crate.frontal_area_m2 * factor**2
    other = dataclasses.replace(
        crate, **moved, frontal_area_m2=area, drag_coefficient=crate.drag_coefficient * drag
    )
    assert other.length_m == pytest.approx(factor * crate.length_m)
