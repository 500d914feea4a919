"""Rules of [map], [table] and [pass_table]: keys, places and vehicles that fit together."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from wakesim.case.messages import Problem
from wakesim.case.mounts import (
    GROUND_GAP_M,
    VALID_CLEARANCE_M,
    WANDER_SDS,
    LaneVehicles,
    Mount,
    beyond_warnings,
    offsets_of_clearances,
    vehicle_in_the_way,
)
from wakesim.case.road import Road
from wakesim.case.studies import (
    AXES,
    GRID_STUDIES,
    PLACE_AXES,
    STUDY_TABLES,
    LookupTableTable,
    PassTableTable,
)
from wakesim.case.tables import given, one_speed
from wakesim.case.vehicle import Vehicle, aliases, canonical, unknown_vehicle

if TYPE_CHECKING:
    from wakesim.case.schema import CaseFile


def study_key_problems(raw: Mapping[str, Any]) -> Iterator[Problem]:
    """Tables and keys that a study needs or excludes; works on the raw file."""
    study = raw.get("study")
    for name in STUDY_TABLES.get(study, ()) if isinstance(study, str) else ():
        if name not in raw:
            text = f'table [{name}] is missing; study = "{study}" needs it'
            yield Problem((), text, missing=((name,),))
    mounts = raw.get("mounts")
    several = isinstance(mounts, list) and len(mounts) > 1
    if several and study in GRID_STUDIES:
        text = f'study = "{study}" takes the rotor of one mount: give one [[mounts]]'
        yield Problem(("mounts", 1), text)
    yield from _range_problems(raw.get("map"))
    yield from _table_key_problems(raw.get("table"))
    if isinstance(raw.get("pass_table"), dict):
        yield from one_speed(raw["pass_table"], "speed", ("pass_table",))


_MOST_M = 1000.0


def _range_problems(raw: Any) -> Iterator[Problem]:
    for key in given(raw, "offset_m", "height_m"):
        ends = raw[key]
        ends = ends if isinstance(ends, dict) else {}
        low, high = ends.get("from_m", "absent"), ends.get("to_m", "absent")
        if not _numbers(low, high) or not all(abs(end) <= _MOST_M for end in (low, high)):
            continue  # told of by the schema
        if not low < high:
            yield Problem(("map", key, "to_m"), f"must be above from_m = {low:g} m", high)


def _table_key_problems(raw: Any) -> Iterator[Problem]:
    if not isinstance(raw, dict):
        return
    if not given(raw, *AXES):
        text = f"no axis is given: at least one of {', '.join(AXES)}"
        yield Problem(("table",), text, missing=tuple(("table", key) for key in AXES))
    if len(given(raw, "offset_m", "clearance_m")) == 2:
        text = "give offset_m or clearance_m, not both: each sets the place across the road"
        yield Problem(("table", "clearance_m"), text)


def _numbers(*values: Any) -> bool:
    return all(isinstance(v, (int, float)) and not isinstance(v, bool) for v in values)


def pass_table_problems(
    table: PassTableTable, vehicles: Mapping[str, Vehicle]
) -> Iterator[Problem]:
    """The classes of [pass_table] exist, each once."""
    seen: set[str] = set()
    for i, name in enumerate(table.classes or ()):
        path = ("pass_table", "classes", i)
        if canonical(name) not in vehicles:
            text = unknown_vehicle(name, [*vehicles, *aliases()])
            yield Problem(path, text, about=path[:-1])
        elif canonical(name) in seen:
            yield Problem(path, "is in the list already", name)
        seen.add(canonical(name))


def grid_problems(file: CaseFile, traffic: LaneVehicles, wander_sd_m: float) -> Iterator[Problem]:
    """What only the whole case shows of [map] and [table], as far as its study uses them.

    ``traffic`` gives the vehicles of each lane index.
    """
    mount, road, table = file.mounts[0], file.road, file.table
    if file.study == "mounting_map" and file.map is not None:
        yield from _ground_problem(("map", "height_m"), max(file.map.heights), mount)
    if file.study != "lookup_table" or table is None:
        return
    has_wind = file.air.wind is not None
    states = 1
    for values in table.axes.values():
        states *= len(values)
    if states > table.most_states:
        text = f"has {states} states, more than most_states = {table.most_states}"
        yield Problem(("table",), text)
    if table.height_m is not None:
        yield from _ground_problem(("table", "height_m"), min(table.height_m), mount)
    if table.wind_angle_deg is not None and table.wind_speed_m_s is None and not has_wind:
        text = "needs a wind: an axis wind_speed_m_s, or [air.wind]"
        yield Problem(("table", "wind_angle_deg"), text)
    if table.wind_speed_m_s is not None and table.wind_angle_deg is None and not has_wind:
        text = "needs a direction: an axis wind_angle_deg, or [air.wind] with its angle_deg"
        yield Problem(("table", "wind_speed_m_s"), text)
    if table.direction_split is not None and len(road.carriageways) != 2:
        text = f"needs a road of two carriageways; this one has {len(road.carriageways)}"
        yield Problem(("table", "direction_split"), text)
    if table.clearance_m is not None and not mount.support.beside_road:
        text = f'is for mounts beside the road; kind = "{mount.kind}" takes offset_m'
        yield Problem(("table", "clearance_m"), text)
    else:
        yield from _path_problems(table, mount, road, traffic, wander_sd_m)


def grid_warnings(file: CaseFile, traffic: LaneVehicles) -> Iterator[str]:
    """Places of a map or a table beyond what the model knows."""
    mount, road = file.mounts[0], file.road
    rise = mount.rotor_height_m / 2
    if file.study == "mounting_map" and file.map is not None:
        asides = [_aside(road, y) for y in file.map.offsets]
        yield from beyond_warnings("[map]", max(asides), max(file.map.heights) + rise)
    elif file.study == "lookup_table" and file.table is not None:
        top = max(file.table.height_m or (mount.height_m,)) + rise
        offsets = table_offsets(file.table, mount, road, traffic)
        yield from beyond_warnings("[table]", max(_aside(road, y) for y in offsets), top)
        yield from _close_warnings("table", file.table.clearance_m, mount.rotor_width_m / 2)
    elif file.study == "single_pass_table" and file.pass_table is not None:
        places = file.pass_table
        yield from beyond_warnings("[pass_table]", max(places.clearance_m), max(places.height_m))
        yield from _close_warnings("pass_table", places.clearance_m, 0.0)


def _aside(road: Road, offset_m: float) -> float:
    """From the nearest lane's edge to an axis, m; negative over a lane."""
    return min(abs(lane.centre_m - offset_m) - lane.width_m / 2 for lane in road.lanes)


def _close_warnings(name: str, clearances: Sequence[float] | None, half_m: float) -> Iterator[str]:
    """``half_m``: what of the clearance the rotor takes."""
    if clearances and min(clearances) - half_m < VALID_CLEARANCE_M:
        yield (
            f"[{name}]: clearance_m begins at {min(clearances):g} m; where less than "
            f"{VALID_CLEARANCE_M:g} m are left between vehicle and rotor, results are not validated"
        )


def _ground_problem(path: tuple[str, ...], height: float, mount: Mount) -> Iterator[Problem]:
    least = GROUND_GAP_M + mount.rotor_height_m / 2
    if height < least - 1e-9:
        text = (
            f"{height:g} m: the rotor of {mount.rotor_height_m:g} m height must stay "
            f"{GROUND_GAP_M:g} m above the ground: at least {least:g} m"
        )
        yield Problem(path, text)


def _path_problems(
    table: LookupTableTable, mount: Mount, road: Road, traffic: LaneVehicles, wander_sd_m: float
) -> Iterator[Problem]:
    """Places of a table where a vehicle would hit the rotor: one line for the first."""
    offsets = table_offsets(table, mount, road, traffic)
    key = next((k for k in PLACE_AXES if k in table.axes), "offset_m")
    low = min(table.height_m) if table.height_m else mount.height_m
    for shown, offset in zip(table.axes.get(key, offsets), offsets, strict=False):
        place = mount.model_copy(update={"offset_m": offset, "height_m": low})
        wall = mount.wall_offset_m
        if wall is not None and place.span_m[0] < wall < place.span_m[1]:
            text = f"at {shown:g} m the rotor reaches through the wall at y = {wall:g} m"
            yield Problem(("table", key), text)
            return
        hit = vehicle_in_the_way(place, road.lanes, traffic, wander_sd_m)
        if hit is not None:
            lane, vehicle = hit
            text = (
                f"at {shown:g} m (y = {offset:.3g} m, centre {low:g} m high) the rotor is in the "
                f"path of {vehicle.name} in lane '{lane.name}' (half its width and "
                f"{WANDER_SDS:g} x wander_sd_m)"
            )
            yield Problem(("table", key), text)
            return


def table_offsets(
    table: LookupTableTable, mount: Mount, road: Road, traffic: LaneVehicles
) -> tuple[float, ...]:
    """y of the rotor axis for each value of the table's axis across the road; m."""
    if table.offset_m is not None:
        return tuple(table.offset_m)
    if table.clearance_m is None:
        return (mount.offset_m,)
    return offsets_of_clearances(table.clearance_m, mount, road, traffic)
