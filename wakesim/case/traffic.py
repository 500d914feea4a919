"""[traffic] and [single_pass]: flows, mixes and speeds of every hour and lane."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from typing import TYPE_CHECKING, Annotated, Any, ClassVar, Literal

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
    Mix,
    Shares,
    Table,
    given,
    normalised,
)
from wakesim.case.vehicle import Vehicle, canonical, name_problems, unknown_problem
from wakesim.errors import closest
from wakesim.runtime import shared_path

if TYPE_CHECKING:
    from wakesim.arrays import Array

_BUNCHING = ("bunching_s", "bunching_factor", "tanner")
_FLOW_WAYS = ("flow_veh_h", "hourly_veh_h", "hourly_share", "profile")

Factors = Annotated[
    tuple[Annotated[float, Field(ge=0.3, le=2)], ...], Strict(False), Field(min_length=1)
]


class Headway(Table):
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
    minimum_s: float = Field(default=0.0, gt=0, le=5)
    bunching_s: float | None = Field(default=None, ge=0, le=60)
    bunching_factor: float | None = Field(default=None, ge=0, le=5)
    tanner: bool = False

    @classmethod
    def key_rules(cls, raw: Mapping[str, Any]) -> Iterator[Problem]:
        """Each model has its own keys."""
        model = raw.get("model", "exponential")
        bunching = given(raw, *_BUNCHING[:2])
        bunching += ["tanner"] if raw.get("tanner") is True else []
        allowed = {"exponential": 0, "shifted_exponential": 1, "cowan_m3": 2}.get(str(model))
        if allowed is None:
            return
        if allowed and "minimum_s" not in raw:
            text = f"'minimum_s' is missing (model = \"{model}\" needs it, in s)"
            yield Problem((), text, missing=(("minimum_s",),))
        if not allowed and "minimum_s" in raw:
            text = 'only for model = "shifted_exponential" or "cowan_m3"'
            yield Problem(("minimum_s",), text, raw["minimum_s"])
        if allowed < 2:
            for key in bunching:
                yield Problem((key,), 'only for model = "cowan_m3"', raw[key])
        elif len(bunching) != 1:
            given_now = " and ".join(bunching) or "none"
            yield Problem(
                (),
                'model = "cowan_m3" needs exactly one of bunching_s, bunching_factor, '
                f"tanner = true; given: {given_now}",
                missing=() if bunching else tuple((key,) for key in _BUNCHING),
            )

    def free_share(self, flow_veh_s: float) -> float:
        """Share of vehicles that do not follow another at the minimum headway."""
        if self.tanner:
            return 1.0 - self.minimum_s * flow_veh_s
        if self.bunching_s is not None:
            return math.exp(-self.bunching_s * flow_veh_s)
        if self.bunching_factor is not None:
            return math.exp(-self.bunching_factor * self.minimum_s * flow_veh_s)
        return 1.0


class SpeedTable(Table):
    """[traffic.speeds.<vehicle>], or [traffic.flows.speeds.<vehicle>] of one carriageway.

    The mean within 5 to 90 m/s, the sd up to 20 m/s.

    ``mean``: mean speed of the class in place of the catalogue's.
    ``sd``: standard deviation between its vehicles; without it the catalogue's.
    """

    SPEEDS: ClassVar = {"mean": True, "sd": False}

    mean_m_s: float = Field(default=0.0, ge=5, le=90)
    mean_kmh: float | None = Field(default=None, ge=18, le=320)
    mean_mph: float | None = Field(default=None, ge=12, le=200)
    sd_m_s: float | None = Field(default=None, ge=0, le=20)
    sd_kmh: float | None = Field(default=None, ge=0, le=72)
    sd_mph: float | None = Field(default=None, ge=0, le=45)


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


@dataclass(frozen=True)
class Flow:
    """Traffic of one carriageway; hourly tuples have 24 entries, shares sum to one.

    ``counted``: vehicles an hour by (number of the lane, class) at every hour, in place of the
    flows by shares.
    """

    carriageway: str
    hourly_veh_h: tuple[float, ...]
    heavy_share: tuple[float, ...]
    light_mix: dict[str, float]
    heavy_mix: dict[str, float]
    light_lane_share: tuple[float, ...]
    heavy_lane_share: tuple[float, ...]
    speeds: dict[str, tuple[float, float | None]] = field(default_factory=dict)
    counted: Mapping[tuple[int, str], float] | None = None

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
        if self.counted is not None:
            return self.counted.get((number, vehicle), 0.0)
        total, heavy = self.hourly_veh_h[hour], self.heavy_share[hour]
        light_part = (1.0 - heavy) * self.light_lane_share[number - 1]
        heavy_part = heavy * self.heavy_lane_share[number - 1]
        return total * (
            light_part * self.light_mix.get(vehicle, 0.0)
            + heavy_part * self.heavy_mix.get(vehicle, 0.0)
        )


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

    @classmethod
    def key_rules(cls, raw: Mapping[str, Any]) -> Iterator[Problem]:
        """One way to give the flow, and a share of heavy vehicles where it has none."""
        ways, daily = given(raw, *_FLOW_WAYS), "daily_veh" in raw
        choice = "flow_veh_h, hourly_veh_h, daily_veh with hourly_share, or profile with day_type"
        if not ways:
            lead = "daily_veh alone does not give the hours" if daily else "the flow is missing"
            missing = tuple((key,) for key in _FLOW_WAYS)
            yield Problem((), f"{lead}: give exactly one of {choice}", missing=missing)
        elif len(ways) > 1:
            text = f"{' and '.join(ways)} exclude each other: give exactly one of {choice}"
            yield Problem((), text)
        elif ways == ["hourly_share"] and not daily:
            text = "'daily_veh' is missing (hourly_share divides it over the day)"
            yield Problem((), text, missing=(("daily_veh",),))
        elif ways[0] in ("flow_veh_h", "hourly_veh_h") and daily:
            yield Problem(("daily_veh",), f"not used together with {ways[0]}", raw["daily_veh"])
        if "profile" in ways and "day_type" not in raw:
            text = '\'day_type\' is missing ("weekday", "saturday" or "sunday" of the profile)'
            yield Problem((), text, missing=(("day_type",),))
        if ways and "profile" not in ways and "day_type" in raw:
            yield Problem(("day_type",), "only together with profile", raw["day_type"])
        if "heavy_share" not in raw and raw.get("profile") in (None, "I94"):
            why = "; this profile did not count heavy vehicles" if "profile" in raw else ""
            text = f"'heavy_share' is missing (one number, or 24 for the hours{why})"
            yield Problem((), text, missing=(("heavy_share",),))

    def rules(self) -> Iterator[Problem]:
        """Shares sum to one, and vehicles that drive have a mix."""
        if self.hourly_share is not None:
            yield from _sum_problem(self.hourly_share, ("hourly_share",))
        for key, mix in (("light_mix", self.light_mix), ("heavy_mix", self.heavy_mix)):
            if mix is not None:
                yield from _sum_problem(tuple(mix.values()), (key,))
            elif self._drives(key):
                kind = key.removesuffix("_mix")
                text = f"'{key}' is missing (shares of the {kind} vehicles, summing to 1)"
                yield Problem((), text, missing=((key,),))

    def _drives(self, key: str) -> bool:
        """Whether any hour has vehicles of this mix."""
        if self.heavy_share is None and self.profile != "A115":
            return False  # reported as a missing key already
        return any(x > 0 if key == "heavy_mix" else x < 1 for x in self.hourly_heavy_share())

    def hourly_flow(self) -> tuple[float, ...]:
        """Vehicles per hour for each of 24 hours, from whichever way was chosen."""
        if self.hourly_veh_h is not None:
            return self.hourly_veh_h
        if self.hourly_share is not None:
            daily = self.daily_veh or 0.0
            return tuple(daily * share for share in normalised(self.hourly_share))
        if self.profile is not None:
            profile = hourly_profile(self.profile, self.day_type or "weekday")
            if self.daily_veh is None:
                return profile.mean_veh_h
            return tuple(self.daily_veh * share for share in profile.share)
        return (self.flow_veh_h or 0.0,) * HOURS

    def hourly_heavy_share(self) -> tuple[float, ...]:
        """Share of heavy vehicles for each of 24 hours."""
        if isinstance(self.heavy_share, tuple):
            return self.heavy_share
        if self.heavy_share is not None:
            return (self.heavy_share,) * HOURS
        profile = hourly_profile(self.profile or "A115", self.day_type or "weekday")
        return profile.heavy_share or (0.0,) * HOURS

    def name_problems(self, vehicles: Mapping[str, Vehicle]) -> Iterator[Problem]:
        """Mixes and speeds name vehicles, each by one of its names."""
        for key, mix in (("light_mix", self.light_mix), ("heavy_mix", self.heavy_mix)):
            yield from _key_names(mix or {}, (key,), vehicles)
        yield from _key_names(self.speeds, ("speeds",), vehicles)

    def road_problems(self, road: Road) -> Iterator[Problem]:
        """The carriageway exists, and shares are those of its lanes."""
        way = road.carriageway(self.carriageway)
        if way is None:
            text = _unknown_carriageway(self.carriageway, road)
            yield Problem(("carriageway",), text, self.carriageway)
            return
        lights, heavies = self.light_lane_share, self.heavy_lane_share
        for key, shares in (("light_lane_share", lights), ("heavy_lane_share", heavies)):
            if shares is not None:
                yield from _lane_count_problem(shares, way.lanes, way.name, (key,))
                yield from _sum_problem(shares, (key,))

    def on(self, road: Road) -> Flow:
        """The flow on the lanes of the road; the tables must have passed their checks."""
        way = road.carriageway(self.carriageway)
        assert way is not None
        equal = (1.0 / way.lanes,) * way.lanes
        light, heavy = self.light_lane_share, self.heavy_lane_share
        return Flow(
            carriageway=self.carriageway,
            hourly_veh_h=self.hourly_flow(),
            heavy_share=self.hourly_heavy_share(),
            light_mix=_resolve_mix(self.light_mix),
            heavy_mix=_resolve_mix(self.heavy_mix),
            light_lane_share=normalised(light) if light else equal,
            heavy_lane_share=normalised(heavy) if heavy else equal,
            speeds={canonical(name): (v.mean_m_s, v.sd_m_s) for name, v in self.speeds.items()},
        )


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
    headway: Headway = Headway()
    flows: Annotated[tuple[FlowTable, ...], Strict(False)] = Field(
        min_length=1, description="write [[traffic.flows]] for each carriageway with traffic"
    )
    speeds: dict[str, SpeedTable] = Field(default_factory=dict)
    lane_speed_factor: dict[str, Factors] = Field(default_factory=dict)

    def cross_problems(
        self, road: Road | None, vehicles: Mapping[str, Vehicle]
    ) -> Iterator[Problem]:
        """Speeds and factors name vehicles and carriageways that exist; paths from the file on."""
        yield from _key_names(self.speeds, ("traffic", "speeds"), vehicles)
        for name, factors in self.lane_speed_factor.items():
            path = ("traffic", "lane_speed_factor", name)
            way = road.carriageway(name) if road else None
            if way is not None:
                yield from _lane_count_problem(factors, way.lanes, name, path)
            elif road is not None:
                yield Problem(path, _unknown_carriageway(name, road))

    def on(self, road: Road) -> Traffic:
        """The stream on the road; the tables must have passed their checks."""
        return Traffic(
            seed=self.seed,
            wander_sd_m=self.wander_sd_m,
            drafting=self.drafting,
            headway=self.headway,
            flows=tuple(flow.on(road) for flow in self.flows),
            lane_speed_factor=dict(self.lane_speed_factor),
        )


class SinglePassTable(Table):
    """[single_pass]: one vehicle at a time in one lane, no other air motion.

    ``vehicles``: the classes that pass; without it all of the catalogue and the case.
    ``lane``: counted from the outer lane, which is 1.
    ``speed``: of every class; without it each class has its own mean.
    """

    SPEEDS: ClassVar = {"speed": False}

    vehicles: Annotated[tuple[str, ...], Strict(False), Field(min_length=1)] | None = None
    carriageway: str = Field(description="name of a carriageway of the road")
    lane: int = Field(default=1, ge=1, le=8)
    speed_m_s: float | None = Field(default=None, ge=1, le=90)
    speed_kmh: float | None = Field(default=None, ge=3.6, le=320)
    speed_mph: float | None = Field(default=None, ge=2.3, le=200)

    def cross_problems(
        self, road: Road | None, vehicles: Mapping[str, Vehicle]
    ) -> Iterator[Problem]:
        """The lane and the vehicles exist and have a speed; paths from the file on."""
        way = road.carriageway(self.carriageway) if road else None
        if road is not None and way is None:
            text = _unknown_carriageway(self.carriageway, road)
            yield Problem(("single_pass", "carriageway"), text, self.carriageway)
        elif way is not None and self.lane > way.lanes:
            text = f"carriageway '{way.name}' has lanes 1 to {way.lanes} (1 is the outer one)"
            yield Problem(("single_pass", "lane"), text, self.lane)
        yield from name_problems(self.vehicles or (), ("single_pass", "vehicles"), vehicles)
        for name in () if self.speed_m_s is not None else self.vehicles or vehicles:
            vehicle = vehicles.get(canonical(name))
            if vehicle is not None and vehicle.mean_speed_m_s is None:
                text = f"a speed is missing: '{name}' is your own vehicle and has none"
                yield Problem(("single_pass",), text + "; add speed_kmh")

    def on(self, road: Road, names: list[str]) -> SinglePass:
        """The pass on the road; ``names`` are the vehicles used when the file names none."""
        lane = next(
            lane for lane in road.lanes
            if lane.carriageway == self.carriageway and lane.number == self.lane
        )  # fmt: skip
        chosen = names if self.vehicles is None else [canonical(name) for name in self.vehicles]
        return SinglePass(tuple(chosen), lane.index, self.speed_m_s)


def flow_problems(
    flows: Mapping[int, FlowTable], road: Road | None, vehicles: Mapping[str, Vehicle]
) -> Iterator[Problem]:
    """Each flow against the others, the road and the vehicles; ``flows`` by position."""
    taken: dict[str, int] = {}
    for i, flow in flows.items():
        found = list(flow.name_problems(vehicles))
        first = taken.setdefault(flow.carriageway, i)
        if first != i:
            text = f"this carriageway has its flow in traffic.flows[{first + 1}] already"
            found.append(Problem(("carriageway",), text, flow.carriageway))
        if road is not None:
            found += flow.road_problems(road)
        yield from (problem.below(i).below("flows").below("traffic") for problem in found)


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


def _resolve_mix(mix: dict[str, float] | None) -> dict[str, float]:
    if not mix:
        return {}
    shares = normalised(tuple(mix.values()))
    return dict(zip(map(canonical, mix), shares, strict=True))


def _key_names(
    table: Mapping[str, object], path: Path, vehicles: Mapping[str, Vehicle]
) -> Iterator[Problem]:
    """The keys of a table are vehicles, each by one of its names."""
    for name in table:
        if canonical(name) not in vehicles:
            yield unknown_problem(name, vehicles, (*path, name))
        elif canonical(name) != name and canonical(name) in table:
            text = f"'{name}' is another name of '{canonical(name)}', which is given already"
            yield Problem((*path, name), text, about=path)


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


def _unknown_carriageway(name: str, road: Road) -> str:
    names = [way.name for way in road.carriageways]
    guess = closest(name, names)
    hint = (
        f'did you mean "{guess}"?'
        if guess
        else "the road has " + ", ".join(f'"{known}"' for known in names)
    )
    return f"no carriageway of this name; {hint}"
