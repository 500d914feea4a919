"""Traffic resolved: flows, mixes and speeds of every hour and lane."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from wakesim.case.catalogue import canonical
from wakesim.case.profiles import hourly_profile
from wakesim.case.road import Lane, Road
from wakesim.case.tables import HOURS, normalised, speed_of
from wakesim.case.traffic_tables import FlowTable, HeadwayTable, SinglePassTable, TrafficTable
from wakesim.case.vehicle import Vehicle

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Array = NDArray[np.float64]


@dataclass(frozen=True)
class Flow:
    """Traffic of one carriageway; hourly tuples have 24 entries, shares sum to one."""

    carriageway: str
    hourly_veh_h: tuple[float, ...]
    heavy_share: tuple[float, ...]
    light_mix: dict[str, float]
    heavy_mix: dict[str, float]
    light_lane_share: tuple[float, ...]
    heavy_lane_share: tuple[float, ...]
    speeds: dict[str, tuple[float, float | None]] = field(default_factory=dict)

    def share(self, vehicle: str) -> float:
        """Share of a class in its mix, 0 where it does not drive here."""
        return max(self.light_mix.get(vehicle, 0.0), self.heavy_mix.get(vehicle, 0.0))

    def speed(self, vehicle: Vehicle) -> tuple[float, float]:
        """Mean speed of a class on this carriageway and its standard deviation, m/s.

        ``speeds`` holds those given for this carriageway (None: the deviation of the class).
        """
        mean, sd = self.speeds.get(vehicle.name, (vehicle.mean_speed_m_s or 0.0, None))
        return mean, vehicle.speed_sd_m_s if sd is None else sd

    def lane_veh_h(self, hour: int, number: int, vehicle: str) -> float:
        """Vehicles per hour of one class in lane ``number`` (1 is the outer one)."""
        total, heavy = self.hourly_veh_h[hour], self.heavy_share[hour]
        light_part = (1.0 - heavy) * self.light_lane_share[number - 1]
        heavy_part = heavy * self.heavy_lane_share[number - 1]
        return total * (
            light_part * self.light_mix.get(vehicle, 0.0)
            + heavy_part * self.heavy_mix.get(vehicle, 0.0)
        )


@dataclass(frozen=True)
class Headway:
    """Time between the fronts of following vehicles in a lane.

    ``model`` is "exponential", "shifted_exponential" or "cowan_m3" (R. J. Cowan, Transportation
    Research 9 (1975) 371). ``minimum_s`` is 0 for the exponential. At a lane flow q the free share
    of cowan_m3 is exp(-bunching_s q), exp(-bunching_factor minimum_s q), or 1 - minimum_s q when
    ``tanner`` is set.
    """

    model: str
    minimum_s: float
    bunching_s: float | None
    bunching_factor: float | None
    tanner: bool

    def free_share(self, flow_veh_s: float) -> float:
        """Share of vehicles that do not follow another at the minimum headway."""
        if self.tanner:
            return 1.0 - self.minimum_s * flow_veh_s
        if self.bunching_s is not None:
            return math.exp(-self.bunching_s * flow_veh_s)
        if self.bunching_factor is not None:
            return math.exp(-self.bunching_factor * self.minimum_s * flow_veh_s)
        return 1.0


@dataclass(frozen=True)
class Traffic:
    """The stream: seed, behaviour, and the flow of each carriageway."""

    seed: int
    wander_sd_m: float
    drafting: bool
    headway: Headway
    flows: tuple[Flow, ...]
    lane_speed_factor: dict[str, tuple[float, ...]]

    def speed_factor(self, lane: Lane) -> float:
        """Factor on every class's speed in this lane."""
        factors = self.lane_speed_factor.get(lane.carriageway)
        return factors[lane.number - 1] if factors else 1.0

    def on_day(self, flow: float, heavy: float) -> Traffic:
        """Flows times a factor, and their shares of heavy vehicles times another."""
        flows = tuple(
            replace(
                f,
                hourly_veh_h=tuple(q * flow for q in f.hourly_veh_h),
                heavy_share=tuple(min(1.0, share * heavy) for share in f.heavy_share),
            )
            for f in self.flows
        )
        return replace(self, flows=flows)

    def faster(self, road: Road, factor: float) -> Traffic:
        """All speeds times a factor, which goes to the lanes: the vehicles stay the same ones."""
        found: dict[str, tuple[float, ...]] = {}
        for lane in road.lanes:
            before = found.get(lane.carriageway, ())
            found[lane.carriageway] = (*before, factor * self.speed_factor(lane))
        return replace(self, lane_speed_factor=found)


@dataclass(frozen=True)
class SinglePass:
    """One vehicle at a time in one lane; ``speed_m_s`` None means each class's own mean."""

    vehicles: tuple[str, ...]
    lane_index: int
    speed_m_s: float | None


@dataclass(frozen=True)
class TrafficState:
    """Stationary traffic of one clock hour.

    ``flow_veh_s`` (n_lanes,); ``mix``, ``mean_speed_m_s`` and ``speed_sd_m_s``
    (n_lanes, n_vehicles). Rows of ``mix`` sum to one, or are zero in a lane without flow.
    """

    hour: int
    flow_veh_s: Array
    mix: Array
    mean_speed_m_s: Array
    speed_sd_m_s: Array


def resolve_traffic(table: TrafficTable, road: Road) -> Traffic:
    """The stream with defaults filled in; the tables must have passed their checks."""
    return Traffic(
        seed=table.seed,
        wander_sd_m=table.wander_sd_m,
        drafting=table.drafting,
        headway=_resolve_headway(table.headway),
        flows=tuple(_resolve_flow(flow, road) for flow in table.flows),
        lane_speed_factor=dict(table.lane_speed_factor),
    )


def resolve_single_pass(table: SinglePassTable, road: Road, names: list[str]) -> SinglePass:
    """The pass; ``names`` are the vehicles used when the file names none."""
    lane = next(
        lane
        for lane in road.lanes
        if lane.carriageway == table.carriageway and lane.number == table.lane
    )
    chosen = names if table.vehicles is None else [canonical(name) for name in table.vehicles]
    return SinglePass(tuple(chosen), lane.index, speed_of(table, "speed"))


def hourly_flow(table: FlowTable) -> tuple[float, ...]:
    """Vehicles per hour of a carriageway for each of 24 hours, from whichever way was chosen."""
    if table.hourly_veh_h is not None:
        return table.hourly_veh_h
    if table.hourly_share is not None:
        daily = table.daily_veh or 0.0
        return tuple(daily * share for share in normalised(table.hourly_share))
    if table.profile is not None:
        profile = hourly_profile(table.profile, table.day_type or "weekday")
        if table.daily_veh is None:
            return profile.mean_veh_h
        return tuple(table.daily_veh * share for share in profile.share)
    return (table.flow_veh_h or 0.0,) * HOURS


def hourly_heavy_share(table: FlowTable) -> tuple[float, ...]:
    """Share of heavy vehicles for each of 24 hours."""
    if isinstance(table.heavy_share, tuple):
        return table.heavy_share
    if table.heavy_share is not None:
        return (table.heavy_share,) * HOURS
    profile = hourly_profile(table.profile or "A115", table.day_type or "weekday")
    return profile.heavy_share or (0.0,) * HOURS


def traffic_state(
    traffic: Traffic, road: Road, vehicles: Mapping[str, Vehicle], hour: int
) -> TrafficState:
    """Flow, mix and speeds of every lane in one clock hour (hours beyond 23 wrap)."""
    import numpy as np

    hour = hour % HOURS
    shape = (len(road.lanes), len(vehicles))
    per_class = np.zeros(shape)
    mean, sd = np.zeros(shape), np.zeros(shape)
    flows = {flow.carriageway: flow for flow in traffic.flows}
    for lane in road.lanes:
        factor = traffic.speed_factor(lane)
        flow = flows.get(lane.carriageway)
        for column, vehicle in enumerate(vehicles.values()):
            own = (vehicle.mean_speed_m_s or 0.0, vehicle.speed_sd_m_s)
            if flow is not None:
                own = flow.speed(vehicle)
                per_class[lane.index, column] = flow.lane_veh_h(hour, lane.number, vehicle.name)
            mean[lane.index, column], sd[lane.index, column] = own[0] * factor, own[1] * factor
    total = per_class.sum(axis=1)
    mix = np.divide(per_class, total[:, None], out=np.zeros(shape), where=total[:, None] > 0)
    return TrafficState(hour, total / 3600.0, mix, mean, sd)


def _resolve_headway(table: HeadwayTable) -> Headway:
    return Headway(
        model=table.model,
        minimum_s=table.minimum_s or 0.0,
        bunching_s=table.bunching_s,
        bunching_factor=table.bunching_factor,
        tanner=table.tanner,
    )


def _resolve_flow(table: FlowTable, road: Road) -> Flow:
    way = road.carriageway(table.carriageway)
    assert way is not None
    equal = (1.0 / way.lanes,) * way.lanes
    light, heavy = table.light_lane_share, table.heavy_lane_share
    return Flow(
        carriageway=table.carriageway,
        hourly_veh_h=hourly_flow(table),
        heavy_share=hourly_heavy_share(table),
        light_mix=_resolve_mix(table.light_mix),
        heavy_mix=_resolve_mix(table.heavy_mix),
        light_lane_share=normalised(light) if light else equal,
        heavy_lane_share=normalised(heavy) if heavy else equal,
        speeds={
            canonical(name): (speed_of(speed, "mean") or 0.0, speed_of(speed, "sd"))
            for name, speed in table.speeds.items()
        },
    )


def _resolve_mix(mix: dict[str, float] | None) -> dict[str, float]:
    if not mix:
        return {}
    shares = normalised(tuple(mix.values()))
    return dict(zip(map(canonical, mix), shares, strict=True))
