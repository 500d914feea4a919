"""Ambient air: still or a steady wind over rough ground, and what its density depends on."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any, ClassVar, Literal

from pydantic import Field

from wakesim import constants
from wakesim.case.messages import Path, Problem
from wakesim.case.mounts import Mount
from wakesim.case.tables import Intensity, Table, given, speed_keys
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


class Wind(Table):
    """[air.wind]: a steady ambient wind.

    ``speed``: at reference_height_m.
    ``reference_height_m``: height at which the speed holds.
    ``profile``: how it grows with height: logarithm above a roughness, or a power of the height.
    ``roughness_m``: roughness length of the ground upwind (log profile); 0.03 m is open land, class
      3 of shared/reference/roughness.csv.
    ``roughness_class``: the same by name, of shared/reference/roughness.csv.
    ``displacement_m``: height by which dense obstacles lift the log profile.
    ``exponent``: of the power profile; 0.14 from memory.
    ``turbulence_intensity``: standard deviation over mean speed; "roughness" takes what the
      roughness makes it at each height.
    """

    SPEEDS: ClassVar = {"speed": True}

    speed_m_s: float = Field(default=0.0, ge=0, le=40)
    speed_kmh: float | None = Field(default=None, ge=0, le=144)
    speed_mph: float | None = Field(default=None, ge=0, le=90)
    angle_deg: float = Field(ge=-360, le=360, description="direction it blows to: 0 along +x")
    reference_height_m: float = Field(default=10.0, gt=0, le=200)
    profile: Literal["log", "power"] = "log"
    roughness_m: float = Field(default=constants.WIND_ROUGHNESS_M.value, ge=1e-5, le=3)
    roughness_class: RoughnessName | None = None
    displacement_m: float = Field(default=0.0, ge=0, le=20)
    exponent: float = Field(default=constants.WIND_EXPONENT.value, ge=0, le=0.6)
    turbulence_intensity: Intensity = 0.0

    @classmethod
    def key_rules(cls, raw: Mapping[str, Any]) -> Iterator[Problem]:
        """One roughness, and the keys of the profile that is used."""
        if len(given(raw, "roughness_m", "roughness_class")) == 2:
            text = "the same roughness is given by roughness_m already"
            yield Problem(("roughness_class",), text, raw["roughness_class"])
        if raw.get("profile", "log") == "log":
            lost, other = given(raw, "exponent"), "power"
        elif raw.get("profile") == "power":
            lost, other = given(raw, "roughness_m", "roughness_class", "displacement_m"), "log"
            if raw.get("turbulence_intensity") == "roughness":
                text = 'needs a roughness, so only for profile = "log"; else give a number'
                yield Problem(("turbulence_intensity",), text, "roughness")
        else:
            return
        for key in lost:
            yield Problem((key,), f'only for profile = "{other}"', raw[key])

    def completed(self) -> dict[str, Any]:
        """The length of the class of roughness."""
        if self.roughness_class is None:
            return {}
        return {"roughness_m": roughness_class(self.roughness_class).roughness_m}

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
        if not isinstance(self.turbulence_intensity, str):
            return self.turbulence_intensity
        above = (height_m - self.displacement_m) / self.roughness_m
        return 1.0 if above <= math.e else 1.0 / math.log(above)


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


class Air(Table):
    """[air]: ambient air.

    ``still``: no ambient wind; otherwise give [air.wind].
    ``temperature_c``: for the density of the air.
    ``pressure_pa``: for the density; without it that of the altitude, or 101325 Pa.
    ``altitude_m``: above sea level, in place of the pressure.
    ``relative_humidity``: for the density.
    ``eddy_diffusivity_m2_s``: mixing of the air over the road; without it from the traffic.
    """

    still: bool | None = None
    wind: Wind | None = None
    temperature_c: float = Field(default=15.0, ge=-50, le=60)
    pressure_pa: float | None = Field(default=None, ge=40000, le=110000)
    altitude_m: float | None = Field(default=None, ge=-500, le=6000)
    relative_humidity: float = Field(default=0.6, ge=0, le=1)
    eddy_diffusivity_m2_s: float | None = Field(default=None, ge=0.05, le=20)
    drift: Drift = Drift()

    @classmethod
    def key_rules(cls, raw: Mapping[str, Any]) -> Iterator[Problem]:
        """Pressure or altitude, still air or a wind."""
        if len(given(raw, "pressure_pa", "altitude_m")) == 2:
            text = "give pressure_pa or altitude_m, not both (altitude sets the pressure)"
            yield Problem(("altitude_m",), text, raw["altitude_m"])
        still = raw.get("still")
        if still is True and "wind" in raw:
            yield Problem(("still",), "still air and [air.wind] exclude each other", True)
        if still is False and "wind" not in raw:
            yield Problem(("still",), "needs a wind: add [air.wind]", False)

    def completed(self) -> dict[str, Any]:
        """Whether it is still, and the standard pressure where no height is given."""
        pressure = self.pressure_pa
        if pressure is None and self.altitude_m is None:
            pressure = STANDARD_PRESSURE_PA
        return {"still": self.wind is None, "pressure_pa": pressure}

    def in_wind(self, wind: Wind | None, **changes: float) -> Air:
        """The same air in another wind; where its figures change, OPEN_LAND stands for none."""
        if changes:
            wind = (wind or OPEN_LAND).model_copy(update=changes)
            wind = wind if wind.speed_m_s else None
        return self.model_copy(update={"wind": wind, "still": wind is None})


# The wind of a state or a year for which the case has none of its own: 10 m over open land.
OPEN_LAND = Wind(speed_m_s=0.0, angle_deg=0.0)


def wind_problems(air: Air, mounts: Mapping[int, Mount]) -> Iterator[Problem]:
    """A profile must be well above its own zero at the reference height.

    Wind and turbulence must make sense at the mounts.
    """
    if air.wind is None:
        return
    wind = air.wind
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
    key = next((k for k in speed_keys("speed") if k in wind.model_fields_set), None)
    if key is None:
        return  # missing, and listed as that
    yield from strong_wind(wind, heights, ("air", "wind", key), wind.speed_m_s)
    if wind.turbulence_intensity != "roughness":
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
