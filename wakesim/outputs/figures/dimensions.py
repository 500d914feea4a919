"""Dimension lines of the cross-section: offset, height, swept area, clearance."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from matplotlib.axes import Axes

from wakesim.outputs import wording
from wakesim.outputs.figures import style

if TYPE_CHECKING:
    from wakesim.case.schema import Case, Mount
    from wakesim.case.vehicle import Vehicle

FONT_SIZE = 7.2
CHARACTER = 0.52  # width of a character over the height of a line
_LINE_SHARE = 0.0185  # height of a line of FONT_SIZE text over the width of the drawing
_HALO = {"facecolor": "white", "edgecolor": "none", "pad": 0.6, "alpha": 0.85}


def line_height(width_m: float) -> float:
    """Height of a line of small text in metres of a drawing ``width_m`` wide."""
    return _LINE_SHARE * width_m


def draw_dimensions(
    axes: Axes,
    case: Case,
    mount: Mount,
    outlines: dict[int, Vehicle],
    *,
    ground: float,
    text: float,
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
    words, start = _m(mount.height_m), y + side * 0.5 * text
    end = start + side * (CHARACTER * text * len(words) + 0.3 * text)
    level = max(mount.height_m / 2, 0.6 * text)
    for gap in gaps:  # above a vehicle that leaves no room at its side
        beside = min(start, end) < gap.centre + gap.half_width
        beside = beside and gap.centre - gap.half_width < max(start, end)
        if beside and gap.height + 0.8 * text < mount.height_m + text:
            level = max(level, gap.height + 0.8 * text)
    _label(axes, start, level, words, "left" if side > 0 else "right", "center")


def _swept(axes: Axes, mount: Mount, text: float) -> None:
    top = mount.height_m + mount.rotor_height_m / 2
    words = f"swept {wording.place(mount.rotor_width_m)} × {_m(mount.rotor_height_m)}"
    lift = 0.3 if mount.support.stands else 0.9
    y, align, half = mount.offset_m, "center", 0.5 * CHARACTER * text * len(words)
    wall = mount.wall_offset_m
    if wall is not None and abs(wall - y) < half:
        align = "right" if wall > y else "left"
        y = wall + (-0.5 if wall > y else 0.5) * text
    _label(axes, y, top + lift * text, words, align, "bottom")


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
    words = f"{_m(nearest.size)} clear"
    side = 1.0 if mount.offset_m >= nearest.flank else -1.0
    edge = mount.offset_m - side * mount.rotor_width_m / 2
    middle = (nearest.flank + edge) / 2
    align = "center"
    if abs(edge - nearest.flank) < (CHARACTER * len(words) + 0.6) * text:
        level = max(level, nearest.height)  # too long: over the vehicle, from the rotor's edge
        middle, align = edge - side * 0.3 * text, "right" if side > 0 else "left"
    _label(axes, middle, level + 0.25 * text, words, align, "bottom")


def _arrow(axes: Axes, start: tuple[float, float], end: tuple[float, float]) -> None:
    axes.annotate(
        "",
        xy=end,
        xytext=start,
        arrowprops={
            "arrowstyle": "<|-|>",
            "color": style.INK,
            "linewidth": 0.8,
            "shrinkA": 0,
            "shrinkB": 0,
            "mutation_scale": 6,
        },
        zorder=8,
    )


def _label(axes: Axes, y: float, z: float, words: str, ha: str, va: str) -> None:
    axes.text(y, z, words, ha=ha, va=va, fontsize=FONT_SIZE, bbox=_HALO, zorder=9)


def _m(value: float) -> str:
    return f"{wording.place(value)} m"
