"""Figure: effective speed through the day with the flow that makes it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from wakesim.outputs.figures import style

if TYPE_CHECKING:
    from wakesim.measures.results import HourRow, MountStatistics
    from wakesim.results import MountResult, Result

_LEGEND = ("effective speed", "mean speed", "effective speed of all hours, sampling interval")


def caption(result: Result, mount: MountResult) -> str:
    """What the figure shows, in a sentence or two."""
    return (
        "Effective and mean speed in each clock hour (above) and the traffic of all lanes "
        "(below). The bar over all hours is the sampling interval (90 %) of the effective speed "
        "of the whole time; single hours vary more."
    )


def draw(result: Result, mount: MountResult, statistics: MountStatistics) -> Figure:
    """Speeds above, flow below, on one axis of hours."""
    rows = statistics.hourly
    title = f"Hour by hour, mount {mount.mount.name}"
    figure = style.new_figure(result, title, 3.9, legend=_LEGEND)
    top, bottom = figure.subplots(2, 1, sharex=True, gridspec_kw={"height_ratios": [1.6, 1.0]})
    place = np.arange(len(rows))
    _speeds(top, statistics, rows, place)
    bottom.bar(place, [row.flow_veh_h for row in rows], width=0.78, color="#8c8c8c")
    bottom.set_ylabel("flow\n(vehicles/h)")
    bottom.yaxis.set_major_locator(MaxNLocator(4))
    step = 1 if len(rows) <= 12 else 2
    bottom.set_xticks(place[::step], [f"{row.hour:02d}" for row in rows[::step]])
    bottom.set_xlim(-0.6, len(rows) - 0.4)
    bottom.set_xlabel("clock hour, its beginning (h)")
    for axes in (top, bottom):
        axes.grid(axis="x", visible=False)
        axes.set_ylim(0.0, 1.06 * axes.get_ylim()[1])
    style.header_legend(figure, *top.get_legend_handles_labels())
    return figure


def _speeds(
    axes: Axes, statistics: MountStatistics, rows: tuple[HourRow, ...], place: np.ndarray
) -> None:
    low, high = statistics.sampling_interval_m_s
    axes.plot(
        place,
        [row.effective_speed_m_s for row in rows],
        color=style.VERMILLION,
        marker="o",
        markersize=4.5,
        label=_LEGEND[0],
    )
    axes.plot(
        place,
        [row.mean_speed_m_s for row in rows],
        color=style.INK,
        marker="s",
        markersize=3.5,
        linestyle=(0, (4, 2)),
        label=_LEGEND[1],
    )
    if np.isfinite([low, high]).all():
        axes.axhspan(
            low,
            high,
            color=style.ORANGE,
            alpha=0.45,
            linewidth=0,
            label=_LEGEND[2],
        )
    axes.set_ylabel("air speed (m/s)")
