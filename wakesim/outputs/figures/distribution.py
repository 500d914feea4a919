"""Figure: how often each speed occurs, and where the energy is."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from wakesim.outputs import wording
from wakesim.outputs.figures import style

if TYPE_CHECKING:
    from wakesim.measures.results import MountStatistics
    from wakesim.results import MountResult, Result

_BINS = 60
_LONGEST = 0.9999  # quantile of the speed up to which the axis runs


def caption(result: Result, mount: MountResult) -> str:
    """What the figure shows, in a sentence or two."""
    return (
        "Distribution of the rotor-equivalent speed over time (above, logarithmic) and of the "
        "energy flux over speed (middle): slow air fills most of the time, the rarer fast air "
        "carries much of the energy. Below: effective speed with its two intervals, and the mean."
    )


def draw(result: Result, mount: MountResult, statistics: MountStatistics) -> Figure:
    """Density of time, density of energy, and the two intervals on the same speed axis."""
    speed = np.asarray(statistics.series.speed_m_s, dtype=float)
    title = f"Distribution of speed and energy, mount {mount.mount.name}"
    labels = (
        f"effective {wording.significant(statistics.effective_speed_m_s)} m/s",
        f"mean {wording.significant(statistics.mean_speed_m_s)} m/s",
        f"cut-in {wording.number(mount.mount.cut_in_m_s)} m/s",
    )
    figure = style.new_figure(result, title, 4.9, legend=labels)
    time_axes, energy_axes, interval_axes = figure.subplots(
        3, 1, sharex=True, gridspec_kw={"height_ratios": [2.0, 1.5, 0.95]}
    )
    end = max(
        float(np.quantile(speed, _LONGEST)),
        1.1 * float(np.nanmax([statistics.effective_speed_m_s, statistics.model_interval_m_s[1]])),
        1.1 * mount.mount.cut_in_m_s,
    )
    bins = np.linspace(0.0, end, _BINS + 1)
    width = bins[1] - bins[0]
    share = np.histogram(speed, bins)[0] / len(speed)
    energy = np.histogram(speed, bins, weights=speed**3)[0] / max(float((speed**3).sum()), 1e-300)
    time_axes.stairs(share / width, bins, fill=True, color=style.SKY, alpha=0.6)
    time_axes.stairs(share / width, bins, color=style.BLUE, linewidth=1.2)
    time_axes.set_yscale("log")
    style.log_labels(time_axes.yaxis)
    time_axes.set_ylabel("share of time\nper m/s (s/m)")
    energy_axes.stairs(energy / width, bins, fill=True, color=style.ORANGE, alpha=0.6)
    energy_axes.stairs(energy / width, bins, color="#a94a00", linewidth=1.2)
    energy_axes.set_ylabel("share of energy\nper m/s (s/m)")
    for axes in (time_axes, energy_axes, interval_axes):
        axes.axvline(statistics.effective_speed_m_s, color=style.VERMILLION, linewidth=1.4)
        axes.axvline(
            statistics.mean_speed_m_s, color=style.INK, linewidth=1.2, linestyle=(0, (4, 2))
        )
        axes.axvline(
            mount.mount.cut_in_m_s, color=style.GREY, linewidth=1.1, linestyle=(0, (1, 1.5))
        )
    _intervals(interval_axes, statistics)
    interval_axes.set_xlim(0.0, end)
    interval_axes.set_xlabel("rotor-equivalent speed (m/s)")
    style.header_legend(figure, figure.axes[0].get_lines(), labels)
    return figure


def _intervals(axes: Axes, statistics: MountStatistics) -> None:
    rows = (
        ("model interval", statistics.model_interval_m_s, 2, style.ORANGE),
        ("sampling interval, 90 %", statistics.sampling_interval_m_s, 3, style.BLUE),
    )
    for height, (_, (low, high), digits, colour) in enumerate(rows):
        if np.isfinite([low, high]).all():
            axes.plot(
                [low, high],
                [height, height],
                color=colour,
                linewidth=9,
                solid_capstyle="butt",
                zorder=4,
            )
            axes.annotate(
                f"{wording.interval((low, high), digits)} m/s",
                xy=(high, height),
                xytext=(8, 0),
                textcoords="offset points",
                va="center",
                fontsize=8.5,
                bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.8, "alpha": 0.85},
            )
        else:
            axes.text(statistics.effective_speed_m_s, height, "  not computed", va="center")
    axes.set_yticks(range(len(rows)), [row[0] for row in rows])
    axes.set_ylim(-0.6, len(rows) - 0.4)
    axes.grid(axis="y", visible=False)
