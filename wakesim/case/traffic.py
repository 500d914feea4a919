"""[traffic] and [single_pass]: flows and speeds of every hour and lane, and what limits them."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import Field, Strict

from wakesim import constants
from wakesim.case.messages import Path, Problem
from wakesim.case.road import Lane, Road
from wakesim.case.tables import (
    HOURS,
    SHARE_TOLERANCE,
    FractionOrHourly,
    HourlyFlows,
    HourlyShares,
    Line,
    Mix,
    Shares,
    Table,
    given,
    normalised,
    one_speed,
    speed_of,
)
from wakesim.case.vehicle import (
    NOSE_RADIUS_M,
    Vehicle,
    aliases,
    canonical,
    catalogue,
    unknown_vehicle,
)
from wakesim.errors import closest
from wakesim.runtime import shared_path

_BUNCHING = ("bunching_s", "bunching_factor", "tanner")
_FLOW_WAYS = ("flow_veh_h", "hourly_veh_h", "hourly_share", "profile")

Factors = Annotated[
    tuple[Annotated[float, Field(ge=0.3, le=2)], ...], Strict(False), Field(min_length=1)
]


class HeadwayTable(Table):
    """[traffic.headway] or headway = { ... }: time between the fronts of vehicles in a lane.

    ``model``: free vehicles at random times, the same with a shortest headway, or with bunches
      behind slower vehicles (Cowan 1975).
    ``minimum_s``: shortest headway; needed by the models that have one.
    ``bunching_s``: at a lane flow q a share exp(-bunching_s q) drives freely. "cowan_m3" needs
      one of bunching_s, bunching_factor and tanner.
    ``bunching_factor``: the same in units of minimum_s.
    ``tanner``: the share is 1 - minimum_s q.
    """

    model: Literal["exponential", "shifted_exponential", "cowan_m3"] = "exponential"
    minimum_s: float | None = Field(default=None, gt=0, le=5)
    bunching_s: float | None = Field(default=None, ge=0, le=60)
    bunching_factor: float | None = Field(default=None, ge=0, le=5)
    tanner: bool = False


class SpeedTable(Table):
    """[traffic.speeds.<vehicle>], or [traffic.flows.speeds.<vehicle>] of one carriageway.

    The mean within 5 to 90 m/s, the sd up to 20 m/s.

    ``mean``: mean speed of the class in place of the catalogue's.
    ``sd``: standard deviation between its vehicles; without it the catalogue's.
    """

    mean_m_s: float | None = Field(default=None, ge=5, le=90)
    mean_kmh: float | None = Field(default=None, ge=18, le=320)
    mean_mph: float | None = Field(default=None, ge=12, le=200)
    sd_m_s: float | None = Field(default=None, ge=0, le=20)
    sd_kmh: float | None = Field(default=None, ge=0, le=72)
    sd_mph: float | None = Field(default=None, ge=0, le=45)


class FlowTable(Table):
    """[[traffic.flows]]: the traffic of one carriageway.

    The flow is given in one of four ways: flow_veh_h, hourly_veh_h, daily_veh with hourly_share,
    or profile with day_type.

    ``flow_veh_h``: of all lanes together, the same at every hour.
    ``hourly_veh_h``: flow of each clock hour, from hour 0 on.
    ``daily_veh``: vehicles a day, divided over the hours by hourly_share or profile.
    ``hourly_share``: share of each clock hour in the day; they sum to 1.
    ``profile``: hours of a counted motorway (shared/README.md), scaled to daily_veh where given.
    ``day_type``: day of the profile.
    ``heavy_share``: share of heavy vehicles, one number or one for each clock hour; only profile
      "A115" has its own.
    ``light_mix``: share of each light class among the light vehicles; they sum to 1.
    ``heavy_mix``: share of each heavy class among the heavy vehicles; they sum to 1.
    ``light_lane_share``: share of the light vehicles in each lane, outer lane first; without it
      all lanes carry the same.
    ``heavy_lane_share``: the same for the heavy vehicles.
    ``speeds``: speeds of classes on this carriageway alone, before those of [traffic.speeds].
    """

    carriageway: str = Field(description="name of a carriageway of the road")
    flow_veh_h: float | None = Field(default=None, ge=0, le=20000)
    hourly_veh_h: HourlyFlows | None = None
    daily_veh: float | None = Field(default=None, ge=0, le=400000)
    hourly_share: HourlyShares | None = None
    profile: Literal["A115", "I94"] | None = None
    day_type: Literal["weekday", "saturday", "sunday"] | None = None
    heavy_share: FractionOrHourly | None = None
    light_mix: Mix | None = None
    heavy_mix: Mix | None = None
    light_lane_share: Shares | None = None
    heavy_lane_share: Shares | None = None
    speeds: dict[str, SpeedTable] = Field(default_factory=dict)


class TrafficTable(Table):
    """[traffic]: the stream of vehicles.

    ``wander_sd_m``: standard deviation of a vehicle's place across its lane.
    ``drafting``: close followers meet less drag.
    ``lane_speed_factor``: for a carriageway by name, factors on all speeds in its lanes, outer
      lane first.
    """

    seed: int = Field(ge=0, le=2**63 - 1, description="a whole number that fixes the random draws")
    wander_sd_m: float = Field(default=constants.WANDER_SD_M.value, ge=0, le=1)
    drafting: bool = False
    headway: HeadwayTable = HeadwayTable()
    flows: Annotated[tuple[FlowTable, ...], Strict(False)] = Field(
        min_length=1, description="write [[traffic.flows]] for each carriageway with traffic"
    )
    speeds: dict[str, SpeedTable] = Field(default_factory=dict)
    lane_speed_factor: dict[str, Factors] = Field(default_factory=dict)


class SinglePassTable(Table):
    """[single_pass]: one vehicle at a time in one lane, no other air motion.

    ``vehicles``: the classes that pass; without it all of the catalogue and the case.
    ``lane``: counted from the outer lane, which is 1.
    ``speed``: of every class; without it each class has its own mean.
    """

    vehicles: Annotated[tuple[str, ...], Strict(False), Field(min_length=1)] | None = None
    carriageway: str = Field(description="name of a carriageway of the road")
    lane: int = Field(default=1, ge=1, le=8)
    speed_m_s: float | None = Field(default=None, ge=1, le=90)
    speed_kmh: float | None = Field(default=None, ge=3.6, le=320)
    speed_mph: float | None = Field(default=None, ge=2.3, le=200)


class VehicleTable(Table):
    """[vehicles.<name>]: an own vehicle; limits are those of the vehicle record.

    ``label``: its name in outputs.
    ``length_m``: from nose to tail.
    ``width_m``: without mirrors.
    ``frontal_area_m2``: that drag_coefficient refers to; at most width times height.
    ``drag_coefficient``: drag over dynamic pressure and frontal area.
    ``drag_range``: lowest and highest published value, for the model interval.
    ``shape``: of the hull: a box, or bonnet and cabin.
    ``heavy``: whether it counts among the heavy vehicles.
    ``source``: where the figures come from.
    """

    label: Line | None = None
    length_m: float = Field(ge=0.1, le=60)
    width_m: float = Field(ge=0.05, le=10)
    height_m: float = Field(ge=0.05, le=10, description="top above the road")
    clearance_m: float = Field(ge=0.005, le=3, description="underside above the road")
    frontal_area_m2: float = Field(ge=0.001, le=60)
    drag_coefficient: float = Field(ge=0.01, le=3)
    drag_range: (
        Annotated[
            tuple[Annotated[float, Field(ge=0.01, le=3)], ...],
            Strict(False),
            Field(min_length=2, max_length=2),
        ]
        | None
    ) = None
    shape: Literal["box", "bonnet"] = "box"
    nose_radius_m: float | None = Field(
        default=None, ge=NOSE_RADIUS_M[0], le=NOSE_RADIUS_M[1],
        description="radius of the edges around the nose",
    )  # fmt: skip
    heavy: bool = False
    source: Line = "given in the case file, no source named"


def traffic_key_problems(raw: Any) -> Iterator[Problem]:
    """Keys of [traffic] that exclude or need each other; works on the raw table."""
    if not isinstance(raw, dict):
        return
    if isinstance(raw.get("headway"), dict):
        yield from _headway_key_problems(raw["headway"])
    flows = raw.get("flows")
    for i, flow in enumerate(flows if isinstance(flows, list) else []):
        if isinstance(flow, dict):
            yield from _flow_key_problems(flow, ("traffic", "flows", i))
            yield from _speed_key_problems(flow.get("speeds"), ("traffic", "flows", i, "speeds"))
    yield from _speed_key_problems(raw.get("speeds"), ("traffic", "speeds"))


def _speed_key_problems(speeds: Any, path: Path) -> Iterator[Problem]:
    for name, speed in (speeds if isinstance(speeds, dict) else {}).items():
        if isinstance(speed, dict):
            yield from one_speed(speed, "mean", (*path, name))
            yield from one_speed(speed, "sd", (*path, name), needed=False)


def single_pass_key_problems(raw: Any) -> Iterator[Problem]:
    """The speed of a single pass in one unit only; works on the raw table."""
    if isinstance(raw, dict):
        yield from one_speed(raw, "speed", ("single_pass",), needed=False)


def _headway_key_problems(raw: dict[str, Any]) -> Iterator[Problem]:
    path = ("traffic", "headway")
    model = raw.get("model", "exponential")
    bunching = given(raw, *_BUNCHING[:2])
    bunching += ["tanner"] if raw.get("tanner") is True else []
    allowed = {"exponential": 0, "shifted_exponential": 1, "cowan_m3": 2}.get(str(model))
    if allowed is None:
        return
    if allowed and "minimum_s" not in raw:
        text = f"'minimum_s' is missing (model = \"{model}\" needs it, in s)"
        yield Problem(path, text, missing=((*path, "minimum_s"),))
    if not allowed and "minimum_s" in raw:
        text = 'only for model = "shifted_exponential" or "cowan_m3"'
        yield Problem((*path, "minimum_s"), text, raw["minimum_s"])
    if allowed < 2:
        for key in bunching:
            yield Problem((*path, key), 'only for model = "cowan_m3"', raw[key])
    elif len(bunching) != 1:
        given_now = " and ".join(bunching) or "none"
        yield Problem(
            path,
            'model = "cowan_m3" needs exactly one of bunching_s, bunching_factor, tanner = true; '
            f"given: {given_now}",
            missing=() if bunching else tuple((*path, key) for key in _BUNCHING),
        )


def _flow_key_problems(raw: dict[str, Any], path: Path) -> Iterator[Problem]:
    ways = given(raw, *_FLOW_WAYS)
    daily = given(raw, "daily_veh")
    choice = "flow_veh_h, hourly_veh_h, daily_veh with hourly_share, or profile with day_type"
    if not ways:
        lead = "daily_veh alone does not give the hours" if daily else "the flow is missing"
        missing = tuple((*path, key) for key in _FLOW_WAYS)
        yield Problem(path, f"{lead}: give exactly one of {choice}", missing=missing)
    elif len(ways) > 1:
        yield Problem(
            path, f"{' and '.join(ways)} exclude each other: give exactly one of {choice}"
        )
    elif ways == ["hourly_share"] and not daily:
        text = "'daily_veh' is missing (hourly_share divides it over the day)"
        yield Problem(path, text, missing=((*path, "daily_veh"),))
    elif ways[0] in ("flow_veh_h", "hourly_veh_h") and daily:
        text = f"not used together with {ways[0]}"
        yield Problem((*path, "daily_veh"), text, raw["daily_veh"])
    if "profile" in ways and "day_type" not in raw:
        text = '\'day_type\' is missing ("weekday", "saturday" or "sunday" of the profile)'
        yield Problem(path, text, missing=((*path, "day_type"),))
    if ways and "profile" not in ways and "day_type" in raw:
        yield Problem((*path, "day_type"), "only together with profile", raw["day_type"])
    if "heavy_share" not in raw and raw.get("profile") in (None, "I94"):
        why = "; this profile did not count heavy vehicles" if "profile" in raw else ""
        text = f"'heavy_share' is missing (one number, or 24 for the hours{why})"
        yield Problem(path, text, missing=((*path, "heavy_share"),))


_DAY_PREFIX = {"weekday": "weekday", "saturday": "sat", "sunday": "sun"}
_SHAPE_SUFFIX = {"A115": "_shape_all", "I94": "_shape"}


@dataclass(frozen=True)
class HourlyProfile:
    """One day of counts of one carriageway; every tuple has 24 entries, hour 0 first.

    ``share`` of the day's vehicles sums to one. ``heavy_share`` is None where heavy vehicles were
    not counted.
    """

    share: tuple[float, ...]
    mean_veh_h: tuple[float, ...]
    heavy_share: tuple[float, ...] | None


@cache
def hourly_profile(name: str, day_type: str) -> HourlyProfile:
    """The published profile ``name`` ("A115" or "I94") on a "weekday", "saturday" or "sunday".

    A115: Berlin motorway A115 inbound, two lanes, hourly detector counts 2023-24 (public
    road-traffic counts of the city, republished CC BY 4.0). I94: Interstate 94 westbound, 2016-18
    (UCI Machine Learning Repository, Metro Interstate Traffic Volume; CC BY 4.0 from memory).
    """
    with shared_path("reference", f"hourly_profile_{name}.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    day = _DAY_PREFIX[day_type]
    shape = [float(row[day + _SHAPE_SUFFIX[name]]) for row in rows]
    heavy = f"{day}_hgv_share"
    return HourlyProfile(
        share=tuple(value / sum(shape) for value in shape),
        mean_veh_h=tuple(float(row[f"{day}_mean_vph"]) for row in rows),
        heavy_share=tuple(float(row[heavy]) for row in rows) if heavy in rows[0] else None,
    )


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


def vehicles_of_lanes(
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
                    if any(flow.lane_veh_h(h, lane.number, vehicle.name) > 0 for h in range(HOURS))
                ]
    return found


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


BUSY_LANE_VEH_H = constants.BUSY_LANE_VEH_H.value
SLOW_M_S = 5.0
DENSE_SHARE = 0.5  # of a lane's length under vehicles; queues at rest reach about 0.8 (from memory)
MOST_AREA_SHARE = 0.8  # of a carriageway under vehicles, beyond any queue
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
        yield from _speed_names(flow.speeds, (*path, "speeds"), vehicles)
        if road is not None:
            yield from _road_problems(flow, path, road)


def speed_problems(table: TrafficTable, road: Road | None, vehicles: Vehicles) -> Iterator[Problem]:
    """[traffic.speeds] and lane_speed_factor name vehicles and carriageways that exist."""
    yield from _speed_names(table.speeds, ("traffic", "speeds"), vehicles)
    for name, factors in table.lane_speed_factor.items():
        path = ("traffic", "lane_speed_factor", name)
        way = road.carriageway(name) if road else None
        if way is not None:
            yield from _lane_count_problem(factors, way.lanes, name, path)
        elif road is not None:
            yield Problem(path, _unknown_carriageway(name, road))


def _speed_names(
    speeds: Mapping[str, SpeedTable], path: Path, vehicles: Vehicles
) -> Iterator[Problem]:
    for name in speeds:
        if canonical(name) not in vehicles:
            yield _unknown(name, vehicles, (*path, name))
        elif canonical(name) != name and canonical(name) in speeds:
            yield _twice(name, (*path, name))


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
    limit = road.limit_m_s
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
