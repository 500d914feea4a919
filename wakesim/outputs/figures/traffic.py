"""Figures of traffic at a mount: series, distribution, what makes the energy, hours, spectrum."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from wakesim.arrays import Array
from wakesim.outputs import wording
from wakesim.outputs.figures import style
from wakesim.outputs.figures.style import Kind

if TYPE_CHECKING:
    from wakesim.measures.results import HourRow, MountStatistics, Series
    from wakesim.results import MountResult, Result

WINDOW_S = 90.0
_EFFECTIVE_INK = "#a94a00"

# distribution
_BINS = 60
_LONGEST = 0.9999  # quantile of the speed up to which the axis runs

# hours
_HOURS_LEGEND = (
    "effective speed",
    "mean speed",
    "effective speed of all hours, sampling interval",
)

# spectrum
_SPECTRUM_LEGEND = (
    "simulated",
    "simulated, mean of bands",
    "pulses and mean wakes",
    "difference: turbulence",
    "slope −2/3",
)
_BANDS_PER_DECADE = 10
_SPLIT_HZ = 0.5  # Eskridge and Rao 1983, abstract read
_DEEPEST_PART = 3e-3  # the same for a part of it
_DEEPEST = 1e-4  # share of the highest value below which the curve is not shown


# --- a typical stretch of a busy hour -----------------------------------------------------------


def typical_busy_window(series: Series, length_s: float) -> slice:
    """A window of ``length_s`` in the hour with most passes, with that hour's usual mean cube.

    Of the consecutive windows of the hour it is the one whose mean cubed speed is nearest to the
    mean over the hour, so that it shows neither a lull nor a freak.
    """
    speed = np.asarray(series.speed_m_s, dtype=float)
    samples = max(1, round(length_s / series.dt_s))
    if samples >= len(speed):
        return slice(0, len(speed))
    first, last = _busiest_hour(series)
    if last - first < samples:
        middle = (first + last) // 2
        start = min(max(0, middle - samples // 2), len(speed) - samples)
        return slice(start, start + samples)
    count = (last - first) // samples
    cubes = speed[first : first + count * samples].reshape(count, samples) ** 3
    wanted = float(np.mean(speed[first:last] ** 3))
    best = first + samples * int(np.argmin(np.abs(cubes.mean(axis=1) - wanted)))
    return slice(best, best + samples)


def _busiest_hour(series: Series) -> tuple[int, int]:
    """First and one-past-last sample of the run of equal clock hours with most passes."""
    hour = np.asarray(series.hour)
    edges = np.concatenate([[0], np.flatnonzero(np.diff(hour)) + 1, [len(hour)]])
    times = np.asarray(series.time_s)[np.minimum(edges, len(hour) - 1)].astype(float)
    times[-1] = np.inf
    passes = np.histogram(np.asarray(series.passes.time_s), bins=times)[0]
    lengths = np.diff(edges)
    busiest = int(np.argmax(passes / lengths)) if len(passes) else 0
    return int(edges[busiest]), int(edges[busiest + 1])


def draw_series(result: Result, mount: MountResult, statistics: MountStatistics) -> Figure:
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
        style.legend_of(top)
    return figure


def _present(result: Result, statistics: MountStatistics, time: Array) -> list[str]:
    """Labels of the classes that pass within the window."""
    passes = statistics.series.passes
    inside = (np.asarray(passes.time_s) >= time[0]) & (np.asarray(passes.time_s) <= time[-1])
    seen = set(np.asarray(passes.vehicle)[inside].tolist())
    vehicles = enumerate(result.case.vehicles)
    return [style.class_label(result, name) for number, name in vehicles if number in seen]


def _passes(
    axes: Axes, result: Result, statistics: MountStatistics, time: Array, lanes: list[str]
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
                when[chosen] - time[0], lane[chosen], s=34, color=colour, marker=marker, zorder=3,
                edgecolors="white", linewidths=0.5, label=style.class_label(result, name),
            )  # fmt: skip
    axes.set_yticks(range(len(lanes)), lanes)
    axes.set_ylim(-0.6, len(lanes) - 0.4)
    axes.set_ylabel("lane")
    axes.tick_params(labelbottom=False)
    axes.grid(axis="x", visible=False)


def _speed(axes: Axes, statistics: MountStatistics, time: Array, speed: Array) -> None:
    effective, mean = statistics.effective_speed_m_s, statistics.mean_speed_m_s
    low, high = statistics.model_interval_m_s
    if np.isfinite([low, high]).all():
        axes.axhspan(low, high, color=style.ORANGE, alpha=0.22, linewidth=0)
    axes.plot(time - time[0], speed, color=style.BLUE, linewidth=1.0)
    axes.axhline(effective, color=style.VERMILLION, linewidth=1.5)
    axes.axhline(mean, color=style.INK, linewidth=1.2, linestyle=style.DASHED)
    gap = max(0.16 * float(max(speed.max(), effective)) - abs(effective - mean), 0.0) / 2
    for value, shift, text, colour in (
        (effective, gap, "effective", _EFFECTIVE_INK),
        (mean, -gap, "mean", style.INK),
    ):
        label = f"{text}\n{wording.significant(value)} m/s"
        style.beside(axes, label, (1.0, value + shift), (4, 0), va="center", color=colour,
                     xycoords=("axes fraction", "data"), fontsize=8.5)  # fmt: skip
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


# --- how often each speed occurs, and where the energy is ---------------------------------------


def draw_distribution(result: Result, mount: MountResult, statistics: MountStatistics) -> Figure:
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
    share, bins = np.histogram(speed, _BINS, (0.0, end))
    width = bins[1] - bins[0]
    share = share / len(speed)
    cubes = speed * speed * speed
    energy = np.histogram(speed, _BINS, (0.0, end), weights=cubes)[0] / max(cubes.sum(), 1e-300)
    for axes, values, colour, edge, label in (
        (time_axes, share / width, style.SKY, style.BLUE, "share of time"),
        (energy_axes, energy / width, style.ORANGE, _EFFECTIVE_INK, "share of energy"),
    ):
        axes.stairs(values, bins, fill=True, color=colour, alpha=0.6)
        axes.stairs(values, bins, color=edge, linewidth=1.2)
        axes.set_ylabel(f"{label}\nper m/s (s/m)")
    time_axes.set_yscale("log")
    style.log_labels(time_axes.yaxis)
    for axes in (time_axes, energy_axes, interval_axes):
        for value, colour, line_width, dashes in (
            (statistics.effective_speed_m_s, style.VERMILLION, 1.4, "solid"),
            (statistics.mean_speed_m_s, style.INK, 1.2, style.DASHED),
            (mount.mount.cut_in_m_s, style.GREY, 1.1, style.DOTTED),
        ):
            axes.axvline(value, color=colour, linewidth=line_width, linestyle=dashes)
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
            axes.plot([low, high], [height, height], color=colour, linewidth=9,
                      solid_capstyle="butt", zorder=4)  # fmt: skip
            label = f"{wording.interval((low, high), digits)} m/s"
            style.beside(axes, label, (high, height), (8, 0), va="center", fontsize=8.5,
                         bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.8,
                               "alpha": 0.85})  # fmt: skip
        else:
            axes.text(statistics.effective_speed_m_s, height, "  not computed", va="center")
    axes.set_yticks(range(len(rows)), [row[0] for row in rows])
    axes.set_ylim(-0.6, len(rows) - 0.4)
    axes.grid(axis="y", visible=False)


# --- what makes the energy ----------------------------------------------------------------------


def _finite(*shares: Mapping[str, float]) -> bool:
    """Whether every table has entries and all of them are numbers (air at rest has no shares)."""
    return all(table and all(map(math.isfinite, table.values())) for table in shares)


def draw_split(result: Result, mount: MountResult, statistics: MountStatistics) -> Figure:
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
    _share_bars(top, mechanisms, style.BLUE, "by mechanism")
    _share_bars(bottom, classes, style.GREEN, "by vehicle class")
    low = min(0.0, *(v for _, v in mechanisms), *(v for _, v in classes))
    high = max(0.0, *(v for _, v in mechanisms), *(v for _, v in classes))
    margin = 14.0 * (high - low)
    bottom.set_xlim(100 * low - (margin if low < 0 else 0.0), 100 * high + margin)
    bottom.set_xlabel("share of the mean cubed speed (%)")
    return figure


def _sorted(shares: dict[str, float]) -> list[tuple[str, float]]:
    return sorted(shares.items(), key=lambda item: item[1])


def _share_bars(axes: Axes, shares: list[tuple[str, float]], colour: str, title: str) -> None:
    names = [name for name, _ in shares]
    values = [100 * value for _, value in shares]
    bars = axes.barh(range(len(shares)), values, height=0.68, color=colour)
    for bar, value in zip(bars, values, strict=True):
        if value < 0:
            bar.set(facecolor="white", edgecolor=colour, hatch="////")
    for row, value in enumerate(values):
        right = value >= 0
        style.beside(axes, f"{wording.number(value, 1)} %", (value, row), (4 if right else -4, 0),
                     ha="left" if right else "right", va="center", fontsize=8.5)  # fmt: skip
    axes.axvline(0.0, color=style.GREY, linewidth=0.8)
    axes.set_yticks(range(len(shares)), names)
    axes.set_title(title, loc="left")
    axes.grid(axis="y", visible=False)


# --- hour by hour -------------------------------------------------------------------------------


def draw_hours(result: Result, mount: MountResult, statistics: MountStatistics) -> Figure:
    """Speeds above, flow below, on one axis of hours."""
    rows = statistics.hourly
    title = f"Hour by hour, mount {mount.mount.name}"
    figure = style.new_figure(result, title, 3.9, legend=_HOURS_LEGEND)
    top, bottom = figure.subplots(2, 1, sharex=True, gridspec_kw={"height_ratios": [1.6, 1.0]})
    place = np.arange(len(rows))
    _hour_speeds(top, statistics, rows, place)
    bottom.bar(place, [row.flow_veh_h for row in rows], width=0.78, color="#8c8c8c")
    bottom.set_ylabel("flow\n(vehicles/h)")
    bottom.yaxis.set_major_locator(MaxNLocator(4))
    style.hour_axis(bottom, [row.hour for row in rows], 1 if len(rows) <= 12 else 2)
    for axes in (top, bottom):
        axes.grid(axis="x", visible=False)
        axes.set_ylim(0.0, 1.06 * axes.get_ylim()[1])
    style.legend_of(top)
    return figure


def _hour_speeds(
    axes: Axes, statistics: MountStatistics, rows: tuple[HourRow, ...], place: Array
) -> None:
    low, high = statistics.sampling_interval_m_s
    for values, colour, marker, size, dashes, label in (
        ([row.effective_speed_m_s for row in rows], style.VERMILLION, "o", 4.5, "-", 0),
        ([row.mean_speed_m_s for row in rows], style.INK, "s", 3.5, style.DASHED, 1),
    ):
        axes.plot(place, values, color=colour, marker=marker, markersize=size, linestyle=dashes,
                  label=_HOURS_LEGEND[label])  # fmt: skip
    if np.isfinite([low, high]).all():
        axes.axhspan(low, high, color=style.ORANGE, alpha=0.45, linewidth=0,
                     label=_HOURS_LEGEND[2])  # fmt: skip
    axes.set_ylabel("air speed (m/s)")


# --- spectrum -----------------------------------------------------------------------------------


def share_above(frequency: Array, density: Array, split_hz: float = _SPLIT_HZ) -> float:
    """Share of the variance at frequencies (n,) Hz from ``split_hz`` on; NaN without variance.

    ``density`` (n,) on equal steps of the frequency, as ``velocity_spectrum`` gives it.
    """
    total = float(np.sum(density))
    return float(np.sum(density[frequency >= split_hz])) / total if total > 0.0 else float("nan")


def _fast(result: Result, mount: MountResult, statistics: MountStatistics) -> dict[str, float]:
    """The share of fast fluctuations, with and without the slowest band."""
    frequency = np.asarray(statistics.spectrum_hz, dtype=float)
    density = np.asarray(statistics.spectrum_m2_s, dtype=float)
    return {
        "split_hz": _SPLIT_HZ,
        "fast": share_above(frequency, density),
        "fast_of_quick": share_above(frequency[1:], density[1:]),
        "slowest_s": 1.0 / float(frequency[1]),
    }


def draw_spectrum(result: Result, mount: MountResult, statistics: MountStatistics) -> Figure:
    """Premultiplied spectrum, both axes logarithmic."""
    title = f"Spectrum of the air's velocity, mount {mount.mount.name}"
    figure = style.new_figure(result, title, 3.3, legend=_SPECTRUM_LEGEND)
    axes = figure.subplots()
    frequency = np.asarray(statistics.spectrum_hz, dtype=float)
    density = np.asarray(statistics.spectrum_m2_s, dtype=float)
    passing = np.asarray(statistics.spectrum_passing_m2_s, dtype=float)
    shown = (frequency > 0) & (density > 0)
    shown[-1] = False  # the last value stands for half a band
    passing = (frequency * passing)[shown]
    frequency, power = frequency[shown], (frequency * density)[shown]
    axes.set(xscale="log", yscale="log")
    axes.set_xlabel("frequency f (Hz)")
    axes.set_ylabel("f · S(f) (m²/s²)")
    if not len(power):
        style.note(axes, "no fluctuation")
        return figure
    axes.plot(
        frequency, power, color=style.SKY, linewidth=0.8, alpha=0.8, label=_SPECTRUM_LEGEND[0]
    )
    bands, smooth = band_means(frequency, power)
    axes.plot(bands, smooth, color=style.BLUE, linewidth=1.6, label=_SPECTRUM_LEGEND[1])
    _, swept = band_means(frequency, passing)
    for values, colour, dashes, label in (
        (swept, style.VERMILLION, "solid", _SPECTRUM_LEGEND[2]),
        (smooth - swept, style.GREEN, (0, (5, 2)), _SPECTRUM_LEGEND[3]),
    ):
        seen = np.where(values > 0.0, values, np.nan)
        axes.plot(bands, seen, color=colour, linestyle=dashes, linewidth=1.5, label=label)
    top = float(power.max())
    _slope(axes, bands, smooth)
    lowest = max(float(swept[swept > 0.0].min(initial=np.inf)), _DEEPEST_PART * top)
    lowest = max(min(lowest, float(power.min())) / 1.5, _DEEPEST * top)
    axes.set_ylim(lowest, 2.5 * top)
    axes.set_xlim(float(frequency[0]), float(frequency[-1]))
    style.log_labels(axes.xaxis)
    style.log_labels(axes.yaxis)
    style.legend_of(axes)
    return figure


def band_means(frequency: Array, power: Array) -> tuple[Array, Array]:
    """Means over bands of equal width in the logarithm of the frequency; empty bands left out."""
    number = np.floor(_BANDS_PER_DECADE * np.log10(frequency / frequency[0]))
    _, band = np.unique(number, return_inverse=True)
    count = np.bincount(band)
    centre = np.exp(np.bincount(band, np.log(frequency)) / count)
    return centre, np.bincount(band, power) / count


def _slope(axes: Axes, frequency: Array, power: Array) -> None:
    """A guide of slope -2/3 over the last decade, a little above the curve."""
    end = float(frequency[-1])
    guide = np.array([end / 10, end])
    level = 2.0 * float(np.interp(guide[0], frequency, power))
    axes.plot(guide, level * (guide / guide[0]) ** (-2.0 / 3.0), color=style.GREY,
              linestyle=style.DOTTED, label=_SPECTRUM_LEGEND[4])  # fmt: skip


_TRAFFIC = ("traffic",)
FIGURES = (
    Kind("series", 30, _TRAFFIC, draw_series, "statistics",
         lambda result, mount, statistics: len(statistics.series.time_s) > 1,
         lambda *_: {"window_s": WINDOW_S}),
    Kind("distribution", 40, _TRAFFIC, draw_distribution, "statistics",
         lambda result, mount, statistics: len(statistics.series.time_s) > 1),
    Kind("split", 50, _TRAFFIC, draw_split, "statistics",
         lambda result, mount, statistics: _finite(statistics.by_mechanism, statistics.by_class)),
    Kind("hours", 70, _TRAFFIC, draw_hours, "statistics",
         lambda result, mount, statistics: len(statistics.hourly) > 1),
    Kind("spectrum", 90, _TRAFFIC, draw_spectrum, "statistics",
         lambda result, mount, statistics: len(statistics.spectrum_hz) > 1, _fast),
)  # fmt: skip
