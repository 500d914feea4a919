"""result.h5: everything of a result in one file that netCDF-4 programs and h5py open as it is.

``xarray.open_dataset("result.h5")`` gives one data set. Dimensions: ``mount``, ``vehicle_class``,
``lane``, ``signature_sample`` always; ``bound``, ``hour``, ``cube_source``, ``mechanism``,
``variant``, ``wake_memory``, ``frequency``, ``time`` and ``pass`` in a traffic study. NaN marks
what does not exist for a combination. Text of the case, hashes, seed and versions are global
attributes.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from wakesim.outputs import wording
from wakesim.outputs.netcdf import NetcdfWriter
from wakesim.outputs.summary import all_warnings, full_provenance, plain

if TYPE_CHECKING:
    from wakesim.results import MountResult, MountStatistics, Result, Signature

_LARGEST_INTEGER = 2**63 - 1
_MEAN = "time: mean"
_ROTOR = "area: mean (comment: cube root of the area mean of the cubed horizontal speed)"
_CUBE = "time: mean (comment: cube root of the time mean of the cubed rotor-equivalent speed)"

# attribute of the record, variable, units, long name, cell methods
_SCALARS = (
    ("effective_speed_m_s", "effective_speed", "m s-1", "effective speed", _CUBE),
    ("mean_speed_m_s", "mean_speed", "m s-1", "mean rotor-equivalent speed", _MEAN),
    ("mean_u_m_s", "mean_u", "m s-1", "mean velocity along the road", _MEAN),
    ("mean_v_m_s", "mean_v", "m s-1", "mean velocity away from the near-side traffic", _MEAN),
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
_GEOMETRY = (
    ("offset_m", "mount_offset", "m", "offset of the rotor axis from the near-side edge line", ""),
    (
        "height_m",
        "mount_height",
        "m",
        "height of the centre of the swept rectangle above the road",
        "height",
    ),
    ("rotor_width_m", "rotor_width", "m", "width of the swept rectangle", ""),
    ("rotor_height_m", "rotor_height", "m", "height of the swept rectangle", ""),
    ("wall_offset_m", "wall_offset", "m", "offset of the wall from the near-side edge line", ""),
    ("cut_in_m_s", "cut_in_speed", "m s-1", "cut-in speed of the rotor", ""),
)
_VEHICLE = (
    ("length_m", "vehicle_length", "m", "vehicle length"),
    ("width_m", "vehicle_width", "m", "vehicle width"),
    ("height_m", "vehicle_height", "m", "vehicle height above the road"),
    ("clearance_m", "vehicle_ground_clearance", "m", "ground clearance"),
    ("frontal_area_m2", "vehicle_frontal_area", "m2", "frontal area"),
    ("drag_coefficient", "vehicle_drag_coefficient", "1", "drag coefficient"),
)
_SIGNATURE_ARRAYS = (
    ("time_s", "signature_time", "s", "time after the nose is abreast of the mount"),
    ("u_m_s", "signature_u", "m s-1", "velocity along the road during one pass"),
    ("v_m_s", "signature_v", "m s-1", "velocity away from the near-side traffic during one pass"),
    ("w_m_s", "signature_w", "m s-1", "upward velocity during one pass"),
    ("pulse_u_m_s", "signature_pulse_u", "m s-1", "part of signature_u made by the hull"),
    ("wake_u_m_s", "signature_wake_u", "m s-1", "part of signature_u made by the mean wake"),
    (
        "sigma_m_s",
        "signature_sigma",
        "m s-1",
        "standard deviation of the along-road wake turbulence during one pass",
    ),
)
_SIGNATURE_SCALARS = (
    ("speed_m_s", "signature_vehicle_speed", "m s-1", "speed of the passing vehicle"),
    ("clearance_m", "signature_clearance", "m", "distance from the vehicle's side to the mount"),
    ("peak_m_s", "signature_peak", "m s-1", "highest speed of the air during one pass"),
    ("duration_s", "signature_duration", "s", "duration of one pass"),
    ("int_u_dt_m", "signature_int_u_dt", "m", "time integral of signature_u"),
    ("int_speed2_dt_m2_s", "signature_int_speed2_dt", "m2 s-1", "time integral of squared speed"),
    ("int_speed3_dt_m3_s2", "signature_int_speed3_dt", "m3 s-2", "time integral of cubed speed"),
)


def write_store(result: Result, path: Path) -> None:
    """Write result.h5; raises OSError when the file cannot be written."""
    with NetcdfWriter(path) as file:
        file.attributes(_global_attributes(result))
        _write_mounts(file, result)
        _write_vehicles(file, result)
        _write_signatures(file, result)
        if all(mount.statistics is not None for mount in result.mounts):
            statistics = [mount.statistics for mount in result.mounts if mount.statistics]
            _write_statistics(file, result, statistics)
            _write_tables(file, result, statistics)
            _write_spectra(file, statistics)
            _write_series(file, result, statistics)


def _global_attributes(result: Result) -> dict[str, Any]:
    provenance = plain(full_provenance(result))
    seed = provenance.get("seed")
    large = isinstance(seed, int) and abs(seed) > _LARGEST_INTEGER
    version = provenance.get("version", "unknown")
    attributes = {
        "Conventions": "CF-1.10",
        "title": wording.one_line(result.case.title),
        "history": f"{provenance.get('created_utc', '')} computed by wakesim {version}",
        "source": f"wakesim {version}: hull pulses and empirical wakes of passing vehicles",
        "comment": " ".join([*wording.CAUTIONS, *wording.LIMITS]),
        "references": " ".join(wording.SOURCES),
        "study": result.case.study,
        "invented_data": "yes" if result.case.invented_data else "no",
        "warnings": "\n".join(all_warnings(result)),
        "rounds": np.int64(result.rounds),
        "simulated_s": float(result.simulated_s),
        "passes_total": np.int64(result.passes_total),
        "tolerance_met": "yes" if result.tolerance_met else "no",
        "wall_time_s": float(result.wall_time_s),
    }
    for key, value in provenance.items():
        if key == "seed":
            attributes[key] = str(value) if large or value is None else np.int64(value)
        else:
            attributes[key] = value if isinstance(value, str) else json.dumps(value)
    return attributes


def _write_mounts(file: NetcdfWriter, result: Result) -> None:
    mounts = [mount.mount for mount in result.mounts]
    file.coordinate("mount", [m.name for m in mounts], units="1", long_name="name of the mount")
    file.variable("mount_kind", ["mount"], [m.kind for m in mounts], units="1", long_name="kind")
    for key, name, units, long_name, standard in _GEOMETRY:
        values = [_float(getattr(mount, key)) for mount in mounts]
        extra = {"standard_name": standard} if standard else {}
        file.variable(name, ["mount"], values, units=units, long_name=long_name, **extra)
    file.variable(
        "air_density",
        [],
        float(result.air_density_kg_m3),
        units="kg m-3",
        long_name="density of the air",
        standard_name="air_density",
    )


def _write_vehicles(file: NetcdfWriter, result: Result) -> None:
    vehicles = result.case.vehicles
    one = {"units": "1"}
    file.coordinate("vehicle_class", list(vehicles), long_name="vehicle class", **one)
    labels = [vehicle.label or name for name, vehicle in vehicles.items()]
    file.variable("vehicle_label", ["vehicle_class"], labels, long_name="vehicle label", **one)
    for key, name, units, long_name in _VEHICLE:
        values = [float(getattr(vehicle, key)) for vehicle in vehicles.values()]
        file.variable(name, ["vehicle_class"], values, units=units, long_name=long_name)
    lanes = [lane.name for lane in result.case.road.lanes]
    file.coordinate("lane", lanes, long_name="lane", **one)
    file.variable(
        "lane_centre",
        ["lane"],
        [float(lane.centre_m) for lane in result.case.road.lanes],
        units="m",
        long_name="offset of the lane's centre from the near-side edge line",
    )


def _write_signatures(file: NetcdfWriter, result: Result) -> None:
    """Signatures as mount × lane × vehicle class (× sample), NaN where there is none."""
    lanes = [lane.name for lane in result.case.road.lanes]
    classes = list(result.case.vehicles)
    placed: list[tuple[int, int, int, Signature]] = [
        (i, lanes.index(s.lane), classes.index(s.vehicle), s)
        for i, mount in enumerate(result.mounts)
        for s in mount.signatures
    ]
    samples = max((len(s.time_s) for *_, s in placed), default=1)
    file.dimension("signature_sample", samples)
    axes = ["mount", "lane", "vehicle_class"]
    shape = (len(result.mounts), len(lanes), len(classes))
    for key, name, units, long_name in _SIGNATURE_ARRAYS:
        block = np.full((*shape, samples), np.nan, dtype=np.float32)
        for i, j, k, signature in placed:
            values = getattr(signature, key)
            block[i, j, k, : len(values)] = values
        dimensions = [*axes, "signature_sample"]
        file.variable(name, dimensions, block, units=units, long_name=long_name)
    for key, name, units, long_name in _SIGNATURE_SCALARS:
        table = np.full(shape, np.nan)
        for i, j, k, signature in placed:
            table[i, j, k] = getattr(signature, key)
        file.variable(name, axes, table, units=units, long_name=long_name)


def _write_statistics(
    file: NetcdfWriter, result: Result, statistics: Sequence[MountStatistics]
) -> None:
    for key, name, units, long_name, method in _SCALARS:
        values = [_float(getattr(row, key)) for row in statistics]
        extra = {"cell_methods": method} if method else {}
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


def _write_tables(
    file: NetcdfWriter, result: Result, statistics: Sequence[MountStatistics]
) -> None:
    """Shares of the mean cube, hourly tables, model variants and the cut-off's sensitivity."""
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
    _write_hourly(file, statistics)
    _write_variants(file, statistics)
    memories = sorted({m for row in statistics for m in row.cutoff_effective_speed_m_s})
    if memories:
        file.coordinate(
            "wake_memory", np.array(memories, dtype=float), units="s", long_name="wake cut-off"
        )
        _keyed(
            file,
            "cutoff_effective_speed",
            "wake_memory",
            memories,
            [row.cutoff_effective_speed_m_s for row in statistics],
            "effective speed with another wake cut-off",
            _CUBE,
        )


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
    file.variable(
        "velocity_spectrum",
        ["mount", "frequency"],
        np.array([row.spectrum_m2_s for row in statistics], dtype=float),
        units="m2 s-1",
        long_name="one-sided power spectral density of the velocity",
    )


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
        ("v_m_s", "v", "velocity away from the near-side traffic at the centre", ""),
        ("speed_m_s", "speed", "rotor-equivalent horizontal speed", _ROTOR),
    ):
        block = np.array([getattr(s, key) for s in series], dtype=np.float32)
        extra = {"cell_methods": method} if method else {}
        dimensions = ["mount", "time"]
        file.variable(name, dimensions, block, units="m s-1", long_name=long_name, **extra)
    if len(series[0].passes.time_s):
        _write_passes(file, result, series[0].passes)


def _write_passes(file: NetcdfWriter, result: Result, passes: Any) -> None:
    count = len(passes.time_s)
    file.coordinate(
        "pass", np.arange(count, dtype=np.int32), units="1", long_name="number of the pass"
    )
    flags: Callable[[Sequence[str]], dict[str, Any]] = lambda names: {  # noqa: E731
        "flag_values": np.arange(len(names), dtype=np.int32),
        "flag_meanings": " ".join("_".join(name.split()) for name in names),
    }
    lanes = [lane.name for lane in result.case.road.lanes]
    for key, name, units, long_name, extra in (
        ("time_s", "pass_time", "s", "time at which the nose is abreast of the mounts", {}),
        ("lane", "pass_lane", "1", "lane, position along dimension lane", flags(lanes)),
        (
            "vehicle",
            "pass_vehicle",
            "1",
            "vehicle class, position along dimension vehicle_class",
            flags(list(result.case.vehicles)),
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


def _common(arrays: Sequence[NDArray[np.float64]], what: str) -> NDArray[np.float64]:
    """The one array all mounts share; ValueError when they differ."""
    first = np.asarray(arrays[0], dtype=float)
    if not all(np.array_equal(first, other) for other in arrays[1:]):
        raise ValueError(f"the mounts of one result must share their {what}")
    return first


def _float(value: float | None) -> float:
    return np.nan if value is None else float(value)


def mount_statistics(mount: MountResult) -> MountStatistics:
    """The statistics of a traffic study's mount; ValueError in a single-pass study."""
    if mount.statistics is None:
        raise ValueError(f"mount {mount.mount.name!r} has no traffic statistics")
    return mount.statistics
