"""What one passage leaves in the air: slowed air behind it, turbulent energy, vertical spread.

Deficit met by a follower: a vehicle that trails another at distance x meets air that already moves
with u(x, y, z) V. A probe on the axis reads u there. Over a front of area A, a rectangle across the
centreline, it is the mean of u, or, weighted as the follower's drag weighs it, the deficit of even
air that would lower that drag by as much,

    1 - sqrt(1/A int (1 - u)^2 dA).

Energy of a passage at a fixed point (y, z): in still air the wake sweeps past at the vehicle's
speed, t = x/V, so that

    integral of k dt = V * integral of (k/V^2) dx,      x from x_from to V T,

T the age at which wakes are dropped. It has no limit of its own that is reached soon: k falls as
x^(-1.2), so what is left beyond x falls as x^(-0.2) only. Passages at the rate q add q times this
to the mean turbulent energy at the point (Campbell's theorem), which is how it is read off traffic.

Vertical spread of the air marked by a vehicle after the residence time t over the road: root of
the mean of z^2 weighted with the momentum, sigma_z of a Gaussian at the road. With ``by`` =
"wakes" it is that of the mean wake at x = V t, own growth and mixing together; with "mixing" that
of a line at half the vehicle's height that diffuses alone, sigma_z^2 = (h/2)^2 + 2 K t. K is that
of the road's balance (``road_viscosity``) or of the fitted formula, unless given.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from wakesim.case.vehicle import Vehicle
from wakesim.errors import CaseError
from wakesim.validation.comparison import Array, Comparison, Quantity
from wakesim.validation.quantities.bodies import (
    WAKE_OPTIONS,
    Wake,
    new_wake,
    wake_constants,
    wake_of,
)
from wakesim.validation.quantities.inputs import body_of, choice, condition, setting
from wakesim.validation.quantities.traffic_scaling import (
    area_share,
    mixing_length,
    traffic_diffusivity,
    traffic_sigma_w,
)
from wakesim.validation.quantities.turbulence import balance_viscosity
from wakesim.vehicle.wake import AirState

_FRONT_POINTS = 48  # Gauss-Legendre, each way
_NEAREST_M = 1e-4
_STEPS = 4000  # along the wake, evenly in ln x
_HEIGHTS, _HIGHEST_M = 8000, 200.0


def _own_air(c: Comparison) -> AirState:
    return AirState(setting(c, "diffusivity_over_speed_m", 0.0, 0.0, 1.0, "m"))


# --- deficit met by a follower ------------------------------------------------------------------


def front_deficit(
    wake: Wake, behind_m: float, width_m: float, low_m: float, high_m: float, by_drag: bool = False
) -> float:
    """Deficit over a front at a distance behind the tail, as mean speed or as drag weighs it."""
    node, weight = np.polynomial.legendre.leggauss(_FRONT_POINTS)
    y = 0.5 * width_m * node
    z = low_m + 0.5 * (high_m - low_m) * (node + 1.0)
    u = wake.velocity(behind_m, y[:, None], z)
    if by_drag:
        return 1.0 - math.sqrt(float(0.25 * weight @ (1.0 - u) ** 2 @ weight))
    return float(0.25 * weight @ u @ weight)


def wake_deficit(c: Comparison) -> Array:
    """Deficit of the mean wake that a probe or a follower's front meets, over the speed, (n,).

    The condition ``drag_area_m2`` replaces drag coefficient times frontal area point by point.
    """
    body, constants, air = body_of(c), wake_constants(c), _own_air(c)
    behind = condition(c, "behind_m", 0.0, 1e4)
    own = body.drag_coefficient * body.frontal_area_m2
    area = condition(c, "drag_area_m2", 0.01, 30.0, "m2", own)
    probe = "at_height_m" in c.options
    clash = [name for name in ("width_m", "z_low_m", "z_high_m", "average") if name in c.options]
    if probe and clash:
        raise CaseError(f"{c.path}: options.at_height_m and options.{clash[0]} exclude each other")
    height = setting(c, "at_height_m", 0.5 * body.height_m, 0.0, 20.0, "m")
    width = setting(c, "width_m", body.width_m, 0.01, 20.0, "m")
    low = setting(c, "z_low_m", body.clearance_m, 0.0, 20.0, "m")
    high = setting(c, "z_high_m", body.height_m, 0.01, 20.0, "m")
    if high <= low:
        raise CaseError(f"{c.path}: options.z_high_m = {high:g}: must be above z_low_m = {low:g} m")
    by_drag = choice(c, "average", "speed", ("speed", "drag")) == "drag"
    out = np.empty(c.size)
    for i, (x, drag) in enumerate(zip(behind, area, strict=True)):
        coefficient = float(drag) / body.frontal_area_m2
        dragged = replace(body, drag_coefficient=coefficient, drag_range=None)
        wake = new_wake(dragged, constants, air)
        if probe:
            out[i] = float(wake.velocity(x, 0.0, height))
        else:
            out[i] = front_deficit(wake, float(x), width, low, high, by_drag)
    return out


# --- energy of a passage ------------------------------------------------------------------------


def passage_energy(
    wake: Wake, speed_m_s: float, y_m: float, z_m: float, from_m: float, to_m: float
) -> float:
    """Integral of k dt at a fixed point while the wake from ``from_m`` to ``to_m`` passes, m2/s.

    A ``from_m`` below 0 counts the air beside the body from there on.
    """
    x = np.geomspace(max(from_m, _NEAREST_M), to_m, _STEPS + 1)
    k = wake.turbulence(x, y_m, z_m)
    energy = float(np.trapezoid(k * x, np.log(x)))
    if from_m < 0.0:
        beside = np.linspace(from_m, 0.0, _STEPS // 10)
        energy += float(np.trapezoid(wake.turbulence(beside, y_m, z_m), beside))
    return speed_m_s * energy


def tke_per_passage(c: Comparison) -> Array:
    """Turbulent energy of one passage at a fixed point, summed over time, (n,) m2/s2 s.

    From the nose on for a point beside or above the body, from the tail on for one in its path; or
    from the option ``x_from_m`` behind the tail.
    """
    body, wake = body_of(c), wake_of(c, _own_air(c))
    z = condition(c, "z_m", 0.0, 50.0)
    y = condition(c, "y_m", -50.0, 50.0, "m", 0.0)
    speed = condition(c, "speed_m_s", 0.5, 100.0, "m/s")
    start = setting(c, "x_from_m", 0.0, 0.0, 200.0, "m")
    memory = setting(c, "memory_s", 30.0, 0.5, 3600.0, "s")
    if np.any(memory * speed <= start):
        raise CaseError(
            f"{c.path}: options.x_from_m = {start:g}: must be less than speed times memory_s, "
            f"{memory * float(speed.min()):g} m"
        )
    first = np.full(c.size, start)
    if "x_from_m" not in c.options:
        free = (np.abs(y) > 0.5 * body.width_m) | (z > body.height_m)
        first[free] = -body.length_m
    return np.array(
        [
            passage_energy(wake, float(v), float(a), float(b), float(x), memory * float(v))
            for v, a, b, x in zip(speed, y, z, first, strict=True)
        ]
    )


# --- vertical spread ------------------------------------------------------------------------------


def momentum_height(wake: Wake, behind_m: float) -> float:
    """Root of the mean of z^2 weighted with the mean wake on its centre plane, m."""
    z = np.concatenate([[0.0], np.geomspace(1e-3, _HIGHEST_M, _HEIGHTS)])
    u = wake.velocity(behind_m, 0.0, z)
    return math.sqrt(float(np.trapezoid(u * z**2, z) / np.trapezoid(u, z)))


def _traffic_k(c: Comparison, body: Vehicle, speed: Array) -> Array:
    """Eddy diffusivity, (n,) m2/s: the option, or that of one class on its road."""
    if "diffusivity_m2_s" in c.options:
        return np.full(c.size, setting(c, "diffusivity_m2_s", 0.0, 0.0, 20.0, "m2/s"))
    by = choice(c, "mixing_by", "balance", ("balance", "formula"))
    flow = condition(c, "flow_veh_h", 0.0, 40_000.0, "veh/h", 0.0)
    road = condition(c, "road_width_m", 2.0, 100.0, "m", 7.3)
    length = mixing_length(body.height_m)
    out = np.empty(c.size)
    for i, (q, v, w) in enumerate(zip(flow, speed, road, strict=True)):
        share = float(area_share(q / 3600.0, v, body.length_m * body.width_m, float(w)))
        if share > 1.0:
            raise CaseError(f"{c.path}: point {i + 1}: vehicles would cover more than the road")
        if by == "balance":
            out[i] = balance_viscosity(body, float(q), float(v), float(w)) if q > 0.0 else 0.0
        else:
            out[i] = float(traffic_diffusivity(traffic_sigma_w(v, share), length))
    return out


def first_vertical_spread(c: Comparison) -> Array:
    """Vertical spread of air marked by a vehicle after a residence time over the road, (n,) m."""
    body = body_of(c)
    age = condition(c, "residence_time_s", 0.0, 3600.0, "s")
    speed = condition(c, "speed_m_s", 0.5, 100.0, "m/s")
    k = _traffic_k(c, body, speed)
    if choice(c, "by", "wakes", ("wakes", "mixing")) == "mixing":
        return np.sqrt((0.5 * body.height_m) ** 2 + 2.0 * k * age)
    return np.array(
        [
            momentum_height(wake_of(c, AirState(float(mix / v))), float(v * t))
            for mix, v, t in zip(k, speed, age, strict=True)
        ]
    )


_AIR = {
    **WAKE_OPTIONS,
    "diffusivity_over_speed_m": "ambient eddy diffusivity over the body's speed, m, default 0",
}

QUANTITIES = (
    Quantity(
        "wake_deficit", "1",
        "mean along-road wake speed that a follower meets, over the body's speed",
        ("behind_m",),
        {
            **_AIR,
            "drag_area_m2": "condition: drag area instead of the body's",
            "at_height_m": "probe on the axis at this height, instead of a front",
            "width_m": "width of the front, default the body's",
            "z_low_m": "lower edge of the front, default the body's clearance",
            "z_high_m": "upper edge of the front, default the body's height",
            "average": "over the front: speed (default), or drag: as the follower's drag weighs it",
        },
        wake_deficit, True,
    ),
    Quantity(
        "tke_per_passage", "m2/s",
        "turbulent kinetic energy of one passage at a fixed point, summed over time (m2/s2 s)",
        ("z_m", "speed_m_s"),
        {
            **_AIR,
            "y_m": "condition: distance of the point from the lane's axis, default 0",
            "x_from_m": "first distance behind the tail, m; default 0, and the nose for a point "
            "beside or above the body",
            "memory_s": "age at which the wake is dropped, s, default 30 as in a run",
        },
        tke_per_passage, True,
    ),
    Quantity(
        "first_vertical_spread", "m",
        "vertical spread of air marked by a vehicle after a residence time over the road",
        ("residence_time_s", "speed_m_s"),
        {
            **WAKE_OPTIONS,
            "by": "wakes (default: the wake's own growth and mixing) or mixing (K alone)",
            "mixing_by": "balance (default): the road's own balance, or formula: a fitted one",
            "flow_veh_h": "condition: flow that makes the mixing, default 0",
            "road_width_m": "condition: width of its carriageway, default 7.3",
            "diffusivity_m2_s": "eddy diffusivity instead of that of the flow",
        },
        first_vertical_spread, True,
    ),
)  # fmt: skip
