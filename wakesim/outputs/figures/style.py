"""One look for all figures: size, fonts, colours that colour-blind readers tell apart.

Colours: Okabe & Ito 2008, Color Universal Design; its yellow is left out for lines on white.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

import matplotlib.style
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.axis import Axis
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from matplotlib.ticker import FuncFormatter, LogLocator

from wakesim.outputs import wording

if TYPE_CHECKING:
    from wakesim.results import Result

BLUE = "#0072B2"
VERMILLION = "#D55E00"
GREEN = "#009E73"
ORANGE = "#E69F00"
PURPLE = "#CC79A7"
SKY = "#56B4E9"
INK = "#222222"
GREY = "#5f5f5f"
PALE = "#d9d9d9"

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
    "svg.fonttype": "none",
    "svg.hashsalt": "wakesim",
    "figure.facecolor": "white",
    "savefig.facecolor": "white",
}


@contextlib.contextmanager
def house_style() -> Iterator[None]:
    """The settings under which figures are built and saved, whatever the user's own are."""
    with matplotlib.style.context(_STYLE, after_reset=True):
        yield


def new_figure(result: Result, title: str, height_in: float, legend: Sequence[str] = ()) -> Figure:
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
        figure.text(
            0.992,
            1.0 - margin,
            wording.INVENTED_MARK,
            ha="right",
            va="top",
            fontsize=9,
            style="italic",
            color="#a04000",
        )
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


def _columns(labels: Sequence[str]) -> int:
    """Most columns in which all labels fit side by side; filled from top to bottom."""
    for columns in range(_LEGEND_COLUMNS, 1, -1):
        rows = max(1, math.ceil(len(labels) / columns))
        longest = [max(map(len, labels[i : i + rows])) for i in range(0, len(labels), rows)]
        if sum(_HANDLE_PT + _CHARACTER_PT * length for length in longest) <= 72 * WIDTH_IN:
            return columns
    return 1


def class_styles(result: Result) -> dict[str, tuple[str, str]]:
    """Colour and marker of each vehicle class, the same in every figure of a result."""
    return {
        name: (_CYCLE[i % len(_CYCLE)], _MARKERS[i % len(_MARKERS)])
        for i, name in enumerate(result.case.vehicles)
    }


def class_label(result: Result, name: str) -> str:
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
    """Plain labels on a logarithmic axis: decades, and 2 and 5 between where those are few."""
    low, high = axis.get_view_interval()
    if math.log10(high / low) < _FEW_DECADES:
        axis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
    axis.set_major_formatter(FuncFormatter(lambda value, _: decade(value)))
    axis.set_minor_formatter(FuncFormatter(lambda *_: ""))


def wall(
    axes: Axes, face_m: float, beyond: float, thickness_m: float, top_m: float, zorder: float
) -> None:
    """A wall up to ``top_m``, its face at ``face_m``, its body on the side ``beyond`` (+1, -1)."""
    axes.add_patch(
        Rectangle(
            (min(face_m, face_m + beyond * thickness_m), 0.0),
            thickness_m,
            top_m,
            facecolor="#b9a48c",
            edgecolor=INK,
            hatch="///",
            linewidth=0.8,
            zorder=zorder,
        )
    )


def note(axes: Axes, text: str) -> None:
    """A remark in place of data."""
    axes.text(0.5, 0.5, text, transform=axes.transAxes, ha="center", va="center", color=GREY)
