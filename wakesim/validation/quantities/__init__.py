"""Every quantity a reference file can name: the registry."""

from __future__ import annotations

from functools import cache
from types import MappingProxyType

from wakesim.validation.comparison import Quantity
from wakesim.validation.quantities import (
    displacement,
    drift,
    far_wake,
    gust,
    near_wake,
    passage,
    pressure,
    roadside,
    traffic,
)

_MODULES = (displacement, near_wake, far_wake, traffic, passage, roadside, drift, pressure, gust)


@cache
def quantities() -> MappingProxyType[str, Quantity]:
    """All quantities by name, in the order of the parts of the model; not to be changed."""
    found: dict[str, Quantity] = {}
    for module in _MODULES:
        for quantity in module.QUANTITIES:
            if quantity.name in found:
                raise ValueError(f"two quantities are named {quantity.name}")
            found[quantity.name] = quantity
    return MappingProxyType(found)
