"""[traffic] and [single_pass] as written in the file, and the keys that need each other."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Any, Literal

from pydantic import Field, Strict

from wakesim import constants
from wakesim.case.problems import Problem
from wakesim.case.tables import (
    FractionOrHourly,
    HourlyFlows,
    HourlyShares,
    Line,
    Mix,
    Shares,
    Table,
    given,
    one_speed,
)
from wakesim.case.toml_lines import Path
from wakesim.case.vehicle import NOSE_RADIUS_M

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
