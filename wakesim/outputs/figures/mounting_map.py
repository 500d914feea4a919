"""Figures of a mounting map: the map itself, and the set-back curve."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import MaxNLocator

from wakesim.case.mounts import PLACE_KINDS
from wakesim.outputs import wording
from wakesim.outputs.figures import style
from wakesim.outputs.figures.style import Kind

if TYPE_CHECKING:
    from wakesim.results import MapResult

_SWEPT, _SWEPT_EDGE, _KEEP_OUT = "#dbe7f0", "#35536b", "#8c8c8c"
_SLAB_M = 0.3
_LABEL_ROOM = (0.03, 0.025)  # half width and height of a contour label, shares of the axes


def _draw_map(result: MapResult) -> Figure:
    """The map over offset and height."""
    best = [(k, p) for k, p in result.best_by_kind.items()]
    handles = [
        Line2D([], [], marker=PLACE_KINDS[k].marker, color="none", markerfacecolor="white",
               markeredgecolor=style.INK, markersize=7, label=f"best {PLACE_KINDS[k].label}")
        for k, _ in best
    ] + [
        Line2D([], [], marker="x", color="none", markeredgecolor=style.VERMILLION,
               markeredgewidth=2, markersize=7, label="mount of the case"),
        Patch(facecolor=_SWEPT, edgecolor=_SWEPT_EDGE, label="swept by vehicles"),
        Patch(facecolor="white", edgecolor=_KEEP_OUT, hatch="////", label="kept free"),
    ]  # fmt: skip
    labels = [str(handle.get_label()) for handle in handles]
    figure = style.new_figure(result, f"Mounting map, hour {result.hour}", 3.9, labels)
    axes = figure.add_subplot()
    y, z = result.offset_m, result.height_m
    left, right = _ends(y)
    top = max(_ends(z)[1], max((s[2] for s in result.swept), default=0.0) + 0.4)
    axes.set(xlim=(left, right), ylim=(-_SLAB_M - 0.75, top))
    style.road_strip(axes, result.case.road, -_SLAB_M)
    _lanes(axes, result)
    _zones(axes, result)
    values = np.ma.masked_invalid(result.variables["effective_speed"])
    if values.count():
        mesh = axes.pcolormesh(y, z, values, cmap="viridis", shading="nearest", rasterized=True,
                               zorder=2)  # fmt: skip
        bar = figure.colorbar(mesh, ax=axes, pad=0.015, aspect=28)
        bar.set_label("effective speed (m/s)")
        bar.outline.set_visible(False)  # type: ignore[operator]
        marks = [(y[j], z[i]) for _, (i, j) in best]
        marks.append((result.case.mounts[0].offset_m, result.case.mounts[0].height_m))
        _contours(axes, result, values, marks)
    for kind, (i, j) in best:
        main = result.best == (i, j)
        axes.plot(y[j], z[i], marker=PLACE_KINDS[kind].marker, markersize=9 if main else 7,
                  markerfacecolor="white", markeredgecolor=style.INK,
                  markeredgewidth=2.2 if main else 1.1, linestyle="none", zorder=8)  # fmt: skip
    mount = result.case.mounts[0]
    axes.plot(mount.offset_m, mount.height_m, marker="x", color=style.VERMILLION,
              markeredgewidth=2, markersize=8, linestyle="none", zorder=9)  # fmt: skip
    axes.set_xlabel("offset y of the rotor axis from the near-side edge line (m)")
    axes.set_ylabel("height of the rotor's centre (m)")
    axes.set_yticks(range(0, int(top) + 1, 1 if top < 9 else 2))
    axes.grid(visible=False)
    style.header_legend(figure, handles, labels)
    return figure


def _ends(values: np.ndarray) -> tuple[float, float]:
    step = float(np.diff(values).min()) / 2
    return float(values[0]) - step, float(values[-1]) + step


def _lanes(axes: Axes, result: MapResult) -> None:
    left, right = axes.get_xlim()
    for lane in result.case.road.lanes:
        if left < lane.centre_m < right:
            symbol = style.heading(lane.direction)
            axes.text(lane.centre_m, -_SLAB_M - 0.1, symbol, ha="center", va="top", fontsize=9)


def _zones(axes: Axes, result: MapResult) -> None:
    from wakesim.studies.mounting_map import keep_out_spans  # not for the pictures of other studies

    table = result.case.map
    for low, high in keep_out_spans(result.case) if table is not None else ():
        assert table is not None
        style.box(axes, low, 0.0, high - low, table.headroom_m, facecolor="none",
                  edgecolor=_KEEP_OUT, hatch="////", linewidth=0.8, zorder=1)  # fmt: skip
    y, height = skyline(result.swept)
    axes.fill_between(y, height, 0.0, step="post", facecolor=_SWEPT, edgecolor=_SWEPT_EDGE,
                      linewidth=0.9, zorder=1.5)  # fmt: skip
    style.wall(axes, result.case.mounts[0], 0.35, 4)


def skyline(
    rectangles: Sequence[tuple[float, float, float]],
) -> tuple[np.ndarray, np.ndarray]:
    """Upper edge of rectangles (lowest y, highest y, height): y (n,), height from each y on."""
    y = np.array(sorted({end for low, high, _ in rectangles for end in (low, high)}))
    height = np.zeros(y.size)
    for low, high, top in rectangles:
        inside = (y >= low) & (y < high)
        height[inside] = np.maximum(height[inside], top)
    return y, height


def _contours(
    axes: Axes, result: MapResult, values: np.ma.MaskedArray, marks: Sequence[tuple[float, float]]
) -> None:
    """Contours with labels that show their levels in full, none under a mark or over the edge."""
    span = float(values.max() - values.min())
    if span <= 0.0 or min(values.shape) < 2:
        return
    levels = MaxNLocator(8).tick_values(float(values.min()), float(values.max()))
    lines = axes.contour(result.offset_m, result.height_m, values, levels=levels, colors="white",
                         linewidths=0.8, zorder=5)  # fmt: skip
    digits = next(d for d in range(1, 7) if d == 6 or np.allclose(np.round(levels, d), levels))
    labels = axes.clabel(lines, fmt=f"%.{digits}f", fontsize=7.5, inline=True, inline_spacing=3)
    (left, right), top = axes.get_xlim(), axes.get_ylim()[1]
    across, up = _LABEL_ROOM[0] * (right - left), _LABEL_ROOM[1] * top
    for label in labels:
        y, z = label.get_position()
        near = any(abs(y - a) < 1.5 * across and abs(z - b) < 1.5 * up for a, b in marks)
        if near or y < left + across or y > right - across or z > top - up:
            label.remove()


def _draw_set_back(result: MapResult) -> Figure:
    """Effective speed over offset at the best height, with the model interval."""
    assert result.best is not None
    offsets, speed, low, high = result.set_back
    labels = ["effective speed", "model interval", "best place"]
    height = wording.place(float(result.height_m[result.best[0]]))
    title = f"Sensitivity to set-back at {height} m height, hour {result.hour}"
    figure = style.new_figure(result, title, 2.9, labels)
    axes = figure.add_subplot()
    (line,) = axes.plot(offsets, speed, color=style.BLUE, marker="o", markersize=3.5)
    band = axes.fill_between(offsets, low, high, color=style.BLUE, alpha=0.18, linewidth=0)
    j = result.best[1]
    (star,) = axes.plot(result.offset_m[j], result.variables["effective_speed"][result.best],
                        marker=PLACE_KINDS[str(result.kind[result.best])].marker, markersize=9,
                        markerfacecolor="white", markeredgecolor=style.INK, markeredgewidth=2,
                        linestyle="none")  # fmt: skip
    axes.set_ylim(bottom=0.0)
    axes.set_xlabel("offset y of the rotor axis from the near-side edge line (m)")
    axes.set_ylabel("effective speed (m/s)")
    style.header_legend(figure, [line, band, star], labels)
    return figure


FIGURES = (
    Kind("map", 10, ("mounting_map",), _draw_map),
    Kind("set-back", 20, ("mounting_map",), _draw_set_back,
         wanted=lambda result: result.set_back.shape[1] > 1),
)  # fmt: skip
