"""The standard classes of ground roughness, from the shared data."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from functools import cache
from typing import Literal

from wakesim.case.problems import one_line, shorten
from wakesim.case.suggest import closest
from wakesim.errors import CaseError
from wakesim.runtime import shared_path

RoughnessName = Literal[
    "sea", "paved", "smooth", "open", "roughly open", "rough", "very rough", "closed", "chaotic"
]


@dataclass(frozen=True)
class RoughnessClass:
    """One class: its number, its names (class 1 has two) and its roughness length z0 in m."""

    number: int
    names: tuple[str, ...]
    roughness_m: float


@cache
def roughness_classes() -> tuple[RoughnessClass, ...]:
    """Classes 1 to 8, smoothest first (the Davenport classification; values as in the file)."""
    text = shared_path("reference", "roughness.csv").read_text(encoding="utf-8")
    rows = csv.DictReader(line for line in text.splitlines() if not line.startswith("#"))
    return tuple(
        RoughnessClass(int(row["class"]), tuple(row["name"].split("/")), float(row["z0_m"]))
        for row in rows
    )


def roughness_class(key: str | int) -> RoughnessClass:
    """The class of a name ("open", "paved") or a number (1 to 8).

    Raises CaseError, with a suggestion, when there is none.
    """
    for entry in roughness_classes():
        if key in entry.names or (key == entry.number and not isinstance(key, bool)):
            return entry
    names = [name for entry in roughness_classes() for name in entry.names]
    guess = closest(key, names) if isinstance(key, str) else None
    hint = f"did you mean '{guess}'?" if guess else f"known: 1 to 8, or {', '.join(names)}"
    raise CaseError(f"unknown roughness class {shorten(one_line(repr(key)))}; {hint}")
