"""Sustained drift of a line force over a no-slip road, by the tool's two independent routes.

``line_drift_balance``: finite volumes of the cross-section's momentum balance
(``section/drift.py``) on the grid that a run builds. ``line_drift_wakes``: the sum of diffusing
wakes (``air/spread.py``). The closed form without crosswind is f/(2 pi K) ln(r_image/r), f the drag
per metre of road over the density; with a crosswind see ``air.spread.line_drift``.
``traffic_drift_wakes`` takes the force from traffic, f = q C_D A_f V/2.

Each point is a place (y, z); the line is at (``source_y_m``, ``source_z_m``).
"""

from __future__ import annotations

import numpy as np

from wakesim.air.spread import PassingSource, mean_drift
from wakesim.arrays import Array, Mask
from wakesim.errors import CaseError
from wakesim.section.drift import DriftModel
from wakesim.section.grid import CrossSectionGrid
from wakesim.validation.comparison import Comparison
from wakesim.validation.quantities.inputs import (
    SPEED,
    body_of,
    condition,
    flow_per_s,
    quantity,
    setting,
    vehicle_speed,
)

_PLACE = {
    "y_m": "horizontal position across, from the line of force or the lane's axis",
    "z_m": "height above the road",
}
_DIFFUSIVITY = {"diffusivity_m2_s": "eddy diffusivity"}
_FORCE = {**_PLACE, "force_m3_s2": "drag per metre of road over the density", **_DIFFUSIVITY}
_LINE = {
    "crosswind_m_s": "condition: crosswind towards +y, default 0",
    "source_y_m": "place of the line, default 0",
    "source_z_m": "height of the line, default 1 (traffic: half the vehicle's height)",
}


def _places(c: Comparison) -> tuple[Array, Array]:
    return condition(c, "y_m", -250.0, 250.0), condition(c, "z_m", 0.0, 100.0)


def _source(c: Comparison, height_m: float) -> tuple[float, float]:
    """Place of the line, ``height_m`` high unless given."""
    at_y = setting(c, "source_y_m", 0.0, -200.0, 200.0)
    return at_y, setting(c, "source_z_m", height_m, 0.05, 20.0)


def _line(c: Comparison) -> tuple[float, float]:
    """Place of the line. Raises CaseError for a point on it."""
    at_y, at_z = _source(c, 1.0)
    y, z = _places(c)
    on = np.hypot(y - at_y, z - at_z) < 0.05
    if np.any(on):
        raise CaseError(f"{c.path}: point {int(np.argmax(on)) + 1}: lies on the line source")
    return at_y, at_z


def _air(c: Comparison) -> tuple[Array, Array]:
    """Diffusivities (n,) m2/s and crosswinds (n,) m/s."""
    k = condition(c, "diffusivity_m2_s", 1e-3, 50.0)
    return k, condition(c, "crosswind_m_s", -30.0, 30.0, 0.0)


def _groups(c: Comparison) -> list[tuple[tuple[float, float, float], Mask]]:
    """Points that share force, diffusivity and crosswind."""
    rows = np.column_stack([condition(c, "force_m3_s2", -1e3, 1e3), *_air(c)])
    return [
        ((float(row[0]), float(row[1]), float(row[2])), np.all(rows == row, axis=1))
        for row in np.unique(rows, axis=0)
    ]


@quantity("m/s", _FORCE, {**_LINE, "finest_m": "finest cell, default 0.15 as in a run"})
def line_drift_balance(c: Comparison) -> Array:
    """Drift of a line force over a no-slip road, by the cross-section's momentum balance."""
    (at_y, at_z), (y, z) = _line(c), _places(c)
    cell = setting(c, "finest_m", 0.15, 0.02, 1.0)
    grid = CrossSectionGrid.around(
        [at_y], np.column_stack([y, z]), finest_m=cell, growth=0.12 * cell / 0.15
    )
    out = np.empty(c.size)
    for (force, k, wind), mine in _groups(c):
        field = DriftModel(grid, k, wind).solve(grid.source(at_y, at_z, force))
        out[mine] = field.at(y[mine], z[mine])
    return out


@quantity("m/s", _FORCE, _LINE)
def line_drift_wakes(c: Comparison) -> Array:
    """Drift of a line force over a no-slip road, as the sum of diffusing wakes."""
    (at_y, at_z), (y, z) = _line(c), _places(c)
    out = np.empty(c.size)
    for (force, k, wind), mine in _groups(c):
        source = PassingSource(1.0, force, at_y, at_z)
        out[mine] = mean_drift([source], y[mine], z[mine], k, wind)
    return out


@quantity(
    "m/s",
    {**_PLACE, "flow_veh_h": "flow of the class on the road, all lanes", **SPEED, **_DIFFUSIVITY},
    _LINE,
    body=True,
)
def traffic_drift_wakes(c: Comparison) -> Array:
    """Drift beside one lane of one class in still air, constant eddy diffusivity.

    The sum of its diffusing wakes; the drag acts at half the vehicle's height, in still air, not
    lowered by the drift itself.
    """
    body, flow = body_of(c), flow_per_s(c)
    momentum = 0.5 * body.drag_coefficient * body.frontal_area_m2 * vehicle_speed(c)
    at = _source(c, 0.5 * body.height_m)
    return np.array(
        [
            mean_drift([PassingSource(float(q), float(m), *at)], y, z, float(k), float(wind))
            for q, m, y, z, k, wind in zip(flow, momentum, *_places(c), *_air(c), strict=True)
        ]
    )
