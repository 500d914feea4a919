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
from dataclasses import dataclass, fields

STANDARD_DENSITY_KG_M3 = 1.225  # ISO 2533 at sea level, 15 degrees

CONTRADICTION = "contradiction"  # stated figures exclude each other, or pass a law
BEYOND = "beyond the place"  # more than the place has by this model
AGREES = "agrees"


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
    from wakesim.energy import claim_figures, claim_findings

    if not (density_kg_m3 > 0.0 and math.isfinite(density_kg_m3)):
        raise ValueError("density must be greater than 0 kg/m3")
    implied = tuple(claim_figures.implied(claim, place, density_kg_m3))
    findings = tuple(claim_findings.findings(claim, place, density_kg_m3))
    return ClaimCheck(implied, findings, _verdict(place, implied, findings))


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
