"""summary.json: a result in one small file for programs, stable from version to version.

No NaN or infinity: what is not known is ``null``. Units end the key. The keys are those of
``wakesim.quantities``, described in ``wakesim/outputs/README.md``.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import numpy as np

from wakesim.case.air import OPEN_LAND
from wakesim.energy.claims import claim_record
from wakesim.outputs import page, wording
from wakesim.quantities import STATES, group
from wakesim.results import (
    REASONS,
    GridResult,
    LookupResult,
    MapResult,
    PassTableResult,
    Result,
    YearResult,
)
from wakesim.runtime import sha256

if TYPE_CHECKING:
    from wakesim.case.schema import Case
    from wakesim.energy.study import EnergyResult, WindYield
    from wakesim.energy.uncertainty import Ranking
    from wakesim.energy.year import MountYear
    from wakesim.measures.results import MountStatistics
    from wakesim.results import MountResult

FORMAT_VERSION = 1


def write_summary(
    result: Result | GridResult,
    path: Path,
    files: Sequence[str] = (),
    tables: Mapping[str, str] | None = None,
) -> None:
    """Write summary.json; raises OSError when the file cannot be written."""
    text = json.dumps(summary(result, files, tables), indent=2, ensure_ascii=False, allow_nan=False)
    path.write_text(text + "\n", encoding="utf-8")


def summary(
    result: Result | GridResult,
    files: Sequence[str] = (),
    tables: Mapping[str, str] | None = None,
) -> dict[str, Any]:
    """Any result as plain JSON values; ``tables`` says what each table among the files holds."""
    case = result.case
    own = _run(result) if isinstance(result, Result) else _grid(result)
    values: dict[str, Any] = plain(
        {
            "format_version": FORMAT_VERSION,
            "title": case.title,
            "study": case.study,
            "invented_data": bool(case.invented_data),
            "air_density_kg_m3": result.air_density_kg_m3,
            **own,
            "warnings": all_warnings(result),
            "cautions": wording.CAUTIONS,
            "limits": page.limits(case),
            "provenance": full_provenance(result),
            "tables": [{"file": name, "note": note} for name, note in (tables or {}).items()],
            "files": list(files),
        }
    )
    return values


def table_wind(case: Case) -> dict[str, float | str] | None:
    """What the wind of a lookup table's states is; None where they all are still."""
    moved = case.table is not None and "wind_speed_m_s" in case.table.axes
    wind = case.air.wind or (OPEN_LAND if moved else None)
    if wind is None:
        return None
    keys = {"log": ("roughness_m", "displacement_m"), "power": ("exponent",)}[wind.profile]
    still = () if moved else ("speed_m_s", "angle_deg")  # one for all states
    names = ("reference_height_m", "profile", *keys, "turbulence_intensity", *still)
    return {name: getattr(wind, name) for name in names}


def table_rotor(result: LookupResult) -> dict[str, float | str]:
    """The rotor of a lookup table: its rectangle, and with [rotor] what its power depends on."""
    mount, rotor = result.case.mounts[0], result.rotor
    found: dict[str, float | str] = {
        "width_m": float(mount.rotor_width_m), "height_m": float(mount.rotor_height_m),
    }  # fmt: skip
    if rotor is not None:
        found |= {
            "name": rotor.name, "area_m2": float(rotor.area_m2),
            "cut_in_m_s": float(rotor.cut_in_m_s), "response": rotor.response,
            "standby_w": float(rotor.standby_w),
        }  # fmt: skip
    if result.shaft_speed_rad_s is not None:
        found["shaft_speed_rad_s"] = float(result.shaft_speed_rad_s)
    return found


def all_warnings(result: Result | GridResult) -> list[str]:
    """Warnings of the run and of the case, each once, in order."""
    return list(dict.fromkeys([*result.warnings, *result.case.warnings]))


def full_provenance(result: Result | GridResult) -> dict[str, Any]:
    """The run's provenance with a hash of all inputs that is the same on every machine."""
    provenance = dict(result.provenance)
    provenance.setdefault("case_text", result.case.text)
    provenance.setdefault("case_sha256", result.case.sha256)
    provenance["inputs_sha256"] = inputs_hash(result)
    return provenance


def inputs_hash(result: Result | GridResult) -> str:
    """SHA-256 of case text, seed, program version and the vehicle data in use, line ends aside."""
    provenance = result.provenance
    keys = [key for key in group("vehicle") if key != "label"] + ["mean_speed_m_s", "speed_sd_m_s"]
    vehicles = {
        name: {key: getattr(vehicle, key) for key in keys}
        for name, vehicle in result.case.vehicles.items()
    }
    inputs = {
        "case_text": "\n".join(result.case.text.splitlines()),
        "seed": provenance.get("seed"),
        "version": provenance.get("version"),
        "vehicles": vehicles,
    }
    return sha256(json.dumps(plain(inputs), sort_keys=True, ensure_ascii=True))


def plain(value: Any) -> Any:
    """JSON value of numbers, arrays, mappings and sequences; not-finite floats become None."""
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, str) or value is None or isinstance(value, bool | int):
        return value
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    if isinstance(value, np.generic):
        return plain(value.item())
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, list | tuple | set | frozenset):
        return [plain(item) for item in value]
    return str(value)


def _record(name: str, item: Any, **given: Any) -> dict[str, Any] | None:
    """The quantities of a group by key; None without an item. ``given`` are taken as they are."""
    if item is None:
        return None
    return {key: given[key] if key in given else q.of(item) for key, q in group(name).items()}


def _records(name: str, items: Sequence[Any]) -> list[dict[str, Any] | None]:
    return [_record(name, item) for item in items]


# --- a run at mounts ------------------------------------------------------------------------------


def _run(result: Result) -> dict[str, Any]:
    compute = result.case.compute
    run = {key: getattr(result, key) for key in group("run") if hasattr(result, key)}
    return {
        "run": run | {"tolerance": compute.tolerance, "tolerance_met": bool(result.tolerance_met)},
        "mounts": [_mount(mount, compute.gust_averaging_s) for mount in result.mounts],
    }


def _mount(result: MountResult, gust_averaging_s: float) -> dict[str, Any]:
    return {
        **(_record("mount", result.mount) or {}),
        **_statistics(result.statistics),
        "gust_averaging_s": gust_averaging_s,
        "signatures": _records("signature", result.signatures),
        "energy": energy_summary(result.energy),
        "warnings": list(result.warnings),
    }


def _statistics(values: MountStatistics | None) -> dict[str, Any]:
    if values is None:
        nothing = dict.fromkeys([*group("measure"), *group("interval"), "drift", "whole_hour"])
        lists = ("hourly", "model_variants", "cutoff_sensitivity")
        return {**nothing, **{key: {} for key in group("share")}, **{key: [] for key in lists}}
    return {
        **{
            key: q.of(values)
            for name in ("measure", "interval", "share")
            for key, q in group(name).items()
        },
        "drift": _record("drift", values.drift),
        "whole_hour": _record("whole_hour", values.whole_hour),
        "hourly": _records("hour", values.hourly),
        "model_variants": _records("variant", values.variants),
        "cutoff_sensitivity": [
            {"wake_memory_s": memory, "effective_speed_m_s": speed}
            for memory, speed in sorted(values.cutoff_effective_speed_m_s.items())
        ],
    }


def energy_summary(energy: EnergyResult | None) -> dict[str, Any] | None:
    """The ``energy`` object of a mount; None without a rotor."""
    if energy is None:
        return None
    e, curve = energy, energy.rotor.power_curve
    points = None if curve is None else np.column_stack([curve.speed_m_s, curve.power_w])
    u = e.uncertainty
    record = _record(
        "energy",
        e,
        mean_daily_kwh=e.year.annual_kwh / (e.year.hours.hour.size / 24.0),
        capture_ratio=e.power.capture_ratio(e.rotor.response),
    )
    return plain(  # type: ignore[no-any-return]
        {
            **(record or {}),
            "rotor": _record("rotor", e.rotor, power_curve=points),
            "winds": [
                (_record("year_wind", wind_record(row)) or {})
                | ({"angle_deg": None} if row.wind is None else {})
                for row in e.by_wind
            ],
            "bounds": _record("bounds", e.bounds),
            "load": _record("load", e.coverage),
            "row": None if e.row_kwh is None else _record("row", e),
            "uncertainty": None
            if u is None
            else {
                "samples": u.samples,
                "failed": u.failed,
                "effective_speed_m_s": vars(u.speed),
                "annual_kwh": vars(u.energy),
                "effective_speed_ranking": _ranking(u.speed_ranking),
                "annual_kwh_ranking": _ranking(u.energy_ranking),
            },
            "claim": None if e.claim is None else claim_record(e.claim),
        }
    )


def wind_record(row: WindYield) -> SimpleNamespace:
    """A wind of the year with its power; still air has speed and angle 0."""
    wind = row.wind
    return SimpleNamespace(
        speed_m_s=0.0 if wind is None else wind.speed_m_s,
        angle_deg=0.0 if wind is None else wind.angle_deg,
        share=row.probability,
        with_traffic_w=row.with_traffic_w,
        without_traffic_w=row.without_traffic_w,
    )


def _ranking(r: Ranking) -> dict[str, Any]:
    rows = [{"input": n, "first_order": f, "total": t} for n, f, t in r.ordered()]
    return {"explained": r.explained, "trusted": r.trusted, "inputs": rows}


# --- studies of many states -----------------------------------------------------------------------


def _grid(result: GridResult) -> dict[str, Any]:
    common = {
        "run": {"wall_time_s": result.wall_time_s, "failed": len(result.failed)},
        "failed": result.failed,
    }
    mount = result.case.mounts[0] if result.case.mounts else None
    rotor = None if mount is None else {
        "width_m": mount.rotor_width_m, "height_m": mount.rotor_height_m,
    }  # fmt: skip
    if isinstance(result, YearResult):
        return {**common, "rotor": rotor, **_year(result)}
    if isinstance(result, MapResult):
        return {**common, "rotor": rotor, **_map(result)}
    if isinstance(result, LookupResult):
        return {**common, "rotor": table_rotor(result), **_lookup(result)}
    assert isinstance(result, PassTableResult)
    axes = {key: getattr(result, key) for key in ("speed_m_s", "clearance_m", "height_m")}
    return {
        **common,
        "classes": result.classes,
        "axes": _axes(axes),
        "variables": list(result.variables),
    }


def _axes(axes: Mapping[str, Sequence[float]]) -> list[dict[str, Any]]:
    return [{"name": name, "values": values} for name, values in axes.items()]


def _place(result: MapResult, place: tuple[int, int]) -> dict[str, Any]:
    """Where a place of a map is and what it has."""
    i, j = place
    return {
        "offset_m": float(result.offset_m[j]),
        "height_m": float(result.height_m[i]),
        "kind": str(result.kind[i, j]),
        **{STATES[name].key: float(v[i, j]) for name, v in result.variables.items()},
    }


def _map(result: MapResult) -> dict[str, Any]:
    best, here = None, None
    if result.best is not None:
        best = _place(result, result.best)
        best["model_interval_m_s"] = list(result.best_model_interval_m_s)
        here = (best["offset_m"], best["height_m"])
    curve = ("offset_m", "effective_speed_m_s", "model_low_m_s", "model_high_m_s")
    checks = result.headways
    return {
        "hour": result.hour,
        "offset_m": _extent(result.offset_m),
        "height_m": _extent(result.height_m),
        "places": {text: int(np.sum(result.reason == code)) for code, text in REASONS.items()},
        "power_coefficient": result.power_coefficient,
        "power_coefficient_origin": result.power_coefficient_origin,
        "best": best,
        "best_by_kind": {k: _place(result, p) for k, p in result.best_by_kind.items()},
        "at_mount": {STATES[name].key: v for name, v in result.mount_values.items()},
        "model_variants": [
            vars(v) | {"moves": (v.best_offset_m, v.best_height_m) != here} for v in result.variants
        ],
        "set_back": [dict(zip(curve, row, strict=True)) for row in result.set_back.T.tolist()],
        "headways": None
        if checks is None
        else {
            "exact_m_s": checks.exact_m_s,
            "independent_m_s": checks.independent_m_s,
            "simulated": [
                {"model": m, "effective_speed_m_s": speed, "sampling_interval_m_s": [low, high]}
                for m, speed, low, high in checks.simulated
            ],
        },
    }


def _extent(values: Any) -> list[float]:
    return [float(values[0]), float(values[-1]), len(values)]


def _lookup(result: LookupResult) -> dict[str, Any]:
    check, light = result.interpolation, result.interpolation_light_wind
    return {
        "hour": result.hour,
        "axes": _axes(result.axes),
        "variables": list(result.variables),
        "wind": table_wind(result.case),
        "states": math.prod(len(values) for values in result.axes.values()),
        "distinct_states": result.distinct_states,
        "added": result.added,
        "interpolation_error": None if check is None else vars(check),
        "interpolation_error_light_wind": None if light is None else vars(light),
        "model_interval": {
            "states": result.interval_states,
            "error_median": result.interval_check[0],
            "error_largest": result.interval_check[1],
            "parts": result.interval_parts,
        }
        if result.interval_states
        else None,
    }


def _year(result: YearResult) -> dict[str, Any]:
    hours = result.hours
    filled = hours.filled.astype(int)
    return {
        "hours": len(hours),
        "first_utc": str(hours.time_utc[0]),
        "last_utc": str(hours.time_utc[-1]),
        "vehicles": hours.vehicles,
        "filled_flow_hours": int(np.count_nonzero(filled & 1)),
        "filled_wind_hours": int(np.count_nonzero(filled & 2)),
        "holidays": [str(day) for day in hours.holidays],
        "computed_hours": result.computed_hours,
        "stretch_hours": result.stretch_hours,
        "model_interval_parts": result.model_parts,
        "mounts": [_year_of(post) for post in result.posts],
    }


def _year_of(post: MountYear) -> dict[str, Any]:
    return {
        **(
            _record(
                "year",
                post,
                percentiles_kwh={cause: vars(p) for cause, p in post.percentiles.items()},
                load=[vars(month) for month in post.load],
            )
            or {}
        ),
        "interpolation_error": post.missed,
    }
