"""From valid tables to the resolved case, and the checks that need all of it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace

from wakesim.case.air import resolve_air
from wakesim.case.catalogue import canonical
from wakesim.case.energy import curve_of, energy_warnings, rotor_problems
from wakesim.case.mounts import mount_warnings, path_problems, wall_wind_warnings
from wakesim.case.problems import Problem
from wakesim.case.road import Road
from wakesim.case.schema import Case, CaseFile
from wakesim.case.studies import STUDY_TABLES, TRAFFIC_STUDIES
from wakesim.case.study_rules import grid_problems
from wakesim.case.tables import speed_of
from wakesim.case.traffic import Traffic, resolve_single_pass, resolve_traffic
from wakesim.case.traffic_rules import stream_problems, stream_warnings
from wakesim.case.traffic_tables import TrafficTable
from wakesim.case.vehicle import Vehicle
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
        vehicles, without_speed = _traffic_vehicles(file.traffic, traffic, known)
        lane_vehicles = _lane_vehicles(traffic, file.road, vehicles)
        problems += _motion_problems(file, traffic)
        problems += stream_problems(traffic, file.road, vehicles, without_speed)
    elif file.study == "single_pass_table":
        assert file.pass_table is not None
        chosen = file.pass_table.classes
        vehicles = {key: known[key] for key in map(canonical, known if chosen is None else chosen)}
        lane_vehicles = {}
    else:
        assert file.single_pass is not None
        single_pass = resolve_single_pass(file.single_pass, file.road, list(known))
        vehicles = {key: known[key] for key in single_pass.vehicles}
        lane_vehicles = {single_pass.lane_index: list(vehicles.values())}
    wander = traffic.wander_sd_m if traffic else 0.0
    problems += grid_problems(file, lane_vehicles, wander)
    problems += path_problems(file.mounts, file.road.lanes, lane_vehicles, wander)
    problems += rotor_problems(file.rotor, file.mounts)
    curve, curve_trouble = curve_of(file.rotor, file.mounts, name)
    problems += curve_trouble
    air = resolve_air(file.air)
    warnings = [
        *_unused(file, vehicles),
        *energy_warnings(file),
        *(
            stream_warnings(file.traffic, traffic, file.road, vehicles)
            if file.traffic and traffic
            else ()
        ),
        *mount_warnings(file.mounts, file.road, lane_vehicles),
        *wall_wind_warnings(file.mounts, air.wind),
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
    )
    return case, problems


def _motion_problems(file: CaseFile, traffic: Traffic) -> Iterator[Problem]:
    """Something must move the air in the hours computed."""
    total = sum(flow.hourly_veh_h[hour] for flow in traffic.flows for hour in file.compute.hours)
    if total == 0 and file.air.wind is None:
        text = "no vehicle passes in the hours computed and the air is still: nothing to compute"
        yield Problem(("traffic", "flows"), text)


def _traffic_vehicles(
    table: TrafficTable, traffic: Traffic, known: dict[str, Vehicle]
) -> tuple[dict[str, Vehicle], list[str]]:
    """Vehicles with a share in any mix, speeds resolved; and those that have no speed."""
    shares = [mix for flow in traffic.flows for mix in (flow.light_mix, flow.heavy_mix)]
    used = [name for name in known if any(mix.get(name, 0.0) > 0 for mix in shares)]
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
        vehicles[name] = vehicle
    return vehicles, [name for name, v in vehicles.items() if v.mean_speed_m_s is None]


def _lane_vehicles(
    traffic: Traffic, road: Road, vehicles: Mapping[str, Vehicle]
) -> dict[int, list[Vehicle]]:
    """Vehicles that drive in each lane at any hour, by lane index."""
    found: dict[int, list[Vehicle]] = {}
    for flow in traffic.flows:
        for lane in road.lanes:
            if lane.carriageway == flow.carriageway:
                found[lane.index] = [
                    vehicle
                    for vehicle in vehicles.values()
                    if any(flow.lane_veh_h(h, lane.number, vehicle.name) > 0 for h in range(24))
                ]
    return found


def _unused(file: CaseFile, vehicles: Mapping[str, Vehicle]) -> Iterator[str]:
    used = STUDY_TABLES[file.study]
    for other in ("traffic", "single_pass", "map", "table", "pass_table"):
        if other not in used and getattr(file, other) is not None:
            yield f'[{other}] is not used: the case has study = "{file.study}"'
    for name in file.vehicles:
        if name not in vehicles:
            yield f"[vehicles.{name}] is not used"
