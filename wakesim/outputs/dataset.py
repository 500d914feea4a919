"""Everything of a result as one data set, variables as the rows of ``wakesim.quantities``.

Dimensions of a run: ``mount``, ``vehicle_class``, ``lane``, ``signature_sample`` always; ``bound``,
``hour``, ``cube_source``, ``mechanism``, ``variant``, ``wake_memory``, ``frequency``,
``series_time`` and ``pass`` with traffic; ``drift_y``, ``drift_z`` and ``drift_term`` with its mean
air; ``weekday_hour``, ``month``, ``response``, ``year_wind``, ``exceedance`` and
``uncertain_input`` with a rotor. NaN marks what does not exist for a combination. A lookup table
lies over its axes, a mounting map over ``height_m`` and ``offset_m``. Case text, hashes, seed and
versions are global attributes.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import numpy as np

from wakesim.energy.rotor import RESPONSES
from wakesim.outputs import page, wording
from wakesim.outputs.netcdf import TABLE_FORMAT, Collected, states
from wakesim.outputs.summary import (
    all_warnings,
    full_provenance,
    plain,
    table_rotor,
    table_wind,
    wind_record,
)
from wakesim.quantities import AXES, PASS_AXES, STATES, group
from wakesim.results import (
    REASONS,
    GridResult,
    LookupResult,
    MapResult,
    PassTableResult,
    Result,
    YearResult,
)
from wakesim.traffic.scene import wake_memory

if TYPE_CHECKING:
    from wakesim.measures.results import MountStatistics

_LARGEST_INTEGER = 2**63 - 1
_EXCEEDANCE = {90.0: "p90", 50.0: "p50", 10.0: "p10"}


def collected(result: Result | GridResult) -> Collected:
    """What any result holds. Raises ValueError when mounts do not share their time base."""
    if isinstance(result, MapResult):
        return _map(result)
    if isinstance(result, LookupResult):
        return states(result.axes, result.variables, _lookup_attributes(result))
    if isinstance(result, PassTableResult):
        return _pass_table(result)
    if isinstance(result, YearResult):
        return _year(result)
    assert isinstance(result, Result)
    data = Collected(_global_attributes(result) | _run_attributes(result))
    _site(data, result)
    _signatures(data, result)
    statistics = [m.statistics for m in result.mounts if m.statistics is not None]
    if len(statistics) == len(result.mounts):
        _traffic(data, result, statistics)
    energies = [m.energy for m in result.mounts if m.energy is not None]
    if len(energies) == len(result.mounts):
        _energy(data, energies)
    return data


# --- a run at mounts ------------------------------------------------------------------------------


def _site(data: Collected, result: Result) -> None:
    case = result.case
    data.coordinate("mount", [m.mount.name for m in result.mounts])
    data.coordinate("vehicle_class", list(case.vehicles))
    data.coordinate("lane", [lane.name for lane in case.road.lanes])
    data.group("mount", [m.mount for m in result.mounts])
    data.variable(group("root")["air_density_kg_m3"], (), float(result.air_density_kg_m3))
    classes = {
        name: SimpleNamespace(**{key: getattr(vehicle, key) for key in group("vehicle")})
        for name, vehicle in case.vehicles.items()
    }
    for name, vehicle in classes.items():
        vehicle.label = vehicle.label or name
    data.group("vehicle", [], classes)
    data.group("lane", [], {lane.name: lane for lane in case.road.lanes})


def _signatures(data: Collected, result: Result) -> None:
    """Signatures as mount × lane × vehicle class (× sample), NaN where there is none."""
    placed: list[dict[str, dict[str, Any]]] = []
    for mount in result.mounts:
        placed.append({lane.name: {} for lane in result.case.road.lanes})
        for s in mount.signatures:
            placed[-1][s.lane][s.vehicle] = s
    sizes = [len(s.time_s) for mount in result.mounts for s in mount.signatures]
    data.dimension("signature_sample", max(sizes, default=1))
    data.group("signature_series", placed, single=True)
    data.group("signature", placed)


def _traffic(data: Collected, result: Result, statistics: Sequence[MountStatistics]) -> None:
    gust = {"gust_averaging_s": float(result.case.compute.gust_averaging_s)}
    data.group("measure", statistics, gust_peak=gust)
    data.coordinate("bound", ["lower", "upper"])
    data.group(
        "interval",
        statistics,
        sampling_interval={"comment": page.statement("sampling_interval")},
        model_interval={"comment": page.statement("model_interval")},
    )
    data.coordinate("cube_source", [*result.case.vehicles, "ambient"])
    data.coordinate("mechanism", list(wording.MECHANISMS))
    data.group("share", statistics)
    if any(row.hourly for row in statistics):
        data.coordinate("hour", _union([row.hour for row in s.hourly] for s in statistics))
        data.group("hour", [{row.hour: row for row in s.hourly} for s in statistics])
    if any(row.variants for row in statistics):
        variants = [{f"{v.parameter}: {v.setting}": v for v in s.variants} for s in statistics]
        data.coordinate("variant", _union(variants))
        beside = _flags(["beside the interval", "part of the interval"], np.int8)
        shared = {key: v for own in variants for key, v in own.items()}
        data.group("variant", variants, shared, variant_counted=beside)
    memories = sorted({m for row in statistics for m in row.cutoff_effective_speed_m_s})
    if memories:
        data.coordinate("wake_memory", [float(memory) for memory in memories])
        data.group("cutoff", statistics)
    frequency = _common([row.spectrum_hz for row in statistics], "spectrum frequencies")
    if len(frequency):
        data.coordinate("frequency", frequency)
        data.group("spectrum", statistics)
    _mean_air(data, statistics)
    series = [row.series for row in statistics]
    data.coordinate("series_time", _common([s.time_s for s in series], "series times"))
    data.group("series", series, series[0], single=True)
    passes = series[0].passes
    if len(passes.time_s):
        data.coordinate("pass", np.arange(len(passes.time_s), dtype=np.int32))
        lanes = _flags([lane.name for lane in result.case.road.lanes], np.int32)
        classes = _flags(list(result.case.vehicles), np.int32)
        data.group("pass", [], passes, pass_lane=lanes, pass_vehicle=classes)


def _mean_air(data: Collected, statistics: Sequence[MountStatistics]) -> None:
    """Mounts have grids of their own size: what the largest has more is NaN at the others."""
    drifts = [row.drift for row in statistics]
    known = [drift for drift in drifts if drift is not None]
    if known:
        data.coordinate("drift_term", _union(drift.balance for drift in known))
        data.dimension("drift_y", max(len(drift.y_m) for drift in known))
        data.dimension("drift_z", max(len(drift.z_m) for drift in known))
        data.group("drift", drifts)
        data.group("drift_field", drifts)
        data.beside("drift_offset", "drift_height")


def _energy(data: Collected, energies: Sequence[Any]) -> None:
    data.coordinate("weekday_hour", np.arange(24, dtype=np.int32))
    data.coordinate("month", np.arange(1, 13, dtype=np.int32))
    data.coordinate("response", list(RESPONSES))
    data.group("energy_hour", energies)
    data.group("energy", energies)
    data.group("rotor", [e.rotor for e in energies])
    winds = [dict(enumerate(map(wind_record, e.by_wind))) for e in energies]
    data.dimension("year_wind", len(winds[0]))  # the winds of the year are the same at every mount
    data.group("year_wind", winds, winds[0])
    known = [e.uncertainty for e in energies if e.uncertainty is not None]
    if len(known) == len(energies):
        data.coordinate("exceedance", list(_EXCEEDANCE))
        data.coordinate("uncertain_input", list(known[0].speed_ranking.names))
        rows = [
            SimpleNamespace(
                speed={share: getattr(u.speed, p) for share, p in _EXCEEDANCE.items()},
                energy={share: getattr(u.energy, p) for share, p in _EXCEEDANCE.items()},
            )
            for u in known
        ]
        data.group("percentile", rows)
        data.group("index", known)


def _union(lists: Iterable[Iterable[Any]]) -> list[Any]:
    """Every entry once, in the order of appearance."""
    return list(dict.fromkeys(entry for entries in lists for entry in entries))


def _flags(meanings: Iterable[str], kind: type) -> dict[str, Any]:
    """CF flag attributes of numbers 0, 1, ... for these meanings."""
    words = ["_".join(text.replace(",", "").split()) for text in meanings]
    return {"flag_values": np.arange(len(words), dtype=kind), "flag_meanings": " ".join(words)}


def _common(arrays: Sequence[np.ndarray], what: str) -> np.ndarray:
    """The one array all mounts share; ValueError when they differ."""
    first = np.asarray(arrays[0], dtype=float)
    if not all(np.array_equal(first, other) for other in arrays[1:]):
        raise ValueError(f"the mounts of one result must share their {what}")
    return first


# --- studies of many states -----------------------------------------------------------------------


def _lookup_attributes(result: LookupResult) -> dict[str, Any]:
    mount = result.case.mounts[0]
    attributes: dict[str, Any] = {
        "format": TABLE_FORMAT,
        "mount_offset_m": float(mount.offset_m),
        "mount_height_m": float(mount.height_m),
        "interpolation": page.statement("interpolation"),
        "model_interval_parts": "; ".join(result.interval_parts),
        "model_interval_states": np.int64(result.interval_states),
        "model_interval_error_median": float(result.interval_check[0]),
        "model_interval_error_largest": float(result.interval_check[1]),
    }
    for where, check in (
        ("", result.interpolation), ("light_wind_", result.interpolation_light_wind),
    ):  # fmt: skip
        if check is not None:
            errors = vars(check).items()
            attributes |= {f"interpolation_error_{where}{key}": value for key, value in errors}
    wind = table_wind(result.case)
    attributes |= {f"wind_{key}": value for key, value in (wind or {}).items()}
    attributes |= {f"rotor_{key}": value for key, value in table_rotor(result).items()}
    return _grid_attributes(result) | _hour_attributes(result) | attributes


def _pass_table(result: PassTableResult) -> Collected:
    data = Collected(_grid_attributes(result) | {"wake_memory_s": wake_memory(result.case)})
    data.coordinate("vehicle_class", list(result.classes), PASS_AXES["vehicle_class"])
    for name in list(PASS_AXES)[1:]:
        data.coordinate(name, np.array(getattr(result, name), float), PASS_AXES[name])
    labels = [result.case.vehicles[name].label or name for name in result.classes]
    data.variable(group("vehicle")["label"], ["vehicle_class"], labels)
    for name, values in result.variables.items():
        data.variable(STATES[name], list(PASS_AXES), values)
    return data


def _map(result: MapResult) -> Collected:
    attributes = {
        **_grid_attributes(result),
        **_hour_attributes(result),
        "power_coefficient": float(result.power_coefficient),
        "power_coefficient_origin": result.power_coefficient_origin,
    }
    if result.best is not None:
        i, j = result.best
        attributes["best_offset_m"] = float(result.offset_m[j])
        attributes["best_height_m"] = float(result.height_m[i])
        attributes["best_effective_speed_m_s"] = float(result.variables["effective_speed"][i, j])
        attributes["best_model_interval_m_s"] = np.array(result.best_model_interval_m_s, float)
    data = Collected(attributes)
    data.coordinate("height_m", result.height_m, AXES["height_m"])
    data.coordinate("offset_m", result.offset_m, AXES["offset_m"])
    for name, values in result.variables.items():
        data.variable(STATES[name], ["height_m", "offset_m"], values)
    reasons = {**_flags(REASONS.values(), np.int8), "flag_values": np.array(list(REASONS), np.int8)}
    data.group("map_place", [], result, reason=reasons)
    if result.set_back.shape[1]:
        data.coordinate("set_back_offset_m", result.set_back[0])
        names = ("effective_speed", "model_low", "model_high")
        for name, values in zip(names, result.set_back[1:], strict=True):
            data.variable(STATES[name], ["set_back_offset_m"], values, f"set_back_{name}")
    return data


def _year(result: YearResult) -> Collected:
    hours = result.hours
    attributes = {
        **_grid_attributes(result),
        "computed_hours": np.int64(result.computed_hours),
        "model_interval_parts": "; ".join(result.model_parts),
    }
    data = Collected(attributes)
    data.coordinate("mount", [post.mount.name for post in result.posts])
    data.coordinate("bound", ["lower", "upper"])
    data.coordinate("hour_of_record", hours.time_utc.astype(np.int64) / 3600.0)
    data.group("year", result.posts)
    data.group("year_hour", result.posts, single=True)
    data.group("year_state", [], hours)
    causes = list(result.posts[0].percentiles)
    if causes:
        data.coordinate("exceedance", list(_EXCEEDANCE))
        data.coordinate("cause", causes)
        rows = [
            {c: SimpleNamespace(
                energy={share: getattr(post.percentiles[c], p) for share, p in _EXCEEDANCE.items()}
            ) for c in causes}
            for post in result.posts
        ]  # fmt: skip
        data.group("year_percentile", rows)
    return data


# --- global attributes ----------------------------------------------------------------------------


def _global_attributes(result: Result | GridResult) -> dict[str, Any]:
    """Title, sources, cautions and provenance."""
    provenance = plain(full_provenance(result))
    version = provenance.get("version", "unknown")
    attributes: dict[str, Any] = {
        "Conventions": "CF-1.11",
        "title": wording.one_line(result.case.title),
        "history": f"{provenance.get('created_utc', '')} computed by wakesim {version}",
        "source": f"wakesim {version}: hull pulses and empirical wakes of passing vehicles",
        "comment": " ".join([*wording.CAUTIONS, *page.limits(result.case)]),
        "references": " ".join(page.sentences("sources")),
        "study": result.case.study,
        "invented_data": "yes" if result.case.invented_data else "no",
        "warnings": "\n".join(all_warnings(result)),
    }
    for key, value in provenance.items():
        whole = isinstance(value, int) and not isinstance(value, bool)
        if whole and abs(value) <= _LARGEST_INTEGER:
            attributes[key] = np.int64(value)
        else:
            attributes[key] = value if isinstance(value, str) else json.dumps(value)
    return attributes | {"wall_time_s": float(result.wall_time_s)}


def _run_attributes(result: Result) -> dict[str, Any]:
    return {
        "rounds": np.int64(result.rounds),
        "simulated_s": float(result.simulated_s),
        "passes_total": np.int64(result.passes_total),
        "tolerance_met": "yes" if result.tolerance_met else "no",
    }


def _grid_attributes(result: GridResult) -> dict[str, Any]:
    return {
        **_global_attributes(result),
        "failed_states": np.int64(len(result.failed)),
        "air_density_kg_m3": float(result.air_density_kg_m3),
    }


def _hour_attributes(result: LookupResult | MapResult) -> dict[str, Any]:
    mount = result.case.mounts[0]
    return {
        "hour": np.int64(result.hour),
        "rotor_width_m": float(mount.rotor_width_m),
        "rotor_height_m": float(mount.rotor_height_m),
        "sampling_interval": page.statement("no_sampling"),
    }
