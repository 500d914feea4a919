"""summary.json: the whole result in one small file for programs, stable from version to version.

No NaN or infinity: what is not known is ``null``. Units end the key. A traffic-study key of a
mount is ``null`` (or an empty list or object) in a single-pass study. Keys:

format_version       integer, raised when a key changes its meaning
title                title of the case
study                "traffic" or "single_pass"
invented_data        true when the case describes a place that does not exist
air_density_kg_m3    density of the air used for the power density
run                  rounds (rounds simulated), simulated_s (all rounds together), passes_total,
                     tolerance (asked relative half-width of the sampling interval, 90 %),
                     tolerance_met, wall_time_s
mounts               list, one object each, in the order of the case:
  name, kind         as in the case
  offset_m, height_m, rotor_width_m, rotor_height_m, wall_offset_m, cut_in_m_s
                     geometry and cut-in speed as in the case
  effective_speed_m_s          cube root of the mean cubed rotor-equivalent speed
  sampling_interval_m_s        [lower, upper], 90 %, from the randomness of the traffic
  model_interval_m_s           [lower, upper], from the uncertain constants of the model
  mean_speed_m_s               mean rotor-equivalent speed
  mean_u_m_s, mean_v_m_s       mean velocity along the road (near-side travel direction) and
                               across it (towards +y), at the centre of the swept area
  sd_speed_m_s                 standard deviation of the rotor-equivalent speed
  energy_pattern_factor        mean cube over cube of the mean
  time_above_cut_in            share of time above cut_in_m_s, 0 to 1
  gust_peak_m_s                highest moving mean over gust_averaging_s
  gust_averaging_s             averaging time of the gust
  peak_m_s                     highest single sample
  ambient_effective_speed_m_s  the same without traffic (0 in still air)
  power_density_w_m2           half density times effective speed cubed
  by_class, by_mechanism       shares of the mean cube, each sums to 1; negative: works against;
                               mechanisms are pulse, wake, turbulence, drift and ambient
  drift              the mean along-road air of the traffic, null where it is not part of the model:
    diffusivity_m2_s           eddy viscosity that traffic makes around the wakes
    at_mount_m_s               drift (what single wakes do not bring), mean over the round and the
                               rotor, along +x
    drag_share                 mean drag left to the traffic by air that already moves along, 0 to 1
    settling_s                 time until the mean air at the mount is at 90 % when traffic sets in
                               at once; null: longer than computed
    balance                    drag_in (drag of the vehicles) and where it goes: road_friction,
                               outflow_left (side of low y), outflow_right, outflow_top, barrier
                               and storage (force per metre of road over the density, m3/s2, of
                               each direction of traffic along its own way)
  whole_hour         the busiest hour with every vehicle in one march, null unless asked for:
    hour, passes               clock hour; vehicles marched, those before the hour included
    mean_u_march_m_s, mean_u_superposed_m_s
                               mean along-road velocity at the rotor by march and by superposition
    effective_march_m_s, effective_superposed_m_s
                               effective speed there by both; the march leaves the pulses out
  hourly             list of hour, flow_veh_h, effective_speed_m_s, mean_speed_m_s
  model_variants     list of parameter, setting, effective_speed_m_s, change_m_s, counted (false: a
                     state of the air shown beside model_interval_m_s, not part of it)
  cutoff_sensitivity list of wake_memory_s, effective_speed_m_s
  signatures         list of vehicle, label, lane, speed_m_s (of the vehicle), clearance_m (from
                     its outline to the rotor's centre), peak_m_s (of the air), duration_s (above
                     a tenth of the peak), int_u_dt_m, int_speed2_dt_m2_s, int_speed3_dt_m3_s2
                     (time integrals of u, of the mean square and of the mean cube),
                     relief_peak, relief_cube (peak and cubed integral of the pulse over those of a
                     plan-plane calculation; null over a vehicle)
  energy             what a rotor makes of it, null without [rotor] in the case:
    rotor                      name, area_m2, response (inertial, quasi_steady, fixed_speed),
                               best_power_coefficient, best_tip_speed_ratio, inertia_kg_m2,
                               shaft_speed_rad_s (of the fixed-speed response), rated_power_w,
                               conversion_efficiency, standby_w, power_curve (pairs of m/s and W),
                               source; null where not given
    weekday_effective_speed_m_s  effective speed of all hours of a weekday in the case's air
    annual_kwh                 electrical energy of the year in its winds with the rotor's response,
                               before standby use; annual_kwh_by_response with each of them;
                               annual_kwh_in_the_air_of_the_case if the air were always that of the
                               case; also annual_without_traffic_kwh, annual_added_by_traffic_kwh,
                               annual_net_of_standby_kwh, mean_daily_kwh, monthly_kwh (12)
    capture_ratio              power with the response over the quasi-steady one, a weekday in the
                               case's air
    winds                      list of speed_m_s, angle_deg, share, with_traffic_w,
                               without_traffic_w (means of a weekday)
    bounds                     means of a weekday in the case's air: betz_mean_w, drag_power_w_m and
                               wake_power_w_m (single wakes; per metre of road), spacing_m,
                               traffic_shaft_w (what one rotor owes to the traffic), its drag_share
                               and wake_share, added_diesel_litres_a_year, added_charge_kwh_a_year
                               (upper bounds)
    load                       load_kwh, energy_share, load_hour_share (of the hours with a load);
                               null without a load
    row                        annual_kwh_at_most, lower_estimate_factor; null without a row
    gust_cycles_a_year         passes of vehicles in all lanes
    uncertainty                samples, failed; effective_speed_m_s and annual_kwh (in the case's
                               air) as p90, p50, p10, mean, sd;
                               effective_speed_ranking and annual_kwh_ranking as explained, trusted
                               and inputs (input, first_order, total); null when no samples were
                               asked for
    claim                      implied (name, value, unit, how), findings (kind, factor, text),
                               verdict; null without [claim]
  warnings           list of sentences about this mount
warnings             list of sentences about the whole result
cautions             list of sentences: what the result must not be used for
limits               list of sentences: what is not modelled
provenance           program, version, case_text, case_sha256, inputs_sha256 (case text, seed,
                     version and vehicle data; the same on every machine), seed, created_utc,
                     python, platform, libraries, and whatever else the run recorded
files                names of the files written with this summary, relative to its folder
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from wakesim.outputs import page, wording
from wakesim.outputs.energy_tables import energy_summary
from wakesim.runtime import sha256

if TYPE_CHECKING:
    from wakesim.measures.results import MountStatistics, Signature
    from wakesim.results import MountResult, Result

FORMAT_VERSION = 1

_SCALARS = (
    "effective_speed_m_s",
    "sampling_interval_m_s",
    "model_interval_m_s",
    "mean_speed_m_s",
    "mean_u_m_s",
    "mean_v_m_s",
    "sd_speed_m_s",
    "energy_pattern_factor",
    "time_above_cut_in",
    "gust_peak_m_s",
    "peak_m_s",
    "ambient_effective_speed_m_s",
    "power_density_w_m2",
)
_GEOMETRY = (
    "name",
    "kind",
    "offset_m",
    "height_m",
    "rotor_width_m",
    "rotor_height_m",
    "wall_offset_m",
    "cut_in_m_s",
)
_SIGNATURE = (
    "vehicle",
    "label",
    "lane",
    "speed_m_s",
    "clearance_m",
    "peak_m_s",
    "duration_s",
    "int_u_dt_m",
    "int_speed2_dt_m2_s",
    "int_speed3_dt_m3_s2",
    "relief_peak",
    "relief_cube",
)
_DRIFT = (
    "diffusivity_m2_s",
    "at_mount_m_s",
    "drag_share",
    "settling_s",
    "balance",
)
_WHOLE_HOUR = (
    "hour",
    "passes",
    "mean_u_march_m_s",
    "mean_u_superposed_m_s",
    "effective_march_m_s",
    "effective_superposed_m_s",
)
_VEHICLE = (
    "length_m",
    "width_m",
    "height_m",
    "clearance_m",
    "frontal_area_m2",
    "drag_coefficient",
    "mean_speed_m_s",
    "speed_sd_m_s",
    "nose_radius_m",
)


def write_summary(result: Result, path: Path, files: Sequence[str] = ()) -> None:
    """Write summary.json; raises OSError when the file cannot be written."""
    text = json.dumps(summary(result, files), indent=2, ensure_ascii=False, allow_nan=False)
    path.write_text(text + "\n", encoding="utf-8")


def summary(result: Result, files: Sequence[str] = ()) -> dict[str, Any]:
    """The result as plain JSON values; keys in the module's text."""
    case = result.case
    values: dict[str, Any] = plain(
        {
            "format_version": FORMAT_VERSION,
            "title": case.title,
            "study": case.study,
            "invented_data": bool(case.invented_data),
            "air_density_kg_m3": result.air_density_kg_m3,
            "run": {
                "rounds": result.rounds,
                "simulated_s": result.simulated_s,
                "passes_total": result.passes_total,
                "tolerance": case.compute.tolerance,
                "tolerance_met": bool(result.tolerance_met),
                "wall_time_s": result.wall_time_s,
            },
            "mounts": [_mount(mount, case.compute.gust_averaging_s) for mount in result.mounts],
            "warnings": all_warnings(result),
            "cautions": wording.CAUTIONS,
            "limits": page.limits(case),
            "provenance": full_provenance(result),
            "files": list(files),
        }
    )
    return values


def all_warnings(result: Result) -> list[str]:
    """Warnings of the run and of the case, each once, in order."""
    return list(dict.fromkeys([*result.warnings, *result.case.warnings]))


def full_provenance(result: Result) -> dict[str, Any]:
    """The run's provenance with a hash of all inputs that is the same on every machine."""
    provenance = dict(result.provenance)
    provenance.setdefault("case_text", result.case.text)
    provenance.setdefault("case_sha256", result.case.sha256)
    provenance["inputs_sha256"] = inputs_hash(result)
    return provenance


def inputs_hash(result: Result) -> str:
    """SHA-256 of case text, seed, program version and the vehicle data in use, line ends aside."""
    provenance = result.provenance
    vehicles = {
        name: {key: getattr(vehicle, key) for key in _VEHICLE}
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


def _mount(result: MountResult, gust_averaging_s: float) -> dict[str, Any]:
    record = {key: getattr(result.mount, key) for key in _GEOMETRY}
    record.update(_statistics(result.statistics))
    record["gust_averaging_s"] = gust_averaging_s
    record["signatures"] = [_signature(signature) for signature in result.signatures]
    record["energy"] = energy_summary(result.energy)
    record["warnings"] = list(result.warnings)
    return record


def _statistics(values: MountStatistics | None) -> dict[str, Any]:
    if values is None:
        empty: dict[str, Any] = dict.fromkeys(_SCALARS)
        return {
            **empty,
            "by_class": {},
            "by_mechanism": {},
            "drift": None,
            "whole_hour": None,
            "hourly": [],
            "model_variants": [],
            "cutoff_sensitivity": [],
        }
    record = {key: getattr(values, key) for key in _SCALARS}
    record["by_class"] = values.by_class
    record["by_mechanism"] = values.by_mechanism
    drift = values.drift
    record["drift"] = None if drift is None else {key: getattr(drift, key) for key in _DRIFT}
    whole = values.whole_hour
    record["whole_hour"] = (
        None if whole is None else {key: getattr(whole, key) for key in _WHOLE_HOUR}
    )
    record["hourly"] = [
        {
            "hour": row.hour,
            "flow_veh_h": row.flow_veh_h,
            "effective_speed_m_s": row.effective_speed_m_s,
            "mean_speed_m_s": row.mean_speed_m_s,
        }
        for row in values.hourly
    ]
    record["model_variants"] = [
        {
            "parameter": row.parameter,
            "setting": row.setting,
            "effective_speed_m_s": row.effective_speed_m_s,
            "change_m_s": row.change_m_s,
            "counted": bool(row.counted),
        }
        for row in values.variants
    ]
    record["cutoff_sensitivity"] = [
        {"wake_memory_s": memory, "effective_speed_m_s": speed}
        for memory, speed in sorted(values.cutoff_effective_speed_m_s.items())
    ]
    return record


def _signature(signature: Signature) -> dict[str, Any]:
    return {key: getattr(signature, key) for key in _SIGNATURE}
