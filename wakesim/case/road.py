"""The road: carriageways, and the lanes they are made of."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated, ClassVar, Literal

from pydantic import Field, Strict

from wakesim.case.messages import Problem
from wakesim.case.tables import Line, Name, Table

_TOUCH_M = 1e-6  # carriageways that share an edge line do not overlap


@dataclass(frozen=True)
class Lane:
    """One lane. ``direction`` is +1 along +x, -1 along -x; ``centre_m`` is its y."""

    index: int
    name: str
    carriageway: str
    number: int
    centre_m: float
    direction: int
    width_m: float


class Carriageway(Table):
    """Lanes of one direction, counted from the outer (near-side) edge line inwards.

    ``lane_width_m``: of each lane.
    ``hard_shoulder_m``: paved strip beyond the outer edge line.
    """

    name: Name = Field(description="a name of your choice, used by flows")
    direction: Literal["forward", "backward"] = Field(description='"forward" or "backward"')
    edge_offset_m: float = Field(ge=-200, le=200, description="y of the outer edge line")
    lanes: int = Field(ge=1, le=8, description="number of lanes")
    lane_width_m: float = Field(ge=2, le=6)
    hard_shoulder_m: float = Field(default=0.0, ge=0, le=10)

    @property
    def sign(self) -> int:
        """+1 for traffic along +x, -1 along -x."""
        return 1 if self.direction == "forward" else -1

    @property
    def extent_m(self) -> tuple[float, float]:
        """Lowest and highest y of the lanes."""
        inner = self.edge_offset_m - self.sign * self.lanes * self.lane_width_m
        return min(inner, self.edge_offset_m), max(inner, self.edge_offset_m)

    @property
    def paved_m(self) -> tuple[float, float]:
        """Lowest and highest y of lanes and hard shoulder."""
        low, high = self.extent_m
        outer = self.edge_offset_m + self.sign * self.hard_shoulder_m
        return min(low, outer), max(high, outer)

    def lane_centre_m(self, number: int) -> float:
        """y of the centre of lane ``number`` (1 is the outer one)."""
        return self.edge_offset_m - self.sign * (number - 0.5) * self.lane_width_m


class Road(Table):
    """A straight road section.

    ``speed_limit``: classes whose speed the case does not give drive at most so fast on average,
      with their deviation in the same proportion.
    """

    SPEEDS: ClassVar = {"speed_limit": False}

    name: Line = Field(description="name of the road section")
    carriageways: Annotated[tuple[Carriageway, ...], Strict(False)] = Field(
        min_length=1, max_length=8, description="write [[road.carriageways]] for each"
    )
    speed_limit_m_s: float | None = Field(default=None, ge=5, le=60)
    speed_limit_kmh: float | None = Field(default=None, ge=18, le=216)
    speed_limit_mph: float | None = Field(default=None, ge=12, le=134)

    @property
    def lanes(self) -> tuple[Lane, ...]:
        """All lanes, in the order of the carriageways and from the outer lane inwards."""
        lanes: list[Lane] = []
        for way in self.carriageways:
            for number in range(1, way.lanes + 1):
                lanes.append(
                    Lane(
                        index=len(lanes),
                        name=f"{way.name} {number}",
                        carriageway=way.name,
                        number=number,
                        centre_m=way.lane_centre_m(number),
                        direction=way.sign,
                        width_m=way.lane_width_m,
                    )
                )
        return tuple(lanes)

    def nearest_lane(self, offset_m: float) -> Lane:
        """The lane whose centre is nearest to an offset, m."""
        return min(self.lanes, key=lambda lane: abs(lane.centre_m - offset_m))

    def nearest_carriageway(self, offset_m: float) -> Carriageway:
        """The carriageway of the lane nearest to an offset, m."""
        name = self.nearest_lane(offset_m).carriageway
        return next(way for way in self.carriageways if way.name == name)

    def carriageway(self, name: str) -> Carriageway | None:
        """The carriageway of that name, None when there is none."""
        return next((way for way in self.carriageways if way.name == name), None)

    def rules(self) -> Iterator[Problem]:
        """No name twice and no carriageway on another."""
        for i, way in enumerate(self.carriageways):
            path = ("carriageways", i)
            for j, other in enumerate(self.carriageways[:i]):
                if way.name.casefold() == other.name.casefold():
                    text = f"the name is taken by road.carriageways[{j + 1}]"
                    yield Problem((*path, "name"), text, way.name)
                low = max(way.extent_m[0], other.extent_m[0])
                high = min(way.extent_m[1], other.extent_m[1])
                if high - low > _TOUCH_M:
                    text = (
                        f"its lanes lie on those of '{other.name}' between y = {low:g} and "
                        f"{high:g} m; lanes of a forward carriageway reach from the edge line to "
                        "lower y, those of a backward one to higher y"
                    )
                    yield Problem((*path, "edge_offset_m"), text, way.edge_offset_m)
