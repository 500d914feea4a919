"""Wake laws by name: the marched wake (default) and two similarity laws as comparators.

A law is a class on ``bubble.NearWake`` in a file of its own (``marched_wake``,
``similarity_wake``), entered in ``_LAWS`` here under a name that ``constants.WAKE_LAWS`` describes:
what the case may name, reports show and comparisons repeat is read from there.
"""

from __future__ import annotations

from functools import lru_cache

from wakesim.case.vehicle import Vehicle
from wakesim.constants import WAKE_LAWS
from wakesim.vehicle.bubble import (
    SHARE_U,
    SHARE_V,
    SHARE_W,
    TURBULENCE_ONSET,
    TURBULENCE_TIME_S,
    AirState,
    WakeConstants,
    bubble_length_m,
    with_wall_image,
)
from wakesim.vehicle.marched_wake import MarchedWake
from wakesim.vehicle.similarity_wake import CoupleWake, MomentumWake

Wake = MarchedWake | CoupleWake | MomentumWake
LAWS = tuple(WAKE_LAWS)

_LAWS: dict[str, type[Wake]] = {
    "section": MarchedWake,
    "couple": CoupleWake,
    "momentum": MomentumWake,
}


def law_class(name: str) -> type[Wake]:
    """The class of a law. Raises ValueError for an unknown one."""
    if name not in _LAWS:
        raise ValueError(f"unknown wake law {name!r}; known: {', '.join(LAWS)}")
    return _LAWS[name]


@lru_cache(maxsize=96)
def vehicle_wake(
    vehicle: Vehicle, constants: WakeConstants = WakeConstants(), air: AirState = AirState()
) -> Wake:
    """The wake of a vehicle in given air. Raises ValueError for an unknown law."""
    return law_class(constants.law)(vehicle, constants, air)


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
    "law_class",
    "vehicle_wake",
    "with_wall_image",
]
