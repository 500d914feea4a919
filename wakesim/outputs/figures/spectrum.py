"""Figure: at which frequencies the air moves."""

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

_LEGEND = (
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


def caption(result: Result, mount: MountResult) -> str:
    """What the figure shows, in a sentence or two."""
    words = (
        "Frequency f times spectral density S of the along-road velocity at the centre of the "
        "swept rectangle: all of it, what pulses and mean wakes make as they sweep past, and the "
        "difference of both: turbulence, and at the slow end the drift's change from hour to hour. "
        "Dotted: the slope −2/3 of small-scale turbulence (von Kármán form)."
    )
    if mount.statistics is not None:
        words += _fast(mount.statistics)
    return words + _headway_lines(result)


def share_above(frequency: np.ndarray, density: np.ndarray, split_hz: float = _SPLIT_HZ) -> float:
    """Share of the variance at frequencies (n,) Hz from ``split_hz`` on; NaN without variance.

    ``density`` (n,) on equal steps of the frequency, as ``velocity_spectrum`` gives it.
    """
    total = float(np.sum(density))
    return float(np.sum(density[frequency >= split_hz])) / total if total > 0.0 else float("nan")


def _fast(statistics: MountStatistics) -> str:
    """The share of fast fluctuations, and what was observed."""
    frequency = np.asarray(statistics.spectrum_hz, dtype=float)
    density = np.asarray(statistics.spectrum_m2_s, dtype=float)
    everything = share_above(frequency, density)
    if not np.isfinite(everything):
        return ""
    quick = share_above(frequency[1:], density[1:])
    agrees = "as here" if quick > 0.5 else "more than here"
    return (
        f" {wording.number(100.0 * everything, 0)} % of the variance lies above {_SPLIT_HZ:g} Hz, "
        f"{wording.number(100.0 * quick, 0)} % without changes slower than "
        f"{wording.number(1.0 / frequency[1], 0)} s; published observation: most of what traffic "
        f"makes does (Eskridge and Rao 1983, abstract), {agrees}."
    )


def _headway_lines(result: Result) -> str:
    """Where sharp lines come from, when the headway model makes them."""
    traffic = result.case.traffic
    if traffic is None or traffic.headway.model == "exponential":
        return ""
    minimum = float(traffic.headway.minimum_s)
    where = (
        f" Lines at 1/minimum headway ({wording.significant(1.0 / minimum)} Hz) and its multiples "
    )
    if traffic.headway.model == "cowan_m3":
        return where + (
            "come from bunched vehicles, which keep exactly the minimum headway in this headway "
            "model; real followers vary."
        )
    return where + "come from the sharp lower limit of the headways in this headway model."


def draw(result: Result, mount: MountResult, statistics: MountStatistics) -> Figure:
    """Premultiplied spectrum, both axes logarithmic."""
    title = f"Spectrum of the air's velocity, mount {mount.mount.name}"
    figure = style.new_figure(result, title, 3.3, legend=_LEGEND)
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
    axes.plot(frequency, power, color=style.SKY, linewidth=0.8, alpha=0.8, label=_LEGEND[0])
    bands, smooth = band_means(frequency, power)
    axes.plot(bands, smooth, color=style.BLUE, linewidth=1.6, label=_LEGEND[1])
    _, swept = band_means(frequency, passing)
    for values, colour, dashes, label in (
        (swept, style.VERMILLION, "solid", _LEGEND[2]),
        (smooth - swept, style.GREEN, (0, (5, 2)), _LEGEND[3]),
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
    style.header_legend(figure, *axes.get_legend_handles_labels())
    return figure


def band_means(frequency: np.ndarray, power: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Means over bands of equal width in the logarithm of the frequency; empty bands left out."""
    number = np.floor(_BANDS_PER_DECADE * np.log10(frequency / frequency[0]))
    _, band = np.unique(number, return_inverse=True)
    count = np.bincount(band)
    centre = np.exp(np.bincount(band, np.log(frequency)) / count)
    return centre, np.bincount(band, power) / count


def _slope(axes: Axes, frequency: np.ndarray, power: np.ndarray) -> None:
    """A guide of slope -2/3 over the last decade, a little above the curve."""
    end = float(frequency[-1])
    guide = np.array([end / 10, end])
    level = 2.0 * float(np.interp(guide[0], frequency, power))
    axes.plot(
        guide,
        level * (guide / guide[0]) ** (-2.0 / 3.0),
        color=style.GREY,
        linestyle=(0, (1, 1.5)),
        label=_LEGEND[4],
    )
