"""The frozen field of one vehicle: displacement flow plus mean wake, per unit speed.

A rigid vehicle at constant speed in uniform air carries its field along. Points are in the
vehicle frame (X ahead of the nose, Y from the centreline, Z above the road); a field is
multiplied by the air-relative speed V to give m/s.

The separated tail: a vehicle's base is no full sink. The air leaves the base area at the vehicle's
speed and is taken up along a bubble of length L_b whose section closes as S(s) = A_b (1 -
(s/L_b)^2); all but the net source Q = 1/2 C_D A_f per unit speed, the volume flux of the wake's
displacement (Betz 1925). Far from the vehicle the flow outside the wake is then that of the source
Q over the road.

Pressure of the pulse: in the road frame the flow is unsteady and frozen in the vehicle's frame,
d/dt = -V d/dX, so Bernoulli's equation for the potential part reads p = rho (V u_x - 1/2 |u|^2),
with u_x along the direction of travel. It holds outside the wake.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from wakesim import constants as defaults
from wakesim.arrays import Array
from wakesim.case.vehicle import Vehicle
from wakesim.vehicle.hull import HullShape, vehicle_hull
from wakesim.vehicle.panels3d import SinkSheet, SourceHull
from wakesim.vehicle.wake import (
    AirState,
    Wake,
    WakeConstants,
    bubble_length_m,
    vehicle_wake,
    with_wall_image,
)

_SHEETS = 24


def solved_hull(
    vehicle: Vehicle,
    bubble_length: float | None,
    wall_lateral_m: float | None = None,
    refinement: float = 1.0,
    net_source_factor: float = defaults.NET_SOURCE_FACTOR.value,
) -> SourceHull:
    """Displacement flow of a vehicle; ``bubble_length`` in m, None for a closed tail.

    ``net_source_factor`` multiplies the net source behind an open tail, 1/2 C_D A_f. Vehicles of
    the same outline and drag share a hull, whatever their speed.
    """
    return _solved_hull(
        outline(vehicle), bubble_length, wall_lateral_m, float(refinement),
        float(net_source_factor),
    )  # fmt: skip


@lru_cache(maxsize=512)
def outline(vehicle: Vehicle) -> Vehicle:
    """What a hull depends on: outside dimensions, shape and drag."""
    return Vehicle(
        "hull", vehicle.length_m, vehicle.width_m, vehicle.height_m, vehicle.clearance_m,
        vehicle.frontal_area_m2, vehicle.drag_coefficient, shape=vehicle.shape,
        nose_radius_m=vehicle.nose_radius_m,
    )  # fmt: skip


@lru_cache(maxsize=128)
def _solved_hull(
    vehicle: Vehicle,
    bubble_length: float | None,
    wall_lateral_m: float | None,
    refinement: float,
    net_source_factor: float,
) -> SourceHull:
    shape = vehicle_hull(vehicle, refinement)
    if bubble_length is None:
        return SourceHull(shape.quads, road=True, wall_y=wall_lateral_m)
    closed_area = _projected_base(shape.quads[shape.base])
    sinks = bubble_sinks(
        shape,
        tail_x_m=-vehicle.length_m,
        bubble_length_m=bubble_length,
        outflow_m2=closed_area,
        net_m2=net_source_m2(vehicle.drag_coefficient, vehicle.frontal_area_m2, net_source_factor),
    )
    return SourceHull(
        shape.quads, road=True, wall_y=wall_lateral_m, open_base=shape.base, sinks=sinks
    )


def _projected_base(quads: Array) -> float:
    """Area of the base projected on a plane across the road, m2."""
    vector = 0.5 * np.cross(quads[:, 2] - quads[:, 0], quads[:, 3] - quads[:, 1])
    return float(-vector[:, 0].sum())


def net_source_m2(drag_coefficient: float, frontal_area_m2: float, factor: float = 1.0) -> float:
    """Net source of vehicle and wake per unit speed, Q/V = 1/2 C_D A_f times ``factor``, m2."""
    return factor * (0.5 * drag_coefficient * frontal_area_m2)


def bubble_sinks(
    shape: HullShape, tail_x_m: float, bubble_length_m: float, outflow_m2: float, net_m2: float
) -> SinkSheet:
    """Sink sheets across the bubble that take up ``outflow_m2 - net_m2`` per unit speed."""
    s = (np.arange(_SHEETS) + 0.5) / _SHEETS
    section = 1.0 - s**2
    weight = 2.0 * s / np.sum(2.0 * s)
    scale = np.sqrt(section)
    mid = 0.5 * (shape.base_bottom_m + shape.base_top_m)
    half_width = 0.5 * shape.base_width_m * scale
    half_height = 0.5 * (shape.base_top_m - shape.base_bottom_m) * scale
    quads = np.empty((_SHEETS, 4, 3))
    quads[..., 0] = (tail_x_m - s * bubble_length_m)[:, None]
    for corner, (a, b) in enumerate(((-1, -1), (1, -1), (1, 1), (-1, 1))):
        quads[:, corner, 1] = a * half_width
        quads[:, corner, 2] = mid + b * half_height
    area = 4.0 * half_width * half_height
    return SinkSheet(quads, -(outflow_m2 - net_m2) * weight / area)


class PassField:
    """Velocity and turbulence around one vehicle, per unit air-relative speed."""

    def __init__(self, vehicle: Vehicle, hull: SourceHull, wake: Wake) -> None:
        self.vehicle = vehicle
        self.hull = hull
        self._wake = wake

    def displacement(self, points: ArrayLike) -> Array:
        """Irrotational part (m, 3) at points (m, 3) m."""
        return self.hull.velocity(points)

    def _behind(self, points: ArrayLike) -> tuple[Array, list[Array], Array]:
        p = np.asarray(points, dtype=np.float64)
        if p.ndim != 2 or p.shape[1] != 3:
            raise ValueError(f"points must have shape (m, 3), not {p.shape}")
        lateral = with_wall_image(p[:, 1], self.hull.wall_y)
        return -self.vehicle.length_m - p[:, 0], lateral, p[:, 2]

    def wake(self, points: ArrayLike) -> Array:
        """Mean wake (m, 3); only the along-road component is modelled."""
        x, lateral, z = self._behind(points)
        out = np.zeros((x.size, 3))
        out[:, 0] = sum(self._wake.velocity(x, y, z) for y in lateral)
        return out

    def turbulence(self, points: ArrayLike) -> Array:
        """Turbulent kinetic energy (m,) per unit speed squared."""
        x, lateral, z = self._behind(points)
        return np.sum([self._wake.turbulence(x, y, z) for y in lateral], axis=0)

    def velocity(self, points: ArrayLike) -> Array:
        """Displacement plus mean wake (m, 3) at points (m, 3) m, per unit speed."""
        return self.displacement(points) + self.wake(points)


def pass_field(
    vehicle: Vehicle,
    *,
    constants: WakeConstants = WakeConstants(),
    air: AirState = AirState(),
    open_tail: bool = True,
    wall_lateral_m: float | None = None,
    refinement: float = 1.0,
    nose_radius_m: float | None = None,
    net_source_factor: float = defaults.NET_SOURCE_FACTOR.value,
) -> PassField:
    """Frozen field of a vehicle.

    Parameters
    ----------
    vehicle
        Dimensions and drag.
    constants, air
        Wake constants, and ambient diffusivity and crosswind as ratios to the speed.
    open_tail
        Separated tail (default) or a closed hull that is a full sink at the rear.
    wall_lateral_m
        Y of a vertical wall along the road in the vehicle frame, m.
    refinement
        Panels in each direction, relative to the default (about 1500 panels).
    nose_radius_m
        Radius of the edges around the nose; default that of the vehicle.
    net_source_factor
        Factor on the net source of an open tail, for its calibration.

    Raises ValueError when the hull would touch the wall, CaseError for a radius that no nose of
    this size can have.
    """
    if nose_radius_m is not None:
        vehicle = replace(vehicle, nose_radius_m=nose_radius_m)
    length = bubble_length_m(vehicle, constants) if open_tail else None
    hull = solved_hull(vehicle, length, wall_lateral_m, refinement, net_source_factor)
    return PassField(vehicle, hull, vehicle_wake(vehicle, constants, air))


def pulse_pressure(velocity: ArrayLike, speed_m_s: float, density_kg_m3: float) -> Array:
    """Gauge pressure (m,), Pa.

    ``velocity`` (m, 3) is the displacement flow per unit speed in the vehicle frame, for instance
    ``pass_field(vehicle).displacement(points)``. Raises ValueError for another shape.
    """
    u = np.asarray(velocity, dtype=np.float64)
    if u.ndim != 2 or u.shape[1] != 3:
        raise ValueError(f"velocity must have shape (m, 3), not {u.shape}")
    return density_kg_m3 * speed_m_s**2 * (u[:, 0] - 0.5 * np.einsum("mc,mc->m", u, u))
