"""Figure: the road in cross-section, to scale, with vehicles, mount and dimensions."""

from __future__ import annotations

import textwrap
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import FancyBboxPatch

from wakesim.outputs import wording
from wakesim.outputs.figures import style
from wakesim.outputs.figures.style import Kind

if TYPE_CHECKING:
    from wakesim.case.schema import Case, Lane, Mount
    from wakesim.case.vehicle import Vehicle
    from wakesim.results import MountResult, Result

_VEHICLE, _VEHICLE_EDGE, _ROTOR_EDGE = "#dbe7f0", "#35536b", "#8a3b00"
FONT_SIZE = 7.2
CHARACTER = 0.52  # width of a character over the height of a line
_LINE_SHARE = 0.0185  # height of a line of FONT_SIZE text over the width of the drawing
_HALO = {"facecolor": "white", "edgecolor": "none", "pad": 0.6, "alpha": 0.85}
_SLAB_M = 0.25
_MARGIN_M = 1.6
_TIRE_M = 0.28
_DRAWN_IN = 6.55  # width of the drawing
_BELOW_IN = 0.47  # room for ticks and axis text


def draw(result: Result, mount: MountResult) -> Figure:
    """Road, vehicles, mount and dimensions with equal scales on both axes."""
    case = result.case
    left, right = _span(case, mount.mount)
    outlines = lane_vehicles(case)
    top = max(
        mount.mount.height_m + mount.mount.rotor_height_m / 2 + 0.5,
        max((vehicle.height_m for vehicle in outlines.values()), default=2.0) + 0.5,
    )
    text = _line_height(right - left)
    bottom = -_SLAB_M - 5.0 * text
    drawn_in = (top - bottom) * _DRAWN_IN / (right - left)
    height = drawn_in + _BELOW_IN + 0.42
    title = f"Cross-section, mount {mount.mount.name}"
    figure = style.new_figure(result, title, height)
    figure.set_layout_engine("none")  # the scale is given: no room to share out
    share = (_DRAWN_IN / style.WIDTH_IN, drawn_in / height)
    corner = (1.0 - share[0] - 0.1 / style.WIDTH_IN, _BELOW_IN / height)
    axes = figure.add_axes((*corner, *share))
    axes.set(xlim=(left, right), ylim=(bottom, top), aspect="equal")
    axes.grid(visible=False)
    style.road_strip(axes, case.road, -_SLAB_M)
    for index, vehicle in outlines.items():
        lane = case.road.lanes[index]
        _vehicle(axes, lane.centre_m, vehicle)
        _vehicle_name(axes, lane, vehicle, text)
    _lane_names(axes, case, text)
    _mount(axes, case, mount.mount)
    _dimensions(axes, case, mount.mount, outlines, -_SLAB_M, text)
    axes.set_xlabel("offset y from the near-side edge line (m)")
    axes.set_ylabel("height z (m)")
    axes.set_yticks(range(0, int(top) + 1, 2 if top > 4 else 1))
    axes.spines["left"].set_bounds(0.0, top)
    return figure


def lane_vehicles(case: Case) -> dict[int, Vehicle]:
    """The class drawn in each lane: by lane index.

    Outer lanes show their most frequent heavy vehicle, the others their most frequent light one,
    in the hour with most traffic; a single-pass study shows its largest vehicle in its lane.
    """
    vehicles = list(case.vehicles.values())
    if case.traffic is None and case.single_pass is None:
        return {}
    if case.single_pass is not None:
        named = [case.vehicles[name] for name in case.single_pass.vehicles]
        largest = max(named, key=lambda v: v.frontal_area_m2)
        return {case.single_pass.lane_index: largest}
    state = max((case.traffic_state(h) for h in range(24)), key=lambda s: float(s.flow_veh_s.sum()))
    chosen = {}
    for index, lane in enumerate(case.road.lanes):
        mix = [float(share) for share in state.mix[index]]
        used = [i for i, share in enumerate(mix) if share > 0]
        if not used or state.flow_veh_s[index] <= 0:
            continue
        wanted = [i for i in used if vehicles[i].heavy == (lane.number == 1)] or used
        chosen[index] = vehicles[max(wanted, key=lambda i: mix[i])]
    return chosen


def _span(case: Case, mount: Mount) -> tuple[float, float]:
    """Left and right end of the drawing, m."""
    ends = [mount.offset_m - mount.rotor_width_m / 2, mount.offset_m + mount.rotor_width_m / 2]
    for carriageway in case.road.carriageways:
        ends += carriageway.paved_m
    if mount.wall_offset_m is not None:
        ends.append(mount.wall_offset_m)
    room = _MARGIN_M + 0.06 * (max(ends) - min(ends))
    return min(ends) - room, max(ends) + room


def _lane_names(axes: Axes, case: Case, text: float) -> None:
    """Name, width and direction of each lane below it."""
    for carriageway in case.road.carriageways:
        width = carriageway.hard_shoulder_m
        middle = carriageway.edge_offset_m + carriageway.sign * width / 2
        _below(axes, middle, width, text, ("hard shoulder", "shoulder"))
    for lane in case.road.lanes:
        symbol = style.heading(lane.direction)
        names = (f"{symbol} {lane.name}", f"{symbol} {lane.number}", symbol)
        _below(axes, lane.centre_m, lane.width_m, text, names)


def _below(axes: Axes, y: float, width: float, text: float, names: tuple[str, ...]) -> None:
    """The longest of ``names`` that fits, and the width under it; nothing where none fits."""
    number = f"{wording.place(width)} m"
    for name in names:
        if CHARACTER * text * max(len(name), len(number)) <= width:
            label = f"{name}\n{number}"
            level = -_SLAB_M - 0.25 * text
            axes.text(y, level, label, ha="center", va="top", fontsize=FONT_SIZE, linespacing=1.1)
            return


def _vehicle(axes: Axes, centre: float, vehicle: Vehicle) -> None:
    """Front outline: body above its ground clearance, two wheels."""
    half = vehicle.width_m / 2
    for side in (-1, 1):
        wheel = centre + side * (half - 0.08) - (_TIRE_M if side > 0 else 0.0)
        style.box(axes, wheel, 0.0, _TIRE_M, vehicle.clearance_m + 0.25, facecolor=style.INK,
                  zorder=3)  # fmt: skip
    body = vehicle.height_m - vehicle.clearance_m
    rounding = min(0.25, 0.2 * vehicle.width_m, 0.2 * body)
    axes.add_patch(
        FancyBboxPatch(
            (centre - half, vehicle.clearance_m), vehicle.width_m, body, facecolor=_VEHICLE,
            edgecolor=_VEHICLE_EDGE, linewidth=1.0, zorder=4,
            boxstyle=f"round,pad=0,rounding_size={rounding}",
        )
    )  # fmt: skip


def _vehicle_name(axes: Axes, lane: Lane, vehicle: Vehicle, text: float) -> None:
    """Label or name inside the outline where one fits, else the label above the roof."""
    body = vehicle.height_m - vehicle.clearance_m
    looks: dict[str, Any] = {"ha": "center", "fontsize": FONT_SIZE, "linespacing": 1.0, "zorder": 5}
    for label in (vehicle.label, short_name(vehicle.name)):
        lines = _wrapped(label, vehicle.width_m / (CHARACTER * text))
        if lines and len(lines) * text <= body:
            middle = vehicle.clearance_m + body / 2
            axes.text(lane.centre_m, middle, "\n".join(lines), va="center", **looks)
            return
    lines = textwrap.wrap(vehicle.label, max(8, int(lane.width_m / (CHARACTER * text))))
    roof = vehicle.height_m + 0.25 * text
    axes.text(lane.centre_m, roof, "\n".join(lines), va="bottom", **looks)


def short_name(name: str) -> str:
    """A vehicle's key as plain text; two letters are a region."""
    return " ".join(part.upper() if len(part) == 2 else part for part in name.split("_"))


def _wrapped(label: str, characters: float) -> list[str]:
    """Lines of at most so many characters, empty when a word is too long."""
    width = int(characters)
    if width < 1 or any(len(word) > width for word in label.split()):
        return []
    return textwrap.wrap(label, width)


def _mount(axes: Axes, case: Case, mount: Mount) -> None:
    low = mount.height_m - mount.rotor_height_m / 2
    if not mount.support.stands:
        left, right = axes.get_xlim()
        level = mount.height_m + mount.rotor_height_m / 2
        beam = [left + 0.5 * _MARGIN_M, right - 0.5 * _MARGIN_M]
        axes.plot(beam, [level, level], color=style.INK, linewidth=2.0, zorder=5)
    else:
        axes.plot([mount.offset_m] * 2, [0.0, low], color=style.INK, linewidth=2.0, zorder=5)
    if mount.wall_offset_m is not None:
        _wall(axes, mount)
    left = mount.offset_m - mount.rotor_width_m / 2
    style.box(axes, left, low, mount.rotor_width_m, mount.rotor_height_m, facecolor=style.ORANGE,
              edgecolor=_ROTOR_EDGE, linewidth=1.2, alpha=0.75, zorder=6)  # fmt: skip
    axes.plot([mount.offset_m] * 2, [low, low + mount.rotor_height_m], color=_ROTOR_EDGE,
              linewidth=0.8, linestyle=(0, (5, 1.5, 1, 1.5)), zorder=7)  # fmt: skip


def _wall(axes: Axes, mount: Mount) -> None:
    face = float(mount.wall_offset_m or 0.0)
    side = 1.0 if face >= mount.offset_m else -1.0
    top = axes.get_ylim()[1]
    style.wall(axes, mount, 0.35, zorder=2)
    axes.text(face + side * 0.5, top * 0.5, f"wall, y = {wording.place(face)} m", rotation=90,
              ha="left" if side > 0 else "right", va="center", fontsize=FONT_SIZE)  # fmt: skip


# --- dimension lines: offset, height, swept area, clearance -------------------------------------


def _line_height(width_m: float) -> float:
    """Height of a line of small text in metres of a drawing ``width_m`` wide."""
    return _LINE_SHARE * width_m


def _dimensions(
    axes: Axes, case: Case, mount: Mount, outlines: dict[int, Vehicle], ground: float, text: float
) -> None:
    """Offset below the road; height, swept area and clearance beside the mount.

    ``outlines`` are the vehicles drawn by lane index, ``ground`` the underside of the road's
    strip and ``text`` the height of a line of text, both in metres.
    """
    _offset(axes, case, mount, ground, text)
    _height(axes, case, mount, outlines, text)
    _swept(axes, mount, text)
    _clearance(axes, case, mount, outlines, text)


def _offset(axes: Axes, case: Case, mount: Mount, ground: float, text: float) -> None:
    level = ground - 3.1 * text
    for y in (0.0, mount.offset_m):
        labelled = any(abs(lane.centre_m - y) < 0.49 * lane.width_m for lane in case.road.lanes)
        top = ground - 2.5 * text if labelled else 0.0
        axes.plot([y, y], [level - 0.3 * text, top], color=style.GREY, linewidth=0.6, zorder=3.5)
    _arrow(axes, (0.0, level), (mount.offset_m, level))
    middle = mount.offset_m / 2
    _label(axes, middle, level - 0.3 * text, f"offset {_m(mount.offset_m)}", "center", "top")


def _height(
    axes: Axes, case: Case, mount: Mount, outlines: dict[int, Vehicle], text: float
) -> None:
    """Height of the centre, away from a wall, else away from the nearest vehicle."""
    gaps = _gaps(case, mount, outlines)
    side = 1.0
    if mount.wall_offset_m is not None:
        side = 1.0 if mount.wall_offset_m < mount.offset_m else -1.0
    elif gaps and gaps[0].centre > mount.offset_m:
        side = -1.0
    reach = mount.rotor_width_m / 2
    if gaps and gaps[0].size <= 0.0:  # over a vehicle: stay clear of its outline
        reach = max(reach, abs(gaps[0].centre + side * gaps[0].half_width - mount.offset_m))
    y = mount.offset_m + side * (reach + 0.9 * text)
    _arrow(axes, (y, 0.0), (y, mount.height_m))
    axes.plot([mount.offset_m, y], [mount.height_m] * 2, color=style.INK, linewidth=0.6, zorder=8)
    label, start = _m(mount.height_m), y + side * 0.5 * text
    end = start + side * (CHARACTER * text * len(label) + 0.3 * text)
    level = max(mount.height_m / 2, 0.6 * text)
    for gap in gaps:  # above a vehicle that leaves no room at its side
        beside = min(start, end) < gap.centre + gap.half_width
        beside = beside and gap.centre - gap.half_width < max(start, end)
        if beside and gap.height + 0.8 * text < mount.height_m + text:
            level = max(level, gap.height + 0.8 * text)
    _label(axes, start, level, label, "left" if side > 0 else "right", "center")


def _swept(axes: Axes, mount: Mount, text: float) -> None:
    top = mount.height_m + mount.rotor_height_m / 2
    label = f"swept {wording.place(mount.rotor_width_m)} × {_m(mount.rotor_height_m)}"
    lift = 0.3 if mount.support.stands else 0.9
    y, align, half = mount.offset_m, "center", 0.5 * CHARACTER * text * len(label)
    wall = mount.wall_offset_m
    if wall is not None and abs(wall - y) < half:
        align = "right" if wall > y else "left"
        y = wall + (-0.5 if wall > y else 0.5) * text
    _label(axes, y, top + lift * text, label, align, "bottom")


@dataclass(frozen=True)
class _Gap:
    """Distance from a drawn vehicle's flank to the rotor's axis; negative over the vehicle."""

    size: float
    flank: float
    centre: float
    half_width: float
    height: float


def _gaps(case: Case, mount: Mount, outlines: dict[int, Vehicle]) -> list[_Gap]:
    """Gaps to all drawn vehicles, smallest first."""
    gaps = []
    for index, vehicle in outlines.items():
        centre, half = case.road.lanes[index].centre_m, vehicle.width_m / 2
        side = 1.0 if mount.offset_m >= centre else -1.0
        flank = centre + side * half
        size = side * (mount.offset_m - flank)
        gaps.append(_Gap(size, flank, centre, half, vehicle.height_m))
    return sorted(gaps, key=lambda gap: gap.size)


def _clearance(
    axes: Axes, case: Case, mount: Mount, outlines: dict[int, Vehicle], text: float
) -> None:
    """From the nearest drawn vehicle's flank, or its roof, to the centre of the rotor."""
    gaps = _gaps(case, mount, outlines)
    if not gaps:
        return
    nearest = gaps[0]
    if nearest.size <= 0.0:
        low, centre = mount.height_m - mount.rotor_height_m / 2, mount.height_m
        _arrow(axes, (mount.offset_m, nearest.height), (mount.offset_m, centre))
        where = (mount.offset_m - 0.5 * text, (nearest.height + low) / 2)
        _label(axes, *where, f"{_m(centre - nearest.height)} clear", "right", "center")
        return
    level = min(mount.height_m, 0.85 * nearest.height)
    _arrow(axes, (nearest.flank, level), (mount.offset_m, level))
    label = f"{_m(nearest.size)} clear"
    side = 1.0 if mount.offset_m >= nearest.flank else -1.0
    edge = mount.offset_m - side * mount.rotor_width_m / 2
    middle = (nearest.flank + edge) / 2
    align = "center"
    if abs(edge - nearest.flank) < (CHARACTER * len(label) + 0.6) * text:
        level = max(level, nearest.height)  # too long: over the vehicle, from the rotor's edge
        middle, align = edge - side * 0.3 * text, "right" if side > 0 else "left"
    _label(axes, middle, level + 0.25 * text, label, align, "bottom")


def _arrow(axes: Axes, start: tuple[float, float], end: tuple[float, float]) -> None:
    looks = {"arrowstyle": "<|-|>", "color": style.INK, "linewidth": 0.8, "shrinkA": 0,
             "shrinkB": 0, "mutation_scale": 6}  # fmt: skip
    axes.annotate("", xy=end, xytext=start, arrowprops=looks, zorder=8)


def _label(axes: Axes, y: float, z: float, label: str, ha: str, va: str) -> None:
    axes.text(y, z, label, ha=ha, va=va, fontsize=FONT_SIZE, bbox=_HALO, zorder=9)


def _m(value: float) -> str:
    return f"{wording.place(value)} m"


FIGURES = (Kind("cross-section", 10, ("traffic", "single_pass"), draw),)
