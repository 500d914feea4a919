"""Figure: the mean along-road air of the traffic over the road's cross-section.

Colours: ColorBrewer RdBu (Brewer 2003), told apart by colour-blind readers, where both signs occur;
viridis where all air moves one way.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from wakesim.arrays import Array
from wakesim.outputs.figures import style
from wakesim.outputs.figures.cross_section import lane_vehicles
from wakesim.outputs.figures.style import Kind
from wakesim.outputs.wording import number

if TYPE_CHECKING:
    from wakesim.case.schema import Case, Mount
    from wakesim.measures.results import MountStatistics
    from wakesim.results import MountResult, Result


_HEIGHT_IN, _PANEL_IN = 3.6, 3.0  # of one panel, of each further one
_AXES_PT = 460.0  # width of the axes, about
_CHARACTER_PT = 4.6
_FONT_SIZE = 7.8
_LEVELS = 11
_TARMAC = "#5a5a5a"  # darker than elsewhere, below coloured air
_TOP_M = 10.0
_BESIDE_TRAFFIC_M, _BESIDE_MOUNT_M = 6.0, 13.0
_WALL_M = 0.8
_SLAB = 0.022  # share of the height shown
_OPPOSITE = 0.02  # share of the strongest air that counts as the other direction


def draw(result: Result, mount: MountResult, statistics: MountStatistics) -> Figure:
    """Filled contours of the mean air, and of march minus balance, with road and mount."""
    drift = statistics.drift
    assert drift is not None
    title = f"The air between the vehicles, mount {mount.mount.name}"
    panels = [("mean along-road air of the traffic, towards +x (m/s)", drift.y_m, drift.z_m,
               np.asarray(drift.speed_m_s))]  # fmt: skip
    whole = statistics.whole_hour
    if whole is not None:
        label = f"march of the hour from {whole.hour}:00 minus its balance, towards +x (m/s)"
        panels.append((label, whole.y_m, whole.z_m, whole.march_u_m_s - whole.balance_u_m_s))
    figure = style.new_figure(result, title, _HEIGHT_IN + _PANEL_IN * (len(panels) - 1))
    rows = figure.subplots(len(panels), squeeze=False)[:, 0]
    for axes, (label, y, z, speed) in zip(rows, panels, strict=True):
        _panel(figure, axes, result.case, mount.mount, label, _shown(y, z, speed, result, mount))
    return figure


def _panel(
    figure: Figure, axes: Axes, case: Case, mount: Mount, label: str, shown: tuple[Array, ...]
) -> None:
    """One field over the cross-section with carriageways, vehicles and mount."""
    (left, right), top = window(case, mount)
    axes.grid(visible=False)
    _contours(figure, axes, *shown, label)
    bottom = -_SLAB * top
    axes.set(xlim=(left, right), ylim=(bottom, top))
    _road(axes, case, bottom)
    _vehicles(axes, case)
    _mount(axes, mount)
    axes.set_xlabel("offset y from the near-side edge line (m)")
    axes.set_ylabel("height z (m)")
    axes.set_yticks([tick for tick in MaxNLocator(5).tick_values(0.0, top) if 0.0 <= tick <= top])
    axes.spines["left"].set_bounds(0.0, top)


def window(case: Case, mount: Mount) -> tuple[tuple[float, float], float]:
    """Sides and top of the part shown, m: the road, the mount and some air around them."""
    paved = [end for way in case.road.carriageways for end in way.paved_m]
    half = mount.rotor_width_m / 2
    ends = (mount.offset_m - half, mount.offset_m + half)
    low = min(min(paved) - _BESIDE_TRAFFIC_M, ends[0] - _BESIDE_MOUNT_M / 2)
    high = max(max(paved) + _BESIDE_TRAFFIC_M, ends[1] + _BESIDE_MOUNT_M)
    top = max(_TOP_M, mount.height_m + mount.rotor_height_m / 2 + 2.0)
    left, right = 5.0 * math.floor(low / 5.0), 5.0 * math.ceil(high / 5.0)
    wall = mount.wall_offset_m
    if wall is not None and wall >= mount.offset_m:  # endless upward: nothing beyond it
        right = wall + _WALL_M
    elif wall is not None:
        left = wall - _WALL_M
    return (left, right), top


def _shown(
    y: Array, z: Array, speed: Array, result: Result, mount: MountResult
) -> tuple[Array, Array, Array]:
    """The cells in the part shown and one around it, with the road's own air at rest below."""
    (left, right), top = window(result.case, mount.mount)
    across, up = _around(y, left, right), _around(z, 0.0, top)
    inside = speed[across, up]
    inside = np.concatenate([np.zeros((inside.shape[0], 1)), inside], axis=1)
    return y[across], np.concatenate([[0.0], z[up]]), inside


def _around(places: Array, low: float, high: float) -> slice:
    first = max(int(np.searchsorted(places, low)) - 1, 0)
    return slice(first, int(np.searchsorted(places, high)) + 1)


def levels(speed: Array) -> Array:
    """Round levels, m/s: symmetric about 0 where both signs count, else from 0 on."""
    low, high = min(float(speed.min()), 0.0), max(float(speed.max()), 0.0)
    largest = max(high, -low)
    if largest == 0.0:
        return np.array([0.0, 1e-3])
    if min(high, -low) > _OPPOSITE * largest:
        return MaxNLocator(_LEVELS + 3, symmetric=True).tick_values(-largest, largest)
    if high >= -low:
        return MaxNLocator(_LEVELS - 2).tick_values(0.0, high)
    return MaxNLocator(_LEVELS - 2).tick_values(low, 0.0)


def _contours(figure: Figure, axes: Axes, y: Array, z: Array, speed: Array, label: str) -> None:
    steps = levels(speed)
    both = steps[0] < 0.0 < steps[-1]
    colours = "RdBu_r" if both else ("viridis" if steps[-1] > 0.0 else "viridis_r")
    clipped = np.clip(speed, steps[0], steps[-1]).T
    filled = axes.contourf(y, z, clipped, levels=steps, cmap=colours)
    lines = [step for step in steps[1:-1] if abs(step) > 1e-12]
    ink = style.INK if both else "white"
    dashes = ["dashed" if step < 0 else "solid" for step in lines]
    if lines:
        axes.contour(
            y, z, clipped, levels=lines, colors=ink, linewidths=0.5, linestyles=dashes, alpha=0.7
        )
    ticks = steps[int(np.argmin(np.abs(steps))) % 2 :: 2]  # 0 is one of them
    bar = figure.colorbar(filled, ax=axes, location="bottom", aspect=45, pad=0.02, ticks=ticks)
    step = steps[1] - steps[0]
    decimals = max(0, 1 - math.floor(math.log10(step)) - (step >= 1.0))
    digits = next(d for d in range(decimals + 1) if np.allclose(np.round(steps, d), steps))
    bar.ax.set_xticks(ticks, [number(float(value), digits) for value in ticks])
    bar.set_label(label)
    bar.outline.set_linewidth(0.6)


def _road(axes: Axes, case: Case, bottom: float) -> None:
    """The road under the air, its carriageways named above the axes."""
    style.road_strip(axes, case.road, bottom, _TARMAC)
    (left, right), top = axes.get_xlim(), axes.get_ylim()[1]
    for way in case.road.carriageways:
        inner, outer = way.extent_m
        symbol = style.heading(way.sign)
        room = (outer - inner) / (right - left) * _AXES_PT / _CHARACTER_PT
        label = f"{symbol} {way.name}"
        style.beside(axes, label if len(label) <= room else symbol, ((inner + outer) / 2, top),
                     (0, 3), ha="center", va="bottom", fontsize=_FONT_SIZE,
                     annotation_clip=False)  # fmt: skip
        axes.plot([inner, outer], [top] * 2, color=style.GREY, lw=2.0, clip_on=False)


def _vehicles(axes: Axes, case: Case) -> None:
    for index, vehicle in lane_vehicles(case).items():
        corner = (case.road.lanes[index].centre_m - vehicle.width_m / 2, vehicle.clearance_m)
        height = vehicle.height_m - vehicle.clearance_m
        for colour, width in (("white", 2.2), (style.GREY, 1.0)):  # seen on any colour
            style.box(axes, *corner, vehicle.width_m, height, fill=False, edgecolor=colour,
                      lw=width, zorder=5)  # fmt: skip


def _mount(axes: Axes, mount: Mount) -> None:
    low = mount.height_m - mount.rotor_height_m / 2
    corner = (mount.offset_m - mount.rotor_width_m / 2, low)
    for colour, width in (("white", 3.4), (style.INK, 1.6)):
        if mount.support.stands:
            axes.plot([mount.offset_m] * 2, [0.0, low], color=colour, linewidth=width, zorder=6)
        style.box(axes, *corner, mount.rotor_width_m, mount.rotor_height_m, fill=False,
                  edgecolor=colour, linewidth=width, zorder=7)  # fmt: skip
    style.wall(axes, mount, _WALL_M, zorder=6)


FIGURES = (
    Kind("drift", 60, ("traffic",), draw, "statistics",
         lambda result, mount, statistics: statistics.drift is not None),
)  # fmt: skip
