"""Constants of the empirical laws, how long to compute, and what to write."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from wakesim.case.tables import Table


class ModelConstants(Table):
    """Empirical constants of the wake; each range holds the published spread.

    ``couple_spread`` is the spreading constant of the couple wake (about 1.1 from memory and the
    drag balance), ``momentum_spread`` that of the momentum wake (bluff vehicle about 0.4),
    ``bubble_length_heights`` the recirculation length (squareback 1.4 heights, from memory),
    ``reversed_flow`` its backward speed as a share of the vehicle's, ``turbulence_factor`` scales
    the wake turbulence, ``wake_memory_s`` cuts wakes off at that age.
    """

    wake_family: Literal["couple", "momentum"] = "couple"
    couple_spread: float = Field(default=1.1, ge=0.5, le=2)
    momentum_spread: float = Field(default=0.4, ge=0.05, le=1)
    bubble_length_heights: float = Field(default=1.4, ge=0.3, le=3)
    reversed_flow: float = Field(default=0.35, ge=0, le=1)
    turbulence_factor: float = Field(default=1.0, ge=0, le=3)
    wake_memory_s: float = Field(default=30.0, ge=2, le=600)
    open_tail: bool = True


class Compute(Table):
    """Sampling and stopping.

    A round is ``duration_h`` of traffic from ``start_hour`` on; rounds are repeated until the
    90 % sampling interval of the effective speed is within ``tolerance`` (half-width over value)
    or ``max_rounds`` is reached.
    """

    sample_rate_hz: float = Field(default=20.0, ge=10, le=200)
    duration_h: float = Field(default=24.0, ge=0.05, le=24)
    start_hour: int = Field(default=0, ge=0, le=23)
    tolerance: float = Field(default=0.02, gt=0, le=0.5)
    max_rounds: int = Field(default=4, ge=1, le=100)
    gust_averaging_s: float = Field(default=3.0, ge=0.1, le=60)
    model_interval: bool = True

    @property
    def hours(self) -> tuple[int, ...]:
        """Clock hours a round touches, in order, each once."""
        count = min(24, int(-(-self.duration_h // 1)))
        return tuple((self.start_hour + i) % 24 for i in range(count))


class Outputs(Table):
    """What goes into the output folder besides the tables and figures always written."""

    series_csv: Literal["stretch", "full", "none"] = "stretch"
