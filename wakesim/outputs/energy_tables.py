"""Tables and summary of the energy of the mounts."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

from wakesim.energy.claims import claim_record
from wakesim.energy.rotor import RESPONSES

if TYPE_CHECKING:
    from wakesim.energy.study import EnergyResult
    from wakesim.energy.uncertainty import Percentiles, Ranking
    from wakesim.results import MountResult, Result

HOURS = (
    ("mount", "name of the mount"),
    ("hour", "h, clock hour of a weekday in the air of the case, its beginning"),
    ("available_w", "W, energy flux through the swept area"),
    ("inertial_w", "W, electrical power with inertia"),
    ("quasi_steady_w", "W, electrical power without inertia"),
    ("fixed_speed_w", "W, electrical power at a fixed shaft speed"),
    ("effective_speed_m_s", "m/s, cube root of the mean cubed rotor-equivalent speed"),
    ("captured_speed_m_s", "m/s, steady speed that would generate as much as the rotor's response"),
)
WINDS = (
    ("mount", "name of the mount"),
    ("speed_m_s", "m/s, ambient wind at its reference height, 0 in still air"),
    ("angle_deg", "deg, direction it blows to: 0 along +x"),
    ("share", "1, share of the year"),
    ("with_traffic_w", "W, mean electrical power of a weekday"),
    ("without_traffic_w", "W, the same wind without traffic"),
)
MONTHS = (
    ("mount", "name of the mount"),
    ("month", "1 to 12"),
    ("with_traffic_kwh", "kWh, electrical, before standby use"),
    ("without_traffic_kwh", "kWh, the ambient wind alone"),
    ("net_kwh", "kWh, with traffic less standby use"),
)
LOADS = (
    ("mount", "name of the mount"),
    ("vehicle", "vehicle class"),
    ("lane", "lane, the nearest that the class drives in"),
    ("pressure_peak_to_peak_pa", "Pa, pulse in free air, indicative"),
    ("dynamic_pressure_pa", "Pa, largest, of the moving air, indicative"),
    ("largest_force_n", "N, on rotor and post as a closed plate, indicative"),
    ("passes_a_year", "passes of this class in this lane"),
)


def hour_rows(_: Result, mount: MountResult) -> Iterator[tuple[Any, ...]]:
    """Rows of energy-hours.csv."""
    if mount.energy is not None:
        p = mount.energy.power
        columns = (
            range(24), p.available_w,
            *(p.electrical_w.get(name, np.full(24, np.nan)) for name in RESPONSES),
            p.effective_speed_m_s, p.captured_speed_m_s,
        )  # fmt: skip
        for row in zip(*columns, strict=True):
            yield (mount.mount.name, *row)


def month_rows(_: Result, mount: MountResult) -> Iterator[tuple[Any, ...]]:
    """Rows of energy-months.csv."""
    if mount.energy is not None:
        year = mount.energy.year
        month = year.hours.month - 1
        alone = 1e-3 * np.bincount(month, year.without_traffic_wh, minlength=12)
        net = 1e-3 * np.bincount(month, year.net_wh, minlength=12)
        for k, row in enumerate(zip(year.monthly_kwh(), alone, net, strict=True), start=1):
            yield (mount.mount.name, k, *row)


def wind_rows(_: Result, mount: MountResult) -> Iterator[tuple[Any, ...]]:
    """Rows of energy-winds.csv."""
    for row in mount.energy.by_wind if mount.energy is not None else ():
        wind = row.wind
        speed, angle = (0.0, 0.0) if wind is None else (wind.speed_m_s, wind.angle_deg)
        yield (
            mount.mount.name, speed, angle, row.probability, row.with_traffic_w,
            row.without_traffic_w,
        )  # fmt: skip


def load_rows(_: Result, mount: MountResult) -> Iterator[tuple[Any, ...]]:
    """Rows of mount-loads.csv."""
    for load in mount.energy.loads if mount.energy is not None else ():
        yield (
            mount.mount.name, load.vehicle, load.lane, load.peak_pressure_pa,
            load.peak_dynamic_pressure_pa, load.peak_force_n, load.cycles_a_year,
        )  # fmt: skip


def sample_columns(mount: MountResult) -> tuple[tuple[str, str], ...]:
    """Columns of yield-samples.csv; the inputs are those of the mount's own samples."""
    assert mount.energy is not None
    assert mount.energy.uncertainty is not None
    inputs = tuple(
        (p.name.replace(" ", "_"), f"{p.low:g} to {p.high:g}, {p.scale}; {p.origin}")
        for p in mount.energy.uncertainty.parameters
    )
    outputs = (
        ("effective_speed_m_s", "m/s"), ("annual_kwh", "kWh, the year in the air of the case"),
    )  # fmt: skip
    return (("mount", "name of the mount"), *inputs, *outputs)


def sample_rows(_: Result, mount: MountResult) -> Iterator[tuple[Any, ...]]:
    """Rows of yield-samples.csv."""
    if mount.energy is not None and mount.energy.uncertainty is not None:
        u = mount.energy.uncertainty
        for inputs, outputs in zip(u.values, u.outputs, strict=True):
            yield (mount.mount.name, *inputs, *outputs)


def energy_summary(energy: EnergyResult | None) -> dict[str, Any] | None:
    """The ``energy`` object of a mount in summary.json; None without a rotor."""
    if energy is None:
        return None
    e, year, bounds = energy, energy.year, energy.bounds
    best_ratio, best = e.rotor.curve.best
    return {
        "rotor": {
            "name": e.rotor.name,
            "area_m2": e.rotor.area_m2,
            "response": e.rotor.response,
            "best_power_coefficient": best,
            "best_tip_speed_ratio": best_ratio,
            "inertia_kg_m2": e.rotor.inertia,
            "shaft_speed_rad_s": e.rotor.shaft_speed_rad_s,
            "rated_power_w": _number(e.rotor.rated_power_w),
            "conversion_efficiency": e.rotor.conversion,
            "standby_w": e.rotor.standby_w,
            "power_curve": _curve(e),
            "source": e.rotor.source,
        },
        "weekday_effective_speed_m_s": e.effective_speed_m_s,
        "annual_kwh": year.annual_kwh,
        "annual_kwh_by_response": dict(e.annual_kwh),
        "annual_kwh_in_the_air_of_the_case": e.case_air_kwh,
        "annual_without_traffic_kwh": year.annual_without_traffic_kwh,
        "annual_added_by_traffic_kwh": year.added_by_traffic_kwh,
        "annual_net_of_standby_kwh": year.annual_net_kwh,
        "mean_daily_kwh": year.annual_kwh / (year.hours.hour.size / 24.0),
        "monthly_kwh": year.monthly_kwh().tolist(),
        "capture_ratio": _number(e.power.capture_ratio(e.rotor.response)),
        "winds": [
            {
                "speed_m_s": 0.0 if row.wind is None else row.wind.speed_m_s,
                "angle_deg": None if row.wind is None else row.wind.angle_deg,
                "share": row.probability,
                "with_traffic_w": row.with_traffic_w,
                "without_traffic_w": row.without_traffic_w,
            }
            for row in e.by_wind
        ],
        "bounds": {
            "betz_mean_w": bounds.betz_w,
            "drag_power_w_m": bounds.drag_power_w_m,
            "wake_power_w_m": bounds.wake_power_w_m,
            "spacing_m": bounds.spacing_m,
            "traffic_shaft_w": bounds.traffic_shaft_w,
            "drag_share": _number(bounds.drag_share),
            "wake_share": _number(bounds.wake_share),
            "added_diesel_litres_a_year": bounds.road_load.diesel_litres,
            "added_charge_kwh_a_year": bounds.road_load.electric_kwh,
        },
        "load": None
        if e.coverage is None
        else {
            "load_kwh": e.coverage.load_kwh,
            "energy_share": e.coverage.energy_share,
            "load_hour_share": e.coverage.load_hour_share,
        },
        "row": None
        if e.row_kwh is None
        else {"annual_kwh_at_most": e.row_kwh, "lower_estimate_factor": e.row_factor},
        "gust_cycles_a_year": e.gust_cycles_a_year,
        "uncertainty": _uncertainty(e),
        "claim": None if e.claim is None else claim_record(e.claim),
    }


def _curve(e: EnergyResult) -> list[list[float]] | None:
    curve = e.rotor.power_curve
    return None if curve is None else np.column_stack([curve.speed_m_s, curve.power_w]).tolist()


def _uncertainty(e: EnergyResult) -> dict[str, Any] | None:
    u = e.uncertainty
    if u is None:
        return None
    return {
        "samples": u.samples,
        "failed": u.failed,
        "effective_speed_m_s": _percentiles(u.speed),
        "annual_kwh": _percentiles(u.energy),
        "effective_speed_ranking": _ranking(u.speed_ranking),
        "annual_kwh_ranking": _ranking(u.energy_ranking),
    }


def _percentiles(p: Percentiles) -> dict[str, float]:
    return {"p90": p.p90, "p50": p.p50, "p10": p.p10, "mean": p.mean, "sd": p.sd}


def _ranking(r: Ranking) -> dict[str, Any]:
    rows = [{"input": n, "first_order": f, "total": t} for n, f, t in r.ordered()]
    return {"explained": r.explained, "trusted": r.trusted, "inputs": rows}


def _number(value: float) -> float | None:
    return value if math.isfinite(value) else None
