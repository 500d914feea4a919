"""From single wakes to the sustained drift, without counting anything twice.

A wake is followed as a pass up to the wake memory T and faded out over the last tenth of it. What
fades is handed to the background: every pass leaves, at age t, the velocity u(y, z; t) of its wake,
so passes at the rate q are a source

    S(y, z) = q * integral of -w'(t) u(y, z; t) dt,

w being the fade from 1 to 0. The background's own equation (wakesim.air.drift) carries it on.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from wakesim.flow.wake import VehicleWake
from wakesim.traffic.lines import FADE, FieldSettings, Sight, air_relative_speed

Array = NDArray[np.float64]

_AGES, _AGE_WEIGHTS = np.polynomial.legendre.leggauss(5)  # over the fade
_NEAREST_S = 1.0  # a vehicle meets no wake younger than this (shortest headway)
_EXPOSURE_POINTS = 160


def _wake_of(sight: Sight, settings: FieldSettings) -> tuple[VehicleWake, float]:
    relative = float(
        air_relative_speed(sight.mean_speed_m_s, sight.direction, sight.wind_along_m_s)
    )
    air = settings.air_state(sight, relative)
    return VehicleWake(sight.vehicle, settings.constants, air), relative


def _velocity(
    sight: Sight, settings: FieldSettings, wall_y_m: float | None, age: Array, y: Array, z: Array
) -> Array:
    """Along-road velocity (road axes, m/s) of one wake at ages and places that broadcast."""
    wake, relative = _wake_of(sight, settings)
    lateral = sight.direction * (y - sight.lane_centre_m)
    out = wake.velocity(relative * age, lateral, z)
    if wall_y_m is not None:
        wall = sight.direction * (wall_y_m - sight.lane_centre_m)
        out = out + wake.velocity(relative * age, 2.0 * wall - lateral, z)
    return sight.direction * relative * out


def velocity_left(
    sight: Sight, settings: FieldSettings, wall_y_m: float | None, y: Array, z: Array
) -> Array:
    """Velocity (ny, nz), m/s, that one pass hands to the background at y (ny,) and z (nz,)."""
    memory = settings.wake_memory_s
    out = np.zeros((y.size, z.size))
    for node, weight in zip(_AGES, _AGE_WEIGHTS, strict=True):
        age = np.float64(memory * (1.0 - FADE * 0.5 * (1.0 - node)))
        out += 0.5 * weight * _velocity(sight, settings, wall_y_m, age, y[:, None], z[None, :])
    return out


def distance_blown(
    sight: Sight, settings: FieldSettings, wall_y_m: float | None, points: Array
) -> Array:
    """Integral of u dt (m,), m, of one pass's wake at points (m, 2), with the fade.

    Times the rate of passes it is the mean velocity (Campbell 1909) that followed wakes make at
    places where vehicles drive; wakes younger than the shortest headway are left out there.
    """
    memory = settings.wake_memory_s
    edges = np.geomspace(min(_NEAREST_S, 0.5 * memory), memory, _EXPOSURE_POINTS + 1)
    age = np.sqrt(edges[1:] * edges[:-1])
    fade = np.clip((memory - age) / (FADE * memory), 0.0, 1.0)
    velocity = _velocity(
        sight, settings, wall_y_m, age[:, None], points[None, :, 0], points[None, :, 1]
    )
    total: Array = (np.diff(edges) * fade) @ velocity
    return total
