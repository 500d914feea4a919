"""Far wakes: decay and width of free axisymmetric and plane wakes, exponents of vehicle wakes.

Free axisymmetric wake (Pope 2000, Turbulent Flows, section 5.4), the law of the momentum wake of
``flow/wake.py`` without a road: half radius r, peak deficit u over the body's speed, drag area C A,

    u = ln 2 C A / (2 pi r^2),      r^3 = r_0^3 + 3 S (ln 2/2 pi) C A (x - x_0).

``flow/wake.py`` has 2 C A in the growth, for there the wake and its image in the road have merged.
Plane wake of momentum thickness theta, half-width b (same book, constant eddy viscosity):

    u = theta sqrt(ln 2/pi) / b,    b^2 = b_0^2 + 2 S theta sqrt(ln 2/pi) (x - x_0);

S = 0.09 is b = 0.29 sqrt(theta x), the classical constant (from memory). Both laws are linear in
the deficit, as everything in the tool; the full momentum of a Gaussian profile is

    axisymmetric  u (1 - u/2) = ln 2 C A/(2 pi r^2),
    plane         u (1 - u/sqrt 2) = theta sqrt(ln 2/pi)/b.

Without a measured start the peak deficit is 1 at x_0, as at the end of a vehicle's bubble.
Exponents of vehicle wakes are slopes of a least-squares line through ln(value) over ln(x).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from wakesim.errors import CaseError
from wakesim.flow.wake import WakeConstants
from wakesim.validation.comparison import Array, Comparison, Quantity
from wakesim.validation.quantities.bodies import WAKE_OPTIONS, Wake, wake_of
from wakesim.validation.quantities.inputs import SMALLEST, body_of, choice, condition, setting

PLANE_SPREAD = 0.09
_LN2 = math.log(2.0)
_AXISYMMETRIC = _LN2 / (2.0 * math.pi)
_PLANE = math.sqrt(_LN2 / math.pi)
_FIT_POINTS = 60
_HEIGHTS = 400
WAKE_VALUES = ("deficit", "width", "turbulence")


def free_half_radius(
    behind_m: ArrayLike,
    drag_area_m2: ArrayLike,
    spread: float,
    start_m: float,
    start_radius_m: Array,
) -> Array:
    """Half radius of a free wake, m; the inputs broadcast. Constant up to ``start_m``."""
    past = np.maximum(np.asarray(behind_m, dtype=np.float64) - start_m, 0.0)
    growth = 3.0 * spread * _AXISYMMETRIC * np.asarray(drag_area_m2, dtype=np.float64)
    return np.cbrt(np.asarray(start_radius_m) ** 3 + growth * past)


def free_deficit(half_radius_m: ArrayLike, drag_area_m2: ArrayLike, full: bool = False) -> Array:
    """Peak deficit of a free wake of known half radius; nan where the full momentum has none."""
    radius = np.asarray(half_radius_m, dtype=np.float64)
    return _deficit(_AXISYMMETRIC * np.asarray(drag_area_m2) / radius**2, 0.5, full)


def plane_half_width(
    behind_m: ArrayLike,
    thickness_m: ArrayLike,
    spread: float,
    start_m: float,
    start_width_m: ArrayLike,
) -> Array:
    """Half-width of a plane wake, m; the inputs broadcast. Constant up to ``start_m``."""
    past = np.maximum(np.asarray(behind_m, dtype=np.float64) - start_m, 0.0)
    growth = 2.0 * spread * _PLANE * np.asarray(thickness_m, dtype=np.float64)
    return np.sqrt(np.asarray(start_width_m) ** 2 + growth * past)


def plane_deficit(half_width_m: ArrayLike, thickness_m: ArrayLike, full: bool = False) -> Array:
    """Peak deficit of a plane wake of known half-width; nan where the full momentum has none."""
    width = np.asarray(half_width_m, dtype=np.float64)
    return _deficit(_PLANE * np.asarray(thickness_m) / width, 1.0 / math.sqrt(2.0), full)


def _deficit(linear: Array, share: float, full: bool) -> Array:
    """Smaller root of u (1 - share u) = linear; ``linear`` itself for the linear law."""
    if not full:
        return linear
    inside = 1.0 - 4.0 * share * linear
    root = np.sqrt(np.where(inside >= 0.0, inside, np.nan))
    return (1.0 - root) / (2.0 * share)


def _momentum_is_full(c: Comparison) -> bool:
    return choice(c, "momentum", "linear", ("linear", "full")) == "full"


def _possible(c: Comparison, deficit: Array) -> Array:
    """The deficits. Raises CaseError when a profile is too narrow for its drag."""
    if not np.all(np.isfinite(deficit)):
        worst = int(np.argmin(np.isfinite(deficit)))
        raise CaseError(
            f"{c.path}: point {c.labels[worst]}: no Gaussian profile so narrow carries this drag; "
            'use momentum = "linear"'
        )
    return deficit


# --- free axisymmetric wake -------------------------------------------------------------------


def _drag_area(c: Comparison) -> Array:
    """Drag coefficient times frontal area, (n,) m2; the coefficient may come with each point."""
    body = body_of(c)
    coefficient = condition(c, "drag_coefficient", SMALLEST, 3.0, "", body.drag_coefficient)
    return coefficient * body.frontal_area_m2


def _free_radius(c: Comparison) -> Array:
    behind = condition(c, "behind_m", SMALLEST)
    area = _drag_area(c)
    spread = setting(c, "momentum_spread", WakeConstants().momentum_spread, 0.01, 5.0)
    start = setting(c, "start_m", 0.0, 0.0, 1e4, "m")
    own = np.sqrt(_AXISYMMETRIC * area)
    given = setting(c, "start_half_width_m", 0.0, 1e-6, 1e3, "m")
    return free_half_radius(behind, area, spread, start, np.full(c.size, given) if given else own)


def free_wake_half_width(c: Comparison) -> Array:
    """Half radius of a free axisymmetric wake, (n,) m."""
    return _free_radius(c)


def free_wake_deficit(c: Comparison) -> Array:
    """Peak deficit of a free axisymmetric wake over the body's speed, (n,)."""
    return _possible(c, free_deficit(_free_radius(c), _drag_area(c), _momentum_is_full(c)))


def free_wake_deficit_of_width(c: Comparison) -> Array:
    """Peak deficit that the drag gives a free wake of measured half radius, (n,); no constants."""
    radius = condition(c, "half_width_m", SMALLEST)
    return _possible(c, free_deficit(radius, _drag_area(c), _momentum_is_full(c)))


# --- plane wake -------------------------------------------------------------------------------


def _plane_width(c: Comparison) -> Array:
    behind = condition(c, "behind_m", SMALLEST)
    thickness = condition(c, "momentum_thickness_m", SMALLEST)
    spread = setting(c, "plane_spread", PLANE_SPREAD, 0.005, 1.0)
    start = setting(c, "start_m", 0.0, 0.0, 1e4, "m")
    given = setting(c, "start_half_width_m", 0.0, 1e-6, 1e3, "m")
    own = _PLANE * thickness
    return plane_half_width(behind, thickness, spread, start, np.full(c.size, given or own))


def plane_wake_half_width(c: Comparison) -> Array:
    """Half-width of a plane wake, (n,) m."""
    return _plane_width(c)


def plane_wake_deficit(c: Comparison) -> Array:
    """Peak deficit of a plane wake over the stream's speed, (n,)."""
    thickness = condition(c, "momentum_thickness_m", SMALLEST)
    return _possible(c, plane_deficit(_plane_width(c), thickness, _momentum_is_full(c)))


def plane_wake_deficit_of_width(c: Comparison) -> Array:
    """Peak deficit that the momentum thickness gives a plane wake of measured half-width, (n,)."""
    width = condition(c, "half_width_m", SMALLEST)
    thickness = condition(c, "momentum_thickness_m", SMALLEST)
    return _possible(c, plane_deficit(width, thickness, _momentum_is_full(c)))


# --- exponents of vehicle wakes ---------------------------------------------------------------


def decay_exponent(wake: Wake, height_m: float, value: str, first_m: float, last_m: float) -> float:
    """Slope of ln(value) over ln(x) behind a vehicle of a height between two distances.

    ``value``: peak "deficit", peak "turbulence" (kinetic energy), or "width" (half-width across
    the road at the height of the peak).
    """
    x = np.geomspace(first_m, last_m, _FIT_POINTS)
    z = np.geomspace(0.01 * height_m, height_m + 0.3 * last_m, _HEIGHTS)
    field = wake.turbulence if value == "turbulence" else wake.velocity
    over_z = field(x[:, None], 0.0, z)
    y = over_z.max(axis=1)
    if value == "width":
        y = _half_width(wake, x, z[over_z.argmax(axis=1)], 0.5 * y)
    return float(np.polyfit(np.log(x), np.log(y), 1)[0])


def _half_width(wake: Wake, x: Array, z: Array, level: Array) -> Array:
    """Distance from the centreline at which the mean wake falls to a level, (n,) m."""
    inner, outer = np.zeros(x.size), np.full(x.size, 0.1)
    while np.any(short := wake.velocity(x, outer, z) > level):
        inner, outer = np.where(short, outer, inner), np.where(short, 2.0 * outer, outer)
    for _ in range(50):
        middle = 0.5 * (inner + outer)
        beyond = wake.velocity(x, middle, z) <= level
        inner, outer = np.where(beyond, inner, middle), np.where(beyond, middle, outer)
    return 0.5 * (inner + outer)


def wake_exponent(c: Comparison) -> Array:
    """Decay exponent of a vehicle's wake between two distances behind the tail, (n,)."""
    wake, height = wake_of(c), body_of(c).height_m
    value = choice(c, "value", "deficit", WAKE_VALUES)
    first = condition(c, "from_m", SMALLEST)
    last = condition(c, "to_m", SMALLEST, 1e5)
    if np.any(last < 1.2 * first):
        worst = int(np.argmax(last < 1.2 * first))
        raise CaseError(
            f"{c.path}: point {c.labels[worst]}: to_m = {last[worst]:g} m: "
            f"must be at least 1.2 times from_m = {first[worst]:g} m"
        )
    return np.array(
        [
            decay_exponent(wake, height, value, float(a), float(b))
            for a, b in zip(first, last, strict=True)
        ]
    )


_START = {
    "start_m": "where the start holds, m behind the tail, default 0",
    "start_half_width_m": "measured half-width there, m; default: where the peak deficit is 1",
}
_MOMENTUM = {"momentum": "linear (default, as in the tool) or full, with the deficit squared"}
_FREE = {
    **_START,
    "momentum_spread": "S, default the tool's",
    "drag_coefficient": "condition: instead of the body's",
}
_PLANE_WAKE = {**_START, "plane_spread": f"S of a plane wake, default {PLANE_SPREAD}"}

QUANTITIES = (
    Quantity(
        "free_wake_half_width", "m",
        "half radius of a free axisymmetric wake at a distance behind the body",
        ("behind_m",), _FREE, free_wake_half_width, True,
    ),
    Quantity(
        "free_wake_deficit", "1",
        "peak velocity deficit of a free axisymmetric wake at a distance behind the body",
        ("behind_m",), {**_FREE, **_MOMENTUM}, free_wake_deficit, True,
    ),
    Quantity(
        "free_wake_deficit_of_width", "1",
        "peak deficit that the drag gives a free axisymmetric wake of known half radius",
        ("half_width_m",),
        {"drag_coefficient": _FREE["drag_coefficient"], **_MOMENTUM},
        free_wake_deficit_of_width, True,
    ),
    Quantity(
        "plane_wake_half_width", "m",
        "half-width of a plane wake of known momentum thickness",
        ("behind_m", "momentum_thickness_m"), _PLANE_WAKE, plane_wake_half_width,
    ),
    Quantity(
        "plane_wake_deficit", "1",
        "peak velocity deficit of a plane wake of known momentum thickness",
        ("behind_m", "momentum_thickness_m"), {**_PLANE_WAKE, **_MOMENTUM}, plane_wake_deficit,
    ),
    Quantity(
        "plane_wake_deficit_of_width", "1",
        "peak deficit that the momentum thickness gives a plane wake of known half-width",
        ("half_width_m", "momentum_thickness_m"), _MOMENTUM, plane_wake_deficit_of_width,
    ),
    Quantity(
        "wake_decay_exponent", "1",
        "exponent of a vehicle's wake over distance, fitted between two distances",
        ("from_m", "to_m"),
        {**WAKE_OPTIONS, "value": "deficit (default), width or turbulence"},
        wake_exponent, True,
    ),
)  # fmt: skip
