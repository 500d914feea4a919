"""Figures of the energy: power by hour and month, uncertain yield, pulse capture, loads."""

from __future__ import annotations

import calendar
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from wakesim.arrays import Array
from wakesim.energy.bounds import BETZ
from wakesim.energy.response import capture_ratio
from wakesim.energy.uncertainty import Percentiles, Ranking
from wakesim.outputs import wording
from wakesim.outputs.figures import style
from wakesim.outputs.figures.style import Kind
from wakesim.outputs.wording import significant

if TYPE_CHECKING:
    from wakesim.energy.study import EnergyResult
    from wakesim.results import MountResult, Result


_BETZ_LABEL = "bound of Betz"
_LOOKS = {
    "inertial": (style.VERMILLION, "o", "-"),
    "quasi_steady": (style.BLUE, "s", style.DASHED),
    "fixed_speed": (style.GREEN, "D", (0, (4, 1, 1, 1))),
}
_LEAST_SHARE = 0.005  # of the variance, for a bar
_PULSES_S = (0.2, 0.5, 1.0, 3.0)
_PULSE_SPEED_M_S = 2.0


def _draw_power(result: Result, mount: MountResult, energy: EnergyResult) -> Figure:
    """Hours above, months below."""
    power = energy.power
    legend = [wording.RESPONSES[name] for name in power.electrical_w] + [_BETZ_LABEL]
    title = f"Energy of the rotor, mount {mount.mount.name}"
    figure = style.new_figure(result, title, 4.6, legend=legend)
    top, bottom = figure.subplots(2, 1, gridspec_kw={"height_ratios": [1.5, 1.0]})
    place = np.arange(24)
    rows = [(values, *_LOOKS[name]) for name, values in power.electrical_w.items()]
    rows.append((BETZ * power.available_w, style.INK, "^", style.DOTTED))
    for (values, colour, marker, dashes), label in zip(rows, legend, strict=True):
        shown = np.where(values > 0.0, values, np.nan)
        top.plot(
            place, 1000.0 * shown, color=colour, marker=marker, markersize=4, linestyle=dashes,
            label=label,
        )  # fmt: skip
    if any(np.any(values > 0.0) for values, *_ in rows):
        top.set_yscale("log")
        style.log_labels(top.yaxis)
    top.set_ylabel("power (mW)")
    style.hour_axis(top, range(24), 2)
    _months(bottom, energy)
    style.legend_of(top)
    return figure


def _months(axes: Axes, energy: EnergyResult) -> None:
    year = energy.year
    month = np.arange(12)
    with_traffic = 1000.0 * year.monthly_kwh()
    alone = np.bincount(year.hours.month - 1, year.without_traffic_wh, minlength=12)
    axes.bar(month - 0.2, with_traffic, 0.38, color=style.VERMILLION, label="with traffic")
    axes.bar(month + 0.2, alone, 0.38, color=style.SKY, label="without traffic")
    axes.set_xticks(month, [calendar.month_abbr[m + 1] for m in month])
    axes.set_ylabel("energy (Wh a month)")
    axes.set_ylim(0.0, 1.28 * max(float(np.max([with_traffic, alone])), 1e-12))
    axes.legend(loc="upper right", ncols=2)
    axes.grid(axis="x", visible=False)


def _draw_uncertainty(result: Result, mount: MountResult, energy: EnergyResult) -> Figure:
    """Exceedance of speed and energy, and the rankings below them."""
    u = energy.uncertainty
    assert u is not None
    title = f"Uncertain yield, mount {mount.mount.name}"
    figure = style.new_figure(result, title, 5.4)
    (speed, energy), (below_speed, below_energy) = figure.subplots(
        2, 2, gridspec_kw={"height_ratios": [1.25, 1.0]}
    )
    _exceedance(speed, u.outputs[:, 0], u.speed, "effective speed (m/s)")
    _exceedance(energy, u.outputs[:, 1], u.energy, "energy (kWh a year)")
    speed.set_ylabel("samples above (%)")
    total = np.maximum(u.speed_ranking.total, u.energy_ranking.total)
    order = [k for k in np.argsort(total) if total[k] >= _LEAST_SHARE] or [int(np.argmax(total))]
    for axes, ranking, label in (
        (below_speed, u.speed_ranking, "variance of the speed (1)"),
        (below_energy, u.energy_ranking, "variance of the energy (1)"),
    ):
        _bars(axes, ranking, order)
        axes.set_xlabel(label)
    below_energy.set_yticklabels([])
    return figure


def _bars(axes: Axes, ranking: Ranking, order: list[int]) -> None:
    place = np.arange(len(order))
    first = np.maximum(ranking.first_order[order], 0.0)
    axes.barh(place, ranking.total[order], 0.72, facecolor="none", edgecolor=style.INK)
    axes.barh(place, first, 0.72, color=style.SKY)
    axes.set_yticks(place, [ranking.names[k] for k in order], fontsize=8)
    axes.set_xlim(0.0, 1.0)
    axes.grid(axis="y", visible=False)
    if not ranking.trusted:
        axes.set_title("not to be trusted", loc="right", fontsize=8, color=style.GREY)


def _exceedance(axes: Axes, values: Array, known: Percentiles, label: str) -> None:
    """Share of samples above a value, on a log axis when wide."""
    wide = known.p10 > 20.0 * max(known.p90, 0.0)
    least = max(known.p90 / 5.0, known.p10 / 1e4) if wide else 0.0
    ordered = np.sort(np.maximum(values, least))
    above = 100.0 * (1.0 - (np.arange(ordered.size) + 0.5) / ordered.size)
    axes.plot(ordered, above, color=style.INK)
    for share, name in ((90, "P90"), (50, "P50"), (10, "P10")):
        value = getattr(known, name.lower())
        axes.plot([max(value, least)], [share], "o", color=style.INK, markersize=4)
        style.beside(axes, f"{name} {significant(value, 2)}", (max(value, least), share), (6, 3),
                     fontsize=8, bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.75,
                                       "pad": 0.6})  # fmt: skip
    if wide:
        axes.set_xscale("log")
        axes.set_xlim(least, 3.0 * float(values.max()))
        style.log_labels(axes.xaxis)
    else:
        axes.set_xlim(0.0, 1.15 * float(values.max()) or 1.0)
    axes.set_xlabel(label)
    axes.set_ylim(0.0, 100.0)


def _draw_capture(result: Result, mount: MountResult, energy: EnergyResult) -> Figure:
    """Capture ratio over pulse length."""
    shares = (0.3, 0.5, 0.8)
    legend = [f"slow air: {share:g} of the pulse" for share in shares]
    title = f"How much of a gust the rotor catches, mount {mount.mount.name}"
    figure = style.new_figure(result, title, 3.0, legend)
    axes = figure.subplots()
    length = np.geomspace(0.01, 30.0, 22)
    constant = energy.rotor.time_constant_s(_PULSE_SPEED_M_S, energy.density_kg_m3)
    marks = np.array(_PULSES_S) / constant
    colours = (style.BLUE, style.VERMILLION, style.GREEN)
    for share, colour, label in zip(shares, colours, legend, strict=True):
        ratio = capture_ratio(energy.rotor, length, share, _PULSE_SPEED_M_S, energy.density_kg_m3)
        axes.plot(length, ratio, color=colour, label=label)
        own = capture_ratio(energy.rotor, marks, share, _PULSE_SPEED_M_S, energy.density_kg_m3)
        axes.plot(marks, own, "o", color=colour, markersize=4)
    axes.set_xscale("log")
    style.log_labels(axes.xaxis)
    axes.set_xlabel("pulse length / time constant (1)")
    axes.set_ylabel("share caught (1)")
    axes.set_ylim(0.0, 1.05)
    style.legend_of(axes)
    return figure


def _draw_loads(result: Result, mount: MountResult, energy: EnergyResult) -> Figure:
    """Pressure and force histories."""
    styles = style.class_styles(result)
    legend = [style.class_label(result, load.vehicle) for load in energy.loads]
    figure = style.new_figure(
        result, f"Indicative loads, no design values, mount {mount.mount.name}", 4.2, legend
    )
    top, bottom = figure.subplots(2, 1, sharex=True)
    for load, label in zip(energy.loads, legend, strict=True):
        colour = styles.get(load.vehicle, (style.INK, "o"))[0]
        near = (load.time_s > -1.0) & (load.time_s < 4.0)
        top.plot(load.time_s[near], load.pressure_pa[near], color=colour, label=label)
        bottom.plot(load.time_s[near], load.force_n[near], color=colour)
    top.set_ylabel("pressure (Pa)")
    bottom.set_ylabel("force along\nthe road (N)")
    bottom.set_xlabel("time after the nose is abreast of the mount (s)")
    style.legend_of(top)
    return figure


def _explained(result: Result, mount: MountResult, energy: EnergyResult) -> dict[str, float]:
    u = energy.uncertainty
    assert u is not None
    worse = min(ranking.explained for ranking in (u.speed_ranking, u.energy_ranking))
    return {"explained": max(worse, 0.0)}


_TRAFFIC = ("traffic",)
FIGURES = (
    Kind("energy", 100, _TRAFFIC, _draw_power, "energy"),
    Kind("yield-uncertainty", 110, _TRAFFIC, _draw_uncertainty, "energy",
         lambda result, mount, energy: energy.uncertainty is not None, _explained),
    Kind("capture", 120, _TRAFFIC, _draw_capture, "energy",
         lambda result, mount, energy: energy.rotor.power_curve is None,
         lambda *_: {"pulses_s": _PULSES_S, "speed_m_s": _PULSE_SPEED_M_S}),
    Kind("loads", 130, _TRAFFIC, _draw_loads, "energy",
         lambda result, mount, energy: len(energy.loads) > 0),
)  # fmt: skip
