"""Constants of the empirical laws, how long to compute, and what to write."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal

from pydantic import Field, create_model

from wakesim import constants
from wakesim.case.tables import Table
from wakesim.constants import WakeConstants

_Law: Any = Literal[tuple(constants.WAKE_LAWS)]
_NUMBERS: dict[str, Any] = {
    key: (float, Field(default=row.value, ge=row.allowed[0], le=row.allowed[1],
                       description=row.meaning))
    for key, row in constants.TABLE.items() if row.allowed is not None
}  # fmt: skip
_Constants = create_model(
    "_Constants", __base__=Table, wake_law=(_Law, Field(default=constants.DEFAULT_LAW)), **_NUMBERS
)


class ModelConstants(_Constants):
    """Empirical constants of the wake; each range holds what is published or can be argued.

    ``wake_law``: section, the wake marched through the road's cross-section, or couple or momentum,
      similarity laws for comparison.
    ``wake_memory_s``: how long single wakes are followed; left out, the program chooses.
    ``open_tail``: the hull's flow ends in a separated wake; without it the tail is closed.
    """

    wake_memory_s: float | None = Field(default=None, ge=2, le=150)
    open_tail: bool = True

    if TYPE_CHECKING:  # the numbers of the table

        def __getattr__(self, key: str) -> Any: ...

    @property
    def constants(self) -> WakeConstants:
        """The constants of the wake with the case's values."""
        values = {key: getattr(self, key) for key in constants.CASE_KEYS}
        return WakeConstants(law=self.wake_law, **values)


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
    gust_averaging_s: float = Field(default=constants.GUST_AVERAGING_S.value, ge=0.1, le=60)
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
    ``parquet``: the tables also as Parquet files; needs wakesim[parquet].
    """

    series_csv: Literal["stretch", "full", "none"] = "stretch"
    parquet: bool = False
