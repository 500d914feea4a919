"""The default wake: the table marched through the cross-section (``section.wake``).

Beside the vehicle (-length <= x < 0) the side layer stands, behind it the side layer and the bubble
up to L_b, then the marched wake. Turbulence in the bubble is that just behind the base
(``TURBULENCE_NEAR``), blended into the marched start. Interpolation of the table along x costs at
most 2.5 % of a section's peak in u, and in k 8 % just behind the bubble and 1 % from half a bubble
length on; between two levels of the air around see ``section.wake`` (tests/section/test_wake.py).
"""

from __future__ import annotations

from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from wakesim.arrays import Array, Mask
from wakesim.case.vehicle import Vehicle
from wakesim.section.closure import Closure
from wakesim.section.wake import (
    WakeStart,
    WakeTable,
    at_nodes,
    at_points,
    blended,
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
        low, high, _ = bracket(air.diffusivity_over_speed_m)
        return {0, low, high}

    def __init__(
        self,
        vehicle: Vehicle,
        constants: WakeConstants = WakeConstants(),
        air: AirState = AirState(),
    ) -> None:
        super().__init__(vehicle, constants, air)
        self.start = wake_start(vehicle, constants)
        low, high, self._share = bracket(air.diffusivity_over_speed_m)
        self._low = wake_table(vehicle, self.start, low)
        self._high = wake_table(vehicle, self.start, high) if self._share else self._low
        self._level = low
        self._width = (1.0 - self._share) * self._low.width + self._share * self._high.width
        self.entry_table: WakeTable = wake_table(vehicle, self.start, 0)
        drag_area = 0.5 * vehicle.drag_coefficient * vehicle.frontal_area_m2
        self._base_area = (1.0 - constants.side_layer_share) * drag_area

    @cached_property
    def table(self) -> WakeTable:
        """The marched wake in this air."""
        return blended(self.vehicle, self.start, self._level, self._share)

    def _add_bubble(self, u: Array, k: Array, near: Mask, x: Array, y: Array, z: Array) -> None:
        """Add to u and k, where ``near``, the bubble at x behind the tail, y from the wake's own
        centre and z, and of the bubble's end the base's part, which is not in the table."""
        blend = self.blend(x)
        shape = self.base_shape(x, y, z)
        start_u = start_profile(self.vehicle, self._base_area, y, z)
        start_k = self.constants.wake_start_energy * shape
        onset = np.minimum(x / (TURBULENCE_ONSET * self.vehicle.height_m), 1.0)
        level = self.constants.turbulence_near * onset
        u[near] += blend * start_u + (1.0 - blend) * self.strength(x) * shape
        k[near] += blend * start_k + (1.0 - blend) * level * shape

    def _both(self, x: ArrayLike, y: ArrayLike, z: ArrayLike) -> tuple[Array, Array]:
        x, y, z = np.broadcast_arrays(*(np.asarray(a, dtype=np.float64) for a in (x, y, z)))
        length = self.vehicle.length_m
        near = (x >= 0.0) & (x < self.bubble_m) & (z >= 0.0)
        before = self.table.x[self.table.start_index - 1]  # the base's part is added here
        at = np.where(near, np.minimum(x + length, before), x + length)
        u, k = at_points(self.table, at, self.lateral(x, y), z)
        if near.any():
            a, b, c = x[near], self.lateral(x[near], y[near]), z[near]
            self._add_bubble(u, k, near, a, b, c)
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
        return np.interp(at, self._low.x, self._width)

    def sections(
        self, x: Array, y_m: Array | None = None, z_m: Array | None = None
    ) -> tuple[Array, Array, Array, Array]:
        """y (ny,), z (nz,) m and u, k (n, ny, nz) at distances x (n,) behind the tail, about the
        wake's own centre, for y >= 0, around places ``y_m`` and ``z_m`` only; see ``NearWake``."""
        low = self._low
        columns = nodes_around(np.concatenate([[0.0], low.y]), y_m)
        rows = nodes_around(low.z, z_m)
        near = (x >= 0.0) & (x < self.bubble_m)
        before = low.x[low.start_index - 1]
        length = self.vehicle.length_m
        at = np.where(near, np.minimum(x + length, before), x + length)
        u, k = at_nodes(low, self._high, self._share, at, columns, rows)
        if near.any():
            behind = x[near][:, None, None]
            self._add_bubble(u, k, near, behind, columns[None, :, None], rows[None, None, :])
        return columns, rows, u, k * self.constants.turbulence_factor**2

    def passed(self, x: Array, weight: Array, y: Array, z: Array) -> tuple[Array, Array]:
        """Sums of u and k over distances x (n,) behind the bubble with weights (n,), at places y
        and z (m,), each (m,); see ``NearWake``."""
        shift = self.air.crosswind_ratio * x
        carried = bool(shift.any())
        columns, rows, u, k = self.sections(x, None if carried else np.abs(y), z)
        if not carried:
            u, k = (np.tensordot(weight, a, axes=1)[None] for a in (u, k))
            weight, shift = np.ones(1), np.zeros(1)
        return sum_of_sections(columns, rows, u, k, weight, shift, y, z)
