"""Bodies for comparisons: ellipsoids, streamlined hulls, and the wakes and fields of vehicles.

Every quantity gets its wake from ``new_wake`` and its pass field from ``new_field``.

A streamlined hull is a loft of superellipses |y/a|^4 + |z/b|^4 = 1 whose half axes shrink towards
both ends as those of a semi-ellipsoid, a(s) = a sqrt(1 - (1 - s/L_n)^2), s the distance from the
tip. It stands for trains with long noses, which the rounded box of ``vehicle.hull`` cannot.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache
from typing import Any, Protocol

import numpy as np
from numpy.typing import ArrayLike

from wakesim.arrays import Array
from wakesim.case.vehicle import Vehicle
from wakesim.errors import CaseError
from wakesim.validation.comparison import Comparison
from wakesim.validation.quantities.inputs import body_of, choice, flag, number, setting
from wakesim.vehicle.outlines import vehicle_outline
from wakesim.vehicle.panels2d import VortexOutline
from wakesim.vehicle.panels3d import SourceHull
from wakesim.vehicle.passfield import PassField, pass_field
from wakesim.vehicle.wake import LAWS, AirState, WakeConstants, vehicle_wake

Field = Callable[[Array], Array]

FIELD_OPTIONS = {
    "open_tail": "separated tail with a closing bubble (default true), or a closed hull",
    "plane": "plan plane (2D) instead of the 3D hull (default false); no road, no height",
    "bubble_length_m": "length of the recirculation bubble, m, instead of that of the program",
    "nose_length_m": "length of streamlined ends, m; makes a closed streamlined hull",
    "refinement": "panels in each direction relative to the default, 0.5 to 2 (default 1)",
}
# Constants of the wake: range and meaning.
_CONSTANTS = {
    "weak_shear_mixing": (0.0, 20.0, "mixing of far wakes of the marched wake"),
    "wake_start_energy": (
        0.0, 1.0, "turbulent energy at the bubble's end over the body's speed squared"
    ),
    "side_layer_share": (0.0, 0.9, "share of the drag in the side layer"),
    "side_layer_energy": (
        0.0, 1.0, "turbulent energy of the corner's separation over the speed squared"
    ),
    "couple_spread": (0.1, 10.0, "lambda of the couple wake"),
    "momentum_spread": (0.01, 5.0, "S of the momentum wake"),
    "bubble_length_heights": (
        0.05, 5.0, "recirculation bubble over the height of the body above the ground"
    ),
    "reversed_flow": (0.0, 1.0, "reversed flow in the bubble over the body's speed"),
    "turbulence_factor": (0.0, 5.0, "factor on the rms of the turbulence"),
}  # fmt: skip
WAKE_OPTIONS = {
    "law": f"wake law: {', '.join(LAWS)}; default the program's own",
    **{name: meaning for name, (_, _, meaning) in _CONSTANTS.items()},
    "bubble_length_m": FIELD_OPTIONS["bubble_length_m"],
}
_POWER = 4.0  # of the superellipse
_PLANE_CORNER = 0.15  # corner radius of the plan outline over its width, as in studies.single_pass


def ellipsoid(semi: tuple[float, float, float], panels: int, centre_z: float = 0.0) -> Array:
    """Quads (6 n^2, 4, 3) m of an ellipsoid, outward, projected from an equal-angle cube.

    ``semi`` along x, y, z in m; its centre is at (0, 0, ``centre_z``).
    """
    t = np.tan(np.linspace(-0.25 * np.pi, 0.25 * np.pi, panels + 1))
    a, b = np.meshgrid(t, t, indexing="ij")
    faces = []
    for axis in range(3):
        for sign in (1.0, -1.0):
            point = np.empty((*a.shape, 3))
            point[..., axis], point[..., (axis + 1) % 3], point[..., (axis + 2) % 3] = sign, a, b
            point /= np.linalg.norm(point, axis=-1, keepdims=True)
            quads = np.stack([point[:-1, :-1], point[1:, :-1], point[1:, 1:], point[:-1, 1:]], 2)
            quads = quads.reshape(-1, 4, 3)
            faces.append(quads if sign > 0.0 else quads[:, ::-1])
    return np.asarray(np.concatenate(faces) * semi + (0.0, 0.0, centre_z))


def streamlined_quads(vehicle: Vehicle, nose_length_m: float, refinement: float = 1.0) -> Array:
    """Quads (n, 4, 3) m of a closed streamlined hull in the vehicle frame, nose at X = 0."""
    height = vehicle.height_m - vehicle.clearance_m
    around, arc = 4 * round(8 * refinement), round(14 * refinement)
    angle = 0.5 * np.pi * np.arange(arc + 1) / arc
    end, scale = nose_length_m * (1.0 - np.cos(angle)), np.sin(angle)
    middle = vehicle.length_m - 2.0 * nose_length_m
    count = max(2, round(middle / (0.34 * min(vehicle.width_m, height) / refinement)))
    straight = nose_length_m + middle * np.arange(1, count) / count
    x = np.concatenate([end, straight, vehicle.length_m - end[::-1]])
    size = np.concatenate([scale, np.ones(count - 1), scale[::-1]])
    turn = 2.0 * np.pi * np.arange(around) / around
    c, s = np.cos(turn), np.sin(turn)
    radius = (np.abs(c) ** _POWER + np.abs(s) ** _POWER) ** (-1.0 / _POWER)
    rings = np.empty((x.size, around, 3))
    rings[:, :, 0] = -x[:, None]
    rings[:, :, 1] = 0.5 * vehicle.width_m * size[:, None] * (radius * c)
    rings[:, :, 2] = 0.5 * height * size[:, None] * (radius * s) + vehicle.clearance_m
    rings[:, :, 2] += 0.5 * height
    ahead = np.roll(rings, -1, axis=1)
    quads = np.stack([rings[:-1], rings[1:], ahead[1:], ahead[:-1]], axis=2)
    return np.ascontiguousarray(quads.reshape(-1, 4, 3))


@lru_cache(maxsize=32)
def _streamlined(
    vehicle: Vehicle, nose_m: float, wall_y: float | None, refinement: float
) -> SourceHull:
    return SourceHull(streamlined_quads(vehicle, nose_m, refinement), road=True, wall_y=wall_y)


class Wake(Protocol):
    """Mean wake and turbulence per unit speed; x behind the tail, beside the body x < 0, m."""

    def velocity(self, x: ArrayLike, y: ArrayLike, z: ArrayLike) -> Array:
        """Along-road velocity over the body's speed; the arrays broadcast."""
        ...

    def turbulence(self, x: ArrayLike, y: ArrayLike, z: ArrayLike) -> Array:
        """Turbulent kinetic energy over the body's speed squared."""
        ...


def new_wake(vehicle: Vehicle, constants: WakeConstants, air: AirState = AirState()) -> Wake:
    """The wake of a vehicle: the one place where quantities get it."""
    return vehicle_wake(vehicle, constants, air)


def new_field(vehicle: Vehicle, constants: WakeConstants, **settings: Any) -> PassField:
    """The pass field of a vehicle: the one place where quantities get it."""
    return pass_field(vehicle, constants=constants, **settings)


def wake_constants(c: Comparison) -> WakeConstants:
    """Constants of the wake from the options of a comparison; the program's where none is given.

    Raises CaseError for an option out of range, and for the bubble's length given twice.
    """
    body = body_of(c)
    own = WakeConstants(law=choice(c, "law", "", LAWS)) if "law" in c.options else WakeConstants()
    values = {
        name: setting(c, name, getattr(own, name), low, high)
        for name, (low, high, _) in _CONSTANTS.items()
    }
    length = number(c, "bubble_length_m", 0.05 * body.height_m, 5.0 * body.height_m)
    if length is not None:
        if "bubble_length_heights" in c.options:
            raise CaseError(
                f"{c.path}: options.bubble_length_m and options.bubble_length_heights "
                "exclude each other"
            )
        values["bubble_length_heights"] = length / body.height_m
    return replace(own, **values)


def wake_of(c: Comparison, air: AirState = AirState()) -> Wake:
    """The wake of the comparison's body with its options."""
    return new_wake(body_of(c), wake_constants(c), air)


def vehicle_field(c: Comparison) -> PassField:
    """Pulse, wake and turbulence of the comparison's body in free air over the road."""
    return new_field(
        body_of(c),
        wake_constants(c),
        open_tail=flag(c, "open_tail", True),
        refinement=setting(c, "refinement", 1.0, 0.5, 2.0),
        nose_radius_m=c.nose_radius_m,
    )


def displacement_field(c: Comparison, wall_lateral_m: float | None = None) -> Field:
    """Displacement flow (m, 3) -> (m, 3) per unit speed, in the vehicle frame.

    Raises CaseError when options exclude each other or the body touches the wall.
    """
    body = body_of(c)
    nose = number(c, "nose_length_m", 0.01, 30.0)
    refinement = setting(c, "refinement", 1.0, 0.5, 2.0)
    if wall_lateral_m is not None and abs(wall_lateral_m) <= 0.5 * body.width_m:
        raise CaseError(
            f"{c.path}: lateral_m = {wall_lateral_m:g}: the wall must stand outside half the "
            f"body's width, {0.5 * body.width_m:g} m"
        )
    if nose is not None:
        if nose >= 0.5 * body.length_m:
            raise CaseError(
                f"{c.path}: options.nose_length_m = {nose:g}: must be less than half the body's "
                f"length, {0.5 * body.length_m:g} m"
            )
        if flag(c, "plane", False) or flag(c, "open_tail", False):
            raise CaseError(
                f"{c.path}: options.nose_length_m makes a closed 3D hull; leave out plane and "
                "open_tail"
            )
        return _streamlined(body, nose, wall_lateral_m, refinement).velocity
    if flag(c, "plane", False):
        return _plane_field(body, c.nose_radius_m, wall_lateral_m)
    return new_field(
        body,
        wake_constants(c),
        open_tail=flag(c, "open_tail", True),
        wall_lateral_m=wall_lateral_m,
        refinement=refinement,
        nose_radius_m=c.nose_radius_m,
    ).displacement


def _plane_field(body: Vehicle, radius_m: float | None, wall_y: float | None) -> Field:
    shorter = min(body.width_m, body.length_m)
    radius = _PLANE_CORNER * shorter if radius_m is None else min(radius_m, 0.45 * shorter)
    outline = vehicle_outline(body.length_m, body.width_m, radius)
    flow = VortexOutline([outline], wall_y=wall_y)

    def velocity(points: Array) -> Array:
        out = np.zeros((len(points), 3))
        out[:, :2] = flow.velocity(points[:, :2])
        return out

    return velocity


def refuse_inside(c: Comparison, points: Array) -> None:
    """Raises CaseError when one of the points (n, 3) m lies in the body or under the road."""
    body = body_of(c)
    inside = (np.abs(points[:, 1]) < 0.5 * body.width_m) & (points[:, 0] < 0.0)
    inside &= points[:, 0] > -body.length_m
    inside &= points[:, 2] < body.height_m
    if not flag(c, "plane", False):
        inside &= points[:, 2] > body.clearance_m
    wrong = np.flatnonzero(inside | (points[:, 2] < 0.0))
    if wrong.size:
        x, y, z = points[wrong[0]]
        raise CaseError(
            f"{c.path}: the point X = {x:g}, Y = {y:g}, Z = {z:g} m lies inside the body or under "
            "the road"
        )
