"""The energy in result.h5: power by hour and wind, the months, percentiles and rankings.

Dimensions: ``weekday_hour``, ``month``, ``response``, ``year_wind``; with an uncertain yield also
``exceedance`` and ``uncertain_input``. The samples themselves are in yield-samples.csv.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from wakesim.energy.rotor import RESPONSES
from wakesim.outputs.netcdf import NetcdfWriter

if TYPE_CHECKING:
    from wakesim.energy.study import EnergyResult
    from wakesim.results import Result

_MEAN = "time: mean"
_EXCEEDANCE = ("p90", "p50", "p10")
_HOURLY = (
    ("available_w", "energy_flux", "W", "kinetic energy flux through the swept area"),
    ("effective_speed_m_s", "energy_effective_speed", "m s-1", "effective speed of the hour"),
    (
        "captured_speed_m_s",
        "captured_speed",
        "m s-1",
        "steady speed that would generate as much as the rotor's response",
    ),
)


def write_energy(file: NetcdfWriter, result: Result) -> None:
    """Write the energy of all mounts; each must have one."""
    found = [mount.energy for mount in result.mounts if mount.energy is not None]
    one: dict[str, Any] = {"units": "1"}
    file.coordinate(
        "weekday_hour", np.arange(24, dtype=np.int32), units="h",
        long_name="clock hour of a weekday, its beginning",
    )  # fmt: skip
    file.coordinate("month", np.arange(1, 13, dtype=np.int32), long_name="month", **one)
    file.coordinate("response", list(RESPONSES), long_name="how the rotor answers gusts", **one)
    _write_hours(file, found)
    _write_year(file, found)
    _write_winds(file, found)
    if all(energy.uncertainty is not None for energy in found):
        _write_uncertainty(file, found)


def _write_hours(file: NetcdfWriter, found: list[EnergyResult]) -> None:
    for key, name, units, long_name in _HOURLY:
        values = np.array([getattr(e.power, key) for e in found])
        text = f"{long_name}, air of the case"
        file.variable(
            name, ["mount", "weekday_hour"], values, units=units, long_name=text, cell_methods=_MEAN
        )
    power = np.full((len(found), len(RESPONSES), 24), np.nan)
    for i, energy in enumerate(found):
        for name, values in energy.power.electrical_w.items():
            power[i, RESPONSES.index(name)] = values
    file.variable(
        "electrical_power", ["mount", "response", "weekday_hour"], power, units="W",
        long_name="electrical power before standby use, air of the case", cell_methods=_MEAN,
    )  # fmt: skip


def _write_year(file: NetcdfWriter, found: list[EnergyResult]) -> None:
    annual = np.array([[e.annual_kwh.get(name, np.nan) for name in RESPONSES] for e in found])
    file.variable(
        "annual_energy", ["mount", "response"], annual, units="kWh",
        long_name="electrical energy of the year in its winds, before standby use",
    )  # fmt: skip
    chosen = [e.rotor.response for e in found]
    file.variable(
        "rotor_response", ["mount"], chosen, units="1",
        long_name="response that the figures of month and wind hold for",
    )  # fmt: skip
    for key, long_name in (
        ("annual_without_traffic_kwh", "the same without traffic"),
        ("annual_net_kwh", "with traffic, less standby use"),
    ):
        name = key.removesuffix("_kwh").replace("annual", "annual_energy")
        values = [getattr(e.year, key) for e in found]
        file.variable(name, ["mount"], values, units="kWh", long_name=long_name)
    monthly = np.array([e.year.monthly_kwh() for e in found])
    file.variable(
        "monthly_energy", ["mount", "month"], monthly, units="kWh",
        long_name="electrical energy of each month, before standby use",
    )  # fmt: skip


def _write_winds(file: NetcdfWriter, found: list[EnergyResult]) -> None:
    rows = found[0].by_wind  # the winds of the year are the same at every mount
    file.dimension("year_wind", len(rows))
    still = [(0.0, 0.0) if r.wind is None else (r.wind.speed_m_s, r.wind.angle_deg) for r in rows]
    speed, angle = np.array(still).T
    for name, values, units, long_name in (
        ("year_wind_speed", speed, "m s-1", "ambient wind at its reference height, 0: still air"),
        ("year_wind_angle", angle, "degree", "direction it blows to, from +x towards +y"),
        ("year_wind_share", [r.probability for r in rows], "1", "share of the year"),
    ):
        file.variable(
            name, ["year_wind"], np.asarray(values, float), units=units, long_name=long_name
        )
    for key, name, words in (
        ("with_traffic_w", "wind_power", "with traffic"),
        ("without_traffic_w", "wind_power_without_traffic", "without traffic"),
    ):
        values = np.array([[getattr(r, key) for r in e.by_wind] for e in found])
        file.variable(
            name, ["mount", "year_wind"], values, units="W",
            long_name=f"electrical power of a weekday, {words}", cell_methods=_MEAN,
        )  # fmt: skip


def _write_uncertainty(file: NetcdfWriter, found: list[EnergyResult]) -> None:
    known = [e.uncertainty for e in found if e.uncertainty is not None]
    share = np.array([90.0, 50.0, 10.0])
    file.coordinate(
        "exceedance", share, units="percent", long_name="share of samples that exceed the value"
    )
    names = list(known[0].speed_ranking.names)
    file.coordinate("uncertain_input", names, units="1", long_name="uncertain input")
    for key, name, units, words in (
        ("speed", "effective_speed", "m s-1", "effective speed"),
        ("energy", "annual_energy", "kWh", "energy of a year in the air of the case"),
    ):
        values = np.array([[getattr(getattr(u, key), p) for p in _EXCEEDANCE] for u in known])
        file.variable(
            f"{name}_percentile", ["mount", "exceedance"], values, units=units,
            long_name=f"{words}, all uncertain inputs at once",
        )  # fmt: skip
        for index in ("first_order", "total"):
            shares = np.array([getattr(getattr(u, f"{key}_ranking"), index) for u in known])
            file.variable(
                f"{name}_{index}_index", ["mount", "uncertain_input"], shares, units="1",
                long_name=f"{index.replace('_', ' ')} share of the variance of the {words}",
            )  # fmt: skip
