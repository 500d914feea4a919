"""Figure: what one pass of each class does to the air at the mount."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from wakesim.outputs.figures import style
from wakesim.outputs.figures.style import Kind

if TYPE_CHECKING:
    from wakesim.measures.results import Signature
    from wakesim.results import MountResult, Result

_ROW_IN = 1.9
_SHOWN = 0.04  # share of the row's peak below which the edges of a signature are not shown
_LONGEST_S = 12.0
_EDGE_S = 0.1  # drawn beyond each end of the axis
_LEGEND = ("± 1 standard deviation", "along the road", "across, towards +y", "mean wake alone")
_TITLE_PT, _WHERE_PT = 8.5, 7.5  # font sizes above a panel, smaller where a line is too long
_CHARACTER = 0.66  # width of a bold character over its font size
_BAND_POINTS = 300  # of the band's edges, in a panel that is 150 points wide
_MARGIN_PT, _BETWEEN_PT = 40.0, 22.0  # what axis labels take of the figure's width


def draw(result: Result, mount: MountResult) -> Figure:
    """Small multiples, strongest class first, one vertical scale a row."""
    signatures = nearest_by_class(mount)
    columns = _columns(len(signatures))
    sizes = _font_sizes(signatures, (72 * style.WIDTH_IN - _MARGIN_PT) / columns - _BETWEEN_PT)
    rows = math.ceil(len(signatures) / columns)
    title = f"One pass of each vehicle class, mount {mount.mount.name}"
    row_in = _ROW_IN if rows > 1 else 1.25 * _ROW_IN
    figure = style.new_figure(result, title, 0.75 + row_in * rows, legend=_LEGEND)
    grid = figure.subplots(rows, columns, squeeze=False, sharex=True, sharey="row")
    span = _time_span(signatures)
    for axes, signature in zip(grid.flat, signatures, strict=False):
        _panel(axes, signature, span, sizes)
        axes.set_xlim(*span)
    for axes in grid.flat[len(signatures) :]:
        axes.set_visible(False)
    for column in range(columns):
        lowest = grid[rows - 1, column]
        if not lowest.get_visible():
            lowest = grid[rows - 2, column]
            lowest.tick_params(labelbottom=True)
        lowest.set_xlabel("time t (s)")
    for row in range(rows):
        grid[row, 0].set_ylabel("air velocity (m/s)")
        grid[row, 0].yaxis.set_major_locator(MaxNLocator(5))
    style.legend_of(grid[0, 0])
    return figure


def nearest_by_class(mount: MountResult) -> list[Signature]:
    """One signature a class, of the lane with the least clearance, highest peak first."""
    nearest: dict[str, Signature] = {}
    for signature in mount.signatures:
        held = nearest.get(signature.vehicle)
        if held is None or signature.clearance_m < held.clearance_m:
            nearest[signature.vehicle] = signature
    return sorted(nearest.values(), key=lambda s: -s.peak_m_s)


def _columns(panels: int) -> int:
    """Three columns, or four where they leave less room empty."""
    return min(panels, min((3, 4), key=lambda columns: -panels % columns))


def _panel(
    axes: Axes, signature: Signature, span: tuple[float, float], sizes: tuple[float, float]
) -> None:
    shown = slice(*np.searchsorted(signature.time_s, [span[0] - _EDGE_S, span[1] + _EDGE_S]))
    t, u, sigma = signature.time_s[shown], signature.u_m_s[shown], signature.sigma_m_s[shown]
    axes.axhline(0.0, color=style.GREY, linewidth=0.7)
    step = max(1, len(t) // _BAND_POINTS)  # lines are thinned where they are written, areas not
    axes.fill_between(t[::step], (u - sigma)[::step], (u + sigma)[::step], color=style.SKY,
                      alpha=0.45, linewidth=0, label=_LEGEND[0])  # fmt: skip
    axes.plot(t, u, color=style.BLUE, label=_LEGEND[1])
    axes.plot(t, signature.v_m_s[shown], color=style.VERMILLION, linestyle=(0, (4, 1.5)),
              label=_LEGEND[2])  # fmt: skip
    axes.plot(t, signature.wake_u_m_s[shown], color=style.INK, linestyle=(0, (1, 1.2)),
              linewidth=1.1, label=_LEGEND[3])  # fmt: skip
    name, where = _head(signature)
    _above(axes, 14.0, name, fontsize=sizes[0], weight="bold")
    _above(axes, 4.0, where, fontsize=sizes[1])


def _head(signature: Signature) -> tuple[str, str]:
    """The two lines above a panel."""
    where = f"{signature.speed_m_s:.0f} m/s, {signature.lane}, {signature.clearance_m:.1f} m"
    return signature.label or signature.vehicle, where


def _font_sizes(signatures: list[Signature], width_pt: float) -> tuple[float, float]:
    """Font sizes at which the longest of the lines above the panels fit."""
    longest = [max(map(len, lines)) for lines in zip(*map(_head, signatures), strict=True)]
    name, where = (width_pt / (_CHARACTER * max(1, length)) for length in longest)
    return min(_TITLE_PT, name), min(_WHERE_PT, where)


def _above(axes: Axes, points: float, text: str, **looks: Any) -> None:
    """A line of text at so many points above the panel's upper left corner."""
    style.beside(axes, text, (0.0, 1.0), (0.0, points), xycoords="axes fraction", va="bottom",
                 **looks)  # fmt: skip


def _time_span(signatures: list[Signature]) -> tuple[float, float]:
    """The times between which any class still stands out from rest."""
    starts, ends = [], []
    for s in signatures:
        size = np.maximum(np.hypot(s.u_m_s, s.v_m_s), s.sigma_m_s)
        shown = np.flatnonzero(size > _SHOWN * max(float(size.max()), 1e-12))
        if len(shown):
            starts.append(float(s.time_s[shown[0]]))
            ends.append(float(s.time_s[shown[-1]]))
    if not starts:
        return -1.0, 5.0
    start = max(min(starts), -_LONGEST_S / 4)
    return start, max(min(max(ends), start + _LONGEST_S), start + 1.0)


FIGURES = (
    Kind("signature", 20, ("traffic", "single_pass"), draw,
         wanted=lambda result, mount: len(mount.signatures) > 0),
)  # fmt: skip
