"""Energy of a small rotor over a year of hourly counts and winds, read from a lookup table.

    .venv/bin/wakesim run cases/lookup-table.toml -o out/lookup-table     # some minutes, once
    .venv/bin/python cases/yearly-energy.py out/lookup-table/table.h5

Runs with what wakesim itself installs. Counts and winds of the year are invented; put your own in
their place. A table whose case has ``[rotor]`` gives that rotor's power, gusts and inertia counted;
of one without, the energy is that of the air times an assumed power coefficient. No losses, no
availability, no standby: ``study = "year"`` has them, and computes hours by themselves.
"""

from __future__ import annotations

import sys

import numpy as np
import xarray

import wakesim

# The site: what does not change from hour to hour. Axes the table does not have are left out.
SITE = {"clearance_m": 3.5, "height_m": 2.2, "heavy_share": 0.12, "speed_factor": 1.0}
ASSUMED_COEFFICIENT, ASSUMED_AREA_M2 = 0.25, 2.0  # for a table without a rotor
WEEKDAY = [120, 80, 70, 90, 210, 620, 1350, 1700, 1450, 1150, 1050, 1060,
           1090, 1100, 1150, 1250, 1350, 1300, 1000, 700, 480, 340, 220, 120]  # fmt: skip
FAR_WEEKDAY = [150, 100, 80, 80, 150, 400, 850, 1100, 1050, 1000, 1000, 1050,
               1100, 1150, 1250, 1450, 1700, 1750, 1350, 850, 560, 410, 280, 190]  # fmt: skip


def year_of_hours(seed: int = 1) -> dict[str, np.ndarray]:
    """8760 hours of invented counts and winds: weekdays, weekends, gusts of weather."""
    rng = np.random.default_rng(seed)
    hour = np.arange(8760)
    weekend = (hour // 24) % 7 >= 5
    near, far = np.array(WEEKDAY)[hour % 24], np.array(FAR_WEEKDAY)[hour % 24]
    flow = near * np.where(weekend, 0.7, 1.0)
    flow = flow * rng.normal(1.0, 0.08, hour.size).clip(0.5, 1.5)
    weather = np.zeros(hour.size)  # slow ups and downs, about a day long
    for k in range(1, hour.size):
        weather[k] = 0.96 * weather[k - 1] + 0.28 * rng.normal()
    wind = 3.5 * np.exp(0.5 * weather - 0.125)
    angle = np.mod(60.0 + 50.0 * np.cumsum(rng.normal(0.0, 0.25, hour.size)), 360.0)
    return {
        "flow_veh_h": flow, "wind_speed_m_s": wind, "wind_angle_deg": angle,
        "direction_split": near / (near + far),
    }  # fmt: skip


def kwh(power_w: np.ndarray) -> float:
    """Energy of hours, kWh."""
    return float(power_w.sum() / 1000.0)


def main(path: str) -> dict[str, float]:
    """Print the year's energy; returns the figures printed."""
    data = xarray.open_dataset(path)
    axes = list(data["effective_speed"].dims)
    hours = {n: v for n, v in year_of_hours().items() if n in axes}
    site = {n: v for n, v in SITE.items() if n in axes}
    missing = {n: float(data[n][data[n].size // 2]) for n in axes if n not in {*hours, *site}}
    site |= missing

    # With the table's own interpolation, and the hours that are outside counted.
    table = wakesim.open_table(path)
    print(table)
    density = table.air_density_kg_m3
    outside = table.is_outside(**site, **hours)
    with_rotor = "power_coefficient" in table.variables
    area = table.rotor_area_m2 if with_rotor else ASSUMED_AREA_M2

    def power(**at: np.ndarray) -> np.ndarray:
        """W, of every hour."""
        if with_rotor:
            return table.rotor_power(**at, outside="clip")
        return ASSUMED_COEFFICIENT * area * table.power_density(**at, outside="clip")

    # With xarray alone: straight lines between the states. What is outside the table is taken at
    # its edge. Coefficient and speed are what to interpolate: power goes with the cube of the speed
    # and bends too much.
    limits = {n: (float(data[n][0]), float(data[n][-1])) for n in axes}
    inside = {n: np.clip(v, *limits[n]) for n, v in (hours | site).items()}
    place = {n: inside[n] for n in site}
    at = {n: xarray.DataArray(inside[n], dims="hour") for n in hours}
    straight = data["effective_speed"].interp(place).interp(at).values
    share = ASSUMED_COEFFICIENT
    if with_rotor:
        share = data["power_coefficient"].interp(place).interp(at).values

    found = {
        "kwh": kwh(power(**site, **hours)),
        "kwh_straight": kwh(share * 0.5 * density * area * straight**3),
    }
    speed = table.effective_speed(**site, **hours, outside="clip")
    if "model_low" in table.variables:
        # the ends of the air's speed at the coefficient of the hour
        made = power(**site, **hours)
        low, high = table.model_interval(**site, **hours, outside="clip")
        ratio = [(end / np.maximum(speed, 1e-9)) ** 3 for end in (low, high)]
        found |= {"kwh_low": kwh(made * ratio[0]), "kwh_high": kwh(made * ratio[1])}
    quiet = hours | {"flow_veh_h": np.full(8760, limits["flow_veh_h"][0])}
    found["kwh_least_traffic"] = kwh(power(**site, **quiet))
    found["hours_outside"] = int(outside.sum())

    what = f"{table.rotor['name']}" if with_rotor else f"C_p = {ASSUMED_COEFFICIENT:g} (assumed)"
    print("Invented data: counts, winds and place are made up.")
    print(f"{found['kwh']:.1f} kWh a year from {area:g} m2, {what}")
    if "kwh_low" in found:
        print(f"  model interval, all hours at one end: {found['kwh_low']:.1f} to "
              f"{found['kwh_high']:.1f} kWh")  # fmt: skip
    print(f"  with straight lines between the states (xarray): {found['kwh_straight']:.1f} kWh")
    least = limits["flow_veh_h"][0]
    print(f"  with {least:g} vehicles an hour, the table's least, in every hour: "
          f"{found['kwh_least_traffic']:.1f} kWh")  # fmt: skip
    if with_rotor:
        cut_in = float(table.rotor["cut_in_m_s"])
        lost = kwh(np.where(speed < cut_in, power(**site, **hours), 0.0))
        print(f"  of it in hours with an effective speed below the cut-in of {cut_in:g} m/s: "
              f"{lost:.2f} kWh")  # fmt: skip
    print(f"  hours outside the table, taken at its edge: {found['hours_outside']}")
    return found


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit(__doc__)
    main(sys.argv[1])
