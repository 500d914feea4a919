"""Gust of one pass in still air: the largest air speed at a point, averaged over a stated time.

Mean signature (pulse and mean wake) plus the model's wake turbulence, whose extreme follows from
``extremes``. The speed is the horizontal resultant. ``statistic`` says which figure is compared:

- ``mean``: expected maximum of a pass,
- ``mean_plus_2sd``: mean plus two standard deviations of the maxima of many passes, the form of the
  European rules for trains (there of at least 20 passes, which also hold wind and other trains),
- ``mean_flow``: maximum of the mean signature without turbulence.

The air along the sides is the wake's side layer (``section/wake.py``). Not modelled: vortices of
nose and roof, a boundary layer that grows along a train, natural wind.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from wakesim.case.vehicle import Vehicle
from wakesim.errors import CaseError
from wakesim.validation.comparison import Array, Comparison, Quantity
from wakesim.validation.quantities.bodies import FIELD_OPTIONS, WAKE_OPTIONS, vehicle_field
from wakesim.validation.quantities.extremes import Extreme, expected_extreme
from wakesim.validation.quantities.inputs import body_of, choice, condition, number
from wakesim.vehicle.passfield import PassField
from wakesim.vehicle.wake import SHARE_U, SHARE_V, TURBULENCE_TIME_S

STATISTICS = ("mean", "mean_plus_2sd", "mean_flow")
_AHEAD_M, _BEHIND_M = 30.0, 150.0
_PULSE_REACH_M = 50.0

OPTIONS = {
    **{k: v for k, v in FIELD_OPTIONS.items() if k not in ("plane", "nose_length_m")},
    **WAKE_OPTIONS,
    "statistic": "'mean' (default), 'mean_plus_2sd' or 'mean_flow'",
    "turbulence_time_s": "integral time scale of the wake turbulence, 0.02 to 10 "
    f"(default {TURBULENCE_TIME_S:g})",
}


@lru_cache(maxsize=256)
def _extreme(
    field: PassField,
    speed: float,
    clearance: float,
    height: float,
    averaging: float,
    turbulence_time: float,
) -> Extreme:
    """Largest speed of one pass at a distance from the side of the vehicle."""
    points, step = pass_line(field.vehicle, speed, clearance, height, averaging)
    wake, energy = field.wake(points)[:, 0], field.turbulence(points)
    pulse = line_pulse(field, points)
    return line_extreme(pulse, wake, energy, speed, step, averaging, turbulence_time)


def pass_line(
    vehicle: Vehicle, speed: float, clearance: float, height: float, averaging: float
) -> tuple[Array, float]:
    """Points (n, 3) m in the vehicle frame that a place beside the road passes, and the step, s."""
    gap = max(clearance, height - vehicle.height_m, 0.1)
    step = min(averaging / 16.0, float(np.clip(0.2 * gap, 0.05, 0.5)) / speed)
    step = averaging / round(averaging / step)
    last = max(_BEHIND_M, 3.0 * averaging * speed) + vehicle.length_m
    x = np.arange(_AHEAD_M, -last, -step * speed)
    beside = np.full(x.size, 0.5 * vehicle.width_m + clearance)
    return np.column_stack([x, beside, np.full(x.size, height)]), step


def line_pulse(field: PassField, points: Array) -> Array:
    """Horizontal displacement flow (n, 2) per unit speed, where it is felt."""
    pulse = np.zeros((len(points), 2))
    near = points[:, 0] > -field.vehicle.length_m - _PULSE_REACH_M
    pulse[near] = field.displacement(points[near])[:, :2]
    return pulse


def line_extreme(
    pulse: Array,
    wake: Array,
    energy: Array,
    speed: float,
    step: float,
    averaging: float,
    turbulence_time: float,
) -> Extreme:
    """Largest speed along a line of ``pulse`` (n, 2), ``wake`` (n,) and ``energy`` (n,)."""
    mean = pulse + np.column_stack([wake, np.zeros(wake.size)])
    sd = np.sqrt(2.0 * energy[:, None] * np.array([SHARE_U, SHARE_V]))
    return expected_extreme(speed * mean, speed * sd, step, averaging, turbulence_time)


def gust_speed(c: Comparison) -> Array:
    """Gust of one pass, m/s, (n,).

    Conditions: speed of the vehicle, clearance from its side, height above the road, averaging
    time. Raises CaseError for a point over the road under or inside the vehicle.
    """
    body_of(c)
    statistic = choice(c, "statistic", "mean", STATISTICS)
    time = number(c, "turbulence_time_s", TURBULENCE_TIME_S, 0.02, 10.0, "s") or 0.0
    field = vehicle_field(c)
    rows = zip(
        condition(c, "speed_m_s", 1.0, 120.0, "m/s"),
        condition(c, "clearance_m", 0.05, 50.0),
        condition(c, "height_m", 0.0, 50.0),
        condition(c, "averaging_s", 0.05, 60.0, "s"),
        strict=True,
    )
    out = []
    for speed, clearance, height, averaging in rows:
        found = _extreme(
            field, float(speed), float(clearance), float(height), float(averaging), time
        )
        out.append(_pick(found, statistic))
    values = np.array(out)
    if not np.isfinite(values).all():
        raise CaseError(f"{c.path}: the gust is not finite; check the conditions")
    return values


def _pick(found: Extreme, statistic: str) -> float:
    if statistic == "mean_flow":
        return found.mean_flow_m_s
    return found.mean_m_s + (2.0 * found.sd_m_s if statistic == "mean_plus_2sd" else 0.0)


def gust_ratio(c: Comparison) -> Array:
    """Gust of one pass over the vehicle's speed, (n,)."""
    return gust_speed(c) / condition(c, "speed_m_s", 1.0, 120.0, "m/s")


_NEEDS = ("speed_m_s", "clearance_m", "height_m", "averaging_s")
QUANTITIES: tuple[Quantity, ...] = (
    Quantity(
        "gust_speed", "m/s", "largest moving-mean horizontal air speed of one pass in still air, "
        "at a clearance from the vehicle's side", _NEEDS, OPTIONS, gust_speed, True,
    ),
    Quantity(
        "gust_ratio", "1", "the same over the vehicle's speed", _NEEDS, OPTIONS, gust_ratio, True,
    ),
)  # fmt: skip
