"""Names, units and sentences that the outputs of the studies of many states share."""

from __future__ import annotations

from typing import TYPE_CHECKING

from wakesim.outputs import wording
from wakesim.quantities import AXES

if TYPE_CHECKING:
    from wakesim.results import GridResult, LookupResult

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


def grid_limits(result: GridResult) -> tuple[str, ...]:
    """What is not modelled or not sure."""
    general = wording.limits(result.case)
    if result.case.traffic is None:
        return general
    return (INDEPENDENT, *general)


def axis_range(result: LookupResult, name: str) -> str:
    """An axis in words: 5 values from 2 to 6 m."""
    values = result.axes[name]
    unit = AXES[name].reading_unit
    if len(values) == 1:
        return f"{values[0]:g} {unit}".strip()
    return f"{len(values)} values from {values[0]:g} to {values[-1]:g} {unit}".strip()
