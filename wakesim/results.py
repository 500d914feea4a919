"""What a run returns: plain immutable records, one per mount, with everything a user may ask for.

All quantities are SI; the unit is the end of the name.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from wakesim.arrays import Array

if TYPE_CHECKING:
    from wakesim.case.schema import Case, Mount
    from wakesim.energy.study import EnergyResult
    from wakesim.traffic.stream import Passes


@dataclass(frozen=True)
class Signature:
    """Velocity over time at the centre of a mount while one vehicle passes, no other air motion.

    Arrays have shape (n,). ``u`` along the road, ``v`` away from the traffic, ``w`` up.
    ``pulse_u`` and ``wake_u`` are the two parts of ``u``; ``sigma`` is the standard deviation of
    the along-road turbulence of the wake. ``relief_peak`` and ``relief_cube`` are the peak and the
    integral of the cubed speed of the 3D pulse over those of a plan-plane (2D) calculation, NaN
    where the mount is not beside the vehicle.
    """

    vehicle: str
    label: str
    lane: str
    speed_m_s: float
    clearance_m: float
    time_s: Array
    u_m_s: Array
    v_m_s: Array
    w_m_s: Array
    pulse_u_m_s: Array
    wake_u_m_s: Array
    sigma_m_s: Array
    int_u_dt_m: float
    int_speed2_dt_m2_s: float
    int_speed3_dt_m3_s2: float
    peak_m_s: float
    duration_s: float
    relief_peak: float = math.nan
    relief_cube: float = math.nan


@dataclass(frozen=True)
class Series:
    """The first simulated round at one mount, shape (n,) at a constant step ``dt_s``.

    ``u`` and ``v`` are at the centre of the swept rectangle (with turbulence), ``speed`` is the
    rotor-equivalent speed. ``hour`` is the clock hour of each sample.
    """

    dt_s: float
    time_s: Array
    hour: NDArray[np.int8]
    u_m_s: Array
    v_m_s: Array
    speed_m_s: Array
    passes: Passes


@dataclass(frozen=True)
class ModelVariant:
    """Effective speed when one uncertain parameter is moved to one end of its range.

    ``counted``: part of the model interval; otherwise a state shown beside it. ``origin``: where
    the range comes from.
    """

    parameter: str
    setting: str
    effective_speed_m_s: float
    change_m_s: float
    counted: bool = True
    origin: str = ""


@dataclass(frozen=True)
class DriftSummary:
    """The mean along-road air of the traffic: what feeds it, what takes it, what it is where.

    ``at_mount_m_s`` is the drift, that part of it which single wakes do not bring, mean over the
    round and the rotor; ``drag_share`` the mean drag left to the traffic by the air that already
    moves along. ``settling_s``: time after which the mean air at the mount has reached 90 % when
    the traffic sets in at once. ``balance``: force per metre of road over the density, m3/s2, mean
    over the round, each direction along its own way. ``y_m`` (ny,), ``z_m`` (nz,), ``speed_m_s``
    (ny, nz): the mean air over the cross-section, wakes and drift together.
    """

    diffusivity_m2_s: float
    at_mount_m_s: float
    drag_share: float
    settling_s: float
    balance: dict[str, float]
    y_m: Array
    z_m: Array
    speed_m_s: Array


@dataclass(frozen=True)
class WholeHour:
    """The busiest hour with every vehicle in one march, beside balance and superposition.

    ``y_m`` (ny,), ``z_m`` (nz,); mean along-road velocity over the cross-section (ny, nz) by the
    march, ``march_u_m_s``, and by the steady balance of the hour, ``balance_u_m_s``. At the mount,
    mean over the rotor: mean along-road and effective speed by the march and by superposition
    (exact statistics of the same hour). ``passes``: vehicles marched, those before it included.
    """

    hour: int
    passes: int
    mean_u_march_m_s: float
    mean_u_superposed_m_s: float
    effective_march_m_s: float
    effective_superposed_m_s: float
    y_m: Array
    z_m: Array
    march_u_m_s: Array
    balance_u_m_s: Array


@dataclass(frozen=True)
class HourRow:
    """One clock hour of a mount."""

    hour: int
    flow_veh_h: float
    effective_speed_m_s: float
    mean_speed_m_s: float


@dataclass(frozen=True)
class MountStatistics:
    """Traffic-study measures at one mount.

    Shares in ``by_class`` (vehicle classes plus ``ambient``) and ``by_mechanism`` (``pulse``,
    ``wake``, ``turbulence``, ``drift``, ``ambient``) are parts of the mean cube; each sums to one,
    and a part that works against the rest is negative. ``spectrum`` is that of the along-road
    velocity at the centre, ``spectrum_passing`` that of the pulses and mean wakes alone as they
    sweep past.
    """

    effective_speed_m_s: float
    sampling_interval_m_s: tuple[float, float]
    model_interval_m_s: tuple[float, float]
    mean_speed_m_s: float
    mean_u_m_s: float
    mean_v_m_s: float
    sd_speed_m_s: float
    energy_pattern_factor: float
    time_above_cut_in: float
    gust_peak_m_s: float
    peak_m_s: float
    ambient_effective_speed_m_s: float
    power_density_w_m2: float
    by_class: dict[str, float]
    by_mechanism: dict[str, float]
    hourly: tuple[HourRow, ...]
    variants: tuple[ModelVariant, ...]
    cutoff_effective_speed_m_s: dict[float, float]
    spectrum_hz: Array
    spectrum_m2_s: Array
    spectrum_passing_m2_s: Array
    drift: DriftSummary | None
    series: Series
    whole_hour: WholeHour | None = None


@dataclass(frozen=True)
class MountResult:
    """One mount: signatures always, statistics only for a traffic study, energy with a rotor."""

    mount: Mount
    signatures: tuple[Signature, ...]
    statistics: MountStatistics | None
    warnings: tuple[str, ...] = ()
    energy: EnergyResult | None = None


@dataclass(frozen=True)
class Result:
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

    def save(self, directory: str | Path, *, force: bool = False) -> list[Path]:
        """Write result.h5, summary.json, tables, figures and report.html into ``directory``.

        Returns the paths written. Raises OutputError when the folder already holds results and
        ``force`` is not set, or when it cannot be written; nothing is left half-written.
        """
        from wakesim.outputs import save_all

        return save_all(self, Path(directory), force=force)


@dataclass(frozen=True)
class GridResult:
    """What the studies of many states have in common.

    ``failed`` lists states that could not be computed, with the reason; their values are NaN.
    """

    case: Case
    air_density_kg_m3: float
    wall_time_s: float
    warnings: tuple[str, ...]
    provenance: dict[str, Any] = field(repr=False)
    failed: tuple[str, ...]

    def save(self, directory: str | Path, *, force: bool = False) -> list[Path]:
        """Write data, summary.json, table, figures and report.html into ``directory``.

        Returns the paths written; errors as ``Result.save``.
        """
        from wakesim.outputs import save_grid

        return save_grid(self, Path(directory), force=force)


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
    """

    hour: int
    axes: dict[str, tuple[float, ...]]
    variables: dict[str, Array]
    interpolation: InterpolationCheck | None
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
    """Effective speed at the best place: exact for independent vehicles, and simulated.

    ``simulated`` holds (headway model, effective speed, lower, upper end of the 90 % interval).
    """

    independent_m_s: float
    simulated: tuple[tuple[str, float, float, float], ...]


@dataclass(frozen=True)
class MapResult(GridResult):
    """A mounting map: ``variables`` and ``reason`` of shape (heights, offsets).

    ``reason`` 0: computed; other codes in ``wakesim.studies.mounting_map.REASONS``. ``kind`` says
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
