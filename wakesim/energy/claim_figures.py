"""Every figure that follows from a claim, alone and at a place."""

from __future__ import annotations

from collections.abc import Iterator

from wakesim.energy.ceilings import BETZ, kinetic_flux, road_load, speed_needed
from wakesim.energy.claims import Claim, Implied, Place


def implied(claim: Claim, place: Place | None, density: float) -> Iterator[Implied]:
    """Figures implied by the claim alone, then those at the place."""
    yield from _speed_figures(claim, density)
    yield from _power_figures(claim, density)
    yield from _energy_figures(claim, density)
    if place is not None:
        yield from _place_figures(claim, place)


def coefficient_of(claim: Claim) -> tuple[float, str]:
    """The power coefficient to use: the stated one, or the bound of Betz; and its words."""
    if claim.power_coefficient is None:
        return BETZ, "the bound of Betz, 16/27"
    return claim.power_coefficient, f"the stated power coefficient {claim.power_coefficient:g}"


def _speed_figures(c: Claim, density: float) -> Iterator[Implied]:
    if c.speed_m_s is None:
        return
    coefficient, used = coefficient_of(c)
    flux = float(kinetic_flux(c.speed_m_s, density))
    speed = f"{c.speed_m_s:.3g} m/s"
    if c.traffic_speed_m_s is not None:
        ratio = c.speed_m_s / c.traffic_speed_m_s
        how = f"{speed} beside {c.traffic_speed_m_s:.3g} m/s"
        yield Implied("speed of the air over that of the traffic", ratio, "1", how)
    yield Implied("energy flux of the stated speed", flux, "W/m²", f"½ρv³ at {speed}")
    per_area = coefficient * flux
    yield Implied("output per swept area", per_area, "W/m²", f"with {used}")
    yield Implied("swept area per kilowatt", 1000.0 / per_area, "m²", f"with {used}")


def _power_figures(c: Claim, density: float) -> Iterator[Implied]:
    if c.power_w is None:
        return
    coefficient, used = coefficient_of(c)
    if c.speed_m_s is not None:
        flux = float(kinetic_flux(c.speed_m_s, density))
        speed = f"{c.speed_m_s:.3g} m/s"
        yield Implied(
            "swept area the stated power needs", c.power_w / (coefficient * flux), "m²",
            f"{c.power_w:g} W at {speed} with {used}",
        )  # fmt: skip
        if c.area_m2 is not None:
            yield Implied(
                "power coefficient implied", c.power_w / (flux * c.area_m2), "1",
                f"{c.power_w:g} W from {c.area_m2:g} m² at {speed}",
            )  # fmt: skip
    if c.area_m2 is not None:
        needed = speed_needed(c.power_w, c.area_m2, density, coefficient)
        yield Implied("speed the stated power needs", needed, "m/s", f"with {used}")


def _energy_figures(c: Claim, density: float) -> Iterator[Implied]:
    mean = c.mean_power_w
    if mean is None:
        return
    coefficient, used = coefficient_of(c)
    how = f"{c.daily_energy_kwh:g} kWh in 24 h"
    yield Implied("mean output", mean, "W", how)
    if c.power_w is not None:
        yield Implied("share of the stated power, day and night", mean / c.power_w, "1", how)
    if c.area_m2 is not None:
        needed = speed_needed(mean, c.area_m2, density, coefficient)
        yield Implied("effective speed the daily energy needs", needed, "m/s", f"with {used}")
    if c.section_length_m is not None:
        per_metre = mean * c.count / c.section_length_m
        how = f"{c.count} × {mean:.3g} W over {c.section_length_m:g} m"
        yield Implied("mean output per metre of road", per_metre, "W/m", how)
    load = road_load(mean * c.count)
    how = "if all of it came out of the vehicles, an upper bound"
    yield Implied("added diesel of the traffic", load.diesel_litres, "l a year", how)
    yield Implied("or added charge of the traffic", load.electric_kwh, "kWh a year", how)
    if c.daily_load_kwh is not None:
        share = c.count * c.daily_energy_kwh / (c.loads * c.daily_load_kwh)  # type: ignore[operator]
        how = f"{c.count} × {c.daily_energy_kwh:g} kWh over {c.loads} × {c.daily_load_kwh:g} kWh"
        yield Implied("share of the load covered, as stated", share, "1", how)


def _place_figures(c: Claim, place: Place) -> Iterator[Implied]:
    density = place.density_kg_m3
    coefficient, used = coefficient_of(c)
    flux = float(kinetic_flux(place.effective_speed_m_s, density))
    where = f"at the computed {place.effective_speed_m_s:.2f} m/s, {place.name}"
    if flux > 0.0:
        area = 1000.0 / (coefficient * flux)
        yield Implied("swept area per kilowatt at the place", area, "m²", f"{where}, with {used}")
    for name, speed in _ends(place) if c.area_m2 is not None else ():
        daily = 24e-3 * coefficient * c.area_m2 * float(kinetic_flux(speed, density))  # type: ignore[operator]
        how = f"at {speed:.2f} m/s with {used}, before any other loss"
        yield Implied(f"energy a day at the place, {name}", daily, "kWh", how)
        if c.daily_load_kwh is not None:
            share = c.count * daily / (c.loads * c.daily_load_kwh)
            yield Implied(f"share of the load covered at the place, {name}", share, "1", how)
    yield from _section_figures(c, place)


def _section_figures(c: Claim, place: Place) -> Iterator[Implied]:
    """What the traffic of the section spends on the air, and how much of it the energy is."""
    mean = None if c.mean_power_w is None else c.mean_power_w * c.count
    for name, per_metre, part in (
        ("drag work of all traffic on the section", place.drag_power_w_m, "the drag work"),
        ("energy of single wakes beyond the rotor's edge", place.wake_power_w_m, "these wakes"),
    ):
        if c.section_length_m is None or not per_metre:
            continue
        have = per_metre * c.section_length_m
        how = f"{per_metre:.3g} W/m over {c.section_length_m:g} m, day and night mean"
        yield Implied(name, have, "W", how)
        if mean is not None:
            yield Implied(f"stated energy over that of {part}", mean / have, "1", how)


def _ends(place: Place) -> Iterator[tuple[str, float]]:
    if place.low_m_s is not None:
        yield "low end of the model interval", place.low_m_s
    yield "central", place.effective_speed_m_s
    if place.high_m_s is not None:
        yield "high end of the model interval", place.high_m_s
