"""A year of one rotor from the air of its hours: energy, what traffic adds, load, row, claim."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from wakesim import constants
from wakesim.arrays import Array, Index
from wakesim.case.energy import EnergyTable
from wakesim.case.mounts import Mount
from wakesim.case.schema import Case
from wakesim.energy import yields
from wakesim.energy.hourly_power import rotor_of
from wakesim.energy.rotor import Rotor
from wakesim.energy.uncertainty import Percentiles
from wakesim.energy.year_hours import HoursOfYear
from wakesim.energy.yields import Served

MONTHS = 12


@dataclass(frozen=True)
class MonthOfLoad:
    """How a load fares in one month: kWh asked for and met, hours with a load, and those of them
    not served in full."""

    month: int
    load_kwh: float
    met_kwh: float
    load_hours: int
    unserved_hours: int


@dataclass(frozen=True)
class MountYear:
    """A year of the rotor at one mount.

    Arrays (hours,): ``effective_speed_m_s`` with traffic, ``ambient_speed_m_s`` of the wind alone,
    and between ``low_m_s`` and ``high_m_s`` what the model leaves open; ``with_traffic_w`` and
    ``without_traffic_w``, mean electrical power before losses and standby; ``net_w`` with traffic,
    times availability, less losses and standby. ``percentiles`` of the annual net energy, kWh, by
    cause, empty where no years were drawn. ``interpolation`` (checked,): relative errors of the
    effective speed at hours that were interpolated and computed.
    """

    mount: Mount
    rotor: Rotor
    month: Index
    effective_speed_m_s: Array
    ambient_speed_m_s: Array
    low_m_s: Array
    high_m_s: Array
    with_traffic_w: Array
    without_traffic_w: Array
    net_w: Array
    percentiles: Mapping[str, Percentiles]
    interpolation: Array
    load: tuple[MonthOfLoad, ...]
    row_factor: float | None
    row_kwh: float | None

    def of(self, mount: Mount) -> MountYear:
        """The same year at a mount of another name."""
        return replace(self, mount=mount)

    @property
    def mean_effective_speed_m_s(self) -> float:
        """Effective speed of all hours together."""
        return float(np.cbrt(np.mean(self.effective_speed_m_s**3)))

    @property
    def model_interval_m_s(self) -> tuple[float, float]:
        """Ends of the model interval of the effective speed of all hours together."""
        low, high = (float(np.cbrt(np.mean(v**3))) for v in (self.low_m_s, self.high_m_s))
        return low, high

    @property
    def missed(self) -> dict[str, float] | None:
        """How far interpolation misses the effective speed of an hour, relative: number of hours,
        median, ninth decile and largest; None where every hour was computed."""
        error = np.abs(self.interpolation)
        if not error.size:
            return None
        median, p90 = np.quantile(error, [0.5, 0.9])
        return {
            "hours": error.size,
            "median": float(median),
            "p90": float(p90),
            "largest": float(error.max()),
        }

    @property
    def annual_kwh(self) -> float:
        """With traffic, before losses and standby."""
        return 1e-3 * float(self.with_traffic_w.sum())

    @property
    def annual_without_traffic_kwh(self) -> float:
        """What the wind alone would give, before losses and standby."""
        return 1e-3 * float(self.without_traffic_w.sum())

    @property
    def added_by_traffic_kwh(self) -> float:
        """With traffic minus without; negative where traffic takes away."""
        return self.annual_kwh - self.annual_without_traffic_kwh

    @property
    def annual_net_kwh(self) -> float:
        """With traffic, after availability, losses and standby."""
        return 1e-3 * float(self.net_w.sum())

    @property
    def unserved_hours(self) -> int:
        """Hours in which the load was not served in full."""
        return sum(month.unserved_hours for month in self.load)

    def monthly_kwh(self, power_w: Array) -> Array:
        """Energy of a power (hours,) by month, (12,)."""
        return 1e-3 * np.bincount(self.month - 1, power_w, minlength=MONTHS)


def net_power(case: Case, rotor: Rotor, power_w: Array) -> Array:
    """What is left of an electrical power, W, after availability, losses and standby."""
    assert case.year is not None
    kept = case.year.availability * (1.0 - case.year.losses)
    return np.asarray(kept * power_w - rotor.standby_w)


def months_of_load(
    hours: HoursOfYear, energy: EnergyTable, net_w: Array
) -> tuple[MonthOfLoad, ...]:
    """How the load of [energy] fares in each month; none without a load."""
    if energy.load is None:
        return ()
    load = energy.load
    needed = yields.load_of_hours(load, hours.clock_hour)
    found: Served = yields.served(net_w, needed, 1000.0 * load.battery_kwh, load.battery_efficiency)
    out = []
    for month in np.unique(hours.month):
        mine = hours.month == month
        asked = float(needed[mine].sum())
        out.append(
            MonthOfLoad(
                month=int(month),
                load_kwh=1e-3 * asked,
                met_kwh=1e-3 * (asked - float(found.missing_wh[mine].sum())),
                load_hours=int(np.count_nonzero(needed[mine])),
                unserved_hours=int(np.count_nonzero(mine & ~found.whole & (needed > 0.0))),
            )
        )
    return tuple(out)


def coefficient_range(case: Case, mount: Mount) -> tuple[float, float]:
    """The range of the rotor's power coefficient over its own (of a power curve, of its factor)."""
    if case.power_curve is not None:
        return constants.POWER_CURVE.ends
    rotor = rotor_of(case, mount)
    best = rotor.curve.best[1]
    low, high = constants.POWER_COEFFICIENT.ends
    if rotor.power_coefficient_range is not None:
        low, high = (end / best for end in rotor.power_coefficient_range)
    return min(low, 1.0), max(high, 1.0)
