"""The traffic-study part of result.h5: measures, shares, tables, spectra, series and passes."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from wakesim.outputs import wording
from wakesim.outputs.netcdf import NetcdfWriter
from wakesim.outputs.store_drift import write_drift

if TYPE_CHECKING:
    from wakesim.measures.results import MountStatistics
    from wakesim.results import Result
    from wakesim.traffic.stream import Passes

_MEAN = "time: mean"
_ROTOR = "area: mean (comment: cube root of the area mean of the cubed horizontal speed)"
_CUBE = "time: mean (comment: cube root of the time mean of the cubed rotor-equivalent speed)"

# attribute of the record, variable, units, long name, cell methods
_SCALARS = (
    ("effective_speed_m_s", "effective_speed", "m s-1", "effective speed", _CUBE),
    ("mean_speed_m_s", "mean_speed", "m s-1", "mean rotor-equivalent speed", _MEAN),
    ("mean_u_m_s", "mean_u", "m s-1", "mean velocity along the road", _MEAN),
    ("mean_v_m_s", "mean_v", "m s-1", "mean velocity across the road, towards +y", _MEAN),
    (
        "sd_speed_m_s",
        "sd_speed",
        "m s-1",
        "standard deviation of the rotor-equivalent speed",
        "time: standard_deviation",
    ),
    (
        "energy_pattern_factor",
        "energy_pattern_factor",
        "1",
        "mean cubed speed over cube of the mean speed",
        "",
    ),
    ("time_above_cut_in", "time_above_cut_in", "1", "share of time above the cut-in speed", _MEAN),
    (
        "gust_peak_m_s",
        "gust_peak",
        "m s-1",
        "highest moving mean of the rotor-equivalent speed over the gust averaging time",
        "time: maximum",
    ),
    ("peak_m_s", "peak_speed", "m s-1", "highest rotor-equivalent speed", "time: maximum"),
    (
        "ambient_effective_speed_m_s",
        "ambient_effective_speed",
        "m s-1",
        "effective speed without traffic",
        _CUBE,
    ),
    (
        "power_density_w_m2",
        "power_density",
        "W m-2",
        "energy flux per swept area before any loss",
        _MEAN,
    ),
)


def write_traffic(file: NetcdfWriter, result: Result) -> None:
    """Write what a traffic study adds; the dimensions of the site must exist already.

    Raises ValueError when the mounts do not share one time base.
    """
    statistics = [mount.statistics for mount in result.mounts if mount.statistics is not None]
    _write_statistics(file, result, statistics)
    _write_shares(file, result, statistics)
    _write_hourly(file, statistics)
    _write_variants(file, statistics)
    _write_cutoff(file, statistics)
    _write_spectra(file, statistics)
    write_drift(file, statistics)
    _write_series(file, result, statistics)


def _write_statistics(
    file: NetcdfWriter, result: Result, statistics: Sequence[MountStatistics]
) -> None:
    for key, name, units, long_name, method in _SCALARS:
        values = [float(getattr(row, key)) for row in statistics]
        extra: dict[str, Any] = {"cell_methods": method} if method else {}
        if name == "gust_peak":
            extra["gust_averaging_s"] = float(result.case.compute.gust_averaging_s)
        file.variable(name, ["mount"], values, units=units, long_name=long_name, **extra)
    file.coordinate(
        "bound", ["lower", "upper"], units="1", long_name="lower or upper end of an interval"
    )
    for key, name, comment in (
        ("sampling_interval_m_s", "sampling_interval", wording.SAMPLING_INTERVAL),
        ("model_interval_m_s", "model_interval", wording.MODEL_INTERVAL),
    ):
        file.variable(
            name,
            ["mount", "bound"],
            np.array([getattr(row, key) for row in statistics], dtype=float),
            units="m s-1",
            long_name=f"{name.replace('_', ' ')} of the effective speed",
            comment=comment,
        )


def _write_shares(
    file: NetcdfWriter, result: Result, statistics: Sequence[MountStatistics]
) -> None:
    """Shares of the mean cube by what makes it and by mechanism."""
    sources = [*result.case.vehicles, "ambient"]
    mechanisms = list(wording.MECHANISMS)
    for name, keys, attribute, long_name in (
        ("cube_source", sources, "by_class", "what makes a share of the mean cube"),
        ("mechanism", mechanisms, "by_mechanism", "mechanism"),
    ):
        file.coordinate(name, keys, units="1", long_name=long_name)
        rows = [[getattr(s, attribute).get(key, np.nan) for key in keys] for s in statistics]
        file.variable(
            f"share_{attribute}",
            ["mount", name],
            np.array(rows, dtype=float),
            units="1",
            long_name=f"share of the mean cubed speed {attribute.replace('_', ' ')}",
            cell_methods=_MEAN,
        )


def _write_cutoff(file: NetcdfWriter, statistics: Sequence[MountStatistics]) -> None:
    memories = sorted({m for row in statistics for m in row.cutoff_effective_speed_m_s})
    if not memories:
        return
    file.coordinate(
        "wake_memory",
        np.array(memories, dtype=float),
        units="s",
        long_name="time for which wakes are followed",
    )
    rows = [row.cutoff_effective_speed_m_s for row in statistics]
    long_name = "effective speed when wakes are followed for another time"
    _keyed(file, "cutoff_effective_speed", "wake_memory", memories, rows, long_name, _CUBE)


def _write_hourly(file: NetcdfWriter, statistics: Sequence[MountStatistics]) -> None:
    hours = list(dict.fromkeys(row.hour for s in statistics for row in s.hourly))
    if not hours:
        return
    file.coordinate(
        "hour", np.array(hours, dtype=np.int32), units="h", long_name="clock hour, its beginning"
    )
    for key, name, units, long_name, method in (
        ("flow_veh_h", "hourly_flow", "h-1", "vehicles per hour, all lanes", ""),
        (
            "effective_speed_m_s",
            "hourly_effective_speed",
            "m s-1",
            "effective speed of the hour",
            _CUBE,
        ),
        ("mean_speed_m_s", "hourly_mean_speed", "m s-1", "mean speed of the hour", _MEAN),
    ):
        rows = [{row.hour: getattr(row, key) for row in s.hourly} for s in statistics]
        _keyed(file, name, "hour", hours, rows, long_name, method, units)


def _write_variants(file: NetcdfWriter, statistics: Sequence[MountStatistics]) -> None:
    keys = list(dict.fromkeys((v.parameter, v.setting) for s in statistics for v in s.variants))
    if not keys:
        return
    names = [f"{parameter}: {setting}" for parameter, setting in keys]
    file.coordinate("variant", names, units="1", long_name="model variant")
    for i, name in enumerate(("parameter", "setting")):
        file.variable(
            f"variant_{name}",
            ["variant"],
            [key[i] for key in keys],
            units="1",
            long_name=f"{name} of the model variant",
        )
    counted = {(v.parameter, v.setting): v.counted for s in statistics for v in s.variants}
    file.variable(
        "variant_counted",
        ["variant"],
        np.array([counted[key] for key in keys], dtype=np.int8),
        units="1",
        long_name="whether the variant is part of the model interval or shown beside it",
        flag_values=np.array([0, 1], dtype=np.int8),
        flag_meanings="beside_the_interval part_of_the_interval",
    )
    for key, name, long_name in (
        ("effective_speed_m_s", "variant_effective_speed", "effective speed of the variant"),
        ("change_m_s", "variant_change", "change of the effective speed by the variant"),
    ):
        rows = [{(v.parameter, v.setting): getattr(v, key) for v in s.variants} for s in statistics]
        _keyed(file, name, "variant", keys, rows, long_name, _CUBE)


def _keyed(
    file: NetcdfWriter,
    name: str,
    dimension: str,
    keys: Sequence[Any],
    rows: Sequence[dict[Any, float]],
    long_name: str,
    method: str,
    units: str = "m s-1",
) -> None:
    """A mount × ``dimension`` variable from one mapping a mount; NaN where a key is absent."""
    values = np.array([[row.get(key, np.nan) for key in keys] for row in rows], dtype=float)
    extra = {"cell_methods": method} if method else {}
    file.variable(name, ["mount", dimension], values, units=units, long_name=long_name, **extra)


def _write_spectra(file: NetcdfWriter, statistics: Sequence[MountStatistics]) -> None:
    frequency = _common([row.spectrum_hz for row in statistics], "spectrum frequencies")
    if not len(frequency):
        return
    file.coordinate("frequency", frequency, units="Hz", long_name="frequency")
    words = "one-sided power spectral density of the velocity along the road at the centre"
    for key, name, long_name in (
        ("spectrum_m2_s", "velocity_spectrum", words),
        (
            "spectrum_passing_m2_s",
            "velocity_spectrum_passing",
            f"{words}, part of pulses and mean wakes as they sweep past",
        ),
    ):
        rows = np.array([getattr(row, key) for row in statistics], dtype=float)
        file.variable(name, ["mount", "frequency"], rows, units="m2 s-1", long_name=long_name)


def _write_series(
    file: NetcdfWriter, result: Result, statistics: Sequence[MountStatistics]
) -> None:
    series = [row.series for row in statistics]
    time = _common([s.time_s for s in series], "series times")
    file.coordinate("time", time, units="s", long_name="time since the start of the round")
    file.variable(
        "clock_hour",
        ["time"],
        np.asarray(series[0].hour, dtype=np.int8),
        units="h",
        long_name="clock hour of the sample",
    )
    for key, name, long_name, method in (
        ("u_m_s", "u", "velocity along the road at the centre of the swept rectangle", ""),
        (
            "v_m_s",
            "v",
            "velocity across the road, towards +y, at the centre of the swept rectangle",
            "",
        ),
        ("speed_m_s", "speed", "rotor-equivalent horizontal speed", _ROTOR),
    ):
        block = np.array([getattr(s, key) for s in series], dtype=np.float32)
        extra = {"cell_methods": method} if method else {}
        dimensions = ["mount", "time"]
        file.variable(name, dimensions, block, units="m s-1", long_name=long_name, **extra)
    if len(series[0].passes.time_s):
        _write_passes(file, result, series[0].passes)


def _write_passes(file: NetcdfWriter, result: Result, passes: Passes) -> None:
    count = len(passes.time_s)
    file.coordinate(
        "pass", np.arange(count, dtype=np.int32), units="1", long_name="number of the pass"
    )
    lanes = [lane.name for lane in result.case.road.lanes]
    for key, name, units, long_name, extra in (
        ("time_s", "pass_time", "s", "time at which the nose is abreast of the mounts", {}),
        ("lane", "pass_lane", "1", "lane, position along dimension lane", _flags(lanes)),
        (
            "vehicle",
            "pass_vehicle",
            "1",
            "vehicle class, position along dimension vehicle_class",
            _flags(list(result.case.vehicles)),
        ),
        ("speed_m_s", "pass_speed", "m s-1", "speed of the vehicle", {}),
        ("wander_m", "pass_wander", "m", "lateral offset from the lane's centre", {}),
        ("wake_factor", "pass_wake_factor", "1", "strength of the wake, 1 without drafting", {}),
    ):
        values = np.asarray(getattr(passes, key))
        kind = np.int32 if values.dtype.kind in "iu" else np.float64
        file.variable(
            name, ["pass"], values.astype(kind), units=units, long_name=long_name, **extra
        )


def _flags(names: Sequence[str]) -> dict[str, Any]:
    """CF flag attributes for an index into names."""
    return {
        "flag_values": np.arange(len(names), dtype=np.int32),
        "flag_meanings": " ".join("_".join(name.split()) for name in names),
    }


def _common(arrays: Sequence[NDArray[np.float64]], what: str) -> NDArray[np.float64]:
    """The one array all mounts share; ValueError when they differ."""
    first = np.asarray(arrays[0], dtype=float)
    if not all(np.array_equal(first, other) for other in arrays[1:]):
        raise ValueError(f"the mounts of one result must share their {what}")
    return first
