"""Figures of tables: the effective speed along every axis; single passes over clearance."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from wakesim.measures.interpolation import Axis, around, interpolate
from wakesim.outputs.figures import style
from wakesim.outputs.figures.style import Kind
from wakesim.quantities import AXES

if TYPE_CHECKING:
    from wakesim.results import LookupResult, PassTableResult

_COLUMNS = 3
_SMOOTH = 120
_TO_THE_VERGE_DEG = 90.0
_SHORT = {
    "offset_m": "offset (m)",
    "clearance_m": "clearance (m)",
    "height_m": "height (m)",
    "flow_veh_h": "flow (veh/h)",
    "heavy_share": "heavy share",
    "speed_factor": "speed factor",
    "wind_speed_m_s": "wind speed (m/s)",
    "wind_angle_deg": "wind blows to (°)",
    "direction_split": "share near side",
}


def middle_state(result: LookupResult) -> dict[str, float]:
    """The middle value of every axis; of directions that nearest to across the road, to the verge:
    blown the other way a post has little of the traffic's air."""
    state = {name: values[len(values) // 2] for name, values in result.axes.items()}
    if "wind_angle_deg" in state:
        angles = np.array(result.axes["wind_angle_deg"])
        away = np.abs((angles - _TO_THE_VERGE_DEG + 180.0) % 360.0 - 180.0)
        state["wind_angle_deg"] = float(angles[np.argmin(away)])
    return state


def _draw_lookup(result: LookupResult) -> Figure:
    """One small panel for each axis with more than one value."""
    names = [name for name, values in result.axes.items() if len(values) > 1] or list(result.axes)
    rows = -(-len(names) // _COLUMNS)
    labels = ["state of the table", "interpolated"]
    labels += ["model interval"] if "model_low" in result.variables else []
    figure = style.new_figure(result, "Effective speed along the axes", 2.0 * rows + 0.5, labels)
    panels = figure.subplots(rows, min(_COLUMNS, len(names)), squeeze=False)
    handles = []
    for k, name in enumerate(names):
        handles = _panel(panels.flat[k], result, name)
        if k % _COLUMNS == 0:
            panels.flat[k].set_ylabel("effective speed (m/s)")
    for spare in list(panels.flat)[len(names) :]:
        spare.set_visible(False)
    style.header_legend(figure, handles[: len(labels)], labels)
    return figure


def _panel(axes: Axes, result: LookupResult, name: str) -> list[object]:
    grid = [Axis.of(n, v) for n, v in result.axes.items()]
    state = middle_state(result)
    values = np.array(result.axes[name])
    fine = np.linspace(values[0], values[-1], _SMOOTH)

    speed = result.variables["effective_speed"]

    def along(x: np.ndarray) -> np.ndarray:
        return interpolate(grid, speed, {**state, name: x})

    (points,) = axes.plot(values, along(values), "o", color=style.BLUE, markersize=4)
    (line,) = axes.plot(fine, along(fine), color=style.BLUE)
    handles: list[object] = [points, line]
    if "model_low" in result.variables:
        ends = (result.variables["model_low"], result.variables["model_high"])
        _, low, high = around(grid, speed, *ends, {**state, name: fine})
        handles.append(
            axes.fill_between(fine, low, high, color=style.BLUE, alpha=0.18, linewidth=0)
        )
    axes.set_ylim(bottom=0.0)
    axes.set_xlabel(_SHORT[name])
    return handles


def _middle(result: PassTableResult) -> tuple[int, int]:
    return len(result.speed_m_s) // 2, len(result.height_m) // 2


def _draw_passes(result: PassTableResult) -> Figure:
    """Integrals of u and of the cubed speed over the clearance, a line a class."""
    labels = [style.class_label(result, name) for name in result.classes]
    title = "Single passes over the clearance"
    figure = style.new_figure(result, title, 3.0, labels)
    left, right = figure.subplots(1, 2)
    looks = style.class_styles(result)
    i, k = _middle(result)
    handles = []
    for c, name in enumerate(result.classes):
        colour, marker = looks[name]
        how = {"color": colour, "marker": marker, "markersize": 4}
        x = result.clearance_m
        (line,) = left.plot(x, result.variables["int_u_dt"][c, i, :, k], **how)
        right.plot(x, result.variables["int_speed3_dt"][c, i, :, k], **how)
        handles.append(line)
    left.set_ylabel("∫ u dt (m)")
    left.axhline(0.0, color=style.GREY, linewidth=0.7)
    right.set_ylabel("∫ |u|³ dt (m³/s²)")
    right.set_yscale("log")
    style.log_labels(right.yaxis)
    for axes in (left, right):
        axes.set_xlabel("clearance from the vehicle's side (m)")
    style.header_legend(figure, handles, labels)
    return figure


def _middle_axes(result: LookupResult) -> dict[str, Any]:
    return {"middle": [(AXES[name], value) for name, value in middle_state(result).items()]}


def _shown_pass(result: PassTableResult) -> dict[str, float]:
    i, k = _middle(result)
    return {"speed_m_s": result.speed_m_s[i], "height_m": result.height_m[k]}


FIGURES = (
    Kind("axes", 10, ("lookup_table",), _draw_lookup, numbers=_middle_axes),
    Kind("passes", 10, ("single_pass_table",), _draw_passes, numbers=_shown_pass),
)
