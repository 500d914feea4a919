"""Capture ratio: how much of a short pulse a rotor with inertia turns into generator energy.

A square pulse of speed v and length T meets a rotor that runs in a slower air v_0. The ratio is the
extra energy generated until the rotor is back at rest with the slow air, over what a rotor without
inertia would have added during the pulse, 1/2 rho A C_p (v^3 - v_0^3) T. It depends on T over the
rotor's time constant at the pulse's speed (Rotor.time_constant_s) and on v_0/v alone; cut-in is
left out.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike

from wakesim.arrays import Array
from wakesim.energy.response import inertial
from wakesim.energy.rotor import Rotor

_SETTLE = 60.0  # time constants of the slow air that the run-out is followed
_STEPS = 20  # per time constant of the pulse's speed


def capture_ratio(
    rotor: Rotor,
    pulse_over_time_constant: ArrayLike,
    slow_over_fast: float = 0.5,
    speed_m_s: float = 2.0,
    density_kg_m3: float = 1.225,
) -> Array:
    """Capture ratio (n,) of square pulses of lengths (n,), in time constants at their speed.

    Raises ValueError unless the slow air is slower than the pulse and moves.
    """
    if not 0.0 < slow_over_fast < 1.0:
        raise ValueError("slow_over_fast must be above 0 and below 1")
    rotor = replace(rotor, cut_in_m_s=0.0)
    lengths = np.atleast_1d(np.asarray(pulse_over_time_constant, dtype=np.float64))
    constant = rotor.time_constant_s(speed_m_s, density_kg_m3)
    slow = slow_over_fast * speed_m_s
    step = constant / _STEPS
    ratio, best = rotor.curve.best
    rest = ratio * slow / rotor.radius_m
    steady = 0.5 * density_kg_m3 * rotor.area_m2 * best
    out = np.empty(lengths.size)
    for k, length in enumerate(lengths):
        count = max(1, round(length * _STEPS))
        dt = length * constant / count
        pulse = inertial(rotor, np.full(count, speed_m_s), dt, density_kg_m3, start_rad_s=rest)
        tail_count = round(_SETTLE * _STEPS / slow_over_fast)
        tail = inertial(
            rotor, np.full(tail_count, slow), step, density_kg_m3,
            start_rad_s=float(pulse.shaft_speed_rad_s[-1]),
        )  # fmt: skip
        usual = steady * slow**3
        extra = pulse.generated_j - usual * pulse.duration_s
        extra += tail.generated_j - usual * tail.duration_s
        out[k] = extra / (steady * (speed_m_s**3 - slow**3) * pulse.duration_s)
    return out
