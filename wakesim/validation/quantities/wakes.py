"""Wakes: peaks and recirculation close behind a body, decay and width far behind.

Near wake. In a tunnel the body stands still and the mean velocity is U; here the air stands still
and u is the along-road velocity of the air over the body's speed, so that the deficit 1 - U/U_0 is
u. The flow in the tunnel reverses where u > 1: the recirculation length is the distance behind the
tail at which u falls below 1 for the last time. Peaks are taken over height on the plane
``lateral_m`` (the centre plane by default), as a traverse in a tunnel would.

Free axisymmetric wake (Pope 2000, Turbulent Flows, section 5.4), the momentum law of
``vehicle/similarity_wake.py`` without a road: half radius r, peak deficit u over the body's speed,
drag area C A,

    u = ln 2 C A / (2 pi r^2),      r^3 = r_0^3 + 3 S (ln 2/2 pi) C A (x - x_0).

That module has 2 C A in the growth, for there the wake and its image in the road have merged.
Plane wake of momentum thickness theta, half-width b (same book, constant eddy viscosity):

    u = theta sqrt(ln 2/pi) / b,    b^2 = b_0^2 + 2 S theta sqrt(ln 2/pi) (x - x_0);

S = 0.09 is b = 0.29 sqrt(theta x), the classical constant (from memory). Both laws are linear in
the deficit, as everything in the tool; the full momentum of a Gaussian profile is

    axisymmetric  u (1 - u/2) = ln 2 C A/(2 pi r^2),
    plane         u (1 - u/sqrt 2) = theta sqrt(ln 2/pi)/b.

Without a measured start the peak deficit is 1 at x_0, as at the end of a vehicle's bubble.

By the closure (``section.march``, the law of the program): the same wakes marched from a measured
station, a Gaussian of its deficit and half-width, between slip planes that are planes of symmetry
(a quarter of the round wake, half of the plane one). Turbulent energy there: Gaussian too, with
peak 3/2 of the square of the measured rms across (isotropic, assumed); dissipation as large as the
production where the shear is steepest, eps = sqrt(c_mu) k |du/dr|_max (assumed).
Exponents of vehicle wakes are slopes of a least-squares line through ln(value) over ln(x).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from wakesim.arrays import Array
from wakesim.errors import CaseError
from wakesim.section.closure import LEAST_EPS, LEAST_K, Closure
from wakesim.section.march import advance
from wakesim.validation.comparison import Comparison
from wakesim.validation.quantities.bodies import (
    WAKE_OPTIONS,
    Wake,
    new_field,
    wake_constants,
    wake_of,
)
from wakesim.validation.quantities.inputs import (
    BEHIND,
    SMALLEST,
    body_of,
    choice,
    condition,
    flag,
    quantity,
    setting,
)
from wakesim.vehicle.wake import SHARE_U, WakeConstants

_PEAK_OPTIONS = {
    **WAKE_OPTIONS,
    "lateral_m": "distance of the traversed plane from the centre plane, default 0",
    "highest_m": "top of the traverse, default twice the height of the body above the ground",
}
_TRAVERSE_HEIGHTS = 600
_DISTANCES = 3000  # in a search for the end of the reversed flow
_LONGEST_HEIGHTS = 12.0  # searched for reversed flow

PLANE_SPREAD = 0.09
_LN2 = math.log(2.0)
_AXISYMMETRIC = _LN2 / (2.0 * math.pi)
_PLANE = math.sqrt(_LN2 / math.pi)
_FIT_POINTS = 60
_FIT_HEIGHTS = 400
WAKE_VALUES = ("deficit", "width", "turbulence")

_START = {
    "law": "similarity (default here), or section: the program's closure from a measured station",
    "start_deficit": 'measured peak deficit there (law = "section")',
    "start_rms": 'measured rms across there over the stream\'s speed (law = "section")',
    "weak_shear_mixing": WAKE_OPTIONS["weak_shear_mixing"],
    "start_m": "where the start holds, m behind the tail, default 0",
    "start_half_width_m": "measured half-width there, m; default: where the peak deficit is 1",
}
_MOMENTUM = {"momentum": "linear (default, as in the tool) or full, with the deficit squared"}
_DRAG = {"drag_coefficient": "condition: instead of the body's"}
_FREE = {**_START, **_MOMENTUM, "momentum_spread": "S, default the tool's", **_DRAG}
_PLANE_WAKE = {**_START, **_MOMENTUM, "plane_spread": f"S of a plane wake, default {PLANE_SPREAD}"}
_HALF_WIDTH = {
    "half_width_m": "distance from the axis at which the velocity deficit is half its peak"
}
_THICKNESS = {"momentum_thickness_m": "momentum thickness of the plane wake"}


# --- close behind a body ------------------------------------------------------------------------


def _traverse(c: Comparison) -> tuple[Array, float, Array]:
    """Distances behind the tail (n,), lateral position and heights of the traverses, m."""
    body = body_of(c)
    behind = condition(c, "behind_m", SMALLEST)
    lateral = setting(c, "lateral_m", 0.0, -20.0, 20.0)
    top = setting(c, "highest_m", 2.0 * body.height_m, 0.1 * body.height_m, 40.0)
    return behind, lateral, np.linspace(0.0, top, _TRAVERSE_HEIGHTS + 1)[1:]


@quantity(
    "1",
    BEHIND,
    {
        **_PEAK_OPTIONS,
        "with_displacement": "add the displacement flow of the open tail, default false",
    },
    body=True,
)
def near_wake_peak_deficit(c: Comparison) -> Array:
    """Largest velocity deficit 1 - U/U0 over height at a distance behind the tail.

    With the option ``with_displacement`` the displacement flow of the open tail is added to the
    wake, as in the pass field that a mount sees.
    """
    behind, lateral, z = _traverse(c)
    wake = wake_of(c).velocity(behind[:, None], lateral, z)
    if flag(c, "with_displacement", False):
        field = new_field(body_of(c), wake_constants(c), nose_radius_m=c.nose_radius_m)
        x, up = np.meshgrid(-body_of(c).length_m - behind, z, indexing="ij")
        points = np.column_stack([x.ravel(), np.full(x.size, lateral), up.ravel()])
        wake = wake + field.displacement(points)[:, 0].reshape(wake.shape)
    return wake.max(axis=1)


@quantity("1", BEHIND, _PEAK_OPTIONS, body=True)
def near_wake_peak_turbulent_energy(c: Comparison) -> Array:
    """Largest turbulent kinetic energy over U0^2 over height behind the tail."""
    behind, lateral, z = _traverse(c)
    return wake_of(c).turbulence(behind[:, None], lateral, z).max(axis=1)


@quantity("1", BEHIND, _PEAK_OPTIONS, body=True)
def near_wake_peak_u_rms(c: Comparison) -> Array:
    """Largest along-stream rms over U0 over height behind the tail."""
    return np.sqrt(2.0 * SHARE_U * near_wake_peak_turbulent_energy(c))


@quantity("1", None, {**WAKE_OPTIONS, "where": "anywhere (default) or mid_height"}, body=True)
def recirculation_length(c: Comparison) -> Array:
    """Length of the reversed flow behind the tail over the body's own height.

    The height of the body is its own, without the clearance, as wind-tunnel figures take it. With
    ``where = "mid_height"`` the reversal on the axis counts, with "anywhere" that on any height.
    """
    body = body_of(c)
    where = choice(c, "where", "anywhere", ("anywhere", "mid_height"))
    own_height = body.height_m - body.clearance_m
    mid = 0.5 * (body.height_m + body.clearance_m)
    z = np.array([mid])
    if where == "anywhere":
        z = np.append(np.linspace(0.0, body.height_m, _TRAVERSE_HEIGHTS + 1)[1:], mid)
    x = np.linspace(0.0, _LONGEST_HEIGHTS * own_height, _DISTANCES + 1)[1:]
    u = wake_of(c).velocity(x[:, None], 0.0, z).max(axis=1)
    return np.full(c.size, _last_above_one(x, u) / own_height)


def _last_above_one(x: Array, u: Array) -> float:
    """Where u falls below 1 for the last time, by linear interpolation; 0 when it never is above.

    Values within 1e-9 of 1 count as above it, for at the bubble's end the peak is 1 by definition.
    """
    above = np.flatnonzero(u >= 1.0 - 1e-9)
    if above.size == 0:
        return 0.0
    last = int(above[-1])
    if last + 1 == x.size:
        return float(x[last])
    fall = (u[last] - 1.0) / (u[last] - u[last + 1])
    return float(x[last] + np.clip(fall, 0.0, 1.0) * (x[last + 1] - x[last]))


# --- laws of free wakes -------------------------------------------------------------------------


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


# --- marched by the closure ---------------------------------------------------------------------

_CELLS, _GROWTH, _REACH = 10, 1.05, 30.0  # cells over the half-width, their growth, half-widths
_PLANE_CELLS = 3
_FIRST_STEP, _STEP_GROWTH = 0.5, 0.02  # half-widths; of the distance marched


def marched_free_wake(
    distance_m: Array, deficit: float, half_width_m: float, rms: float, plane: bool,
    closure: Closure,
) -> tuple[Array, Array]:  # fmt: skip
    """Peak deficit and half-width (n,) of a free wake at distances (n,) m from a station of known
    deficit, half-width and rms across, all over the stream's speed."""
    fine, edges = half_width_m / _CELLS, [0.0]
    step = fine
    while edges[-1] < _REACH * half_width_m:
        edges.append(edges[-1] + step)
        step *= 1.0 if len(edges) <= 2 * _CELLS else _GROWTH
    z_edge = np.array(edges)
    y_edge = fine * np.arange(_PLANE_CELLS + 1.0) if plane else z_edge
    y, z = (0.5 * (e[1:] + e[:-1]) for e in (y_edge, z_edge))
    shape = (y.size, z.size)
    own = half_width_m / math.sqrt(2.0 * _LN2)
    radius = np.hypot(0.0 if plane else y[:, None], np.broadcast_to(z, shape))
    gauss = np.exp(-0.5 * (radius / own) ** 2)
    u = deficit * gauss
    k = np.maximum(1.5 * rms**2 * gauss, LEAST_K)
    eps = np.maximum(math.sqrt(closure.c_mu) * k * deficit * math.exp(-0.5) / own, LEAST_EPS)
    g, nu, none = np.ones(shape), np.zeros(shape), np.zeros(shape)
    closed_y = np.zeros((shape[0] + 1, shape[1]), dtype=bool)
    closed_z = np.zeros((shape[1] + 1, shape[0]), dtype=bool)
    flow_y, flow_z = np.zeros(closed_y.shape), np.zeros((shape[0], shape[1] + 1))
    still, smooth = np.zeros((2, shape[1])), np.zeros(shape[0])
    order = np.argsort(distance_m)
    peak, width = np.empty(distance_m.size), np.empty(distance_m.size)
    x, last = 0.0, 0.0
    for n in order:
        while x < distance_m[n] * (1.0 - 1e-12):
            dt = min(_FIRST_STEP * half_width_m + _STEP_GROWTH * x, distance_m[n] - x)
            advance(
                u, k, eps, g, nu, last, dt, none, none, none, y, z, y_edge, z_edge, closed_y,
                closed_z, still, still, smooth, none, 0.0, flow_y, flow_z, 0, True, closure.c_mu,
                closure.c1, closure.c2, closure.sigma_k, closure.sigma_eps, closure.weak_shear,
            )  # fmt: skip
            x, last = x + dt, dt
        peak[n], width[n] = _peak_and_half_width(z, u[0])
    return peak, width


def _peak_and_half_width(z: Array, u: Array) -> tuple[float, float]:
    """On the axis, from a profile that is even about it."""
    curve = (u[1] - u[0]) / (z[1] ** 2 - z[0] ** 2)
    peak = float(u[0] - curve * z[0] ** 2)
    beyond = int(np.argmax(u < 0.5 * peak))
    share = (u[beyond - 1] - 0.5 * peak) / (u[beyond - 1] - u[beyond])
    return peak, float(z[beyond - 1] + share * (z[beyond] - z[beyond - 1]))


def _marched(c: Comparison, plane: bool) -> tuple[Array, Array]:
    """Deficit and half-width (n,) by the closure from the measured start of a comparison.

    Raises CaseError when a part of the start is missing or a point lies before it.
    """
    behind = condition(c, "behind_m", SMALLEST)
    for name in ("start_half_width_m", "start_deficit", "start_rms"):
        if name not in c.options:
            raise CaseError(f'{c.path}: options.{name} is missing; law = "section" needs it')
    start = _start_m(c)
    if np.any(behind < start):
        raise CaseError(f"{c.path}: options.start_m = {start:g}: a point lies before it")
    width = setting(c, "start_half_width_m", 1.0, 1e-6, 1e3)
    deficit = setting(c, "start_deficit", 0.1, 1e-4, 1.0)
    rms = setting(c, "start_rms", 0.01, 1e-5, 1.0)
    own = WakeConstants()
    mixing = setting(c, "weak_shear_mixing", own.weak_shear_mixing, 0.0, 20.0)
    closure = Closure(c2=own.turbulence_decay_c2, weak_shear=mixing)
    share = 1.0 / math.sqrt(2.0) if plane else 0.5
    full = _momentum_is_full(c)
    linear = deficit * (1.0 - share * deficit) if full else deficit
    peak, half = marched_free_wake(behind - start, linear, width, rms, plane, closure)
    return _deficit(peak, share, full), half


def _by_closure(c: Comparison) -> bool:
    return choice(c, "law", "similarity", ("similarity", "section")) == "section"


def _start_m(c: Comparison) -> float:
    """Distance behind the tail at which the start holds, m."""
    return setting(c, "start_m", 0.0, 0.0, 1e4)


def _start_widths(c: Comparison, own: Array) -> Array:
    """Half-width at the start, (n,) m: as measured, or ``own``."""
    given = setting(c, "start_half_width_m", 0.0, 1e-6, 1e3)
    return np.full(c.size, given) if given else own


# --- free axisymmetric wake -------------------------------------------------------------------


def _drag_area(c: Comparison) -> Array:
    """Drag coefficient times frontal area, (n,) m2; the coefficient may come with each point."""
    body = body_of(c)
    coefficient = condition(c, "drag_coefficient", SMALLEST, 3.0, body.drag_coefficient)
    return coefficient * body.frontal_area_m2


def _free_radius(c: Comparison) -> Array:
    behind, area = condition(c, "behind_m", SMALLEST), _drag_area(c)
    spread = setting(c, "momentum_spread", WakeConstants().momentum_spread, 0.01, 5.0)
    widths = _start_widths(c, np.sqrt(_AXISYMMETRIC * area))
    return free_half_radius(behind, area, spread, _start_m(c), widths)


@quantity("m", BEHIND, _FREE, body=True)
def free_wake_half_width(c: Comparison) -> Array:
    """Half radius of a free axisymmetric wake at a distance behind the body."""
    return _marched(c, plane=False)[1] if _by_closure(c) else _free_radius(c)


@quantity("1", BEHIND, _FREE, body=True)
def free_wake_deficit(c: Comparison) -> Array:
    """Peak velocity deficit of a free axisymmetric wake at a distance behind the body."""
    if _by_closure(c):
        return _possible(c, _marched(c, plane=False)[0])
    return _possible(c, free_deficit(_free_radius(c), _drag_area(c), _momentum_is_full(c)))


@quantity("1", _HALF_WIDTH, {**_DRAG, **_MOMENTUM}, body=True)
def free_wake_deficit_of_width(c: Comparison) -> Array:
    """Peak deficit that the drag gives a free axisymmetric wake of known half radius.

    No constants enter.
    """
    radius = condition(c, "half_width_m", SMALLEST)
    return _possible(c, free_deficit(radius, _drag_area(c), _momentum_is_full(c)))


# --- plane wake -------------------------------------------------------------------------------


def _thickness(c: Comparison) -> Array:
    return condition(c, "momentum_thickness_m", SMALLEST)


def _plane_width(c: Comparison) -> Array:
    behind, thickness = condition(c, "behind_m", SMALLEST), _thickness(c)
    spread = setting(c, "plane_spread", PLANE_SPREAD, 0.005, 1.0)
    widths = _start_widths(c, _PLANE * thickness)
    return plane_half_width(behind, thickness, spread, _start_m(c), widths)


@quantity("m", BEHIND | _THICKNESS, _PLANE_WAKE)
def plane_wake_half_width(c: Comparison) -> Array:
    """Half-width of a plane wake of known momentum thickness."""
    return _marched(c, plane=True)[1] if _by_closure(c) else _plane_width(c)


@quantity("1", BEHIND | _THICKNESS, _PLANE_WAKE)
def plane_wake_deficit(c: Comparison) -> Array:
    """Peak velocity deficit of a plane wake of known momentum thickness."""
    if _by_closure(c):
        return _possible(c, _marched(c, plane=True)[0])
    return _possible(c, plane_deficit(_plane_width(c), _thickness(c), _momentum_is_full(c)))


@quantity("1", _HALF_WIDTH | _THICKNESS, _MOMENTUM)
def plane_wake_deficit_of_width(c: Comparison) -> Array:
    """Peak deficit that the momentum thickness gives a plane wake of known half-width."""
    width = condition(c, "half_width_m", SMALLEST)
    return _possible(c, plane_deficit(width, _thickness(c), _momentum_is_full(c)))


# --- exponents of vehicle wakes ---------------------------------------------------------------


def decay_exponent(wake: Wake, height_m: float, value: str, first_m: float, last_m: float) -> float:
    """Slope of ln(value) over ln(x) behind a vehicle of a height between two distances.

    ``value``: peak "deficit", peak "turbulence" (kinetic energy), or "width" (half-width across
    the road at the height of the peak).
    """
    x = np.geomspace(first_m, last_m, _FIT_POINTS)
    z = np.geomspace(0.01 * height_m, height_m + 0.3 * last_m, _FIT_HEIGHTS)
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


@quantity(
    "1",
    {
        "from_m": "nearest distance behind the tail of the stretch over which an exponent is taken",
        "to_m": "farthest distance of that stretch",
    },
    {**WAKE_OPTIONS, "value": "deficit (default), width or turbulence"},
    body=True,
)
def wake_decay_exponent(c: Comparison) -> Array:
    """Exponent of a vehicle's wake over distance, fitted between two distances."""
    height = body_of(c).height_m
    value = choice(c, "value", "deficit", WAKE_VALUES)
    first = condition(c, "from_m", SMALLEST)
    last = condition(c, "to_m", SMALLEST, 1e5)
    if np.any(last < 1.2 * first):
        worst = int(np.argmax(last < 1.2 * first))
        raise CaseError(
            f"{c.path}: point {c.labels[worst]}: to_m = {last[worst]:g} m: "
            f"must be at least 1.2 times from_m = {first[worst]:g} m"
        )
    wake = wake_of(c)
    return np.array(
        [
            decay_exponent(wake, height, value, float(a), float(b))
            for a, b in zip(first, last, strict=True)
        ]
    )
