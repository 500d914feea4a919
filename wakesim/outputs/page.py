"""What all report pages share: the template environment and the rows of provenance."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import jinja2

from wakesim.outputs.wording import change, interval, number, place, significant

_TEMPLATES = Path(__file__).resolve().parent / "templates"


def environment(*folders: Path) -> jinja2.Environment:
    """Templates of these folders and of the package's own, strict, with the words of numbers."""
    found = jinja2.Environment(
        loader=jinja2.FileSystemLoader([*folders, _TEMPLATES]),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    for words in (number, significant, interval, place, change):
        found.filters[words.__name__] = words
    return found


def provenance_rows(
    provenance: Mapping[str, Any], leave_out: tuple[str, ...]
) -> list[tuple[str, str]]:
    """Key and text of everything known about where a result comes from."""
    rows = []
    for key, value in provenance.items():
        if key in leave_out:
            continue
        if isinstance(value, dict):
            text = ", ".join(f"{name} {item}" for name, item in value.items())
        else:
            text = value if isinstance(value, str) else json.dumps(value, default=str)
        rows.append((key.replace("_", " "), text))
    return rows
