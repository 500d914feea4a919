"""Energy of a small rotor over a year of hourly counts and winds, read from a lookup table.

    .venv/bin/wakesim run cases/lookup-table.toml -o out/lookup-table     # some minutes, once
    .venv/bin/python cases/yearly-energy.py out/lookup-table/table.h5

Runs with what wakesim itself installs. Counts and winds of the year are invented; put your own in
their place. The energy is that of the air through the rotor times a stated power coefficient: no
inertia, no losses, no availability. ``[energy]`` in a traffic case does the rest.
"""

from __future__ import annotations

import sys

import numpy as np
import xarray

import wakesim

# The site: what does not change from hour to hour. Axes the table does not have are left out.
SITE = {"clearance_m": 3.5, "height_m": 2.2, "heavy_share": 0.12, "speed_factor": 1.0}
ROTOR_AREA_M2 = 2.0
POWER_COEFFICIENT = 0.25  # assumed
WEEKDAY = [120, 80, 70, 90, 210, 620, 1350, 1700, 1450, 1150, 1050, 1060,
           1090, 1100, 1150, 1250, 1350, 1300, 1000, 700, 480, 340, 220, 120]  # fmt: skip


def year_of_hours(seed: int = 1) -> dict[str, np.ndarray]:
    """8760 hours of invented counts and winds: weekdays, weekends, gusts of weather."""
    rng = np.random.default_rng(seed)
    hour = np.arange(8760)
    weekend = (hour // 24) % 7 >= 5
    flow = np.array(WEEKDAY)[hour % 24] * np.where(weekend, 0.7, 1.0)
    flow = flow * rng.normal(1.0, 0.08, hour.size).clip(0.5, 1.5)
    weather = np.zeros(hour.size)  # slow ups and downs, about a day long
    for k in range(1, hour.size):
        weather[k] = 0.96 * weather[k - 1] + 0.28 * rng.normal()
    wind = 3.5 * np.exp(0.5 * weather - 0.125)
    angle = np.mod(60.0 + 50.0 * np.cumsum(rng.normal(0.0, 0.25, hour.size)), 360.0)
    return {"flow_veh_h": flow, "wind_speed_m_s": wind, "wind_angle_deg": angle}


def main(path: str) -> dict[str, float]:
    """Print the year's energy; returns the figures printed."""
    data = xarray.open_dataset(path)
    axes = list(data["effective_speed"].dims)
    hours = {n: v for n, v in year_of_hours().items() if n in axes}
    site = {n: v for n, v in SITE.items() if n in axes}
    missing = {n: float(data[n][data[n].size // 2]) for n in axes if n not in {*hours, *site}}
    site |= missing

    # With xarray alone: straight lines between the states. What is outside the table is taken at
    # its edge. The speed is what to interpolate: power goes with its cube and bends too much.
    limits = {n: (float(data[n][0]), float(data[n][-1])) for n in axes}
    inside = {n: np.clip(v, *limits[n]) for n, v in (hours | site).items()}
    place = {n: inside[n] for n in site}
    at = {n: xarray.DataArray(inside[n], dims="hour") for n in hours}
    straight = data["effective_speed"].interp(place).interp(at).values

    # With the table's own interpolation, and the hours that are outside counted.
    table = wakesim.open_table(path)
    print(table)
    speed = table.effective_speed(**site, **hours, outside="clip")
    outside = table.is_outside(**site, **hours)

    def energy(v: np.ndarray) -> float:
        """kWh a year at the stated power coefficient."""
        flux = 0.5 * table.air_density_kg_m3 * v**3
        return float(POWER_COEFFICIENT * ROTOR_AREA_M2 * flux.sum() / 1000.0)

    found = {"kwh": energy(speed), "kwh_straight": energy(straight)}
    if "model_low" in table.variables:
        low, high = table.model_interval(**site, **hours, outside="clip")
        found |= {"kwh_low": energy(low), "kwh_high": energy(high)}
    calm = dict(hours)
    calm["flow_veh_h"] = np.full(8760, limits["flow_veh_h"][0])
    found["kwh_least_traffic"] = energy(table.effective_speed(**site, **calm, outside="clip"))
    found["hours_outside"] = int(outside.sum())

    print("Invented data: counts, winds and place are made up.")
    print(f"{found['kwh']:.1f} kWh a year from {ROTOR_AREA_M2:g} m2 at C_p = {POWER_COEFFICIENT:g}")
    if "kwh_low" in found:
        print(f"  model interval, all hours at one end: {found['kwh_low']:.1f} to "
              f"{found['kwh_high']:.1f} kWh")  # fmt: skip
    print(f"  with straight lines between the states (xarray): {found['kwh_straight']:.1f} kWh")
    print(f"  with the table's least traffic in every hour: {found['kwh_least_traffic']:.1f} kWh")
    print(f"  hours outside the table, taken at its edge: {found['hours_outside']}")
    return found


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit(__doc__)
    main(sys.argv[1])
