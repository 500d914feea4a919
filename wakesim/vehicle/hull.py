"""Closed panel surfaces of vehicles: a rounded box, or a bonnet-and-cabin shape.

A hull is a loft of cross-sections (rounded rectangles) along the vehicle, closed by caps at nose
and tail. Coordinates are the vehicle frame: X ahead of the nose (the body lies at X < 0), Y from
the centreline, Z above the road.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wakesim import constants
from wakesim.arrays import Array, graded
from wakesim.case.vehicle import BONNET_FRONT, Vehicle, largest_nose_radius_m

# Radii are shares of the smaller frontal dimension.
_NOSE_RADIUS = {
    "box": constants.NOSE_RADIUS_BOX.value, "bonnet": constants.NOSE_RADIUS_BONNET.value,
}  # fmt: skip
_EDGE_RADIUS = constants.EDGE_RADIUS.value
_TAIL_RADIUS = constants.TAIL_RADIUS.value
# Roof height of a bonnet-and-cabin shape along the body, shares of length and of body height.
_BONNET_PROFILE = (
    np.array([
        0.0, constants.WINDSCREEN_FOOT_PLACE.value, constants.WINDSCREEN_TOP_PLACE.value,
        constants.ROOF_END_PLACE.value, constants.REAR_DECK_PLACE.value, 1.0,
    ]),
    np.array([
        BONNET_FRONT, constants.WINDSCREEN_FOOT_HEIGHT.value, 1.0, 1.0,
        constants.REAR_DECK_HEIGHT.value, constants.BONNET_TAIL_HEIGHT.value,
    ]),
)  # fmt: skip


@dataclass(frozen=True)
class HullShape:
    """Panels of a vehicle and which of them form the base where the wake separates."""

    quads: Array  # (n, 4, 3) m
    base: NDArray[np.bool_]  # (n,)
    base_width_m: float
    base_bottom_m: float
    base_top_m: float


def _rounded_rectangle(half_width: float, half_height: float, radius: float, n: int) -> Array:
    """(n, 2) points, counter-clockwise in (y, z), n a multiple of 4, closer at the corners."""
    quarter = n // 4
    radius = min(radius, half_width, half_height)
    flat_y, flat_z = half_width - radius, half_height - radius
    arc = max(2, quarter // 3)
    straight = quarter - arc
    angle = np.linspace(0.0, 0.5 * np.pi, arc, endpoint=False) + 0.25 * np.pi / arc

    def side(length: float) -> Array:
        # graded towards both ends, open at the ends where the arcs begin
        t = (np.arange(straight) + 0.5) / straight
        return -length * np.cos(np.pi * t) if length > 0.0 else np.zeros(straight)

    points = []
    for k, (cy, cz) in enumerate(((1, 1), (-1, 1), (-1, -1), (1, -1))):
        turn = 0.5 * np.pi * k
        points.append(
            np.column_stack(
                [
                    cy * flat_y + radius * np.cos(angle + turn),
                    cz * flat_z + radius * np.sin(angle + turn),
                ]
            )
        )
        if k == 0:  # along the top to the left
            points.append(np.column_stack([-side(flat_y), np.full(straight, half_height)]))
        elif k == 1:  # down the left side
            points.append(np.column_stack([np.full(straight, -half_width), -side(flat_z)]))
        elif k == 2:  # along the bottom to the right
            points.append(np.column_stack([side(flat_y), np.full(straight, -half_height)]))
        else:
            points.append(np.column_stack([np.full(straight, half_width), side(flat_z)]))
    return np.concatenate(points)


def _stations(vehicle: Vehicle, nose: float, tail: float, panels: float) -> tuple[Array, Array]:
    """Distance behind the nose and inset from the full outline of every cross-section."""
    arc = np.linspace(0.0, 0.5 * np.pi, 5)
    nose_x, nose_inset = nose * (1.0 - np.cos(arc)), nose * (1.0 - np.sin(arc))
    tail_arc = np.linspace(0.5 * np.pi, 0.0, 3)
    tail_x = vehicle.length_m - tail * (1.0 - np.cos(tail_arc))
    tail_inset = tail * (1.0 - np.sin(tail_arc))
    smaller = min(vehicle.width_m, vehicle.height_m - vehicle.clearance_m)
    middle = vehicle.length_m - nose - tail
    first, largest = 0.12 * smaller / panels, 0.34 * smaller / panels
    half = graded(0.5 * middle, first, 1.3, largest, fitted=True)  # fine at both ends
    body = nose + np.concatenate([half, middle - half[-2::-1]])
    x = np.concatenate([nose_x[:-1], body, tail_x[1:]])
    inset = np.concatenate([nose_inset[:-1], np.zeros(body.size), tail_inset[1:]])
    return x, inset


def vehicle_hull(vehicle: Vehicle, refinement: float = 1.0) -> HullShape:
    """Panel surface of a vehicle.

    ``refinement`` scales the number of panels in each direction. The edges around the nose have
    the vehicle's own radius, or a share of its front.
    """
    body_height = vehicle.height_m - vehicle.clearance_m
    smaller = min(vehicle.width_m, body_height)
    nose = vehicle.nose_radius_m
    if nose is None:
        nose = _NOSE_RADIUS[vehicle.shape] * smaller
    nose = min(
        nose,
        largest_nose_radius_m(
            vehicle.length_m, vehicle.width_m, vehicle.height_m, vehicle.clearance_m, vehicle.shape
        ),
    )
    tail = min(_TAIL_RADIUS * smaller, 0.1 * vehicle.length_m)
    around = 4 * max(4, round(9 * refinement))
    x, inset = _stations(vehicle, nose, tail, refinement)
    if vehicle.shape == "bonnet":
        top = vehicle.clearance_m + body_height * np.interp(x / vehicle.length_m, *_BONNET_PROFILE)
    else:
        top = np.full(x.size, vehicle.height_m)

    sections = []
    for x_i, inset_i, top_i in zip(x, inset, top, strict=True):
        half_height = 0.5 * (top_i - vehicle.clearance_m)
        radius = max(_EDGE_RADIUS * smaller - inset_i, 0.2 * _EDGE_RADIUS * smaller)
        outline = _rounded_rectangle(
            0.5 * vehicle.width_m - inset_i, half_height - inset_i, radius, around
        )
        section = np.empty((around, 3))
        section[:, 0] = -x_i
        section[:, 1] = outline[:, 0]
        section[:, 2] = outline[:, 1] + vehicle.clearance_m + half_height
        sections.append(section)
    rings = max(3, round(5 * refinement))
    fractions = np.cos(0.5 * np.pi * np.arange(1, rings + 1) / rings)
    fractions[-1] = 0.0

    def cap(section: Array) -> list[Array]:
        centre = np.array([section[0, 0], 0.0, 0.5 * (section[:, 2].min() + section[:, 2].max())])
        return [centre + (section - centre) * s for s in fractions]

    rings_nose = cap(sections[0])[::-1]
    rings_tail = cap(sections[-1])
    surface = np.array([*rings_nose, *sections, *rings_tail])  # (n_sections, around, 3)
    quads = np.empty((surface.shape[0] - 1, around, 4, 3))
    following = np.roll(surface, -1, axis=1)
    # sections run from nose (x = 0) to tail; points counter-clockwise in (y, z)
    quads[:, :, 0] = surface[:-1]
    quads[:, :, 1] = following[:-1]
    quads[:, :, 2] = following[1:]
    quads[:, :, 3] = surface[1:]
    base = np.zeros(quads.shape[:2], dtype=bool)
    base[-rings:] = True
    quads = quads.reshape(-1, 4, 3)
    last = sections[-1]
    return HullShape(
        quads=np.ascontiguousarray(quads[:, ::-1]),
        base=base.ravel(),
        base_width_m=float(np.ptp(last[:, 1])),
        base_bottom_m=float(last[:, 2].min()),
        base_top_m=float(last[:, 2].max()),
    )
