"""Words shared by the report, the summary, the tables and the command line.

Plain English for somebody who plans a small turbine beside a road. No number stands here without
its source or the words "common practice".
"""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from wakesim.case.schema import Case

_MOST_DECIMALS = 9  # of an interval whose ends are alike

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
    "The model interval says how far the figure could move because mixing, roughness, the start of "
    "a wake, the air beside a vehicle, drag and dimensions are known only roughly: each uncertain "
    "input is moved to both ends of its range, one at a time, and the changes up and down are each "
    "added as the root of the sum of squares. No amount of computing makes it narrower; only a "
    "measurement at the place does."
)

FLUX = (
    "What is stated per square metre is the energy flux of the air; no rotor can take more than "
    "16/27 of it (Betz 1920), and small machines take less."
)

RELIEF = (
    "A calculation in the plan plane (2D) takes a vehicle as endlessly high; air can pass over a "
    "vehicle of finite height, so its pulse is weaker. The last two columns say how many times as "
    "large the 2D calculation would make the peak of the pulse and the integral of its cubed speed."
)

_NOT_VALIDATED = (
    "No published measurement gives the air speed beside a road at a known clearance and height "
    "well enough to validate this prediction as a whole. Parts of it are compared with published "
    "wind-tunnel data and exact solutions; their sum is not confirmed by measurement."
)

_DRIFT_LIMITS = (
    "The sustained along-road flow that many wakes leave behind makes most of the answer. It "
    "follows from conservation of momentum (the drag of the vehicles in, the friction of road and "
    "verge, spreading and crosswind out) with a turbulence model; no published measurement "
    "isolates it on open roads.",
    "It is steady within each hour and fills the cross-section as long traffic does; the first "
    "minutes after a change are not followed. Still air is taken to keep a trace of motion "
    "(friction velocity 0.02 m/s, assumed). Light winds are not still air: they move the drift a "
    "lot, and are shown beside the model interval.",
)
_NO_DRIFT_LIMITS = (
    "The mean air of the traffic is not included (air.drift.enabled = false): each wake is "
    "followed for a limited time and then dropped. The result depends on that time and is far too "
    "low for dense traffic; the report shows by how much it moves.",
)
_SINGLE_PASS_LIMITS = (
    "Single passes only: the sustained drift, the mean air of many vehicles, is not part of it.",
)
_WALL_LIMIT = (
    "The wall is taken as endless along the road and upward, for the drift too: no air crosses "
    "it, a crosswind is turned along it, and it has no friction."
)

_MODEL_LIMITS = (
    "Vertical motion through the rotor is not counted.",
    "The trailing vortices of slanted rear ends (hatchbacks, fastbacks) are not modelled; the "
    "wake is that of a square-backed body with the vehicle's own drag.",
    "The closed bubble of air just behind a vehicle, and points less than 0.5 m from a vehicle's "
    "side, are outside the range of the wake laws: such results are flagged, not trusted.",
    "Dense jams and stop-and-go traffic (slower than 5 m/s) are outside the range.",
    "Pulses and wakes of different vehicles are added. Vehicles do not otherwise disturb each "
    "other's air, except for the reduced wake of a close follower when drafting is switched on, "
    "and, with the sustained drift, for the lower drag in air that moves along already.",
    "The strength of the wakes' turbulence is computed; the form of its spectrum is prescribed.",
    "Ambient wind is steady in strength and direction apart from its prescribed turbulence. "
    "Buildings, trees, embankments, cuttings and barriers are not modelled, except for one "
    "straight wall where the case names it.",
)
_NO_ROTOR_LIMIT = (
    "The rotor is not modelled: neither its effect on the air nor its slow answer to pulses of "
    "0.2 to 3 s. Energy flux is not the output of a machine."
)
_ROTOR_LIMIT = (
    "The rotor is a generic one: its answer to gusts is modelled, its effect on the air is not."
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
    "Wake and drift: turbulence closure of Launder & Spalding 1974, Comput. Methods Appl. Mech. "
    "Eng. 3, 269, with the weak-shear correction of Rodi 1976 (from memory); start behind the base "
    "after Lienhart & Becker 2003; mean of many passes after Campbell 1909, Proc. Cambridge "
    "Philos. Soc. 15, 117.",
    "Comparators: couple wake, Eskridge & Hunt 1979, J. Appl. Meteorol. 18, 387; momentum wake, "
    "Pope 2000, Turbulent Flows, §5.4.",
    "Headways: Cowan 1975, Transportation Research 9, 371.",
    "Frequencies of traffic-made turbulence: Eskridge & Rao 1983, J. Climate Appl. Meteorol. 22, "
    "1431 (abstract).",
    "Drafting: fitted to the abstract of Cerutti et al. 2021.",
    "Rotor-equivalent speed: form of IEC 61400-12-1.",
    "Air density: form of CIPM-2007; pressure with altitude: ISO 2533.",
    "Upper limit of a rotor: Betz 1920.",
)

WAKE_LAWS = {
    "section": "marched through the road's cross-section (the road takes a tenth of its momentum "
    "in ten seconds)",
    "couple": "the couple wake, a comparator (the road holds the air back)",
    "momentum": "the momentum wake, a comparator (the air slides freely over the road)",
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
    "drift": "sustained drift",
    "ambient": "ambient wind",
}


BESIDE_INTERVAL = "beside the interval"

DRIFT_PARTS = {
    "road_friction": "friction of road and verge",
    "outflow_left": "spreading and crosswind, out at the side of low y",
    "outflow_right": "spreading and crosswind, out at the side of high y",
    "outflow_top": "spreading upward",
    "barrier": "friction of walls",
    "storage": "air still gaining speed",
}


def limits(case: Case) -> tuple[str, ...]:
    """What is not modelled or not sure in a case, in sentences."""
    rotor = _ROTOR_LIMIT if case.study == "traffic" and case.rotor is not None else _NO_ROTOR_LIMIT
    common = (*_MODEL_LIMITS, rotor)
    if case.traffic is None:
        return (_NOT_VALIDATED, *_SINGLE_PASS_LIMITS, *common)
    if not case.air.drift.enabled:
        return (_NOT_VALIDATED, *_NO_DRIFT_LIMITS, *common)
    walled = any(mount.wall_offset_m is not None for mount in case.mounts)
    wall = (_WALL_LIMIT,) if walled else ()
    return (_NOT_VALIDATED, *_DRIFT_LIMITS, *wall, *common)


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
    """Both ends with as many decimals as give the lower one the significant digits, and with more
    where they would look equal."""
    low, high = ends
    decimals = _decimals(low if low else high, digits)
    while decimals < _MOST_DECIMALS and low < high and (
        number(low, decimals) == number(high, decimals)
    ):  # fmt: skip
        decimals += 1
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


# What a spreadsheet takes for the start of a cell and a formula in it, in any of its languages.
_FORMULA = re.compile(r"""([,;|]["'\s]*)(?=[=+\-@])""")


def comment_line(text: str) -> str:
    """A comment line of a CSV file; what would be a formula in it is quoted, "'=" for "="."""
    return "# " + _FORMULA.sub(r"\1'", one_line(text)) + "\n"
