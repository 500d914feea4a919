"""map.h5 and map.csv: a mounting map for other programs.

``xarray.open_dataset("map.h5")`` gives variables over ``height_m`` and ``offset_m``; ``reason``
says why a place has no value (its attributes ``flag_values`` and ``flag_meanings``, CF). The
set-back curve stands along ``set_back_offset_m``.
"""

from __future__ import annotations

from itertools import product
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from wakesim.outputs import wording
from wakesim.outputs.netcdf import NetcdfWriter
from wakesim.outputs.table_files import (
    global_attributes,
    header,
    rows,
    write_axis,
    write_variables,
)
from wakesim.quantities import AXES, STATES
from wakesim.studies.mounting_map import REASONS

if TYPE_CHECKING:
    from wakesim.results import MapResult


def write_map_store(result: MapResult, path: Path) -> None:
    """Write map.h5; raises OSError when the file cannot be written."""
    with NetcdfWriter(path) as file:
        file.attributes(global_attributes(result) | _attributes(result))
        write_axis(file, "height_m", result.height_m.tolist())
        write_axis(file, "offset_m", result.offset_m.tolist())
        axes = ["height_m", "offset_m"]
        write_variables(file, axes, result.variables)
        file.variable(
            "reason", axes, result.reason, units="1", long_name="why a place has no value",
            flag_values=np.array(list(REASONS), dtype=np.int8),
            flag_meanings=" ".join(t.replace(" ", "_").replace(",", "") for t in REASONS.values()),
        )  # fmt: skip
        file.variable(
            "kind", axes, result.kind.astype(object), units="1",
            long_name="what a rotor would hang on",
        )  # fmt: skip
        if result.set_back.shape[1]:
            _write_set_back(file, result)


def _attributes(result: MapResult) -> dict[str, Any]:
    mount = result.case.mounts[0]
    out: dict[str, Any] = {
        "hour": np.int64(result.hour),
        "rotor_width_m": float(mount.rotor_width_m),
        "rotor_height_m": float(mount.rotor_height_m),
        "power_coefficient": float(result.power_coefficient),
        "power_coefficient_origin": result.power_coefficient_origin,
        "sampling_interval": wording.NO_SAMPLING,
    }
    if result.best is not None:
        i, j = result.best
        out["best_offset_m"] = float(result.offset_m[j])
        out["best_height_m"] = float(result.height_m[i])
        out["best_effective_speed_m_s"] = float(result.variables["effective_speed"][i, j])
        out["best_model_interval_m_s"] = np.array(result.best_model_interval_m_s, dtype=float)
    return out


def _write_set_back(file: NetcdfWriter, result: MapResult) -> None:
    offsets, speed, low, high = result.set_back
    file.coordinate(
        "set_back_offset_m", offsets, units="m",
        long_name="offset of the rotor axis, at the height of the best place",
    )  # fmt: skip
    for name, values in (("effective_speed", speed), ("model_low", low), ("model_high", high)):
        q = STATES[name]
        file.variable(
            f"set_back_{name}", ["set_back_offset_m"], values, units=q.units, long_name=q.meaning
        )


def write_map_csv(result: MapResult, path: Path) -> None:
    """Write map.csv; raises OSError when the file cannot be written."""
    columns = [(name, AXES[name].described) for name in ("height_m", "offset_m")]
    columns += [
        ("kind", "what a rotor would hang on"),
        ("reason", "; ".join(f"{code}: {text}" for code, text in REASONS.items())),
    ]
    places = [
        (z, y, str(result.kind[i, j]), int(result.reason[i, j]))
        for (i, z), (j, y) in product(
            enumerate(result.height_m.tolist()), enumerate(result.offset_m.tolist())
        )
    ]
    note = f"One row a place, clock hour {result.hour}; nan where no rotor may hang."
    with path.open("w", encoding="utf-8", newline="") as file:
        file.write(header(result, columns, result.variables, note))
        file.write(rows(places, result.variables))
