"""Figure: the road in cross-section, to scale, with vehicles and the mount."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import FancyBboxPatch, Rectangle

from wakesim.outputs import wording
from wakesim.outputs.figures import style
from wakesim.outputs.figures.dimensions import (
    CHARACTER,
    FONT_SIZE,
    draw_dimensions,
    line_height,
)

if TYPE_CHECKING:
    from wakesim.case.schema import Carriageway, Case, Lane, Mount
    from wakesim.case.vehicle import Vehicle
    from wakesim.results import MountResult, Result

_TARMAC, _SHOULDER, _VERGE = "#6e6e6e", "#9a9a9a", "#cfdcc3"
_VEHICLE, _VEHICLE_EDGE = "#dbe7f0", "#35536b"
_SLAB_M = 0.25
_MARGIN_M = 1.6
_TIRE_M = 0.28
_DRAWN_IN = 6.55  # width of the drawing
_BELOW_IN = 0.47  # room for ticks and axis label


def caption(result: Result, mount: MountResult) -> str:
    """What the figure shows, in a sentence or two."""
    words = (
        "Cross-section to scale, y positive away from the near-side traffic. ⊙: traffic comes "
        "towards the reader, ⊗: it goes away. Each lane shows a vehicle class that uses it, "
        "centred in the lane. Orange: the swept rectangle with the rotor's axis. Clear: from the "
        "nearest vehicle drawn to the centre of that rectangle."
    )
    if mount.mount.wall_offset_m is not None:
        words += " The wall is taken as endless along the road and upward."
    return words


def draw(result: Result, mount: MountResult) -> Figure:
    """Road, vehicles, mount and dimensions with equal scales on both axes."""
    case = result.case
    left, right = _span(case, mount.mount)
    outlines = lane_vehicles(case)
    top = max(
        mount.mount.height_m + mount.mount.rotor_height_m / 2 + 0.5,
        max((vehicle.height_m for vehicle in outlines.values()), default=2.0) + 0.5,
    )
    text = line_height(right - left)
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
    _ground(axes, case, left, right)
    for index, vehicle in outlines.items():
        lane = case.road.lanes[index]
        _vehicle(axes, lane.centre_m, vehicle)
        _vehicle_name(axes, lane, vehicle, text)
    _lane_marks(axes, case, text)
    _mount(axes, case, mount.mount)
    draw_dimensions(axes, case, mount.mount, outlines, ground=-_SLAB_M, text=text)
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
        ends += _carriageway(carriageway)
        ends.append(carriageway.edge_offset_m + carriageway.sign * carriageway.hard_shoulder_m)
    if mount.wall_offset_m is not None:
        ends.append(mount.wall_offset_m)
    room = _MARGIN_M + 0.06 * (max(ends) - min(ends))
    return min(ends) - room, max(ends) + room


def _carriageway(carriageway: Carriageway) -> tuple[float, float]:
    """Edge line and inner end of a carriageway's lanes, m."""
    edge = carriageway.edge_offset_m
    width = carriageway.lanes * carriageway.lane_width_m
    return edge, edge - carriageway.sign * width


def _ground(axes: Axes, case: Case, left: float, right: float) -> None:
    _slab(axes, left, right, _VERGE)
    for carriageway in case.road.carriageways:
        edge, inner = _carriageway(carriageway)
        outer = edge + carriageway.sign * carriageway.hard_shoulder_m
        _slab(axes, min(edge, outer), max(edge, outer), _SHOULDER)
        _slab(axes, min(edge, inner), max(edge, inner), _TARMAC)
    axes.plot([left, right], [0.0, 0.0], color=style.INK, linewidth=0.8)


def _slab(axes: Axes, left: float, right: float, colour: str) -> None:
    axes.add_patch(Rectangle((left, -_SLAB_M), right - left, _SLAB_M, facecolor=colour, lw=0))


def _lane_marks(axes: Axes, case: Case, text: float) -> None:
    """White lines in the slab; name, width and direction of each lane below it."""
    for carriageway in case.road.carriageways:
        for k in range(carriageway.lanes + 1):
            y = carriageway.edge_offset_m - carriageway.sign * k * carriageway.lane_width_m
            axes.plot([y, y], [-_SLAB_M, 0.0], color="white", linewidth=1.2, zorder=3)
        width = carriageway.hard_shoulder_m
        middle = carriageway.edge_offset_m + carriageway.sign * width / 2
        _below(axes, middle, width, text, ("hard shoulder", "shoulder"))
    for lane in case.road.lanes:
        symbol = "⊙" if lane.direction > 0 else "⊗"
        names = (f"{symbol} {lane.name}", f"{symbol} {lane.number}", symbol)
        _below(axes, lane.centre_m, lane.width_m, text, names)


def _below(axes: Axes, y: float, width: float, text: float, names: tuple[str, ...]) -> None:
    """The longest of ``names`` that fits, and the width under it; nothing where none fits."""
    number = f"{wording.place(width)} m"
    for name in names:
        if CHARACTER * text * max(len(name), len(number)) <= width:
            words = f"{name}\n{number}"
            level = -_SLAB_M - 0.25 * text
            axes.text(y, level, words, ha="center", va="top", fontsize=FONT_SIZE, linespacing=1.1)
            return


def _vehicle(axes: Axes, centre: float, vehicle: Vehicle) -> None:
    """Front outline: body above its ground clearance, two wheels."""
    half = vehicle.width_m / 2
    for side in (-1, 1):
        wheel = (centre + side * (half - 0.08) - (_TIRE_M if side > 0 else 0.0), 0.0)
        axes.add_patch(
            Rectangle(wheel, _TIRE_M, vehicle.clearance_m + 0.25, facecolor=style.INK, zorder=3)
        )
    body = vehicle.height_m - vehicle.clearance_m
    rounding = min(0.25, 0.2 * vehicle.width_m, 0.2 * body)
    axes.add_patch(
        FancyBboxPatch(
            (centre - half, vehicle.clearance_m),
            vehicle.width_m,
            body,
            boxstyle=f"round,pad=0,rounding_size={rounding}",
            facecolor=_VEHICLE,
            edgecolor=_VEHICLE_EDGE,
            linewidth=1.0,
            zorder=4,
        )
    )


def _vehicle_name(axes: Axes, lane: Lane, vehicle: Vehicle, text: float) -> None:
    """Label or name inside the outline where one fits, else the label above the roof."""
    body = vehicle.height_m - vehicle.clearance_m
    looks: dict[str, Any] = {"ha": "center", "fontsize": FONT_SIZE, "linespacing": 1.0, "zorder": 5}
    for words in (vehicle.label, short_name(vehicle.name)):
        lines = _wrapped(words, vehicle.width_m / (CHARACTER * text))
        if lines and len(lines) * text <= body:
            middle = vehicle.clearance_m + body / 2
            axes.text(lane.centre_m, middle, "\n".join(lines), va="center", **looks)
            return
    lines = textwrap.wrap(vehicle.label, max(8, int(lane.width_m / (CHARACTER * text))))
    roof = vehicle.height_m + 0.25 * text
    axes.text(lane.centre_m, roof, "\n".join(lines), va="bottom", **looks)


def short_name(name: str) -> str:
    """A vehicle's key as words; two letters are a region."""
    return " ".join(part.upper() if len(part) == 2 else part for part in name.split("_"))


def _wrapped(words: str, characters: float) -> list[str]:
    """Lines of at most so many characters, empty when a word is too long."""
    width = int(characters)
    if width < 1 or any(len(word) > width for word in words.split()):
        return []
    return textwrap.wrap(words, width)


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
    axes.add_patch(
        Rectangle(
            (mount.offset_m - mount.rotor_width_m / 2, low),
            mount.rotor_width_m,
            mount.rotor_height_m,
            facecolor=style.ORANGE,
            edgecolor="#8a3b00",
            linewidth=1.2,
            alpha=0.75,
            zorder=6,
        )
    )
    axes.plot(
        [mount.offset_m] * 2,
        [low, low + mount.rotor_height_m],
        color="#8a3b00",
        linewidth=0.8,
        linestyle=(0, (5, 1.5, 1, 1.5)),
        zorder=7,
    )


def _wall(axes: Axes, mount: Mount) -> None:
    face = float(mount.wall_offset_m or 0.0)
    side = 1.0 if face >= mount.offset_m else -1.0
    top = axes.get_ylim()[1]
    style.wall(axes, face, side, 0.35, top, zorder=2)
    axes.text(
        face + side * 0.5,
        top * 0.5,
        f"wall, y = {wording.place(face)} m",
        rotation=90,
        ha="left" if side > 0 else "right",
        va="center",
        fontsize=FONT_SIZE,
    )
