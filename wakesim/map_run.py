"""The mounting-map study: the map, its best place, and how sure that is."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from wakesim.arrays import Array
from wakesim.case.mounts import PLACE_KINDS
from wakesim.case.schema import Case
from wakesim.case.traffic import Headway
from wakesim.energy.study import rotor_of
from wakesim.grids import (
    Progress,
    SweepOptions,
    Sweeps,
    common,
    run_lookup,
    run_pass_table,
    sweeps,
)
from wakesim.measures import mounting_map
from wakesim.measures.lookup import density_of
from wakesim.measures.model_interval import ends
from wakesim.measures.mounting_map import BETZ, FREE
from wakesim.measures.places import chosen_hour, moved, moved_at, one_hour, rotor_statistics
from wakesim.measures.study import TrafficStudy
from wakesim.results import GridResult, HeadwayCheck, MapResult, MapVariant
from wakesim.sweep import free_processors
from wakesim.traffic.point_statistics import pulse_fields
from wakesim.traffic.scene import field_settings

Index = tuple[int, int]

_POINTS_A_TASK = 256
_SET_BACK_PLACES = 5  # of the curve at which variants are computed
_HEADWAY_ROUNDS, _HEADWAY_TOLERANCE = 12, 0.01
_EXPONENTIAL = Headway("exponential", 0.0, None, None, False)


def run_grid(case: Case, options: SweepOptions, say: Progress | None) -> GridResult:
    """The study of many states that the case asks for."""
    studies: dict[str, Callable[..., GridResult]] = {
        "mounting_map": run_map,
        "lookup_table": run_lookup,
        "single_pass_table": run_pass_table,
    }
    return studies[case.study](case, options, say)


def run_map(case: Case, options: SweepOptions, say: Progress | None) -> MapResult:
    """The map of the case's [map]."""
    began = time.perf_counter()
    table = case.map
    if table is None:
        raise ValueError("the case has no map")
    hour = chosen_hour(case, table.hour)
    there = one_hour(case, hour)
    offsets, heights = np.array(table.offsets), np.array(table.heights)
    reason = mounting_map.reasons(there, offsets, heights)
    density = density_of(case)
    warnings: list[str] = []
    with sweeps(case, options, say) as work:
        work.stage(0.0, 0.5)
        variables = _fields(work, there, offsets, heights, reason == FREE, density)
        effective = variables["effective_speed"]
        kind = mounting_map.kinds(there, offsets, heights)
        by_kind = {
            name: place
            for name in PLACE_KINDS
            if (place := mounting_map.best_place(np.where(kind == name, effective, np.nan)))
        }
        wanted = case.mounts[0].support.place.name
        best = by_kind.get(wanted) or mounting_map.best_place(effective)
        if best is not None and wanted not in by_kind:
            warnings.append(
                f"the map has no free place of the mount's own kind ({wanted}); the best of "
                "another kind stands for it"
            )
        own: dict[str, float] = {}
        set_back, variants = np.empty((4, 0)), ()
        interval, headways = (np.nan, np.nan), None
        if best is None:
            warnings.append("no place of the map is free: nothing could be computed")
        else:
            own = _at_mount(there, density)
            work.stage(0.5, 0.8)
            variants, interval, set_back = _sureness(
                work, there, offsets, heights,
                np.where(kind == kind[best], effective, np.nan), best, density,
            )  # fmt: skip
            work.stage(0.8, 1.0)
            headways = _headways(work, there, offsets[best[1]], heights[best[0]], effective[best])
    coefficient, origin = _power_coefficient(case)
    variables["captured_power_density"] = coefficient * variables["power_density"]
    return MapResult(
        **common(case, began, work, warnings),
        hour=hour,
        offset_m=offsets,
        height_m=heights,
        variables=variables,
        reason=reason,
        kind=kind,
        power_coefficient=coefficient,
        power_coefficient_origin=origin,
        best=best,
        best_by_kind=by_kind,
        best_model_interval_m_s=interval,
        mount_values=own,
        variants=variants,
        set_back=set_back,
        headways=headways,
        swept=mounting_map.swept_rectangles(there),
    )


def _power_coefficient(case: Case) -> tuple[float, str]:
    if case.rotor is None:
        return BETZ, "Betz limit 16/27: a bound that no rotor reaches"
    rotor = rotor_of(case, case.mounts[0])
    return rotor.curve.best[1], f"best power coefficient of the case's {case.rotor.kind} rotor"


def _fields(
    work: Sweeps,
    case: Case,
    offsets: Array,
    heights: Array,
    free: NDArray[np.bool_],
    density: float,
) -> dict[str, Array]:
    """Every variable over the map, NaN where no rotor may hang or a task failed."""
    columns = mounting_map.columns_of(case, offsets, heights, free)
    blocks = mounting_map.blocks_of(columns, _POINTS_A_TASK)
    names = [f"columns {k + 1}" for k in range(len(blocks))]
    outcome = work.run(mounting_map.compute_columns, blocks, names, "map", chunk_size=1)
    moments = []
    for block, result in zip(blocks, outcome.results, strict=True):
        first = 0
        for column in block.columns:
            last = first + len(column.z_m)
            moments.append(
                {
                    name: np.full(last - first, np.nan)
                    if result is None
                    else result[name][first:last]
                    for name in mounting_map.MOMENTS
                }
            )
            first = last
    found = mounting_map.assemble(case, offsets, heights, free, moments, density)
    names_ = ("effective_speed", "mean_speed", "sd_speed", "drift", "power_density")
    return {name: found.get(name, np.full(free.shape, np.nan)) for name in names_}


def _at_mount(case: Case, density: float) -> dict[str, float]:
    """The same values at the mount of the case."""
    mount = case.mounts[0]
    found = rotor_statistics(
        case, [(mount.offset_m, mount.height_m)], density,
        pulses=pulse_fields(field_settings(case)),
    )  # fmt: skip
    return {name: float(values[0]) for name, values in found.items()}


@dataclass(frozen=True)
class _Sure:
    """Payload: places (n, 2) at which the variants are computed."""

    case: Case
    places: tuple[tuple[float, float], ...]
    density: float


def moved_models(sure: _Sure) -> dict[str, Array]:
    """Effective speed of the base model and of every variant, (n,), keys "parameter|setting"."""
    moved = moved_at(sure.case, np.array(sure.places))
    # numbered: a result's names come back in alphabetical order
    named = {
        f"{k:02d}|{item.name}|{item.tell(value)}": speed
        for k, (item, value, speed) in enumerate(moved.all())
    }
    return {"base": moved.effective_speed()} | named


def _sureness(
    work: Sweeps,
    case: Case,
    offsets: Array,
    heights: Array,
    effective: Array,
    best: Index,
    density: float,
) -> tuple[tuple[MapVariant, ...], tuple[float, float], Array]:
    """Variants at the best place, its model interval, and the set-back curve with its own."""
    others = mounting_map.candidates(effective, best)
    row = mounting_map.set_back_run(np.isfinite(effective[best[0]]), best[1])
    chosen = np.unique(np.linspace(row.start, row.stop - 1, _SET_BACK_PLACES).round().astype(int))
    curve = [(best[0], int(j)) for j in chosen]
    curve_x, speeds = offsets[row], effective[best[0], row]
    if not case.compute.model_interval:
        empty = np.full_like(speeds, np.nan)
        return (), (np.nan, np.nan), np.stack([curve_x, speeds, empty, empty])
    indices = list(dict.fromkeys([*others, *curve]))
    places = tuple((float(offsets[j]), float(heights[i])) for i, j in indices)
    outcome = work.run(moved_models, [_Sure(case, places, density)], ["best place"], "model", 1)
    found = outcome.results[0]
    if found is None:
        empty = np.full_like(speeds, np.nan)
        return (), (np.nan, np.nan), np.stack([curve_x, speeds, empty, empty])
    base = found["base"]
    moved_speeds = [(*k.split("|")[1:], v) for k, v in sorted(found.items()) if k != "base"]
    low, high = ends(base, [(name, speed) for name, _, speed in moved_speeds])
    variants = tuple(_variant(p, s, v, base, len(others), places) for p, s, v in moved_speeds)
    at = [indices.index(place) for place in curve]
    ratios = [
        np.interp(np.arange(row.start, row.stop), chosen, end[at] / base[at]) for end in (low, high)
    ]
    set_back = np.stack([curve_x, speeds, ratios[0] * speeds, ratios[1] * speeds])
    return variants, (float(low[0]), float(high[0])), set_back


def _variant(
    parameter: str,
    setting: str,
    speed: Array,
    base: Array,
    count: int,
    places: Sequence[tuple[float, float]],
) -> MapVariant:
    top = int(np.argmax(speed[:count]))
    return MapVariant(parameter, setting, float(speed[0]), float(speed[0] - base[0]), *places[top])


def _headways(
    work: Sweeps, case: Case, offset: float, height: float, exact: float
) -> HeadwayCheck | None:
    """Simulated against exact at the best place: independent vehicles and the case's headways."""
    traffic = case.traffic
    if traffic is None:
        return None
    own = traffic.headway
    models = [_EXPONENTIAL] if own.model == "exponential" else [_EXPONENTIAL, own]
    names = [model.model for model in models]
    payloads = [
        replace(
            one_hour(case, case.compute.hours[0], moved(case.mounts[0], offset, height)),
            study="traffic",
            traffic=replace(traffic, headway=model),
        )
        for model in models
    ]
    outcome = work.run(simulated, payloads, names, "headways", 1, min(2, free_processors()))
    rows = [
        (name, float(r["effective"]), float(r["low"]), float(r["high"]))
        for name, r in zip(names, outcome.results, strict=True)
        if r is not None
    ]
    return HeadwayCheck(float(exact), tuple(rows)) if rows else None


def simulated(case: Case) -> dict[str, float]:
    """Effective speed of the first mount by simulation, and its 90 % sampling interval."""
    compute = case.compute.model_copy(
        update={
            "model_interval": False,
            "max_rounds": _HEADWAY_ROUNDS,
            "tolerance": _HEADWAY_TOLERANCE,
        }
    )
    study = TrafficStudy(
        replace(case, compute=compute), case.mounts[0], density_of(case), lambda *_: None
    )
    found = study.result().statistics
    assert found is not None
    low, high = found.sampling_interval_m_s
    return {"effective": found.effective_speed_m_s, "low": low, "high": high}
