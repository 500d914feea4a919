"""Where rotors hang: the swept rectangle of each, checked against ground, wall and traffic."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any, Literal

from pydantic import Field

from wakesim import constants
from wakesim.case.problems import Problem
from wakesim.case.road import Lane, Road
from wakesim.case.tables import Name, Table
from wakesim.case.vehicle import Vehicle

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from wakesim.case.air import Wind

GROUND_GAP_M = 0.1
WANDER_SDS = 3.0  # a vehicle's path reaches this many standard deviations of wander
VALID_CLEARANCE_M = (
    constants.VALID_CLEARANCE_M.value
)  # nearer than this the wake laws are not validated
# Published air beside vehicles reaches about 6 m up and a few metres aside
# (shared/reference/on_road_tke.csv, near_road_experiments.csv); some way beyond, nothing is known.
VALID_HEIGHT_M, VALID_ASIDE_M = 10.0, 20.0
_ACROSS_SHARE = 0.1  # of the wind, taken as still along the road


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
    kind: Literal["post", "central_reservation", "overhead", "wall"]
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


_WITHOUT_WALL = ("post", "central_reservation", "overhead")
LaneVehicles = Mapping[int, list[Vehicle]]


def wall_key_problems(raw: Any) -> Iterator[Problem]:
    """A wall mount needs its wall, other kinds have none; works on the raw list of mounts."""
    for i, table in enumerate(raw if isinstance(raw, list) else []):
        if not isinstance(table, dict):
            continue
        if table.get("kind") == "wall" and "wall_offset_m" not in table:
            text = "'wall_offset_m' is missing (y of the wall face, in m; kind = \"wall\" needs it)"
            yield Problem(("mounts", i), text, missing=(("mounts", i, "wall_offset_m"),))
        elif "wall_offset_m" in table and table.get("kind") in _WITHOUT_WALL:
            text = f'only for kind = "wall"; this mount has kind = "{table["kind"]}"'
            yield Problem(("mounts", i, "wall_offset_m"), text, table["wall_offset_m"])


def mount_problems(mounts: Mapping[int, Mount], road: Road | None) -> Iterator[Problem]:
    """Names used twice, rectangles in the ground or in the wall; by position."""
    names: dict[str, int] = {}
    for i, mount in mounts.items():
        first = names.setdefault(mount.name.casefold(), i)
        if first != i:
            text = f"the name is taken by mounts[{first + 1}]"
            yield Problem(("mounts", i, "name"), text, mount.name)
        if mount.bottom_m < GROUND_GAP_M:
            text = (
                f"the rotor of {mount.rotor_height_m:g} m height would reach down to "
                f"{mount.bottom_m:.3g} m; it must stay at least {GROUND_GAP_M:g} m above the "
                f"ground: height_m at least {GROUND_GAP_M + mount.rotor_height_m / 2:g} m"
            )
            yield Problem(("mounts", i, "height_m"), text, mount.height_m)
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
    nearest = min(road.lanes, key=lambda lane: abs(lane.centre_m - mount.offset_m))
    outward = mount.offset_m >= nearest.centre_m
    if (wall > mount.offset_m) != outward:
        side = "higher" if outward else "lower"
        text = (
            f"the wall must stand beyond the mount as seen from lane '{nearest.name}': "
            f"at {side} y than the mount's offset_m = {mount.offset_m:g} m"
        )
        yield Problem(path, text, wall)


def path_problems(
    mounts: tuple[Mount, ...], lanes: tuple[Lane, ...], traffic: LaneVehicles, wander_sd_m: float
) -> Iterator[Problem]:
    """Mounts that vehicles would hit; ``traffic`` gives the vehicles of each lane index."""
    for i, mount in enumerate(mounts):
        for lane in lanes:
            hit = [
                vehicle
                for vehicle in traffic.get(lane.index, [])
                if rotor_gaps(mount, lane, vehicle, WANDER_SDS * wander_sd_m) == (0.0, 0.0)
            ]
            if hit:
                yield _hit(i, mount, lane, max(hit, key=lambda v: v.height_m), wander_sd_m)


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
        below = [w for w in road.carriageways if w.extent_m[1] <= mount.offset_m]
        above = [w for w in road.carriageways if w.extent_m[0] >= mount.offset_m]
        if mount.kind == "central_reservation" and not (below and above):
            yield (
                f"mount '{mount.name}': kind is central_reservation, "
                "but there are not carriageways on both sides of it"
            )
        if mount.kind == "overhead" and len(below) + len(above) == len(road.carriageways):
            yield f"mount '{mount.name}': kind is overhead, but no lane lies under it"


def wall_wind_warnings(mounts: tuple[Mount, ...], wind: Wind | None) -> Iterator[str]:
    """Wind that would blow through a mount's wall."""
    if wind is None:
        return
    across = abs(wind.speed_m_s * math.sin(math.radians(wind.angle_deg)))
    for mount in mounts:
        if mount.wall_offset_m is not None and across > _ACROSS_SHARE * wind.speed_m_s:
            yield (
                f"mount '{mount.name}': {across:.2g} m/s of the wind blow across the road as if "
                "there were no wall; beside a wall only wind along the road is sound"
            )
