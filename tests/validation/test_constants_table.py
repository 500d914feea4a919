"""The table of empirical constants against the code: every value, every range, nothing left out."""

from __future__ import annotations

import ast
import importlib
import inspect
import math
from dataclasses import fields, replace

import pytest

from wakesim.case.catalogue import catalogue
from wakesim.case.settings import ModelConstants
from wakesim.errors import CaseError
from wakesim.flow.wake import WakeConstants
from wakesim.measures import spread
from wakesim.traffic.lines import FieldSettings
from wakesim.validation.constants_table import (
    EmpiricalConstant,
    _row,
    code_range,
    code_value,
    constants_table,
)

ROWS = constants_table()
PLAIN = ROWS["recirculation length"]


@pytest.mark.parametrize("row", ROWS.values(), ids=lambda row: row.name)
def test_the_code_has_the_value_of_the_table(row: EmpiricalConstant) -> None:
    found = code_value(row.where)
    if isinstance(found, set):
        assert row.value in found
    else:
        assert float(found) == pytest.approx(row.value, rel=1e-12, abs=1e-15)
    assert row.low < row.high
    assert row.low <= row.value <= row.high
    for text in (row.name, row.symbol, row.unit, row.origin):
        assert text.strip()


@pytest.mark.parametrize(
    "row", [row for row in ROWS.values() if row.range_where], ids=lambda row: row.name
)
def test_the_code_has_the_range_of_the_table(row: EmpiricalConstant) -> None:
    assert code_range(row) == pytest.approx((row.low, row.high), rel=1e-9, abs=1e-12)


def test_what_the_model_interval_moves_has_its_range_in_the_code() -> None:
    for row in ROWS.values():
        if row.interval != "no":
            assert row.range_where, row.name


def public_constants(module: str) -> set[str]:
    """Upper-case names without underscore that a module's text assigns."""
    tree = ast.parse(inspect.getsource(importlib.import_module(module)))
    targets = [t for node in tree.body if isinstance(node, ast.Assign) for t in node.targets]
    names = [n.id for target in targets for n in ast.walk(target) if isinstance(n, ast.Name)]
    return {name for name in names if name.isupper() and not name.startswith("_")}


@pytest.mark.parametrize(
    "module",
    [
        "wakesim.measures.spread",
        "wakesim.flow.wake",
        "wakesim.traffic.stream",
        "wakesim.air.traffic_turbulence",
    ],
)
def test_every_constant_of_a_module_of_empirical_laws_is_in_the_table(module: str) -> None:
    places = " ".join(f"{row.where} {row.range_where}" for row in ROWS.values()).replace("[", " ")
    named = {place.removeprefix(f"{module}:") for place in places.split() if module in place}
    assert len(public_constants(module)) >= 5
    assert public_constants(module) <= named


def test_every_number_a_case_may_change_in_the_wake_is_in_the_table() -> None:
    numbers = {n: f.default for n, f in ModelConstants.model_fields.items()}
    numbers = {n: v for n, v in numbers.items() if isinstance(v, float)}
    where = {row.where for row in ROWS.values()}
    assert len(numbers) >= 6
    assert {f"wakesim.case.settings:ModelConstants.{name}" for name in numbers} <= where
    for field in fields(WakeConstants):  # the flow's own defaults are those of a case
        if field.name in numbers:
            assert field.default == numbers[field.name]
        elif field.name.startswith("turbulence"):
            assert field.default == getattr(
                importlib.import_module("wakesim.flow.wake"), field.name.upper()
            )


def test_every_vehicle_has_its_drag_and_speeds() -> None:
    for name, vehicle in catalogue().items():
        rows = {r.where.split(".")[-1]: r for r in ROWS.values() if f"vehicles.{name}." in r.where}
        assert rows["drag_coefficient"].value == vehicle.drag_coefficient
        assert (rows["drag_coefficient"].low, rows["drag_coefficient"].high) == vehicle.drag_range
        assert rows["mean_speed_kmh"].value / 3.6 == pytest.approx(vehicle.mean_speed_m_s)
        assert rows["speed_sd_kmh"].value / 3.6 == pytest.approx(vehicle.speed_sd_m_s)


@pytest.mark.parametrize(
    ("name", "variant", "family", "attribute"),
    [
        ("spread of the couple wake", "spread of the couple wake", "couple", "couple_spread"),
        ("spread of the momentum wake", "spread of the momentum wake", "momentum",
         "momentum_spread"),
        ("recirculation length", "recirculation length", "couple", "bubble_length_heights"),
        ("factor on the rms of the wake turbulence", "wake turbulence", "couple",
         "turbulence_factor"),
        ("shift of all vehicles in their lane", "lane position", "couple", "lateral_shift_m"),
        ("roughness length of the road", "friction of road and verge", "couple",
         "roughness_factor"),
        ("eddy diffusivity over σ_w0 times the mixing length", "eddy diffusivity", "couple",
         "diffusivity_m2_s"),
    ],
)  # fmt: skip
def test_the_model_interval_really_tries_the_ends(name, variant, family, attribute) -> None:
    base = FieldSettings(WakeConstants(family=family), True, 30.0, 0.25, diffusivity_m2_s=0.3)
    tried = []
    for parameter, _, change in spread.variants(base):
        if parameter == variant:
            settings = change(_NoScene(), base)[1]
            owner = settings if hasattr(settings, attribute) else settings.constants
            tried.append(getattr(owner, attribute))
    row = ROWS[name]
    unit = row.value if attribute == "roughness_factor" else 1.0
    assert sorted(unit * v for v in tried) == pytest.approx([row.low, row.high])


class _NoScene:
    """Variants of the constants do not look at the scene."""


def test_a_wrong_place_is_an_error_not_a_pass() -> None:
    for place in (
        "wakesim.flow.wake:NO_SUCH_NAME",
        "wakesim.flow.no_such_module:X",
        "wakesim.case.settings:ModelConstants.no_such_field",
        "wakesim.flow.hull:_NOSE_RADIUS[lorry]",
        "wakesim.flow.passfield:pass_field(no_such_parameter)",
        "shared/vehicles.toml:vehicles.small_car.no_such_key",
        "wakesim.flow.wake",
        "wakesim.flow.wake:SHARE_U!",
    ):
        with pytest.raises(LookupError):
            code_value(place)


def test_a_moved_value_is_noticed(monkeypatch) -> None:
    monkeypatch.setattr("wakesim.flow.wake.TURBULENCE_WIDTH", 1.2)
    row = ROWS["lateral width of the turbulence over that of the mean wake"]
    assert code_value(row.where) != row.value
    monkeypatch.setattr("wakesim.measures.spread.BUBBLE_RANGE", (0.7, 1.7))
    assert code_range(PLAIN) != (PLAIN.low, PLAIN.high)


def test_literals_of_a_function_are_read_from_its_text() -> None:
    assert code_value("wakesim.air.ambient_turbulence:scale_parameter()") == {0.7, -0.7, 60, -60}


def test_a_wrong_row_is_refused_with_its_line() -> None:
    raw = {f.name: str(getattr(PLAIN, f.name)) for f in fields(EmpiricalConstant)}
    assert _row(raw, "line 3") == PLAIN
    for key, text, words in (
        ("value", "2.5", "must lie in its range 0.7 to 1.6"),
        ("low", "little", "low = 'little': must be a number"),
        ("status", "guessed", "status = 'guessed': must be one of"),
        ("interval", "maybe", "interval = 'maybe': must be one of"),
    ):
        with pytest.raises(CaseError, match=f"line 3: .*{words}"):
            _row({**raw, key: text}, "line 3")
    with pytest.raises(CaseError, match="line 3: the columns must be name, symbol"):
        _row({k: v for k, v in raw.items() if k != "unit"}, "line 3")
    assert math.isnan(replace(PLAIN, value=math.nan).value)
    with pytest.raises(CaseError, match="must lie in its range"):
        _row({**raw, "value": "nan"}, "line 3")
