"""What a run returns: plain immutable records with everything a user may ask for.

All quantities are SI; the unit is the end of the name. The records know nothing of files: the
package hands them the outputs when it loads this module (``outputs``, see ``wakesim/__init__``).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import numpy as np
    import pandas
    import xarray
    from numpy.typing import NDArray

    from wakesim.arrays import Array
    from wakesim.case.schema import Case, Mount
    from wakesim.energy.rotor import Rotor
    from wakesim.energy.study import EnergyResult
    from wakesim.energy.year import MountYear
    from wakesim.energy.year_hours import HoursOfYear
    from wakesim.measures.results import MountStatistics, Signature


FREE, IN_THE_WAY, KEEP_OUT, GROUND, WALL = 0, 1, 2, 3, 4
REASONS = {  # what is the matter with a place of a map
    FREE: "computed",
    IN_THE_WAY: "a vehicle would hit the rotor",
    KEEP_OUT: "nearer to the paved road than the keep-out distance, and below the headroom",
    GROUND: "the rotor would reach the ground",
    WALL: "at or behind the wall",
}


def outputs() -> Any:
    """The module of the outputs; the package puts its own function here."""
    raise NotImplementedError


class _Written:
    """What every result can do."""

    def save(
        self, directory: str | Path, *, force: bool = False, parquet: bool = False
    ) -> list[Path]:
        """Write data, summary.json, tables, figures and report.html into ``directory``.

        ``parquet``: the tables also as Parquet files, as with ``outputs.parquet`` in the case.
        Returns the paths written. Raises OutputError when the folder already holds results and
        ``force`` is not set, when it cannot be written, or when Parquet is wanted and its library
        is not installed; nothing is left half-written.
        """
        paths: list[Path] = outputs().save(self, directory, force, parquet)
        return paths

    def to_xarray(self) -> xarray.Dataset:
        """Everything as one data set, the one that the HDF5 file holds."""
        return outputs().to_xarray(self)

    def to_pandas(self, table: str | None = None) -> pandas.DataFrame:
        """A table by the name of its file ("hourly.csv"), default the first one.

        Raises CaseError for a table that the result does not have, with those it has.
        """
        return outputs().to_pandas(self, table)


@dataclass(frozen=True)
class MountResult:
    """One mount: signatures always, statistics only for a traffic study, energy with a rotor."""

    mount: Mount
    signatures: tuple[Signature, ...]
    statistics: MountStatistics | None
    warnings: tuple[str, ...] = ()
    energy: EnergyResult | None = None


@dataclass(frozen=True)
class Result(_Written):
    """Everything computed for one case."""

    case: Case
    mounts: tuple[MountResult, ...]
    air_density_kg_m3: float
    rounds: int
    simulated_s: float
    passes_total: int
    tolerance_met: bool
    wall_time_s: float
    warnings: tuple[str, ...]
    provenance: dict[str, Any] = field(repr=False)


@dataclass(frozen=True)
class GridResult(_Written):
    """What the studies of many states have in common.

    ``failed`` lists states that could not be computed, with the reason; their values are NaN.
    """

    case: Case
    air_density_kg_m3: float
    wall_time_s: float
    warnings: tuple[str, ...]
    provenance: dict[str, Any] = field(repr=False)
    failed: tuple[str, ...]


@dataclass(frozen=True)
class InterpolationCheck:
    """Interpolated against computed effective speed at states between those of the table.

    Relative errors: ``median``, ``p90`` (ninth decile) and ``largest`` over ``states`` random
    states, drawn evenly along every axis.
    """

    states: int
    median: float
    p90: float
    largest: float


@dataclass(frozen=True)
class LookupResult(GridResult):
    """A lookup table: ``variables`` over the axes, in their order.

    ``interval_states`` is the number of states at which the model interval was computed; its ends
    at the others are interpolated (``interval_check``: median and largest miss at random states,
    over the effective speed). ``added`` are values that refinement put in.
    ``interpolation_light_wind`` is the check among light winds alone, None without them. ``rotor``
    is that of the power coefficients, ``shaft_speed_rad_s`` that at which one is held.
    """

    hour: int
    axes: dict[str, tuple[float, ...]]
    variables: dict[str, Array]
    interpolation: InterpolationCheck | None
    interpolation_light_wind: InterpolationCheck | None
    rotor: Rotor | None
    shaft_speed_rad_s: float | None
    interval_states: int
    interval_check: tuple[float, float]
    interval_parts: tuple[str, ...]
    added: dict[str, tuple[float, ...]]
    distinct_states: int


@dataclass(frozen=True)
class PassTableResult(GridResult):
    """Single passes: ``variables`` of shape (classes, speeds, clearances, heights)."""

    classes: tuple[str, ...]
    speed_m_s: tuple[float, ...]
    clearance_m: tuple[float, ...]
    height_m: tuple[float, ...]
    variables: dict[str, Array]


@dataclass(frozen=True)
class MapVariant:
    """One uncertain constant moved: effective speed at the best place, and the best place then."""

    parameter: str
    setting: str
    effective_speed_m_s: float
    change_m_s: float
    best_offset_m: float
    best_height_m: float


@dataclass(frozen=True)
class HeadwayCheck:
    """Effective speed at the best place: exact for the case's headways, as on the map, and for
    independent vehicles; and simulated, which shows the error of the first.

    ``simulated`` holds (headway model, effective speed, lower, upper end of the 90 % interval).
    """

    exact_m_s: float
    independent_m_s: float
    simulated: tuple[tuple[str, float, float, float], ...]


@dataclass(frozen=True)
class MapResult(GridResult):
    """A mounting map: ``variables`` and ``reason`` of shape (heights, offsets).

    ``reason`` 0: computed; other codes in ``REASONS``. ``kind`` says
    what a rotor would hang on at each place: roadside, central_reservation or overhead. ``best`` is
    the (height, offset) index of the best place of the mount's own kind (of any kind where that
    one has no free place), None where no place is free; ``best_by_kind`` that of every kind.
    ``set_back`` is the row of the best height: offset, effective speed and both ends of the model
    interval (4, n).
    """

    hour: int
    offset_m: Array
    height_m: Array
    variables: dict[str, Array]
    reason: NDArray[np.int8]
    kind: NDArray[np.str_]
    power_coefficient: float
    power_coefficient_origin: str
    best: tuple[int, int] | None
    best_by_kind: dict[str, tuple[int, int]]
    best_model_interval_m_s: tuple[float, float]
    mount_values: dict[str, float]
    variants: tuple[MapVariant, ...]
    set_back: Array
    headways: HeadwayCheck | None
    swept: tuple[tuple[float, float, float], ...]


@dataclass(frozen=True)
class YearResult(GridResult):
    """A year of hours at every mount, ``posts`` in the order of the case.

    ``computed_hours`` were computed by themselves, the others interpolated between them;
    ``stretch_hours``: numbers of the hours whose traffic was walked past the rotor;
    ``model_parts``: inputs that the model interval counts.
    """

    hours: HoursOfYear
    posts: tuple[MountYear, ...]
    computed_hours: int
    stretch_hours: tuple[int, ...]
    model_parts: tuple[str, ...]
