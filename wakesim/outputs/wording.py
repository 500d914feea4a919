"""Words shared by the report, the summary, the tables and the command line.

Plain English for somebody who plans a small turbine beside a road. No number stands here without
its source or the words "common practice".
"""

from __future__ import annotations

import math

INVENTED_BANNER = "Invented data: the place or its traffic is made up."
INVENTED_MARK = "invented data"

EFFECTIVE_SPEED = (
    "The effective speed is the steady wind that would carry the same energy through the rotor's "
    "swept area as the uneven air beside the road does: the cube root of the mean of the cubed "
    "speed. It is higher than the mean speed because short, fast gusts carry much of the energy. "
    "Use it for energy; use the mean to judge how the place feels most of the time."
)

SAMPLING_INTERVAL = (
    "The sampling interval (90 %) says how far the figure could move because another, equally "
    "likely sequence of vehicles would have driven past. More simulated hours make it narrower."
)

MODEL_INTERVAL = (
    "The model interval says how far the figure could move because the laws of vehicle wakes are "
    "known only roughly: each uncertain constant is moved to both ends of its range, one at a "
    "time, and the changes up and down are each added as the root of the sum of squares. No "
    "amount of computing makes it narrower; only a measurement at the place does."
)

WEAK_AIR = (
    "Air beside a road is weak. What is stated per square metre is the energy flux of the air; "
    "no rotor can take more than 16/27 of it (Betz 1920), and small machines take less."
)

RELIEF = (
    "A calculation in the plan plane (2D) takes a vehicle as endlessly high; air can pass over a "
    "vehicle of finite height, so its pulse is weaker. The last two columns say how many times as "
    "large the 2D calculation would make the peak of the pulse and the integral of its cubed speed."
)

LIMITS: tuple[str, ...] = (
    "No published measurement gives the air speed beside a road at a known clearance and height "
    "well enough to validate this prediction as a whole. Parts of it are compared with published "
    "wind-tunnel data and exact solutions; their sum is not confirmed by measurement.",
    "Sustained drift is not resolved: each wake is followed for a limited time (the wake cut-off) "
    "and then dropped, because the sum of all wakes has no limit of its own. The result depends "
    "on that cut-off; the report shows by how much. The slow along-road drift of dense one-way "
    "traffic is the least certain part.",
    "The trailing vortices of slanted rear ends (hatchbacks, fastbacks) are not modelled; the "
    "wake is that of a square-backed body with the vehicle's own drag.",
    "The closed bubble of air just behind a vehicle, and points less than 0.5 m from a vehicle's "
    "side, are outside the range of the wake laws: such results are flagged, not trusted.",
    "Dense jams and stop-and-go traffic (slower than 5 m/s) are outside the range.",
    "Pulses and wakes of different vehicles are added. Vehicles do not otherwise disturb each "
    "other's air, except for the reduced wake of a close follower when drafting is switched on.",
    "Turbulence in the wakes is synthetic: its strength and the form of its spectrum are "
    "prescribed, not computed.",
    "Ambient wind is steady in strength and direction apart from its prescribed turbulence. "
    "Buildings, trees, embankments, cuttings and barriers are not modelled, except for one "
    "straight wall where the case names it.",
    "The rotor is not modelled: neither its effect on the air nor its slow answer to pulses of "
    "0.2 to 3 s. Energy flux is not the output of a machine.",
)

CAUTION = (
    "Not a structural or road-safety design: wind and vehicle-gust loads, passive safety of posts, "
    "work near traffic and grid connection follow local codes, the road authority and licensed "
    "engineers."
)

CAUTIONS: tuple[str, ...] = (
    CAUTION,
    "Decide on the lower end of the model interval, and measure at the place before spending "
    "money: a few weeks of an anemometer at the mount's height tell more than any model.",
)

SOURCES: tuple[str, ...] = (
    "Displacement flow by source panels: Hess & Smith 1967, Prog. Aerospace Sci. 8, 1; Katz & "
    "Plotkin, Low-Speed Aerodynamics.",
    "Couple wake of a vehicle on a road: Eskridge & Hunt 1979, J. Appl. Meteorol. 18, 387; "
    "Eskridge & Thompson 1982 (turbulence decay). The spread of that wake: from memory.",
    "Momentum wake: Pope 2000, Turbulent Flows, §5.4.",
    "Headways: Cowan 1975, Transportation Research 9, 371.",
    "Drafting: fitted to the abstract of Cerutti et al. 2021.",
    "Rotor-equivalent speed: form of IEC 61400-12-1.",
    "Air density: form of CIPM-2007; pressure with altitude: ISO 2533.",
    "Upper limit of a rotor: Betz 1920.",
)

# Where the range of each uncertain constant comes from, by the name the variants carry.
RANGE_ORIGINS = {
    "wake family": "the other of the two published families",
    "spread of the couple wake": "λ × 0.7 and × 1.4; from memory",
    "spread of the momentum wake": "S = 0.2 to 0.8, bluff bodies; published 0.064 to 0.8",
    "eddy diffusivity": "a third and three times; engineering estimate, no published source",
    "drag coefficients": "drag range of each class, ± 15 % where a vehicle has none (assumed)",
    "recirculation length": "0.7 to 1.6 vehicle heights, published range",
    "wake turbulence": "rms × 0.5 and × 1.5; assumed, no published source",
    "vehicle dimensions": "± 5 %; assumed, no published source",
    "lane position": "± 0.25 m of all vehicles together; assumed, no published source",
    "tail of the hull": "closed hull against an open separation bubble",
    "wake cut-off": "half and double the time; sustained drift is not resolved",
}

WAKE_FAMILIES = {
    "couple": "the couple wake (the road holds the air back)",
    "momentum": "the momentum wake (the air slides freely over the road)",
}

MOUNT_KINDS = {
    "post": "post beside the road",
    "central_reservation": "post in the central reservation",
    "overhead": "overhead, on a gantry or bridge",
    "wall": "beside a wall",
}

HEADWAYS = {
    "exponential": "exponential: vehicles independent of each other",
    "shifted_exponential": "shifted exponential: independent beyond a minimum",
    "cowan_m3": "Cowan's M3: bunched and free vehicles",
}

MECHANISMS = {
    "pulse": "pulse of the hull",
    "wake": "mean wake",
    "turbulence": "wake turbulence",
    "ambient": "ambient wind",
}


def number(value: float, digits: int = 2) -> str:
    """A number for reading: fixed decimals, a true minus sign, an en dash when not finite."""
    if not math.isfinite(value):
        return "–"
    text = f"{value:.{digits}f}"
    if float(text) == 0.0:
        text = text.lstrip("-")
    return text.replace("-", "−")


def significant(value: float, digits: int = 3) -> str:
    """A number for reading with the given significant digits and no exponent."""
    if value == 0.0:
        return "0"
    return number(value, _decimals(value, digits))


def interval(ends: tuple[float, float], digits: int, joint: str = "to") -> str:
    """Both ends with as many decimals as give the lower one the significant digits."""
    low, high = ends
    decimals = _decimals(low if low else high, digits)
    return f"{number(low, decimals)} {joint} {number(high, decimals)}"


def place(value: float) -> str:
    """A length of the geometry: two decimals, three where the third is not zero."""
    text = number(value, 3)
    return text.removesuffix("0") if "." in text else text


def change(value: float, digits: int = 3) -> str:
    """A difference with its sign; none where it rounds to zero."""
    text = number(value, digits)
    return f"+{text}" if value > 0 and float(text) > 0 else text


def _decimals(value: float, digits: int) -> int:
    """Decimals that show so many significant digits, never negative."""
    if not math.isfinite(value) or value == 0.0:
        return digits - 1
    exponent = int(f"{value:.{digits - 1}e}".split("e")[1])
    return max(0, digits - 1 - exponent)


def one_line(text: str) -> str:
    """Text with every run of white space, line ends included, reduced to one space."""
    return " ".join(text.split())
