"""Where the stated figures part: from each other, from a law, from what a place has."""

from __future__ import annotations

import math
from collections.abc import Iterator

from wakesim.energy.ceilings import BETZ, betz_power, kinetic_flux
from wakesim.energy.claims import AGREES, BEYOND, CONTRADICTION, Claim, Finding, Place

TOLERANCE = 1.10  # stated figures may differ by this factor through rounding
BETZ_TOLERANCE = 1.01  # 0.593 and 0.6 are both written for 16/27, 0.6 is too much


def findings(claim: Claim, place: Place | None, density: float) -> Iterator[Finding]:
    """Comparisons within the claim, then with the place."""
    yield from _coefficient_findings(claim)
    yield from _speed_findings(claim)
    yield from _power_findings(claim, density)
    yield from _energy_findings(claim)
    if place is None:
        return
    if claim.speed_m_s is not None:
        yield _speed_at_place(claim.speed_m_s, place)
    if claim.mean_power_w is not None:
        if claim.area_m2 is not None:
            yield _energy_at_place(claim.mean_power_w, claim.area_m2, place)
        if claim.section_length_m is not None:
            mean = claim.mean_power_w * claim.count
            yield from _against_traffic(mean, claim.section_length_m, place)


def _coefficient_findings(c: Claim) -> Iterator[Finding]:
    if c.power_coefficient is not None and c.power_coefficient > BETZ_TOLERANCE * BETZ:
        factor = c.power_coefficient / BETZ
        yield Finding(
            CONTRADICTION, factor,
            f"The stated power coefficient {c.power_coefficient:g} is {factor:.3g} times the most "
            "that an open rotor can take, 16/27 (Betz 1920).",
        )  # fmt: skip


def _speed_findings(c: Claim) -> Iterator[Finding]:
    if c.speed_m_s is None:
        return
    if c.traffic_speed_m_s is not None and c.speed_m_s > c.traffic_speed_m_s:
        factor = c.speed_m_s / c.traffic_speed_m_s
        yield Finding(
            CONTRADICTION, factor,
            f"The stated air speed of {c.speed_m_s:.3g} m/s is {factor:.3g} times the speed of the "
            "traffic itself, and no vehicle drags air along faster than it drives.",
        )  # fmt: skip
    if c.cut_in_m_s is not None and c.speed_m_s < c.cut_in_m_s:
        factor = c.cut_in_m_s / c.speed_m_s
        yield Finding(
            CONTRADICTION, factor,
            f"The stated air speed of {c.speed_m_s:.3g} m/s is below the stated cut-in speed of "
            f"{c.cut_in_m_s:.3g} m/s: the rotor would stand still.",
        )  # fmt: skip


def _power_findings(c: Claim, density: float) -> Iterator[Finding]:
    """Power, speed and area stated together fix the power coefficient."""
    if c.power_w is None or c.speed_m_s is None or c.area_m2 is None:
        return
    found = c.power_w / (c.area_m2 * float(kinetic_flux(c.speed_m_s, density)))
    what = f"{c.power_w:g} W from {c.area_m2:g} m² at {c.speed_m_s:.3g} m/s"
    if found > BETZ_TOLERANCE * BETZ:
        factor = found / BETZ
        yield Finding(
            CONTRADICTION, factor,
            f"{what} is {factor:.3g} times the most that an open rotor can take (Betz 1920).",
        )  # fmt: skip
    if c.power_coefficient is None:
        return
    factor = found / c.power_coefficient
    stated = f"the stated power coefficient of {c.power_coefficient:g}"
    if factor > TOLERANCE:
        yield Finding(
            CONTRADICTION, factor,
            f"{what} needs {factor:.3g} times {stated}, or {factor:.3g} times the stated area.",
        )  # fmt: skip
    elif factor >= 1.0 / TOLERANCE:
        yield Finding(AGREES, factor, f"{what} fits {stated}.")
    else:
        text = f"{what} is {factor:.2g} times what {stated} gives; losses may account for that."
        yield Finding(AGREES, factor, text)


def _energy_findings(c: Claim) -> Iterator[Finding]:
    mean = c.mean_power_w
    if mean is None or c.daily_energy_kwh is None:
        return
    if c.power_w is not None and mean > TOLERANCE * c.power_w:
        factor = mean / c.power_w
        yield Finding(
            CONTRADICTION, factor,
            f"The stated daily energy means {mean:.3g} W day and night, {factor:.3g} times the "
            f"stated power of {c.power_w:g} W.",
        )  # fmt: skip
    if c.daily_load_kwh is not None:
        factor = c.loads * c.daily_load_kwh / (c.count * c.daily_energy_kwh)
        load = f"The load of {c.loads} × {c.daily_load_kwh:g} kWh a day is"
        energy = f"the stated energy of {c.count} × {c.daily_energy_kwh:g} kWh."
        if factor > TOLERANCE:
            yield Finding(CONTRADICTION, factor, f"{load} {factor:.3g} times {energy}")
        else:
            yield Finding(AGREES, factor, f"{load} within {energy}")


def _speed_at_place(stated: float, place: Place) -> Finding:
    found = place.effective_speed_m_s
    if stated <= found:
        return Finding(
            AGREES, stated / found,
            f"The stated speed of {stated:.3g} m/s is not above the effective speed computed for "
            f"{place.name}, {found:.2f} m/s.",
        )  # fmt: skip
    factor = stated / found if found > 0.0 else math.inf
    text = (
        f"As a lasting speed, {stated:.3g} m/s is {factor:.3g} times the effective speed computed "
        f"for {place.name} ({found:.2f} m/s), {factor**3:.3g} times in energy"
    )
    high = place.high_m_s
    if high is not None:
        reach = "inside" if stated <= high else "above"
        text += f"; it is {reach} the model interval ({place.low_m_s:.2f} to {high:.2f} m/s)"
    if place.gust_m_s is not None:
        text += f". The highest gust found there is {place.gust_m_s:.2f} m/s"
    inside = high is not None and stated <= high
    return Finding(AGREES if inside else BEYOND, factor, f"{text}.")


def _energy_at_place(mean: float, area: float, place: Place) -> Finding:
    """The stated mean output against the bound of Betz at the place."""
    density = place.density_kg_m3
    high = place.effective_speed_m_s if place.high_m_s is None else place.high_m_s
    most = betz_power(high, density, area)
    central = betz_power(place.effective_speed_m_s, density, area)
    start = f"The stated daily energy from {area:g} m²"
    if mean > most:
        factor = mean / most if most > 0.0 else math.inf
        end = "the computed effective speed" if place.high_m_s is None else "its high end"
        return Finding(
            BEYOND, factor,
            f"{start} is {factor:.3g} times what a rotor without any loss could take at "
            f"{place.name} at {end}, {high:.2f} m/s.",
        )  # fmt: skip
    share = mean / central if central > 0.0 else math.inf
    if mean > central:
        return Finding(
            BEYOND, share,
            f"{start} is {share:.3g} times what a rotor without any loss could take at the "
            f"computed effective speed of {place.name}; it lies inside the model interval only by "
            "its high end.",
        )  # fmt: skip
    return Finding(
        AGREES, share,
        f"{start} is {100 * share:.2g} % of the bound of Betz at the computed effective speed of "
        f"{place.name}.",
    )  # fmt: skip


def _against_traffic(mean_w: float, section_m: float, place: Place) -> Iterator[Finding]:
    """The stated energy of all rotors against all that the traffic spends on the air."""
    if place.drag_power_w_m and mean_w > place.drag_power_w_m * section_m:
        factor = mean_w / (place.drag_power_w_m * section_m)
        yield Finding(
            BEYOND, factor,
            f"The stated energy is {factor:.3g} times all the work that the traffic does against "
            "the air on that section; the rest would have to come from ambient wind.",
        )  # fmt: skip
