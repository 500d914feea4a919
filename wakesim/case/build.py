"""From valid tables to the resolved case, and the checks that need all of it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace

from wakesim.case.air import OPEN_LAND, resolve_air, strong_wind, wall_wind_warnings
from wakesim.case.energy import curve_of, energy_warnings, rotor_problems
from wakesim.case.messages import Problem
from wakesim.case.mounts import (
    mount_warnings,
    path_problems,
    range_warnings,
)
from wakesim.case.road import Road
from wakesim.case.schema import Case, CaseFile
from wakesim.case.studies import GRID_STUDIES, STUDY_TABLES, TRAFFIC_STUDIES
from wakesim.case.study_rules import grid_problems, grid_warnings
from wakesim.case.tables import HOURS, speed_of
from wakesim.case.traffic import (
    Traffic,
    TrafficTable,
    resolve_single_pass,
    resolve_traffic,
    stream_problems,
    stream_warnings,
    vehicles_of_lanes,
)
from wakesim.case.vehicle import Vehicle, canonical
from wakesim.runtime import sha256


def build_case(
    file: CaseFile, known: dict[str, Vehicle], text: str, name: str
) -> tuple[Case, list[Problem]]:
    """The case of a file whose tables are valid, and the problems only the whole shows."""
    traffic, single_pass = None, None
    problems: list[Problem] = []
    if file.study in TRAFFIC_STUDIES:
        assert file.traffic is not None
        traffic = resolve_traffic(file.traffic, file.road)
        vehicles = _traffic_vehicles(file.traffic, traffic, known, file.road)
        lane_vehicles = vehicles_of_lanes(traffic, file.road, vehicles)
        problems += _motion_problems(file, traffic)
        for day, stream in _days(file, traffic).items():
            problems += stream_problems(stream, file.road, vehicles, hours_used(file), day)
    elif file.study == "single_pass_table":
        assert file.pass_table is not None
        chosen = file.pass_table.classes
        vehicles = {key: known[key] for key in map(canonical, known if chosen is None else chosen)}
        lane_vehicles = {}
    else:
        assert file.single_pass is not None
        single_pass = resolve_single_pass(file.single_pass, file.road, list(known))
        vehicles = {key: _at_the_limit(known[key], file.road) for key in single_pass.vehicles}
        lane_vehicles = {single_pass.lane_index: list(vehicles.values())}
    wander = traffic.wander_sd_m if traffic else 0.0
    problems += grid_problems(file, lane_vehicles, wander)
    problems += _storm_problems(file)
    problems += _whole_hour_problems(file)
    problems += path_problems(file.mounts, file.road.lanes, lane_vehicles, wander)
    problems += rotor_problems(file.rotor, file.mounts)
    curve, curve_trouble = curve_of(file.rotor, file.mounts, name)
    problems += curve_trouble
    air = resolve_air(file.air)
    at_mounts = {
        mount.name: tuple(range_warnings(mount, file.road, lane_vehicles))
        for mount in file.mounts
        if file.study not in GRID_STUDIES
    }
    warnings = [
        *_unused(file, vehicles),
        *energy_warnings(file),
        *(
            stream_warnings(file.traffic, traffic, file.road, vehicles, hours_used(file))
            if file.traffic and traffic
            else ()
        ),
        *(text for found in at_mounts.values() for text in found),
        *mount_warnings(file.mounts, file.road),
        *wall_wind_warnings(file.mounts, air.wind),
        *grid_warnings(file, lane_vehicles),
    ]
    case = Case(
        title=file.title,
        study=file.study,
        invented_data=file.invented_data,
        road=file.road,
        vehicles=vehicles,
        traffic=traffic,
        single_pass=single_pass,
        air=air,
        mounts=file.mounts,
        model=file.model,
        compute=file.compute,
        outputs=file.outputs,
        text=text,
        path=name,
        sha256=sha256(text),
        warnings=warnings,
        instrument=file.instrument,
        rotor=file.rotor,
        energy=file.energy,
        claim=file.claim,
        power_curve=curve,
        map=file.map,
        table=file.table,
        pass_table=file.pass_table,
        mount_warnings=at_mounts,
    )
    return case, problems


def hours_used(file: CaseFile) -> tuple[int, ...]:
    """Clock hours whose traffic is computed, in the order of the round.

    A yield and the search for the busiest hour go through the whole day.
    """
    grid = {"mounting_map": file.map, "lookup_table": file.table}.get(file.study)
    if grid is not None:
        return (grid.hour,) if isinstance(grid.hour, int) else tuple(range(HOURS))
    return file.compute.hours if file.rotor is None else tuple(range(HOURS))


def _days(file: CaseFile, traffic: Traffic) -> dict[str, Traffic]:
    """The stream of the case, and those of the days of a yield by what makes them."""
    found = {"": traffic}
    table = file.energy if file.study == "traffic" and file.rotor is not None else None
    for day in ("saturday", "sunday") if table is not None else ():
        flow, heavy = getattr(table, f"{day}_flow"), getattr(table, f"{day}_heavy")
        if max(flow, heavy) > 1.0:
            key = f" (energy.{day}_flow = {flow:g}, energy.{day}_heavy = {heavy:g})"
            found[key] = traffic.on_day(flow, heavy)
    return found


def _whole_hour_problems(file: CaseFile) -> Iterator[Problem]:
    """The march of a whole hour holds the traffic's own air and nothing of a wind."""
    path = ("compute", "whole_hour")
    if not file.compute.whole_hour:
        return
    if file.study != "traffic":
        yield Problem(path, 'needs study = "traffic"', True)
    if file.air.wind is not None:
        yield Problem(path, "needs still air: leave out [air.wind]", True)
    if not file.air.drift.enabled:
        yield Problem(path, "needs the drift: leave out air.drift.enabled = false", True)


def _storm_problems(file: CaseFile) -> Iterator[Problem]:
    """Winds of a map, a table and a year that are a storm at the rotor."""
    wind = resolve_air(file.air).wind
    own = wind or OPEN_LAND
    heights = {f"mounts[{i + 1}].height_m": m.height_m for i, m in enumerate(file.mounts)}
    if file.study == "mounting_map" and file.map is not None:
        there = {"map.height_m": max(file.map.heights)}
        yield from strong_wind(own, there, ("map", "height_m"), own.speed_m_s)
    elif file.study == "lookup_table" and file.table is not None:
        speeds, table = file.table.wind_speed_m_s, file.table
        there = heights if table.height_m is None else {"table.height_m": max(table.height_m)}
        key = "height_m" if speeds is None else "wind_speed_m_s"
        yield from strong_wind(own, there, ("table", key), max(speeds or (own.speed_m_s,)))
    elif file.study == "traffic" and file.energy is not None:
        for i, state in enumerate(file.energy.winds):
            where = ("energy", "winds", i, "speed_m_s")
            yield from strong_wind(own, heights, where, state.speed_m_s)
        if file.energy.wind_rose is not None:
            rose = ("energy", "wind_rose", "mean_speed_m_s")
            yield from strong_wind(own, heights, rose, file.energy.wind_rose.mean_speed_m_s)


def _motion_problems(file: CaseFile, traffic: Traffic) -> Iterator[Problem]:
    """Something must move the air in the hours computed."""
    total = sum(flow.hourly_veh_h[hour] for flow in traffic.flows for hour in file.compute.hours)
    if total == 0 and file.air.wind is None:
        text = "no vehicle passes in the hours computed and the air is still: nothing to compute"
        yield Problem(("traffic", "flows"), text)


def _at_the_limit(vehicle: Vehicle, road: Road) -> Vehicle:
    """The class in free traffic under the road's speed limit."""
    limit, mean = road.limit_m_s, vehicle.mean_speed_m_s
    if limit is None or mean is None or mean <= limit:
        return vehicle
    sd = vehicle.speed_sd_m_s * limit / mean
    return replace(vehicle, mean_speed_m_s=limit, speed_sd_m_s=sd)


def _traffic_vehicles(
    table: TrafficTable, traffic: Traffic, known: dict[str, Vehicle], road: Road
) -> dict[str, Vehicle]:
    """Vehicles with a share in any mix, their speeds resolved.

    A class without a speed but for single carriageways has that of the first.
    """
    used = [name for name in known if any(flow.share(name) > 0 for flow in traffic.flows)]
    speeds = {canonical(name): speed for name, speed in table.speeds.items()}
    vehicles = {}
    for name in used:
        vehicle, speed = known[name], speeds.get(name)
        if speed is not None:
            sd = speed_of(speed, "sd")
            vehicle = replace(
                vehicle,
                mean_speed_m_s=speed_of(speed, "mean"),
                speed_sd_m_s=vehicle.speed_sd_m_s if sd is None else sd,
            )
        elif vehicle.mean_speed_m_s is not None:
            vehicle = _at_the_limit(vehicle, road)
        elif all(name in flow.speeds for flow in traffic.flows if flow.share(name) > 0):
            first = next(flow for flow in traffic.flows if flow.share(name) > 0)
            vehicle = replace(vehicle, mean_speed_m_s=first.speeds[name][0])
        vehicles[name] = vehicle
    return vehicles


def _unused(file: CaseFile, vehicles: Mapping[str, Vehicle]) -> Iterator[str]:
    used = STUDY_TABLES[file.study]
    for other in ("traffic", "single_pass", "map", "table", "pass_table"):
        if other not in used and getattr(file, other) is not None:
            yield f'[{other}] is not used: the case has study = "{file.study}"'
    for name in file.vehicles:
        if name not in vehicles:
            yield f"[vehicles.{name}] is not used"
