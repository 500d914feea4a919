"""Numbers for reading, names of things in plain English, and cautions; nothing heavy is loaded.

All other sentences stand in ``templates/``. No number stands in any of them without its source or
the words "common practice".
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from wakesim import constants

if TYPE_CHECKING:
    from wakesim.energy.claims import Implied

_MOST_DECIMALS = 9  # of an interval whose ends are alike

INVENTED_BANNER = "Invented data: the place or its traffic is made up."
INVENTED_MARK = "invented data"

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

STUDIES = {
    "traffic": "effective air speed at a small turbine's mount",
    "single_pass": "single passes of vehicles",
    "mounting_map": "effective air speed over height and offset",
    "lookup_table": "table of the effective air speed",
    "single_pass_table": "table of single passes of vehicles",
    "year": "a year of measured hours",
}

WAKE_LAWS = {name: law.text for name, law in constants.WAKE_LAWS.items()}

HEADWAYS = {
    "exponential": "exponential: vehicles independent of each other",
    "shifted_exponential": "shifted exponential: independent beyond a minimum",
    "cowan_m3": "Cowan's M3: bunched and free vehicles",
}

SIMULATED_HEADWAYS = {
    "exponential": "independent vehicles",
    "shifted_exponential": "a shifted exponential headway",
    "cowan_m3": "Cowan's M3 headways",
}

MECHANISMS = {
    "pulse": "pulse of the hull",
    "wake": "mean wake",
    "turbulence": "wake turbulence",
    "drift": "sustained drift",
    "ambient": "ambient wind",
}

RESPONSES = {
    "inertial": "with its inertia",
    "quasi_steady": "without inertia (quasi-steady)",
    "fixed_speed": "held at one shaft speed",
}

BESIDE_INTERVAL = "beside the interval"

DRIFT_PARTS = {
    "drag_in": "drag of the vehicles",
    "road_friction": "friction of road and verge",
    "outflow_left": "spreading and crosswind, out at the side of low y",
    "outflow_right": "spreading and crosswind, out at the side of high y",
    "outflow_top": "spreading upward",
    "barrier": "friction of walls",
    "storage": "air still gaining speed",
}

# Constants of the mean air whose variants the report lists, with their names there.
MEAN_AIR_VARIANTS = {
    "mixing of far wakes": "Mixing of far wakes",
    "mixing of the road's air": "Mixing (it carries the air's motion away from the road)",
    "roughness of the road": "Roughness of the road",
    "roughness of the verge": "Roughness of the verge",
    "light crosswind": "Light crosswind",
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


def energy(kwh: float) -> str:
    """An energy with a unit that leaves few zeros."""
    size = abs(kwh)
    if size >= 1.0 or size == 0.0:
        return f"{significant(kwh)} kWh"
    if size >= 1e-3:
        return f"{significant(1e3 * kwh)} Wh"
    return f"{significant(1e6 * kwh)} mWh"


def share(part: float) -> str:
    """A share as a percentage with two digits."""
    if not math.isfinite(part):
        return "an unknown share"
    return f"{significant(100.0 * part, 2)} %"


def count(value: float) -> str:
    """A large number with two digits, in millions from there on."""
    if value >= 1e6:
        return f"{significant(1e-6 * value, 2)} million"
    return f"{float(f'{value:.2g}'):.0f}"


def implied_value(implied: Implied) -> str:
    """A figure derived from a claim, three digits of it, with its unit; shares as percentages."""
    value = float(f"{implied.value:.3g}")
    if implied.unit == "kWh":
        return energy(value)
    if implied.unit != "1":
        return f"{significant(value)} {implied.unit}"
    if implied.name.startswith("share"):
        return share(value)
    return significant(value)


def one_line(text: str) -> str:
    """Text with every run of white space, line ends included, reduced to one space."""
    return " ".join(text.split())
