"""The vehicle catalogue: classes with published or recalled figures, from the shared data."""

from __future__ import annotations

import tomllib
from functools import cache
from typing import Any

from wakesim.case.problems import one_line, shorten
from wakesim.case.suggest import closest
from wakesim.case.vehicle import Vehicle
from wakesim.errors import CaseError
from wakesim.runtime import shared_path

_KMH = 1.0 / 3.6


@cache
def _tables() -> dict[str, Any]:
    return tomllib.loads(shared_path("vehicles.toml").read_text(encoding="utf-8"))


@cache
def _vehicles() -> dict[str, Vehicle]:
    return {name: _from_table(name, table) for name, table in _tables()["vehicles"].items()}


def _from_table(name: str, table: dict[str, Any]) -> Vehicle:
    sources = {
        "dimensions": table["dimensions_source"],
        "drag": table["drag_source"],
        "speed": table["speed_source"],
    }
    plain = ("label", "shape", "heavy", "length_m", "width_m", "height_m", "clearance_m")
    return Vehicle(
        name=name,
        **{key: table[key] for key in plain},
        frontal_area_m2=table["frontal_area_m2"],
        drag_coefficient=table["drag_coefficient"],
        drag_range=(table["drag_range"][0], table["drag_range"][1]),
        mean_speed_m_s=table["mean_speed_kmh"] * _KMH,
        speed_sd_m_s=table["speed_sd_kmh"] * _KMH,
        nose_radius_m=table.get("nose_radius_m"),
        source=" | ".join(f"{subject}: {text}" for subject, text in sources.items()),
    )


def aliases() -> dict[str, str]:
    """Second names and the catalogue name each stands for."""
    return dict(_tables()["aliases"])


def catalogue() -> dict[str, Vehicle]:
    """Every vehicle class by name, lightest first; a fresh dictionary of shared records."""
    return dict(_vehicles())


def canonical(name: str) -> str:
    """The catalogue name behind a second name; any other name comes back as it is."""
    return aliases().get(name, name)


def vehicle(name: str) -> Vehicle:
    """The vehicle class of that name. Raises CaseError, with a suggestion, when there is none."""
    known = _vehicles()
    found = known.get(canonical(name)) if isinstance(name, str) else None
    if found is None:
        raise CaseError(unknown_vehicle(name, [*known, *aliases()]))
    return found


def unknown_vehicle(name: object, known: list[str]) -> str:
    """The message for a vehicle name that does not exist."""
    shown = {shorten(one_line(one), 40): None for one in known}
    guess = closest(str(name), shown)
    hint = f"did you mean '{guess}'?" if guess else f"known: {', '.join(shown)}"
    return f"unknown vehicle '{shorten(one_line(str(name)))}'; {hint}"
