"""Sustained drift of a line force over a no-slip road, by two independent routes.

``line_drift_balance``: finite volumes of the cross-section's momentum balance
(``section/drift.py``) on the grid that a run builds. The closed form without crosswind is
f/(2 pi K) ln(r_image/r), f the drag per metre of road over the density. Each point is a place
(y, z); the line is at (``source_y_m``, ``source_z_m``).

``line_drift_wakes``: the mean of superposed wakes that diffuse. A pass leaves momentum m (m3/s: per
metre of road, over the density; 1/2 C_D A_f V for a vehicle of speed V, the force of traffic being
f = q C_D A_f V/2). It diffuses with constant K from a Gaussian about (y0, z0), moves with a uniform
crosswind v_c, and the no-slip road is a negative image. Passes at the rate q give by Campbell's
theorem the mean (N. R. Campbell, Proc. Camb. Phil. Soc. 15 (1909) 117)

    U(y, z) = sum of q * integral over age t > 0 of
        m/(2 pi s_y s_z) exp(-(y - y0 - v_c t)^2 / 2 s_y^2)
        [exp(-(z - z0)^2 / 2 s_z^2) - exp(-(z + z0)^2 / 2 s_z^2)] dt,   s^2 = s_0^2 + 2 K t.

The integral over ln t is done by the trapezoidal rule, which converges exponentially for an
integrand that is smooth and vanishes at both ends (L. N. Trefethen and J. A. C. Weideman, SIAM Rev.
56 (2014) 385); its step follows the narrowest feature, the passage of a wake in the crosswind.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

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

_STEP = 0.25  # of ln t; the integrand is analytic for |Im ln t| < pi/2: error exp(-pi^2/step)
_NARROW = 0.9  # step over the standard deviation in ln t of a wake's passage; error 5e-11
_EARLY, _LATE = 1e-15, 1e-9  # shares of the shortest and the longest time at which ages are cut
_GONE = 16.0  # standard deviations
_CHUNK = 2_000_000  # values at a time

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


# --- diffusing wakes ----------------------------------------------------------------------------


@dataclass(frozen=True)
class PassingSource:
    """Like passes in one lane: rate, momentum of one (with the sign of its direction), release.

    Raises ValueError for a negative rate or spread, or a release at or below the road.
    """

    rate_per_s: float
    momentum_m3_s: float
    y_m: float
    z_m: float
    sigma_y_m: float = 0.0
    sigma_z_m: float = 0.0

    def __post_init__(self) -> None:
        values = (self.rate_per_s, self.momentum_m3_s, self.y_m, self.z_m)
        if not all(map(math.isfinite, (*values, self.sigma_y_m, self.sigma_z_m))):
            raise ValueError("a source needs finite numbers")
        if self.rate_per_s < 0.0 or self.sigma_y_m < 0.0 or self.sigma_z_m < 0.0:
            raise ValueError("rate and spread of a source must be at least 0")
        if not self.z_m > 0.0:
            raise ValueError("a source must be above the road")

    @property
    def force_m3_s2(self) -> float:
        """Drag per metre of road over the air density, q m."""
        return self.rate_per_s * self.momentum_m3_s


def mean_drift(
    sources: Sequence[PassingSource],
    y_m: ArrayLike,
    z_m: ArrayLike,
    diffusivity_m2_s: float,
    crosswind_m_s: float = 0.0,
) -> Array:
    """Mean along-road drift of all passes at points, m/s, shape of y and z together.

    Relative error of the quadrature below 1e-6. Raises ValueError for a diffusivity that is not
    positive, points below the road, or a point on a source without spread.
    """
    k, v = float(diffusivity_m2_s), float(crosswind_m_s)
    if not (k > 0.0 and math.isfinite(k) and math.isfinite(v)):
        raise ValueError("diffusivity must be greater than 0 m2/s, crosswind a number")
    y, z = np.broadcast_arrays(np.asarray(y_m, float), np.asarray(z_m, float))
    if not (np.all(np.isfinite(y)) and np.all(z >= 0.0)):
        raise ValueError("points must be at or above the road")
    total = np.zeros(y.size)
    for source in sources:
        total += source.force_m3_s2 * _unit_drift(source, y.ravel(), z.ravel(), k, v)
    return total.reshape(y.shape)


def _unit_drift(source: PassingSource, y: Array, z: Array, k: float, v: float) -> Array:
    """Drift of a unit force, (n,)."""
    across = y - source.y_m
    squares = [across**2 + (z + side * source.z_m) ** 2 for side in (-1.0, 1.0)]
    spread = (source.sigma_y_m, source.sigma_z_m)
    nearest, farthest = float(np.min(squares[0])), float(np.max(squares[1]))
    if nearest == 0.0 and max(spread) == 0.0:
        raise ValueError("point on a source without spread")
    least = min(q for q in (nearest, spread[0] ** 2, spread[1] ** 2) if q > 0.0)
    first = least / (2.0 * k)
    last = (farthest + max(spread) ** 2) / (2.0 * k) / _LATE
    step = _STEP
    if v != 0.0:
        first = min(first, math.sqrt(least) / abs(v))
        reach = math.sqrt(float(np.max(squares[0])))
        last = min(last, _passed(reach + _GONE * spread[0], k, abs(v)))
        if reach > 0.0:
            width = math.sqrt(spread[0] ** 2 + 2.0 * k * reach / abs(v)) / reach
            step = min(step, _NARROW * width)
    low, high = math.log(first * _EARLY), math.log(last)
    log_t = np.linspace(low, high, max(2, math.ceil((high - low) / step)) + 1)
    step = log_t[1] - log_t[0]
    out = np.empty(y.size)
    size = max(1, _CHUNK // log_t.size)
    for a in range(0, y.size, size):
        part = slice(a, a + size)
        out[part] = step * _integrand(source, across[part], z[part], np.exp(log_t), k, v).sum(
            axis=1
        )
    return out


def _passed(reach: float, k: float, v: float) -> float:
    """Age after which a wake is ``_GONE`` standard deviations beyond ``reach``: v t - reach."""
    root = _GONE * math.sqrt(2.0 * k)
    return ((root + math.sqrt(root**2 + 4.0 * v * reach)) / (2.0 * v)) ** 2


def _integrand(
    source: PassingSource, across: Array, z: Array, t: Array, k: float, v: float
) -> Array:
    """Speed at age t times t for a unit force, (points, ages)."""
    var_y, var_z = (s**2 + 2.0 * k * t for s in (source.sigma_y_m, source.sigma_z_m))
    exponent = -((across[:, None] - v * t) ** 2) / (2.0 * var_y)
    exponent -= (z[:, None] - source.z_m) ** 2 / (2.0 * var_z)
    image = -np.expm1(-2.0 * source.z_m * z[:, None] / var_z)
    return np.exp(exponent) * image * (t / (2.0 * math.pi * np.sqrt(var_y * var_z)))
