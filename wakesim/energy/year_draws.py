"""How uncertain a year's energy is: years drawn with winds, traffic, chance and model together.

Five causes, drawn together and each alone:

    winds      years put together from the record in blocks of days of the same season (block
               bootstrap, ``wakesim.air.bootstrap``); between years the mean speed differs more
               than a record of one year can show, so it is moved by a normal factor; and the error
               of the wind at the place (``constants.WIND_SPEED``)
    traffic    flows, heavy share and speeds within ``constants.TRAFFIC_FLOW`` and those beside it
    chance     which parts of the walked stretches count; and what interpolation between computed
               hours leaves (its error at the checked hours, as a common one)
    model      the uncertain inputs of ``wakesim.constants`` that move the air
    rotor      its power coefficient, within the range of its type

An input of the model moves the mean cube of an hour by what it does at the hours of the stretches
nearest to it, straight from the middle to either end of its range; several add in the logarithm.
Inputs are a scrambled Sobol sequence. Winds of a record are the hours' own weather with another
year's traffic: where both are measured their connection is kept in the central year alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from wakesim import constants
from wakesim.air.bootstrap import YEAR_DAYS, block_bootstrap
from wakesim.arrays import Array, Index
from wakesim.case.schema import Case
from wakesim.constants import Input
from wakesim.energy.uncertainty import Parameter, sample
from wakesim.energy.year_air import HourlyAir
from wakesim.energy.year_hours import HoursOfYear, Winds, hour_of_year
from wakesim.energy.year_power import PARTS, ResponseTable, power_coefficient, shares_of
from wakesim.measures.model_interval import Moved, all_of_many, uncertain_inputs
from wakesim.traffic.point_statistics import pulse_fields
from wakesim.traffic.scene import field_settings

CAUSES = ("winds", "traffic", "chance", "model", "rotor")
_EVERY = 5  # hours of a drawn year that are summed; with 24 it has no common divisor
_ENOUGH_YEARS = 5  # of a record, from which it shows how years differ
_HOURS_A_YEAR = 8766.0


@dataclass(frozen=True)
class ModelTask:
    """First hours of cases with the same mounts, and the inputs of the model to move in them."""

    cases: tuple[Case, ...]
    items: tuple[Input, ...]


def compute_model(task: ModelTask) -> dict[str, Array]:
    """Changes of the logarithm of the mean cube, (inputs, 2, hours, mounts), of the task's inputs
    at both ends of their ranges; runs in a worker."""
    many = []
    for case in task.cases:
        rotors = [mount.points() for mount in case.mounts]
        middle = slice(len(rotors[0][0]) // 3, 2 * len(rotors[0][0]) // 3)
        points = np.array([points[middle] for points, _ in rotors])
        shares = rotors[0][1][middle]
        many.append(
            Moved(
                case,
                field_settings(case),
                points,
                shares / shares.sum(),
                case.compute.hours[:1],
                pulse_fields,
                case.mounts[0].wall_offset_m,
            )
        )
    base = np.array([moved.effective_speed() for moved in many])
    change = np.zeros((len(task.items), 2, *base.shape))
    for item, value, speeds in all_of_many(many, task.items):
        end = int(value == item.ends[1])
        ratio = np.maximum(np.array(speeds), 1e-9) / np.maximum(base, 1e-9)
        change[task.items.index(item), end] = 3.0 * np.log(ratio)
    return {"change": change}


def model_inputs(case: Case) -> tuple[Input, ...]:
    """The uncertain inputs of the model."""
    return uncertain_inputs(field_settings(case), "counted", "hull")


@dataclass(frozen=True)
class YearOfMount:
    """What the year of one mount is made of: its number, response ``tables`` of the stretches,
    swept area, and the range of the rotor's power coefficient over its own."""

    number: int
    tables: Sequence[ResponseTable]
    area_m2: float
    coefficient_range: tuple[float, float]


class Draws:
    """Years drawn for all mounts of a case."""

    def __init__(
        self, hours: HoursOfYear, air: HourlyAir, force_at: Array, stretches: Sequence[int],
        change: Array, years: int,
    ) -> None:  # fmt: skip
        """``force_at`` (hours, axes): places of the hours; ``stretches``: hours of the stretches;
        ``change`` (inputs, 2, stretches, mounts) of ``compute_model``."""
        self.hours, self.air, self.years = hours, air, years
        self.stretch_at, self.change = force_at[list(stretches)], change
        case = hours.case_
        seed = case.traffic.seed if case.traffic else 0
        self.items = model_inputs(case)
        outer = [
            constants.TRAFFIC_FLOW, constants.HEAVY_SHARE, constants.VEHICLE_SPEEDS,
            constants.WIND_SPEED, constants.POWER_COEFFICIENT,
        ]  # fmt: skip
        self.outer = [item.key for item in outer]
        parameters = [
            Parameter(item.name, 0.0, 1.0, "linear", item.origin, item.key)
            for item in (*self.items, *outer)
        ]
        self.place, _ = sample(parameters, years, seed)
        self.ends = {item.key: item.ends for item in outer}
        rng = np.random.default_rng([seed, 2])
        self.wind_hours = self._wind_years(rng)
        spread = constants.WIND_YEARS_SD.value if self._one_record() else 0.0
        self.wind_factor = np.clip(rng.normal(1.0, spread, years), 0.7, 1.3)
        self.parts = rng.multinomial(PARTS, np.full(PARTS, 1.0 / PARTS), years) / PARTS
        self.between = rng.normal(0.0, 1.0, years)
        self.force = air.at.places.force(hours.flow_veh_h, hours.speed_factor)
        self.missed = np.zeros(air.cube.shape[1])
        if air.error.size:  # of the cubes' sum, from the errors at the checked hours
            weight = air.cube[air.checked] / air.cube[air.checked].sum(axis=0)
            self.missed = 3.0 * np.sqrt(((weight * air.error) ** 2).sum(axis=0))

    def _one_record(self) -> bool:
        recorded = self.hours.recorded_start
        return recorded is not None and recorded.size < _ENOUGH_YEARS * _HOURS_A_YEAR

    def _wind_years(self, rng: np.random.Generator) -> Index | None:
        """Numbers of recorded hours of each drawn year, (years, hours)."""
        recorded, n = self.hours.recorded_start, len(self.hours)
        if self.hours.recorded is None:
            return None
        if recorded is None:  # years of a rose, one after the other
            own = np.arange(self.years)[:, None] % (len(self.hours.recorded.density_kg_m3) // n)
            return own * n + np.arange(n)
        drawn = block_bootstrap(recorded.size, self.years, rng)
        first = hour_of_year(recorded[:1])[0]
        return drawn[:, (hour_of_year(self.hours.start) - first) % (24 * YEAR_DAYS)]

    def _value(self, key: str, year: int) -> float:
        low, high = self.ends[key]
        place = self.place[year, len(self.items) + self.outer.index(key)]
        return float(low + (high - low) * place)

    def traffic(self, year: int, some: Index) -> Array:
        """Drag force (see ``year_air.Places``) of some hours with traffic as drawn."""
        hours, places = self.hours, self.air.at.places
        flow, faster = hours.flow_veh_h[some], hours.speed_factor[some]
        more = self._value(constants.TRAFFIC_FLOW.key, year)
        heavier = self._value(constants.HEAVY_SHARE.key, year)
        heavy, share = hours.heavy_streams, np.minimum(hours.heavy_share[some], 0.99)
        lighter = np.maximum(1.0 - share * heavier, 0.0) / (1.0 - share)
        flow = more * np.where(heavy, heavier, lighter[:, None]) * flow
        return places.force(flow, faster * self._value(constants.VEHICLE_SPEEDS.key, year))

    def winds(self, year: int, some: Index) -> Winds:
        """Winds of some hours as drawn."""
        winds = self.hours.winds.take(some)
        if self.wind_hours is not None:
            assert self.hours.recorded is not None
            winds = self.hours.recorded.take(self.wind_hours[year, some])
        factor = self.wind_factor[year] * self._value(constants.WIND_SPEED.key, year)
        return replace(winds, velocity_m_s=winds.velocity_m_s * factor)

    def model(self, year: int, shares: Array) -> Array:
        """Factor on the mean cube (hours, mounts) of the model as drawn."""
        z = 2.0 * self.place[year, : len(self.items)] - 1.0
        low, high = np.maximum(-z, 0.0), np.maximum(z, 0.0)
        moved = np.tensordot(low, self.change[:, 0], 1) + np.tensordot(high, self.change[:, 1], 1)
        return np.asarray(np.exp(shares @ moved))

    def draw(self, mounts: Sequence[YearOfMount]) -> list[dict[str, Array]]:
        """Annual energies (years,), kWh, of each mount before losses and standby: by cause,
        "together" first. Each year is summed over every fifth hour, of which the central one is
        known as a whole."""
        hours = np.arange(len(self.hours))
        whole = np.array(self._energy(hours, None, (), mounts))
        parts = [hours[k::_EVERY] for k in range(_EVERY)]
        central = [np.array(self._energy(some, None, (), mounts)) for some in parts]
        known = [np.divide(whole, c, out=np.ones_like(c), where=c > 0.0) for c in central]
        found = {}
        for cause, causes in [("together", CAUSES), *((c, (c,)) for c in CAUSES)]:
            rows = []
            for year in range(self.years):
                k = year % _EVERY
                made = np.array(self._energy(parts[k], year, causes, mounts))
                plain = np.full(len(mounts), hours.size / parts[k].size)
                rows.append(made * (plain if "winds" in causes else known[k]))
            found[cause] = np.array(rows)
        return [{c: v[:, k] for c, v in found.items()} for k in range(len(mounts))]

    def _energy(
        self, some: Index, year: int | None, causes: Sequence[str], mounts: Sequence[YearOfMount]
    ) -> list[float]:
        """Energy of some hours, kWh, of each mount with some causes drawn."""
        winds, force = self.hours.winds.take(some), self.force[some]
        if year is not None and "winds" in causes:
            winds = self.winds(year, some)
        if year is not None and "traffic" in causes:
            force = self.traffic(year, some)
        if "winds" in causes or "traffic" in causes:
            cube, mean = self.air.at(force, winds)
        else:
            cube, mean = self.air.cube[some], self.air.mean[some]
        shares = shares_of(self.air.at.places.features(force, winds), self.stretch_at)
        weights = np.full(PARTS, 1.0 / PARTS)
        better = [1.0] * len(mounts)
        if year is not None and "model" in causes:
            factor = self.model(year, shares)
            cube, mean = cube * factor, mean * np.cbrt(factor)
        if year is not None and "chance" in causes:
            factor = 1.0 + self.missed * self.between[year]
            cube, mean = cube * factor, mean * np.cbrt(factor)
            weights = self.parts[year]
        if year is not None and "rotor" in causes:
            place = self.place[year, len(self.items) + len(self.outer) - 1]
            better = [
                low + (high - low) * place for low, high in (m.coefficient_range for m in mounts)
            ]
        found = []
        for mount, factor in zip(mounts, better, strict=True):
            k = mount.number
            part = power_coefficient(mount.tables, shares, cube[:, k], mean[:, k])
            flux = 0.5 * mount.area_m2 * winds.density_kg_m3 * cube[:, k]
            found.append(1e-3 * factor * float((weights @ part) @ flux))
        return found
