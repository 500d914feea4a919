"""The traffic's mean air in result.h5: what feeds it, what takes it, and its cross-section."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from wakesim.outputs.netcdf import NetcdfWriter

if TYPE_CHECKING:
    from wakesim.measures.results import DriftSummary, MountStatistics

_SCALARS = (
    (
        "diffusivity_m2_s",
        "drift_diffusivity",
        "m2 s-1",
        "eddy viscosity that traffic makes around the wakes",
    ),
    (
        "at_mount_m_s",
        "drift_at_mount",
        "m s-1",
        "drift along +x (mean air that single wakes do not bring), mean over round and rotor",
    ),
    (
        "drag_share",
        "drift_drag_share",
        "1",
        "mean drag left to the traffic by air that already moves along",
    ),
    (
        "settling_s",
        "drift_settling_time",
        "s",
        "time until the mean air at the mount is at 90 % when traffic sets in at once",
    ),
)


def write_drift(file: NetcdfWriter, statistics: Sequence[MountStatistics]) -> None:
    """Write the drift of every mount; nothing where no mount has one.

    Mounts have grids of their own size: the dimensions are those of the largest, and what a
    mount's grid does not fill is NaN, in its axes and in its field.
    """
    drifts = [row.drift for row in statistics]
    known = [drift for drift in drifts if drift is not None]
    if not known:
        return
    for key, name, units, long_name in _SCALARS:
        values = [math.nan if d is None else float(getattr(d, key)) for d in drifts]
        file.variable(name, ["mount"], values, units=units, long_name=long_name)
    _write_balance(file, drifts)
    shape = (max(len(d.y_m) for d in known), max(len(d.z_m) for d in known))
    for name, size in zip(("drift_y", "drift_z"), shape, strict=True):
        file.dimension(name, size)
    offset = np.full((len(drifts), shape[0]), np.nan)
    height = np.full((len(drifts), shape[1]), np.nan)
    speed = np.full((len(drifts), *shape), np.nan)
    for i, drift in enumerate(drifts):
        if drift is not None:
            ny, nz = drift.speed_m_s.shape
            offset[i, :ny], height[i, :nz] = drift.y_m, drift.z_m
            speed[i, :ny, :nz] = drift.speed_m_s
    file.variable(
        "drift_offset",
        ["mount", "drift_y"],
        offset,
        units="m",
        long_name="offset of the cells from the near-side edge line",
    )
    file.variable(
        "drift_height",
        ["mount", "drift_z"],
        height,
        units="m",
        long_name="height of the cells above the road",
        standard_name="height",
    )
    file.variable(
        "drift_speed",
        ["mount", "drift_y", "drift_z"],
        speed,
        units="m s-1",
        long_name="mean along-road air of the traffic (wakes and drift) over the cross-section",
        coordinates="drift_offset drift_height",
    )


def _write_balance(file: NetcdfWriter, drifts: Sequence[DriftSummary | None]) -> None:
    terms = list(dict.fromkeys(key for d in drifts if d is not None for key in d.balance))
    file.coordinate(
        "drift_term", terms, units="1", long_name="part of the mean air's balance of forces"
    )
    rows = [[math.nan if d is None else d.balance.get(k, math.nan) for k in terms] for d in drifts]
    file.variable(
        "drift_balance",
        ["mount", "drift_term"],
        np.array(rows, dtype=float),
        units="m3 s-2",
        long_name="force per metre of road over the density, own way; drag_in is the sum of others",
    )
