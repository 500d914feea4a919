"""Sustained drift of a line force over a no-slip road, by the tool's two independent routes.

``line_drift_balance``: finite volumes of the cross-section's momentum balance (``air/drift.py``)
on the grid that a run builds. ``line_drift_wakes``: the sum of waning wakes (``diffusing_wakes``).
The closed form without crosswind is f/(2 pi K) ln(r_image/r), f the drag per metre of road over the
density; with a crosswind see ``diffusing_wakes``. ``traffic_drift_wakes`` takes the force
from traffic, f = q C_D A_f V/2.

Each point is a place (y, z); the line is at (``source_y_m``, ``source_z_m``).
"""

from __future__ import annotations

import numpy as np

from wakesim.errors import CaseError
from wakesim.section.drift import DriftModel
from wakesim.section.grid import CrossSectionGrid
from wakesim.validation.comparison import Array, Comparison, Quantity
from wakesim.validation.quantities.diffusing_wakes import PassingSource, mean_drift
from wakesim.validation.quantities.inputs import body_of, condition, setting

_LEAST_K, _LARGEST_K = 1e-3, 50.0


def _places(c: Comparison) -> tuple[Array, Array]:
    y = condition(c, "y_m", -250.0, 250.0)
    z = condition(c, "z_m", 0.0, 100.0)
    return y, z


def _line(c: Comparison) -> tuple[float, float]:
    """Place of the line. Raises CaseError for a point on it."""
    at_y = setting(c, "source_y_m", 0.0, -200.0, 200.0, "m")
    at_z = setting(c, "source_z_m", 1.0, 0.05, 20.0, "m")
    y, z = _places(c)
    on = np.hypot(y - at_y, z - at_z) < 0.05
    if np.any(on):
        raise CaseError(f"{c.path}: point {int(np.argmax(on)) + 1}: lies on the line source")
    return at_y, at_z


def _groups(c: Comparison) -> list[tuple[tuple[float, float, float], np.ndarray]]:
    """Points that share force, diffusivity and crosswind."""
    force = condition(c, "force_m3_s2", -1e3, 1e3, "m3/s2")
    k = condition(c, "diffusivity_m2_s", _LEAST_K, _LARGEST_K, "m2/s")
    wind = condition(c, "crosswind_m_s", -30.0, 30.0, "m/s", 0.0)
    rows = np.column_stack([force, k, wind])
    return [
        ((float(row[0]), float(row[1]), float(row[2])), np.all(rows == row, axis=1))
        for row in np.unique(rows, axis=0)
    ]


def line_drift_balance(c: Comparison) -> Array:
    """Drift of a line force by the momentum balance of the cross-section, (n,) m/s."""
    (at_y, at_z), (y, z) = _line(c), _places(c)
    cell = setting(c, "finest_m", 0.15, 0.02, 1.0, "m")
    grid = CrossSectionGrid.around(
        [at_y], np.column_stack([y, z]), finest_m=cell, growth=0.12 * cell / 0.15
    )
    out = np.empty(c.size)
    for (force, k, wind), mine in _groups(c):
        field = DriftModel(grid, k, wind).solve(grid.source(at_y, at_z, force))
        out[mine] = field.at(y[mine], z[mine])
    return out


def line_drift_wakes(c: Comparison) -> Array:
    """Drift of a line force as the sum of diffusing wakes, (n,) m/s."""
    (at_y, at_z), (y, z) = _line(c), _places(c)
    out = np.empty(c.size)
    for (force, k, wind), mine in _groups(c):
        source = PassingSource(1.0, force, at_y, at_z)
        out[mine] = mean_drift([source], y[mine], z[mine], k, wind)
    return out


def traffic_drift_wakes(c: Comparison) -> Array:
    """Drift beside one lane of one class as the sum of its diffusing wakes, (n,) m/s.

    The drag acts at half the vehicle's height, in still air, not lowered by the drift itself.
    """
    body = body_of(c)
    y, z = _places(c)
    flow = condition(c, "flow_veh_h", 0.0, 40_000.0, "veh/h") / 3600.0
    speed = condition(c, "speed_m_s", 0.5, 100.0, "m/s")
    k = condition(c, "diffusivity_m2_s", _LEAST_K, _LARGEST_K, "m2/s")
    wind = condition(c, "crosswind_m_s", -30.0, 30.0, "m/s", 0.0)
    at_y = setting(c, "source_y_m", 0.0, -200.0, 200.0, "m")
    at_z = setting(c, "source_z_m", 0.5 * body.height_m, 0.05, 20.0, "m")
    out = np.empty(c.size)
    for i in range(c.size):
        momentum = 0.5 * body.drag_coefficient * body.frontal_area_m2 * float(speed[i])
        source = PassingSource(float(flow[i]), momentum, at_y, at_z)
        out[i] = mean_drift([source], y[i], z[i], float(k[i]), float(wind[i]))
    return out


_LINE = {
    "crosswind_m_s": "condition: crosswind towards +y, default 0",
    "source_y_m": "place of the line, default 0",
    "source_z_m": "height of the line, default 1 (traffic: half the vehicle's height)",
}
_NEEDS = ("y_m", "z_m", "force_m3_s2", "diffusivity_m2_s")

QUANTITIES = (
    Quantity(
        "line_drift_balance", "m/s",
        "drift of a line force over a no-slip road, by the cross-section's momentum balance",
        _NEEDS, {**_LINE, "finest_m": "finest cell, default 0.15 as in a run"}, line_drift_balance,
    ),
    Quantity(
        "line_drift_wakes", "m/s",
        "drift of a line force over a no-slip road, as the sum of diffusing wakes",
        _NEEDS, _LINE, line_drift_wakes,
    ),
    Quantity(
        "traffic_drift_wakes", "m/s",
        "drift beside one lane of one class in still air, constant eddy diffusivity",
        ("y_m", "z_m", "flow_veh_h", "speed_m_s", "diffusivity_m2_s"), _LINE, traffic_drift_wakes,
        True,
    ),
)  # fmt: skip
