"""Figures of a year: energy by month and mount with its spread, and hours of the day by month."""

from __future__ import annotations

import calendar
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from wakesim.arrays import Array
from wakesim.energy.year import MONTHS
from wakesim.outputs.figures import style
from wakesim.outputs.figures.style import Kind

if TYPE_CHECKING:
    from wakesim.results import YearResult

_MOST_POSTS = 24
_COLOUR_TICKS = 5


def _draw_energy(result: YearResult) -> Figure:
    """Months of the first mount, and the net energy of every mount with its spread."""
    posts = result.posts[:_MOST_POSTS]
    rows = _spreads(result)
    first = posts[0]
    title = f"Energy by month, mount {first.mount.name}" + (", and of the year" if rows else "")
    height = 2.2 + (0.5 + 0.24 * len(rows) if rows else 0.0)
    figure = style.new_figure(result, title, height, legend=("with traffic", "wind alone"))
    if rows:
        ratios = {"height_ratios": [1.9, 0.4 + 0.24 * len(rows)]}
        top, bottom = figure.subplots(2, 1, gridspec_kw=ratios)
        _bars(bottom, rows)
    else:
        top = figure.subplots()
    month = np.arange(MONTHS)
    for shift, power, colour, label in (
        (-0.2, first.with_traffic_w, style.VERMILLION, "with traffic"),
        (0.2, first.without_traffic_w, style.SKY, "wind alone"),
    ):
        top.bar(month + shift, first.monthly_kwh(power), 0.38, color=colour, label=label)
    top.set_xticks(month, [calendar.month_abbr[m + 1] for m in month])
    top.set_ylabel("energy (kWh a month)")
    top.grid(axis="x", visible=False)
    style.legend_of(top)
    return figure


def _spreads(result: YearResult) -> list[tuple[str, float, float, float, float]]:
    """Label, P90, P50, P10 and central value: causes of a single mount, else the mounts."""
    posts = [post for post in result.posts[:_MOST_POSTS] if post.percentiles]
    if len(result.posts) == 1 and posts:
        central = posts[0].annual_net_kwh
        return [(c, p.p90, p.p50, p.p10, central) for c, p in posts[0].percentiles.items()]
    return [
        (post.mount.name, all_.p90, all_.p50, all_.p10, post.annual_net_kwh)
        for post in posts
        for all_ in (post.percentiles["together"],)
    ]


def _bars(axes: Axes, rows: list[tuple[str, float, float, float, float]]) -> None:
    place = np.arange(len(rows))[::-1]
    for y, (_, low, middle, high, central) in zip(place, rows, strict=True):
        axes.plot([low, high], [y, y], color=style.BLUE, linewidth=5, solid_capstyle="butt")
        axes.plot([middle], [y], marker="|", markersize=11, markeredgewidth=2, color=style.INK)
        axes.plot([central], [y], marker="D", markersize=4, color=style.VERMILLION)
    axes.set_yticks(place, [row[0] for row in rows], fontsize=8)
    axes.set_ylim(-0.7, len(rows) - 0.3)
    axes.set_xlabel("net energy (kWh a year)")
    axes.grid(axis="y", visible=False)


def _draw_pattern(result: YearResult) -> Figure:
    """Effective speed and what traffic adds, by month and clock hour."""
    post, hours = result.posts[0], result.hours
    figure = style.new_figure(result, f"Hours of the day by month, mount {post.mount.name}", 2.9)
    left, right = figure.subplots(1, 2, sharey=True)
    cube = _by_hour(hours, post.effective_speed_m_s**3)
    _map(figure, left, np.cbrt(cube), "effective speed (m/s)", "viridis", False)
    added = _by_hour(hours, post.with_traffic_w - post.without_traffic_w)
    _map(figure, right, 1000.0 * added, "power that traffic adds (mW)", "PuOr", True)
    left.set_ylabel("month")
    return figure


def _by_hour(hours: Any, values: Array) -> Array:
    """Mean of values (n,) by month and clock hour, (12, 24); NaN where there is no hour."""
    place = (hours.month - 1) * 24 + hours.clock_hour
    count = np.bincount(place, minlength=24 * MONTHS)
    with np.errstate(invalid="ignore"):
        mean = np.bincount(place, values, minlength=24 * MONTHS) / count
    return mean.reshape(MONTHS, 24)


def _map(figure: Figure, axes: Axes, values: Array, label: str, colours: str, even: bool) -> None:
    most = float(np.nanmax(np.abs(values))) or 1.0
    ends = {"vmin": -most, "vmax": most} if even else {}
    image = axes.imshow(values, aspect="auto", cmap=colours, interpolation="nearest", **ends)
    figure.colorbar(
        image, ax=axes, location="top", label=label, aspect=30, ticks=MaxNLocator(_COLOUR_TICKS)
    )
    axes.set_yticks(np.arange(MONTHS), [calendar.month_abbr[m + 1] for m in range(MONTHS)])
    axes.set_xticks(np.arange(0, 24, 4), [f"{h:02d}" for h in range(0, 24, 4)])
    axes.set_xlabel("clock hour, its beginning (h)")
    axes.grid(visible=False)


FIGURES = (
    Kind("year-energy", 10, ("year",), _draw_energy),
    Kind("year-hours", 20, ("year",), _draw_pattern),
)
