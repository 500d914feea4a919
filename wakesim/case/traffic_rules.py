"""Rules between the tables of the traffic: names, sums, lane counts, capacity of a lane."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from wakesim.case.catalogue import aliases, canonical, catalogue, unknown_vehicle
from wakesim.case.problems import Problem
from wakesim.case.road import Road
from wakesim.case.suggest import closest
from wakesim.case.tables import SHARE_TOLERANCE
from wakesim.case.toml_lines import Path
from wakesim.case.traffic import Traffic, hourly_heavy_share
from wakesim.case.traffic_tables import FlowTable, SinglePassTable, TrafficTable
from wakesim.case.vehicle import Vehicle

BUSY_LANE_VEH_H = 2400.0  # about the capacity of a motorway lane (from memory)
SLOW_M_S = 5.0
FEWEST_FREE = 1e-6  # free vehicles, as a share of all, below which a lane is one endless platoon

Vehicles = Mapping[str, Vehicle]


def flow_problems(
    flows: Mapping[int, FlowTable], road: Road | None, vehicles: Vehicles
) -> Iterator[Problem]:
    """Each flow against the road and the known vehicles; keys of ``flows`` are positions."""
    taken: dict[str, int] = {}
    for i, flow in flows.items():
        path: Path = ("traffic", "flows", i)
        first = taken.setdefault(flow.carriageway, i)
        if first != i:
            text = f"this carriageway has its flow in traffic.flows[{first + 1}] already"
            yield Problem((*path, "carriageway"), text, flow.carriageway)
        if flow.hourly_share is not None:
            yield from _sum_problem(flow.hourly_share, (*path, "hourly_share"))
        yield from _mix_problems(flow, path, vehicles)
        if road is not None:
            yield from _road_problems(flow, path, road)


def speed_problems(table: TrafficTable, road: Road | None, vehicles: Vehicles) -> Iterator[Problem]:
    """[traffic.speeds] and lane_speed_factor name vehicles and carriageways that exist."""
    for name in table.speeds:
        if canonical(name) not in vehicles:
            yield _unknown(name, vehicles, ("traffic", "speeds", name))
        elif canonical(name) != name and canonical(name) in table.speeds:
            yield _twice(name, ("traffic", "speeds", name))
    for name, factors in table.lane_speed_factor.items():
        path = ("traffic", "lane_speed_factor", name)
        way = road.carriageway(name) if road else None
        if way is not None:
            yield from _lane_count_problem(factors, way.lanes, name, path)
        elif road is not None:
            yield Problem(path, _unknown_carriageway(name, road))


def single_pass_problems(
    table: SinglePassTable, road: Road | None, vehicles: Vehicles
) -> Iterator[Problem]:
    """The lane and the vehicles of [single_pass] exist and have a speed."""
    way = road.carriageway(table.carriageway) if road else None
    if road is not None and way is None:
        text = _unknown_carriageway(table.carriageway, road)
        yield Problem(("single_pass", "carriageway"), text, table.carriageway)
    elif way is not None and table.lane > way.lanes:
        text = f"carriageway '{way.name}' has lanes 1 to {way.lanes} (1 is the outer one)"
        yield Problem(("single_pass", "lane"), text, table.lane)
    seen: set[str] = set()
    for i, name in enumerate(table.vehicles or ()):
        path: Path = ("single_pass", "vehicles", i)
        if canonical(name) not in vehicles:
            yield _unknown(name, vehicles, path)
        elif canonical(name) in seen:
            yield Problem(path, "is in the list already", name)
        seen.add(canonical(name))
    if (table.speed_m_s, table.speed_kmh, table.speed_mph) == (None, None, None):
        for name in table.vehicles or vehicles:
            vehicle = vehicles.get(canonical(name))
            if vehicle is not None and vehicle.mean_speed_m_s is None:
                text = f"a speed is missing: '{name}' is your own vehicle and has none"
                yield Problem(("single_pass",), text + "; add speed_kmh")


def stream_problems(
    traffic: Traffic, road: Road, vehicles: Vehicles, without_speed: Sequence[str]
) -> Iterator[Problem]:
    """What only the resolved stream shows: lanes beyond their headway, classes without speed."""
    for name in without_speed:
        text = f"'{name}' is your own vehicle and has no speed: add [traffic.speeds.{name}]"
        yield Problem(("traffic",), text)
    headway = traffic.headway
    for i, flow in enumerate(traffic.flows):
        way = road.carriageway(flow.carriageway)
        assert way is not None
        for number in range(1, way.lanes + 1):
            by_hour = [
                sum(flow.lane_veh_h(hour, number, name) for name in vehicles) for hour in range(24)
            ]
            most = max(by_hour)
            text = (
                f"lane '{way.name} {number}' would carry {most:.0f} veh/h at hour "
                f"{by_hour.index(most)}; "
            )
            if headway.minimum_s * most / 3600.0 >= 1.0:
                text += (
                    f"headway minimum_s = {headway.minimum_s:g} s lets fewer than "
                    f"{3600 / headway.minimum_s:.0f} veh/h pass"
                )
                yield Problem(("traffic", "flows", i), text)
            elif headway.free_share(most / 3600.0) < FEWEST_FREE:
                text += "the headway's bunching leaves no free vehicle then; lower it"
                yield Problem(("traffic", "flows", i), text)


def stream_warnings(
    table: TrafficTable, traffic: Traffic, road: Road, vehicles: Vehicles
) -> Iterator[str]:
    """Streams that are allowed and doubtful; ``vehicles`` are those that occur."""
    listed = catalogue()
    for flow in traffic.flows:
        for name in flow.light_mix:
            if name in listed and listed[name].heavy:
                yield f"flow '{flow.carriageway}': light_mix holds {name}, a heavy vehicle"
        for name in flow.heavy_mix:
            if name in listed and not listed[name].heavy:
                yield f"flow '{flow.carriageway}': heavy_mix holds {name}, a light vehicle"
    for lane in road.lanes:
        flows = [flow for flow in traffic.flows if flow.carriageway == lane.carriageway]
        busiest = max(
            (
                sum(flow.lane_veh_h(hour, lane.number, name) for name in vehicles)
                for flow in flows
                for hour in range(24)
            ),
            default=0.0,
        )
        if busiest > BUSY_LANE_VEH_H:
            yield (
                f"lane '{lane.name}' carries up to {busiest:.0f} veh/h, more than the "
                f"{BUSY_LANE_VEH_H:.0f} veh/h a motorway lane does (from memory)"
            )
    for name in table.speeds:
        if canonical(name) not in vehicles:
            yield f"[traffic.speeds.{name}] is not used: no flow holds this vehicle"
    slowest = min((traffic.speed_factor(lane) for lane in road.lanes), default=1.0)
    for vehicle in vehicles.values():
        low = (vehicle.mean_speed_m_s or 0.0) - 2.0 * vehicle.speed_sd_m_s
        if low * slowest < SLOW_M_S:
            yield (
                f"{vehicle.name}: part of the vehicles would drive below {SLOW_M_S:g} m/s; none "
                "is drawn slower, and results for dense slow traffic are not validated"
            )


def _mix_problems(flow: FlowTable, path: Path, vehicles: Vehicles) -> Iterator[Problem]:
    for key in ("light_mix", "heavy_mix"):
        mix: dict[str, float] | None = getattr(flow, key)
        if mix is None:
            if _needs(flow, key):
                kind = key.removesuffix("_mix")
                text = f"'{key}' is missing (shares of the {kind} vehicles, summing to 1)"
                yield Problem(path, text, missing=((*path, key),))
            continue
        for name in mix:
            if canonical(name) not in vehicles:
                yield _unknown(name, vehicles, (*path, key, name))
            elif canonical(name) != name and canonical(name) in mix:
                yield _twice(name, (*path, key, name))
        yield from _sum_problem(tuple(mix.values()), (*path, key))


def _needs(flow: FlowTable, key: str) -> bool:
    """Whether any hour of the flow has vehicles of this mix."""
    if flow.heavy_share is None and flow.profile != "A115":
        return False  # reported as a missing key already
    shares = hourly_heavy_share(flow)
    return any(share > 0 if key == "heavy_mix" else share < 1 for share in shares)


def _road_problems(flow: FlowTable, path: Path, road: Road) -> Iterator[Problem]:
    way = road.carriageway(flow.carriageway)
    if way is None:
        text = _unknown_carriageway(flow.carriageway, road)
        yield Problem((*path, "carriageway"), text, flow.carriageway)
        return
    for key in ("light_lane_share", "heavy_lane_share"):
        shares: tuple[float, ...] | None = getattr(flow, key)
        if shares is not None:
            yield from _lane_count_problem(shares, way.lanes, way.name, (*path, key))
            yield from _sum_problem(shares, (*path, key))


def _lane_count_problem(
    values: tuple[float, ...], lanes: int, name: str, path: Path
) -> Iterator[Problem]:
    if len(values) != lanes:
        yield Problem(
            path,
            f"must hold one value for each lane of '{name}', outer lane first: "
            f"{lanes}; it holds {len(values)}",
        )


def _sum_problem(shares: tuple[float, ...], path: Path) -> Iterator[Problem]:
    total = sum(shares)
    if abs(total - 1.0) > SHARE_TOLERANCE:
        text = f"the shares sum to {total:.4g}; they must sum to 1"
        if abs(total - 100.0) < 1.0:
            text += " (percentages? write 0.62, not 62)"
        yield Problem(path, text)


def _unknown(name: str, vehicles: Vehicles, path: Path) -> Problem:
    return Problem(path, unknown_vehicle(name, [*vehicles, *aliases()]), about=path[:-1])


def _twice(name: str, path: Path) -> Problem:
    text = f"'{name}' is another name of '{canonical(name)}', which is given already"
    return Problem(path, text, about=path[:-1])


def _unknown_carriageway(name: str, road: Road) -> str:
    names = [way.name for way in road.carriageways]
    guess = closest(name, names)
    hint = (
        f'did you mean "{guess}"?'
        if guess
        else "the road has " + ", ".join(f'"{known}"' for known in names)
    )
    return f"no carriageway of this name; {hint}"
