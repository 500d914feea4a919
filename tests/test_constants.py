"""The table of empirical constants: whole rows, and views that say the same."""

from __future__ import annotations

import csv
import subprocess
import sys
from dataclasses import fields
from pathlib import Path

import pytest

import wakesim
from wakesim import constants
from wakesim.case.settings import ModelConstants
from wakesim.case.vehicle import catalogue
from wakesim.constants import TABLE, Constant, Input, WakeConstants
from wakesim.runtime import shared_path

SOURCES = [path.read_text(encoding="utf-8") for path in Path(wakesim.__file__).parent.rglob("*.py")]


@pytest.mark.parametrize("key", TABLE)
def test_a_row_has_its_value_in_its_range_and_a_user(key: str) -> None:
    row = TABLE[key]
    low, high = row.ends
    assert low < high
    assert low <= row.value <= high
    assert row.status in constants.STATUSES
    assert all(text.strip() for text in (row.name, row.symbol, row.unit, row.origin))
    if row.allowed is not None:
        assert row.allowed[0] <= low < high <= row.allowed[1]
    if key != "dimensions_factor":  # of each vehicle
        assert any(f"{key.upper()}.value" in text for text in SOURCES)


def test_names_are_unique() -> None:
    assert len({row.name for row in TABLE.values()}) == len(TABLE)
    for texts in ([item.key for item in constants.INPUTS], [i.name for i in constants.INPUTS]):
        assert len(set(texts)) == len(texts)


def test_defaults_of_a_case_and_of_a_run_are_those_of_the_table() -> None:
    numbers = {f.name: f.default for f in fields(WakeConstants) if f.name not in ("law", "coarse")}
    assert numbers == {key: TABLE[key].value for key in numbers}
    assert ModelConstants().constants == WakeConstants()
    assert set(constants.CASE_KEYS) <= set(numbers)
    moved = ModelConstants(wake_law="couple", couple_spread=1.3).constants
    assert (moved.law, moved.couple_spread) == ("couple", 1.3)


def test_an_input_moves_by_factors_or_sets() -> None:
    factor, both = Input("f", "f", (0.5, 2.0), "log", "o"), (0.5, 2.0)
    value = Input("v", "v", (0.5, 2.0), "log", "o", how="set", role="beside")
    rows = [Constant("n", "s", 0.8, "1", r, "fitted", "o") for r in (factor, value, both)]
    assert [row.ends for row in rows] == [(0.4, 1.6), both, both]
    assert [row.interval for row in rows] == ["yes", "beside", "no"]
    variance = Constant("n", "s", 0.8, "1", factor, "fitted", "o", power=2)
    assert variance.ends == (0.2, 3.2)
    assert constants.moved_by(constants.SIDE_LAYER) == ("side_layer_share", "side_layer_energy")


def test_the_file_is_the_one_written_from_the_table() -> None:
    written = subprocess.run(
        [sys.executable, "-m", "wakesim.constants"], capture_output=True, text=True, check=True,
        encoding="utf-8", env={"PYTHONIOENCODING": "utf-8", "PYTHONPATH": ":".join(sys.path)},
    ).stdout  # fmt: skip
    assert shared_path("empirical_constants.csv").read_text(encoding="utf-8") == written


def test_the_file_has_drag_and_speeds_of_every_vehicle() -> None:
    rows = {row["key"]: row for row in csv.DictReader(constants.as_csv().splitlines())}
    for name, vehicle in catalogue().items():
        drag = rows[f"{name}.drag_coefficient"]
        assert float(drag["value"]) == vehicle.drag_coefficient
        assert (float(drag["low"]), float(drag["high"])) == vehicle.drag_range
        assert float(rows[f"{name}.mean_speed_kmh"]["value"]) / 3.6 == pytest.approx(
            vehicle.mean_speed_m_s
        )
        assert float(rows[f"{name}.speed_sd_kmh"]["value"]) / 3.6 == pytest.approx(
            vehicle.speed_sd_m_s
        )
