"""Figure: which mechanism and which class of vehicle make the energy."""

from __future__ import annotations

from typing import TYPE_CHECKING

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from wakesim.outputs import wording
from wakesim.outputs.figures import style

if TYPE_CHECKING:
    from wakesim.measures.results import MountStatistics
    from wakesim.results import MountResult, Result


def caption(result: Result, mount: MountResult) -> str:
    """What the figure shows, in a sentence or two."""
    return (
        "Shares of the mean cubed speed, which is the energy flux, by mechanism and by what makes "
        "it. Each column of bars sums to 100 %; a negative share works against the rest."
    )


def draw(result: Result, mount: MountResult, statistics: MountStatistics) -> Figure:
    """Horizontal bars, largest first, by mechanism and by class."""
    mechanisms = _sorted(
        {wording.MECHANISMS.get(k, k): v for k, v in statistics.by_mechanism.items()}
    )
    classes = _sorted({style.class_label(result, k): v for k, v in statistics.by_class.items()})
    rows = len(mechanisms) + len(classes)
    figure = style.new_figure(
        result, f"What makes the energy, mount {mount.mount.name}", 1.6 + 0.27 * rows
    )
    top, bottom = figure.subplots(
        2, 1, sharex=True, gridspec_kw={"height_ratios": [len(mechanisms), len(classes)]}
    )
    _bars(top, mechanisms, style.BLUE, "by mechanism")
    _bars(bottom, classes, style.GREEN, "by vehicle class")
    low = min(0.0, *(v for _, v in mechanisms), *(v for _, v in classes))
    high = max(0.0, *(v for _, v in mechanisms), *(v for _, v in classes))
    margin = 14.0 * (high - low)
    bottom.set_xlim(100 * low - (margin if low < 0 else 0.0), 100 * high + margin)
    bottom.set_xlabel("share of the mean cubed speed (%)")
    return figure


def _sorted(shares: dict[str, float]) -> list[tuple[str, float]]:
    return sorted(shares.items(), key=lambda item: item[1])


def _bars(axes: Axes, shares: list[tuple[str, float]], colour: str, title: str) -> None:
    names = [name for name, _ in shares]
    values = [100 * value for _, value in shares]
    bars = axes.barh(range(len(shares)), values, height=0.68, color=colour)
    for bar, value in zip(bars, values, strict=True):
        if value < 0:
            bar.set(facecolor="white", edgecolor=colour, hatch="////")
    for row, value in enumerate(values):
        axes.annotate(
            f"{wording.number(value, 1)} %",
            xy=(value, row),
            xytext=(4 if value >= 0 else -4, 0),
            textcoords="offset points",
            ha="left" if value >= 0 else "right",
            va="center",
            fontsize=8.5,
        )
    axes.axvline(0.0, color=style.GREY, linewidth=0.8)
    axes.set_yticks(range(len(shares)), names)
    axes.set_title(title, loc="left")
    axes.grid(axis="y", visible=False)
