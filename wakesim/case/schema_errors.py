"""The schema's complaints in plain words: what was meant, the unit, the allowed range."""

from __future__ import annotations

import types
from collections.abc import Iterable, Iterator
from typing import Annotated, Any, Union, get_args, get_origin

import annotated_types
from pydantic import BaseModel, Tag, ValidationError
from pydantic_core import ErrorDetails

from wakesim.case.messages import Path, Problem, key_text, split_unit, suggest_key, unit_of
from wakesim.case.tables import HOURS, LIST, NUMBER, TABLE, TEXT, Kind, Reading
from wakesim.errors import closest

TAGS = (NUMBER, LIST, TEXT, TABLE)


def parts(annotation: Any) -> list[Any]:
    """The alternatives of a union, without None; a plain annotation alone."""
    if get_origin(annotation) in (Union, types.UnionType):
        return [part for part in get_args(annotation) if part is not type(None)]
    return [annotation]


def unwrap(annotation: Any) -> tuple[Any, list[Any]]:
    """An annotation without Annotated and Optional around it, and the metadata found there."""
    metadata: list[Any] = []
    while True:
        if get_origin(annotation) is Annotated:
            inner, *found = get_args(annotation)
            for item in found:
                metadata.extend(getattr(item, "metadata", [item]))
            annotation = inner
        elif get_origin(annotation) is not None and len(parts(annotation)) == 1:
            part = parts(annotation)[0]
            if part is annotation:
                return annotation, metadata
            annotation = part
        else:
            return annotation, metadata


def field_at(loc: tuple[int | str, ...], root: type[BaseModel]) -> tuple[Any, list[Any]]:
    """Annotation and metadata of the value an error is about."""
    annotation: Any = root
    metadata: list[Any] = []
    for part in loc:
        if isinstance(annotation, type) and issubclass(annotation, BaseModel):
            field = annotation.model_fields[str(part)]
            annotation, more = unwrap(field.annotation)
            metadata = [*field.metadata, *more]
        elif part in TAGS:
            branch = next(p for p in parts(annotation) if Tag(str(part)) in get_args(p))
            annotation, metadata = unwrap(branch)
        else:  # a list or a dictionary: what it holds
            inner = get_args(annotation)[0 if get_origin(annotation) is tuple else -1]
            annotation, metadata = unwrap(inner)
    return annotation, metadata


def model_at(path: tuple[int | str, ...], root: type[BaseModel]) -> type[BaseModel]:
    """The model of the table at a path."""
    annotation, _ = field_at(path, root)
    if not isinstance(annotation, type):  # a list or a table: the table
        annotation = next(
            inner for part in parts(annotation) for inner in models_in(unwrap(part)[0])
        )
    assert isinstance(annotation, type)
    assert issubclass(annotation, BaseModel)
    return annotation


def models_in(annotation: Any) -> Iterator[type[BaseModel]]:
    """Tables inside an annotation: directly, in a list or in a dictionary."""
    annotation, _ = unwrap(annotation)
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    elif get_origin(annotation) in (tuple, dict):
        for part in get_args(annotation):
            if part is not Ellipsis:
                yield from models_in(part)


def is_table(annotation: Any) -> bool:
    """Whether values of this annotation are tables, or lists or dictionaries of tables."""
    return any(True for _ in models_in(annotation))


def tables_of(
    model: type[BaseModel], name: tuple[str, ...] = ()
) -> Iterator[tuple[tuple[str, ...], type[BaseModel]]]:
    """Every table of the schema: its keys from the top, and its model."""
    yield name, model
    for key, field in model.model_fields.items():
        for inner in models_in(field.annotation):
            yield from tables_of(inner, (*name, key))


def checked(
    raw: dict[str, Any], root: type[Kind], reading: Reading | None = None
) -> tuple[Kind | None, list[Problem]]:
    """The table of a raw dictionary, None where it is wrong, and everything wrong in it.

    ``reading`` is left with what is right in itself, for rules between tables.
    """
    reading = Reading() if reading is None else reading
    try:
        table, problems = root.model_validate(raw, context=reading), []
    except ValidationError as error:
        details = error.errors(include_url=False, include_input=False)
        table, problems = None, explain(details, raw, root)
    return table, problems + reading.found(raw)


def explain(
    errors: Iterable[ErrorDetails], raw: dict[str, Any], root: type[BaseModel]
) -> list[Problem]:
    """Problems for the errors of validating ``raw`` against ``root``."""
    problems = []
    for error in errors:
        path = tuple(part for part in error["loc"] if part not in TAGS)
        if error["type"] == "extra_forbidden":
            problems.append(_unknown_key(path, raw, root))
        elif error["type"] == "missing":
            problems.append(_missing_key(path, root))
        elif not _shadow(error, path, raw):
            value, text = _at(raw, path), _wrong_value(error, path, raw, root)
            nested = isinstance(value, (dict, list))
            problems.append(Problem(path, text) if nested else Problem(path, text, value))
    return problems


def _at(raw: Any, path: Path) -> Any:
    for part in path:
        raw = raw[part]
    return raw


def _shadow(error: ErrorDetails, path: Path, raw: dict[str, Any]) -> bool:
    """Whether a list seems too short only because some of its values are themselves wrong."""
    if error["type"] != "too_short":
        return False
    return bool(len(_at(raw, path)) >= error["ctx"]["min_length"])


# --- keys ------------------------------------------------------------------------------------


def _unknown_key(path: Path, raw: dict[str, Any], root: type[BaseModel]) -> Problem:
    key = str(path[-1])
    guesses = suggest_key(key, _keys_at(path[:-1], root))
    is_section = len(path) == 1 and isinstance(_at(raw, path), (dict, list))
    shown_key = f"[{key_text(key)}]" if is_section else f"'{key_text(key)}'"
    shown_guesses = [_heading(name, root) if is_section else f"'{name}'" for name in guesses]
    text = f"unknown {'table' if is_section else 'key'} {shown_key}"
    if guesses:
        text += f"; did you mean {' or '.join(shown_guesses)}?"
        if split_unit(guesses[0])[0] == key:
            text += " (the unit is part of the key)"
    elif home := _home_of(key, root):
        text += f"; it belongs {home}"
    else:
        text += f"; known here: {', '.join(_keys_at(path[:-1], root))}"
    guessed = tuple((*path[:-1], name) for name in guesses)
    return Problem(path, text, about=path[:-1], guessed=guessed)


def _missing_key(path: Path, root: type[BaseModel]) -> Problem:
    key = str(path[-1])
    field = model_at(path[:-1], root).model_fields[key]
    what = field.description or ""
    unit = unit_of(key)
    detail = ", ".join(part for part in (what, f"in {unit}" if unit else "") if part)
    if len(path) == 1 and is_table(field.annotation):
        text = f"table {_heading(key, root)} is missing" + (f": {detail}" if detail else "")
    else:
        text = f"'{key}' is missing" + (f" ({detail})" if detail else "")
    return Problem(path[:-1], text, missing=(path,))


def _heading(key: str, root: type[BaseModel]) -> str:
    """A table of the top level as it is written: [road], [[mounts]]."""
    several = get_origin(root.model_fields[key].annotation) is tuple
    return f"[[{key}]]" if several else f"[{key}]"


def _keys_at(path: tuple[int | str, ...], root: type[BaseModel]) -> list[str]:
    return list(model_at(path, root).model_fields)


def _home_of(key: str, root: type[BaseModel]) -> str | None:
    """Where a key that is unknown here is known, when there is exactly one such table."""
    homes = [name for name, model in tables_of(root) if key in model.model_fields]
    if len(homes) != 1:
        return None
    if homes[0] == ():
        return "at the top of the file, before the first [table]"
    return f"in [{'.'.join(homes[0])}]"


# --- values ----------------------------------------------------------------------------------


def _wrong_value(
    error: ErrorDetails, path: Path, raw: dict[str, Any], root: type[BaseModel]
) -> str:
    kind, value = error["type"], _at(raw, path)
    annotation, metadata = field_at(tuple(error["loc"]), root)
    if kind in ("greater_than", "greater_than_equal", "less_than", "less_than_equal"):
        return "must be " + _range(metadata, unit_of(_key(path))) + _range_hint(value, path)
    if kind in ("float_type", "int_type"):
        return _not_a_number(kind, value, metadata, unit_of(_key(path)))
    if kind == "finite_number":
        return "must be a finite number"
    if kind == "bool_type":
        return "must be true or false, without quotes"
    if kind == "string_type":
        return 'must be text in quotes: "..."'
    if kind == "literal_error":
        return _choice(value, annotation)
    if kind in ("too_short", "too_long"):
        return _length(value, error, path)
    if kind in ("tuple_type", "list_type"):
        return _not_a_list(path, annotation)
    if kind in ("model_type", "dict_type"):
        if isinstance(path[-1], int):
            return f"must be a table, [[{_dotted(path)}]]"
        return f"must be a table, [{_dotted(path)}] or {_key(path)} = {{ ... }}"
    return error["msg"]


def _key(path: Path) -> str:
    keys = [part for part in path if isinstance(part, str)]
    return keys[-1] if keys else ""


def _dotted(path: Path) -> str:
    return ".".join(key_text(part) for part in path if isinstance(part, str))


def _range(metadata: list[Any], unit: str) -> str:
    """Allowed range in words, e.g. ``greater than 0 m and at most 50 m``."""
    unit = f" {unit}" if unit else ""
    words = []
    for bound in metadata:
        if isinstance(bound, annotated_types.Gt):
            words.append(f"greater than {bound.gt:g}{unit}")
        elif isinstance(bound, annotated_types.Ge):
            words.append(f"at least {bound.ge:g}{unit}")
        elif isinstance(bound, annotated_types.Lt):
            words.append(f"less than {bound.lt:g}{unit}")
        elif isinstance(bound, annotated_types.Le):
            words.append(f"at most {bound.le:g}{unit}")
    return " and ".join(words)


def _range_hint(value: Any, path: Path) -> str:
    """What a number outside its range looks like, when that is clear."""
    key = _key(path)
    percent = (
        "share", "humidity", "tolerance", "intensity", "reversed_flow", "efficiency",
        "power_coefficient",
    )  # fmt: skip
    if any(word in key for word in percent) and 1 < value <= 100:
        return f"; {value:g} looks like a percentage, write {value / 100:g}"
    if key == "temperature_c" and 200 < value < 350:
        return f"; {value:g} looks like kelvin, write {value - 273.15:.4g}"
    if key == "pressure_pa" and 500 < value < 1100:
        return f"; {value:g} looks like hPa, write {value * 100:g}"
    return ""


def _not_a_number(kind: str, value: Any, metadata: list[Any], unit: str) -> str:
    word = "a whole number" if kind == "int_type" else "a number"
    if isinstance(value, str):
        if not any(c.isdigit() for c in value):
            return f"must be {word}, not text"
        with_unit = any(c.isalpha() for c in value)
        return f"must be {word}, without quotes" + (" and unit" if with_unit else "")
    if isinstance(value, int) and not isinstance(value, bool):  # beyond any float
        return "must be " + (_range(metadata, unit) or "a smaller number")
    if isinstance(value, float):
        return f"must be {word}, without a decimal point"
    if isinstance(value, list):
        return f"must be {word}, not a list"
    return f"must be {word}" + (", not true or false" if isinstance(value, bool) else "")


def _choice(value: Any, annotation: Any) -> str:
    choices = [str(choice) for choice in get_args(annotation)]
    text = "must be one of " + ", ".join(f'"{choice}"' for choice in choices)
    guess = closest(value, choices) if isinstance(value, str) else None
    return text + (f'; did you mean "{guess}"?' if guess else "")


def _length(value: Any, error: ErrorDetails, path: Path) -> str:
    count, context = len(value), error["ctx"]
    if isinstance(value, dict):
        return "must name at least one"
    if HOURS in (context.get("min_length"), context.get("max_length")):
        return f"must hold {HOURS} values, one per hour from 0 to 23; it holds {count}"
    if count == 0:
        return "must not be empty"
    need = context.get("min_length", context.get("max_length"))
    return f"must hold {need} values; it holds {count}"


def _not_a_list(path: Path, annotation: Any) -> str:
    if is_table(annotation):
        return f"must be written [[{_dotted(path)}]], in double brackets, once for each"
    return "must be a list in square brackets: [ ..., ... ]"
