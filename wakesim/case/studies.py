"""[map], [table] and [pass_table]: the grids of the studies that compute many states.

Each says where its places are, what is wrong with them and what the model does not know there.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Annotated, Any, ClassVar, Literal

from pydantic import AfterValidator, Discriminator, Field, Strict, Tag
from pydantic_core import PydanticCustomError

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
from wakesim.case.tables import LIST, NUMBER, TABLE, TEXT, Table, given
from wakesim.case.vehicle import Vehicle, name_problems

BUSIEST = "busiest"
MOST_STATES = 2_000_000
# What each study needs besides the road and a mount.
STUDY_TABLES: dict[str, tuple[str, ...]] = {
    "traffic": ("traffic",),
    "single_pass": ("single_pass",),
    "mounting_map": ("traffic", "map"),
    "lookup_table": ("traffic", "table"),
    "single_pass_table": ("pass_table",),
    "year": ("traffic", "year", "rotor"),
}
GRID_STUDIES = ("mounting_map", "lookup_table", "single_pass_table")
TRAFFIC_STUDIES = tuple(name for name, needs in STUDY_TABLES.items() if "traffic" in needs)


def _rising(values: tuple[float, ...]) -> tuple[float, ...]:
    for low, high in pairwise(values):
        if not low < high:
            text = "must rise from value to value; {high} follows {low}"
            raise PydanticCustomError("rising", text, {"low": f"{low:g}", "high": f"{high:g}"})
    return values


def _check_busiest(text: str) -> str:
    if text != BUSIEST:
        raise PydanticCustomError(
            "busiest", 'must be a whole number from 0 to 23, or the word "busiest"'
        )
    return text


def _list_or_table(value: Any) -> str:
    return TABLE if isinstance(value, dict) else LIST


def _number_or_text(value: Any) -> str:
    return TEXT if isinstance(value, str) else NUMBER


class Range(Table):
    """Equal steps: { from_m = 1.0, to_m = 6.0, count = 30 }."""

    from_m: float = Field(ge=-200, le=200)
    to_m: float = Field(ge=-200, le=200)
    count: int = Field(ge=2, le=400)

    def rules(self) -> Iterator[Problem]:
        """From low to high."""
        if not self.from_m < self.to_m:
            yield Problem(("to_m",), f"must be above from_m = {self.from_m:g} m", self.to_m)

    @property
    def values(self) -> tuple[float, ...]:
        """The values, rounded to a tenth of a millimetre."""
        step = (self.to_m - self.from_m) / (self.count - 1)
        return tuple(round(self.from_m + k * step, 4) for k in range(self.count))


def _axis(low: float, high: float, least: int = 1, most: int = 400) -> Any:
    value = Annotated[float, Field(ge=low, le=high)]
    return Annotated[
        tuple[value, ...],
        Strict(False),
        Field(min_length=least, max_length=most),
        AfterValidator(_rising),
    ]


_Offsets, _Heights = _axis(-200, 200), _axis(0.05, 50)
_MapOffsets, _MapHeights = _axis(-200, 200, 2), _axis(0.05, 50, 2)
_Clearances, _Flows = _axis(0.05, 100), _axis(0, 20000)
_Shares, _Splits = _axis(0, 1), _axis(0.01, 0.99)
_Factors, _WindSpeeds, _Angles = _axis(0.3, 2), _axis(0, 40), _axis(-360, 360)
_PassSpeeds = _axis(1, 90)
_PassKmh, _PassMph = _axis(3.6, 320), _axis(2.3, 200)

OffsetsOrRange = Annotated[
    Annotated[Range, Tag(TABLE)] | Annotated[_MapOffsets, Tag(LIST)],  # type: ignore[valid-type]
    Discriminator(_list_or_table),
]
HeightsOrRange = Annotated[
    Annotated[Range, Tag(TABLE)] | Annotated[_MapHeights, Tag(LIST)],  # type: ignore[valid-type]
    Discriminator(_list_or_table),
]
Hour = Annotated[
    Annotated[int, Field(ge=0, le=23), Tag(NUMBER)]
    | Annotated[str, AfterValidator(_check_busiest), Tag(TEXT)],
    Discriminator(_number_or_text),
]


@dataclass(frozen=True)
class Surroundings:
    """What the places of a study are held against.

    ``mount``: the one whose rotor is taken. ``traffic``: the vehicles of each lane index.
    """

    mount: Mount
    road: Road
    traffic: LaneVehicles
    wander_sd_m: float
    has_wind: bool

    def aside_m(self, offset_m: float) -> float:
        """From the nearest lane's edge to an axis, m; negative over a lane."""
        return min(abs(lane.centre_m - offset_m) - lane.width_m / 2 for lane in self.road.lanes)

    def ground_problem(self, path: tuple[str, ...], height: float) -> Iterator[Problem]:
        """A rotor of that height must stay above the ground."""
        rotor_m = self.mount.rotor_height_m
        least = GROUND_GAP_M + rotor_m / 2
        if height < least - 1e-9:
            text = (
                f"{height:g} m: the rotor of {rotor_m:g} m height must stay {GROUND_GAP_M:g} m "
                f"above the ground: at least {least:g} m"
            )
            yield Problem(path, text)


def _close_warnings(name: str, clearances: Sequence[float] | None, half_m: float) -> Iterator[str]:
    """``half_m``: what of the clearance the rotor takes."""
    if clearances and min(clearances) - half_m < VALID_CLEARANCE_M:
        yield (
            f"[{name}]: clearance_m begins at {min(clearances):g} m; where less than "
            f"{VALID_CLEARANCE_M:g} m are left between vehicle and rotor, results are not validated"
        )


class MapTable(Table):
    """[map]: where a rotor of the mount's size could hang, over height and offset.

    ``hour``: clock hour whose traffic is taken.
    ``keep_out_m``: the whole rotor stays so far beyond the paved road, unless all of it is at
      least headroom_m above the road; the road authority decides.
    ``keep_out_from``: the hard shoulder's outer edge, or the edge line.
    ``headroom_m``: 5.7 m is United Kingdom practice for light structures over a road, from memory.
    """

    offset_m: OffsetsOrRange = Field(description="y of the rotor axis: a list, or from_m, to_m")
    height_m: HeightsOrRange = Field(description="centre of the rotor: a list, or from_m, to_m")
    hour: Hour = BUSIEST
    keep_out_m: float = Field(default=0.5, ge=0, le=20)
    keep_out_from: Literal["hard_shoulder", "edge_line"] = "hard_shoulder"
    headroom_m: float = Field(default=5.7, ge=2, le=20)

    @property
    def offsets(self) -> tuple[float, ...]:
        """Offsets, m."""
        return self.offset_m.values if isinstance(self.offset_m, Range) else self.offset_m

    @property
    def heights(self) -> tuple[float, ...]:
        """Heights, m."""
        return self.height_m.values if isinstance(self.height_m, Range) else self.height_m

    def place_problems(self, around: Surroundings) -> Iterator[Problem]:
        """Some height must keep the rotor above the ground."""
        yield from around.ground_problem(("map", "height_m"), max(self.heights))

    def place_warnings(self, around: Surroundings) -> Iterator[str]:
        """Places beyond what the model knows."""
        top = max(self.heights) + around.mount.rotor_height_m / 2
        yield from beyond_warnings("[map]", max(map(around.aside_m, self.offsets)), top)


class StateTable(Table):
    """[table]: axes of a table of states; what is not an axis is as in the case.

    With [rotor] every state has a power coefficient as well.

    ``offset_m``: y of the rotor's axis.
    ``clearance_m``: from the side of the widest heavy vehicle in the outer lane to the rotor's
      axis, in place of offset_m.
    ``height_m``: centre of the rotor.
    ``flow_veh_h``: of the near carriageway, 0 for the wind alone; the others keep their ratio to it
      unless direction_split is an axis.
    ``heavy_share``: of all carriageways.
    ``speed_factor``: on all speeds.
    ``wind_speed_m_s``: at the case's reference height.
    ``wind_angle_deg``: direction it blows to: 0 along +x.
    ``direction_split``: share of the near carriageway in the flow of both.
    ``hour``: clock hour whose traffic is taken.
    ``tolerance``: relative, of the effective speed; adds values to an axis where interpolation
      between its values misses more.
    ``most_states``: limit of the table with what the tolerance adds.
    """

    offset_m: _Offsets | None = None  # type: ignore[valid-type]
    clearance_m: _Clearances | None = None  # type: ignore[valid-type]
    height_m: _Heights | None = None  # type: ignore[valid-type]
    flow_veh_h: _Flows | None = None  # type: ignore[valid-type]
    heavy_share: _Shares | None = None  # type: ignore[valid-type]
    speed_factor: _Factors | None = None  # type: ignore[valid-type]
    wind_speed_m_s: _WindSpeeds | None = None  # type: ignore[valid-type]
    wind_angle_deg: _Angles | None = None  # type: ignore[valid-type]
    direction_split: _Splits | None = None  # type: ignore[valid-type]
    hour: Hour = BUSIEST
    tolerance: Annotated[float, Field(ge=1e-3, le=0.5)] | None = None
    most_states: int = Field(default=200_000, ge=1, le=MOST_STATES)

    @property
    def axes(self) -> dict[str, tuple[float, ...]]:
        """The axes given, place first."""
        found = {name: getattr(self, name) for name in AXES}
        return {name: values for name, values in found.items() if values is not None}

    @classmethod
    def key_rules(cls, raw: Mapping[str, Any]) -> Iterator[Problem]:
        """At least one axis, and one across the road at most."""
        if not given(raw, *AXES):
            text = f"no axis is given: at least one of {', '.join(AXES)}"
            yield Problem((), text, missing=tuple((key,) for key in AXES))
        if len(given(raw, "offset_m", "clearance_m")) == 2:
            text = "give offset_m or clearance_m, not both: each sets the place across the road"
            yield Problem(("clearance_m",), text)

    def offsets(self, around: Surroundings) -> tuple[float, ...]:
        """y of the rotor axis for each value of the axis across the road, m."""
        if self.offset_m is not None:
            return tuple(self.offset_m)
        if self.clearance_m is None:
            return (around.mount.offset_m,)
        return offsets_of_clearances(self.clearance_m, around.mount, around.road, around.traffic)

    def place_problems(self, around: Surroundings) -> Iterator[Problem]:
        """What only the whole case shows: size, wind, and places where no rotor can be."""
        states = math.prod(len(values) for values in self.axes.values())
        if states > self.most_states:
            text = f"has {states} states, more than most_states = {self.most_states}"
            yield Problem(("table",), text)
        if self.height_m is not None:
            yield from around.ground_problem(("table", "height_m"), min(self.height_m))
        if self.wind_angle_deg is not None and self.wind_speed_m_s is None and not around.has_wind:
            text = "needs a wind: an axis wind_speed_m_s, or [air.wind]"
            yield Problem(("table", "wind_angle_deg"), text)
        if self.wind_speed_m_s is not None and self.wind_angle_deg is None and not around.has_wind:
            text = "needs a direction: an axis wind_angle_deg, or [air.wind] with its angle_deg"
            yield Problem(("table", "wind_speed_m_s"), text)
        ways = len(around.road.carriageways)
        driven = {
            lane.carriageway for lane in around.road.lanes if around.traffic.get(lane.index)
        }  # fmt: skip
        if self.direction_split is not None and ways != 2:
            text = f"needs a road of two carriageways; this one has {ways}"
            yield Problem(("table", "direction_split"), text)
        elif self.direction_split is not None and len(driven) == 1:
            text = f"needs [[traffic.flows]] of both carriageways; only '{min(driven)}' has any"
            yield Problem(("table", "direction_split"), text)
        if self.clearance_m is not None and not around.mount.support.beside_road:
            text = f'is for mounts beside the road; kind = "{around.mount.kind}" takes offset_m'
            yield Problem(("table", "clearance_m"), text)
        else:
            yield from self._path_problems(around)

    def _path_problems(self, around: Surroundings) -> Iterator[Problem]:
        """Places where a vehicle would hit the rotor: one line for the first."""
        mount, offsets = around.mount, self.offsets(around)
        key = next((k for k in PLACE_AXES if k in self.axes), "offset_m")
        low = min(self.height_m) if self.height_m else mount.height_m
        for shown, offset in zip(self.axes.get(key, offsets), offsets, strict=False):
            place = mount.model_copy(update={"offset_m": offset, "height_m": low})
            wall = mount.wall_offset_m
            if wall is not None and place.span_m[0] < wall < place.span_m[1]:
                text = f"at {shown:g} m the rotor reaches through the wall at y = {wall:g} m"
                yield Problem(("table", key), text)
                return
            hit = vehicle_in_the_way(place, around.road.lanes, around.traffic, around.wander_sd_m)
            if hit is not None:
                lane, vehicle = hit
                text = (
                    f"at {shown:g} m (y = {offset:.3g} m, centre {low:g} m high) the rotor is in "
                    f"the path of {vehicle.name} in lane '{lane.name}' (half its width and "
                    f"{WANDER_SDS:g} x wander_sd_m)"
                )
                yield Problem(("table", key), text)
                return

    def place_warnings(self, around: Surroundings) -> Iterator[str]:
        """Places beyond what the model knows."""
        mount = around.mount
        top = max(self.height_m or (mount.height_m,)) + mount.rotor_height_m / 2
        farthest = max(map(around.aside_m, self.offsets(around)))
        yield from beyond_warnings("[table]", farthest, top)
        yield from _close_warnings("table", self.clearance_m, mount.rotor_width_m / 2)


PLACE_AXES = ("offset_m", "clearance_m", "height_m")
AXES = (
    *PLACE_AXES,
    "flow_veh_h",
    "heavy_share",
    "speed_factor",
    "wind_speed_m_s",
    "wind_angle_deg",
    "direction_split",
)


class PassTable(Table):
    """[pass_table]: single passes in still air over class, speed, clearance and height.

    ``classes``: of vehicles; without it all of the catalogue and the case.
    ``speed``: of the vehicles.
    """

    SPEEDS: ClassVar = {"speed": True}

    classes: Annotated[tuple[str, ...], Strict(False), Field(min_length=1)] | None = None
    speed_m_s: _PassSpeeds | None = None  # type: ignore[valid-type]
    speed_kmh: _PassKmh | None = None  # type: ignore[valid-type]
    speed_mph: _PassMph | None = None  # type: ignore[valid-type]
    clearance_m: _Clearances = Field(description="from the vehicle's side")  # type: ignore[valid-type]
    height_m: _Heights = Field(description="above the road")  # type: ignore[valid-type]

    def class_problems(self, vehicles: Mapping[str, Vehicle]) -> Iterator[Problem]:
        """The classes exist, each once."""
        yield from name_problems(self.classes or (), ("pass_table", "classes"), vehicles)

    def place_problems(self, around: Surroundings) -> Iterator[Problem]:
        """None: its places are told from the vehicles."""
        yield from ()

    def place_warnings(self, around: Surroundings) -> Iterator[str]:
        """Places beyond what the model knows."""
        yield from beyond_warnings("[pass_table]", max(self.clearance_m), max(self.height_m))
        yield from _close_warnings("pass_table", self.clearance_m, 0.0)
