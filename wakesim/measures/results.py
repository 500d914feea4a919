"""What is known of the air at one mount: passes, series and measures, plain immutable records.

All quantities are SI; the unit is the end of the name.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from wakesim.arrays import Array

if TYPE_CHECKING:
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

    ``measures`` holds the scalar measures of ``wakesim.measures.scalars`` by their keys, which are
    attributes too: ``statistics.effective_speed_m_s``. Shares in ``by_class`` (vehicle classes plus
    ``ambient``) and ``by_mechanism`` (``pulse``, ``wake``, ``turbulence``, ``drift``, ``ambient``)
    are parts of the mean cube; each sums to one, and a part that works against the rest is
    negative. ``spectrum`` is that of the along-road velocity at the centre, ``spectrum_passing``
    that of the pulses and mean wakes alone as they sweep past.
    """

    measures: Mapping[str, float]
    sampling_interval_m_s: tuple[float, float]
    model_interval_m_s: tuple[float, float]
    by_class: dict[str, float]
    by_mechanism: dict[str, float]
    hourly: tuple[HourRow, ...]
    variants: tuple[ModelVariant, ...]
    cutoff_effective_speed_m_s: dict[float, float]
    spectrum_hz: Array
    spectrum_m2_s: Array
    spectrum_passing_m2_s: Array
    drift: DriftSummary | None
    series: Series = field(repr=False)
    whole_hour: WholeHour | None = None

    def __getattr__(self, name: str) -> float:
        known = self.__dict__.get("measures", {})
        if name in known:
            return float(known[name])
        raise AttributeError(f"a mount has no measure {name!r}")
