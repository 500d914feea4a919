"""Rows of the report's tables of the energy of a mount, and the words about its loads."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from wakesim.energy.loads import (
    AMBIENT_GUST_M_S,
    DRAG_AREA_SHARE,
    cycles_above,
    dynamic_pressure,
)
from wakesim.outputs.claim_words import energy
from wakesim.outputs.energy_words import a_day, response_words, wind_words
from wakesim.outputs.wording import number, significant

if TYPE_CHECKING:
    from wakesim.results import MountResult, Result

LOADS_NOTE = (
    "Indicative only, no design values. Pressure is that of the pulse in free air; the force takes "
    f"rotor and post as a closed plate with C_d = {DRAG_AREA_SHARE:g} of the swept area (assumed), "
    "in the mean motion plus two standard deviations of the turbulence. Wind and vehicle-gust "
    "loads, fatigue and passive safety of the post follow local codes, the road authority and "
    "licensed engineers."
)


def facts(mount: MountResult) -> list[tuple[str, str]]:
    """Rows of the report's table."""
    e = mount.energy
    if e is None:
        return []
    rotor = e.rotor
    ratio, best = rotor.curve.best
    rows = [
        ("rotor type", rotor.name),
        ("best power coefficient, at tip speed ratio", f"{best:.2f}, {ratio:g}"),
        ("swept area", f"{number(rotor.area_m2)} m²"),
        ("moment of inertia", f"{significant(rotor.inertia)} kg m²"),
        (
            "time constant at 1 m/s",
            f"{significant(rotor.time_constant_s(1.0, e.density_kg_m3), 2)} s",
        ),
        ("generator and converter", f"{100 * rotor.conversion:.0f} %"),
        ("standby use", f"{significant(rotor.standby_w, 2)} W"),
        ("energy of an average day", energy(a_day(e))),
    ]
    if rotor.power_curve is not None:
        rows[1:2] = [("power curve", f"{rotor.power_curve.speed_m_s.size} points of a file")]
        del rows[3:5]
    rows += [
        (f"energy of the year, {response_words(e, name)}", energy(kwh))
        for name, kwh in e.annual_kwh.items()
    ]
    return [
        *rows,
        ("without traffic", energy(e.year.annual_without_traffic_kwh)),
        ("added by the traffic", energy(e.year.added_by_traffic_kwh)),
        ("after standby use", energy(e.year.annual_net_kwh)),
        ("bound of Betz, mean of a weekday in the air of the case", f"{e.bounds.betz_w:.2g} W"),
        ("drag work of the traffic", f"{significant(e.bounds.drag_power_w_m)} W per metre of road"),
        (
            "energy of single wakes beyond the rotor's near edge",
            f"{significant(e.bounds.wake_power_w_m, 2)} W per metre of road",
        ),
    ]


def wind_rows(mount: MountResult) -> list[dict[str, Any]]:
    """One row a wind: share of the year, mean power of a weekday with and without traffic, W."""
    e = mount.energy
    if e is None or len(e.by_wind) < 2:
        return []
    return [
        {
            "wind": wind_words(row.wind),
            "share": row.probability,
            "with_w": row.with_traffic_w,
            "without_w": row.without_traffic_w,
        }
        for row in e.by_wind
    ]


def load_rows(mount: MountResult, result: Result) -> list[dict[str, Any]]:
    """One row a class: pressure peak to peak, dynamic pressure, largest force, passes a year."""
    e = mount.energy
    if e is None:
        return []
    return [
        {
            "label": result.case.vehicles[load.vehicle].label,
            "lane": load.lane,
            "pressure_pa": load.peak_pressure_pa,
            "dynamic_pa": load.peak_dynamic_pressure_pa,
            "force_n": load.peak_force_n,
            "cycles": load.cycles_a_year,
        }
        for load in e.loads
    ]


def load_sentences(mount: MountResult) -> list[str]:
    """Passing loads beside an ambient gust, and how often they come."""
    e = mount.energy
    if e is None or not e.loads:
        return []
    pressure = dynamic_pressure(AMBIENT_GUST_M_S, e.density_kg_m3)
    largest = max(load.peak_force_n for load in e.loads)
    storm = pressure * DRAG_AREA_SHARE * e.rotor.area_m2
    half = float(cycles_above(e.loads, [0.5 * largest])[0])
    return [
        f"For comparison, an ambient gust of {number(AMBIENT_GUST_M_S, 0)} m/s (assumed; the local "
        f"code sets it) has a dynamic pressure of {number(pressure, 0)} Pa and pushes with "
        f"{significant(storm, 2)} N on the same plate; the largest passing load here is "
        f"{significant(largest, 2)} N.",
        f"Each pass is one cycle: {_count(e.gust_cycles_a_year)} a year in all lanes, "
        f"{_count(half)} of them with at least half of that largest load (nearest lane of each "
        "class). Many small cycles matter to fatigue, single storms to strength.",
    ]


def _count(value: float) -> str:
    if value >= 1e6:
        return f"{significant(1e-6 * value, 2)} million"
    return f"{float(f'{value:.2g}'):.0f}"
