"""Constants of the empirical laws, how long to compute, and what to write."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from wakesim import constants
from wakesim.case.tables import Table


class ModelConstants(Table):
    """Empirical constants of the wake; each range holds what is published or can be argued.

    ``wake_law``: section, the wake marched through the road's cross-section, or couple or momentum,
      similarity laws for comparison.
    ``weak_shear_mixing``: scales the mixing of far wakes beyond the standard closure.
    ``wake_start_energy``: turbulent energy at the bubble's end over the speed squared.
    ``side_layer_share``: share of the drag that the air beside the vehicle carries.
    ``side_layer_energy``: share of the drag's work that is turbulence of the corner's separation.
    ``couple_spread``: spreading constant of the couple wake (about 1.1 from memory and the drag
      balance).
    ``momentum_spread``: that of the momentum wake (bluff vehicle about 0.4).
    ``bubble_length_heights``: recirculation length (squareback 1.4 heights, from memory).
    ``reversed_flow``: its backward speed as a share of the vehicle's.
    ``turbulence_factor``: scales the wake turbulence (rms).
    ``wake_memory_s``: how long single wakes are followed; left out, the program chooses.
    ``open_tail``: the hull's flow ends in a separated wake; without it the tail is closed.
    """

    wake_law: Literal["section", "couple", "momentum"] = "section"
    weak_shear_mixing: float = Field(default=constants.WEAK_SHEAR_MIXING, ge=0.1, le=10)
    wake_start_energy: float = Field(default=constants.WAKE_START_ENERGY, ge=0.001, le=0.3)
    side_layer_share: float = Field(default=constants.SIDE_LAYER_SHARE, ge=0, le=0.6)
    side_layer_energy: float = Field(default=constants.SIDE_LAYER_ENERGY, ge=0, le=1)
    couple_spread: float = Field(default=constants.COUPLE_SPREAD, ge=0.5, le=2)
    momentum_spread: float = Field(default=constants.MOMENTUM_SPREAD, ge=0.05, le=1)
    bubble_length_heights: float = Field(default=constants.BUBBLE_LENGTH_HEIGHTS, ge=0.3, le=3)
    reversed_flow: float = Field(default=constants.REVERSED_FLOW, ge=0, le=1)
    turbulence_factor: float = Field(default=constants.TURBULENCE_FACTOR, ge=0, le=3)
    wake_memory_s: float | None = Field(default=None, ge=2, le=150)
    open_tail: bool = True


class Compute(Table):
    """Sampling and stopping.

    ``sample_rate_hz``: of the series.
    ``duration_h``: length of a round of traffic.
    ``start_hour``: clock hour at which a round starts.
    ``tolerance``: rounds are repeated until the half-width of the 90 % sampling interval of the
      effective speed, over its value, is within it.
    ``max_rounds``: or until so many are done.
    ``gust_averaging_s``: averaging time of the gust peak.
    ``model_interval``: move every uncertain constant to the ends of its range.
    ``whole_hour``: march every vehicle of the busiest hour as well, nothing superposed, and show
      the difference; still air only, about a minute for each mount.
    """

    sample_rate_hz: float = Field(default=20.0, ge=10, le=200)
    duration_h: float = Field(default=24.0, ge=0.05, le=24)
    start_hour: int = Field(default=0, ge=0, le=23)
    tolerance: float = Field(default=0.02, gt=0, le=0.5)
    max_rounds: int = Field(default=4, ge=1, le=100)
    gust_averaging_s: float = Field(default=3.0, ge=0.1, le=60)
    model_interval: bool = True
    whole_hour: bool = False

    @property
    def hours(self) -> tuple[int, ...]:
        """Clock hours a round touches, in order, each once."""
        count = min(24, int(-(-self.duration_h // 1)))
        return tuple((self.start_hour + i) % 24 for i in range(count))


class Outputs(Table):
    """What goes into the output folder besides the tables and figures always written.

    ``series_csv``: the velocity over time: the busiest stretch, all of it, or none.
    """

    series_csv: Literal["stretch", "full", "none"] = "stretch"
