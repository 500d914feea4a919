"""Loading a case: every problem of the file found at once, then one immutable object."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any

from wakesim.case.air import OPEN_LAND, Air, strong_wind, wall_wind_warnings, wind_problems
from wakesim.case.energy import curve_of, rotor_problems
from wakesim.case.messages import Problem, render
from wakesim.case.mounts import (
    LaneVehicles,
    Mount,
    mount_problems,
    mount_warnings,
    path_problems,
    range_warnings,
)
from wakesim.case.reading import parse, read_text
from wakesim.case.road import Road
from wakesim.case.schema import AS_WRITTEN, Case, CaseFile
from wakesim.case.schema_errors import checked
from wakesim.case.stream_limits import stream_problems, stream_warnings
from wakesim.case.studies import GRID_STUDIES, STUDY_TABLES, PassTable, Surroundings
from wakesim.case.tables import Reading
from wakesim.case.traffic import (
    FlowTable,
    SinglePass,
    SinglePassTable,
    Traffic,
    TrafficTable,
    flow_problems,
    vehicles_of_lanes,
)
from wakesim.case.vehicle import Vehicle, VehicleTable, canonical, catalogue, name_trouble
from wakesim.errors import CaseError, one_line
from wakesim.runtime import sha256


def load_case(path: str | os.PathLike[str]) -> Case:
    """The case in a TOML file.

    Raises CaseError with one line for every problem: file, line, key, value, what is allowed.
    """
    return load_case_text(read_text(path), os.fsdecode(path))


def load_case_text(text: str, name: str = "<text>") -> Case:
    """The case in a TOML text; ``name`` stands in messages where a file name would.

    Raises CaseError as ``load_case`` does.
    """
    source = one_line(name)
    text = text.replace("\r\n", "\n")
    if not text.strip():
        raise CaseError(f"{source}: is empty; 'wakesim new' writes a case to start from")
    raw, lines = parse(text, source)
    reading = Reading()
    file, problems = checked(raw, CaseFile, reading)
    known = _known_vehicles(raw, reading)
    problems += _rules_between_tables(raw, reading, known)
    if file is not None and not problems:
        case, problems = _build_case(file, known, text, name)
        if not problems:
            return case
    raise CaseError(render(problems, source, lines))


def _known_vehicles(raw: dict[str, Any], reading: Reading) -> dict[str, Vehicle]:
    """The catalogue and the right own vehicles of the file."""
    known, own = catalogue(), raw.get("vehicles")
    for name, values in own.items() if isinstance(own, dict) else ():
        table = reading.table(VehicleTable, values)
        if table is not None and not reading.problems[id(values)] and not name_trouble(name):
            known[name] = table.vehicle(name)
    return known


def _rules_between_tables(
    raw: dict[str, Any], reading: Reading, known: Mapping[str, Vehicle]
) -> Iterator[Problem]:
    """Rules between tables, as far as the tables are right in themselves."""
    # An own vehicle that is itself wrong must not be reported as unknown as well.
    own = raw.get("vehicles")
    named = dict(known)
    stand_in = next(iter(known.values()))
    for name in own if isinstance(own, dict) else ():
        named.setdefault(name, stand_in)
    road, raw_traffic = reading.table(Road, raw.get("road")), raw.get("traffic")
    raw_flows = raw_traffic.get("flows") if isinstance(raw_traffic, dict) else None
    yield from flow_problems(reading.listed(FlowTable, raw_flows), road, named)
    if traffic := reading.table(TrafficTable, raw_traffic):
        yield from traffic.cross_problems(road, named)
    if single_pass := reading.table(SinglePassTable, raw.get("single_pass")):
        yield from single_pass.cross_problems(road, named)
    if passes := reading.table(PassTable, raw.get("pass_table")):
        yield from passes.class_problems(named)
    mounts = reading.listed(Mount, raw.get("mounts"))
    if air := reading.table(Air, raw.get("air")):
        yield from wind_problems(air, mounts)
    yield from mount_problems(mounts, road)


# --- a file whose tables are right ----------------------------------------------------------------


def _build_case(
    file: CaseFile, known: dict[str, Vehicle], text: str, name: str
) -> tuple[Case, list[Problem]]:
    """The case of a file whose tables are right, and the problems only the whole shows."""
    traffic: Traffic | None = None
    single_pass: SinglePass | None = None
    lane_vehicles: LaneVehicles = {}
    problems, warnings = list[Problem](), list[str]()
    if "traffic" in STUDY_TABLES[file.study]:
        assert file.traffic is not None
        traffic = file.traffic.on(file.road)
        vehicles = _traffic_vehicles(file.traffic, traffic, known, file.road)
        lane_vehicles = vehicles_of_lanes(traffic, file.road, vehicles)
        hours = file.hours_used
        problems += _motion_problems(file, traffic)
        for day, stream in _days(file, traffic).items():
            problems += stream_problems(stream, file.road, vehicles, hours, day)
    elif file.study == "single_pass_table":
        assert file.pass_table is not None
        chosen = file.pass_table.classes
        vehicles = {key: known[key] for key in map(canonical, known if chosen is None else chosen)}
    else:
        assert file.single_pass is not None
        single_pass = file.single_pass.on(file.road, list(known))
        vehicles = {key: _at_the_limit(known[key], file.road) for key in single_pass.vehicles}
        lane_vehicles = {single_pass.lane_index: list(vehicles.values())}
    wander = traffic.wander_sd_m if traffic else 0.0
    around = Surroundings(
        file.mounts[0], file.road, lane_vehicles, wander, file.air.wind is not None
    )
    problems += file.grid.place_problems(around) if file.grid else ()
    problems += _storm_problems(file)
    problems += _whole_hour_problems(file)
    problems += path_problems(file.mounts, file.road.lanes, lane_vehicles, wander)
    problems += rotor_problems(file.rotor, file.mounts)
    curve, curve_trouble = curve_of(file.rotor, file.mounts, name)
    problems += curve_trouble
    at_mounts = {
        mount.name: tuple(range_warnings(mount, file.road, lane_vehicles))
        for mount in file.mounts
        if file.study not in GRID_STUDIES
    }
    warnings += file.unused(vehicles)
    if file.traffic and traffic:
        warnings += stream_warnings(file.traffic, traffic, file.road, vehicles, file.hours_used)
    warnings += (text for found in at_mounts.values() for text in found)
    warnings += mount_warnings(file.mounts, file.road)
    warnings += wall_wind_warnings(file.mounts, file.air.wind)
    if file.grid and not problems:
        warnings += file.grid.place_warnings(around)
    as_written = {key: getattr(file, key) for key in AS_WRITTEN}
    case = Case(
        **as_written,
        vehicles=vehicles,
        traffic=traffic,
        single_pass=single_pass,
        text=text,
        path=name,
        sha256=sha256(text),
        warnings=warnings,
        power_curve=curve,
        mount_warnings=at_mounts,
    )
    return case, problems


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
    own = file.air.wind or OPEN_LAND
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
    limit, mean = road.speed_limit_m_s, vehicle.mean_speed_m_s
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
            sd = vehicle.speed_sd_m_s if speed.sd_m_s is None else speed.sd_m_s
            vehicle = replace(vehicle, mean_speed_m_s=speed.mean_m_s, speed_sd_m_s=sd)
        elif vehicle.mean_speed_m_s is not None:
            vehicle = _at_the_limit(vehicle, road)
        elif all(name in flow.speeds for flow in traffic.flows if flow.share(name) > 0):
            first = next(flow for flow in traffic.flows if flow.share(name) > 0)
            vehicle = replace(vehicle, mean_speed_m_s=first.speeds[name][0])
        vehicles[name] = vehicle
    return vehicles
