"""What a resolved stream shows: lanes beyond their headway or their room, speeds left open."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from wakesim import constants
from wakesim.case.messages import Problem
from wakesim.case.road import Lane, Road
from wakesim.case.traffic import Flow, Traffic, TrafficTable
from wakesim.case.vehicle import Vehicle, canonical, catalogue

BUSY_LANE_VEH_H = constants.BUSY_LANE_VEH_H.value
SLOW_M_S = 5.0
DENSE_SHARE = 0.5  # of a lane's length under vehicles; queues at rest reach about 0.8 (from memory)
MOST_AREA_SHARE = 0.8  # of a carriageway under vehicles, beyond any queue
FEWEST_FREE = 1e-6  # free vehicles, as a share of all, below which a lane is one endless platoon

Vehicles = Mapping[str, Vehicle]


def stream_problems(
    traffic: Traffic, road: Road, vehicles: Vehicles, hours: Sequence[int], day: str = ""
) -> Iterator[Problem]:
    """What only the resolved stream shows: lanes beyond their headway, classes without speed.

    ``hours`` are those computed, ``day`` what makes another stream than that of the case.
    """
    for name, vehicle in vehicles.items():
        without = [
            flow.carriageway
            for flow in traffic.flows
            if flow.share(name) > 0 and name not in flow.speeds
        ]
        if without and vehicle.mean_speed_m_s is None:
            text = f"'{name}' is your own vehicle and has no speed"
            if any(name in flow.speeds for flow in traffic.flows):
                text += f" on carriageway '{without[0]}'"
            yield Problem(("traffic",), f"{text}: add [traffic.speeds.{name}]")
    headway = traffic.headway
    for i, flow in enumerate(traffic.flows):
        way = road.carriageway(flow.carriageway)
        assert way is not None
        for number in range(1, way.lanes + 1):
            by_hour = [_lane_flow(flow, hour, number, vehicles) for hour in hours]
            most = max(by_hour)
            text = (
                f"lane '{way.name} {number}' would carry {most:.0f} veh/h at hour "
                f"{hours[by_hour.index(most)]}{day}; "
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
        yield from _overlap_problem(i, flow, traffic, road, vehicles, hours, day)


def _overlap_problem(
    i: int, flow: Flow, traffic: Traffic, road: Road, vehicles: Vehicles, hours: Sequence[int],
    day: str,
) -> Iterator[Problem]:  # fmt: skip
    """More vehicle than road: no traffic, whatever it is taken for."""
    lanes = [lane for lane in road.lanes if lane.carriageway == flow.carriageway]
    if any(flow.speed(v)[0] <= 0.0 for v in vehicles.values()):
        return  # told of as a class without speed
    width = sum(lane.width_m for lane in lanes)
    for hour in hours:
        area = sum(
            metres * vehicles[name].width_m
            for lane in lanes
            for name, metres in _metres_on_road(lane, flow, traffic, vehicles, hour).items()
        )
        if area > MOST_AREA_SHARE * width:
            text = (
                f"carriageway '{flow.carriageway}' at hour {hour}{day}: "
                f"{flow.hourly_veh_h[hour]:.0f} veh/h at their speeds would cover "
                f"{100 * area / width:.0f} % of its lanes' area: they overlap; must be at most "
                f"{100 * MOST_AREA_SHARE:.0f} %"
            )
            yield Problem(("traffic", "flows", i), text)
            return


def _metres_on_road(
    lane: Lane, flow: Flow, traffic: Traffic, vehicles: Vehicles, hour: int
) -> dict[str, float]:
    """Length of vehicles of each class on each metre of a lane."""
    factor = traffic.speed_factor(lane)
    return {
        name: flow.lane_veh_h(hour, lane.number, name) / 3600.0 * vehicle.length_m
        / max(flow.speed(vehicle)[0] * factor, SLOW_M_S)
        for name, vehicle in vehicles.items()
    }  # fmt: skip


def _lane_flow(flow: Flow, hour: int, number: int, vehicles: Vehicles) -> float:
    """Vehicles per hour of all classes in a lane."""
    return sum(flow.lane_veh_h(hour, number, name) for name in vehicles)


def stream_warnings(
    table: TrafficTable, traffic: Traffic, road: Road, vehicles: Vehicles, hours: Sequence[int]
) -> Iterator[str]:
    """Streams that are allowed and doubtful; ``vehicles`` are those that occur in ``hours``."""
    listed = catalogue()
    for flow in traffic.flows:
        for name in flow.light_mix:
            if name in listed and listed[name].heavy:
                yield f"flow '{flow.carriageway}': light_mix holds {name}, a heavy vehicle"
        for name in flow.heavy_mix:
            if name in listed and not listed[name].heavy:
                yield f"flow '{flow.carriageway}': heavy_mix holds {name}, a light vehicle"
        for name in flow.speeds:
            if flow.share(name) == 0.0:
                yield f"flow '{flow.carriageway}': the speed of {name} is not used: none drives"
    for lane in road.lanes:
        for flow in traffic.flows:
            if flow.carriageway == lane.carriageway:
                yield from _density_warnings(lane, flow, traffic, vehicles, hours)
    for name in table.speeds:
        if canonical(name) not in vehicles:
            yield f"[traffic.speeds.{name}] is not used: no flow holds this vehicle"
    yield from _default_speed_warnings(table, traffic, road, vehicles)
    for name in _slow_classes(traffic, road, vehicles):
        yield (
            f"{name}: part of the vehicles would drive below {SLOW_M_S:g} m/s; none "
            "is drawn slower, and results for dense slow traffic are not validated"
        )


def _density_warnings(
    lane: Lane, flow: Flow, traffic: Traffic, vehicles: Vehicles, hours: Sequence[int]
) -> Iterator[str]:
    """More vehicles than a lane carries, or than fit into it one behind the other."""
    by_hour = {hour: _lane_flow(flow, hour, lane.number, vehicles) for hour in hours}
    busiest = max(by_hour.values())
    if busiest > BUSY_LANE_VEH_H:
        yield (
            f"lane '{lane.name}' carries up to {busiest:.0f} veh/h, more than the "
            f"{BUSY_LANE_VEH_H:.0f} veh/h a motorway lane does (from memory)"
        )
    covered = {
        hour: sum(_metres_on_road(lane, flow, traffic, vehicles, hour).values()) for hour in hours
    }
    hour = max(covered, key=covered.__getitem__)
    if covered[hour] > DENSE_SHARE:
        yield (
            f"lane '{lane.name}' at hour {hour}: {by_hour[hour]:.0f} veh/h at their speeds are "
            f"{covered[hour]:.2g} km of vehicles on each km of lane: "
            + ("they overlap" if covered[hour] > 1.0 else "many of them overlap")
        )


def _default_speed_warnings(
    table: TrafficTable, traffic: Traffic, road: Road, vehicles: Vehicles
) -> Iterator[str]:
    """Classes left at the speeds of a motorway where the case gives others a speed."""
    given = {canonical(name) for name in table.speeds}
    left = [
        name
        for name in vehicles
        if name not in given
        and any(flow.share(name) > 0 and name not in flow.speeds for flow in traffic.flows)
    ]
    some_given = given or any(flow.speeds for flow in traffic.flows)
    limit = road.speed_limit_m_s
    if some_given and limit is None and left:
        speeds = [
            f"{name} {3.6 * (vehicles[name].mean_speed_m_s or 0.0):.0f} km/h" for name in left
        ]
        yield (
            "[traffic.speeds]: these classes have no speed there and drive as on a free motorway: "
            f"{', '.join(speeds)}; give each a speed, or the road its speed_limit_kmh"
        )
    if limit is None:
        return
    for name in vehicles:
        own = [flow.speed(vehicles[name])[0] for flow in traffic.flows if flow.share(name) > 0]
        if max(own) > limit * (1.0 + 1e-9):
            yield (
                f"{name}: its mean speed of {3.6 * max(own):.0f} km/h is above the road's speed "
                f"limit of {3.6 * limit:.0f} km/h"
            )


def _slow_classes(traffic: Traffic, road: Road, vehicles: Vehicles) -> Iterator[str]:
    """Classes of which some vehicles would drive more slowly than any is drawn."""
    for name, vehicle in vehicles.items():
        for flow in traffic.flows:
            mean, sd = flow.speed(vehicle)
            lanes = [lane for lane in road.lanes if lane.carriageway == flow.carriageway]
            slowest = min(traffic.speed_factor(lane) for lane in lanes)
            if flow.share(name) > 0 and (mean - 2.0 * sd) * slowest < SLOW_M_S:
                yield name
                break
