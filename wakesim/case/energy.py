"""[rotor], [energy] and [claim]: what hangs at the mounts, and what is asked of its yield."""

from __future__ import annotations

import math
import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, ClassVar, Literal

from pydantic import Field, Strict

from wakesim import constants
from wakesim.case.messages import Problem
from wakesim.case.mounts import Mount
from wakesim.case.tables import (
    SHARE_TOLERANCE,
    Fraction,
    Line,
    Table,
    given,
)
from wakesim.csv_tables import Problems, read_csv_table
from wakesim.errors import CaseError

LEAST_SAMPLES = 64  # quasi-random samples that any ranking of the inputs needs
MOST_SAMPLES = 65536
BETZ = 16.0 / 27.0  # the largest share of the flux that a rotor can take (Betz 1920)
_MOST_BYTES = 1_000_000  # of a power curve
_BETZ_FLUX = BETZ * 0.5 * 1.225  # W/m2 over the cubed speed, the most a rotor can give


@dataclass(frozen=True)
class PowerPoints:
    """Points of a power curve by rising speed; the output in air of 1.225 kg/m3."""

    speed_m_s: tuple[float, ...]
    power_w: tuple[float, ...]


def read_power_curve(path: str | os.PathLike[str], area_m2: float | None = None) -> PowerPoints:
    """The points of a CSV file; lines that start with # are comments.

    With a swept area, no point may pass 16/27 of the flux through it (Betz 1920). Raises CaseError,
    one line, naming file, line, column, value, unit and range.
    """
    table = read_csv_table(
        path, "a power curve", required=("speed_m_s", "power_w"), most_bytes=_MOST_BYTES
    )
    speeds = table.numbers("speed_m_s", "m/s", 0.0, 60.0)
    powers = table.numbers("power_w", "W", 0.0, 1e7)
    problems = Problems(table.source)
    if len(speeds) < 2:
        problems.add(0, f"holds {len(speeds)} point: must be at least 2")
    for before, speed, line in zip(speeds, speeds[1:], table.lines[1:], strict=False):
        if not speed > before:
            text = f"speed_m_s = {speed:g} m/s: must be above the line before, {before:g} m/s"
            problems.add(line, text)
    for speed, power, line in zip(speeds, powers, table.lines, strict=True):
        most = math.inf if area_m2 is None else _BETZ_FLUX * speed**3 * area_m2
        if power > most * (1.0 + 1e-9):
            text = (
                f"power_w = {power:g} W: must be at most {most:.4g} W at {speed:g} m/s, 16/27 of "
                f"the flux through {area_m2:g} m² (Betz 1920)"
            )
            problems.add(line, text)
    problems.check()
    return PowerPoints(tuple(speeds), tuple(powers))


class RotorTable(Table):
    """[rotor]: the same at every mount; its swept rectangle is the mount's.

    Efficiencies and standby use are assumed where not given.

    ``kind``: a generic type of shared/rotors.toml.
    ``response``: how the rotor answers gusts in the yield: with its inertia, without
      ("quasi_steady"), or held at shaft_speed_rpm ("fixed_speed").
    ``shaft_speed_rpm``: of a rotor at fixed speed; by default the speed that gives most in the
      air of the case.
    ``power_curve``: CSV file (speed_m_s, power_w: electrical output in air of 1.225 kg/m3),
      relative to the case file; it holds no torque, so its response is quasi-steady.
    ``best_power_coefficient``: largest power coefficient of the shaft; by default the type's.
    ``rated_power_w``: most electrical power; by default without limit.
    ``cut_in_m_s``: lowest speed at which it runs; by default the mount's.
    ``cut_out_m_s``: speed from which it stands; not used by the response with inertia.
    ``inertia_kg_m2``: by default a rim of 4 kg for each square metre swept (assumed).
    ``generator_efficiency``: shaft to generator output.
    ``converter_efficiency``: generator output to use.
    ``standby_w``: what the electronics draw all the time.
    ``direction_weight``: of a shrouded rotor, the share of the power it takes by the direction the
      air moves to, in equal steps from +x.
    """

    kind: Literal["drag", "lift", "hybrid"] = Field(description='"drag", "lift" or "hybrid"')
    response: Literal["inertial", "quasi_steady", "fixed_speed"] | None = None
    shaft_speed_rpm: float | None = Field(default=None, ge=0.001, le=10000)
    power_curve: Line | None = None
    best_power_coefficient: float | None = Field(default=None, ge=0.001, le=0.59)
    rated_power_w: float | None = Field(default=None, gt=0, le=1e6)
    cut_in_m_s: float | None = Field(default=None, ge=0, le=20)
    cut_out_m_s: float | None = Field(default=None, gt=0, le=60)
    inertia_kg_m2: float | None = Field(default=None, ge=1e-9, le=1e5)
    generator_efficiency: float = Field(default=constants.GENERATOR_EFFICIENCY.value, gt=0, le=1)
    converter_efficiency: float = Field(default=constants.CONVERTER_EFFICIENCY.value, gt=0, le=1)
    standby_w: float = Field(default=0.0, ge=0, le=1000)
    direction_weight: (
        Annotated[tuple[Fraction, ...], Strict(False), Field(min_length=2, max_length=72)] | None
    ) = None

    @classmethod
    def key_rules(cls, raw: Mapping[str, Any]) -> Iterator[Problem]:
        """Keys of one response, and the response of a power curve."""
        response = raw.get("response")
        if "shaft_speed_rpm" in raw and response != "fixed_speed":
            text = 'only for response = "fixed_speed"'
            yield Problem(("shaft_speed_rpm",), text, raw["shaft_speed_rpm"])
        if "power_curve" in raw and response in ("inertial", "fixed_speed"):
            text = 'must be "quasi_steady": a power curve holds no torque'
            yield Problem(("response",), text, response)

    def rules(self) -> Iterator[Problem]:
        """It must start before it stops."""
        low, high = self.cut_in_m_s, self.cut_out_m_s
        if low is not None and high is not None and not low < high:
            yield Problem(("cut_out_m_s",), f"must be above cut_in_m_s = {low:g} m/s", high)


class WindState(Table):
    """One wind of the yield, as at 10 m unless the case says otherwise.

    ``speed_m_s``: at that height.
    ``share``: of all hours.
    """

    speed_m_s: float = Field(gt=0, le=40)
    angle_deg: float = Field(ge=-360, le=360, description="direction it blows to: 0 along +x")
    share: Fraction


class WindRoseTable(Table):
    """A Weibull wind alike from all directions, at 10 m.

    ``mean_speed_m_s``: over the year.
    ``shape``: of the Weibull distribution; 2 is Rayleigh's.
    """

    mean_speed_m_s: float = Field(gt=0.2, le=20)
    shape: float = Field(default=2.0, ge=1, le=4)


class LoadTable(Table):
    """A consumer that the yield is to cover.

    ``name``: in outputs.
    ``daily_kwh``: drawn evenly from from_hour to to_hour.
    ``from_hour``: clock hour.
    ``to_hour``: clock hour; before from_hour it is that of the next day.
    ``battery_kwh``: that can be stored.
    ``battery_efficiency``: of what goes in, the share that comes out.
    """

    name: Line
    daily_kwh: float = Field(ge=1e-9, le=1e5)
    from_hour: int = Field(default=0, ge=0, le=23)
    to_hour: int = Field(default=24, ge=0, le=24)
    battery_kwh: float = Field(default=0.0, ge=0, le=1e5)
    battery_efficiency: float = Field(default=constants.BATTERY_EFFICIENCY.value, gt=0, le=1)

    def rules(self) -> Iterator[Problem]:
        """It must draw for some time."""
        if self.from_hour == self.to_hour:
            text = f"must differ from from_hour = {self.from_hour} (all day: 0 and 24)"
            yield Problem(("to_hour",), text, self.to_hour)


class RowTable(Table):
    """Rotors in a row along the road.

    ``count``: number of rotors.
    ``spacing_m``: from axis to axis.
    """

    count: int = Field(ge=1, le=100000)
    spacing_m: float = Field(ge=0.01, le=10000)


class EnergyTable(Table):
    """[energy]: what the yield is asked for.

    ``winds`` or ``wind_rose`` are the winds of the year (the rest of the shares is still air);
    without them the year has the air of the case.

    ``year``: whose calendar is walked, hour by hour.
    ``saturday_flow``: factor on the flows of the case, which are those of a weekday.
    ``sunday_flow``: the same for Sundays.
    ``saturday_heavy``: factor on the share of heavy vehicles.
    ``sunday_heavy``: the same for Sundays.
    ``sample_per_hour_s``: of each hour so much is simulated for each state.
    ``turbulence_intensity``: of the winds of the year.
    ``wind_spell_h``: how long a wind lasts on average, which matters to a load alone.
    ``samples``: quasi-random samples (a power of two, 0: none) for P10, P50 and P90.
    """

    year: int = Field(default=2027, ge=1990, le=2100)
    saturday_flow: float = Field(default=1.0, ge=0, le=5)
    sunday_flow: float = Field(default=1.0, ge=0, le=5)
    saturday_heavy: float = Field(default=1.0, ge=0, le=5)
    sunday_heavy: float = Field(default=1.0, ge=0, le=5)
    sample_per_hour_s: float = Field(default=240.0, ge=20, le=3600)
    winds: Annotated[tuple[WindState, ...], Strict(False), Field(max_length=200)] = ()
    wind_rose: WindRoseTable | None = None
    turbulence_intensity: Fraction = constants.YEAR_TURBULENCE_INTENSITY.value
    wind_spell_h: float = Field(default=constants.WIND_SPELL_H.value, ge=1, le=240)
    load: LoadTable | None = None
    row: RowTable | None = None
    samples: int = Field(default=0, ge=0, le=MOST_SAMPLES)

    @classmethod
    def key_rules(cls, raw: Mapping[str, Any]) -> Iterator[Problem]:
        """One way to give the winds of the year."""
        if len(given(raw, "winds", "wind_rose")) == 2:
            yield Problem(("wind_rose",), "give winds or wind_rose, not both")

    def rules(self) -> Iterator[Problem]:
        """Shares of the winds, and a number of samples that fills a quasi-random net."""
        total = sum(wind.share for wind in self.winds)
        if total > 1.0 + SHARE_TOLERANCE:
            text = f"the shares sum to {total:g}: must be at most 1 (the rest is still air)"
            yield Problem(("winds",), text)
        power_of_two = self.samples & (self.samples - 1) == 0
        if self.samples and not (self.samples >= LEAST_SAMPLES and power_of_two):
            text = f"must be 0 or a power of two from {LEAST_SAMPLES} to {MOST_SAMPLES}"
            yield Problem(("samples",), text, self.samples)


class ClaimTable(Table):
    """[claim]: figures as stated, to be checked; per rotor unless said otherwise.

    ``power_w``: output at the stated speed, or rated output.
    ``speed``: of the air.
    ``traffic_speed``: of the vehicles beside which the air speed is stated.
    ``cut_in_m_s``: lowest air speed at which it runs.
    ``power_coefficient``: efficiency from air to output; a sound one is below 0.593.
    ``area_m2``: swept area.
    ``daily_energy_kwh``: output a day.
    ``annual_energy_kwh``: output a year.
    ``count``: number of rotors.
    ``section_length_m``: length of road along which they stand.
    ``daily_load_kwh``: need a day of one consumer.
    ``loads``: number of consumers said to be covered.
    """

    SPEEDS: ClassVar = {"speed": False, "traffic_speed": False}

    power_w: float | None = Field(default=None, gt=0, le=1e7)
    speed_m_s: float | None = Field(default=None, ge=0.01, le=60)
    speed_kmh: float | None = Field(default=None, ge=0.04, le=216)
    speed_mph: float | None = Field(default=None, ge=0.03, le=134)
    traffic_speed_m_s: float | None = Field(default=None, gt=0, le=90)
    traffic_speed_kmh: float | None = Field(default=None, gt=0, le=320)
    traffic_speed_mph: float | None = Field(default=None, gt=0, le=200)
    cut_in_m_s: float | None = Field(default=None, gt=0, le=20)
    power_coefficient: float | None = Field(default=None, ge=0.001, le=10)
    area_m2: float | None = Field(default=None, gt=0, le=1e4)
    daily_energy_kwh: float | None = Field(default=None, gt=0, le=1e6)
    annual_energy_kwh: float | None = Field(default=None, gt=0, le=4e8)
    count: int = Field(default=1, ge=1, le=1000000)
    section_length_m: float | None = Field(default=None, gt=0, le=1e6)
    daily_load_kwh: float | None = Field(default=None, gt=0, le=1e6)
    loads: int = Field(default=1, ge=1, le=1000000)

    @property
    def figures(self) -> dict[str, float | int | None]:
        """The figures by the names of wakesim.energy.claims.Claim, speeds in m/s."""
        names = type(self).model_fields
        return {name: getattr(self, name) for name in names if not name.endswith(("_kmh", "_mph"))}


class ClaimFile(Table):
    """A file of nothing but [claim]."""

    claim: ClaimTable


def rotor_problems(rotor: RotorTable | None, mounts: Sequence[Mount]) -> Iterator[Problem]:
    """A cut-out must be above the cut-in that a mount gives."""
    if rotor is None or rotor.cut_out_m_s is None or rotor.cut_in_m_s is not None:
        return
    low = max(mount.cut_in_m_s for mount in mounts)
    if not low < rotor.cut_out_m_s:
        text = f"must be above the mount's cut_in_m_s = {low:g} m/s"
        yield Problem(("rotor", "cut_out_m_s"), text, rotor.cut_out_m_s)


def curve_of(
    rotor: RotorTable | None, mounts: Sequence[Mount], case_path: str
) -> tuple[PowerPoints | None, list[Problem]]:
    """The power curve of a case, read beside its file, and what is wrong with it."""
    if rotor is None or rotor.power_curve is None:
        return None, []
    path = Path(os.path.dirname(case_path), rotor.power_curve)
    smallest = min(mount.rotor_width_m * mount.rotor_height_m for mount in mounts)
    try:
        return read_power_curve(path, smallest), []
    except CaseError as error:
        return None, [Problem(("rotor", "power_curve"), text) for text in error.problems]
