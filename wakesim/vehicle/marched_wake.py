"""The default wake: the table marched through the cross-section (``section.wake``).

Beside the vehicle (-length <= x < 0) the side layer stands, behind it the side layer and the bubble
up to L_b, then the marched wake. Turbulence in the bubble is that just behind the base
(``TURBULENCE_NEAR``), blended into the marched start. Interpolation of the table along x costs at
most 2.5 % of a section's peak in u, and in k 8 % just behind the bubble and 1 % from half a bubble
length on; between two levels of the air around see ``section.wake`` (tests/section/test_wake.py).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from wakesim.arrays import Array
from wakesim.case.vehicle import Vehicle
from wakesim.section.closure import Closure
from wakesim.section.wake import (
    WakeStart,
    WakeTable,
    at_points,
    blended,
    bracket,
    start_profile,
    wake_table,
)
from wakesim.vehicle.bubble import (
    TURBULENCE_ONSET,
    AirState,
    NearWake,
    WakeConstants,
    nodes_around,
)


def wake_start(vehicle: Vehicle, constants: WakeConstants) -> WakeStart:
    """Start and closure of a vehicle's marched wake."""
    return WakeStart(
        Closure(c2=constants.turbulence_decay_c2, weak_shear=constants.weak_shear_mixing),
        constants.wake_start_energy,
        constants.side_layer_share,
        constants.side_layer_energy,
        constants.bubble_length_heights * vehicle.height_m,
        coarse=constants.coarse,
    )


class MarchedWake(NearWake, law="section"):
    """Wake of one vehicle from its table; x is the distance behind the tail, beside it x < 0."""

    @classmethod
    def levels(cls, air: AirState) -> set[int]:
        """Levels of ``section.wake.LEVELS_M`` whose tables the wake in this air is made of."""
        low, high, share = bracket(air.diffusivity_over_speed_m)
        return {0, low, high} if share > 0.0 else {0, low}

    def __init__(
        self,
        vehicle: Vehicle,
        constants: WakeConstants = WakeConstants(),
        air: AirState = AirState(),
    ) -> None:
        super().__init__(vehicle, constants, air)
        self.start = wake_start(vehicle, constants)
        low, _, share = bracket(air.diffusivity_over_speed_m)
        self.table: WakeTable = blended(vehicle, self.start, low, share)
        self.entry_table: WakeTable = wake_table(vehicle, self.start, 0)
        drag_area = 0.5 * vehicle.drag_coefficient * vehicle.frontal_area_m2
        self._base_area = (1.0 - constants.side_layer_share) * drag_area

    def _start(self, x: Array, y: Array, z: Array) -> tuple[Array, Array, Array]:
        """Blend, and u and k of the bubble's end, where the base's part is not in the table."""
        u = start_profile(self.vehicle, self._base_area, self.lateral(x, y), z)
        k = self.constants.wake_start_energy * self.base_shape(x, self.lateral(x, y), z)
        return self.blend(x), u, k

    def _both(self, x: ArrayLike, y: ArrayLike, z: ArrayLike) -> tuple[Array, Array]:
        x, y, z = np.broadcast_arrays(*(np.asarray(a, dtype=np.float64) for a in (x, y, z)))
        length = self.vehicle.length_m
        near = (x >= 0.0) & (x < self.bubble_m) & (z >= 0.0)
        before = self.table.x[self.table.start_index - 1]  # the base's part is added here
        at = np.where(near, np.minimum(x + length, before), x + length)
        u, k = at_points(self.table, at, self.lateral(x, y), z)
        if near.any():
            a, b, c = x[near], y[near], z[near]
            blend, start_u, start_k = self._start(a, b, c)
            onset = np.minimum(a / (TURBULENCE_ONSET * self.vehicle.height_m), 1.0)
            level = self.constants.turbulence_near * onset
            shape = self.base_shape(a, self.lateral(a, b), c)
            u[near] += blend * start_u + (1.0 - blend) * self.bubble(a, b, c)
            k[near] += blend * start_k + (1.0 - blend) * level * shape
        return u, k * self.constants.turbulence_factor**2

    def velocity(self, x: ArrayLike, y: ArrayLike, z: ArrayLike) -> Array:
        """Mean along-road wake velocity u/V; zero ahead of the nose."""
        return self._both(x, y, z)[0]

    def turbulence(self, x: ArrayLike, y: ArrayLike, z: ArrayLike) -> Array:
        """Turbulent kinetic energy k/V^2; zero ahead of the nose."""
        return self._both(x, y, z)[1]

    def both(self, x: ArrayLike, y: ArrayLike, z: ArrayLike) -> tuple[Array, Array]:
        """``velocity`` and ``turbulence`` in one look-up."""
        return self._both(x, y, z)

    def width(self, x: ArrayLike) -> Array:
        """Standard deviation of the mean wake across, m."""
        at = np.asarray(x, dtype=np.float64) + self.vehicle.length_m
        return np.interp(at, self.table.x, self.table.width)

    def sections(
        self, x: Array, y_m: Array | None = None, z_m: Array | None = None
    ) -> tuple[Array, Array, Array, Array]:
        """y (ny,), z (nz,) m and u, k (n, ny, nz) at distances x (n,) behind the tail, about the
        wake's own centre, for y >= 0, around places ``y_m`` and ``z_m`` only; see ``NearWake``."""
        still = MarchedWake.__new__(MarchedWake)
        still.__dict__ = self.__dict__ | {"air": AirState(self.air.diffusivity_over_speed_m, 0.0)}
        y = nodes_around(np.concatenate([[0.0], self.table.y]), y_m)
        z = nodes_around(self.table.z, z_m)
        u, k = still._both(x[:, None, None], y[None, :, None], z[None, None, :])
        return y, z, u, k
