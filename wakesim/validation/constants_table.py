"""The table of empirical constants, shared/empirical_constants.csv, and what the code says.

Columns: ``name``; ``symbol``; ``value``; ``unit``; ``low``, ``high`` (range); ``interval`` (yes:
the model interval moves it over its range, beside: shown beside the interval, no); ``origin``;
``status`` (read, derived, second hand, from memory, assumed, fitted); ``where`` its value stands in
the code; ``range_where`` its range stands there, if it does.

A place is one of

    module:NAME                 a constant, also with .field (default of a field) or [key]
    module:function(parameter)  default of a parameter
    module:function()           a number in the text of a function: the value must occur there
    shared/file.toml:a.b.c      a key of a data file
    input:NAME                  ends of an uncertain input of the model interval, by its name
    middle PLACE                mean of a pair

and the place of a range may begin with "x " (the pair is factors on the value), "x2 " (their
squares are) or "+- " (a number to add and subtract).
"""

from __future__ import annotations

import ast
import csv
import importlib
import inspect
import re
import textwrap
import tomllib
from dataclasses import dataclass, fields
from functools import cache
from typing import Any

from wakesim.errors import CaseError
from wakesim.runtime import shared_path

STATUSES = ("read", "derived", "second hand", "from memory", "assumed", "fitted")
VARIED = ("yes", "beside", "no")
_FILE = "empirical_constants.csv"
_FACTOR = re.compile(r"(x2|x|\+-) ")
_STEP = re.compile(r"\.(\w+)|\[([^\]]+)\]|\((\w*)\)")


@dataclass(frozen=True)
class EmpiricalConstant:
    """One row of the table."""

    name: str
    symbol: str
    value: float
    unit: str
    low: float
    high: float
    interval: str
    origin: str
    status: str
    where: str
    range_where: str


@cache
def constants_table() -> dict[str, EmpiricalConstant]:
    """All rows by name, in the order of the file. Raises CaseError for a row that is not one."""
    text = shared_path(_FILE).read_text(encoding="utf-8")
    rows: dict[str, EmpiricalConstant] = {}
    for number, raw in enumerate(csv.DictReader(text.splitlines()), start=2):
        row = _row(raw, f"shared/{_FILE}, line {number}")
        if row.name in rows:
            raise CaseError(f"shared/{_FILE}, line {number}: the name {row.name!r} is taken")
        rows[row.name] = row
    return rows


def _row(raw: dict[Any, Any], place: str) -> EmpiricalConstant:
    names = [item.name for item in fields(EmpiricalConstant)]
    if sorted(map(str, raw)) != sorted(names) or None in raw.values():
        raise CaseError(f"{place}: the columns must be {', '.join(names)}")
    numbers = {}
    for key in ("value", "low", "high"):
        try:
            numbers[key] = float(raw[key])
        except ValueError:
            raise CaseError(f"{place}: {key} = {raw[key]!r}: must be a number") from None
    row = EmpiricalConstant(**{**raw, **numbers})
    if not row.low <= row.value <= row.high:
        text = f"must lie in its range {row.low:g} to {row.high:g}"
        raise CaseError(f"{place}: value = {row.value:g} {row.unit}: {text}")
    for key, allowed in (("status", STATUSES), ("interval", VARIED)):
        if raw[key] not in allowed:
            raise CaseError(f"{place}: {key} = {raw[key]!r}: must be one of {', '.join(allowed)}")
    return row


def literals(function: Any) -> set[float]:
    """All numbers in the text of a function, also with a minus sign."""
    tree = ast.parse(textwrap.dedent(inspect.getsource(function)))
    found = {
        float(node.value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant)
        and isinstance(node.value, (int, float))
        and not isinstance(node.value, bool)
    }
    return found | {-value for value in found}


def code_value(place: str) -> Any:
    """What stands at a place (see the module's head): a number, a pair, or a set of numbers.

    Raises LookupError when the place does not exist.
    """
    if place.startswith("middle "):
        low, high = code_value(place.removeprefix("middle "))
        return 0.5 * (low + high)
    home, _, path = place.partition(":")
    if not path:
        raise LookupError(f"{place!r} is no place: module:NAME")
    if home.endswith(".toml"):
        return _from_file(home, path)
    if home == "input":
        return _input(path)
    try:
        module = importlib.import_module(home)
    except ModuleNotFoundError:
        raise LookupError(f"{place}: there is no module {home}") from None
    name = re.match(r"\w+", path)
    if name is None or not hasattr(module, name[0]):
        raise LookupError(f"{place}: {home} has no such name")
    found = getattr(module, name[0])
    rest = path[name.end() :]
    while rest:
        step = _STEP.match(rest)
        if step is None:
            raise LookupError(f"{place}: cannot be read from {rest!r} on")
        found, rest = _inner(found, step, place), rest[step.end() :]
    return found


def _inner(found: Any, step: re.Match[str], place: str) -> Any:
    field, key, parameter = step.groups()
    try:
        if field is not None:
            models = getattr(found, "model_fields", None)
            return models[field].default if models else getattr(found, field)
        if key is not None:
            return found[int(key) if key.isdigit() else key]
        if parameter:
            return inspect.signature(found).parameters[parameter].default
        return literals(found)
    except (AttributeError, KeyError, IndexError, TypeError) as error:
        raise LookupError(f"{place}: there is no such thing") from error


def _from_file(home: str, path: str) -> Any:
    found: Any = _toml(home)
    for key in path.split("."):
        if key not in found:
            raise LookupError(f"{home}: has no {path}")
        found = found[key]
    return found


def _input(name: str) -> tuple[float, ...]:
    """Ends of an uncertain input of the model interval, of whichever wake law has it."""
    from wakesim.measures.model_interval import uncertain_by_name
    from wakesim.traffic.lines import FieldSettings
    from wakesim.vehicle.wake import LAWS, WakeConstants

    for law in LAWS:
        settings = FieldSettings(WakeConstants(law=law), True, 30.0, 0.25)
        if name in (known := uncertain_by_name(settings)):
            return known[name].ends
    raise LookupError(f"input:{name}: the model interval has no such input")


@cache
def _toml(home: str) -> dict[str, Any]:
    return tomllib.loads(shared_path(*home.split("/")[1:]).read_text(encoding="utf-8"))


def code_range(row: EmpiricalConstant) -> tuple[float, float] | None:
    """The range of a constant as the code has it; None where the code has none."""
    if not row.range_where:
        return None
    prefix = _FACTOR.match(row.range_where)
    kind = prefix[1] if prefix else ""
    found = code_value(row.range_where[prefix.end() if prefix else 0 :])
    if kind == "+-":
        return row.value - found, row.value + found
    low, high = (float(end) for end in found)
    if kind in ("x", "x2"):
        power = 2 if kind == "x2" else 1
        return row.value * low**power, row.value * high**power
    return low, high
