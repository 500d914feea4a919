"""Pressure of the pulse around a passing vehicle.

In the road frame the flow is unsteady and frozen in the vehicle's frame, d/dt = -V d/dX, so
Bernoulli's equation for the potential part reads p = rho (V u_x - 1/2 |u|^2), with u_x along the
direction of travel. It holds outside the wake.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from wakesim.arrays import Array


def pulse_pressure(velocity: ArrayLike, speed_m_s: float, density_kg_m3: float) -> Array:
    """Gauge pressure (m,), Pa.

    ``velocity`` (m, 3) is the displacement flow per unit speed in the vehicle frame, for instance
    ``pass_field(vehicle).displacement(points)``. Raises ValueError for another shape.
    """
    u = np.asarray(velocity, dtype=np.float64)
    if u.ndim != 2 or u.shape[1] != 3:
        raise ValueError(f"velocity must have shape (m, 3), not {u.shape}")
    return density_kg_m3 * speed_m_s**2 * (u[:, 0] - 0.5 * np.einsum("mc,mc->m", u, u))
