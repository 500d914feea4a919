"""A year of a rotor: its winds and hours, with and without traffic, loads covered, rotors in a row.

A state is a clock hour of a day type in one wind; its mean electrical power comes from the rotor's
response to the computed air (``hourly_power``). A year is a walk through its hours: each takes the
power of its state, averaged over the winds with their probabilities, or of the wind that blew in
that hour.

The winds of a year are a list, or a Weibull wind alike from all directions taken at its Gauss nodes
(wakesim.air.weibull); what the shares leave is still air. Their order matters to a load alone: each
hour keeps the wind of the hour before, or, once in ``spell_h`` hours on average, draws a new one by
the shares, so that spells are geometric and the shares hold in the long run.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from numpy.typing import ArrayLike

from wakesim import constants
from wakesim.air import weibull
from wakesim.arrays import Array, Index, Mask
from wakesim.case.air import OPEN_LAND
from wakesim.case.energy import EnergyTable, LoadTable
from wakesim.case.schema import Case, Wind

DAY_TYPES = ("weekday", "saturday", "sunday")
ROSE_SPEEDS, ROSE_DIRECTIONS = 3, 8

Winds = tuple[Wind | None, ...]


def year_winds(case: Case, table: EnergyTable) -> tuple[Winds, Array]:
    """(winds, probabilities) of the year, None for still air; the case's own air by default.

    Height and profile are those of the case's wind; without one, 10 m over open land.
    """
    if table.wind_rose is not None:
        rose = table.wind_rose
        scale = rose.mean_speed_m_s / float(weibull.moment(1, 1.0, rose.shape))
        speed, share = weibull.nodes(ROSE_SPEEDS, rose.shape)
        angles = 360.0 / ROSE_DIRECTIONS * np.arange(ROSE_DIRECTIONS)
        found = [
            (float(scale * s), float(a), float(p) / ROSE_DIRECTIONS)
            for a in angles
            for s, p in zip(speed, share, strict=True)
        ]
    elif table.winds:
        found = [(w.speed_m_s, w.angle_deg, w.share) for w in table.winds]
    else:
        return (case.air.wind,), np.ones(1)
    model = case.air.wind or OPEN_LAND
    calm = {"turbulence_intensity": table.turbulence_intensity}
    winds: list[Wind | None] = [
        model.model_copy(update=calm | {"speed_m_s": s, "angle_deg": a}) for s, a, _ in found
    ]
    shares = [p for _, _, p in found]
    if sum(shares) < 1.0 - 1e-9:
        winds.append(None)
        shares.append(1.0 - sum(shares))
    probability = np.array(shares)
    return tuple(winds), probability / probability.sum()


def wind_of_hours(probability: Array, hours: int, spell_h: float, seed: int) -> Index:
    """Number of the wind in each of ``hours`` hours, drawn in spells; the same for the same seed.

    Raises ValueError for a spell below one hour.
    """
    if not spell_h >= 1.0:
        raise ValueError("a spell of wind must last at least 1 h")
    rng = np.random.default_rng(seed)
    drawn = rng.choice(probability.size, size=hours, p=probability)
    new = rng.random(hours) < 1.0 / spell_h
    new[0] = True
    last = np.maximum.accumulate(np.where(new, np.arange(hours), 0))
    return drawn[last]


@dataclass(frozen=True)
class YearHours:
    """Month (1 to 12), day of the year (from 0), day type (index of DAY_TYPES) and clock hour."""

    month: Index
    day: Index
    day_type: Index
    hour: Index


def year_hours(year: int) -> YearHours:
    """The hours of a calendar year, in order; public holidays are not known."""
    first = date(year, 1, 1)
    days = [first + timedelta(days=k) for k in range((date(year + 1, 1, 1) - first).days)]
    kind = [0 if d.weekday() < 5 else d.weekday() - 4 for d in days]
    return YearHours(
        month=np.repeat([d.month for d in days], 24),
        day=np.repeat(np.arange(len(days)), 24),
        day_type=np.repeat(kind, 24),
        hour=np.tile(np.arange(24), len(days)),
    )


@dataclass(frozen=True)
class YearYield:
    """Electrical energy of one rotor in every hour of a year, Wh, (n,).

    ``with_traffic`` and ``without_traffic`` are before standby use, ``standby_w`` is drawn always.
    """

    hours: YearHours
    with_traffic_wh: Array
    without_traffic_wh: Array
    standby_w: float

    @property
    def net_wh(self) -> Array:
        """With traffic, less standby use (negative where the electronics draw more)."""
        return self.with_traffic_wh - self.standby_w

    @property
    def annual_kwh(self) -> float:
        """With traffic, before standby use."""
        return 1e-3 * float(self.with_traffic_wh.sum())

    @property
    def annual_without_traffic_kwh(self) -> float:
        """What the ambient wind alone would give."""
        return 1e-3 * float(self.without_traffic_wh.sum())

    @property
    def added_by_traffic_kwh(self) -> float:
        """With traffic minus without; negative where traffic takes away."""
        return self.annual_kwh - self.annual_without_traffic_kwh

    @property
    def annual_net_kwh(self) -> float:
        """With traffic, less standby use."""
        return 1e-3 * float(self.net_wh.sum())

    def monthly_kwh(self) -> Array:
        """With traffic, before standby use, (12,)."""
        return 1e-3 * np.bincount(self.hours.month - 1, self.with_traffic_wh, minlength=12)

    def daily_kwh(self) -> Array:
        """With traffic, before standby use, (days,)."""
        return 1e-3 * np.bincount(self.hours.day, self.with_traffic_wh)


def year_yield(
    hours: YearHours,
    power_w: ArrayLike,
    power_without_w: ArrayLike,
    wind_of_hour: ArrayLike | None = None,
    wind_probability: ArrayLike | None = None,
    standby_w: float = 0.0,
) -> YearYield:
    """Walk through the hours.

    ``power_w`` (day types, 24, winds) is the mean electrical power of each state with traffic,
    ``power_without_w`` (winds,) without. Either ``wind_of_hour`` (n,) numbers the wind of every
    hour, or ``wind_probability`` (winds,) weighs them in every hour alike. Raises ValueError for
    shapes that do not fit, powers that are negative, or probabilities that do not sum to one.
    """
    power = np.asarray(power_w, dtype=np.float64)
    alone = np.asarray(power_without_w, dtype=np.float64)
    winds = alone.size
    if power.shape != (len(DAY_TYPES), 24, winds) or alone.ndim != 1:
        raise ValueError("power_w must have shape (3, 24, winds) and power_without_w (winds,)")
    if not (np.all(power >= 0.0) and np.all(alone >= 0.0)):
        raise ValueError("powers must be at least 0 W")
    if wind_of_hour is not None:
        wind = np.asarray(wind_of_hour, dtype=np.int64)
        if wind.shape != hours.hour.shape or wind.min() < 0 or wind.max() >= winds:
            raise ValueError("every hour needs the number of its wind")
        found = power[hours.day_type, hours.hour, wind]
        return YearYield(hours, found, alone[wind], standby_w)
    share = (
        np.full(winds, 1.0 / winds) if wind_probability is None else np.asarray(wind_probability)
    )
    if share.shape != (winds,) or np.any(share < 0.0) or abs(share.sum() - 1.0) > 1e-9:
        raise ValueError("wind probabilities must be at least 0 and sum to one")
    found = (power @ share)[hours.day_type, hours.hour]
    return YearYield(hours, found, np.full(found.size, float(alone @ share)), standby_w)


@dataclass(frozen=True)
class Coverage:
    """How well a load is met. Shares 0..1; energies in kWh over the whole time.

    ``energy_share`` of the load that is met, ``hour_share`` of all hours without a shortfall,
    ``load_hour_share`` of the hours that have a load with all of it met, ``spilled`` energy that
    neither load nor battery took, ``lost`` in the battery.
    """

    load_kwh: float
    met_kwh: float
    spilled_kwh: float
    lost_kwh: float
    stored_kwh: float
    energy_share: float
    hour_share: float
    load_hour_share: float


@dataclass(frozen=True)
class Served:
    """A load met hour by hour: Wh that are ``missing`` in each hour (n,), and whether an hour is
    ``whole``, without any shortfall (n,); Wh over all hours that neither load nor battery took,
    that were lost in the battery, and that are stored at the end."""

    missing_wh: Array
    whole: Mask
    spilled_wh: float
    lost_wh: float
    stored_wh: float


def served(
    production_wh: ArrayLike,
    load_wh: ArrayLike,
    battery_wh: float = 0.0,
    round_trip_efficiency: float = constants.BATTERY_EFFICIENCY.value,
) -> Served:
    """Meet a load (n,) Wh from production (n,) Wh, hour by hour, with a battery empty at the start.

    Within an hour the load is served first, the rest charges the battery (half of the round trip's
    loss on the way in, half on the way out) until it is full. Negative production (standby) is an
    additional load. Raises ValueError for a negative load or battery, or an efficiency outside
    0..1.
    """
    production = np.asarray(production_wh, dtype=np.float64)
    load = np.asarray(load_wh, dtype=np.float64)
    if production.shape != load.shape or load.ndim != 1 or load.size == 0:
        raise ValueError("production and load need the same number of hours")
    if np.any(load < 0.0) or not battery_wh >= 0.0:
        raise ValueError("load and battery must be at least 0 Wh")
    if not 0.0 < round_trip_efficiency <= 1.0:
        raise ValueError("the round-trip efficiency must be above 0 and at most 1")
    one_way = round_trip_efficiency**0.5
    stored = spilled = lost = 0.0
    missing, whole = np.zeros(load.size), np.ones(load.size, dtype=bool)
    hours = zip((production - load).tolist(), load.tolist(), strict=True)
    for hour, (made, needed) in enumerate(hours):
        if made >= 0.0:
            charge = min(made, (battery_wh - stored) / one_way)
            stored += charge * one_way
            lost += charge * (1.0 - one_way)
            spilled += made - charge
            continue
        given = min(-made, stored * one_way)
        stored -= given / one_way
        lost += given * (1.0 / one_way - 1.0)
        short = -made - given
        missing[hour] = min(short, needed)
        whole[hour] = short <= 1e-9 * max(needed, 1.0)
    return Served(missing, whole, spilled, lost, stored)


def coverage(
    production_wh: ArrayLike,
    load_wh: ArrayLike,
    battery_wh: float = 0.0,
    round_trip_efficiency: float = constants.BATTERY_EFFICIENCY.value,
) -> Coverage:
    """How well a load is met; arguments and errors as of ``served``."""
    found = served(production_wh, load_wh, battery_wh, round_trip_efficiency)
    load = np.asarray(load_wh, dtype=np.float64)
    total = float(load.sum())
    met = total - float(found.missing_wh.sum())
    return Coverage(
        load_kwh=1e-3 * total,
        met_kwh=1e-3 * met,
        spilled_kwh=1e-3 * found.spilled_wh,
        lost_kwh=1e-3 * found.lost_wh,
        stored_kwh=1e-3 * found.stored_wh,
        energy_share=met / total if total > 0.0 else 1.0,
        hour_share=float(found.whole.mean()),
        load_hour_share=np.count_nonzero(found.whole & (load > 0.0))
        / max(np.count_nonzero(load), 1),
    )


def load_of_hours(load: LoadTable, clock_hour: Index) -> Array:
    """What a load draws in hours (n,), Wh, by their clock hours."""
    start, end = load.from_hour, load.to_hour
    hour = np.asarray(clock_hour)
    on = (hour >= start) & (hour < end) if start < end else (hour >= start) | (hour < end)
    hourly = 1000.0 * load.daily_kwh * hour.size / 24.0 / max(np.count_nonzero(on), 1)
    return np.where(on, hourly, 0.0)


def row_factor(
    count: int,
    spacing_m: float,
    area_m2: float,
    thrust_coefficient: float = constants.THRUST_COEFFICIENT.value,
) -> float:
    """Output of a row along the road over that of as many single rotors, a lower estimate, 0..1.

    As if all air moved along the row: each rotor meets the summed deficits of those before it,
    u_c/V = ln 2 C_T A/(2 pi r^2) with r^3 = 3 S (ln 2/2 pi) C_T A x, capped at the induced deficit
    1 - sqrt(1 - C_T), and gives the cube of what is left. Gusts of passing vehicles come from aside
    and are not shaded, so the true factor lies between this and 1; a vehicle's own air is not used
    twice by rotors whose spacing is many vehicle lengths. Momentum wake: Pope 2000, section 5.4.
    Raises ValueError for a count below 1, or figures that are not positive.
    """
    if count < 1 or not (spacing_m > 0.0 and area_m2 > 0.0 and 0.0 < thrust_coefficient < 1.0):
        raise ValueError("count, spacing, area and thrust coefficient must be positive")
    distance = spacing_m * np.arange(1, count)
    push = thrust_coefficient * area_m2
    radius = np.cbrt(
        3.0 * constants.ROTOR_WAKE_SPREAD.value * np.log(2.0) / (2.0 * np.pi) * push * distance
    )
    deficit = np.log(2.0) * push / (2.0 * np.pi * radius**2)
    most = 1.0 - np.sqrt(1.0 - thrust_coefficient)
    summed = np.concatenate([[0.0], np.cumsum(np.minimum(deficit, most))])
    left = np.maximum(1.0 - summed, 0.0)
    return float(np.mean(left**3))
