"""Figure: which uncertain constant of the model moves the effective speed, and how far."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import to_rgba
from matplotlib.figure import Figure

from wakesim.outputs.figures import style
from wakesim.outputs.figures.style import Kind
from wakesim.outputs.wording import BESIDE_INTERVAL, change, significant

if TYPE_CHECKING:
    from wakesim.measures.results import ModelVariant, MountStatistics
    from wakesim.results import MountResult, Result

_UP, _DOWN = style.VERMILLION, style.BLUE
_FONT_SIZE = 7.8
_CHARACTER_PT = 0.60 * _FONT_SIZE
_AXIS_PT = 360.0


def draw(result: Result, mount: MountResult, statistics: MountStatistics) -> Figure:
    """Bars from the effective speed as given to that of each variant, grouped by constant."""
    groups = _groups(v for v in statistics.variants if v.counted)
    beside = _groups(v for v in statistics.variants if not v.counted)
    rows = len(statistics.variants)
    base = statistics.effective_speed_m_s
    low, high = statistics.model_interval_m_s
    figure = style.new_figure(
        result,
        f"Model uncertainty, mount {mount.mount.name}",
        1.05 + 0.215 * rows + 0.10 * len(groups) + (0.35 if beside else 0.0),
        legend=("model interval", "as given"),
    )
    axes = figure.subplots()
    if np.isfinite([low, high]).all():
        axes.axvspan(low, high, color=style.ORANGE, alpha=0.2, linewidth=0, label="model interval")
    ticks, place = _rows(axes, base, groups, 0.0)
    if beside:
        place = _line_of(axes, place)
        more, place = _rows(axes, base, beside, place)
        ticks += more
    axes.axvline(base, color=style.INK, linewidth=1.4, label=f"as given, {significant(base)} m/s")
    axes.set_yticks(ticks, [textwrap.fill(name, 28) for name, _ in groups + beside])
    axes.set_ylim(place - 0.8, -0.75)
    axes.set_xlim(*_limits(base, statistics.variants, (low, high)))
    _speeds_only(axes)
    axes.set_xlabel("effective speed (m/s)")
    axes.grid(visible=False)
    style.legend_of(axes)
    return figure


def _rows(
    axes: Axes, base: float, groups: list[tuple[str, list[ModelVariant]]], place: float
) -> tuple[list[float], float]:
    """Bars from ``place`` on; the middle of each group and the place after the last."""
    ticks = []
    for _, variants in groups:
        ticks.append(place + (len(variants) - 1.0) / 2)
        for variant in variants:
            _bar(axes, base, variant, place)
            place += 1.0
        place += 0.45
    return ticks, place


def _line_of(axes: Axes, place: float) -> float:
    """A line across with its label under it; the place of the first bar below."""
    level = place - 0.55
    axes.axhline(level, color=style.GREY, linewidth=0.8, linestyle=style.DASHED)
    style.beside(axes, BESIDE_INTERVAL, (0.0, level), (3, -3), va="top", fontsize=_FONT_SIZE,
                 xycoords=("axes fraction", "data"), style="italic", color=style.GREY)  # fmt: skip
    return place + 0.95


def _speeds_only(axes: Axes) -> None:
    """No ticks and no axis line below zero: there the axis only gives room for labels."""
    low, high = axes.get_xlim()
    axes.set_xticks([tick for tick in axes.get_xticks() if max(low, 0.0) <= tick <= high])
    axes.set_xlim(low, high)
    axes.spines["bottom"].set_bounds(max(low, 0.0), high)


def _groups(variants: Iterable[ModelVariant]) -> list[tuple[str, list[ModelVariant]]]:
    """Variants by constant, the one with the largest change first."""
    groups: dict[str, list[ModelVariant]] = {}
    for variant in variants:
        groups.setdefault(variant.parameter, []).append(variant)
    return sorted(groups.items(), key=lambda item: -max(abs(v.change_m_s) for v in item[1]))


def _label(variant: ModelVariant) -> str:
    step = variant.change_m_s
    return f"{variant.setting}  {change(step, 2 if abs(step) >= 0.095 else 3)}"


def _bar(axes: Axes, base: float, variant: ModelVariant, place: float) -> None:
    step = variant.change_m_s
    colour = _UP if step >= 0 else _DOWN
    bar = axes.barh(place, step, left=base, height=0.8, color=colour)[0]
    if not variant.counted:
        bar.set(facecolor=to_rgba(colour, 0.25), edgecolor=colour, linewidth=0.8)
    right = step >= 0
    style.beside(axes, _label(variant), (base + step, place), (4 if right else -4, 0),
                 ha="left" if right else "right", va="center", fontsize=_FONT_SIZE)  # fmt: skip


def _limits(
    base: float, variants: tuple[ModelVariant, ...], interval: tuple[float, float]
) -> tuple[float, float]:
    """Ends of the axis that leave room for every label beside its bar.

    The room a label takes is a share of the axis, so the ends are found by repetition.
    """
    shares = [min(0.38, (_CHARACTER_PT * len(_label(v)) + 10.0) / _AXIS_PT) for v in variants]
    ends = [base, *(value for value in interval if np.isfinite(value))]
    low, high = min(ends), max(ends)
    margin = max(0.05 * (high - low), 0.005)
    low, high = low - margin, high + margin
    for _ in range(30):
        width = high - low
        for variant, share in zip(variants, shares, strict=True):
            end = base + variant.change_m_s
            if variant.change_m_s >= 0:
                high = max(high, end + share * width)
            else:
                low = min(low, end - share * width)
    return low, high


FIGURES = (
    Kind("uncertainty", 80, ("traffic",), draw, "statistics",
         lambda result, mount, statistics: len(statistics.variants) > 0),
)  # fmt: skip
