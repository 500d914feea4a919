"""Turbulence that traffic makes: the road's balance, a published scaling, and superposed wakes.

The eddy viscosity of the balance is that of ``section.road`` for one class in lanes side by side,
all one way, in air that passes for still, around the wakes as a run takes it.

Berkowicz's scaling sigma_w0 = b sqrt(sum D V^2) and the diffusivity from it are those of
``air/traffic_turbulence.py``. The wakes carry, by Campbell's theorem and averaged over the road,
sigma_w^2 = 2 share_w q V times the integral of k/V^2 over x, to the age at which wakes are dropped.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from wakesim import constants as empirical
from wakesim.air.traffic_turbulence import (
    area_share,
    mixing_length,
    traffic_diffusivity,
    traffic_sigma_w,
)
from wakesim.case.air import Drift
from wakesim.case.vehicle import Vehicle
from wakesim.errors import CaseError
from wakesim.section.closure import Closure
from wakesim.section.grid import CrossSectionGrid
from wakesim.section.road import RoadSection, Sources
from wakesim.section.wake import wake_table
from wakesim.traffic.mean_air import REACH_M
from wakesim.validation.comparison import Array, Comparison, Quantity
from wakesim.validation.quantities.bodies import WAKE_OPTIONS, Wake, wake_of
from wakesim.validation.quantities.inputs import body_of, choice, condition, flag, setting
from wakesim.vehicle.marched_wake import wake_start
from wakesim.vehicle.wake import SHARE_W, AirState, WakeConstants

_LANE_M, _TOP_M, _CELL_M, _GROWTH = 3.65, 70.0, 0.8, 0.16


def _share(c: Comparison) -> tuple[Array, Array]:
    """Speeds and shares of the road's area covered by the class, (n,) each."""
    body = body_of(c)
    flow = condition(c, "flow_veh_h", 0.0, 40_000.0, "veh/h") / 3600.0
    speed = condition(c, "speed_m_s", 0.5, 100.0, "m/s")
    width = condition(c, "road_width_m", 2.0, 100.0)
    plan = body.length_m * body.width_m
    share = np.array(
        [area_share(q, v, plan, float(w)) for q, v, w in zip(flow, speed, width, strict=True)]
    )
    if np.any(share > 1.0):
        worst = int(np.argmax(share > 1.0))
        raise CaseError(f"{c.path}: point {worst + 1}: vehicles would cover more than the road")
    return speed, share


def sigma_w(c: Comparison) -> Array:
    """Vertical turbulence that traffic of one class makes, (n,) m/s (Berkowicz's scaling)."""
    return np.array([traffic_sigma_w(v, d) for v, d in zip(*_share(c), strict=True)])


def diffusivity(c: Comparison) -> Array:
    """Eddy diffusivity that traffic of one class makes over its road, (n,) m2/s."""
    length = mixing_length(body_of(c).height_m)
    return np.asarray(traffic_diffusivity(sigma_w(c), length), dtype=np.float64)


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


def road_viscosity(c: Comparison) -> Array:
    """Eddy viscosity of the road's balance for one class, (n,) m2/s."""
    body = body_of(c)
    rows = zip(
        condition(c, "flow_veh_h", 1.0, 40_000.0, "veh/h"),
        condition(c, "speed_m_s", 0.5, 100.0, "m/s"),
        condition(c, "road_width_m", 2.0, 100.0),
        strict=True,
    )
    return np.array([balance_viscosity(body, *map(float, row)) for row in rows])


def wakes_sigma_w(c: Comparison) -> Array:
    """Vertical turbulence that superposed wakes carry, averaged over the road, (n,) m/s.

    At the height ``at_height_m`` (half the vehicle's by default), wakes to the age ``memory_s``.
    """
    body = body_of(c)
    flow = condition(c, "flow_veh_h", 0.0, 40_000.0, "veh/h") / 3600.0
    speed = condition(c, "speed_m_s", 0.5, 100.0, "m/s")
    width = condition(c, "road_width_m", 2.0, 100.0)
    z = setting(c, "at_height_m", 0.5 * body.height_m, 0.05, 20.0, "m")
    memory = setting(c, "memory_s", 30.0, 1.0, 600.0, "s")
    spreading = setting(c, "diffusivity_m2_s", 0.0, 0.0, 20.0, "m2/s")
    out = np.empty(c.size)
    for i, (q, v, w) in enumerate(zip(flow, speed, width, strict=True)):
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


def pass_energy_exponent(c: Comparison) -> Array:
    """Exponent of the turbulent energy at a fixed point in the vehicle's speed, (n,).

    The energy of one pass is k plus, unless ``wake_passing`` is false, half the variance of the
    wake's mean velocity, as an anemometer beside the road reads it. ``measure`` = "peak" takes the
    largest k; "mean" the average over ``window_s`` from the moment the nose passes.
    """
    body, wake = body_of(c), wake_of(c)
    beside = condition(c, "beside_m", 0.0, 50.0)
    height = condition(c, "at_height_m", 0.0, 20.0)
    low = condition(c, "from_speed_m_s", 0.5, 100.0, "m/s")
    high = condition(c, "to_speed_m_s", 0.5, 100.0, "m/s")
    if np.any(high <= low):
        raise CaseError(f"{c.path}: to_speed_m_s must be above from_speed_m_s")
    measure = choice(c, "measure", "mean", ("mean", "peak"))
    window = setting(c, "window_s", 10.0, 0.5, 600.0, "s")
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


_ROAD = ("flow_veh_h", "speed_m_s", "road_width_m")

QUANTITIES = (
    Quantity(
        "traffic_sigma_w", "m/s", "vertical turbulence that traffic of one class makes (scaling)",
        _ROAD, {}, sigma_w, True,
    ),
    Quantity(
        "traffic_diffusivity", "m2/s",
        "eddy diffusivity that traffic of one class makes, by a fitted formula",
        _ROAD, {}, diffusivity, True,
    ),
    Quantity(
        "road_viscosity", "m2/s",
        "eddy viscosity around the wakes of one class, by the balance of the road's cross-section",
        _ROAD, {}, road_viscosity, True,
    ),
    Quantity(
        "wakes_sigma_w", "m/s", "vertical turbulence of superposed wakes, mean over the road",
        _ROAD,
        {
            **WAKE_OPTIONS,
            "at_height_m": "height, default half the vehicle's",
            "memory_s": "age at which wakes are dropped, default 30",
            "diffusivity_m2_s": "ambient diffusivity that widens the wakes, default 0",
        },
        wakes_sigma_w, True,
    ),
    Quantity(
        "pass_energy_exponent", "1",
        "exponent in the vehicle's speed of the turbulent energy of a pass at a fixed point",
        ("beside_m", "at_height_m", "from_speed_m_s", "to_speed_m_s"),
        {
            **WAKE_OPTIONS,
            "measure": "mean (default) over a window, or peak",
            "window_s": "window from the moment the nose passes, default 10",
            "wake_passing": "count the variance of the mean wake too (mean only), default true",
        },
        pass_energy_exponent, True,
    ),
)  # fmt: skip
