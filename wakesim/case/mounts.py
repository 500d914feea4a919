"""Where rotors hang: the swept rectangle of each, checked against ground, wall and traffic.

A new kind of mount is a new entry of KINDS: messages, keys, map, report and figures ask it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from pydantic import Field

from wakesim import constants
from wakesim.case.messages import Problem
from wakesim.case.road import Lane, Road
from wakesim.case.tables import Name, Table
from wakesim.case.vehicle import Vehicle

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

GROUND_GAP_M = 0.1
WANDER_SDS = 3.0  # a vehicle's path reaches this many standard deviations of wander
# Nearer than this the wake laws are not validated.
VALID_CLEARANCE_M = constants.VALID_CLEARANCE_M.value
# Published air beside vehicles reaches about 6 m up and a few metres aside
# (shared/reference/on_road_tke.csv, near_road_experiments.csv); some way beyond, nothing is known.
VALID_HEIGHT_M, VALID_ASIDE_M = 10.0, 20.0


@dataclass(frozen=True)
class PlaceKind:
    """A part of the road's cross-section, as a map of mounting places tells them apart.

    ``name`` stands in files, ``label`` in sentences, ``marker`` in figures (matplotlib's).
    """

    name: str
    label: str
    marker: str


ROADSIDE = PlaceKind("roadside", "roadside", "o")
RESERVATION = PlaceKind("central_reservation", "central reservation", "s")
OVERHEAD = PlaceKind("overhead", "overhead", "^")
PLACE_KINDS = {place.name: place for place in (ROADSIDE, RESERVATION, OVERHEAD)}


def place_kind(road: Road, offset_m: float, over_road: bool) -> PlaceKind:
    """What lies at an offset, m; ``over_road``: so near to the road that it is the road's."""
    if over_road:
        return OVERHEAD
    below = any(way.paved_m[1] <= offset_m for way in road.carriageways)
    above = any(way.paved_m[0] >= offset_m for way in road.carriageways)
    return RESERVATION if below and above else ROADSIDE


@dataclass(frozen=True)
class MountKind:
    """What a rotor hangs on; ``label`` is its name in the report.

    ``place`` is where such mounts are found, ``stands`` whether a post carries it from the ground
    (else a beam over the road), ``walled`` whether a wall stands behind it, ``beside_road``
    whether its distance from the vehicles can be a clearance. ``doubt`` says what does not fit
    where a mount hangs, given its offset in m; empty when it fits.
    """

    label: str
    place: PlaceKind
    stands: bool = True
    walled: bool = False
    beside_road: bool = True
    doubt: Callable[[Road, float], str] = lambda road, offset_m: ""


def _sides(road: Road, offset_m: float) -> tuple[int, int]:
    """Carriageways that lie wholly below an offset and wholly above it, m."""
    below = sum(way.extent_m[1] <= offset_m for way in road.carriageways)
    return below, sum(way.extent_m[0] >= offset_m for way in road.carriageways)


def _not_between(road: Road, offset_m: float) -> str:
    fits = all(_sides(road, offset_m))
    return "" if fits else "there are not carriageways on both sides of it"


def _not_over_a_lane(road: Road, offset_m: float) -> str:
    fits = sum(_sides(road, offset_m)) < len(road.carriageways)
    return "" if fits else "no lane lies under it"


KINDS: dict[str, MountKind] = {
    "post": MountKind("post beside the road", ROADSIDE),
    "central_reservation": MountKind(
        "post in the central reservation", RESERVATION, beside_road=False, doubt=_not_between
    ),
    "overhead": MountKind(
        "overhead, on a gantry or bridge", OVERHEAD,
        stands=False, beside_road=False, doubt=_not_over_a_lane,
    ),
    "wall": MountKind("beside a wall", ROADSIDE, walled=True),
}  # fmt: skip
_WALLED = " or ".join(f'kind = "{name}"' for name, kind in KINDS.items() if kind.walled)
if TYPE_CHECKING:
    KindName = str
else:
    KindName = Literal[tuple(KINDS)]


class Mount(Table):
    """A rotor's place, and the rectangle that it sweeps around it.

    ``kind``: what it hangs on: a post beside the road, between the carriageways, a bridge or
      gantry over a lane, before a wall.
    ``rotor_width_m``: of the swept rectangle, along y.
    ``rotor_height_m``: of the swept rectangle.
    ``wall_offset_m``: y of the wall's face, for kind = "wall".
    ``cut_in_m_s``: lowest speed that counts as useful; 1.2 m/s is common practice, no published
      source.
    """

    name: Name = Field(description="a name of your choice, used in every output")
    kind: KindName
    offset_m: float = Field(ge=-200, le=200, description="y of the rotor axis")
    height_m: float = Field(gt=0, le=50, description="centre of the swept rectangle")
    rotor_width_m: float = Field(ge=0.01, le=20)
    rotor_height_m: float = Field(ge=0.01, le=20)
    wall_offset_m: float | None = Field(default=None, ge=-200, le=200)
    cut_in_m_s: float = Field(default=constants.CUT_IN_M_S.value, ge=0, le=10)

    @property
    def span_m(self) -> tuple[float, float]:
        """Lowest and highest y of the swept rectangle."""
        half = self.rotor_width_m / 2
        return self.offset_m - half, self.offset_m + half

    @property
    def bottom_m(self) -> float:
        """Lowest point of the swept rectangle above the road."""
        return self.height_m - self.rotor_height_m / 2

    @classmethod
    def key_rules(cls, raw: Mapping[str, Any]) -> Iterator[Problem]:
        """A mount before a wall needs its wall, other kinds have none."""
        name = raw.get("kind")
        kind = KINDS.get(name) if isinstance(name, str) else None
        if kind is None:
            return
        if kind.walled and "wall_offset_m" not in raw:
            text = (
                f"'wall_offset_m' is missing (y of the wall face, in m; kind = \"{name}\" needs it)"
            )
            yield Problem((), text, missing=(("wall_offset_m",),))
        elif "wall_offset_m" in raw and not kind.walled:
            text = f'only for {_WALLED}; this mount has kind = "{name}"'
            yield Problem(("wall_offset_m",), text, raw["wall_offset_m"])

    def rules(self) -> Iterator[Problem]:
        """The rectangle must stay above the ground."""
        if self.bottom_m < GROUND_GAP_M:
            text = (
                f"the rotor of {self.rotor_height_m:g} m height would reach down to "
                f"{self.bottom_m:.3g} m; it must stay at least {GROUND_GAP_M:g} m above the "
                f"ground: height_m at least {GROUND_GAP_M + self.rotor_height_m / 2:g} m"
            )
            yield Problem(("height_m",), text, self.height_m)

    @property
    def support(self) -> MountKind:
        """What it hangs on."""
        return KINDS[self.kind]

    def points(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Nine midpoints of equal parts of the rectangle.

        Returns (y, z) of shape (9, 2) in m, index 4 being the centre, and area shares (9,) that
        sum to one.
        """
        import numpy as np

        steps = np.array([-1.0, 0.0, 1.0]) / 3.0
        y, z = np.meshgrid(
            self.offset_m + steps * self.rotor_width_m,
            self.height_m + steps * self.rotor_height_m,
            indexing="ij",
        )
        return np.column_stack([y.ravel(), z.ravel()]), np.full(9, 1.0 / 9.0)


LaneVehicles = Mapping[int, list[Vehicle]]


def mount_problems(mounts: Mapping[int, Mount], road: Road | None) -> Iterator[Problem]:
    """Names used twice, and walls that do not fit the road; by position."""
    names: dict[str, int] = {}
    for i, mount in mounts.items():
        first = names.setdefault(mount.name.casefold(), i)
        if first != i:
            text = f"the name is taken by mounts[{first + 1}]"
            yield Problem(("mounts", i, "name"), text, mount.name)
        if mount.wall_offset_m is not None and road is not None:
            yield from _wall_problems(i, mount, mount.wall_offset_m, road)


def _wall_problems(i: int, mount: Mount, wall: float, road: Road) -> Iterator[Problem]:
    path = ("mounts", i, "wall_offset_m")
    low, high = mount.span_m
    for way in road.carriageways:
        if way.extent_m[0] < wall < way.extent_m[1]:
            yield Problem(path, f"the wall would stand in the lanes of '{way.name}'", wall)
            return
    if low < wall < high:
        text = f"the rotor reaches from y = {low:g} to {high:g} m, through the wall"
        yield Problem(path, text, wall)
        return
    nearest = road.nearest_lane(mount.offset_m)
    outward = mount.offset_m >= nearest.centre_m
    if (wall > mount.offset_m) != outward:
        side = "higher" if outward else "lower"
        text = (
            f"the wall must stand beyond the mount as seen from lane '{nearest.name}': "
            f"at {side} y than the mount's offset_m = {mount.offset_m:g} m"
        )
        yield Problem(path, text, wall)


def vehicle_in_the_way(
    place: Mount, lanes: tuple[Lane, ...], traffic: LaneVehicles, wander_sd_m: float
) -> tuple[Lane, Vehicle] | None:
    """The highest vehicle that would hit a rotor at a place, and its lane; None when none does."""
    hits = [
        (lane, vehicle)
        for lane in lanes
        for vehicle in traffic.get(lane.index, [])
        if rotor_gaps(place, lane, vehicle, WANDER_SDS * wander_sd_m) == (0.0, 0.0)
    ]
    return max(hits, key=lambda item: item[1].height_m, default=None)


def offsets_of_clearances(
    clearances: tuple[float, ...], mount: Mount, road: Road, traffic: LaneVehicles
) -> tuple[float, ...]:
    """y of an axis so far from the side of the widest heavy vehicle in the outer lane, m.

    The lane is that of the carriageway nearest to the mount; without heavy vehicles the widest.
    """
    way = road.nearest_carriageway(mount.offset_m)
    outer = next(lane for lane in road.lanes if (lane.carriageway, lane.number) == (way.name, 1))
    there = list(traffic.get(outer.index, [])) or [v for row in traffic.values() for v in row]
    heavy = [vehicle for vehicle in there if vehicle.heavy] or there
    half = max((vehicle.width_m for vehicle in heavy), default=0.0) / 2
    return tuple(way.lane_centre_m(1) + way.sign * (half + c) for c in clearances)


def path_problems(
    mounts: tuple[Mount, ...], lanes: tuple[Lane, ...], traffic: LaneVehicles, wander_sd_m: float
) -> Iterator[Problem]:
    """Mounts that vehicles would hit; ``traffic`` gives the vehicles of each lane index."""
    for i, mount in enumerate(mounts):
        for lane in lanes:
            hit = vehicle_in_the_way(mount, (lane,), traffic, wander_sd_m)
            if hit is not None:
                yield _hit(i, mount, *hit, wander_sd_m)


def _hit(i: int, mount: Mount, lane: Lane, vehicle: Vehicle, wander_sd_m: float) -> Problem:
    half = vehicle.width_m / 2 + WANDER_SDS * wander_sd_m
    low, high = mount.span_m
    text = (
        f"mount inside a vehicle's path: the rotor spans y = {low:g} to {high:g} m down to "
        f"z = {mount.bottom_m:g} m, and in lane '{lane.name}' {vehicle.name} "
        f"({vehicle.height_m:g} m high) takes y = {lane.centre_m - half:.3g} to "
        f"{lane.centre_m + half:.3g} m (half its width and {WANDER_SDS:g} x wander_sd_m)"
    )
    return Problem(("mounts", i), text)


def rotor_gaps(mount: Mount, lane: Lane, vehicle: Vehicle, wander_m: float) -> tuple[float, float]:
    """Sideways and upward gap between a rotor and a vehicle in its lane, m; 0 where they meet."""
    half = (mount.rotor_width_m + vehicle.width_m) / 2 + wander_m
    sideways = abs(mount.offset_m - lane.centre_m) - half
    return max(0.0, sideways), max(0.0, mount.bottom_m - vehicle.height_m)


def range_warnings(mount: Mount, road: Road, traffic: LaneVehicles) -> Iterator[str]:
    """What the model does not know at a mount: too near to vehicles, too high, too far aside."""
    near = [
        (math.hypot(*rotor_gaps(mount, lane, vehicle, 0.0)), lane, vehicle)
        for lane in road.lanes
        for vehicle in traffic.get(lane.index, [])
    ]
    if near:
        gap, lane, vehicle = min(near, key=lambda item: item[0])
        if gap < VALID_CLEARANCE_M:
            yield (
                f"mount '{mount.name}': {vehicle.name} in lane '{lane.name}' passes the rotor "
                f"at {gap:.2f} m; below {VALID_CLEARANCE_M:g} m, in the shear layers of vehicle "
                "and recirculation bubble, results are not validated"
            )
    used = [lane for lane in road.lanes if traffic.get(lane.index)] or road.lanes
    aside = min(abs(lane.centre_m - mount.offset_m) - lane.width_m / 2 for lane in used)
    top = mount.height_m + mount.rotor_height_m / 2
    yield from beyond_warnings(f"mount '{mount.name}'", aside, top)


def beyond_warnings(what: str, aside_m: float, top_m: float) -> Iterator[str]:
    """Places farther from the traffic than the measurements that the model is held against."""
    if top_m > VALID_HEIGHT_M:
        yield (
            f"{what}: reaches {top_m:.3g} m above the road; above {VALID_HEIGHT_M:g} m the "
            "model is held against no measurement, and its figures are extrapolated"
        )
    if aside_m > VALID_ASIDE_M:
        yield (
            f"{what}: lies {aside_m:.3g} m from the nearest lane; beyond {VALID_ASIDE_M:g} m the "
            "model is held against no measurement, and its figures are extrapolated"
        )


def mount_warnings(mounts: tuple[Mount, ...], road: Road) -> Iterator[str]:
    """Kinds that do not fit where the mount hangs."""
    for mount in mounts:
        doubt = mount.support.doubt(road, mount.offset_m)
        if doubt:
            yield f"mount '{mount.name}': kind is {mount.kind}, but {doubt}"
