"""One look for all figures: size, fonts, colours that colour-blind readers tell apart.

Colours: Okabe & Ito 2008, Color Universal Design; its yellow is left out for lines on white.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import matplotlib.style
import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.axis import Axis
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.markers import TICKDOWN, TICKLEFT
from matplotlib.patches import Rectangle
from matplotlib.ticker import FuncFormatter, LogLocator, NullLocator

from wakesim.arrays import Array
from wakesim.outputs import wording

BLUE = "#0072B2"
VERMILLION = "#D55E00"
GREEN = "#009E73"
ORANGE = "#E69F00"
PURPLE = "#CC79A7"
SKY = "#56B4E9"
INK = "#222222"
GREY = "#5f5f5f"
PALE = "#d9d9d9"
TARMAC, SHOULDER, VERGE = "#6e6e6e", "#9a9a9a", "#cfdcc3"

DASHED = (0, (4, 2))
DOTTED = (0, (1, 1.5))

WIDTH_IN = 7.2
_HEADER_IN = 0.30
_LEGEND_ROW_IN = 0.21
_LEGEND_COLUMNS = 4
_CHARACTER_PT = 4.9  # width of a character of legend text, on the safe side
_HANDLE_PT = 40.0  # handle and gaps of a legend entry
_FEW_DECADES = 2.3
_CYCLE = (BLUE, VERMILLION, GREEN, ORANGE, PURPLE, SKY, INK)
_MARKERS = ("o", "s", "^", "D", "v", "P", "X", "<", "*", ">", "p")

_STYLE = {
    "font.family": ["DejaVu Sans"],
    "font.size": 9.0,
    "axes.titlesize": 9.0,
    "axes.labelsize": 9.0,
    "xtick.labelsize": 8.5,
    "ytick.labelsize": 8.5,
    "legend.fontsize": 8.5,
    "legend.frameon": False,
    "axes.edgecolor": GREY,
    "axes.labelcolor": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "text.color": INK,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.axisbelow": True,
    "axes.linewidth": 0.8,
    "axes.formatter.useoffset": False,
    "axes.formatter.use_mathtext": False,
    "grid.color": "#e4e4e4",
    "grid.linewidth": 0.7,
    "lines.linewidth": 1.4,
    "text.parse_math": False,
    "text.hinting": "no_hinting",  # drawn at 150 dots an inch: letters keep their shape
    "svg.fonttype": "none",
    "svg.hashsalt": "wakesim",
    "figure.facecolor": "white",
    "savefig.facecolor": "white",
}


@dataclass(frozen=True)
class Kind:
    """A kind of figure: the end of its files' name, and the studies that have one.

    ``draw``, ``wanted`` and ``numbers`` take the result; where there is a figure for each mount
    they take the mount, too, and then that ``part`` of it which the figure shows ("statistics",
    "energy"; there is no figure without it). What stands below it is a piece of the template
    ``captions.txt.j2``, which gets these and the ``numbers`` that it needs besides. ``order`` is
    the place among a result's figures.
    """

    name: str
    order: int
    studies: tuple[str, ...]
    draw: Callable[..., Figure]
    part: str = ""
    wanted: Callable[..., bool] = lambda *_: True
    numbers: Callable[..., dict[str, Any]] = lambda *_: {}


@contextlib.contextmanager
def house_style() -> Iterator[None]:
    """The settings under which figures are built and saved, whatever the user's own are."""
    with matplotlib.style.context(_STYLE, after_reset=True):
        yield


def new_figure(result: Any, title: str, height_in: float, legend: Sequence[str] = ()) -> Figure:
    """An empty figure with its title and, where it applies, the invented-data mark on top.

    Room for ``header_legend`` with these labels is added to the height.
    """
    legend_in = _LEGEND_ROW_IN * math.ceil(len(legend) / _columns(legend))
    height_in += legend_in
    figure = Figure(figsize=(WIDTH_IN, height_in))
    top = 1.0 - (_HEADER_IN + legend_in) / height_in
    figure.set_layout_engine("constrained", rect=(0.0, 0.0, 1.0, top))
    margin = 0.06 / height_in
    figure.text(0.010, 1.0 - margin, title, ha="left", va="top", fontsize=9.5, weight="bold")
    if result.case.invented_data:
        figure.text(0.992, 1.0 - margin, wording.INVENTED_MARK, ha="right", va="top", fontsize=9,
                    style="italic", color="#a04000")  # fmt: skip
    return figure


def header_legend(figure: Figure, handles: Sequence[Artist], labels: Sequence[str]) -> None:
    """The legend in the room ``new_figure`` kept between title and axes, never over data."""
    height_in = float(figure.get_size_inches()[1])
    figure.legend(
        handles,
        labels,
        loc="upper left",
        bbox_to_anchor=(0.008, 1.0 - (_HEADER_IN - 0.03) / height_in),
        ncols=_columns(labels),
        borderaxespad=0.0,
        borderpad=0.15,
        labelspacing=0.3,
        columnspacing=1.6,
        handletextpad=0.6,
    )


def legend_of(axes: Axes) -> None:
    """``header_legend`` with everything in the axes that has a label."""
    figure = axes.get_figure()
    assert isinstance(figure, Figure)
    header_legend(figure, *axes.get_legend_handles_labels())


def _columns(labels: Sequence[str]) -> int:
    """Most columns in which all labels fit side by side; filled from top to bottom."""
    for columns in range(_LEGEND_COLUMNS, 1, -1):
        rows = max(1, math.ceil(len(labels) / columns))
        longest = [max(map(len, labels[i : i + rows])) for i in range(0, len(labels), rows)]
        if sum(_HANDLE_PT + _CHARACTER_PT * length for length in longest) <= 72 * WIDTH_IN:
            return columns
    return 1


def class_styles(result: Any) -> dict[str, tuple[str, str]]:
    """Colour and marker of each vehicle class, the same in every figure of a result."""
    return {
        name: (_CYCLE[i % len(_CYCLE)], _MARKERS[i % len(_MARKERS)])
        for i, name in enumerate(result.case.vehicles)
    }


def class_label(result: Any, name: str) -> str:
    """The readable label of a vehicle class, or of ``ambient``."""
    if name == "ambient":
        return wording.MECHANISMS["ambient"]
    vehicle = result.case.vehicles.get(name)
    return (vehicle.label if vehicle is not None else "") or name.replace("_", " ")


_SUPERSCRIPT = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")


def decade(value: float) -> str:
    """Label of a tick on a logarithmic axis: 0.001, 0.02, 1, 50, and 10⁻⁵ or 10⁴ farther out."""
    power = math.log10(value) if value > 0 else 0.0
    if -3.5 <= power <= 3.5:
        return f"{value:g}"
    mantissa = value / 10.0 ** math.floor(power + 1e-9)
    head = "" if math.isclose(mantissa, 1.0, rel_tol=1e-6) else f"{mantissa:.0f} · "
    return f"{head}10" + str(math.floor(power + 1e-9)).translate(_SUPERSCRIPT)


def log_labels(axis: Axis) -> None:
    """Plain labels on a logarithmic axis: decades, and 2 and 5 between where those are few.

    For an axis whose ends are settled: the small ticks between are one line of marks, which is
    drawn faster than ticks are.
    """
    low, high = axis.get_view_interval()
    if math.log10(high / low) < _FEW_DECADES:
        axis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
    axis.set_major_formatter(FuncFormatter(lambda value, _: decade(value)))
    axis.set_minor_locator(NullLocator())
    _small_ticks(axis, LogLocator(subs=range(2, 10)).tick_values(low, high))


def _small_ticks(axis: Axis, places: Array) -> None:
    """Marks without labels at those of ``places`` that the axis shows."""
    axes, figure = axis.axes, axis.get_figure()
    low, high = axis.get_view_interval()
    inside = places[(places >= low) & (places <= high)]
    edge = np.zeros(len(inside))
    if axis is axes.xaxis:
        xy, marker, transform = (inside, edge), TICKDOWN, axes.get_xaxis_transform()
    else:
        xy, marker, transform = (edge, inside), TICKLEFT, axes.get_yaxis_transform()
    marks = Line2D(*xy, linestyle="none", marker=marker, markersize=2.0, markeredgewidth=0.6,
                   color=INK, transform=transform)  # fmt: skip
    figure.add_artist(marks)


def beside(
    axes: Axes,
    text: str,
    xy: tuple[float, float],
    offset_pt: tuple[float, float] = (0.0, 0.0),
    **looks: Any,
) -> None:
    """Text at so many points from a place of the axes; ``looks`` as of ``Axes.annotate``."""
    axes.annotate(text, xy=xy, xytext=offset_pt, textcoords="offset points", **looks)


def box(axes: Axes, left: float, bottom: float, width: float, height: float, **looks: Any) -> None:
    """A rectangle; ``looks`` as of ``matplotlib.patches.Rectangle``."""
    axes.add_patch(Rectangle((left, bottom), width, height, **looks))


def road_strip(axes: Axes, road: Any, bottom: float, tarmac: str = TARMAC) -> None:
    """Verge, shoulders and lanes with white lines from ``bottom`` to 0, across the whole axes."""
    left, right = axes.get_xlim()

    def slab(ends: tuple[float, float], colour: str) -> None:
        low, high = max(ends[0], left), min(ends[1], right)
        if low < high:
            box(axes, low, bottom, high - low, -bottom, facecolor=colour, lw=0, zorder=2)

    slab((left, right), VERGE)
    for way in road.carriageways:
        slab(way.paved_m, SHOULDER)
        slab(way.extent_m, tarmac)
        for k in range(way.lanes + 1):
            line = way.extent_m[0] + k * way.lane_width_m
            if left < line < right:
                axes.plot([line] * 2, [bottom, 0.0], color="white", linewidth=1.0, zorder=2.5)
    axes.plot([left, right], [0.0, 0.0], color=INK, linewidth=0.8, zorder=3)


def heading(sign: float) -> str:
    """Mark of a lane's direction: towards the reader (above 0) or away."""
    return "⊙" if sign > 0 else "⊗"


def hour_axis(axes: Axes, hours: Sequence[int], step: int) -> None:
    """Clock hours on the horizontal axis, a label every ``step`` hours."""
    places = range(len(hours))
    axes.set_xticks(places[::step], [f"{hour:02d}" for hour in hours[::step]])
    axes.set_xlim(-0.6, len(hours) - 0.4)
    axes.set_xlabel("clock hour, its beginning (h)")


def wall(axes: Axes, mount: Any, thickness_m: float, zorder: float) -> None:
    """The wall beside a mount, where it has one, up to the top of the axes."""
    face = mount.wall_offset_m
    if face is None:
        return
    left = face if face >= mount.offset_m else face - thickness_m
    top = axes.get_ylim()[1]
    box(axes, left, 0.0, thickness_m, top, facecolor="#b9a48c", edgecolor=INK, hatch="///",
        linewidth=0.8, zorder=zorder)  # fmt: skip


def note(axes: Axes, text: str) -> None:
    """A remark in place of data."""
    axes.text(0.5, 0.5, text, transform=axes.transAxes, ha="center", va="center", color=GREY)
