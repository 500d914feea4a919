"""Mounting maps: where a rotor could hang, how fast the air is there, how sure the best place is.

A place is the centre of a rotor of the mount's size. It is free unless the rotor would be hit by a
vehicle (outline of every class in its lane, three standard deviations of wander to each side), hang
nearer to the paved road than the keep-out distance without the headroom above it, touch the ground,
or reach to or through the wall.

The rotor of a place is nine points in three columns. Columns are shared by all heights of an
offset: the statistics are computed at nodes not farther apart than a sixth of the rotor's height
and interpolated between them by cubic splines of the cube roots (a test holds that against nine
computed points).
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.ndimage import label

from wakesim.air.density import density_of
from wakesim.arrays import Array, Mask
from wakesim.case.mounts import (
    GROUND_GAP_M,
    PLACE_KINDS,
    WANDER_SDS,
    Mount,
    place_kind,
    vehicle_in_the_way,
)
from wakesim.case.schema import Case
from wakesim.case.traffic import Headway
from wakesim.energy.bounds import BETZ
from wakesim.energy.hourly_power import rotor_of
from wakesim.measures.model_interval import ends
from wakesim.measures.places import (
    area_statistics,
    moved,
    moved_at,
    point_moments,
    rotor_statistics,
)
from wakesim.progress import Progress, silent
from wakesim.results import (
    FREE,
    GROUND,
    IN_THE_WAY,
    KEEP_OUT,
    WALL,
    HeadwayCheck,
    MapResult,
    MapVariant,
)
from wakesim.studies.grid import Sweeps, common_of_many, sweeps
from wakesim.studies.post import TrafficStudy
from wakesim.studies.registry import Options, study
from wakesim.traffic.point_statistics import point_statistics, pulse_tables
from wakesim.traffic.scene import chosen_hour, field_settings, one_hour

Place = tuple[int, int]  # indices of height and offset

MOMENTS = ("cube", "square", "mean", "drift")

_STEP_SHARE, _LARGEST_STEP_M, _SMALLEST_STEP_M = 1.0 / 6.0, 0.4, 0.15
_FEWEST_NODES = 6
_MOST_ZONES = 5
_NEIGHBOURS = (-3, -1, 1, 3)
_POINTS_A_TASK = 256
_SET_BACK_PLACES = 5  # of the curve at which variants are computed
_HEADWAY_ROUNDS, _HEADWAY_TOLERANCE = 12, 0.01
_EXPONENTIAL = Headway()


@study("mounting_map")
def mounting_map(case: Case, options: Options, progress: Progress) -> MapResult:
    """The map of the case's [map]."""
    began = time.perf_counter()
    table = case.map
    if table is None:
        raise ValueError("the case has no map")
    hour = chosen_hour(case, table.hour)
    there = one_hour(case, hour)
    offsets, heights = np.array(table.offsets), np.array(table.heights)
    reason = reasons(there, offsets, heights)
    density = density_of(case.air)
    warnings: list[str] = []
    with sweeps(case, options, progress) as work:
        work.stage(0.0, 0.5)
        variables = _fields(work, there, offsets, heights, reason == FREE, density)
        effective = variables["effective_speed"]
        kind = kinds(there, offsets, heights)
        by_kind = {
            name: place
            for name in PLACE_KINDS
            if (place := best_place(np.where(kind == name, effective, np.nan)))
        }
        wanted = case.mounts[0].support.place.name
        best = by_kind.get(wanted) or best_place(effective)
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
        **common_of_many(case, began, work, warnings),
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
        swept=swept_rectangles(there),
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
    free: Mask,
    density: float,
) -> dict[str, Array]:
    """Every variable over the map, NaN where no rotor may hang or a task failed."""
    columns = columns_of(case, offsets, heights, free)
    blocks = blocks_of(columns, _POINTS_A_TASK)
    names = [f"columns {k + 1}" for k in range(len(blocks))]
    outcome = work.run(compute_columns, blocks, names, "map", chunk_size=1)
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
                    for name in MOMENTS
                }
            )
            first = last
    found = assemble(case, offsets, heights, free, moments, density)
    names_ = ("effective_speed", "mean_speed", "sd_speed", "drift", "power_density")
    return {name: found.get(name, np.full(free.shape, np.nan)) for name in names_}


def _at_mount(case: Case, density: float) -> dict[str, float]:
    """The same values at the mount of the case."""
    mount = case.mounts[0]
    found = rotor_statistics(
        case, [(mount.offset_m, mount.height_m)], density,
        pulses=pulse_tables(field_settings(case)),
    )  # fmt: skip
    return {name: float(values[0]) for name, values in found.items()}


# --- places ---------------------------------------------------------------------------------------


def reasons(case: Case, offsets: Array, heights: Array) -> NDArray[np.int8]:
    """Codes of REASONS (heights, offsets) for the rotor of the first mount."""
    out = np.zeros((len(heights), len(offsets)), dtype=np.int8)
    traffic, lanes = case.lane_vehicles(), case.road.lanes
    wander = case.traffic.wander_sd_m if case.traffic else 0.0
    mount = case.mounts[0]
    for j, y in enumerate(offsets):
        near_road = _near_paved_road(case, moved(mount, float(y), mount.height_m))
        walled = _beyond_wall(case, moved(mount, float(y), mount.height_m))
        for i, z in enumerate(heights):
            place = moved(mount, float(y), float(z))
            if walled:
                out[i, j] = WALL
            elif place.bottom_m < GROUND_GAP_M - 1e-9:
                out[i, j] = GROUND
            elif vehicle_in_the_way(place, lanes, traffic, wander) is not None:
                out[i, j] = IN_THE_WAY
            elif near_road and place.bottom_m < _headroom(case) - 1e-9:
                out[i, j] = KEEP_OUT
    return out


def kinds(case: Case, offsets: Array, heights: Array) -> NDArray[np.str_]:
    """Names of PLACE_KINDS (heights, offsets): what a rotor would hang on at each place."""
    out = np.empty((len(heights), len(offsets)), dtype="U32")
    mount = case.mounts[0]
    for j, y in enumerate(offsets):
        over_road = _near_paved_road(case, moved(mount, float(y), mount.height_m))
        out[:, j] = place_kind(case.road, float(y), over_road).name
    return out


def _headroom(case: Case) -> float:
    return case.map.headroom_m if case.map is not None else 0.0


def keep_out_spans(case: Case) -> list[tuple[float, float]]:
    """Lowest and highest y of the strips that rotors below the headroom stay out of, m."""
    if case.map is None:
        return []
    spans = []
    for way in case.road.carriageways:
        paved = case.map.keep_out_from == "hard_shoulder"
        low, high = way.paved_m if paved else way.extent_m
        spans.append((low - case.map.keep_out_m, high + case.map.keep_out_m))
    return spans


def _near_paved_road(case: Case, place: Mount) -> bool:
    low, high = place.span_m
    return any(low < b - 1e-9 and high > a + 1e-9 for a, b in keep_out_spans(case))


def _beyond_wall(case: Case, place: Mount) -> bool:
    wall = place.wall_offset_m
    if wall is None:
        return False
    middle = float(np.mean([lane.centre_m for lane in case.road.lanes]))
    return not (place.span_m[1] < wall if middle < wall else place.span_m[0] > wall)


def swept_rectangles(case: Case) -> tuple[tuple[float, float, float], ...]:
    """(lowest y, highest y, height) of what every class of every lane sweeps, m."""
    wander = WANDER_SDS * (case.traffic.wander_sd_m if case.traffic else 0.0)
    traffic = case.lane_vehicles()
    return tuple(
        (lane.centre_m - v.width_m / 2 - wander, lane.centre_m + v.width_m / 2 + wander, v.height_m)
        for lane in case.road.lanes
        for v in traffic.get(lane.index, [])
    )


# --- columns --------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Column:
    """Nodes of one column of points: y, z (n,) m."""

    case: Case
    y_m: float
    z_m: tuple[float, ...]


@dataclass(frozen=True)
class ColumnBlock:
    """Columns computed together."""

    columns: tuple[Column, ...]


def columns_of(case: Case, offsets: Array, heights: Array, free: Mask) -> list[Column]:
    """Columns of points that the free places need: three for each run of heights of an offset."""
    mount = case.mounts[0]
    aside = mount.rotor_width_m / 3.0
    found = []
    for j, y in enumerate(offsets):
        for run in runs(free[:, j]):
            nodes = column_nodes(heights[run], mount.rotor_height_m)
            found += [Column(case, float(y + k * aside), nodes) for k in (-1, 0, 1)]
    return found


def runs(free: Mask) -> list[slice]:
    """Stretches of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], free.astype(int), [0]])))
    return [slice(int(a), int(b)) for a, b in edges.reshape(-1, 2)]


def column_nodes(heights: Array, rotor_height_m: float) -> tuple[float, ...]:
    """z of the nodes of a column: the rotors' own points, or fewer at equal steps."""
    third = rotor_height_m / 3.0
    needed = np.unique(np.round(np.add.outer(heights, [-third, 0.0, third]).ravel(), 9))
    step = np.clip(_STEP_SHARE * rotor_height_m, _SMALLEST_STEP_M, _LARGEST_STEP_M)
    count = max(_FEWEST_NODES, 1 + int(np.ceil((needed[-1] - needed[0]) / step)))
    if needed.size <= count:
        return tuple(needed.tolist())
    return tuple(np.linspace(needed[0], needed[-1], count).tolist())


def compute_columns(block: ColumnBlock) -> dict[str, Array]:
    """MOMENTS at all nodes of a block of columns, one after the other."""
    case = block.columns[0].case
    points = np.array([(c.y_m, z) for c in block.columns for z in c.z_m])
    state = point_statistics(case, points, pulses=pulse_tables(field_settings(case)))
    return point_moments(state)


def blocks_of(columns: list[Column], points: int) -> list[ColumnBlock]:
    """Columns in blocks of about so many points."""
    blocks, part, size = [], [], 0
    for column in columns:
        part.append(column)
        size += len(column.z_m)
        if size >= points:
            blocks.append(ColumnBlock(tuple(part)))
            part, size = [], 0
    if part:
        blocks.append(ColumnBlock(tuple(part)))
    return blocks


def assemble(
    case: Case,
    offsets: Array,
    heights: Array,
    free: Mask,
    moments: list[dict[str, Array]],
    density_kg_m3: float,
) -> dict[str, Array]:
    """Quantities of the group ``state`` (heights, offsets), from the moments of each column.

    NaN where not free.
    """
    mount = case.mounts[0]
    third = mount.rotor_height_m / 3.0
    shares = np.full(9, 1.0 / 9.0)
    out: dict[str, Array] = {}
    columns = iter(zip(columns_of(case, offsets, heights, free), moments, strict=True))
    for j in range(len(offsets)):
        for run in runs(free[:, j]):
            z = np.add.outer(heights[run], [-third, 0.0, third])  # (places, 3)
            three = [next(columns) for _ in range(3)]
            of_rotor = {
                name: np.concatenate(
                    [_along(np.array(c.z_m), found[name], z, name) for c, found in three], axis=1
                )
                for name in MOMENTS
            }
            for name, values in area_statistics(of_rotor, shares, density_kg_m3).items():
                out.setdefault(name, np.full(free.shape, np.nan))[run, j] = values
    return out


def _along(nodes: Array, values: Array, z: Array, name: str) -> Array:
    """Values at heights z, by a spline of what varies most gently."""
    forward, back = _GENTLE.get(name, (_same, _same))
    if not np.isfinite(values).all():
        return np.full(z.shape, np.nan)
    return back(CubicSpline(nodes, forward(values))(z))


def _same(values: Array) -> Array:
    return values


_GENTLE: dict[str, tuple[Callable[[Array], Array], Callable[[Array], Array]]] = {
    "cube": (np.cbrt, lambda v: v**3),
    "square": (np.sqrt, lambda v: v**2),
}


# --- the best place -------------------------------------------------------------------------------


def best_place(effective: Array) -> tuple[int, int] | None:
    """(height, offset) index of the highest effective speed, None when no place has one."""
    if not np.isfinite(effective).any():
        return None
    i, j = np.unravel_index(int(np.nanargmax(effective)), effective.shape)
    return int(i), int(j)


def candidates(effective: Array, best: tuple[int, int]) -> list[tuple[int, int]]:
    """Places that could become the best under another model: the best of every separate zone,
    and places above and below the best one. The best comes first."""
    free = np.isfinite(effective)
    zones, count = label(free)
    found = [best]
    tops = []
    for zone in range(1, count + 1):
        within = np.where(zones == zone, effective, -np.inf)
        i, j = np.unravel_index(int(np.argmax(within)), effective.shape)
        tops.append((float(within[i, j]), (int(i), int(j))))
    found += [place for _, place in sorted(tops, reverse=True)[:_MOST_ZONES]]
    for step in _NEIGHBOURS:
        i = best[0] + step
        if 0 <= i < effective.shape[0] and free[i, best[1]]:
            found.append((i, best[1]))
    return list(dict.fromkeys(found))


def set_back_run(free_row: Mask, at: int) -> slice:
    """The stretch of free offsets of a row that holds index ``at``."""
    return next(run for run in runs(free_row) if run.start <= at < run.stop)


# --- how sure the best place is -------------------------------------------------------------------


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
        f"{k:02d}|{item.name}|{item.describe(value)}": speed
        for k, (item, value, speed) in enumerate(moved.all())
    }
    return {"base": moved.effective_speed()} | named


def _sureness(
    work: Sweeps,
    case: Case,
    offsets: Array,
    heights: Array,
    effective: Array,
    best: Place,
    density: float,
) -> tuple[tuple[MapVariant, ...], tuple[float, float], Array]:
    """Variants at the best place, its model interval, and the set-back curve with its own."""
    others = candidates(effective, best)
    row = set_back_run(np.isfinite(effective[best[0]]), best[1])
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
    """Simulated against exact at the best place, and exact for independent vehicles."""
    traffic = case.traffic
    if traffic is None:
        return None
    there = one_hour(case, case.compute.hours[0], moved(case.mounts[0], offset, height))
    name, independent = traffic.headway.model, float(exact)
    if name != _EXPONENTIAL.model:
        free = replace(there, traffic=replace(traffic, headway=_EXPONENTIAL))
        independent = _at_mount(free, density_of(case.air))["effective_speed"]
    simulation = replace(there, study="traffic")
    found = work.run(simulated, [simulation], [name], "headways", 1).results[0]
    if found is None:
        return None
    row = (name, float(found["effective"]), float(found["low"]), float(found["high"]))
    return HeadwayCheck(float(exact), independent, (row,))


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
        replace(case, compute=compute), case.mounts[0], density_of(case.air), silent
    )
    found = study.result().statistics
    assert found is not None
    low, high = found.sampling_interval_m_s
    return {"effective": found.effective_speed_m_s, "low": low, "high": high}
