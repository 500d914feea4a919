"""result.h5: everything of a result in one file that netCDF-4 programs and h5py open as it is.

``xarray.open_dataset("result.h5")`` gives one data set. Dimensions: ``mount``, ``vehicle_class``,
``lane``, ``signature_sample`` always; ``bound``, ``hour``, ``cube_source``, ``mechanism``,
``variant``, ``wake_memory``, ``frequency``, ``time`` and ``pass`` in a traffic study; ``drift_y``,
``drift_z`` and ``drift_term`` where it has the sustained drift; those of ``energy_store`` where the
case has a rotor. NaN marks what does not exist for a
combination. Text of the case, hashes, seed and versions are global
attributes.
"""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from wakesim.outputs import page, wording
from wakesim.outputs.energy_store import write_energy
from wakesim.outputs.netcdf import NetcdfWriter
from wakesim.outputs.store_traffic import write_traffic
from wakesim.outputs.summary import all_warnings, full_provenance, plain

if TYPE_CHECKING:
    from wakesim.measures.results import Signature
    from wakesim.results import Result

_LARGEST_INTEGER = 2**63 - 1

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
    (
        "nose_radius_m",
        "vehicle_nose_radius",
        "m",
        "radius of the edges around the nose, missing where it is the model's share of the front",
    ),
)
_SIGNATURE_ARRAYS = (
    ("time_s", "signature_time", "s", "time after the nose is abreast of the mount"),
    ("u_m_s", "signature_u", "m s-1", "velocity along the road during one pass"),
    ("v_m_s", "signature_v", "m s-1", "velocity across the road, towards +y, during one pass"),
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
    (
        "clearance_m",
        "signature_clearance",
        "m",
        "distance from the vehicle's outline to the rotor's centre",
    ),
    ("peak_m_s", "signature_peak", "m s-1", "highest speed of the air during one pass"),
    (
        "duration_s",
        "signature_duration",
        "s",
        "time during one pass in which the speed exceeds a tenth of its peak",
    ),
    ("int_u_dt_m", "signature_int_u_dt", "m", "time integral of signature_u"),
    (
        "int_speed2_dt_m2_s",
        "signature_int_speed2_dt",
        "m2 s-1",
        "time integral of the mean squared speed",
    ),
    (
        "int_speed3_dt_m3_s2",
        "signature_int_speed3_dt",
        "m3 s-2",
        "time integral of the mean cubed speed",
    ),
    (
        "relief_peak",
        "signature_relief_peak",
        "1",
        "peak of the pulse over that of a plan-plane (2D) calculation, missing over a vehicle",
    ),
    (
        "relief_cube",
        "signature_relief_cube",
        "1",
        "integral of the pulse's cubed speed over that of a plan-plane (2D) calculation, "
        "missing over a vehicle",
    ),
)


def write_store(result: Result, path: Path) -> None:
    """Write result.h5; raises OSError when the file cannot be written."""
    with NetcdfWriter(path) as file:
        file.attributes(_global_attributes(result))
        _write_mounts(file, result)
        _write_vehicles(file, result)
        _write_signatures(file, result)
        if all(mount.statistics is not None for mount in result.mounts):
            write_traffic(file, result)
        if all(mount.energy is not None for mount in result.mounts):
            write_energy(file, result)


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
        "comment": " ".join([*wording.CAUTIONS, *page.limits(result.case)]),
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
        given = [getattr(vehicle, key) for vehicle in vehicles.values()]
        values = [math.nan if value is None else float(value) for value in given]
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


def _float(value: float | None) -> float:
    return np.nan if value is None else float(value)
