"""Ambient air: still or a steady wind over rough ground, and what its density depends on."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cache
from typing import Any, Literal

from pydantic import Field

from wakesim import constants
from wakesim.case.messages import Path, Problem
from wakesim.case.mounts import Mount
from wakesim.case.tables import Intensity, Table, given, one_speed, speed_keys, speed_of
from wakesim.errors import CaseError, closest, one_line, shorten
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


STANDARD_PRESSURE_PA = 101325.0  # ISO 2533
# A wind measured among what makes the roughness says nothing of the wind above it: the log law is
# taken from so many roughness lengths above the displacement on (assumed).
LEAST_ROUGHNESS_LENGTHS = 5.0
ACROSS_SHARE = 0.1  # of a wind, below which it counts as along the road
MOST_WIND_M_S = 60.0  # mean wind at a rotor; 50 m/s is the reference of class I of IEC 61400-1


class WindTable(Table):
    """[air.wind] as written in the file: a steady ambient wind.

    ``speed``: at reference_height_m.
    ``reference_height_m``: height at which the speed holds.
    ``profile``: how it grows with height: logarithm above a roughness, or a power of the height.
    ``roughness_m``: roughness length of the ground upwind (log profile); without it 0.03 m.
    ``roughness_class``: the same by name, of shared/reference/roughness.csv.
    ``displacement_m``: height by which dense obstacles lift the log profile.
    ``exponent``: of the power profile; without it 0.14 (from memory).
    ``turbulence_intensity``: standard deviation over mean speed; "roughness" takes what the
      roughness makes it at each height.
    """

    speed_m_s: float | None = Field(default=None, ge=0, le=40)
    speed_kmh: float | None = Field(default=None, ge=0, le=144)
    speed_mph: float | None = Field(default=None, ge=0, le=90)
    angle_deg: float = Field(ge=-360, le=360, description="direction it blows to: 0 along +x")
    reference_height_m: float = Field(default=10.0, gt=0, le=200)
    profile: Literal["log", "power"] = "log"
    roughness_m: float | None = Field(default=None, ge=1e-5, le=3)
    roughness_class: RoughnessName | None = None
    displacement_m: float | None = Field(default=None, ge=0, le=20)
    exponent: float | None = Field(default=None, ge=0, le=0.6)
    turbulence_intensity: Intensity = 0.0


class Drift(Table):
    """[air.drift]: the mean air of the traffic beyond single wakes, and the ground it rubs on.

    Roughness lengths: 0.001 m for a road (between the classes paved, 0.0002 m, and smooth,
    0.005 m, of shared/reference/roughness.csv) and 0.03 m for a verge (open land).

    ``enabled``: without it wakes end at model.wake_memory_s.
    ``roughness_road_m``: of the paved surface.
    ``roughness_verge_m``: of the ground beside it.
    """

    enabled: bool = True
    roughness_road_m: float = Field(default=constants.ROUGHNESS_ROAD_M.value, ge=1e-5, le=0.1)
    roughness_verge_m: float = Field(default=constants.ROUGHNESS_VERGE_M.value, ge=1e-5, le=2)


class AirTable(Table):
    """[air] as written in the file.

    ``still``: no ambient wind; otherwise give [air.wind].
    ``temperature_c``: for the density of the air.
    ``pressure_pa``: for the density; without it that of the altitude, or 101325 Pa.
    ``altitude_m``: above sea level, in place of the pressure.
    ``relative_humidity``: for the density.
    ``eddy_diffusivity_m2_s``: mixing of the air over the road; without it from the traffic.
    """

    still: bool | None = None
    wind: WindTable | None = None
    temperature_c: float = Field(default=15.0, ge=-50, le=60)
    pressure_pa: float | None = Field(default=None, ge=40000, le=110000)
    altitude_m: float | None = Field(default=None, ge=-500, le=6000)
    relative_humidity: float = Field(default=0.6, ge=0, le=1)
    eddy_diffusivity_m2_s: float | None = Field(default=None, ge=0.05, le=20)
    drift: Drift = Drift()


@dataclass(frozen=True)
class Wind:
    """Steady ambient wind.

    ``angle_deg`` is the direction it blows to: 0 along +x, 90 along +y (from the traffic to a
    roadside mount). Roughness defaults to 0.03 m (open land, class 3 of
    shared/reference/roughness.csv) and the power-law exponent to 0.14 (from memory).
    ``turbulence_intensity`` holds at every height, unless ``intensity_from_roughness`` says that
    it is only that at the reference height; ``intensity(height)`` knows both.
    """

    speed_m_s: float
    angle_deg: float
    reference_height_m: float
    profile: str
    roughness_m: float
    displacement_m: float
    exponent: float
    turbulence_intensity: float
    intensity_from_roughness: bool = False

    def ratio(self, height_m: float) -> float:
        """Speed at a height over that at the reference height, as wakesim.air.profiles has it."""
        if self.profile == "power":
            return math.pow(max(height_m / self.reference_height_m, 0.0), self.exponent)
        above = max((height_m - self.displacement_m) / self.roughness_m, 1.0)
        reference = (self.reference_height_m - self.displacement_m) / self.roughness_m
        return math.log(above) / math.log(reference)

    def intensity(self, height_m: float) -> float:
        """Along-wind turbulence intensity at a height.

        From the roughness it is 1 / ln((z - d)/z0), at most 1: closer
        to the ground than (z - d) = e z0 the log law is no guide.
        """
        if not self.intensity_from_roughness:
            return self.turbulence_intensity
        above = (height_m - self.displacement_m) / self.roughness_m
        return 1.0 if above <= math.e else 1.0 / math.log(above)


@dataclass(frozen=True)
class Air:
    """Ambient air; ``pressure_pa`` is None when ``altitude_m`` is given instead.

    ``eddy_diffusivity_m2_s`` is the mixing that traffic makes; None: from the traffic.
    """

    still: bool
    wind: Wind | None
    temperature_c: float
    pressure_pa: float | None
    altitude_m: float | None
    relative_humidity: float
    eddy_diffusivity_m2_s: float | None
    drift: Drift


def air_key_problems(raw: Any) -> Iterator[Problem]:
    """Keys that exclude or need each other; works on the raw table."""
    if len(given(raw, "pressure_pa", "altitude_m")) == 2:
        yield Problem(
            ("air", "altitude_m"),
            "give pressure_pa or altitude_m, not both (altitude sets the pressure)",
            raw["altitude_m"],
        )
    wind = given(raw, "wind")
    still = raw.get("still") if isinstance(raw, dict) else None
    if still is True and wind:
        yield Problem(("air", "still"), "still air and [air.wind] exclude each other", True)
    if still is False and not wind:
        yield Problem(("air", "still"), "needs a wind: add [air.wind]", False)
    if wind and isinstance(raw["wind"], dict):
        yield from _wind_key_problems(raw["wind"])


def _wind_key_problems(raw: dict[str, Any]) -> Iterator[Problem]:
    path = ("air", "wind")
    yield from one_speed(raw, "speed", path)
    if len(given(raw, "roughness_m", "roughness_class")) == 2:
        text = "the same roughness is given by roughness_m already"
        yield Problem((*path, "roughness_class"), text, raw["roughness_class"])
    if raw.get("profile", "log") == "log":
        lost, other = given(raw, "exponent"), "power"
    elif raw.get("profile") == "power":
        lost, other = given(raw, "roughness_m", "roughness_class", "displacement_m"), "log"
        if raw.get("turbulence_intensity") == "roughness":
            text = 'needs a roughness, so only for profile = "log"; else give a number'
            yield Problem((*path, "turbulence_intensity"), text, "roughness")
    else:
        return
    for key in lost:
        yield Problem((*path, key), f'only for profile = "{other}"', raw[key])


def wind_problems(air: AirTable, mounts: Mapping[int, Mount]) -> Iterator[Problem]:
    """A profile must be well above its own zero at the reference height.

    Wind and turbulence must make sense at the mounts.
    """
    if air.wind is None:
        return
    wind = _resolve_wind(air.wind)
    rough, displacement = wind.roughness_m, wind.displacement_m
    words = "displacement_m + {} x roughness_m"
    if wind.profile == "power":  # the ground that makes its turbulence is that of the verge
        rough, displacement = air.drift.roughness_verge_m, 0.0
        words = "{} x air.drift.roughness_verge_m"
    least = displacement + LEAST_ROUGHNESS_LENGTHS * rough
    if wind.reference_height_m < least * (1.0 - 1e-9):
        text = f"must be at least {words.format(f'{LEAST_ROUGHNESS_LENGTHS:g}')} = {least:g} m"
        yield Problem(("air", "wind", "reference_height_m"), text, wind.reference_height_m)
        return
    heights = {f"mounts[{i + 1}].height_m": mount.height_m for i, mount in mounts.items()}
    yield from strong_wind(wind, heights, ("air", "wind", _speed_key(air.wind)), wind.speed_m_s)
    if not wind.intensity_from_roughness:
        return
    lowest = displacement + math.e * rough
    for i, mount in mounts.items():
        if mount.height_m <= lowest:
            text = (
                f"mounts[{i + 1}].height_m = {mount.height_m:g} m is too near the ground for it: "
                f"must be above {lowest:.2g} m with roughness_m = {rough:g} m and "
                f"displacement_m = {displacement:g} m; else give a number"
            )
            yield Problem(("air", "wind", "turbulence_intensity"), text, "roughness")


def strong_wind(
    wind: Wind, heights: Mapping[str, float], path: Path, speed_m_s: float
) -> Iterator[Problem]:
    """A speed at the reference height that is a storm at a rotor; one line for the strongest.

    ``heights`` by the key that gives them, ``path`` and ``speed_m_s`` of the speed in the file.
    """
    key = max(heights, key=heights.__getitem__, default=None)
    if key is None:
        return
    there = speed_m_s * wind.ratio(heights[key])
    if there > MOST_WIND_M_S:
        text = (
            f"{speed_m_s:g} m/s at {wind.reference_height_m:g} m makes {there:.3g} m/s at "
            f"{key} = {heights[key]:g} m: must be at most {MOST_WIND_M_S:g} m/s there"
        )
        yield Problem(path, text)


def wall_wind_warnings(mounts: tuple[Mount, ...], wind: Wind | None) -> Iterator[str]:
    """Wind that would blow through a mount's wall."""
    if wind is None:
        return
    across = abs(wind.speed_m_s * math.sin(math.radians(wind.angle_deg)))
    for mount in mounts:
        if mount.wall_offset_m is not None and across > ACROSS_SHARE * wind.speed_m_s:
            yield (
                f"mount '{mount.name}': {across:.2g} m/s of the wind blow across the road as if "
                "there were no wall; beside a wall only wind along the road is sound"
            )


def _speed_key(table: WindTable) -> str:
    return next((k for k in speed_keys("speed") if getattr(table, k) is not None), "speed_m_s")


def resolve_air(table: AirTable) -> Air:
    """Defaults filled in and speeds in m/s."""
    pressure = table.pressure_pa
    if pressure is None and table.altitude_m is None:
        pressure = STANDARD_PRESSURE_PA
    return Air(
        still=table.wind is None,
        wind=None if table.wind is None else _resolve_wind(table.wind),
        temperature_c=table.temperature_c,
        pressure_pa=pressure,
        altitude_m=table.altitude_m,
        relative_humidity=table.relative_humidity,
        eddy_diffusivity_m2_s=table.eddy_diffusivity_m2_s,
        drift=table.drift,
    )


def _roughness(table: WindTable) -> float:
    if table.roughness_class is not None:
        return roughness_class(table.roughness_class).roughness_m
    return constants.WIND_ROUGHNESS_M.value if table.roughness_m is None else table.roughness_m


def _resolve_wind(table: WindTable) -> Wind:
    given_intensity = table.turbulence_intensity
    wind = Wind(
        speed_m_s=speed_of(table, "speed") or 0.0,
        angle_deg=table.angle_deg,
        reference_height_m=table.reference_height_m,
        profile=table.profile,
        roughness_m=_roughness(table),
        displacement_m=0.0 if table.displacement_m is None else table.displacement_m,
        exponent=constants.WIND_EXPONENT.value if table.exponent is None else table.exponent,
        turbulence_intensity=0.0 if isinstance(given_intensity, str) else given_intensity,
        intensity_from_roughness=isinstance(given_intensity, str),
    )
    return replace(wind, turbulence_intensity=wind.intensity(wind.reference_height_m))


# The wind of a state or a year for which the case has none of its own: 10 m over open land.
OPEN_LAND = _resolve_wind(WindTable(speed_m_s=0.0, angle_deg=0.0))
