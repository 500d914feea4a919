"""How far the modelled record's numbers move when the model's uncertain constants do.

The variants are those of the model interval of ``wakesim run`` (wakesim.measures.model_interval):
each constant to each end of its range, one at a time, on the same passes and the same noise; upward
and downward changes add as the root of the sum of squares, of every number and every point of a
curve.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from wakesim.arrays import Array
from wakesim.constants import Input
from wakesim.measures.model_interval import change, coarse, fall_and_rise, variants
from wakesim.records.anemometer import AnemometerRecord
from wakesim.records.modelled import Cache, Scenario, Window, modelled_records

Measure = Callable[[AnemometerRecord], Array]

STRETCHES, STRETCH_S = 6, 600.0  # at most an hour of the record stands for all of it


@dataclass(frozen=True)
class Variant:
    """One constant moved: the change (k,) of the measured numbers."""

    parameter: str
    setting: str
    change: Array


@dataclass(frozen=True)
class ModelRange:
    """Downward and upward changes (k,), root of the sum of squares over the constants."""

    down: Array
    up: Array
    variants: tuple[Variant, ...]


def model_range(
    scenario: Scenario,
    windows: tuple[Window, ...],
    measure: Measure,
    cache: Cache,
    progress: Callable[[float], None] = lambda share: None,
) -> ModelRange:
    """Changes of what ``measure`` gives, (k,), of records modelled in the ``windows``."""
    settings = coarse(scenario.settings)

    def measured(item: Input | None = None, value: float = 0.0) -> Array:
        scene, changed = scenario.scene, settings
        if item is not None:
            case, changed = change(item, scene.case, settings, value)
            views = tuple(replace(s, vehicle=case.vehicles[s.vehicle.name]) for s in scene.views)
            scene = replace(scene, case=case, views=views)
        options = {"scene": scene, "settings": changed, "windows": windows}
        return measure(modelled_records(scenario, cache, **options)[0])

    base = measured()
    wanted = variants(settings)
    found = []
    for i, (item, value) in enumerate(wanted):
        found.append(Variant(item.name, item.describe(value), measured(item, value) - base))
        progress((i + 1) / len(wanted))
    down, up = fall_and_rise((v.parameter, np.nan_to_num(v.change)) for v in found)
    return ModelRange(down, up, tuple(found))
