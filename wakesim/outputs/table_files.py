"""table.h5, pass-table.h5 and their CSV files: tables of states for other programs.

``xarray.open_dataset("table.h5")`` gives one data set with the axes as dimensions, named as in the
case (``height_m``, ``flow_veh_h``, ...); ``wakesim.open_table`` interpolates in it. The CSV files
are tidy: one row a state, axes first, units in the names of the columns, floats in full.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Mapping, Sequence
from itertools import product
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from wakesim.outputs import page, wording
from wakesim.outputs.netcdf import NetcdfWriter
from wakesim.outputs.summary import all_warnings, full_provenance, plain
from wakesim.outputs.table_reader import FORMAT
from wakesim.outputs.tables import csv_header
from wakesim.quantities import AXES, PASS_AXES, STATES
from wakesim.traffic.scene import wake_memory

if TYPE_CHECKING:
    from wakesim.results import GridResult, LookupResult, PassTableResult

_LARGEST_INTEGER = 2**63 - 1


def global_attributes(result: GridResult) -> dict[str, Any]:
    """Title, sources, cautions and provenance, as attributes of a file."""
    provenance = plain(full_provenance(result))
    version = provenance.get("version", "unknown")
    attributes: dict[str, Any] = {
        "Conventions": "CF-1.10",
        "title": wording.one_line(result.case.title),
        "history": f"{provenance.get('created_utc', '')} computed by wakesim {version}",
        "source": f"wakesim {version}: hull pulses and empirical wakes of passing vehicles",
        "comment": " ".join([*wording.CAUTIONS, *page.limits(result.case)]),
        "references": " ".join(wording.SOURCES),
        "study": result.case.study,
        "invented_data": "yes" if result.case.invented_data else "no",
        "warnings": "\n".join(all_warnings(result)),
        "failed_states": np.int64(len(result.failed)),
        "air_density_kg_m3": float(result.air_density_kg_m3),
        "wall_time_s": float(result.wall_time_s),
    }
    for key, value in provenance.items():
        whole = isinstance(value, int) and not isinstance(value, bool)
        if whole and abs(value) <= _LARGEST_INTEGER:
            attributes[key] = np.int64(value)
        else:
            attributes[key] = value if isinstance(value, str) else json.dumps(value)
    return attributes


def write_axis(file: NetcdfWriter, name: str, values: Sequence[float]) -> None:
    """One axis of numbers as a coordinate."""
    q = {**PASS_AXES, **AXES}[name]
    extra = {"standard_name": q.standard} if q.standard else {}
    file.coordinate(name, np.array(values, float), units=q.units, long_name=q.meaning, **extra)


def write_variables(
    file: NetcdfWriter, dimensions: Sequence[str], variables: Mapping[str, Any]
) -> None:
    """Variables over all dimensions."""
    for name, values in variables.items():
        q = STATES[name]
        extra = {"cell_methods": q.method} if q.method else {}
        file.variable(name, dimensions, values, units=q.units, long_name=q.meaning, **extra)


def write_lookup_store(result: LookupResult, path: Path) -> None:
    """Write table.h5; raises OSError when the file cannot be written."""
    with NetcdfWriter(path) as file:
        file.attributes(global_attributes(result) | _lookup_attributes(result))
        for name, values in result.axes.items():
            write_axis(file, name, values)
        write_variables(file, list(result.axes), result.variables)


def _lookup_attributes(result: LookupResult) -> dict[str, Any]:
    mount = result.case.mounts[0]
    attributes: dict[str, Any] = {
        "format": FORMAT,
        "hour": np.int64(result.hour),
        "rotor_width_m": float(mount.rotor_width_m),
        "rotor_height_m": float(mount.rotor_height_m),
        "mount_offset_m": float(mount.offset_m),
        "mount_height_m": float(mount.height_m),
        "sampling_interval": wording.NO_SAMPLING,
        "interpolation": wording.INTERPOLATION,
        "model_interval_parts": "; ".join(result.interval_parts),
        "model_interval_states": np.int64(result.interval_states),
        "model_interval_error_median": float(result.interval_check[0]),
        "model_interval_error_largest": float(result.interval_check[1]),
    }
    check = result.interpolation
    if check is not None:
        attributes |= {
            "interpolation_error_states": np.int64(check.states),
            "interpolation_error_median": float(check.median),
            "interpolation_error_p90": float(check.p90),
            "interpolation_error_largest": float(check.largest),
        }
    return attributes


def write_pass_store(result: PassTableResult, path: Path) -> None:
    """Write pass-table.h5; raises OSError when the file cannot be written."""
    with NetcdfWriter(path) as file:
        file.attributes(global_attributes(result) | {"wake_memory_s": wake_memory(result.case)})
        one = {"units": "1"}
        names = list(result.classes)
        file.coordinate("vehicle_class", names, long_name="vehicle class", **one)
        write_axis(file, "speed_m_s", result.speed_m_s)
        file.coordinate(
            "clearance_m", np.array(result.clearance_m, float), units="m",
            long_name="from the vehicle's side to the point",
        )  # fmt: skip
        file.coordinate(
            "height_m", np.array(result.height_m, float), units="m",
            long_name="height of the point above the road", standard_name="height",
        )  # fmt: skip
        labels = [result.case.vehicles[name].label or name for name in names]
        file.variable("vehicle_label", ["vehicle_class"], labels, long_name="label", **one)
        write_variables(
            file, ["vehicle_class", "speed_m_s", "clearance_m", "height_m"], result.variables
        )


# --- CSV ------------------------------------------------------------------------------------------


def write_lookup_csv(result: LookupResult, path: Path) -> None:
    """Write table.csv; raises OSError when the file cannot be written."""
    columns = [(name, _axis_words(name)) for name in result.axes]
    note = f"One row a state, hour {result.hour} of the case where no axis says otherwise."
    write_csv(result, path, columns, list(result.axes.values()), result.variables, note)


def write_pass_csv(result: PassTableResult, path: Path) -> None:
    """Write pass-table.csv; raises OSError when the file cannot be written."""
    columns = [
        ("vehicle_class", "vehicle class"),
        ("speed_m_s", _axis_words("speed_m_s")),
        ("clearance_m", "m, from the vehicle's side to the point"),
        ("height_m", "m, height of the point above the road"),
    ]
    axes = [result.classes, result.speed_m_s, result.clearance_m, result.height_m]
    note = (
        "One row a pass of one vehicle, nothing else moving the air; wakes are followed for "
        f"{wake_memory(result.case):g} s."
    )
    write_csv(result, path, columns, axes, result.variables, note)


def _axis_words(name: str) -> str:
    return {**PASS_AXES, **AXES}[name].described


def write_csv(
    result: GridResult,
    path: Path,
    columns: Sequence[tuple[str, str]],
    axes: Sequence[Sequence[Any]],
    variables: Mapping[str, Any],
    note: str,
) -> None:
    """A tidy table: ``columns`` (name, words) of the axes, then the variables; a row a point."""
    with path.open("w", encoding="utf-8", newline="") as file:
        file.write(header(result, columns, variables, note))
        file.write(rows(product(*axes), variables))


def rows(places: Iterable[Sequence[Any]], variables: Mapping[str, Any]) -> str:
    """Lines of all points; ``places`` in the order of the variables' elements."""
    values = np.stack([np.asarray(v, dtype=float).reshape(-1) for v in variables.values()], axis=1)
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    for place, row in zip(places, values.tolist(), strict=True):
        writer.writerow([*place, *row])
    return buffer.getvalue()


def header(
    result: GridResult,
    columns: Sequence[tuple[str, str]],
    variables: Mapping[str, Any],
    note: str,
) -> str:
    named = [*columns, *((STATES[n].key, _variable_words(n)) for n in variables)]
    return csv_header(result, named, note)


def _variable_words(name: str) -> str:
    return STATES[name].described
