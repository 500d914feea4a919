"""Claim check: what stated figures of a roadside turbine imply, and where they part.

Stated figures are taken at their word. Whatever follows from them by definition or by a law is
derived (power = C_p 1/2 rho v^3 A, energy = power x time, Betz 1920, the drag work of the traffic),
and compared with what else is stated and with what was computed for the place. A finding names the
factor between the two sides. It says nothing about anybody's intent: figures are often quoted for
another place, another wind or another moment.

Check value (common practice, no published source): 5.4 m/s beside traffic at 60 mph, 0.20 of its
speed, and a power coefficient of 0.30 give 28.9 W for each square metre at 1.225 kg/m3, so 34.6 m2
for each kilowatt.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, fields
from typing import Any

from wakesim.energy.bounds import BETZ, betz_power, kinetic_flux, road_load, speed_needed

STANDARD_DENSITY_KG_M3 = 1.225  # ISO 2533 at sea level, 15 degrees

CONTRADICTION = "contradiction"  # stated figures exclude each other, or pass a law
BEYOND = "beyond the place"  # more than the place has by this model
AGREES = "agrees"
TOLERANCE = 1.10  # stated figures may differ by this factor through rounding
BETZ_TOLERANCE = 1.01  # 0.593 and 0.6 are both written for 16/27, 0.6 is too much

# What a finding says. ``factor`` is the finding's own, ``c`` the claim, ``place`` the place.
_TEXTS = {
    "coefficient": "The stated power coefficient {c.power_coefficient:g} is {factor:.3g} times the "
    "most that an open rotor can take, 16/27 (Betz 1920).",
    "faster than traffic": "The stated air speed of {c.speed_m_s:.3g} m/s is {factor:.3g} times "
    "the speed of the traffic itself, and no vehicle drags air along faster than it drives.",
    "below cut-in": "The stated air speed of {c.speed_m_s:.3g} m/s is below the stated cut-in "
    "speed of {c.cut_in_m_s:.3g} m/s: the rotor would stand still.",
    "above Betz": "{output} is {factor:.3g} times the most that an open rotor can take "
    "(Betz 1920).",
    "above coefficient": "{output} needs {factor:.3g} times {stated}, or {factor:.3g} times the "
    "stated area.",
    "fits coefficient": "{output} fits {stated}.",
    "below coefficient": "{output} is {factor:.2g} times what {stated} gives; losses may account "
    "for that.",
    "above power": "The stated daily energy means {c.mean_power_w:.3g} W day and night, "
    "{factor:.3g} times the stated power of {c.power_w:g} W.",
    "load above energy": "{load} {factor:.3g} times {energy}.",
    "load within energy": "{load} within {energy}.",
    "speed within": "The stated speed of {c.speed_m_s:.3g} m/s is not above the effective speed "
    "computed for {place.name}, {place.effective_speed_m_s:.2f} m/s.",
    "speed above": "As a lasting speed, {c.speed_m_s:.3g} m/s is {factor:.3g} times the effective "
    "speed computed for {place.name} ({place.effective_speed_m_s:.2f} m/s), {cube:.3g} times in "
    "energy{interval}{gust}.",
    "energy above": "The stated daily energy from {c.area_m2:g} m² is {factor:.3g} times what a "
    "rotor without any loss could take at {place.name} at {end}, {high:.2f} m/s.",
    "energy above centre": "The stated daily energy from {c.area_m2:g} m² is {factor:.3g} times "
    "what a rotor without any loss could take at the computed effective speed of {place.name}; it "
    "lies inside the model interval only by its high end.",
    "energy within": "The stated daily energy from {c.area_m2:g} m² is {percent:.2g} % of the "
    "bound of Betz at the computed effective speed of {place.name}.",
    "above drag work": "The stated energy is {factor:.3g} times all the work that the traffic does "
    "against the air on that section; the rest would have to come from ambient wind.",
}  # fmt: skip


@dataclass(frozen=True)
class Claim:
    """Figures as stated; None where nothing is stated. Per rotor unless said otherwise.

    ``power_w`` is the output at ``speed_m_s`` (or the rated output), ``speed_m_s`` the speed of the
    air, ``traffic_speed_m_s`` that of the vehicles it is stated beside, ``power_coefficient`` the
    stated efficiency of air to shaft or grid, ``cut_in_m_s`` the lowest speed it runs at,
    ``daily_energy_kwh`` the output a day, ``count`` rotors along ``section_length_m`` of road,
    ``daily_load_kwh`` the need of one consumer and ``loads`` how many are said to be covered by all
    rotors. Raises ValueError for figures that are not positive and finite.
    """

    power_w: float | None = None
    speed_m_s: float | None = None
    power_coefficient: float | None = None
    area_m2: float | None = None
    daily_energy_kwh: float | None = None
    count: int = 1
    section_length_m: float | None = None
    daily_load_kwh: float | None = None
    loads: int = 1
    traffic_speed_m_s: float | None = None
    cut_in_m_s: float | None = None

    def __post_init__(self) -> None:
        for item in fields(self):
            value = getattr(self, item.name)
            if value is not None and not (math.isfinite(value) and value > 0.0):
                raise ValueError(f"{item.name} = {value!r}: must be a number above 0")

    @property
    def mean_power_w(self) -> float | None:
        """Mean output that the stated daily energy means, W."""
        return None if self.daily_energy_kwh is None else 1000.0 * self.daily_energy_kwh / 24.0


@dataclass(frozen=True)
class Place:
    """What was computed for the place: effective speed with its model interval, and the traffic.

    ``low_m_s`` and ``high_m_s`` are None where the interval was not computed, ``gust_m_s`` is the
    highest gust found. ``drag_power_w_m`` is the power the traffic spends on the air along each
    metre of road, ``wake_power_w_m`` what its single wakes ever hold beyond the rotor's near edge.
    """

    name: str
    effective_speed_m_s: float
    low_m_s: float | None = None
    high_m_s: float | None = None
    drag_power_w_m: float | None = None
    wake_power_w_m: float | None = None
    gust_m_s: float | None = None
    density_kg_m3: float = STANDARD_DENSITY_KG_M3


@dataclass(frozen=True)
class Implied:
    """One derived figure."""

    name: str
    value: float
    unit: str
    how: str


@dataclass(frozen=True)
class Finding:
    """Two sides that do not meet, or do.

    ``kind`` is CONTRADICTION, BEYOND or AGREES; ``factor`` is how many times the one side exceeds
    the other (below 1 where it stays below).
    """

    kind: str
    factor: float
    text: str


@dataclass(frozen=True)
class ClaimCheck:
    """Everything derived from a claim, and the verdict in plain words."""

    implied: tuple[Implied, ...]
    findings: tuple[Finding, ...]
    verdict: str


def check_claim(
    claim: Claim, place: Place | None = None, density_kg_m3: float = STANDARD_DENSITY_KG_M3
) -> ClaimCheck:
    """Derive, compare and judge.

    The density is that of the stated figures; what is computed at a place takes the place's own.
    Raises ValueError for a density that is not positive.
    """
    if not (density_kg_m3 > 0.0 and math.isfinite(density_kg_m3)):
        raise ValueError("density must be greater than 0 kg/m3")
    implied = tuple(_implied(claim, place, density_kg_m3))
    findings = tuple(_findings(claim, place, density_kg_m3))
    return ClaimCheck(implied, findings, _verdict(place, implied, findings))


def _implied(claim: Claim, place: Place | None, density: float) -> Iterator[Implied]:
    """Figures implied by the claim alone, then those at the place."""
    yield from _speed_figures(claim, density)
    yield from _power_figures(claim, density)
    yield from _energy_figures(claim, density)
    if place is not None:
        yield from _place_figures(claim, place)


def _coefficient_of(claim: Claim) -> tuple[float, str]:
    """The power coefficient to use: the stated one, or the bound of Betz; and its name."""
    if claim.power_coefficient is None:
        return BETZ, "the bound of Betz, 16/27"
    return claim.power_coefficient, f"the stated power coefficient {claim.power_coefficient:g}"


def _speed_figures(c: Claim, density: float) -> Iterator[Implied]:
    if c.speed_m_s is None:
        return
    coefficient, used = _coefficient_of(c)
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
    coefficient, used = _coefficient_of(c)
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
    coefficient, used = _coefficient_of(c)
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
    coefficient, used = _coefficient_of(c)
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


def _findings(claim: Claim, place: Place | None, density: float) -> Iterator[Finding]:
    """Comparisons within the claim, then with the place."""
    yield from _stated_findings(claim)
    yield from _power_findings(claim, density)
    yield from _energy_findings(claim)
    if place is not None:
        yield from _place_findings(claim, place)


def _finding(kind: str, factor: float, text: str, c: Claim, **values: Any) -> Finding:
    return Finding(kind, factor, _TEXTS[text].format(factor=factor, c=c, **values))


def _stated_findings(c: Claim) -> Iterator[Finding]:
    """Power coefficient and speed, each against a law or another stated figure."""
    coefficient, speed = c.power_coefficient, c.speed_m_s
    if coefficient is not None and coefficient > BETZ_TOLERANCE * BETZ:
        yield _finding(CONTRADICTION, coefficient / BETZ, "coefficient", c)
    if speed is not None and c.traffic_speed_m_s is not None and speed > c.traffic_speed_m_s:
        yield _finding(CONTRADICTION, speed / c.traffic_speed_m_s, "faster than traffic", c)
    if speed is not None and c.cut_in_m_s is not None and speed < c.cut_in_m_s:
        yield _finding(CONTRADICTION, c.cut_in_m_s / speed, "below cut-in", c)


def _power_findings(c: Claim, density: float) -> Iterator[Finding]:
    """Power, speed and area stated together fix the power coefficient."""
    if c.power_w is None or c.speed_m_s is None or c.area_m2 is None:
        return
    needed = c.power_w / (c.area_m2 * float(kinetic_flux(c.speed_m_s, density)))
    output = f"{c.power_w:g} W from {c.area_m2:g} m² at {c.speed_m_s:.3g} m/s"
    if needed > BETZ_TOLERANCE * BETZ:
        yield _finding(CONTRADICTION, needed / BETZ, "above Betz", c, output=output)
    if c.power_coefficient is None:
        return
    factor = needed / c.power_coefficient
    kind, text = AGREES, "fits coefficient"
    if factor > TOLERANCE:
        kind, text = CONTRADICTION, "above coefficient"
    elif factor < 1.0 / TOLERANCE:
        text = "below coefficient"
    stated = f"the stated power coefficient of {c.power_coefficient:g}"
    yield _finding(kind, factor, text, c, output=output, stated=stated)


def _energy_findings(c: Claim) -> Iterator[Finding]:
    mean = c.mean_power_w
    if mean is None or c.daily_energy_kwh is None:
        return
    if c.power_w is not None and mean > TOLERANCE * c.power_w:
        yield _finding(CONTRADICTION, mean / c.power_w, "above power", c)
    if c.daily_load_kwh is not None:
        factor = c.loads * c.daily_load_kwh / (c.count * c.daily_energy_kwh)
        too_much = factor > TOLERANCE
        yield _finding(
            CONTRADICTION if too_much else AGREES, factor,
            "load above energy" if too_much else "load within energy", c,
            load=f"The load of {c.loads} × {c.daily_load_kwh:g} kWh a day is",
            energy=f"the stated energy of {c.count} × {c.daily_energy_kwh:g} kWh",
        )  # fmt: skip


def _place_findings(c: Claim, place: Place) -> Iterator[Finding]:
    """Speed, energy of one rotor and energy of all rotors against what the place has."""
    if c.speed_m_s is not None:
        yield _speed_at_place(c, c.speed_m_s, place)
    if c.mean_power_w is None:
        return
    if c.area_m2 is not None:
        yield _energy_at_place(c, c.mean_power_w, c.area_m2, place)
    if c.section_length_m is not None and place.drag_power_w_m:
        factor = c.mean_power_w * c.count / (place.drag_power_w_m * c.section_length_m)
        if factor > 1.0:
            yield _finding(BEYOND, factor, "above drag work", c)


def _speed_at_place(c: Claim, stated: float, place: Place) -> Finding:
    computed, high = place.effective_speed_m_s, place.high_m_s
    if stated <= computed:
        return _finding(AGREES, stated / computed, "speed within", c, place=place)
    factor = _over(stated, computed)
    interval = gust = ""
    inside = high is not None and stated <= high
    if high is not None:
        reach = "inside" if inside else "above"
        interval = f"; it is {reach} the model interval ({place.low_m_s:.2f} to {high:.2f} m/s)"
    if place.gust_m_s is not None:
        gust = f". The highest gust found there is {place.gust_m_s:.2f} m/s"
    return _finding(
        AGREES if inside else BEYOND, factor, "speed above", c,
        place=place, cube=factor**3, interval=interval, gust=gust,
    )  # fmt: skip


def _energy_at_place(c: Claim, mean: float, area: float, place: Place) -> Finding:
    """The stated mean output against the bound of Betz at the place."""
    density = place.density_kg_m3
    high = place.effective_speed_m_s if place.high_m_s is None else place.high_m_s
    most = betz_power(high, density, area)
    if mean > most:
        end = "the computed effective speed" if place.high_m_s is None else "its high end"
        return _finding(
            BEYOND, _over(mean, most), "energy above", c, place=place, end=end, high=high
        )
    central = betz_power(place.effective_speed_m_s, density, area)
    share = _over(mean, central)
    if mean > central:
        return _finding(BEYOND, share, "energy above centre", c, place=place)
    return _finding(AGREES, share, "energy within", c, place=place, percent=100.0 * share)


def _over(stated: float, computed: float) -> float:
    return stated / computed if computed > 0.0 else math.inf


def _verdict(
    place: Place | None, implied: tuple[Implied, ...], findings: tuple[Finding, ...]
) -> str:
    against = [f.factor for f in findings if f.kind == CONTRADICTION]
    beyond = [f.factor for f in findings if f.kind == BEYOND]
    parts = []
    if against:
        count, verb = ("One", "does") if len(against) == 1 else (str(len(against)), "do")
        parts.append(
            f"{count} of the stated relations {verb} not hold; the largest factor is "
            f"{max(against):.3g}. At least one stated figure has to be another."
        )
    elif findings or len(implied) > 1:
        parts.append("The stated figures do not contradict each other.")
    else:
        parts.append("Too little is stated to compare anything.")
    if place is None:
        parts.append("No place was given, so they are not compared with any traffic.")
    elif beyond:
        parts.append(
            f"For {place.name} they ask for more than this model finds there, by a factor of up "
            f"to {max(beyond):.3g}. They may hold for another place or for an ambient wind: ask "
            "for the record of a year's measurement at a comparable post."
        )
    elif findings and not against:
        parts.append(f"They are within what this model finds for {place.name}.")
    return " ".join(parts)


def claim_record(check: ClaimCheck) -> dict[str, Any]:
    """The check for programs; a factor without limit is null."""
    return {
        "implied": [
            {"name": i.name, "value": i.value, "unit": i.unit, "how": i.how} for i in check.implied
        ],
        "findings": [
            {
                "kind": f.kind,
                "factor": f.factor if math.isfinite(f.factor) else None,
                "text": f.text,
            }
            for f in check.findings
        ],
        "verdict": check.verdict,
    }
