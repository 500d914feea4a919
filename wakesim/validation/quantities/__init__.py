"""Every quantity a reference file can name. A module of this package registers its own."""

from __future__ import annotations

import pkgutil
from functools import cache
from importlib import import_module
from types import MappingProxyType

from wakesim.validation.comparison import Quantity
from wakesim.validation.quantities.inputs import REGISTERED


@cache
def quantities() -> MappingProxyType[str, Quantity]:
    """All quantities by name, module by module; not to be changed."""
    for module in pkgutil.iter_modules(__path__):
        import_module(f"{__name__}.{module.name}")
    return MappingProxyType({name: REGISTERED[name] for name in _order()})


def _order() -> list[str]:
    """By module, whichever was imported first, and as they stand there."""
    return sorted(REGISTERED, key=lambda name: REGISTERED[name].function.__module__)
