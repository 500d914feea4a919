"""Published scaling of the turbulence that traffic makes, and an eddy diffusivity from it.

Vertical turbulence: sigma_w0^2 = b^2 sum of D V^2 over the classes, D = q S2/(V w) the share of the
road's area that a class covers; b = 0.3 (R. Berkowicz, Environ. Monit. Assess. 65 (2000) 323; b and
S2 second hand, from a published program of that scheme). It was made for streets between buildings.
A comparator: no run uses it.

The published areas are S2 = 2 m2 for a car and 16 m2 for a truck: they are not plan areas, which
are 7 m2 and 20 to 60 m2. This program takes plan areas, its own choice: sigma_w0 comes out 1.6 to
1.9 times as large as with S2 for the traffic of the example cases (1.9 for a small car, 1.2 to 1.9
for lorries and coaches). K does not inherit the factor: its c
= 0.3 below was chosen with plan areas, so that K agrees with the growth of the mixed layer. With S2
the same K would need c = 0.5 to 0.6.

Diffusivity: K = c sigma_w l, l a mixing length. Observed growth of the mixed layer over main roads
is sigma_z = 1.8 m + 0.11 m/s * residence time for averages of 30 min (P. E. Benson 1979,
FHWA/CA/TL-79/23; figures second hand, from a published program of that scheme, report number from
memory), so K = sigma_z dsigma_z/dt = 0.2 m2/s at once and 0.4 m2/s after 16 s. With l half the
vehicle's height (assumed) a carriageway of two lanes with 1500 cars/h at 30 m/s has sigma_w0 = 1.1
m/s and l = 0.75 m, and c = 0.3 (chosen for this agreement) gives K = 0.25 m2/s. The range to try is
0.1 to 1.5 m2/s (engineering estimate, no published source).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from wakesim import constants
from wakesim.arrays import Array

TRAFFIC_SHARE = constants.TRAFFIC_SHARE.value  # b; with plan areas here, see above
MIXING_COEFFICIENT = constants.MIXING_COEFFICIENT.value  # c
MIXING_LENGTH_HEIGHTS = constants.MIXING_LENGTH_HEIGHTS.value


def area_share(
    flow_veh_s: ArrayLike, speed_m_s: ArrayLike, plan_area_m2: ArrayLike, road_width_m: float
) -> Array:
    """Share of the road's area that vehicles of each class cover, q A / (V w), shape of the inputs.

    Raises ValueError for a negative flow or area, or a speed or width that is not positive.
    """
    flow, speed, area = (np.asarray(a, float) for a in (flow_veh_s, speed_m_s, plan_area_m2))
    if not (np.all(flow >= 0.0) and np.all(area >= 0.0)):
        raise ValueError("flow and plan area must be at least 0")
    if not (np.all(speed > 0.0) and road_width_m > 0.0):
        raise ValueError("speed and road width must be greater than 0")
    return flow * area / (speed * road_width_m)


def traffic_sigma_w(
    speed_m_s: ArrayLike, area_share: ArrayLike, traffic_share: float = TRAFFIC_SHARE
) -> float:
    """Standard deviation of the vertical velocity that traffic makes, m/s.

    ``speed_m_s`` and ``area_share`` of each class broadcast against each other; the variances of
    the classes add: b sqrt(sum of D V^2). Raises ValueError for a share outside 0..1 in sum.
    """
    speed, share = np.broadcast_arrays(np.asarray(speed_m_s, float), np.asarray(area_share, float))
    if not (np.all(share >= 0.0) and share.sum() <= 1.0):
        raise ValueError("vehicles must cover from 0 to 1 of the road in sum")
    return float(traffic_share * np.sqrt(np.sum(share * speed**2)))


def mixing_length(vehicle_height_m: float, heights: float = MIXING_LENGTH_HEIGHTS) -> float:
    """Mixing length, m, as a share of the vehicles' height."""
    if not vehicle_height_m > 0.0:
        raise ValueError("vehicle height must be greater than 0 m")
    return heights * vehicle_height_m


def traffic_diffusivity(
    sigma_w_m_s: ArrayLike, mixing_length_m: float, coefficient: float = MIXING_COEFFICIENT
) -> Array:
    """Eddy diffusivity c sigma_w l, m2/s, shape of ``sigma_w_m_s``."""
    return coefficient * np.asarray(sigma_w_m_s, float) * mixing_length_m
