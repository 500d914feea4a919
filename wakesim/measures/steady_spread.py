"""The model interval of exact statistics: uncertain constants moved one at a time.

The same variants and the same rule as ``spread``, at many places at once and without random
numbers. Left out are those that change the hull, because each would need displacement flows of its
own: recirculation length, outside dimensions, open or closed tail; and the wake cut-off, which is a
hand-over to the drift and no physics. At the post of the main example dimensions of
5 % more or less change the effective speed by 9 %, yet with all three in, the interval reaches only
3 % farther down and 0.1 % farther up: the wake family and the mixing decide.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from wakesim.case.schema import Case
from wakesim.case.vehicle import Vehicle
from wakesim.flow.pulse_grid import PulseFields, PulseTable
from wakesim.measures import series
from wakesim.measures.places import rotor_statistics
from wakesim.measures.spread import variants
from wakesim.traffic.lines import FieldSettings

Array = NDArray[np.float64]
PulsesOf = Callable[[FieldSettings], PulseFields]

PARTS = (
    "wake family",
    "spread of the couple wake",
    "spread of the momentum wake",
    "eddy diffusivity",
    "friction of road and verge",
    "drag coefficients",
    "wake turbulence",
    "height of the wake turbulence",
    "lane position",
)


def moved_effective_speeds(
    case: Case,
    places: Array,
    density_kg_m3: float,
    pulses_of: PulsesOf,
    parts: tuple[str, ...] = PARTS,
) -> Iterator[tuple[str, str, Array]]:
    """(parameter, setting, effective speed (n,) m/s) of every variant at places (n, 2)."""
    scene = series.prepare(case, case.mounts[0])
    base = series.field_settings(case)
    for parameter, setting, change in variants(base):
        if parameter not in parts:
            continue
        changed, settings = change(scene, base)
        vehicles = case.vehicles | {s.vehicle.name: s.vehicle for s in changed.sights}
        pulses = pulses_of(settings)
        if vehicles != case.vehicles:
            pulses = _UnchangedPulses(pulses, case.vehicles, settings)
        found = rotor_statistics(
            replace(case, vehicles=vehicles), places, density_kg_m3,
            pulses=pulses, settings=settings,
        )  # fmt: skip
        yield parameter, setting, found["effective_speed"]


class _UnchangedPulses(PulseFields):
    """The pulses of the case's own vehicles for vehicles of other drag: as in ``spread``, what
    another drag does to a pulse is a few per cent of it and left out."""

    def __init__(
        self, pulses: PulseFields, vehicles: Mapping[str, Vehicle], settings: FieldSettings
    ) -> None:
        super().__init__(settings.constants, settings.open_tail, settings.refinement)
        self._pulses, self._own = pulses, dict(vehicles)

    def table(self, vehicle: Vehicle) -> PulseTable:
        return self._pulses.table(self._own[vehicle.name])


def interval_ends(base: Array, moved: list[tuple[str, str, Array]]) -> tuple[Array, Array]:
    """Lower and upper end (n,) of the model interval around ``base`` (n,), m/s.

    Base minus and plus the root of the summed squares of the changes of each parameter; of two
    ends that change the speed the same way the larger counts.
    """
    up: dict[str, Array] = {}
    down: dict[str, Array] = {}
    for parameter, _, speed in moved:
        change = speed - base
        zero = np.zeros_like(base)
        up[parameter] = np.maximum(up.get(parameter, zero), change)
        down[parameter] = np.maximum(down.get(parameter, zero), -change)
    rise = np.sqrt(sum((c * c for c in up.values()), np.zeros_like(base)))
    fall = np.sqrt(sum((c * c for c in down.values()), np.zeros_like(base)))
    return np.maximum(base - fall, 0.0), base + rise
