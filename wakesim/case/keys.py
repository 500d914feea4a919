"""The keys of a case file explained: a reference written from the tables that check the file.

Type, unit, range and default are those of the tables. The meaning is the key's description, or its
entry in the table's docstring: a line that begins with the key in double backticks and a colon, and
the indented lines below it. A speed in several units has one entry for its stem (``speed``).
"""

from __future__ import annotations

import fnmatch
import inspect
import re
import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Literal, get_args, get_origin

import annotated_types
from pydantic import AfterValidator, BaseModel
from pydantic.fields import FieldInfo

from wakesim.case.messages import shown, split_unit, unit_of
from wakesim.case.schema import CaseFile
from wakesim.case.schema_errors import is_table, models_in, parts, unwrap
from wakesim.case.studies import STUDY_TABLES
from wakesim.case.tables import SPEED_UNITS, speed_keys
from wakesim.errors import CaseError, closest

# What a check by a function adds to the type, by the function's name.
CHECKS = {
    "_check_name": "of 1 to 40 letters, digits, spaces, '.', '_' or '-'",
    "_check_line": "in one line, at most 200 characters",
    "_check_roughness": '"roughness"',
    "_check_busiest": '"busiest"',
    "_rising": "rising",
}
_WORDS = {"_check_roughness", "_check_busiest"}  # the only text they let pass
_ENTRY = re.compile(r"^``(\w+)``: (.*(?:\n +.*)*)", re.MULTILINE)


@dataclass(frozen=True)
class Key:
    """One key. ``table`` as it is written in the file, empty at the top of it."""

    table: str
    name: str
    type: str
    unit: str
    range: str
    default: str
    required: bool
    meaning: str

    @property
    def path(self) -> str:
        """Table and key, as messages name them."""
        return f"{self.table.strip('[]')}.{self.name}".lstrip(".")


@dataclass(frozen=True)
class Heading:
    """A table: how it is written, which files need it, and what it is."""

    table: str
    needed: str
    meaning: str


def matching(pattern: str = "") -> list[Key]:
    """Keys whose path holds the pattern, in the order of the tables; all without one.

    A pattern with * or ? must fit the whole path or key; where no path fits, meanings are searched.
    Raises CaseError when nothing fits.
    """
    every = [key for _, keys in reference() for key in keys]
    wanted = pattern.strip().strip("[]").casefold()
    if set(wanted) & set("*?"):
        found = [
            k for k in every
            if fnmatch.fnmatchcase(k.path.casefold(), wanted)
            or fnmatch.fnmatchcase(k.name.casefold(), wanted)
        ]  # fmt: skip
    else:
        found = [k for k in every if wanted in k.path.casefold()]
        found = found or [k for k in every if wanted in k.meaning.casefold()]
    if not found:
        names = dict.fromkeys([*(k.name for k in every), *(k.table.strip("[]") for k in every)])
        guess = closest(wanted, names)
        hint = f'did you mean "{guess}"?' if guess else "wakesim keys without a pattern lists all"
        raise CaseError(f"no key of a case file fits {shown(pattern)}; {hint}")
    return found


def as_plain(keys: Sequence[Key]) -> list[dict[str, Any]]:
    """The keys as JSON values."""
    return [asdict(key) for key in keys]


def explained(keys: Sequence[Key], width: int = 100) -> Iterator[str]:
    """Lines of text about the keys, below the headings of their tables."""
    left, width = set(keys), max(width, 40)
    for heading, members in reference():
        mine = [key for key in members if key in left]
        if not mine:
            continue
        needed = f"  ({heading.needed})" if heading.needed else ""
        head = (heading.table or "At the top of the file, before the first table") + needed
        yield from _wrapped(head, max(width, 80), "", "  ")
        yield from _wrapped(heading.meaning, width, "  ")
        for key in mine:
            facts = f"{key.type}, {key.range}" if key.range else key.type
            yield from _wrapped(f"{key.name}: {facts}; {key.default}", width, "  ", "    ")
            yield from _wrapped(key.meaning, width, "      ")
        yield ""


def _wrapped(text: str, width: int, indent: str, more: str | None = None) -> list[str]:
    rest = indent if more is None else more
    return textwrap.wrap(
        text, width, initial_indent=indent, subsequent_indent=rest, break_on_hyphens=False
    )


def reference() -> Iterator[tuple[Heading, list[Key]]]:
    """Every table of a case file with its keys, in the order of the schema."""
    yield from _tables(CaseFile, "", "", True)


def _tables(
    model: type[BaseModel], path: str, table: str, required: bool
) -> Iterator[tuple[Heading, list[Key]]]:
    entries = _entries(model)
    names = list(model.model_fields)
    below, keys = [], []
    for name, field in model.model_fields.items():
        if is_table(field.annotation):
            below.append((name, field))
        else:
            keys.append(_key(table, name, field, names, entries))
    yield Heading(table, _needed(path, required), _what(model)), keys
    for name, field in below:
        inner, (sort, *_) = next(models_in(field.annotation)), _shapes(field.annotation)
        dotted = f"{path}.{name}".lstrip(".")
        dotted += ".<name>" if sort == "table" else ""
        written = f"[[{dotted}]]" if sort == "list" else f"[{dotted}]"
        yield from _tables(inner, dotted, written, required and field.is_required())


def _needed(path: str, required: bool) -> str:
    studies = [f'"{study}"' for study, tables in STUDY_TABLES.items() if path in tables]
    if studies:
        return f"needed for study = {' or '.join(studies)}"
    return "needed in every case" if required and path else ""


def _key(table: str, name: str, field: FieldInfo, names: list[str], entries: dict[str, str]) -> Key:
    unit = unit_of(name)
    types, limits = [], []
    for part, metadata in _alternatives(field):
        kind, limit = _type_and_range(part, metadata, unit)
        types.append(kind)
        limits += [limit] if limit else []
    stem = split_unit(name)[0] if len(_spellings(name, names)) > 1 else name
    meanings = [field.description, entries.get(name), entries.get(stem)]
    return Key(
        table=table,
        name=name,
        type=" or ".join(types),
        unit=unit,
        range=" or ".join(dict.fromkeys(limit.removeprefix("each ") for limit in limits))
        if len(limits) > 1
        else "".join(limits),
        default=_default(name, field, names),
        required=field.is_required(),
        meaning="; ".join(dict.fromkeys(m.rstrip(".") for m in meanings if m)),
    )


def _default(name: str, field: FieldInfo, names: list[str]) -> str:
    """What holds without the key."""
    spellings = _spellings(name, names)
    if field.is_required():
        return "needed"
    if len(spellings) > 1:
        return f"at most one of {', '.join(spellings)}"
    value = field.get_default(call_default_factory=True)
    beyond = any(isinstance(m, annotated_types.Gt) and value == m.gt for m in field.metadata)
    if value is None or value in ((), {}) or beyond:  # beyond its range: the key does not apply
        return "may be left out"
    plain = _number(value) if isinstance(value, float) else shown(value)
    return f"default {plain} {unit_of(name)}".strip()


def _spellings(name: str, names: list[str]) -> list[str]:
    """The keys that give one speed in several units, among them this one; else the key alone."""
    stem, suffix = split_unit(name)
    group = [n for n in speed_keys(stem) if n in names]
    return group if suffix.lstrip("_") in SPEED_UNITS and len(group) > 1 else [name]


def _entries(model: type[BaseModel]) -> dict[str, str]:
    """Meanings of keys, from the docstring of their table."""
    text = inspect.cleandoc(model.__doc__ or "")
    return {name: " ".join(words.split()) for name, words in _ENTRY.findall(text)}


def _what(model: type[BaseModel]) -> str:
    """What a table is: its docstring without the entries and the heading it begins with."""
    text = " ".join(_ENTRY.sub("", inspect.cleandoc(model.__doc__ or "")).replace("``", "").split())
    start = r"^\[+[\w.<>]+\]+(?: or headway = \{ \.\.\. \})?(?: as written in the file)?[:.;]? ?"
    text = re.sub(start, "", text)
    return text[:1].upper() + text[1:]


# --- types ------------------------------------------------------------------------------------


def _alternatives(field: FieldInfo) -> Iterator[tuple[Any, list[Any]]]:
    annotation, metadata = unwrap(field.annotation)
    for part in parts(annotation):
        inner, more = unwrap(part)
        yield inner, [*field.metadata, *metadata, *more]


def _shapes(annotation: Any) -> list[str]:
    """ "list", "table" or "" of what holds tables."""
    inner, _ = unwrap(annotation)
    return [{tuple: "list", dict: "table"}.get(get_origin(part), "") for part in parts(inner)]


def _type_and_range(annotation: Any, metadata: list[Any], unit: str) -> tuple[str, str]:
    """Words for a kind of value, and its range with the unit."""
    checks = [m.func.__name__ for m in metadata if isinstance(m, AfterValidator)]
    origin = get_origin(annotation)
    if origin is Literal:
        return " or ".join(f'"{choice}"' for choice in get_args(annotation)), ""
    if origin in (tuple, dict):
        element, more = unwrap(get_args(annotation)[0 if origin is tuple else -1])
        kind, limit = _type_and_range(element, more, unit)
        count = _count(metadata)
        if origin is dict:
            return f"table of {_plural(kind)} by name", limit
        rising = "rising " if "_rising" in checks else ""
        return f"list of {count}{rising}{_plural(kind)}", f"each {limit}" if limit else ""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return f"table {{ {', '.join(annotation.model_fields)} }}", ""
    if _WORDS & set(checks):
        return CHECKS[checks[0]], ""
    name = {float: "number", int: "whole number", bool: "true or false", str: "text"}[annotation]
    words = [CHECKS[check] for check in checks]
    return " ".join([name, *words]), _interval(metadata, unit)


def _plural(kind: str) -> str:
    if kind.startswith(("list", "table", "text", "true", '"')):
        return {"text": "texts"}.get(kind, kind)
    return kind.replace("number", "numbers", 1)


def _count(metadata: list[Any]) -> str:
    low = next((m.min_length for m in metadata if isinstance(m, annotated_types.MinLen)), None)
    high = next((m.max_length for m in metadata if isinstance(m, annotated_types.MaxLen)), None)
    if low == high and low is not None:
        return f"{low} "
    if low and high:
        return f"{low} to {high} "
    return f"at most {high} " if high else ""


def _interval(metadata: list[Any], unit: str) -> str:
    """A range in few words: "0 to 40 m/s", "above 0 and at most 50 m"."""
    bounds = {
        name: getattr(bound, name)
        for bound in metadata
        for name in ("ge", "gt", "le", "lt")
        if getattr(bound, name, None) is not None
    }
    if bounds.keys() == {"ge", "le"}:
        return f"{_number(bounds['ge'])} to {_number(bounds['le'])} {unit}".strip()
    words = {"ge": "at least", "gt": "above", "le": "at most", "lt": "below"}
    return " and ".join(
        f"{words[name]} {_number(bound)} {unit}".strip() for name, bound in bounds.items()
    )


def _number(value: float) -> str:
    return f"{value:.10g}" if isinstance(value, float) else str(value)
