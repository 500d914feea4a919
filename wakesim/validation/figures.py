"""One figure for each comparison: measured values with their uncertainty, and what is computed.

With a condition named in [figure] the values are drawn against it; without one, few points are
drawn as rows with their labels and many as computed against measured.
"""

from __future__ import annotations

import io
import math
import textwrap
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.axis import Axis
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import FuncFormatter
from PIL import Image

from wakesim.arrays import Array, Mask
from wakesim.outputs.figures.style import (
    BLUE,
    GREEN,
    GREY,
    INK,
    ORANGE,
    PALE,
    PURPLE,
    SKY,
    VERMILLION,
    WIDTH_IN,
    house_style,
    log_labels,
)
from wakesim.validation.comparison import (
    Comparison,
    after_number,
    condition_head,
    name_and_unit,
    short,
)
from wakesim.validation.scorecard import Outcome
from wakesim.validation.verdict import limit_text

DPI = 120
MAX_ROWS = 20
_PALETTE = 64
_TITLE_WIDTH = 88
_LINE_IN = 0.19
_COLOURS = (BLUE, VERMILLION, GREEN, PURPLE, ORANGE, SKY, INK)
_MARKERS = ("o", "s", "^", "D", "v", "P", "X")
_LABEL_WIDTH = 44

Handles = list[Line2D | Patch]


def save_figure(outcome: Outcome, path: Path) -> None:
    """Draw a comparison and write it as PNG; the same bytes each time."""
    buffer = io.BytesIO()
    with house_style():
        figure = draw(outcome)
        figure.savefig(buffer, format="png", dpi=DPI, metadata={"Software": None})
    # few colours are used; a palette makes the file a third as large
    image = Image.open(buffer).convert("RGB").quantize(_PALETTE)
    image.save(path, format="png", optimize=True)


def draw(outcome: Outcome) -> Figure:
    """The figure of one comparison, to be used under ``house_style``."""
    c = outcome.comparison
    rows = c.figure.x is None and c.size <= MAX_ROWS
    labels = _row_labels(c) if rows else []
    body_in = 0.75 + 0.19 * sum(1 + text.count("\n") for text in labels) if rows else 3.3
    figure, axes, legend_top = _canvas(outcome, max(body_in, 1.1))
    if rows:
        handles = _draw_rows(axes, outcome, labels)
    elif c.figure.x is None:
        handles = _draw_scatter(axes, outcome)
    else:
        handles = _draw_against(axes, outcome, c.figure.x)
    _legend(figure, handles, legend_top)
    return figure


# --- frame ----------------------------------------------------------------------------------


def _canvas(outcome: Outcome, body_in: float) -> tuple[Figure, Axes, float]:
    """Figure with title and verdict, its axes, and the height at which the legend starts."""
    title = textwrap.wrap(outcome.comparison.title, _TITLE_WIDTH)
    verdict = textwrap.wrap(_verdict_line(outcome), _TITLE_WIDTH + 24)
    legend_rows = 2 if outcome.comparison.figure.group else 1
    head_in = 0.10 + _LINE_IN * (len(title) + len(verdict)) + 0.24 * legend_rows
    height = body_in + head_in
    figure = Figure(figsize=(WIDTH_IN, height))
    figure.set_layout_engine("constrained", rect=(0.012, 0.0, 0.98, 1.0 - head_in / height))
    top = 1.0 - 0.06 / height
    figure.text(0.010, top, "\n".join(title), ha="left", va="top", fontsize=9.5, weight="bold")
    below = top - _LINE_IN * len(title) / height
    colour = VERMILLION if outcome.verdict.word == "fails" else GREY
    figure.text(0.010, below, "\n".join(verdict), ha="left", va="top", fontsize=8.5, color=colour)
    return figure, figure.subplots(), below - (_LINE_IN * len(verdict) + 0.01) / height


def _verdict_line(outcome: Outcome) -> str:
    """``fails: rms error 0.54 m/s; mark: rms error at most 0.5 m/s``."""
    word = outcome.verdict.word
    if outcome.verdict.met and outcome.verdict.reason:
        word += f" ({outcome.verdict.reason})"
    text = f"{word}: {outcome.result}"
    if outcome.comparison.mark is not None:
        text += f"; mark: {limit_text(outcome.comparison.mark, outcome.comparison.unit)}"
    return text


def _legend(figure: Figure, handles: Handles, top: float) -> None:
    figure.legend(
        handles,
        [str(handle.get_label()) for handle in handles],
        loc="upper left",
        bbox_to_anchor=(0.010, top),
        ncols=4,
        borderaxespad=0.0,
        borderpad=0.15,
        labelspacing=0.3,
        columnspacing=1.6,
        handletextpad=0.6,
    )


# --- names on the axes and in the legend ---------------------------------------------------------


def _reference_name(c: Comparison) -> str:
    """What the reference values are called in the legend."""
    weak = c.status in ("from memory", "second hand")
    name = f"reference ({c.status})" if weak else "measured"
    if c.status == "exact":
        name = "exact"
    elif c.status == "derived":
        name = "measured (derived from figures read)"
    if c.mark is not None and c.mark.metric == "upper_envelope":
        name = "envelope" + (f" ({c.status})" if weak else "")
    return name + (", bar: uncertainty" if c.uncertainty is not None else "")


def _value_label(c: Comparison) -> str:
    name = c.figure.value or c.quantity.replace("_", " ")
    unit = after_number(c.unit).strip()
    return f"{name} ({unit})" if unit and f"({c.unit})" not in name else name


def _band(c: Comparison) -> tuple[Array, Array] | None:
    """What the mark allows at each point, where the mark is about single points."""
    mark, measured = c.mark, c.measured
    if mark is None:
        return None
    if mark.metric == "ratio_range" and mark.low is not None and mark.high is not None:
        first, last = measured * mark.low, measured * mark.high
    elif mark.metric == "max_error" and mark.limit is not None:
        first, last = measured - mark.limit, measured + mark.limit
    elif mark.metric == "max_relative_error" and mark.limit is not None:
        first, last = measured * (1.0 - mark.limit), measured * (1.0 + mark.limit)
    else:
        return None
    return np.minimum(first, last), np.maximum(first, last)


# --- the three kinds --------------------------------------------------------------------------


def _row_labels(c: Comparison) -> list[str]:
    """Labels of the rows, each on at most two lines."""
    return [textwrap.fill(textwrap.shorten(text, 2 * _LABEL_WIDTH, placeholder=" …"), _LABEL_WIDTH)
            for text in c.labels]  # fmt: skip


def _draw_rows(axes: Axes, outcome: Outcome, labels: list[str]) -> Handles:
    """A row for each point, with its label."""
    c = outcome.comparison
    place = np.arange(c.size, dtype=float)
    band = _band(c)
    handles: Handles = []
    if band is not None:
        axes.barh(place, band[1] - band[0], left=band[0], height=0.62, color=PALE, zorder=1)
        handles.append(Patch(color=PALE, label="allowed by the mark"))
    axes.errorbar(
        c.measured, place, xerr=c.uncertainty, fmt="o", ms=5.5, color=INK, capsize=3, zorder=3
    )
    axes.plot(outcome.computed, place, "D", ms=5.5, mfc="none", mew=1.5, color=BLUE, zorder=4)
    axes.set_yticks(place, labels)
    if c.numbered:
        axes.set_ylabel("point")
    axes.set_ylim(c.size - 0.4, -0.6)
    axes.grid(visible=False, axis="y")
    axes.set_xlabel(_value_label(c))
    _scale(axes, "x", _all_values(outcome), c.figure.log)
    return [
        Line2D([], [], ls="", marker="o", color=INK, label=_reference_name(c)),
        Line2D([], [], ls="", marker="D", mfc="none", mew=1.5, color=BLUE, label="computed"),
        *handles,
    ]


def _draw_scatter(axes: Axes, outcome: Outcome) -> Handles:
    """Computed against measured, with the lines of equality and of a factor of two."""
    c = outcome.comparison
    axes.errorbar(
        c.measured, outcome.computed, xerr=c.uncertainty, fmt="o", ms=4.5, color=BLUE,
        ecolor=GREY, capsize=2, zorder=3,
    )  # fmt: skip
    values = _all_values(outcome)
    low, high = float(values.min()), float(values.max())
    positive = low > 0.0
    pad = 0.06 * (high - low or abs(high) or 1.0)
    ends = (low / 1.2, high * 1.2) if c.figure.log and positive else (low - pad, high + pad)
    line = np.array(ends)
    axes.plot(line, line, color=INK, lw=1.0, zorder=2)
    handles: Handles = [
        Line2D([], [], ls="", marker="o", color=BLUE, label="one point"),
        Line2D([], [], color=INK, lw=1.0, label="equal"),
    ]
    if positive:
        axes.plot(line, 2 * line, color=GREY, lw=0.9, ls="--", zorder=2)
        axes.plot(line, 0.5 * line, color=GREY, lw=0.9, ls="--", zorder=2)
        handles.append(Line2D([], [], color=GREY, lw=0.9, ls="--", label="factor of two"))
    if c.figure.log and positive:
        axes.set_xscale("log")
        axes.set_yscale("log")
    axes.set(xlim=ends, ylim=ends)
    if c.figure.log and positive:
        _label_log(axes.xaxis)
        _label_log(axes.yaxis)
    axes.set_xlabel(f"{_reference_name(c)}: {_value_label(c)}")
    axes.set_ylabel(f"computed: {_value_label(c)}")
    return handles


def _draw_against(axes: Axes, outcome: Outcome, name: str) -> Handles:
    """Values against a condition; one colour for each value of the grouping condition."""
    c = outcome.comparison
    x = c.conditions[name]
    groups = _groups(c)
    handles: Handles = []
    band = _band(c) if len(groups) == 1 else None
    if band is not None and np.unique(x).size == x.size > 1:
        order = np.argsort(x)
        fill = axes.fill_betweenx if c.figure.vertical else axes.fill_between
        fill(x[order], band[0][order], band[1][order], color=PALE, lw=0, alpha=0.7, zorder=1)
        handles.append(Patch(color=PALE, label="allowed by the mark"))
    for number, (label, chosen) in enumerate(groups):
        colour = _COLOURS[number % len(_COLOURS)] if len(groups) > 1 else BLUE
        marker = _MARKERS[number % len(_MARKERS)]
        _series(axes, outcome, x, chosen, colour, marker, len(groups) > 1)
        if len(groups) > 1:
            handles.append(Line2D([], [], color=colour, marker=marker, label=label))
    _dress(axes, outcome, name, x)
    return [*_kind_handles(c, len(groups) > 1), *handles]


def _groups(c: Comparison) -> list[tuple[str, Mask]]:
    """(label, mask) of each series, at most as many as there are colours."""
    if c.figure.group is None:
        return [("", np.ones(c.size, dtype=bool))]
    values = c.conditions[c.figure.group]
    distinct = np.unique(values)
    if distinct.size > len(_COLOURS):
        return [("", np.ones(c.size, dtype=bool))]
    name, unit = name_and_unit(c.figure.group)
    return [
        (f"{name} = {short(float(value))} {unit}".rstrip(), values == value) for value in distinct
    ]


def _series(
    axes: Axes,
    outcome: Outcome,
    x: Array,
    chosen: Mask,
    colour: str,
    marker: str,
    grouped: bool,
) -> None:
    c = outcome.comparison
    order = np.flatnonzero(chosen)[np.argsort(x[chosen], kind="stable")]
    along, measured, computed = x[order], c.measured[order], outcome.computed[order]
    error = None if c.uncertainty is None else c.uncertainty[order]
    smooth = np.unique(along).size == along.size
    ink = colour if grouped else INK
    across, up = (error, None) if c.figure.vertical else (None, error)
    first = (measured, along) if c.figure.vertical else (along, measured)
    envelope = c.mark is not None and c.mark.metric == "upper_envelope" and smooth
    axes.errorbar(
        *first, fmt=marker, ms=4.5, color=ink, capsize=2.5, zorder=3,
        ls="--" if envelope else "", lw=1.2, elinewidth=1.0,
        xerr=across, yerr=up,
    )  # fmt: skip
    second = (computed, along) if c.figure.vertical else (along, computed)
    few = along.size <= 30
    axes.plot(
        *second, ls="-" if smooth else "", marker="D" if few or not smooth else "",
        ms=4.0, mfc="none", mew=1.2, color=colour, zorder=4,
    )  # fmt: skip


def _kind_handles(c: Comparison, grouped: bool) -> Handles:
    colour = GREY if grouped else BLUE
    return [
        Line2D([], [], ls="", marker="o", color=GREY if grouped else INK, label=_reference_name(c)),
        Line2D([], [], marker="D", mfc="none", mew=1.2, ms=4.0, color=colour, label="computed"),
    ]


def _dress(axes: Axes, outcome: Outcome, name: str, x: Array) -> None:
    c = outcome.comparison
    along = c.figure.label or condition_head(name)
    value = _value_label(c)
    if c.figure.vertical:
        axes.set(xlabel=value, ylabel=along)
    else:
        axes.set(xlabel=along, ylabel=value)
    across = ("y", "x") if c.figure.vertical else ("x", "y")
    _scale(axes, across[0], x, c.figure.log, from_zero=0.25)
    _scale(axes, across[1], _all_values(outcome), c.figure.log)


def _all_values(outcome: Outcome) -> Array:
    c = outcome.comparison
    parts = [c.measured, outcome.computed]
    if c.uncertainty is not None:
        parts += [c.measured - c.uncertainty, c.measured + c.uncertainty]
    if (band := _band(c)) is not None and c.figure.group is None:
        parts += [*band]
    return np.concatenate(parts)


def _scale(axes: Axes, which: str, values: Array, log: bool, from_zero: float = 0.5) -> None:
    """A logarithmic axis where asked for and possible; else from zero where that costs little.

    It starts at zero when the smallest value is below ``from_zero`` times the largest.
    """
    low, high = float(values.min()), float(values.max())
    axis = axes.xaxis if which == "x" else axes.yaxis
    set_limits = axes.set_xlim if which == "x" else axes.set_ylim
    if log and low > 0.0:
        (axes.set_xscale if which == "x" else axes.set_yscale)("log")
        pad = max((high / low) ** 0.06, 1.05)
        set_limits(low / pad, high * pad)
        _label_log(axis)
    elif 0.0 <= low < from_zero * high:
        set_limits(0.0, 1.08 * high)
    elif not math.isclose(low, high):
        pad = 0.06 * (high - low)
        set_limits(low - pad, high + pad)
    else:
        pad = 0.1 * abs(high) or 1.0
        set_limits(low - pad, high + pad)


def _label_log(axis: Axis) -> None:
    """Ticks of a logarithmic axis; plain numbers on the whole axis where they are short."""
    log_labels(axis)
    low, high = axis.get_view_interval()
    if low > 1e-4 and high < 1e5:
        axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
