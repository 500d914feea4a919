"""Names, units and sentences that the outputs of the studies of many states share."""

from __future__ import annotations

from typing import TYPE_CHECKING

from wakesim.measures.places import PLACE_VARIABLES
from wakesim.outputs import wording
from wakesim.studies.pass_table import PASS_VARIABLES

if TYPE_CHECKING:
    from wakesim.results import GridResult, LookupResult

# name: (netCDF units, unit for reading, meaning)
AXIS_WORDS: dict[str, tuple[str, str, str]] = {
    "offset_m": ("m", "m", "offset y of the rotor axis from the near-side edge line"),
    "clearance_m": (
        "m",
        "m",
        "from the side of the widest heavy vehicle in the outer lane to the rotor axis",
    ),
    "height_m": ("m", "m", "height of the centre of the swept area above the road"),
    "flow_veh_h": ("h-1", "veh/h", "vehicles per hour on the near carriageway"),
    "heavy_share": ("1", "", "share of heavy vehicles on every carriageway"),
    "speed_factor": ("1", "", "factor on the speed of every vehicle class"),
    "wind_speed_m_s": ("m s-1", "m/s", "ambient wind at the reference height"),
    "wind_angle_deg": ("degree", "°", "direction the wind blows to: 0 along +x, 90 along +y"),
    "direction_split": ("1", "", "share of the near carriageway in the flow of both"),
    "speed_m_s": ("m s-1", "m/s", "speed of the vehicle"),
}
STANDARD_NAMES = {
    "height_m": "height",
    "wind_speed_m_s": "wind_speed",
}
_SUFFIX = {"m s-1": "m_s", "W m-2": "w_m2", "m": "m", "m2 s-1": "m2_s", "m3 s-2": "m3_s2", "s": "s"}
_READING = {"m s-1": "m/s", "W m-2": "W/m²", "m2 s-1": "m²/s", "m3 s-2": "m³/s²"}

INTERVAL_VARIABLES = {
    "model_low": ("m s-1", "lower end of the model interval of effective_speed"),
    "model_high": ("m s-1", "upper end of the model interval of effective_speed"),
}
# What a lookup table holds, with the values that are possible.
TABLE_FORMAT = "wakesim lookup table 1"
TABLE_LIMITS: dict[str, tuple[float, float]] = {
    "effective_speed": (0.0, 200.0),
    "mean_speed": (0.0, 200.0),
    "sd_speed": (0.0, 200.0),
    "drift": (-200.0, 200.0),
    "power_density": (0.0, 1e8),
    "model_low": (0.0, 200.0),
    "model_high": (0.0, 200.0),
}
CAPTURED = {"captured_power_density": ("W m-2", "energy flux times the stated power coefficient")}
VARIABLES: dict[str, tuple[str, str]] = {
    **PLACE_VARIABLES,
    **INTERVAL_VARIABLES,
    **CAPTURED,
    **PASS_VARIABLES,
}
MEANS = ("mean_speed", "effective_speed", "drift", "power_density", "captured_power_density")

NO_SAMPLING = (
    "There is no sampling interval: the statistics are exact for vehicles that arrive "
    "independently of each other (Campbell 1909; Rice 1944), no random numbers are drawn."
)
INDEPENDENT = (
    "Vehicles of a lane are taken as independent of each other (exponential headways), whatever "
    "headways the case names; bunched traffic blows a little harder or weaker."
)
INTERPOLATION = (
    "Between the values of an axis the effective speed is interpolated by piecewise cubic Hermite "
    "polynomials with the slopes of parabolas through three values (straight between two), one "
    "axis after the other; directions over a full circle are closed."
)


def column(name: str) -> str:
    """A variable with its unit, as a column of a CSV file: effective_speed_m_s."""
    suffix = _SUFFIX.get(VARIABLES[name][0], "")
    return f"{name}_{suffix}" if suffix else name


def reading_unit(units: str) -> str:
    """netCDF units for people: m/s."""
    return _READING.get(units, units)


def grid_limits(result: GridResult) -> tuple[str, ...]:
    """What is not modelled or not sure."""
    general = wording.limits(result.case)
    if result.case.traffic is None:
        return general
    return (INDEPENDENT, *general)


def axis_range(result: LookupResult, name: str) -> str:
    """An axis in words: 5 values from 2 to 6 m."""
    values = result.axes[name]
    unit = AXIS_WORDS[name][1]
    if len(values) == 1:
        return f"{values[0]:g} {unit}".strip()
    return f"{len(values)} values from {values[0]:g} to {values[-1]:g} {unit}".strip()
