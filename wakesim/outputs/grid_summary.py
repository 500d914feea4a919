"""summary.json of the studies of many states: what they hold, not the states themselves.

No NaN or infinity: what is not known is ``null``. Units end the key. Keys of every study:

format_version, title, study, invented_data, air_density_kg_m3, warnings, cautions, limits,
provenance, files    as in ``wakesim.outputs.summary``
run                  wall_time_s, failed (number of points that could not be computed)
failed               list of sentences, one for each such point
rotor                width_m, height_m (not with single passes)

A mounting map ("mounting_map") adds

hour                 clock hour of the map
offset_m, height_m   [lowest, highest, number] of the map's places
places               number of places by reason: computed, or why not
power_coefficient, power_coefficient_origin   what the captured power density is made with
best                 null without a free place, else offset_m, height_m, kind, effective_speed_m_s,
                     model_interval_m_s, mean_speed_m_s, sd_speed_m_s, drift_m_s,
                     power_density_w_m2, captured_power_density_w_m2
best_by_kind         the same without the interval for each kind with a free place
at_mount             values at the mount of the case (names as in best)
model_variants       list of parameter, setting, effective_speed_m_s, change_m_s (at the best
                     place), best_offset_m, best_height_m (the best place under that model),
                     moves (whether that is another place)
set_back             list of offset_m, effective_speed_m_s, model_low_m_s, model_high_m_s at the
                     height of the best place
headways             null, or independent_m_s (exact) and simulated, a list of model,
                     effective_speed_m_s, sampling_interval_m_s

A lookup table ("lookup_table") adds

hour                 clock hour of the case that stands behind axes not given
axes                 list of name, values
variables            names in table.h5
states, distinct_states   of the table; computed ones (equal air is computed once)
added                values that refinement put in, by axis
interpolation_error  null, or states, median, p90, largest: relative error at random states
model_interval       null, or states (at which it was computed), error_median and error_largest (of
                     its interpolated ends at random states, over the effective speed), parts

A table of single passes ("single_pass_table") adds classes, axes (as above) and variables.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from wakesim.outputs import page, wording
from wakesim.outputs.summary import FORMAT_VERSION, all_warnings, full_provenance, plain
from wakesim.quantities import STATES
from wakesim.results import LookupResult, MapResult, PassTableResult
from wakesim.studies.mounting_map import REASONS

if TYPE_CHECKING:
    from wakesim.results import GridResult


def write_summary(result: GridResult, path: Path, files: Sequence[str] = ()) -> None:
    """Write summary.json; raises OSError when the file cannot be written."""
    text = json.dumps(summary(result, files), indent=2, ensure_ascii=False, allow_nan=False)
    path.write_text(text + "\n", encoding="utf-8")


def summary(result: GridResult, files: Sequence[str] = ()) -> dict[str, Any]:
    """The result as plain JSON values; keys in the module's text."""
    case = result.case
    values: dict[str, Any] = {
        "format_version": FORMAT_VERSION,
        "title": case.title,
        "study": case.study,
        "invented_data": bool(case.invented_data),
        "air_density_kg_m3": result.air_density_kg_m3,
        "run": {"wall_time_s": result.wall_time_s, "failed": len(result.failed)},
        "failed": result.failed,
        **_own(result),
        "warnings": all_warnings(result),
        "cautions": wording.CAUTIONS,
        "limits": page.limits(result.case),
        "provenance": full_provenance(result),
        "files": list(files),
    }
    out: dict[str, Any] = plain(values)
    return out


def _own(result: GridResult) -> dict[str, Any]:
    if isinstance(result, MapResult):
        return {"rotor": _rotor(result), **_map(result)}
    if isinstance(result, LookupResult):
        return {"rotor": _rotor(result), **_lookup(result)}
    if isinstance(result, PassTableResult):
        axes = ("speed_m_s", "clearance_m", "height_m")
        return {
            "classes": result.classes,
            "axes": [{"name": name, "values": getattr(result, name)} for name in axes],
            "variables": list(result.variables),
        }
    return {}


def _rotor(result: GridResult) -> dict[str, float]:
    mount = result.case.mounts[0]
    return {"width_m": mount.rotor_width_m, "height_m": mount.rotor_height_m}


def place_values(result: MapResult, place: tuple[int, int]) -> dict[str, Any]:
    """Where a place of a map is and what it has."""
    i, j = place
    found = {STATES[n].key: float(v[i, j]) for n, v in result.variables.items()}
    return {
        "offset_m": float(result.offset_m[j]),
        "height_m": float(result.height_m[i]),
        "kind": str(result.kind[i, j]),
        **found,
    }


def _map(result: MapResult) -> dict[str, Any]:
    best = None
    if result.best is not None:
        best = place_values(result, result.best)
        best["model_interval_m_s"] = list(result.best_model_interval_m_s)
    here = (
        None
        if best is None
        else (float(result.offset_m[result.best[1]]), float(result.height_m[result.best[0]]))  # type: ignore[index]
    )
    return {
        "hour": result.hour,
        "offset_m": _extent(result.offset_m),
        "height_m": _extent(result.height_m),
        "places": {text: int(np.sum(result.reason == code)) for code, text in REASONS.items()},
        "power_coefficient": result.power_coefficient,
        "power_coefficient_origin": result.power_coefficient_origin,
        "best": best,
        "best_by_kind": {k: place_values(result, p) for k, p in result.best_by_kind.items()},
        "at_mount": {STATES[n].key: v for n, v in result.mount_values.items()},
        "model_variants": [
            {
                "parameter": v.parameter,
                "setting": v.setting,
                "effective_speed_m_s": v.effective_speed_m_s,
                "change_m_s": v.change_m_s,
                "best_offset_m": v.best_offset_m,
                "best_height_m": v.best_height_m,
                "moves": (v.best_offset_m, v.best_height_m) != here,
            }
            for v in result.variants
        ],
        "set_back": [
            {
                "offset_m": y,
                "effective_speed_m_s": speed,
                "model_low_m_s": low,
                "model_high_m_s": high,
            }
            for y, speed, low, high in result.set_back.T.tolist()
        ],
        "headways": _headways(result),
    }


def _headways(result: MapResult) -> dict[str, Any] | None:
    if result.headways is None:
        return None
    return {
        "independent_m_s": result.headways.independent_m_s,
        "simulated": [
            {"model": m, "effective_speed_m_s": speed, "sampling_interval_m_s": [low, high]}
            for m, speed, low, high in result.headways.simulated
        ],
    }


def _extent(values: Any) -> list[float]:
    return [float(values[0]), float(values[-1]), len(values)]


def _lookup(result: LookupResult) -> dict[str, Any]:
    check = result.interpolation
    sizes = [len(v) for v in result.axes.values()]
    return {
        "hour": result.hour,
        "axes": [{"name": name, "values": values} for name, values in result.axes.items()],
        "variables": list(result.variables),
        "states": int(np.prod(sizes)),
        "distinct_states": result.distinct_states,
        "added": _plain_lists(result.added),
        "interpolation_error": None if check is None else vars(check),
        "model_interval": {
            "states": result.interval_states,
            "error_median": result.interval_check[0],
            "error_largest": result.interval_check[1],
            "parts": result.interval_parts,
        }
        if result.interval_states
        else None,
    }


def _plain_lists(values: Mapping[str, Sequence[float]]) -> dict[str, list[float]]:
    return {name: list(entries) for name, entries in values.items()}
