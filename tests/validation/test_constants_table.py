"""The table of empirical constants against the code: every value, every range, nothing left out."""

from __future__ import annotations

import ast
import importlib
import inspect
import math
from dataclasses import fields, replace

import pytest

from wakesim.case.settings import ModelConstants
from wakesim.case.vehicle import catalogue
from wakesim.errors import CaseError
from wakesim.measures import model_interval
from wakesim.measures.model_interval import uncertain_by_name, uncertain_inputs
from wakesim.section.closure import Closure
from wakesim.traffic.lines import FieldSettings
from wakesim.validation.constants_table import (
    EmpiricalConstant,
    _row,
    code_range,
    code_value,
    constants_table,
)
from wakesim.vehicle import bubble
from wakesim.vehicle.wake import WakeConstants

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


# Names that are choices of number or form, or a pair that stands for no single constant.
NO_CONSTANTS = {"LAWS", "LEVELS_M", "DIFFUSIVITY_RANGE_M2_S"}


@pytest.mark.parametrize(
    ("module", "least"),
    [
        ("wakesim.constants", 11),
        ("wakesim.section.closure", 5),
        ("wakesim.section.wake", 6),
        ("wakesim.vehicle.bubble", 11),
        ("wakesim.vehicle.similarity_wake", 5),
        ("wakesim.traffic.stream", 5),
        ("wakesim.air.traffic_turbulence", 8),
    ],
)
def test_every_constant_of_a_module_of_empirical_laws_is_in_the_table(
    module: str, least: int
) -> None:
    places = {row.where.split(":")[1].split("[")[0]: row.where for row in ROWS.values()}
    values = {row.where: row.value for row in ROWS.values()}
    named = public_constants(module) - NO_CONSTANTS
    assert len(named) >= least
    for name in named:
        if f"{module}:{name}" in values:
            continue
        if name in places:  # the same constant in two modules
            assert code_value(f"{module}:{name}") == values[places[name]]
        else:  # as the default of a case's key
            assert f"wakesim.case.settings:ModelConstants.{name.lower()}" in values


def test_every_number_a_case_may_change_in_the_wake_is_in_the_table() -> None:
    numbers = {n: f.default for n, f in ModelConstants.model_fields.items()}
    numbers = {n: v for n, v in numbers.items() if isinstance(v, float)}
    where = {row.where for row in ROWS.values()}
    assert len(numbers) >= 9
    for name in numbers:
        places = {
            f"wakesim.case.settings:ModelConstants.{name}", f"wakesim.constants:{name.upper()}"
        }  # fmt: skip
        assert len(places & where) == 1
    for field in fields(WakeConstants):  # the flow's own defaults are those of a case
        if field.name in numbers:
            assert field.default == numbers[field.name]
        elif field.name.startswith("turbulence"):
            assert field.default == getattr(bubble, field.name.upper())


def test_every_default_of_the_closure_is_in_the_table_or_moved_by_the_wake() -> None:
    where = {row.where for row in ROWS.values()}
    moved = {"c2", "weak_shear"}  # the wake's ``decay`` and ``weak_shear_mixing``
    for field in fields(Closure):
        assert field.name in moved or f"wakesim.section.closure:Closure.{field.name}" in where


def test_every_vehicle_has_its_drag_and_speeds() -> None:
    for name, vehicle in catalogue().items():
        rows = {r.where.split(".")[-1]: r for r in ROWS.values() if f"vehicles.{name}." in r.where}
        assert rows["drag_coefficient"].value == vehicle.drag_coefficient
        assert (rows["drag_coefficient"].low, rows["drag_coefficient"].high) == vehicle.drag_range
        assert rows["mean_speed_kmh"].value / 3.6 == pytest.approx(vehicle.mean_speed_m_s)
        assert rows["speed_sd_kmh"].value / 3.6 == pytest.approx(vehicle.speed_sd_m_s)


BASE = FieldSettings(WakeConstants(), True, 30.0, 0.25)
SECTION = {
    "mixing of far wakes": {"mixing of far wakes": "weak_shear_mixing"},
    "start of the wake": {"turbulent energy at the bubble's end": "wake_start_energy"},
    "side layer": {
        "share of the drag in the side layer": "side_layer_share",
        "energy of the corner's separation": "side_layer_energy",
    },
    "mixing of the road's air": {
        "factor on the eddy viscosity of the road's mean traffic": "mixing_factor"
    },
    "roughness of the road": {"roughness length of the road": "road_roughness_factor"},
    "roughness of the verge": {"roughness length of the verge": "verge_roughness_factor"},
    "recirculation length": {"recirculation length": "bubble_length_heights"},
    "wake turbulence": {"factor on the rms of the wake turbulence": "turbulence_factor"},
    "lane position": {"shift of all vehicles in their lane": "lateral_shift_m"},
}
OTHER = {"drag coefficients", "vehicle dimensions"}  # of each vehicle


@pytest.mark.parametrize("item", uncertain_inputs(BASE), ids=lambda item: item.name)
def test_the_model_interval_really_tries_the_ends_of_the_table(item) -> None:
    if item.name in OTHER:
        return
    for name, attribute in SECTION[item.name].items():
        row, tried = ROWS[name], []
        assert row.interval == "yes"
        for value in item.ends:
            settings = item.change(_NoCase(), BASE, value)[1]
            owner = settings if hasattr(settings, attribute) else settings.constants
            tried.append(getattr(owner, attribute))
        unit = row.value if attribute.endswith("roughness_factor") else 1.0
        assert sorted(unit * v for v in tried) == pytest.approx([row.low, row.high])


def test_the_interval_moves_what_the_table_says_and_nothing_else() -> None:
    names = {item.name for item in uncertain_inputs(BASE)}
    assert names == set(SECTION) | OTHER
    told = {row.range_where.partition("input:")[2] for row in ROWS.values()
            if row.interval == "yes" and "input:" in row.range_where}  # fmt: skip
    assert told == names - {"drag coefficients"}  # whose ranges stand with each class


@pytest.mark.parametrize("law", ["couple", "momentum"])
def test_the_range_of_a_comparator_is_that_of_its_own_interval(law: str) -> None:
    settings = replace(BASE, constants=WakeConstants(law=law))
    item = uncertain_by_name(settings)[f"spread of the {law} wake"]
    tried = [
        getattr(item.change(_NoCase(), settings, v)[1].constants, f"{law}_spread")
        for v in item.ends
    ]
    row = ROWS[item.name]
    assert sorted(tried) == pytest.approx([row.low, row.high])


class _NoCase:
    """Changes of the constants and settings do not look at the case."""


def test_a_wrong_place_is_an_error_not_a_pass() -> None:
    for place in (
        "wakesim.vehicle.wake:NO_SUCH_NAME",
        "wakesim.vehicle.no_such_module:X",
        "wakesim.case.settings:ModelConstants.no_such_field",
        "wakesim.vehicle.hull:_NOSE_RADIUS[lorry]",
        "wakesim.vehicle.passfield:pass_field(no_such_parameter)",
        "shared/vehicles.toml:vehicles.small_car.no_such_key",
        "wakesim.vehicle.wake",
        "wakesim.vehicle.wake:SHARE_U!",
        "input:no such input",
    ):
        with pytest.raises(LookupError):
            code_value(place)


def test_a_moved_value_is_noticed(monkeypatch) -> None:
    monkeypatch.setattr("wakesim.vehicle.similarity_wake.TURBULENCE_WIDTH", 1.2)
    row = ROWS["lateral width of the turbulence over that of the mean wake"]
    assert code_value(row.where) != row.value
    own = model_interval.uncertain_inputs
    moved = lambda s: tuple(  # noqa: E731
        replace(i, ends=(0.7, 1.7)) if i.name == PLAIN.name else i for i in own(s)
    )
    monkeypatch.setattr(model_interval, "uncertain_inputs", moved)
    assert code_range(PLAIN) == (0.7, 1.7)


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
