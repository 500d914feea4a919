"""The shipped cases, a writer of TOML, and a way to ask for the problems of a text."""

from __future__ import annotations

import json
import math
import tomllib
from typing import Any

from wakesim.case.load import load_case_text
from wakesim.errors import CaseError
from wakesim.runtime import cases_path

NAMES = sorted(path.name for path in cases_path().glob("*.toml"))
TEXTS = {name: cases_path(name).read_text(encoding="utf-8") for name in NAMES}
TABLES = {name: tomllib.loads(text) for name, text in TEXTS.items()}

POST = TEXTS["expressway-post.toml"]


def edited(text: str, *changes: tuple[str, str]) -> str:
    """The text with each first string, which must be there, replaced by the second."""
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    return text


def problems(text: str) -> list[str]:
    """The problems of a case text under the name x.toml; empty when it is valid."""
    try:
        load_case_text(text, "x.toml")
    except CaseError as error:
        return error.problems
    return []


def to_toml(value: Any) -> str:
    """A value in TOML, tables inline."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float) and not math.isfinite(value):
        return str(value)
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, list):
        return "[" + ", ".join(map(to_toml, value)) + "]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{to_toml(k)} = {to_toml(v)}" for k, v in value.items()) + "}"
    return repr(value)


def document(tables: dict[str, Any]) -> str:
    """A whole TOML text, one top-level key a line."""
    return "".join(f"{to_toml(key)} = {to_toml(value)}\n" for key, value in tables.items())


def paths_of(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Paths of everything inside a value read from TOML."""
    inner: list[tuple[Any, ...]] = [path] if path else []
    items = value.items() if isinstance(value, dict) else enumerate(value)
    for key, item in items:
        nested = isinstance(item, (dict, list))
        inner += paths_of(item, (*path, key)) if nested else [(*path, key)]
    return inner
