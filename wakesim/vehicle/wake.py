"""Wake laws by name: the marched wake (default) and two similarity laws as comparators.

A law is a class with ``velocity``, ``turbulence``, ``both``, ``width`` and ``sections``
(``marched_wake``, ``similarity_wake``), entered in ``_LAWS`` here.
"""

from __future__ import annotations

from functools import lru_cache

from wakesim.case.vehicle import Vehicle
from wakesim.vehicle.bubble import (
    LAWS,
    SHARE_U,
    SHARE_V,
    SHARE_W,
    TURBULENCE_ONSET,
    TURBULENCE_TIME_S,
    AirState,
    WakeConstants,
    bubble_length_m,
)
from wakesim.vehicle.marched_wake import MarchedWake
from wakesim.vehicle.similarity_wake import SimilarityWake

Wake = MarchedWake | SimilarityWake

_LAWS: dict[str, type[MarchedWake] | type[SimilarityWake]] = {
    "section": MarchedWake,
    "couple": SimilarityWake,
    "momentum": SimilarityWake,
}


@lru_cache(maxsize=96)
def vehicle_wake(
    vehicle: Vehicle, constants: WakeConstants = WakeConstants(), air: AirState = AirState()
) -> Wake:
    """The wake of a vehicle in given air. Raises ValueError for an unknown law."""
    if constants.law not in _LAWS:
        raise ValueError(f"unknown wake law {constants.law!r}; known: {', '.join(LAWS)}")
    return _LAWS[constants.law](vehicle, constants, air)


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
    "vehicle_wake",
]
