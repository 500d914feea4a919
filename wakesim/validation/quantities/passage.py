"""What passages leave in the air: slowed air, turbulent energy, mixing, vertical spread.

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

Turbulence of the traffic on a road. The eddy viscosity of the balance is that of ``section.road``
for one class in lanes side by side, all one way, in air that passes for still, around the wakes as
a run takes it. Berkowicz's scaling sigma_w0 = b sqrt(sum D V^2) and the diffusivity from it are
those of ``traffic_scaling``. The wakes carry, by Campbell's theorem and averaged over the
road, sigma_w^2 = 2 share_w q V times the integral of k/V^2 over x, to the age at which wakes are
dropped.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache

import numpy as np

from wakesim import constants as empirical
from wakesim.arrays import Array
from wakesim.case.air import Drift
from wakesim.case.vehicle import Vehicle
from wakesim.errors import CaseError
from wakesim.section.closure import Closure
from wakesim.section.grid import CrossSectionGrid
from wakesim.section.road import RoadSection, Sources
from wakesim.section.wake import wake_table
from wakesim.traffic.mean_air import REACH_M
from wakesim.validation.comparison import Comparison
from wakesim.validation.quantities import traffic_scaling as scaling
from wakesim.validation.quantities.bodies import (
    WAKE_OPTIONS,
    Wake,
    new_wake,
    wake_constants,
    wake_of,
)
from wakesim.validation.quantities.inputs import (
    BEHIND,
    SPEED,
    body_of,
    choice,
    condition,
    flag,
    flow_per_s,
    quantity,
    setting,
    vehicle_speed,
)
from wakesim.vehicle.marched_wake import wake_start
from wakesim.vehicle.wake import SHARE_W, AirState, WakeConstants

_FRONT_POINTS = 48  # Gauss-Legendre, each way
_NEAREST_M = 1e-4
_STEPS = 4000  # along the wake, evenly in ln x
_HEIGHTS, _HIGHEST_M = 8000, 200.0
_LANE_M, _TOP_M, _CELL_M, _GROWTH = 3.65, 70.0, 0.8, 0.16

_AIR = {
    **WAKE_OPTIONS,
    "diffusivity_over_speed_m": "ambient eddy diffusivity over the body's speed, m, default 0",
}
_ROAD = {
    "flow_veh_h": "flow of the class on the road, all lanes",
    **SPEED,
    "road_width_m": "width of the carriageways over which the turbulence is spread",
}


def _own_air(c: Comparison) -> AirState:
    return AirState(setting(c, "diffusivity_over_speed_m", 0.0, 0.0, 1.0))


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


@quantity(
    "1",
    BEHIND,
    {
        **_AIR,
        "drag_area_m2": "condition: drag area instead of the body's",
        "at_height_m": "probe on the axis at this height, instead of a front",
        "width_m": "width of the front, default the body's",
        "z_low_m": "lower edge of the front, default the body's clearance",
        "z_high_m": "upper edge of the front, default the body's height",
        "average": "over the front: speed (default), or drag: as the follower's drag weighs it",
    },
    body=True,
)
def wake_deficit(c: Comparison) -> Array:
    """Mean along-road wake speed that a follower meets, over the body's speed.

    The condition ``drag_area_m2`` replaces drag coefficient times frontal area point by point.
    """
    body, constants, air = body_of(c), wake_constants(c), _own_air(c)
    behind = condition(c, "behind_m", 0.0, 1e4)
    own = body.drag_coefficient * body.frontal_area_m2
    area = condition(c, "drag_area_m2", 0.01, 30.0, own)
    probe = "at_height_m" in c.options
    clash = [name for name in ("width_m", "z_low_m", "z_high_m", "average") if name in c.options]
    if probe and clash:
        raise CaseError(f"{c.path}: options.at_height_m and options.{clash[0]} exclude each other")
    height = setting(c, "at_height_m", 0.5 * body.height_m, 0.0, 20.0)
    width = setting(c, "width_m", body.width_m, 0.01, 20.0)
    low = setting(c, "z_low_m", body.clearance_m, 0.0, 20.0)
    high = setting(c, "z_high_m", body.height_m, 0.01, 20.0)
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


@quantity(
    "m2/s",
    {"z_m": "height above the road", **SPEED},
    {
        **_AIR,
        "y_m": "condition: distance of the point from the lane's axis, default 0",
        "x_from_m": "first distance behind the tail, m; default 0, and the nose for a point "
        "beside or above the body",
        "memory_s": "age at which the wake is dropped, s, default 30 as in a run",
    },
    body=True,
)
def tke_per_passage(c: Comparison) -> Array:
    """Turbulent kinetic energy of one passage at a fixed point, summed over time (m2/s2 s).

    From the nose on for a point beside or above the body, from the tail on for one in its path; or
    from the option ``x_from_m`` behind the tail.
    """
    body, wake = body_of(c), wake_of(c, _own_air(c))
    z = condition(c, "z_m", 0.0, 50.0)
    y = condition(c, "y_m", -50.0, 50.0, 0.0)
    speed = vehicle_speed(c)
    start = setting(c, "x_from_m", 0.0, 0.0, 200.0)
    memory = setting(c, "memory_s", 30.0, 0.5, 3600.0)
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


@quantity(
    "1",
    {
        "beside_m": "distance from the side of the vehicle to the point",
        "at_height_m": "height of the point above the road",
        "from_speed_m_s": "lower speed of the range over which an exponent is taken",
        "to_speed_m_s": "upper speed of that range",
    },
    {
        **WAKE_OPTIONS,
        "measure": "mean (default) over a window, or peak",
        "window_s": "window from the moment the nose passes, default 10",
        "wake_passing": "count the variance of the mean wake too (mean only), default true",
    },
    body=True,
)
def pass_energy_exponent(c: Comparison) -> Array:
    """Exponent in the vehicle's speed of the turbulent energy of a pass at a fixed point.

    The energy of one pass is k plus, unless ``wake_passing`` is false, half the variance of the
    wake's mean velocity, as an anemometer beside the road reads it. ``measure`` = "peak" takes the
    largest k; "mean" the average over ``window_s`` from the moment the nose passes.
    """
    body, wake = body_of(c), wake_of(c)
    beside = condition(c, "beside_m", 0.0, 50.0)
    height = condition(c, "at_height_m", 0.0, 20.0)
    low = condition(c, "from_speed_m_s", 0.5, 100.0)
    high = condition(c, "to_speed_m_s", 0.5, 100.0)
    if np.any(high <= low):
        raise CaseError(f"{c.path}: to_speed_m_s must be above from_speed_m_s")
    measure = choice(c, "measure", "mean", ("mean", "peak"))
    window = setting(c, "window_s", 10.0, 0.5, 600.0)
    passing = flag(c, "wake_passing", True)
    out = np.empty(c.size)
    for i in range(c.size):
        speed = np.geomspace(low[i], high[i], 9)
        place = (0.5 * body.width_m + beside[i], height[i])
        energy = [
            _pass_energy(wake, body.length_m, v, place, window, measure, passing) for v in speed
        ]
        out[i] = np.polyfit(np.log(speed), np.log(energy), 1)[0]
    return out


def _pass_energy(
    wake: Wake,
    length_m: float,
    speed: float,
    place: tuple[float, float],
    window_s: float,
    measure: str,
    passing: bool,
) -> float:
    t = np.linspace(0.0, window_s, 4001)
    x = speed * t - length_m
    k = speed**2 * wake.turbulence(x, *place)
    if measure == "peak":
        return float(k.max())
    u = speed * wake.velocity(x, *place)
    mean = float(np.trapezoid(k, t) / window_s)
    return mean + (0.5 * float(np.var(u)) if passing else 0.0)


# --- turbulence of traffic ----------------------------------------------------------------------


def _road_width(c: Comparison, default: float | None = None) -> Array:
    return condition(c, "road_width_m", 2.0, 100.0, default)


def _covered(c: Comparison, flow_veh_s: Array, width_m: Array) -> Array:
    """Shares (n,) of the road's area that the class covers. Raises CaseError for more than all."""
    body = body_of(c)
    plan = body.length_m * body.width_m
    rows = zip(flow_veh_s, vehicle_speed(c), width_m, strict=True)
    share = np.array([scaling.area_share(q, v, plan, float(w)) for q, v, w in rows])
    if np.any(share > 1.0):
        worst = int(np.argmax(share > 1.0))
        raise CaseError(f"{c.path}: point {worst + 1}: vehicles would cover more than the road")
    return share


def _sigma_w(c: Comparison, share: Array) -> Array:
    return np.array(
        [scaling.traffic_sigma_w(v, d) for v, d in zip(vehicle_speed(c), share, strict=True)]
    )


@quantity("m/s", _ROAD, body=True)
def traffic_sigma_w(c: Comparison) -> Array:
    """Vertical turbulence that traffic of one class makes (scaling)."""
    return _sigma_w(c, _covered(c, flow_per_s(c), _road_width(c)))


@quantity("m2/s", _ROAD, body=True)
def traffic_diffusivity(c: Comparison) -> Array:
    """Eddy diffusivity that traffic of one class makes, by a fitted formula."""
    return _formula_diffusivity(c, traffic_sigma_w(c))


def _formula_diffusivity(c: Comparison, sigma_w: Array) -> Array:
    length = scaling.mixing_length(body_of(c).height_m)
    return np.asarray(scaling.traffic_diffusivity(sigma_w, length), dtype=np.float64)


@lru_cache(maxsize=32)
def balance_viscosity(body: Vehicle, flow_veh_h: float, speed: float, width_m: float) -> float:
    """Eddy viscosity that the steady balance gives around the wakes of one class, m2/s.

    The flow is shared evenly by lanes of about 3.65 m; verges of 0.03 m roughness.
    """
    lanes = max(1, round(width_m / _LANE_M))
    centre = width_m * ((np.arange(lanes) + 0.5) / lanes - 0.5)
    grid = CrossSectionGrid.around(
        list(centre), np.array([[0.5 * width_m, 2.0]]), REACH_M, _TOP_M, _CELL_M, _GROWTH
    )
    ground = Drift()
    paved = np.abs(grid.y) < 0.5 * width_m
    section = RoadSection(
        grid,
        np.where(paved, ground.roughness_road_m, ground.roughness_verge_m),
        friction_velocity_m_s=empirical.RESIDUAL_FRICTION_VELOCITY_M_S.value,
    )
    constants = WakeConstants()
    table = wake_table(body, wake_start(body, constants), 0)
    made = Sources(
        np.array([section.project(table, table.entry, float(y)) for y in centre]),
        np.ones(lanes),
        np.full(lanes, speed),
    )
    rates = np.full(lanes, flow_veh_h / 3600.0 / lanes)
    closure = Closure(c2=constants.turbulence_decay_c2, weak_shear=constants.weak_shear_mixing)
    return section.around(made, section.steady_traffic(made, rates, closure).viscosity)


@quantity("m2/s", _ROAD, body=True)
def road_viscosity(c: Comparison) -> Array:
    """Eddy viscosity around the wakes of one class, by the balance of the road's cross-section."""
    body, flow = body_of(c), condition(c, "flow_veh_h", 1.0, 40_000.0)
    rows = zip(flow, vehicle_speed(c), _road_width(c), strict=True)
    return np.array([balance_viscosity(body, *map(float, row)) for row in rows])


@quantity(
    "m/s",
    _ROAD,
    {
        **WAKE_OPTIONS,
        "at_height_m": "height, default half the vehicle's",
        "memory_s": "age at which wakes are dropped, default 30",
        "diffusivity_m2_s": "ambient diffusivity that widens the wakes, default 0",
    },
    body=True,
)
def wakes_sigma_w(c: Comparison) -> Array:
    """Vertical turbulence of superposed wakes, mean over the road."""
    body = body_of(c)
    z = setting(c, "at_height_m", 0.5 * body.height_m, 0.05, 20.0)
    memory = setting(c, "memory_s", 30.0, 1.0, 600.0)
    spreading = setting(c, "diffusivity_m2_s", 0.0, 0.0, 20.0)
    out = np.empty(c.size)
    rows = zip(flow_per_s(c), vehicle_speed(c), _road_width(c), strict=True)
    for i, (q, v, w) in enumerate(rows):
        wake = wake_of(c, AirState(diffusivity_over_speed_m=spreading / v))
        energy = _energy_over_road(wake, body, float(w), z, memory * float(v))
        out[i] = math.sqrt(2.0 * SHARE_W * q * v * energy)
    return out


def _energy_over_road(wake: Wake, body: Vehicle, width_m: float, z: float, reach_m: float) -> float:
    """Integral of k/V^2 over x, beside the body too, and over the road's width, over that, m."""
    y = np.linspace(-0.5 * width_m, 0.5 * width_m, 121)
    behind = np.concatenate(([0.0], np.geomspace(0.01, reach_m, 600)))
    beside = np.linspace(-body.length_m, 0.0, 100)
    outside = (np.abs(y) > 0.5 * body.width_m) | (z > body.height_m)
    along = np.trapezoid(wake.turbulence(behind[:, None], y, z), behind, axis=0)
    along += outside * np.trapezoid(wake.turbulence(beside[:, None], y, z), beside, axis=0)
    return float(np.trapezoid(along, y) / width_m)


# --- vertical spread ----------------------------------------------------------------------------


def momentum_height(wake: Wake, behind_m: float) -> float:
    """Root of the mean of z^2 weighted with the mean wake on its centre plane, m."""
    z = np.concatenate([[0.0], np.geomspace(1e-3, _HIGHEST_M, _HEIGHTS)])
    u = wake.velocity(behind_m, 0.0, z)
    return math.sqrt(float(np.trapezoid(u * z**2, z) / np.trapezoid(u, z)))


def _mixing(c: Comparison) -> Array:
    """Eddy diffusivity, (n,) m2/s: the option, or that of one class on its road."""
    if "diffusivity_m2_s" in c.options:
        return np.full(c.size, setting(c, "diffusivity_m2_s", 0.0, 0.0, 20.0))
    by = choice(c, "mixing_by", "balance", ("balance", "formula"))
    body, width = body_of(c), _road_width(c, 7.3)
    share = _covered(c, flow_per_s(c, default=0.0), width)
    if by == "formula":
        return _formula_diffusivity(c, _sigma_w(c, share))
    rows = zip(condition(c, "flow_veh_h", default=0.0), vehicle_speed(c), width, strict=True)
    return np.array(
        [balance_viscosity(body, *map(float, row)) if row[0] > 0.0 else 0.0 for row in rows]
    )


@quantity(
    "m",
    {"residence_time_s": "time for which air stays over the road", **SPEED},
    {
        **WAKE_OPTIONS,
        "by": "wakes (default: the wake's own growth and mixing) or mixing (K alone)",
        "mixing_by": "balance (default): the road's own balance, or formula: a fitted one",
        "flow_veh_h": "condition: flow that makes the mixing, default 0",
        "road_width_m": "condition: width of its carriageway, default 7.3",
        "diffusivity_m2_s": "eddy diffusivity instead of that of the flow",
    },
    body=True,
)
def first_vertical_spread(c: Comparison) -> Array:
    """Vertical spread of air marked by a vehicle after a residence time over the road."""
    body, speed = body_of(c), vehicle_speed(c)
    age = condition(c, "residence_time_s", 0.0, 3600.0)
    k = _mixing(c)
    if choice(c, "by", "wakes", ("wakes", "mixing")) == "mixing":
        return np.sqrt((0.5 * body.height_m) ** 2 + 2.0 * k * age)
    return np.array(
        [
            momentum_height(wake_of(c, AirState(float(mix / v))), float(v * t))
            for mix, v, t in zip(k, speed, age, strict=True)
        ]
    )
