"""How far the modelled record's numbers move when the model's uncertain constants do.

The variants are those of the model interval of ``wakesim run`` (wakesim.measures.spread): each
constant to each end of its range, one at a time, on the same passes and the same noise; upward and
downward changes add as the root of the sum of squares, of every number and every point of a curve.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wakesim.measures.spread import coarse, variants
from wakesim.records.anemometer import AnemometerRecord
from wakesim.records.modelled import Cache, Scenario, Window, modelled_records

Array = NDArray[np.float64]
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
    say: Callable[[float], None] = lambda share: None,
) -> ModelRange:
    """Changes of what ``measure`` gives, (k,), of records modelled in the ``windows``."""
    settings = coarse(scenario.settings)

    def measured(change: Callable | None) -> Array:  # type: ignore[type-arg]
        scene, changed = scenario.scene, settings
        if change is not None:
            scene, changed = change(scene, changed)
        options = {"scene": scene, "settings": changed, "windows": windows}
        return measure(modelled_records(scenario, cache, **options)[0])

    base = measured(None)
    wanted = list(variants(settings))
    found = []
    for i, (parameter, setting, change) in enumerate(wanted):
        found.append(Variant(parameter, setting, measured(change) - base))
        say((i + 1) / len(wanted))
    up, down = _ends(found)
    return ModelRange(down, up, tuple(found))


def _ends(found: list[Variant]) -> tuple[Array, Array]:
    """Of the two ends of a constant that change a number the same way, the larger counts."""
    size = found[0].change.size
    tops: dict[str, Array] = {}
    bottoms: dict[str, Array] = {}
    for variant in found:
        name = variant.parameter
        change = np.nan_to_num(variant.change)
        tops[name] = np.maximum(tops.get(name, np.zeros(size)), change)
        bottoms[name] = np.maximum(bottoms.get(name, np.zeros(size)), -change)
    up = np.sqrt(np.sum([c**2 for c in tops.values()], axis=0))
    down = np.sqrt(np.sum([c**2 for c in bottoms.values()], axis=0))
    return up, down
