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

from wakesim.arrays import Array, Mask
from wakesim.case.vehicle import Vehicle
from wakesim.section.closure import Closure
from wakesim.section.wake import (
    ROAD_ROUGHNESS_M,
    WakeStart,
    WakeTable,
    at_nodes,
    at_points,
    bracket,
    start_profile,
    sum_of_sections,
    wake_table,
)
from wakesim.vehicle.bubble import (
    TURBULENCE_ONSET,
    AirState,
    NearWake,
    WakeConstants,
    nodes_around,
)
from wakesim.vehicle.kernels.wake_lines import wake_lines


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
        low, high, self._share = bracket(air.diffusivity_over_speed_m)
        self.table: WakeTable = wake_table(vehicle, self.start, low)
        self._upper = wake_table(vehicle, self.start, high) if self._share > 0.0 else self.table
        self.entry_table: WakeTable = wake_table(vehicle, self.start, 0)
        drag_area = 0.5 * vehicle.drag_coefficient * vehicle.frontal_area_m2
        self._base_area = (1.0 - constants.side_layer_share) * drag_area

    def _from_nose(self, x: Array, near: Mask) -> Array:
        """Distance behind the nose where the table is read; within the bubble at most its last
        section without the base's part, which is added there."""
        length = self.vehicle.length_m
        before = self.table.x[self.table.start_index - 1]
        return np.where(near, np.minimum(x + length, before), x + length)

    def _base_part(self, x: Array, y: Array, z: Array, carried: bool = True) -> tuple[Array, Array]:
        """u and k that the base adds within the bubble: the bubble's own, blended into those of
        its end; arrays that broadcast. ``carried`` false: y is from the wake's own centre."""
        lateral, blend = (self.lateral(x, y) if carried else y), self.blend(x)
        shape = self.base_shape(x, lateral, z)
        end = start_profile(self.vehicle, self._base_area, lateral, z)
        onset = np.minimum(x / (TURBULENCE_ONSET * self.vehicle.height_m), 1.0)
        u = blend * end + (1.0 - blend) * self.recirculation(x) * shape
        k = blend * self.constants.wake_start_energy
        return u, (k + (1.0 - blend) * self.constants.turbulence_near * onset) * shape

    def _both(self, x: ArrayLike, y: ArrayLike, z: ArrayLike) -> tuple[Array, Array]:
        x, y, z = np.broadcast_arrays(*(np.asarray(a, dtype=np.float64) for a in (x, y, z)))
        near = (x >= 0.0) & (x < self.bubble_m) & (z >= 0.0)
        at, lateral = self._from_nose(x, near), self.lateral(x, y)
        u, k = at_points(self.table, at, lateral, z)
        if self._share > 0.0:
            for value, upper in zip((u, k), at_points(self._upper, at, lateral, z), strict=True):
                value += self._share * (upper - value)
        if near.any():
            more_u, more_k = self._base_part(x[near], y[near], z[near])
            u[near] += more_u
            k[near] += more_k
        return u, k * self.constants.turbulence_factor**2

    def lines(self, x: Array, y: Array, z: Array) -> tuple[Array, Array]:
        """``both`` (n, m) at distances x (n,) along lines at ``y`` and ``z`` (m,)."""
        u, k = np.empty((x.size, y.size)), np.empty((x.size, y.size))
        near = (x >= 0.0) & (x < self.bubble_m)
        low, high = self.table, self._upper
        wake_lines(
            low.x, low.y, low.z, low.u, low.k, high.u, high.k, self._share, ROAD_ROUGHNESS_M,
            self._from_nose(x, near), y, z, self.air.crosswind_ratio * np.maximum(x, 0.0), u, k,
        )  # fmt: skip
        if near.any():
            above = z >= 0.0
            more_u, more_k = self._base_part(x[near, None], y[None, :], z[None, :])
            u[near] += above * more_u
            k[near] += above * more_k
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
        low, high = self.table.width, self._upper.width
        return np.interp(at, self.table.x, low + self._share * (high - low))

    def sections(
        self, x: Array, y_m: Array | None = None, z_m: Array | None = None
    ) -> tuple[Array, Array, Array, Array]:
        """y (ny,), z (nz,) m and u, k (n, ny, nz) at distances x (n,) behind the tail, about the
        wake's own centre, for y >= 0, around places ``y_m`` and ``z_m`` only; see ``NearWake``."""
        low = self.table
        columns = nodes_around(np.concatenate([[0.0], low.y]), y_m)
        rows = nodes_around(low.z, z_m)
        near = (x >= 0.0) & (x < self.bubble_m)
        at = self._from_nose(x, near)
        u, k = at_nodes(low, self._upper, self._share, at, columns, rows)
        if near.any():
            more_u, more_k = self._base_part(
                x[near][:, None, None], columns[None, :, None], rows[None, None, :], False
            )
            u[near] += more_u
            k[near] += more_k
        return columns, rows, u, k * self.constants.turbulence_factor**2

    def passed(self, x: Array, weight: Array, y: Array, z: Array) -> tuple[Array, Array]:
        """Sums of u and k over distances x (n,) behind the bubble with weights (n,), at places y
        and z (m,), each (m,); see ``NearWake``."""
        shift = self.air.crosswind_ratio * x
        carried = bool(shift.any())
        columns, rows, u, k = self.sections(x, None if carried else np.abs(y), z)
        if not carried:
            u, k = ((weight[:, None, None] * a).sum(axis=0)[None] for a in (u, k))
            weight, shift = np.ones(1), np.zeros(1)
        return sum_of_sections(columns, rows, u, k, weight, shift, y, z)
