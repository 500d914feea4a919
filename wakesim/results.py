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

if TYPE_CHECKING:
    from wakesim.case.schema import Case, Mount
    from wakesim.traffic.stream import Passes

Array = NDArray[np.float64]


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

    ``counted``: part of the model interval; otherwise a state of the air shown beside it.
    """

    parameter: str
    setting: str
    effective_speed_m_s: float
    change_m_s: float
    counted: bool = True


@dataclass(frozen=True)
class DriftSummary:
    """The sustained drift: what feeds it, what takes it, and what it is at the mount.

    ``at_mount_m_s`` is the mean over the round and the rotor; ``drag_share`` the mean drag left to
    the traffic by the air that already moves along. ``settling_s``: time after which the drift at
    the mount has reached 90 % when the traffic sets in at once. ``balance``: force per metre of
    road over the density, m3/s2, of the round's mean traffic, each direction along its own way.
    ``y_m`` (ny,), ``z_m`` (nz,),
    ``speed_m_s`` (ny, nz): the drift over the cross-section.
    """

    diffusivity_m2_s: float
    mixing_length_m: float
    at_mount_m_s: float
    drag_share: float
    settling_s: float
    balance: dict[str, float]
    y_m: Array
    z_m: Array
    speed_m_s: Array


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


@dataclass(frozen=True)
class MountResult:
    """One mount: signatures always, statistics only for a traffic study."""

    mount: Mount
    signatures: tuple[Signature, ...]
    statistics: MountStatistics | None
    warnings: tuple[str, ...] = ()


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
