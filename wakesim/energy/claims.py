"""Claim check: what stated figures of a roadside turbine imply, and where they part.

Stated figures are taken at their word. Whatever follows from them by definition or by a law is
derived (power = C_p 1/2 rho v^3 A, energy = power x time, Betz 1920, the drag work of the traffic),
and compared with what else is stated and with what was computed for the place. A finding names the
factor between the two sides: what is stated over the central estimate, and beside it the same over
both ends of the model's range. It says nothing about anybody's intent: figures are often quoted for
another place, another wind or another moment.

The verdict is one of three. *Contradicted*: stated figures exclude each other, pass a law, or lie
above the range of a computed result. *Plausible*: every stated speed and energy was held against a
computed result and lies within its range, or below it, and stated power and load fit what else is
stated. *Not supported*: neither; that nothing contradicts a figure is no support for it.

Check value (common practice, no published source): 5.4 m/s beside traffic at 60 mph, 0.20 of its
speed, and a power coefficient of 0.30 give 28.9 W for each square metre at 1.225 kg/m3, so 34.6 m2
for each kilowatt.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, fields, replace
from typing import Any

from wakesim.energy.bounds import (
    BETZ,
    HOURS_A_YEAR,
    betz_power,
    kinetic_flux,
    road_load,
    speed_needed,
)

STANDARD_DENSITY_KG_M3 = 1.225  # ISO 2533 at sea level, 15 degrees

CONTRADICTION = "contradiction"  # stated figures exclude each other, or pass a law
BEYOND = "beyond the place"  # more than the place has by this model
AGREES = "agrees"  # stated figures fit each other
WITHIN = "within the range"  # not above the range of a computed result
ALLOWED = "not excluded"  # below a bound, which is no support

CONTRADICTED, NOT_SUPPORTED, PLAUSIBLE = "contradicted", "not supported", "plausible"
DAYS_A_YEAR = HOURS_A_YEAR / 24.0
TOLERANCE = 1.10  # stated figures may differ by this factor through rounding
BETZ_TOLERANCE = 1.01  # 0.593 and 0.6 are both written for 16/27, 0.6 is too much

# What a finding says. ``factor`` is the finding's own, ``c`` the claim, ``place`` the place.
_TEXTS = {
    "coefficient": "The stated power coefficient {c.power_coefficient:g} is {factor} times the "
    "most that an open rotor can take, 16/27 (Betz 1920).",
    "faster than traffic": "The stated air speed of {c.speed_m_s:.3g} m/s is {factor} times "
    "the speed of the traffic itself, and no vehicle drags air along faster than it drives.",
    "below cut-in": "The stated air speed of {c.speed_m_s:.3g} m/s is below the stated cut-in "
    "speed of {c.cut_in_m_s:.3g} m/s: the rotor would stand still.",
    "above Betz": "{output} is {factor} times the most that an open rotor can take "
    "(Betz 1920).",
    "below Betz": "{output} is {factor} times the most that an open rotor can take (Betz "
    "1920): possible there, which does not make it so.",
    "above coefficient": "{output} needs {factor} times {stated}, or {factor} times the "
    "stated area.",
    "fits coefficient": "{output} fits {stated}.",
    "below coefficient": "{output} is {factor} times what {stated} gives; losses may account "
    "for that.",
    "above power": "The stated {energy} means {mean} W day and night, {factor} times the "
    "stated power of {c.power_w:g} W.",
    "day and year": "The stated annual energy is {factor} times the stated daily energy over "
    "{days} days.",
    "load above energy": "{load} {factor} times {energy}.",
    "load within energy": "{load} within {energy}.",
    "speed at place": "As a lasting speed, {c.speed_m_s:.3g} m/s is {factor} times the "
    "effective speed computed for {place.name}, {place.effective_speed_m_s:.2f} m/s{range}, or "
    "{cube} times in energy: {reach}{gust}.",
    "energy at place": "The stated {energy} is {factor} times what was computed for "
    "{place.name}{rotor}, {computed} kWh a year{range}: {reach}.",
    "energy above": "The stated {energy} from {c.area_m2:g} m² is {factor} times what {used} "
    "takes at the effective speed computed for {place.name}, {place.effective_speed_m_s:.2f} "
    "m/s{range}: {reach}.",
    "energy allowed": "The stated {energy} from {c.area_m2:g} m² is {factor} times what {used} "
    "takes at the effective speed computed for {place.name}, {place.effective_speed_m_s:.2f} "
    "m/s{range}: possible by this bound, but no energy was computed to hold it against.",
    "above drag work": "The stated energy is {factor} times all the work that the traffic does "
    "against the air on that section; the rest would have to come from ambient wind.",
}  # fmt: skip
_WORDS = {  # what a computed result or another stated figure must bear out
    "speed_m_s": "the speed of the air",
    "power_w": "the power",
    "daily_energy_kwh": "the daily energy",
    "annual_energy_kwh": "the annual energy",
    "daily_load_kwh": "the load covered",
}


@dataclass(frozen=True)
class Claim:
    """Figures as stated; None where nothing is stated. Per rotor unless said otherwise.

    ``power_w`` is the output at ``speed_m_s`` (or the rated output), ``speed_m_s`` the speed of the
    air, ``traffic_speed_m_s`` that of the vehicles it is stated beside, ``power_coefficient`` the
    stated efficiency of air to shaft or grid, ``cut_in_m_s`` the lowest speed it runs at,
    ``daily_energy_kwh`` the output a day, ``annual_energy_kwh`` that of a year, ``count``
    rotors along ``section_length_m`` of road, ``daily_load_kwh`` the need of one consumer and
    ``loads`` how many are said to be covered by all rotors. Raises ValueError for figures that are
    not positive and finite.
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
    annual_energy_kwh: float | None = None

    def __post_init__(self) -> None:
        for item in fields(self):
            value = getattr(self, item.name)
            if value is not None and not (math.isfinite(value) and value > 0.0):
                raise ValueError(f"{item.name} = {value!r}: must be a number above 0")

    @property
    def mean_power_w(self) -> float | None:
        """Mean output that the stated energy of a day, or else that of a year, means, W."""
        energies = self.energies
        return energies[0].mean_w if energies else None

    @property
    def energies(self) -> tuple[StatedEnergy, ...]:
        """The stated energy of a day and of a year; the year's alone where both are the same."""
        day, year = self.daily_energy_kwh, self.annual_energy_kwh
        found = []
        both = day is not None and year is not None
        same = both and 1.0 / TOLERANCE <= year / (day * DAYS_A_YEAR) <= TOLERANCE  # type: ignore[operator]
        if day is not None and not same:
            found.append(StatedEnergy("daily energy", ("daily_energy_kwh",), 1000.0 * day / 24.0))
        if year is not None:
            about = ("daily_energy_kwh", "annual_energy_kwh")[0 if same else 1 :]
            found.append(StatedEnergy("annual energy", about, 1000.0 * year / HOURS_A_YEAR))
        return tuple(found)


@dataclass(frozen=True)
class StatedEnergy:
    """An energy as stated: its name, the figures of the claim that state it, the mean output."""

    name: str
    about: tuple[str, ...]
    mean_w: float

    @property
    def annual_kwh(self) -> float:
        """The same over a year, kWh."""
        return self.mean_w * HOURS_A_YEAR / 1000.0


@dataclass(frozen=True)
class Place:
    """What was computed for the place: effective speed with its model interval, and the traffic.

    ``low_m_s`` and ``high_m_s`` are None where the interval was not computed, ``gust_m_s`` is the
    highest gust found. ``drag_power_w_m`` is the power the traffic spends on the air along each
    metre of road, ``wake_power_w_m`` what its single wakes ever hold beyond the rotor's near edge.
    ``annual_kwh`` is the energy of a year that a rotor of ``rotor_area_m2`` was computed to give,
    None where none was; see ``with_energy``.
    """

    name: str
    effective_speed_m_s: float
    low_m_s: float | None = None
    high_m_s: float | None = None
    drag_power_w_m: float | None = None
    wake_power_w_m: float | None = None
    gust_m_s: float | None = None
    density_kg_m3: float = STANDARD_DENSITY_KG_M3
    annual_kwh: float | None = None
    annual_low_kwh: float | None = None
    annual_high_kwh: float | None = None
    annual_range: str = ""
    rotor_area_m2: float | None = None

    def with_energy(
        self,
        annual_kwh: float,
        rotor_area_m2: float,
        case_air_kwh: float = 0.0,
        p90_kwh: float | None = None,
        p10_kwh: float | None = None,
    ) -> Place:
        """The place with a computed year.

        Its range is that of the samples of the uncertain yield, P90 to P10 of a year in the air of
        the case over ``case_air_kwh``; without samples the cube of the model interval of the
        effective speed, since a rotor's energy goes about with that.
        """
        low = high = None
        words = ""
        if p90_kwh is not None and p10_kwh is not None and case_air_kwh > 0.0:
            low, high = (annual_kwh * end / case_air_kwh for end in (p90_kwh, p10_kwh))
            words = "P90 to P10 of the uncertain yield"
        elif self.low_m_s is not None and self.high_m_s and self.effective_speed_m_s > 0.0:
            low, high = (
                annual_kwh * (end / self.effective_speed_m_s) ** 3
                for end in (self.low_m_s, self.high_m_s)
            )
            words = "by the cube of the model interval of the effective speed"
        return replace(
            self, annual_kwh=annual_kwh, annual_low_kwh=low, annual_high_kwh=high,
            annual_range=words, rotor_area_m2=rotor_area_m2,
        )  # fmt: skip


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

    ``kind`` is CONTRADICTION, BEYOND, AGREES, WITHIN or ALLOWED; ``factor`` is how many times the
    one side exceeds the other (below 1 where it stays below), against a computed result what is
    stated over its central estimate, and ``factor_range`` the same over the high and the low end
    of its range. ``about`` names the figures of the claim that it bears out or not.
    """

    kind: str
    factor: float
    text: str
    about: tuple[str, ...] = ()
    factor_range: tuple[float, float] | None = None


@dataclass(frozen=True)
class ClaimCheck:
    """Everything derived from a claim, and the verdict in plain words.

    ``status`` is CONTRADICTED, NOT_SUPPORTED or PLAUSIBLE.
    """

    implied: tuple[Implied, ...]
    findings: tuple[Finding, ...]
    verdict: str
    status: str


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
    missing = _without_support(claim, findings)
    if any(f.kind in (CONTRADICTION, BEYOND) for f in findings):
        status = CONTRADICTED
    elif missing or not any(f.kind == WITHIN for f in findings):
        status = NOT_SUPPORTED
    else:
        status = PLAUSIBLE
    words = _verdict(status, claim, place, findings, missing)
    return ClaimCheck(implied, findings, words, status)


def _without_support(claim: Claim, findings: tuple[Finding, ...]) -> tuple[str, ...]:
    """Stated figures that neither a computed result nor what else is stated bears out.

    Speeds and energies are those of a place: only what was computed for one can bear them out.
    """
    borne = {
        name for f in findings for name in f.about
        if f.kind == WITHIN or (f.kind == AGREES and name in ("power_w", "daily_load_kwh"))
    }  # fmt: skip
    return tuple(n for n in _WORDS if getattr(claim, n) is not None and n not in borne)


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
    if not c.energies:
        return
    coefficient, used = _coefficient_of(c)
    for energy in c.energies:
        mean = energy.mean_w
        how = _how(c, energy)
        yield Implied("mean output", mean, "W", how)
        if energy.about == ("daily_energy_kwh",):
            yield Implied("energy a year", energy.annual_kwh, "kWh", how)
        else:
            yield Implied("energy a day", 24e-3 * mean, "kWh", how)
        if c.power_w is not None:
            yield Implied("share of the stated power, day and night", mean / c.power_w, "1", how)
        if c.area_m2 is not None:
            needed = speed_needed(mean, c.area_m2, density, coefficient)
            name = f"effective speed the {energy.name} needs"
            yield Implied(name, needed, "m/s", f"with {used}")
    energy = c.energies[0]
    mean = energy.mean_w
    if c.section_length_m is not None:
        per_metre = mean * c.count / c.section_length_m
        how = f"{c.count} × {_short(mean)} W over {c.section_length_m:g} m"
        yield Implied("mean output per metre of road", per_metre, "W/m", how)
    load = road_load(mean * c.count)
    how = "if all of it came out of the vehicles, an upper bound"
    yield Implied("added diesel of the traffic", load.diesel_litres, "l a year", how)
    yield Implied("or added charge of the traffic", load.electric_kwh, "kWh a year", how)
    if c.daily_load_kwh is not None:
        daily = 24e-3 * mean
        share = c.count * daily / (c.loads * c.daily_load_kwh)
        how = f"{c.count} × {daily:.4g} kWh over {c.loads} × {c.daily_load_kwh:g} kWh"
        yield Implied("share of the load covered, as stated", share, "1", how)


def _how(c: Claim, energy: StatedEnergy) -> str:
    if "annual_energy_kwh" in energy.about:
        return f"{c.annual_energy_kwh:g} kWh in {HOURS_A_YEAR:g} h"
    return f"{c.daily_energy_kwh:g} kWh in 24 h"


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
    yield from _energy_findings(claim, density)
    if place is not None:
        yield from _place_findings(claim, place)


def _finding(
    kind: str,
    factor: float,
    text: str,
    c: Claim,
    about: tuple[str, ...] = (),
    factor_range: tuple[float, float] | None = None,
    **values: Any,
) -> Finding:
    figures = {k: _short(v) if isinstance(v, float) else v for k, v in values.items()}
    words = _TEXTS[text].format(factor=_short(factor), c=c, **figures)
    return Finding(kind, factor, words, about, factor_range)


def _short(value: float) -> str:
    """Three digits, without an exponent: 98100."""
    return "without limit" if math.isinf(value) else f"{float(f'{value:.3g}'):.12g}"


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
    output = f"{c.power_w:g} W from {c.area_m2:g} m² at {c.speed_m_s:.3g} m/s"
    yield from _against_laws(c, c.power_w, density, output, ("power_w",))


def _against_laws(
    c: Claim, power_w: float, density: float, output: str, about: tuple[str, ...]
) -> Iterator[Finding]:
    """An output at the stated speed and area against Betz and the stated power coefficient."""
    needed = power_w / (c.area_m2 * float(kinetic_flux(c.speed_m_s, density)))  # type: ignore[operator, arg-type]
    if needed > BETZ_TOLERANCE * BETZ:
        yield _finding(CONTRADICTION, needed / BETZ, "above Betz", c, about, output=output)
        if "power_w" not in about:
            return  # the same again, for another reason
    elif c.power_coefficient is None:
        yield _finding(ALLOWED, needed / BETZ, "below Betz", c, about, output=output)
    if c.power_coefficient is None:
        return
    factor = needed / c.power_coefficient
    kind, text = AGREES, "fits coefficient"
    if factor > TOLERANCE:
        kind, text = CONTRADICTION, "above coefficient"
    elif factor < 1.0 / TOLERANCE:
        text = "below coefficient"
    stated = f"the stated power coefficient of {c.power_coefficient:g}"
    yield _finding(kind, factor, text, c, about, output=output, stated=stated)


def _energy_findings(c: Claim, density: float) -> Iterator[Finding]:
    """Stated energies against each other, the stated power, speed with area, and the load."""
    if len(c.energies) == 2:
        day, year = c.energies
        factor = year.mean_w / day.mean_w
        about = ("daily_energy_kwh", "annual_energy_kwh")
        yield _finding(CONTRADICTION, factor, "day and year", c, about, days=f"{DAYS_A_YEAR:g}")
    elif c.daily_energy_kwh is not None and c.annual_energy_kwh is not None:
        factor = c.annual_energy_kwh / (c.daily_energy_kwh * DAYS_A_YEAR)
        about = ("daily_energy_kwh", "annual_energy_kwh")
        yield _finding(AGREES, factor, "day and year", c, about, days=f"{DAYS_A_YEAR:g}")
    for energy in c.energies:
        mean = energy.mean_w
        if c.power_w is not None and mean > TOLERANCE * c.power_w:
            yield _finding(
                CONTRADICTION, mean / c.power_w, "above power", c, energy.about,
                energy=energy.name, mean=mean,
            )  # fmt: skip
        if c.speed_m_s is not None and c.area_m2 is not None:
            output = (
                f"{_how(c, energy)}, {_short(mean)} W from {c.area_m2:g} m² with the stated "
                f"speed of {c.speed_m_s:.3g} m/s at all times,"
            )
            yield from _against_laws(c, mean, density, output, energy.about)
    if c.energies and c.daily_load_kwh is not None:
        daily = 24e-3 * c.energies[0].mean_w
        factor = c.loads * c.daily_load_kwh / (c.count * daily)
        too_much = factor > TOLERANCE
        yield _finding(
            CONTRADICTION if too_much else AGREES, factor,
            "load above energy" if too_much else "load within energy", c, ("daily_load_kwh",),
            load=f"The load of {c.loads} × {c.daily_load_kwh:g} kWh a day is",
            energy=f"the stated energy of {c.count} × {daily:.4g} kWh",
        )  # fmt: skip


def _place_findings(c: Claim, place: Place) -> Iterator[Finding]:
    """Speed, energy of one rotor and energy of all rotors against what the place has."""
    if c.speed_m_s is not None:
        yield _speed_at_place(c, c.speed_m_s, place)
    for energy in c.energies:
        if place.annual_kwh is not None:
            yield _energy_at_place(c, energy, place, place.annual_kwh)
        elif c.area_m2 is not None:
            yield _energy_below_bound(c, energy, place, c.area_m2)
    if c.mean_power_w is not None and c.section_length_m is not None and place.drag_power_w_m:
        factor = c.mean_power_w * c.count / (place.drag_power_w_m * c.section_length_m)
        if factor > 1.0:
            yield _finding(BEYOND, factor, "above drag work", c, c.energies[0].about)


@dataclass(frozen=True)
class _Against:
    """A stated value over a computed one: the factors, and in words where it lies.

    Without a range the central estimate alone is what a stated value may not pass.
    """

    factor: float
    factor_range: tuple[float, float] | None
    above: bool
    words: str
    reach: str


def _against(
    stated: float, central: float, ends: tuple[float | None, float | None], range_of: str, unit: str
) -> _Against:
    low, high = ends
    if low is None or high is None:
        above = stated > central * (1.0 + 1e-9)
        reach = f"{'above' if above else 'not above'} it; its range was not computed"
        return _Against(_over(stated, central), None, above, "", reach)
    factors = (_over(stated, high), _over(stated, low))
    above, below = stated > high * (1.0 + 1e-9), stated < low
    reach = "above the range" if above else "below the range" if below else "inside the range"
    words = (
        f" ({_short(factors[0])} to {_short(factors[1])} by its range, {_short(low)} to "
        f"{_short(high)} {unit}{range_of})"
    )
    return _Against(_over(stated, central), factors, above, words, reach)


def _speed_at_place(c: Claim, stated: float, place: Place) -> Finding:
    ends = (place.low_m_s, place.high_m_s)
    held = _against(stated, place.effective_speed_m_s, ends, ", the model interval", "m/s")
    gust = ""
    if held.above and place.gust_m_s is not None:
        gust = f"; the highest gust found there is {place.gust_m_s:.2f} m/s"
    return _finding(
        BEYOND if held.above else WITHIN, held.factor, "speed at place", c, ("speed_m_s",),
        held.factor_range, place=place, cube=held.factor**3, range=held.words, reach=held.reach,
        gust=gust,
    )  # fmt: skip


def _energy_at_place(c: Claim, energy: StatedEnergy, place: Place, computed_kwh: float) -> Finding:
    """A stated energy against that of the computed year, for the same swept area."""
    scale, rotor = 1.0, ""
    if c.area_m2 is not None and place.rotor_area_m2:
        scale = c.area_m2 / place.rotor_area_m2
        if abs(scale - 1.0) > 1e-6:
            rotor = f" with {place.rotor_area_m2:g} m², taken for {c.area_m2:g} m²"
    ends = tuple(
        None if end is None else scale * end
        for end in (place.annual_low_kwh, place.annual_high_kwh)
    )
    central = scale * computed_kwh
    held = _against(
        energy.annual_kwh, central, (ends[0], ends[1]), f", {place.annual_range}", "kWh"
    )
    return _finding(
        BEYOND if held.above else WITHIN, held.factor, "energy at place", c, energy.about,
        held.factor_range, energy=energy.name, place=place, rotor=rotor, computed=central,
        range=held.words, reach=held.reach,
    )  # fmt: skip


def _energy_below_bound(c: Claim, energy: StatedEnergy, place: Place, area_m2: float) -> Finding:
    """A stated energy against the most that the area takes from the computed effective speed."""
    coefficient, used = _coefficient_of(c)
    if coefficient >= BETZ:
        coefficient, used = BETZ, "a rotor without any loss (Betz 1920)"
    share = coefficient / BETZ

    def most(speed_m_s: float | None) -> float | None:
        if speed_m_s is None:
            return None
        return share * betz_power(speed_m_s, place.density_kg_m3, area_m2)

    central = most(place.effective_speed_m_s) or 0.0
    ends = (most(place.low_m_s), most(place.high_m_s))
    held = _against(energy.mean_w, central, ends, ", from the model interval", "W")
    return _finding(
        BEYOND if held.above else ALLOWED, held.factor,
        "energy above" if held.above else "energy allowed", c, energy.about, held.factor_range,
        energy=energy.name, used=used, place=place, range=held.words, reach=held.reach,
    )  # fmt: skip


def _over(stated: float, computed: float) -> float:
    return stated / computed if computed > 0.0 else math.inf


def _verdict(
    status: str,
    claim: Claim,
    place: Place | None,
    findings: tuple[Finding, ...],
    missing: tuple[str, ...],
) -> str:
    """The three verdicts in words, each with what it rests on."""
    if status == CONTRADICTED:
        return " ".join(["Contradicted.", *_against_it(place, findings)])
    borne = [n for n in _WORDS if getattr(claim, n) is not None and n not in missing]
    where = "" if place is None else f" for {place.name}"
    if status == PLAUSIBLE:
        below = all(
            f.factor_range is not None and f.factor_range[1] < 1.0
            for f in findings if f.kind == WITHIN
        )  # fmt: skip
        lies = "below" if below else "within"
        return (
            f"Plausible: what is stated of {_listed(borne)} lies {lies} what this model finds"
            f"{where}. The model itself is not measured there: a year's record would settle it."
        )
    parts = ["Not supported."]
    if not missing:
        parts.append("Nothing is stated that a law or a computed result could bear out.")
        return " ".join(parts)
    if borne:
        parts.append(f"{_listed(borne).capitalize()} fits what was computed or stated{where}, but")
        parts.append(f"nothing bears out {_listed(missing)}.")
    else:
        parts.append(f"Nothing contradicts the stated figures, but nothing bears out "
                     f"{_listed(missing)}.")  # fmt: skip
    if place is None:
        parts.append("No computed result was given, so they are compared with no traffic.")
    elif place.annual_kwh is None and any("energy" in name for name in missing):
        parts.append(f"No energy was computed{where}: give the case a rotor.")
    return " ".join(parts)


def _against_it(place: Place | None, findings: tuple[Finding, ...]) -> Iterator[str]:
    against = [f.factor for f in findings if f.kind == CONTRADICTION]
    beyond = [f for f in findings if f.kind == BEYOND]
    if against:
        count, verb = ("One", "does") if len(against) == 1 else (str(len(against)), "do")
        worst = max((f for f in against), key=lambda f: abs(math.log(f)) if f > 0.0 else math.inf)
        yield (
            f"{count} of the stated relations {verb} not hold; the largest factor is "
            f"{_short(worst)}. At least one stated figure has to be another."
        )
    if place is not None and beyond:
        most = max(beyond, key=lambda f: f.factor)
        ends = ""
        if most.factor_range is not None:
            ends = f" ({_short(most.factor_range[0])} to {_short(most.factor_range[1])})"
        yield (
            f"For {place.name} more is stated than this model finds there, by a factor of up to "
            f"{_short(most.factor)}{ends}. It may hold for another place or for an ambient wind: "
            "ask for the record of a year's measurement at a comparable post."
        )
    elif place is None:
        yield "No computed result was given, so the figures are compared with no traffic."


def _listed(names: tuple[str, ...] | list[str]) -> str:
    *first, last = (_WORDS[name] for name in names)
    return f"{', '.join(first)} and {last}" if first else last


def claim_record(check: ClaimCheck) -> dict[str, Any]:
    """The check for programs; a factor without limit is null."""
    return {
        "implied": [
            {"name": i.name, "value": i.value, "unit": i.unit, "how": i.how} for i in check.implied
        ],
        "findings": [
            {
                "kind": f.kind,
                "factor": _finite(f.factor),
                "factor_range": f.factor_range and [_finite(end) for end in f.factor_range],
                "text": f.text,
            }
            for f in check.findings
        ],
        "status": check.status,
        "verdict": check.verdict,
    }


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
