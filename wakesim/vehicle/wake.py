"""Wake laws by name: the marched wake (default) and two similarity laws as comparators.

A law is a subclass of ``bubble.NearWake`` in a file of its own here that ends in ``_wake``, under
a name that ``constants.WAKE_LAWS`` describes: what the case may name, reports show and comparisons
repeat is read from there.
"""

from __future__ import annotations

from functools import cache, lru_cache
from importlib import import_module
from pathlib import Path

from wakesim.case.vehicle import Vehicle
from wakesim.constants import WAKE_LAWS
from wakesim.section.wake import forget_tables
from wakesim.vehicle.bubble import (
    SHARE_U,
    SHARE_V,
    SHARE_W,
    TURBULENCE_ONSET,
    TURBULENCE_TIME_S,
    AirState,
    NearWake,
    WakeConstants,
    bubble_length_m,
    with_wall_image,
)

Wake = NearWake
LAWS = tuple(WAKE_LAWS)


@cache
def law_class(name: str) -> type[Wake]:
    """The class of a law. Raises ValueError for an unknown one."""
    for file in Path(__file__).parent.glob("*_wake.py"):
        import_module(f"wakesim.vehicle.{file.stem}")
    if name not in NearWake.laws:
        raise ValueError(f"unknown wake law {name!r}; known: {', '.join(LAWS)}")
    return NearWake.laws[name]


@lru_cache(maxsize=32)
def vehicle_wake(
    vehicle: Vehicle, constants: WakeConstants = WakeConstants(), air: AirState = AirState()
) -> Wake:
    """The wake of a vehicle in given air. Raises ValueError for an unknown law."""
    return law_class(constants.law)(vehicle, constants, air)


def forget_wakes() -> None:
    """Let go of the wakes, and tables of them, that this process holds in memory."""
    vehicle_wake.cache_clear()
    forget_tables()


__all__ = [
    "LAWS",
    "SHARE_U",
    "SHARE_V",
    "SHARE_W",
    "TURBULENCE_ONSET",
    "TURBULENCE_TIME_S",
    "AirState",
    "Wake",
    "WakeConstants",
    "bubble_length_m",
    "forget_wakes",
    "law_class",
    "vehicle_wake",
    "with_wall_image",
]
