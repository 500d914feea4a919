"""Figure: a typical minute and a half of a busy hour, with the vehicles that passed."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from wakesim.outputs import wording
from wakesim.outputs.figures import style
from wakesim.outputs.windows import typical_busy_window

if TYPE_CHECKING:
    from wakesim.measures.results import MountStatistics, Series
    from wakesim.results import MountResult, Result

WINDOW_S = 90.0


def caption(result: Result, mount: MountResult) -> str:
    """What the figure shows, in a sentence or two."""
    return (
        f"{WINDOW_S:.0f} seconds of the hour with most traffic, chosen because their mean cubed "
        "speed is nearest to that hour's. Above: each mark is a vehicle whose nose is abreast of "
        "the mount, by lane. Below: speed over the swept rectangle, with the band between the "
        "lower and upper end of the model interval of the effective speed."
    )


def draw(result: Result, mount: MountResult, statistics: MountStatistics) -> Figure:
    """Marks of the passes by lane above the rotor-equivalent speed."""
    series = statistics.series
    window = typical_busy_window(series, WINDOW_S)
    time = np.asarray(series.time_s, dtype=float)[window]
    lanes = [lane.name for lane in result.case.road.lanes]
    title = f"A typical stretch of a busy hour, mount {mount.mount.name}"
    classes = _present(result, statistics, time)
    figure = style.new_figure(result, title, 3.5 + 0.2 * len(lanes), legend=classes)
    top, bottom = figure.subplots(
        2, 1, sharex=True, gridspec_kw={"height_ratios": [0.3 + 0.22 * len(lanes), 2.1]}
    )
    _passes(top, result, statistics, time, lanes)
    _speed(bottom, statistics, time, np.asarray(series.speed_m_s)[window])
    bottom.set_xlabel(f"time after {_clock(series, window.start)} (s)")
    if classes:
        style.header_legend(figure, *top.get_legend_handles_labels())
    return figure


def _present(result: Result, statistics: MountStatistics, time: np.ndarray) -> list[str]:
    """Labels of the classes that pass within the window."""
    passes = statistics.series.passes
    inside = (np.asarray(passes.time_s) >= time[0]) & (np.asarray(passes.time_s) <= time[-1])
    seen = set(np.asarray(passes.vehicle)[inside].tolist())
    vehicles = enumerate(result.case.vehicles)
    return [style.class_label(result, name) for number, name in vehicles if number in seen]


def _passes(
    axes: Axes,
    result: Result,
    statistics: MountStatistics,
    time: np.ndarray,
    lanes: list[str],
) -> None:
    passes = statistics.series.passes
    when, lane, vehicle = (
        np.asarray(getattr(passes, key)) for key in ("time_s", "lane", "vehicle")
    )
    inside = (when >= time[0]) & (when <= time[-1])
    for number, (name, (colour, marker)) in enumerate(style.class_styles(result).items()):
        chosen = inside & (vehicle == number)
        if chosen.any():
            axes.scatter(
                when[chosen] - time[0],
                lane[chosen],
                s=34,
                color=colour,
                marker=marker,
                edgecolors="white",
                linewidths=0.5,
                label=style.class_label(result, name),
                zorder=3,
            )
    axes.set_yticks(range(len(lanes)), lanes)
    axes.set_ylim(-0.6, len(lanes) - 0.4)
    axes.set_ylabel("lane")
    axes.tick_params(labelbottom=False)
    axes.grid(axis="x", visible=False)


def _speed(axes: Axes, statistics: MountStatistics, time: np.ndarray, speed: np.ndarray) -> None:
    effective, mean = statistics.effective_speed_m_s, statistics.mean_speed_m_s
    low, high = statistics.model_interval_m_s
    if np.isfinite([low, high]).all():
        axes.axhspan(low, high, color=style.ORANGE, alpha=0.22, linewidth=0)
    axes.plot(time - time[0], speed, color=style.BLUE, linewidth=1.0)
    axes.axhline(effective, color=style.VERMILLION, linewidth=1.5)
    axes.axhline(mean, color=style.INK, linewidth=1.2, linestyle=(0, (4, 2)))
    gap = max(0.16 * float(max(speed.max(), effective)) - abs(effective - mean), 0.0) / 2
    for value, shift, text, colour in (
        (effective, gap, "effective", "#a94a00"),
        (mean, -gap, "mean", style.INK),
    ):
        axes.annotate(
            f"{text}\n{wording.significant(value)} m/s",
            xy=(1.0, value + shift),
            xycoords=("axes fraction", "data"),
            xytext=(4, 0),
            textcoords="offset points",
            va="center",
            color=colour,
            fontsize=8.5,
        )
    axes.set_xlim(0.0, float(time[-1] - time[0]))
    axes.set_ylim(bottom=0.0)
    axes.set_ylabel("rotor-equivalent speed (m/s)")


def _clock(series: Series, start: int) -> str:
    """Clock time hh:mm:ss of a sample."""
    hour = np.asarray(series.hour)
    time = np.asarray(series.time_s)
    changes = np.flatnonzero(hour[: start + 1] != hour[start])
    first = int(changes[-1]) + 1 if len(changes) else 0
    seconds = round(float(time[start] - time[first]))
    return f"{int(hour[start]):02d}:{seconds // 60:02d}:{seconds % 60:02d}"
