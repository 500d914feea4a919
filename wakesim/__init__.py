"""wakesim: what the air beside a busy road really does.

The public names below load what they need only when they are first used, so that importing the
package costs nothing; ``wakesim.run`` and ``wakesim.vehicle`` are both the function and the module
of that name.
"""

from __future__ import annotations

import sys
from importlib import import_module
from types import ModuleType
from typing import TYPE_CHECKING, Any

from wakesim.runtime import prepare_kernel_cache

prepare_kernel_cache()  # must come before anything imports numba

if TYPE_CHECKING:
    from wakesim.air.record import read_wind_record as read_wind_record
    from wakesim.air.rose import WindRose as WindRose
    from wakesim.case.load import load_case as load_case
    from wakesim.case.schema import Case as Case
    from wakesim.case.vehicle import Vehicle as Vehicle
    from wakesim.case.vehicle import catalogue as catalogue
    from wakesim.case.vehicle import vehicle as vehicle
    from wakesim.energy.claims import Claim as Claim
    from wakesim.energy.claims import check_claim as check_claim
    from wakesim.energy.rotor import Rotor as Rotor
    from wakesim.energy.rotor import generic_rotor as generic_rotor
    from wakesim.errors import CaseError as CaseError
    from wakesim.outputs.table_reader import open_table as open_table
    from wakesim.run import run as run
    from wakesim.traffic.stationary import shot_noise as shot_noise
    from wakesim.traffic.whole_hour import march_section as march_section
    from wakesim.vehicle.panels2d import VortexOutline as VortexOutline
    from wakesim.vehicle.panels3d import SourceHull as SourceHull
    from wakesim.vehicle.passfield import pass_field as pass_field
    from wakesim.vehicle.vortex_sum import induced_velocity as induced_velocity

    __version__: str

_HOMES = {
    "Case": "wakesim.case.schema",
    "CaseError": "wakesim.errors",
    "Claim": "wakesim.energy.claims",
    "Rotor": "wakesim.energy.rotor",
    "SourceHull": "wakesim.vehicle.panels3d",
    "induced_velocity": "wakesim.vehicle.vortex_sum",
    "Vehicle": "wakesim.case.vehicle",
    "VortexOutline": "wakesim.vehicle.panels2d",
    "catalogue": "wakesim.case.vehicle",
    "check_claim": "wakesim.energy.claims",
    "generic_rotor": "wakesim.energy.rotor",
    "load_case": "wakesim.case.load",
    "march_section": "wakesim.traffic.whole_hour",
    "WindRose": "wakesim.air.rose",
    "open_table": "wakesim.outputs.table_reader",
    "pass_field": "wakesim.vehicle.passfield",
    "read_wind_record": "wakesim.air.record",
    "shot_noise": "wakesim.traffic.stationary",
}

_CALLABLE = {"run": "wakesim.run", "vehicle": "wakesim.case.vehicle"}

__all__ = [*_HOMES, *_CALLABLE, "__version__"]


class _CallableModule(ModuleType):
    """The module ``wakesim.run`` or ``wakesim.vehicle``, callable as the public function."""

    def __call__(self, *args: Any, **kwargs: Any) -> Any:
        """Call the public function that has the name of this module."""
        name = self.__name__.rpartition(".")[2]
        return getattr(import_module(_CALLABLE[name]), name)(*args, **kwargs)


class _Package(ModuleType):
    """The package: what it does to a module when that is first imported.

    A module under the name of a public function is made callable; the records of a result get
    their way to the outputs, which they do not know.
    """

    def __setattr__(self, name: str, value: Any) -> None:
        if name == "results":
            value.outputs = lambda: import_module("wakesim.outputs")
        if name in _CALLABLE and isinstance(value, ModuleType):
            value.__class__ = _CallableModule
        super().__setattr__(name, value)


sys.modules[__name__].__class__ = _Package


def __getattr__(name: str) -> Any:
    if name in _CALLABLE:
        return import_module(f"wakesim.{name}")
    if name == "__version__":
        from wakesim.runtime import version

        return version()
    if name not in _HOMES:
        raise AttributeError(f"module 'wakesim' has no attribute {name!r}")
    value = getattr(import_module(_HOMES[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
