"""Figures of a comparison: series, exceedance, spectrum, average passes, points side by side."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from wakesim.constants import WAKE_LAWS
from wakesim.outputs import figures
from wakesim.outputs.figures import Drawing, Rendered, style
from wakesim.outputs.figures.style import BLUE, GREEN, GREY, INK, ORANGE, SKY, VERMILLION
from wakesim.records.comparison import Comparison
from wakesim.records.pass_average import ClassSignature

WINDOW_S = 90.0
_CHANNELS = {"u": "along the road", "v": "across the road", "speed": "horizontal speed"}
_LEAST_SHARE = 3e-4
_DASHED, _DOTTED = (0, (5, 2)), (0, (1, 1.5))


def render(result: Comparison, folder: Path) -> list[Rendered]:
    """Write every figure into ``folder`` as SVG and PNG; OSError when a file cannot be written."""

    def drawn() -> Iterator[Drawing]:
        for stem, caption, draw in _figures(result):
            yield Drawing(stem, stem, "", caption, draw(result))

    return figures.render(drawn, folder)


def _figures(result: Comparison) -> Iterator[tuple[str, str, Callable[[Comparison], Figure]]]:
    """Name, caption and function of each figure."""
    same = "a stretch of each; other vehicles, so only the look of it should agree"
    if result.logged is not None:
        same = (
            "the same stretch of both; vehicles, by lane, above. The model's turbulence is one "
            "draw: only what passing vehicles make should agree moment by moment"
        )
    yield "series", f"Measured and modelled speed, {same}.", _series
    caption = (
        "Share of the time above each speed. Bands: 90 % sampling interval of the record; model "
        "interval (each uncertain constant moved)."
    )
    yield "exceedance", caption, _exceedance
    if result.curves.frequency_hz.size:
        caption = (
            "Frequency times spectral density of the velocity "
            f"{_CHANNELS[result.curves.channel]}, means over bands. Blue band: 90 % sampling "
            "interval of the record. "
        )
        if result.curves.residual is not None:
            caption += (
                "Residual: record less modelled mean; it should look like what the model leaves "
                "about its own mean, turbulence and noise, plus the wind's slow changes."
            )
        yield "spectrum", caption, _spectrum
    if result.logged is None:
        return
    if result.logged.signatures:
        caption = (
            "Average over passes of one class in one lane, less the air just before them; band: "
            "90 % interval of the record's mean. The model is averaged over the same passes."
        )
        yield "pass-averages", caption, _passes
    if result.logged.points:
        caption = "Measured against modelled values; solid: equal, dotted: factor of two."
        yield "points", caption, _points


def _series(result: Comparison) -> Figure:
    record, model = result.record, result.model
    legend = ["record", "model"]
    logged = result.logged is not None
    start = _typical(result)
    lanes = [lane.name for lane in result.case.road.lanes]
    labels = _classes(result, start) if logged else {}
    figure = style.new_figure(
        result, "A stretch of both records", 3.4 + (0.2 * len(lanes) if logged else 0.0),
        legend=[*legend, *labels.values()],
    )  # fmt: skip
    if logged:
        ratios = {"height_ratios": [0.3 + 0.22 * len(lanes), 2.1]}
        top, axes = figure.subplots(2, 1, sharex=True, gridspec_kw=ratios)
        _marks(top, result, start, labels, lanes)
    else:
        axes = figure.subplots()
    for one, colour, width in ((model, ORANGE, 1.1), (record, BLUE, 1.0)):
        begin = start if logged or one is record else 0.0
        part = (one.time_s >= begin) & (one.time_s <= begin + WINDOW_S)
        time, speed = one.time_s[part] - begin, one.speed_m_s[part]
        breaks = np.flatnonzero(np.diff(time) > 1.5 * one.dt_s) + 1
        time, speed = np.insert(time, breaks, np.nan), np.insert(speed, breaks, np.nan)
        name = "record" if one is record else "model"
        axes.plot(time, speed, color=colour, linewidth=width, label=name)
    axes.set_xlim(0.0, WINDOW_S)
    axes.set_ylim(bottom=0.0)
    begin = start + (result.logged.shift_s if result.logged else 0.0)
    axes.set_xlabel(f"time from {begin:.0f} s of the record (s)")
    slow = ", slow wind off" if result.ambient == "record" else ""
    axes.set_ylabel(f"speed{slow} (m/s)")
    handles, names = axes.get_legend_handles_labels()
    handles, names = handles[::-1], names[::-1]
    if logged:
        more = top.get_legend_handles_labels()
        handles, names = [*handles, *more[0]], [*names, *more[1]]
    style.header_legend(figure, handles, names)
    return figure


def _typical(result: Comparison) -> float:
    """Start of the stretch whose mean cube is nearest to the record's, with few gaps, s."""
    record = result.record
    best, start = np.inf, 0.0
    whole = float(np.mean(record.speed_m_s**3))
    for begin in np.arange(0.0, max(record.duration_s - WINDOW_S, 0.0) + 1.0, WINDOW_S / 3):
        part = (record.time_s >= begin) & (record.time_s < begin + WINDOW_S)
        if part.sum() * record.dt_s < 0.9 * min(WINDOW_S, record.duration_s):
            continue
        off = abs(float(np.mean(record.speed_m_s[part] ** 3)) - whole)
        if off < best:
            best, start = off, float(begin)
    return start


def _classes(result: Comparison, start: float) -> dict[str, str]:
    """Labels of the classes that pass in the stretch, by name."""
    assert result.logged is not None
    passes = result.logged.passes
    inside = (passes.time_s >= start) & (passes.time_s <= start + WINDOW_S)
    seen = set(passes.vehicle[inside].tolist())
    names = [name for i, name in enumerate(result.case.vehicles) if i in seen]
    return {name: result.case.vehicles[name].label or name for name in names}


def _marks(
    axes: Axes, result: Comparison, start: float, labels: dict[str, str], lanes: list[str]
) -> None:
    assert result.logged is not None
    passes = result.logged.passes
    inside = (passes.time_s >= start) & (passes.time_s <= start + WINDOW_S)
    looks = style.class_styles(result)  # type: ignore[arg-type]
    for number, name in enumerate(result.case.vehicles):
        chosen = inside & (passes.vehicle == number)
        if name in labels:
            colour, marker = looks[name]
            axes.scatter(
                passes.time_s[chosen] - start, passes.lane[chosen], s=34, color=colour,
                marker=marker, edgecolors="white", linewidths=0.5, label=labels[name], zorder=3,
            )  # fmt: skip
    axes.set_yticks(range(len(lanes)), lanes)
    axes.set_ylim(-0.6, len(lanes) - 0.4)
    axes.set_ylabel("lane")
    axes.tick_params(labelbottom=False)
    axes.grid(axis="x", visible=False)


def _exceedance(result: Comparison) -> Figure:
    c = result.curves
    labels = ("record", "record, 90 %", "model", "model interval")
    figure = style.new_figure(result, "How often each speed is exceeded", 3.2, legend=labels)
    axes = figure.subplots()
    least = max(_LEAST_SHARE, 3.0 / result.record.speed_m_s.size)

    def shown(values: np.ndarray) -> np.ndarray:
        return np.maximum(values, least / 10.0)

    axes.fill_between(
        c.speed_m_s, *map(shown, c.share_range), color=ORANGE, alpha=0.25, linewidth=0,
        label=labels[3],
    )  # fmt: skip
    axes.fill_between(
        c.speed_m_s, shown(c.record.low), shown(c.record.high), color=SKY, alpha=0.5, linewidth=0,
        label=labels[1],
    )  # fmt: skip
    axes.plot(c.speed_m_s, shown(c.model.share), color=VERMILLION, label=labels[2])
    axes.plot(c.speed_m_s, shown(c.record.share), color=BLUE, label=labels[0])
    axes.set_yscale("log")
    axes.set_ylim(least, 1.2)
    seen = (c.record.share > least) | (c.model.share > least)
    axes.set_xlim(0.0, float(c.speed_m_s[seen].max()) * 1.03)
    style.log_labels(axes.yaxis)
    cut_in = result.inputs.mount.cut_in_m_s
    if cut_in > 0.0 and result.ambient == "case":
        axes.axvline(cut_in, color=GREY, linewidth=1.1, linestyle=_DOTTED)
        axes.annotate(
            "cut-in", (cut_in, 1.0), xycoords=("data", "axes fraction"), xytext=(3, -3),
            textcoords="offset points", va="top", fontsize=8.5, color=GREY,
        )  # fmt: skip
    slow = ", slow wind taken off" if result.ambient == "record" else ""
    axes.set_xlabel(f"speed{slow} (m/s)")
    axes.set_ylabel("share of the time above")
    return _in_order(figure, axes, labels)


def _spectrum(result: Comparison) -> Figure:
    c = result.curves
    labels = ["record", "model", "model interval"]
    if c.residual is not None:
        labels += ["residual", "residual the model expects"]
    figure = style.new_figure(result, "At which frequencies the air moves", 3.3, legend=labels)
    axes = figure.subplots()
    f = c.frequency_hz
    axes.set(xscale="log", yscale="log")
    tiny = 1e-3 * float(np.max(f * c.record_density))
    axes.fill_between(
        f, *(np.maximum(f * ends, tiny / 100.0) for ends in c.model_range), color=ORANGE,
        alpha=0.25, linewidth=0, label=labels[2],
    )  # fmt: skip
    axes.fill_between(
        f, f * c.record_density * np.maximum(1.0 - c.relative_error, 0.01),
        f * c.record_density * (1.0 + c.relative_error), color=SKY, alpha=0.5, linewidth=0,
    )  # fmt: skip
    axes.plot(f, f * c.model_density, color=VERMILLION, label=labels[1])
    axes.plot(f, f * c.record_density, color=BLUE, label=labels[0])
    low = min(float(np.min(f * c.model_density)), float(np.min(f * c.record_density)))
    if c.residual is not None and c.model_residual is not None:
        axes.plot(f, f * c.residual, color=INK, linestyle=_DASHED, linewidth=1.2, label=labels[3])
        axes.plot(
            f, f * c.model_residual, color=GREEN, linestyle=_DOTTED, linewidth=1.6, label=labels[4]
        )
        low = min(low, float(np.min(f * c.residual)), float(np.min(f * c.model_residual)))
    axes.set_ylim(max(low / 1.5, tiny), 2.0 * float(np.max(f * c.record_density)))
    axes.set_ylim(top=max(axes.get_ylim()[1], 1.3 * float(np.max(f * c.model_range[1]))))
    axes.set_xlim(float(f[0]), float(f[-1]))
    style.log_labels(axes.xaxis)
    style.log_labels(axes.yaxis)
    axes.set_xlabel("frequency f (Hz)")
    axes.set_ylabel("f · S(f) (m²/s²)")
    return _in_order(figure, axes, labels)


def _in_order(figure: Figure, axes: Axes, labels: Sequence[str]) -> Figure:
    """The figure with the legend of the axes in the order of the labels."""
    handles = dict(zip(*axes.get_legend_handles_labels()[::-1], strict=True))
    style.header_legend(figure, [handles[x] for x in labels], labels)
    return figure


def _passes(result: Comparison) -> Figure:
    assert result.logged is not None
    shapes = result.logged.signatures
    channels = list(shapes[0].curves)
    law = result.case.model.wake_law
    own, other = WAKE_LAWS[law], WAKE_LAWS[WAKE_LAWS[law].other]
    labels = ("record, 90 %", f"model, {own.label} wake", f"model, {other.label} wake")
    figure = style.new_figure(
        result, "Average passes by class", 0.5 + 1.75 * len(shapes), legend=labels
    )
    grid = figure.subplots(len(shapes), len(channels), sharex=True, squeeze=False)
    for row, shape in zip(grid, shapes, strict=True):
        for axes, channel in zip(row, channels, strict=True):
            _pass(axes, shape, channel, labels)
    for axes, channel in zip(grid[0], channels, strict=True):
        words = _CHANNELS[channel]
        axes.annotate(
            words, (0.5, 1.0), xycoords="axes fraction", xytext=(0, 16), fontsize=9,
            textcoords="offset points", ha="center", color=GREY,
        )  # fmt: skip
    for axes in grid[-1]:
        axes.set_xlabel("time after the nose (s)")
    style.header_legend(figure, *grid[0, 0].get_legend_handles_labels())
    return figure


def _pass(axes: Axes, shape: ClassSignature, channel: str, labels: tuple[str, ...]) -> None:
    curve = shape.curves[channel]
    time = curve.record.time_s
    axes.fill_between(
        time,
        curve.record.low,
        curve.record.high,
        color=SKY,
        alpha=0.45,
        linewidth=0,
        label=labels[0],
    )
    axes.plot(time, curve.record.mean, color=BLUE, linewidth=1.0)
    axes.plot(time, curve.model, color=VERMILLION, linewidth=1.3, label=labels[1])
    axes.plot(time, curve.other, color=INK, linewidth=1.1, linestyle=_DASHED, label=labels[2])
    axes.axvline(0.0, color=GREY, linewidth=0.8, linestyle=_DOTTED)
    axes.set_xlim(float(time[0]), float(time[-1]))
    if channel != "v":
        axes.set_ylabel("change (m/s)")
        axes.set_title(f"{shape.label}, {shape.lane}: {shape.passes} passes", loc="left")


def _points(result: Comparison) -> Figure:
    assert result.logged is not None
    figure = style.new_figure(result, "Measured against modelled", 3.3)
    grid = figure.subplots(1, 2)
    for axes, points in zip(grid, result.logged.points, strict=False):
        both = np.concatenate([points.measured, points.modelled])
        top = 1.08 * float(both.max())
        line = np.array([0.0, top])
        axes.plot(line, line, color=INK, linewidth=1.0)
        for factor in (0.5, 2.0):
            axes.plot(line, factor * line, color=GREY, linewidth=1.0, linestyle=_DOTTED)
        axes.scatter(points.measured, points.modelled, s=14, color=BLUE, alpha=0.65, linewidths=0)
        axes.set(xlim=(0.0, top), ylim=(0.0, top), aspect="equal")
        axes.set_xlabel("record (m/s)")
        axes.set_ylabel("model (m/s)")
        name = "block means" if points.key == "block_means" else "peaks of single passes"
        axes.set_title(f"{name}, n = {points.measured.size}", loc="left")
    for axes in grid[len(result.logged.points) :]:
        axes.set_visible(False)
    return figure
