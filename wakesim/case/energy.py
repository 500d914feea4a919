"""[rotor], [energy] and [claim]: what hangs at the mounts, and what is asked of its yield."""

from __future__ import annotations

import math
import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import Field, Strict

from wakesim import constants
from wakesim.case.messages import Problem
from wakesim.case.mounts import Mount
from wakesim.case.reading import read_bytes
from wakesim.case.tables import (
    SHARE_TOLERANCE,
    Fraction,
    Line,
    Table,
    given,
    one_speed,
    speed_of,
)
from wakesim.errors import CaseError, one_line, shorten

_COLUMNS = (("speed_m_s", "m/s", 60.0), ("power_w", "W", 1e7))  # name, unit, largest value
_MOST_BYTES = 1_000_000
_BETZ_FLUX = 16.0 / 27.0 * 0.5 * 1.225  # W/m2 over the cubed speed, the most a rotor can give


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
    source = one_line(os.fsdecode(path))
    rows = _rows(Path(path), source)
    number, header = rows[0]
    if header != [name for name, *_ in _COLUMNS]:
        raise CaseError(
            f"{source}:{number}: is no power curve: its first line must name the columns "
            "speed_m_s, power_w"
        )
    points = [_point(f"{source}:{number}", cells) for number, cells in rows[1:]]
    if len(points) < 2:
        raise CaseError(f"{source}: holds {len(points)} points: must be at least 2")
    before = -1.0
    for (number, _), (speed, power) in zip(rows[1:], points, strict=True):
        if not speed > before:
            raise CaseError(
                f"{source}:{number}: speed_m_s = {speed:g} m/s: must be above the line before, "
                f"{before:g} m/s"
            )
        before = speed
        most = math.inf if area_m2 is None else _BETZ_FLUX * speed**3 * area_m2
        if power > most * (1.0 + 1e-9):
            raise CaseError(
                f"{source}:{number}: power_w = {power:g} W: must be at most {most:.4g} W at "
                f"{speed:g} m/s, 16/27 of the flux through {area_m2:g} m² (Betz 1920)"
            )
    return PowerPoints(*zip(*points, strict=True))


def _rows(path: Path, source: str) -> list[tuple[int, list[str]]]:
    """(line number, cells) of every line that holds something."""
    try:
        data = read_bytes(path, _MOST_BYTES)
        if len(data) > _MOST_BYTES:
            raise CaseError(f"{source}: larger than {_MOST_BYTES // 1000} kB; no power curve")
        lines = data.decode("utf-8-sig").splitlines()
    except (OSError, ValueError) as error:
        missing = isinstance(error, FileNotFoundError)
        reason = "no such file" if missing else getattr(error, "strerror", None)
        raise CaseError(f"{source}: {reason or 'is not a text file in UTF-8'}") from error
    rows = [
        (number, [cell.strip() for cell in line.split(",")])
        for number, line in enumerate(lines, 1)
        if line.strip() and not line.lstrip().startswith("#")
    ]
    if not rows:
        raise CaseError(f"{source}: is empty; columns speed_m_s and power_w are needed")
    return rows


def _point(place: str, cells: list[str]) -> tuple[float, float]:
    if len(cells) != len(_COLUMNS):
        raise CaseError(f"{place}: holds {len(cells)} cells: must be speed_m_s, power_w")
    out = []
    for (name, unit, high), cell in zip(_COLUMNS, cells, strict=True):
        try:
            value = float(cell)
        except ValueError:
            value = math.nan
        if not 0.0 <= value <= high:
            text = shorten(one_line(cell))
            raise CaseError(
                f'{place}: {name} = "{text}": must be a number at least 0 {unit} and at most '
                f"{high:g} {unit}"
            )
        out.append(value)
    return out[0], out[1]


if TYPE_CHECKING:
    from wakesim.case.schema import CaseFile

LEAST_SAMPLES = 64  # quasi-random samples that any ranking of the inputs needs
MOST_SAMPLES = 65536


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


class ClaimTable(Table):
    """[claim]: figures as stated, to be checked; per rotor unless said otherwise.

    ``power_w``: output at the stated speed, or rated output.
    ``speed``: of the air.
    ``traffic_speed``: of the vehicles beside which the air speed is stated.
    ``cut_in_m_s``: lowest air speed at which it runs.
    ``power_coefficient``: efficiency from air to output; a sound one is below 0.593.
    ``area_m2``: swept area.
    ``daily_energy_kwh``: output a day.
    ``count``: number of rotors.
    ``section_length_m``: length of road along which they stand.
    ``daily_load_kwh``: need a day of one consumer.
    ``loads``: number of consumers said to be covered.
    """

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
    count: int = Field(default=1, ge=1, le=1000000)
    section_length_m: float | None = Field(default=None, gt=0, le=1e6)
    daily_load_kwh: float | None = Field(default=None, gt=0, le=1e6)
    loads: int = Field(default=1, ge=1, le=1000000)

    @property
    def figures(self) -> dict[str, float | int | None]:
        """The figures by the names of wakesim.energy.claims.Claim, speeds in m/s."""
        found = {
            name: getattr(self, name)
            for name in type(self).model_fields
            if not name.endswith(("_kmh", "_mph"))
        }
        found["speed_m_s"] = speed_of(self, "speed")
        found["traffic_speed_m_s"] = speed_of(self, "traffic_speed")
        return found


def energy_key_problems(raw: Any) -> Iterator[Problem]:
    """Keys of [rotor], [energy] and [claim] that exclude or need each other; on the raw file."""
    if not isinstance(raw, dict):
        return
    rotor, energy, claim = (raw.get(name) for name in ("rotor", "energy", "claim"))
    for name in ("energy", "claim"):
        if raw.get("study") == "traffic" and name in raw and rotor is None:
            yield Problem((name,), "needs a table [rotor]", missing=(("rotor",),))
    if isinstance(rotor, dict):
        yield from _rotor_problems(rotor)
    if isinstance(energy, dict):
        yield from _energy_problems(energy)
    if isinstance(claim, dict):
        yield from one_speed(claim, "speed", ("claim",), needed=False)
        yield from one_speed(claim, "traffic_speed", ("claim",), needed=False)
        if not set(claim) - {"count", "loads"}:
            yield Problem(("claim",), "states nothing: give power_w, speed_m_s or another figure")


def _rotor_problems(rotor: dict[str, Any]) -> Iterator[Problem]:
    low: Any = rotor.get("cut_in_m_s")
    high: Any = rotor.get("cut_out_m_s")
    if _numbers(low, high) and not low < high:
        yield Problem(("rotor", "cut_out_m_s"), f"must be above cut_in_m_s = {low:g} m/s", high)
    response = rotor.get("response")
    if "shaft_speed_rpm" in rotor and response != "fixed_speed":
        text = 'only for response = "fixed_speed"'
        yield Problem(("rotor", "shaft_speed_rpm"), text, rotor["shaft_speed_rpm"])
    if "power_curve" in rotor and response in ("inertial", "fixed_speed"):
        text = 'must be "quasi_steady": a power curve holds no torque'
        yield Problem(("rotor", "response"), text, response)


def _energy_problems(energy: dict[str, Any]) -> Iterator[Problem]:
    if len(given(energy, "winds", "wind_rose")) == 2:
        text = "give winds or wind_rose, not both"
        yield Problem(("energy", "wind_rose"), text)
    winds = energy.get("winds")
    if isinstance(winds, list):
        shares: list[Any] = [w.get("share") for w in winds if isinstance(w, dict)]
        if _numbers(*shares) and sum(shares) > 1.0 + SHARE_TOLERANCE:
            text = f"the shares sum to {sum(shares):g}: must be at most 1 (the rest is still air)"
            yield Problem(("energy", "winds"), text)
    samples: Any = energy.get("samples")
    whole = isinstance(samples, int) and not isinstance(samples, bool)
    if whole and 0 < samples <= MOST_SAMPLES and not _power_of_two(samples):
        text = f"must be 0 or a power of two from {LEAST_SAMPLES} to {MOST_SAMPLES}"
        yield Problem(("energy", "samples"), text, samples)
    load = energy.get("load")
    if isinstance(load, dict):
        start, end = load.get("from_hour", 0), load.get("to_hour", 24)
        if _numbers(start, end) and start == end:
            text = f"must differ from from_hour = {start} (all day: 0 and 24)"
            yield Problem(("energy", "load", "to_hour"), text, end)


def _power_of_two(samples: int) -> bool:
    return samples >= LEAST_SAMPLES and samples & (samples - 1) == 0


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
        return None, [Problem(("rotor", "power_curve"), str(error))]


def energy_warnings(file: CaseFile) -> Iterator[str]:
    """Tables that the study leaves unused."""
    used = {"traffic": ("rotor", "energy", "claim"), "mounting_map": ("rotor",)}
    for name in ("rotor", "energy", "claim"):
        if getattr(file, name) is not None and name not in used.get(file.study, ()):
            yield f'[{name}] is not used: the case has study = "{file.study}"'


def _numbers(*values: Any) -> bool:
    return all(isinstance(v, (int, float)) and not isinstance(v, bool) for v in values)
