"""Vehicle classes: dimensions, drag and speed of one, and the catalogue of the shared data."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from numbers import Real
from typing import Annotated, Any, Literal

from pydantic import Field, Strict

from wakesim import constants
from wakesim.case.messages import Path, Problem
from wakesim.case.tables import SPEED_UNITS, Line, Table
from wakesim.errors import CaseError, closest, one_line, shorten
from wakesim.runtime import shared_path

SHAPES = ("box", "bonnet")

# key: (smallest, largest, unit). Wide enough for wind-tunnel models; beyond them a unit is wrong.
LIMITS: dict[str, tuple[float, float, str]] = {
    "length_m": (0.1, 60.0, "m"),
    "width_m": (0.05, 10.0, "m"),
    "height_m": (0.05, 10.0, "m"),
    "clearance_m": (0.005, 3.0, "m"),
    "frontal_area_m2": (0.001, 60.0, "m²"),
    "drag_coefficient": (0.01, 3.0, ""),
}
NOSE_RADIUS_M = (0.001, 5.0)  # a sharp edge of sheet metal; beyond it a unit is wrong
# A nose is rounded over at most these shares of the smaller side of its front and of the length.
_NOSE_SHARE_OF_FRONT, _NOSE_SHARE_OF_LENGTH = 0.45, 0.2
# Width and height of the body over its longest side: panels are as wide as a share of the smaller,
# and those of a thinner body do not fit into the memory of a small machine.
_THINNEST = 1.0 / 30.0
BONNET_FRONT = constants.BONNET_NOSE_HEIGHT.value  # over that of the body
# The model interval moves dimensions by a few per cent and drag by more: what a user may just give
# must stand that. (Case files keep LIMITS exactly; the hull cuts a radius to the vehicle's size.)
_ROOM_FOR_VARIANTS, _ROOM_FOR_PROPORTIONS = 1.2, 1.1


@dataclass(frozen=True)
class Vehicle:
    """A vehicle class; SI units, the unit is the end of the name.

    ``height_m`` is the top above the road and ``clearance_m`` the underside above the road.
    ``drag_coefficient`` refers to ``frontal_area_m2``; ``drag_range`` is the published spread of
    the class. ``shape`` is ``"box"`` or ``"bonnet"`` (bonnet and cabin). ``mean_speed_m_s`` and
    ``speed_sd_m_s`` describe free traffic of the class, None when unknown. ``source`` says where
    the figures come from. ``nose_radius_m`` is the radius of the edges around the nose, None for
    the hull's own share of the frontal dimensions. Raises CaseError, one line a problem, on figures
    that cannot be a vehicle.
    """

    name: str
    length_m: float
    width_m: float
    height_m: float
    clearance_m: float
    frontal_area_m2: float
    drag_coefficient: float
    drag_range: tuple[float, float] | None = None
    shape: str = "box"
    heavy: bool = False
    label: str = ""
    mean_speed_m_s: float | None = None
    speed_sd_m_s: float = 0.0
    source: str = ""
    nose_radius_m: float | None = None

    def __post_init__(self) -> None:
        problems = [f"vehicle '{self.name}': {text}" for _, text in vehicle_problems(vars(self))]
        if problems:
            raise CaseError(problems)
        if not self.label:
            object.__setattr__(self, "label", self.name.replace("_", " "))


def largest_nose_radius_m(
    length_m: float, width_m: float, height_m: float, clearance_m: float, shape: str
) -> float:
    """The largest rounding that leaves a front to round."""
    front = (height_m - clearance_m) * (BONNET_FRONT if shape == "bonnet" else 1.0)
    return min(_NOSE_SHARE_OF_FRONT * min(width_m, front), _NOSE_SHARE_OF_LENGTH * length_m)


def vehicle_problems(values: Mapping[str, Any]) -> list[tuple[str, str]]:
    """What is wrong with the figures of a vehicle: (key, plain words) pairs, empty when right."""
    single = [*_limit_problems(values), *_optional_problems(values)]
    return single or list(_relation_problems(values))


def _is_number(value: object) -> bool:
    if not isinstance(value, Real) or isinstance(value, bool):
        return False
    try:
        return math.isfinite(value)
    except OverflowError:  # an integer no float can hold
        return False


def _limit_problems(values: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    for key, (low, high, unit) in LIMITS.items():
        yield from _outside(key, values[key], low, high, unit)


def _outside(key: str, value: Any, low: float, high: float, unit: str) -> Iterator[tuple[str, str]]:
    unit = f" {unit}" if unit else ""
    if not _is_number(value):
        yield key, f"{key} = {value!r}: must be a finite number"
    elif not low / _ROOM_FOR_VARIANTS <= value <= high * _ROOM_FOR_VARIANTS:
        text = f"must be at least {low:g}{unit} and at most {high:g}{unit}"
        yield key, f"{key} = {value:g}{unit}: {text}"


def _optional_problems(values: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    drag_range = values["drag_range"]
    if drag_range is not None:
        pair = isinstance(drag_range, (tuple, list)) and len(drag_range) == 2
        if not pair or not all(_is_number(x) and x > 0 for x in drag_range):
            yield "drag_range", f"drag_range = {drag_range!r}: must be two numbers, [low, high]"
        elif drag_range[0] > drag_range[1]:
            yield (
                "drag_range",
                f"drag_range = [{drag_range[0]:g}, {drag_range[1]:g}]: "
                "the low value must come first",
            )
    if values["shape"] not in SHAPES:
        yield "shape", f"shape = {values['shape']!r}: must be 'box' or 'bonnet'"
    mean, sd = values["mean_speed_m_s"], values["speed_sd_m_s"]
    if mean is not None and not (_is_number(mean) and mean > 0):
        yield "mean_speed_m_s", f"mean_speed_m_s = {mean!r}: must be a number above 0 m/s"
    if not (_is_number(sd) and sd >= 0):
        yield "speed_sd_m_s", f"speed_sd_m_s = {sd!r}: must be a number, 0 m/s or more"
    nose = values["nose_radius_m"]
    if nose is not None:
        yield from _outside("nose_radius_m", nose, *NOSE_RADIUS_M, "m")


def _relation_problems(values: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    if values["clearance_m"] >= values["height_m"]:
        yield (
            "clearance_m",
            f"clearance_m = {values['clearance_m']:g} m: must be below the vehicle's "
            f"height_m = {values['height_m']:g} m (both are measured from the road)",
        )
    outline = values["width_m"] * values["height_m"]
    if values["frontal_area_m2"] > 1.05 * outline:
        yield (
            "frontal_area_m2",
            f"frontal_area_m2 = {values['frontal_area_m2']:g} m²: is more than "
            f"width_m x height_m = {outline:.2f} m² can hold",
        )
    body = values["height_m"] - values["clearance_m"]
    longest = max(values["length_m"], values["width_m"], body)
    least = _THINNEST * longest
    share = f"must be at least {least:.3g} m, a thirtieth of its longest side ({longest:g} m)"
    if values["width_m"] * _ROOM_FOR_PROPORTIONS < least:
        yield "width_m", f"width_m = {values['width_m']:g} m: {share}"
    if 0.0 < body * _ROOM_FOR_PROPORTIONS < least:
        yield (
            "height_m",
            f"height_m = {values['height_m']:g} m: leaves a body {body:.3g} m high above "
            f"clearance_m = {values['clearance_m']:g} m; {share}",
        )
    nose = values["nose_radius_m"]
    sizes = ("length_m", "width_m", "height_m", "clearance_m", "shape")
    largest = largest_nose_radius_m(*(values[key] for key in sizes))
    if nose is not None and 0.0 < largest * _ROOM_FOR_PROPORTIONS < nose:
        yield (
            "nose_radius_m",
            f"nose_radius_m = {nose:g} m: must be at most {largest:.3g} m on this body "
            f"({_NOSE_SHARE_OF_FRONT:g} of the smaller side of its front, "
            f"{_NOSE_SHARE_OF_LENGTH:g} of its length)",
        )
    pair = values["drag_range"]
    if pair is not None and not pair[0] <= values["drag_coefficient"] <= pair[1]:
        yield (
            "drag_range",
            f"drag_range = [{pair[0]:g}, {pair[1]:g}]: does not hold "
            f"drag_coefficient = {values['drag_coefficient']:g}",
        )


def _limited(key: str, description: str | None = None) -> Any:
    low, high, _ = LIMITS[key]
    return Field(ge=low, le=high, description=description)


class VehicleTable(Table):
    """[vehicles.<name>]: an own vehicle; limits are those of the vehicle record.

    ``label``: its name in outputs.
    ``length_m``: from nose to tail.
    ``width_m``: without mirrors.
    ``frontal_area_m2``: that drag_coefficient refers to; at most width times height.
    ``drag_coefficient``: drag over dynamic pressure and frontal area.
    ``drag_range``: lowest and highest published value, for the model interval.
    ``shape``: of the hull: a box, or bonnet and cabin.
    ``heavy``: whether it counts among the heavy vehicles.
    ``source``: where the figures come from.
    """

    label: Line | None = None
    length_m: float = _limited("length_m")
    width_m: float = _limited("width_m")
    height_m: float = _limited("height_m", "top above the road")
    clearance_m: float = _limited("clearance_m", "underside above the road")
    frontal_area_m2: float = _limited("frontal_area_m2")
    drag_coefficient: float = _limited("drag_coefficient")
    drag_range: (
        Annotated[
            tuple[Annotated[float, _limited("drag_coefficient")], ...],
            Strict(False),
            Field(min_length=2, max_length=2),
        ]
        | None
    ) = None
    shape: Literal["box", "bonnet"] = "box"
    nose_radius_m: float | None = Field(
        default=None, ge=NOSE_RADIUS_M[0], le=NOSE_RADIUS_M[1],
        description="radius of the edges around the nose",
    )  # fmt: skip
    heavy: bool = False
    source: Line = "given in the case file, no source named"

    def rules(self) -> Iterator[Problem]:
        """The figures must be those of a vehicle."""
        values = self.model_dump() | {"mean_speed_m_s": None, "speed_sd_m_s": 0.0}
        for key, text in vehicle_problems(values):
            yield Problem((key,), text, about=())

    def vehicle(self, name: str) -> Vehicle:
        """The class of that name, without a speed of its own."""
        return Vehicle(**self.model_dump() | {"name": name, "label": self.label or ""})


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
        mean_speed_m_s=table["mean_speed_kmh"] * SPEED_UNITS["kmh"],
        speed_sd_m_s=table["speed_sd_kmh"] * SPEED_UNITS["kmh"],
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


def unknown_problem(name: str, vehicles: Mapping[str, Vehicle], path: Path) -> Problem:
    """A name at the end of a path that is no vehicle's, told about what holds it."""
    return Problem(path, unknown_vehicle(name, [*vehicles, *aliases()]), about=path[:-1])


def name_problems(
    names: Sequence[str], path: Path, vehicles: Mapping[str, Vehicle]
) -> Iterator[Problem]:
    """The names of a list are vehicles, each once."""
    seen: set[str] = set()
    for i, name in enumerate(names):
        if canonical(name) not in vehicles:
            yield unknown_problem(name, vehicles, (*path, i))
        elif canonical(name) in seen:
            yield Problem((*path, i), "is in the list already", name)
        seen.add(canonical(name))


def name_trouble(name: str) -> str:
    """Why an own vehicle cannot have this name; empty when it can."""
    if name in catalogue() or name in aliases():
        return "the catalogue has a vehicle of this name; choose another one"
    # "ambient" is the part of the result that no vehicle causes.
    if not name.isidentifier() or name == "ambient" or len(name) > 40:
        return "a vehicle's name must be letters, digits and '_' (not 'ambient'), 40 at most"
    return ""
