"""The energy of one mount: hours, days and a year, with and without traffic, bounds and claim."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from wakesim.arrays import Array
from wakesim.case.energy import EnergyTable, LoadTable
from wakesim.case.mounts import Mount
from wakesim.case.schema import Case, Wind
from wakesim.energy import yields
from wakesim.energy.bounds import DEFAULT_SPACING_M, HOURS_A_YEAR, Bounds, bounds_at
from wakesim.energy.claims import Claim, ClaimCheck, Place, check_claim
from wakesim.energy.hourly_power import WEEKDAY, Day, HourlyPower, MountPower, rotor_of, whole_day
from wakesim.energy.loads import DRAG_AREA_SHARE, PassLoad, pass_load, pressure_history
from wakesim.energy.rotor import Rotor
from wakesim.energy.uncertainty import YieldUncertainty
from wakesim.energy.yields import Coverage, Winds, YearYield, wind_of_hours, year_winds
from wakesim.measures.model_interval import coarse
from wakesim.measures.results import MountStatistics, Signature
from wakesim.progress import Progress
from wakesim.traffic.scene import field_settings, prepare_scene

_OWN_STRETCH = 4.0  # the hours shown by themselves are simulated longer than those of a year
_LOAD_YEARS = 10  # of drawn winds behind the coverage of a load


@dataclass(frozen=True)
class WindYield:
    """Mean electrical power of a weekday in one wind of the year, W; ``wind`` None is still air."""

    wind: Wind | None
    probability: float
    with_traffic_w: float
    without_traffic_w: float


@dataclass(frozen=True)
class EnergyResult:
    """The energy of one mount.

    ``power`` holds the 24 hours of a weekday in the case's own air, ``effective_speed_m_s`` is that
    of such a day. ``year`` is the electrical energy of every hour with the rotor's response in the
    winds of the year, ``annual_kwh`` the year by response, ``case_air_kwh`` the year if the air
    were always that of the case. ``loads`` are those of each class in its nearest lane,
    ``gust_cycles_a_year`` counts all passes. ``row_factor`` is a lower estimate of the row's mutual
    shading and ``row_kwh`` the row's year without any.
    """

    rotor: Rotor
    density_kg_m3: float
    effective_speed_m_s: float
    power: HourlyPower
    year: YearYield
    annual_kwh: dict[str, float]
    case_air_kwh: float
    by_wind: tuple[WindYield, ...]
    bounds: Bounds
    coverage: Coverage | None
    row_factor: float | None
    row_kwh: float | None
    claim: ClaimCheck | None
    loads: tuple[PassLoad, ...]
    gust_cycles_a_year: float
    case_wind: Wind | None
    shaft_speed_given: bool
    uncertainty: YieldUncertainty | None = None


def energy_study(
    case: Case,
    mount: Mount,
    density_kg_m3: float,
    statistics: MountStatistics,
    signatures: tuple[Signature, ...],
    progress: Progress,
) -> EnergyResult:
    """Everything the energy tables of a case ask for at one mount.

    ``statistics`` are those of the hours that the case simulates; energies are those of whole days,
    and where the hours are fewer, the effective speed is scaled to a whole day. The claim is
    checked once all else is known (``claim_check``).
    """
    table = case.energy or EnergyTable()
    settings = coarse(field_settings(case))
    rotor_power = MountPower(
        case, mount, rotor_of(case, mount), density_kg_m3, table.sample_per_hour_s
    )
    own = rotor_power.with_traffic(case.air.wind, longer=_OWN_STRETCH)
    rotor = rotor_power.rotor
    alone = 0.0 if case.air.wind is None else rotor_power.without_traffic(case.air.wind).mean_w
    year = _Year(rotor_power, table, own, alone, progress)
    bounds = bounds_at(
        rotor_power.case, mount, settings, density_kg_m3, own.mean_effective_speed_m_s,
        (own.mean_w - alone) / rotor.conversion,
        DEFAULT_SPACING_M if table.row is None else table.row.spacing_m,
    )  # fmt: skip
    scale, simulated = 1.0, statistics.effective_speed_m_s
    if case.compute.duration_h < 24.0 and simulated > 0.0:
        scale = own.mean_effective_speed_m_s / simulated
    effective = scale * simulated
    return EnergyResult(
        rotor=rotor,
        density_kg_m3=density_kg_m3,
        effective_speed_m_s=effective,
        power=own,
        year=year.walked,
        annual_kwh=year.by_response,
        case_air_kwh=year.case_air_kwh,
        by_wind=year.by_wind,
        bounds=bounds,
        coverage=None if table.load is None else year.covered(table.load),
        row_factor=None
        if table.row is None
        else yields.row_factor(table.row.count, table.row.spacing_m, rotor.area_m2),
        row_kwh=None if table.row is None else year.walked.annual_kwh * table.row.count,
        claim=None,
        loads=_loads(case, mount, density_kg_m3, rotor, signatures),
        gust_cycles_a_year=3600.0
        * HOURS_A_YEAR
        * float(prepare_scene(rotor_power.case, mount).rates_per_s.mean(axis=0).sum()),
        case_wind=case.air.wind,
        shaft_speed_given=case.rotor is not None and case.rotor.shaft_speed_rpm is not None,
    )


def claim_check(
    case: Case, mount: Mount, statistics: MountStatistics, energy: EnergyResult
) -> ClaimCheck | None:
    """The figures of [claim] against the mount's own result; None without that table."""
    if case.claim is None:
        return None
    effective, simulated = energy.effective_speed_m_s, statistics.effective_speed_m_s
    scale = effective / simulated if simulated > 0.0 else 1.0
    low, high = (scale * end for end in statistics.model_interval_m_s)
    known = math.isfinite(low) and math.isfinite(high)
    place = Place(
        f"the mount {mount.name}", effective, low if known else None, high if known else None,
        drag_power_w_m=energy.bounds.drag_power_w_m, wake_power_w_m=energy.bounds.wake_power_w_m,
        gust_m_s=statistics.gust_peak_m_s, density_kg_m3=energy.density_kg_m3,
    )  # fmt: skip
    drawn = None if energy.uncertainty is None else energy.uncertainty.energy
    ends = (None, None) if drawn is None else (drawn.p90, drawn.p10)
    year = energy.year.annual_kwh
    place = place.with_energy(year, energy.rotor.area_m2, energy.case_air_kwh, *ends)
    return check_claim(Claim(**case.claim.figures), place)


class _Year:
    """Power by day type, clock hour and wind, and the year that it makes."""

    def __init__(
        self,
        rotor_power: MountPower,
        table: EnergyTable,
        own: HourlyPower,
        alone_w: float,
        progress: Progress,
    ) -> None:
        self.table, self.seed = (
            table,
            rotor_power.case.traffic.seed if rotor_power.case.traffic else 0,
        )
        self.winds: Winds
        self.winds, self.probability = year_winds(rotor_power.case, table)
        self.days = (
            WEEKDAY,
            Day(table.saturday_flow, table.saturday_heavy),
            Day(table.sunday_flow, table.sunday_heavy),
        )
        self.rotor = rotor_power.rotor
        self.hours = yields.year_hours(table.year)
        case_wind = rotor_power.case.air.wind
        known: dict[tuple[Wind | None, Day], HourlyPower] = {(case_wind, WEEKDAY): own}
        count = len(self.winds)
        power = {name: np.zeros((3, 24, count)) for name in own.electrical_w}
        alone = np.zeros(count)
        for w, wind in enumerate(self.winds):
            for d, day in enumerate(self.days):
                if (wind, day) not in known:
                    known[wind, day] = rotor_power.with_traffic(wind, day)
                for name, hourly in known[wind, day].electrical_w.items():
                    power[name][d, :, w] = hourly
            if wind is not None:
                own_air = wind == case_wind
                alone[w] = alone_w if own_air else rotor_power.without_traffic(wind).mean_w
            progress((w + 1) / count, f"energy, wind {w + 1} of {count}")
        self._power, self._alone = power[self.rotor.response], alone
        self.walked = self._walk(self._power, alone)
        self.by_response = {
            name: self._walk(values, alone).annual_kwh for name, values in power.items()
        }
        self.by_wind = tuple(
            WindYield(wind, float(p), float(self._power[0, :, w].mean()), float(alone[w]))
            for w, (wind, p) in enumerate(zip(self.winds, self.probability, strict=True))
        )
        self.case_air_kwh = self._in_air_of(case_wind, known, rotor_power)

    def _walk(self, power: Array, alone: Array) -> YearYield:
        return yields.year_yield(
            self.hours, power, alone, wind_probability=self.probability,
            standby_w=self.rotor.standby_w,
        )  # fmt: skip

    def _in_air_of(
        self,
        wind: Wind | None,
        known: dict[tuple[Wind | None, Day], HourlyPower],
        rotor_power: MountPower,
    ) -> float:
        """The year, kWh, if the air were always that of the case."""
        rows = []
        for day in self.days:
            if (wind, day) not in known:
                known[wind, day] = rotor_power.with_traffic(wind, day)
            rows.append(known[wind, day].chosen_w)
        return yields.year_yield(self.hours, np.array(rows)[..., None], np.zeros(1)).annual_kwh

    def covered(self, load: LoadTable) -> Coverage:
        """How well a load is met, in winds drawn in spells."""
        years = 1 if self.probability.size == 1 else _LOAD_YEARS
        hour = np.tile(self.hours.hour, years)
        wind = wind_of_hours(self.probability, hour.size, self.table.wind_spell_h, self.seed)
        made = self._power[np.tile(self.hours.day_type, years), hour, wind] - self.rotor.standby_w
        needed = yields.load_of_hours(load, hour)
        found = yields.coverage(made, needed, 1000.0 * load.battery_kwh, load.battery_efficiency)
        return replace(
            found,
            load_kwh=found.load_kwh / years,
            met_kwh=found.met_kwh / years,
            spilled_kwh=found.spilled_kwh / years,
            lost_kwh=found.lost_kwh / years,
        )


def _loads(
    case: Case, mount: Mount, density: float, rotor: Rotor, signatures: tuple[Signature, ...]
) -> tuple[PassLoad, ...]:
    """One load history for each class, in the lane where it passes nearest."""
    scene = prepare_scene(whole_day(case), mount)
    settings = field_settings(case)
    lanes = {lane.centre_m: lane.name for lane in case.road.lanes}
    found = []
    for one in signatures:
        for k, view in enumerate(scene.views):
            if view.vehicle.name == one.vehicle and lanes[view.lane_centre_m] == one.lane:
                pressure = pressure_history(view, mount, settings, density, one.time_s)
                rate = float(scene.rates_per_s[:, k].mean())
                area = DRAG_AREA_SHARE * rotor.area_m2
                found.append(pass_load(one, pressure, area, density, rate))
                break
    return tuple(found)
