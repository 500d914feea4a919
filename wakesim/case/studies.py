"""[map], [table] and [pass_table]: the grids of the studies that compute many states."""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Discriminator, Field, Strict, Tag
from pydantic_core import PydanticCustomError

from wakesim.case.tables import LIST, NUMBER, SPEED_UNITS, TABLE, TEXT, Table

BUSIEST = "busiest"
MOST_STATES = 2_000_000
# What each study needs besides the road and a mount.
STUDY_TABLES: dict[str, tuple[str, ...]] = {
    "traffic": ("traffic",),
    "single_pass": ("single_pass",),
    "mounting_map": ("traffic", "map"),
    "lookup_table": ("traffic", "table"),
    "single_pass_table": ("pass_table",),
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


class LookupTableTable(Table):
    """[table]: axes of a table of states; what is not an axis is as in the case.

    ``offset_m``: y of the rotor's axis.
    ``clearance_m``: from the side of the widest heavy vehicle in the outer lane to the rotor's
      axis, in place of offset_m.
    ``height_m``: centre of the rotor.
    ``flow_veh_h``: of the near carriageway; the others keep their ratio to it unless
      direction_split is an axis.
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


class PassTableTable(Table):
    """[pass_table]: single passes in still air over class, speed, clearance and height.

    ``classes``: of vehicles; without it all of the catalogue and the case.
    ``speed``: of the vehicles.
    """

    classes: Annotated[tuple[str, ...], Strict(False), Field(min_length=1)] | None = None
    speed_m_s: _PassSpeeds | None = None  # type: ignore[valid-type]
    speed_kmh: _PassKmh | None = None  # type: ignore[valid-type]
    speed_mph: _PassMph | None = None  # type: ignore[valid-type]
    clearance_m: _Clearances = Field(description="from the vehicle's side")  # type: ignore[valid-type]
    height_m: _Heights = Field(description="above the road")  # type: ignore[valid-type]

    @property
    def speeds_m_s(self) -> tuple[float, ...]:
        """Speeds of the vehicles, m/s."""
        for unit, factor in SPEED_UNITS.items():
            values = getattr(self, f"speed_{unit}")
            if values is not None:
                return tuple(float(v) * factor for v in values)
        return ()
