"""Displacement flow: exact potential flows, velocities around a body, pressure of its pass.

Exact flows, all per unit speed. A stream +1 along x past a body at rest is (1, 0, 0) minus the air
velocity u of the same body moving along +x through still air. References: circle and ellipse,
Milne-Thomson, Theoretical Hydrodynamics; sphere, spheroids and added mass, Lamb, Hydrodynamics
(1932), sections 71 and 114 (from memory).

A tunnel at speed V around a body at rest sees U = V (1 - u_x) along the stream, V u_y along +Y of
the vehicle frame and V u_z upwards, where u is the air velocity per unit speed of the body that
moves along +X through still air.

Pressure obeys p = rho (V u_x - 1/2 |u|^2) in the road frame (``vehicle.pressure``); the pressure
coefficient is p / (1/2 rho V^2). A wall is rigid, vertical, endless along the road and as high as
one likes: a finite one feels less. Inside the wake the formula does not hold, so ``part`` should be
"nose" where the wake reaches the point. Pressure of turbulence is not modelled.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from wakesim.arrays import Array
from wakesim.errors import CaseError
from wakesim.validation.comparison import Comparison
from wakesim.validation.quantities.bodies import (
    FIELD_OPTIONS,
    displacement_field,
    ellipsoid,
    refuse_inside,
)
from wakesim.validation.quantities.inputs import (
    LATERAL,
    SPEED,
    body_of,
    choice,
    condition,
    flag,
    integer,
    number,
    quantity,
    refuse,
    setting,
    vehicle_speed,
)
from wakesim.vehicle.outlines import ellipse
from wakesim.vehicle.panels2d import VortexOutline
from wakesim.vehicle.panels3d import SourceHull
from wakesim.vehicle.passfield import pulse_pressure

_PANELS_2D, _PANELS_3D = 400, 20
_SURFACE_PANELS = 4  # nearest panel centres averaged for a speed on a hull's surface
_REACH, _STEP = 100.0, 0.05  # of passing moments, in distances from the centre
STANDARD_DENSITY_KG_M3 = 1.225
_PASS_REACH_M = 40.0
_FINE_GAPS = 3.0  # of the distance to the body, about nose and tail
_PEAKS = {"positive": np.max, "negative": np.min, "absolute": lambda p: np.max(np.abs(p))}

_AXIS = {"semi_x_m": "half axis of the ellipse or ellipsoid along x"}
_PLANE = {
    **_AXIS,
    "x_m": "position along, from the body's centre",
    "y_m": "horizontal position across, from the body's centre",
}
_SOLID = {**_PLANE, "z_m": "height above the body's centre (with a wall: above the wall)"}
_PLANE_OPTIONS = {
    "semi_y_m": "condition: half axis across, m (default: a circle)",
    "incidence_deg": "condition: angle of the stream to the x half axis, degrees (default 0)",
    "centre_over_wall_m": "condition: distance of the centre from a wall, m (default: no wall)",
    "panels": f"panels of the outline, 20 to 2000 (default {_PANELS_2D})",
}
_SOLID_OPTIONS = {
    "semi_y_m": "condition: half axis across, m (default: semi_x_m)",
    "semi_z_m": "condition: upright half axis, m (default: semi_y_m)",
    "centre_over_wall_m": "condition: height of the centre over a wall, m (default: no wall)",
    "panels": f"panels along one side of the cube, 4 to 28 (default {_PANELS_3D})",
}
_POINT = {
    "X_m": "distance ahead of the nose; behind it X < 0",
    "Y_m": "distance from the body's centreline",
    "Z_m": "height above the road or floor",
    **SPEED,
}
_PRESSURE_OPTIONS = {
    **FIELD_OPTIONS,
    "wall": "a rigid vertical wall stands at lateral_m, and the pressure is on it (default false)",
    "part": "stretch of the pass: 'nose', 'tail' or 'whole' (default): halves of the body and "
    f"{_PASS_REACH_M:g} m beyond",
    "heights_m": "list of heights, m; the largest over them replaces the condition height_m",
    "height_m": "condition: height above the road, m",
    "surface_factor": "factor on the pressure for a face that the free field meets, 1 to 2 "
    "(default 1); 2 is a large rigid face",
}
_PULSE_OPTIONS = {
    **_PRESSURE_OPTIONS,
    "density_kg_m3": f"air density, 0.5 to 2 (default {STANDARD_DENSITY_KG_M3:g})",
}


# --- bodies of the exact flows --------------------------------------------------------------


@lru_cache(maxsize=32)
def _outline(
    semi_x: float, semi_y: float, incidence_deg: float, over_wall: float | None, panels: int
) -> VortexOutline:
    """Ellipse turned by -incidence so that it moves along +x; the wall is y = 0."""
    centre = (0.0, 0.0 if over_wall is None else over_wall)
    loop = ellipse(panels, semi_x, semi_y, -incidence_deg, centre)
    return VortexOutline([loop], wall_y=None if over_wall is None else 0.0)


@lru_cache(maxsize=32)
def _hull(semi: tuple[float, float, float], over_wall: float | None, panels: int) -> SourceHull:
    return SourceHull(ellipsoid(semi, panels, over_wall or 0.0), road=over_wall is not None)


def _over_wall(c: Comparison, reach: Array) -> list[float | None]:
    if "centre_over_wall_m" not in c.conditions:
        return [None] * reach.size
    height = condition(c, "centre_over_wall_m", 0.0)
    wrong = np.flatnonzero(height <= reach)
    if wrong.size:
        at = int(wrong[0])
        raise CaseError(
            f"{c.path}: point {at + 1}, centre_over_wall_m = {height[at]:g}: must be more than "
            f"the half axis, {reach[at]:g} m"
        )
    return [float(h) for h in height]


def _outlines(c: Comparison) -> list[VortexOutline]:
    a = condition(c, "semi_x_m", 1e-3, 1e3)
    b = condition(c, "semi_y_m", 1e-3, 1e3) if "semi_y_m" in c.conditions else a
    turn = condition(c, "incidence_deg", -180.0, 180.0, default=0.0)
    radian = np.radians(turn)
    wall = _over_wall(c, np.hypot(a * np.sin(radian), b * np.cos(radian)))
    panels = integer(c, "panels", _PANELS_2D, 20, 2000)
    return [
        _outline(float(ai), float(bi), float(ti), wi, panels)
        for ai, bi, ti, wi in zip(a, b, turn, wall, strict=True)
    ]


def _hulls(c: Comparison) -> list[SourceHull]:
    a = condition(c, "semi_x_m", 1e-3, 1e3)
    b = condition(c, "semi_y_m", 1e-3, 1e3) if "semi_y_m" in c.conditions else a
    h = condition(c, "semi_z_m", 1e-3, 1e3) if "semi_z_m" in c.conditions else b
    wall = _over_wall(c, h)
    panels = integer(c, "panels", _PANELS_3D, 4, 28)
    return [
        _hull((float(x), float(y), float(z)), w, panels)
        for x, y, z, w in zip(a, b, h, wall, strict=True)
    ]


# --- exact flows ------------------------------------------------------------------------------


def _plane_stream(c: Comparison) -> Array:
    """Velocity (n, 2) at (x, y) of a unit stream at the angle ``incidence_deg`` past the ellipse.

    The picture is turned by -incidence, the stream there along +x, and the result turned back.
    """
    turn = np.radians(condition(c, "incidence_deg", -180.0, 180.0, default=0.0))
    z = (condition(c, "x_m") + 1j * condition(c, "y_m")) * np.exp(-1j * turn)
    out = np.empty((c.measured.size, 2))
    for i, flow in enumerate(_outlines(c)):
        point = np.array([[z[i].real, z[i].imag]])
        if flow.wall_y is not None:
            if turn[i] != 0.0:
                raise CaseError(f"{c.path}: a stream along a wall has incidence_deg = 0")
            point[:, 1] = condition(c, "y_m", 0.0)[i]
        u, v = flow.velocity(point)[0]
        back = complex(1.0 - u, -v) * np.exp(1j * turn[i])
        out[i] = back.real, back.imag
    return out


@quantity("1", _PLANE, _PLANE_OPTIONS)
def plane_stream_u(c: Comparison) -> Array:
    """Unit stream past an ellipse (2D), x component at (x, y)."""
    return _plane_stream(c)[:, 0]


@quantity("1", _PLANE, _PLANE_OPTIONS)
def plane_stream_v(c: Comparison) -> Array:
    """Unit stream past an ellipse (2D), y component at (x, y)."""
    return _plane_stream(c)[:, 1]


@quantity("1", _AXIS, _PLANE_OPTIONS)
def plane_added_mass(c: Comparison) -> Array:
    """Added mass of an ellipse (2D) over its displaced mass."""
    return np.array([flow.added_mass for flow in _outlines(c)])


@quantity(
    "1",
    {**_AXIS, "angle_deg": "place on the outline, counter-clockwise from +x"},
    _PLANE_OPTIONS,
)
def plane_surface_speed(c: Comparison) -> Array:
    """Speed on an ellipse (2D) per unit stream, at an angle."""
    angle = np.radians(condition(c, "angle_deg", -360.0, 360.0))
    out = np.empty(angle.size)
    for i, flow in enumerate(_outlines(c)):
        loop = flow.loops[0] - flow.loops[0].mean(axis=0)
        along = loop @ np.array([np.cos(angle[i]), np.sin(angle[i])])
        across = np.abs(loop @ np.array([-np.sin(angle[i]), np.cos(angle[i])]))
        nearest = int(np.argmin(np.where(along > 0.0, across, np.inf)))
        out[i] = abs(flow.surface_speed[0][nearest])
    return out


@quantity("1", _SOLID, _SOLID_OPTIONS)
def solid_stream_u(c: Comparison) -> Array:
    """Unit stream past an ellipsoid, x component at (x, y, z)."""
    return _solid_stream(c, 0)


@quantity("1", _SOLID, _SOLID_OPTIONS)
def solid_stream_v(c: Comparison) -> Array:
    """Unit stream past an ellipsoid, y component at (x, y, z)."""
    return _solid_stream(c, 1)


def _solid_points(c: Comparison) -> Array:
    return np.column_stack([condition(c, name) for name in ("x_m", "y_m", "z_m")])


def _solid_stream(c: Comparison, component: int) -> Array:
    points = _solid_points(c)
    stream = 1.0 if component == 0 else 0.0
    return np.array(
        [
            stream - hull.velocity(points[i : i + 1])[0, component]
            for i, hull in enumerate(_hulls(c))
        ]
    )


@quantity("1", _AXIS, _SOLID_OPTIONS)
def solid_added_mass(c: Comparison) -> Array:
    """Added mass of an ellipsoid along x over its displaced mass."""
    return np.array([hull.added_mass for hull in _hulls(c)])


@quantity("1", _SOLID, _SOLID_OPTIONS)
def solid_surface_speed(c: Comparison) -> Array:
    """Speed on an ellipsoid per unit stream, nearest to (x, y, z).

    Mean of the panel centres nearest to the point: on the surface itself flat panels are of first
    order only.
    """
    points = _solid_points(c)
    out = np.empty(len(points))
    for i, hull in enumerate(_hulls(c)):
        near = np.argsort(np.linalg.norm(hull.centres - points[i], axis=1))[:_SURFACE_PANELS]
        relative = hull.velocity(hull.centres[near]) - (1.0, 0.0, 0.0)
        out[i] = np.linalg.norm(relative, axis=1).mean()
    return out


@quantity("1", {**_AXIS, **LATERAL, "order": "power in the integral"}, _SOLID_OPTIONS)
def passing_moment(c: Comparison) -> Array:
    """Integral of u^order dx of a passing ellipsoid, per unit speed; lengths in m."""
    lateral = condition(c, "lateral_m", 1e-3, 1e4)
    order = condition(c, "order", 1.0, 4.0)
    out = np.empty(lateral.size)
    for i, hull in enumerate(_hulls(c)):
        if np.abs(hull.centres[:, 1]).max() >= lateral[i]:
            raise CaseError(
                f"{c.path}: point {i + 1}, lateral_m = {lateral[i]:g}: lies inside the body"
            )
        scale = max(float(np.abs(hull.centres[:, 0]).max()), float(lateral[i]))
        x = np.arange(-_REACH, _REACH, _STEP) * scale
        height = float(hull.centres[:, 2].mean())
        line = np.column_stack([x, np.full(x.size, lateral[i]), np.full(x.size, height)])
        out[i] = np.sum(hull.velocity(line)[:, 0] ** order[i]) * _STEP * scale
    return out


# --- velocities around a body -----------------------------------------------------------------


def _around(c: Comparison) -> Array:
    """Displacement flow (n, 3) m/s at (X, Y, Z) of the body at its speed through still air."""
    points = np.column_stack([condition(c, "X_m"), condition(c, "Y_m"), condition(c, "Z_m", 0.0)])
    refuse_inside(c, points)
    speed = vehicle_speed(c, 0.1, 200.0)
    return displacement_field(c)(points) * speed[:, None]


@quantity("m/s", _POINT, FIELD_OPTIONS, body=True, undisturbed="speed_m_s")
def tunnel_velocity_u(c: Comparison) -> Array:
    """Tunnel velocity along the stream at (X, Y, Z), displacement flow alone."""
    return vehicle_speed(c, 0.1, 200.0) - _around(c)[:, 0]


@quantity("m/s", _POINT, FIELD_OPTIONS, body=True)
def tunnel_velocity_v(c: Comparison) -> Array:
    """Tunnel velocity along +Y at (X, Y, Z), displacement flow alone."""
    return _around(c)[:, 1]


@quantity("m/s", _POINT, FIELD_OPTIONS, body=True)
def tunnel_velocity_w(c: Comparison) -> Array:
    """Tunnel velocity upwards at (X, Y, Z), displacement flow alone."""
    return _around(c)[:, 2]


@quantity("m/s", _POINT, FIELD_OPTIONS, body=True)
def pulse_velocity_u(c: Comparison) -> Array:
    """Air velocity in the travel direction at (X, Y, Z), displacement flow alone."""
    return _around(c)[:, 0]


@quantity("m/s", _POINT, FIELD_OPTIONS, body=True)
def pulse_velocity_v(c: Comparison) -> Array:
    """Air velocity along +Y at (X, Y, Z), displacement flow alone."""
    return _around(c)[:, 1]


@quantity("m/s", _POINT, FIELD_OPTIONS, body=True)
def pulse_velocity_w(c: Comparison) -> Array:
    """Air velocity upwards at (X, Y, Z), displacement flow alone."""
    return _around(c)[:, 2]


# --- pressure of a pass -----------------------------------------------------------------------


def _heights(c: Comparison) -> list[Array]:
    """Heights (k,) of every point, m."""
    listed = c.options.get("heights_m")
    if listed is None:
        return [np.array([h]) for h in condition(c, "height_m", 0.0, 100.0)]
    numbers = isinstance(listed, (list, tuple)) and len(listed) > 0
    if not numbers or not all(_is_height(value) for value in listed):
        raise refuse(c, "options.heights_m", listed, "must be a list of heights, 0 to 100 m")
    return [np.array(listed, dtype=np.float64)] * c.size


def _is_height(value: object) -> bool:
    plain = isinstance(value, (int, float)) and not isinstance(value, bool)
    return plain and 0.0 <= float(value) <= 100.0  # type: ignore[arg-type]


def _pass_stretch(c: Comparison, lateral: float, heights: Array) -> Array:
    """Positions X (m,) of the asked stretch, fine near nose and tail where the peaks are."""
    body = body_of(c)
    aside = max(abs(lateral) - 0.5 * body.width_m, 0.0)
    above = max(float(heights.min()) - body.height_m, 0.0)
    gap = float(np.clip(math.hypot(aside, above), 0.2, 2.5))
    part = choice(c, "part", "whole", ("nose", "tail", "whole"))
    middle = -0.5 * body.length_m
    first = middle if part == "nose" else -body.length_m - _PASS_REACH_M
    last = middle if part == "tail" else _PASS_REACH_M
    ends = (0.0, -body.length_m)
    fine = [np.arange(end - _FINE_GAPS * gap, end + _FINE_GAPS * gap, 0.1 * gap) for end in ends]
    x = np.unique(np.concatenate([*fine, np.arange(first, last, gap)]))
    return np.asarray(x[(x >= first) & (x <= last)])


def pressure_coefficients(c: Comparison) -> list[Array]:
    """Pressure coefficient (k, m) of every point: heights times positions along the pass."""
    lateral = condition(c, "lateral_m", -1e3, 1e3)
    return [_coefficient(c, float(y), z) for y, z in zip(lateral, _heights(c), strict=True)]


def _coefficient(c: Comparison, lateral: float, heights: Array) -> Array:
    factor = setting(c, "surface_factor", 1.0, 1.0, 2.0)
    field = displacement_field(c, lateral if flag(c, "wall", False) else None)
    z, along = np.meshgrid(heights, _pass_stretch(c, lateral, heights), indexing="ij")
    points = np.column_stack([along.ravel(), np.full(z.size, lateral), z.ravel()])
    refuse_inside(c, points)
    pressure = pulse_pressure(field(points), 1.0, 1.0) / 0.5
    return np.asarray(factor * pressure.reshape(z.shape))


@quantity(
    "1",
    LATERAL,
    {
        **_PRESSURE_OPTIONS,
        "sign": "'positive' (default), 'negative' or 'absolute' peak",
        "reference_lateral_m": "divide by the value at this distance, m, so that only "
        "the decay shows",
    },
    body=True,
)
def peak_pressure_coefficient(c: Comparison) -> Array:
    """Peak pressure over 1/2 rho V^2 at a distance from the centreline, beside the body, on a wall
    or above.

    A negative peak is below zero.
    """
    pick = _PEAKS[choice(c, "sign", "positive", tuple(_PEAKS))]
    values = np.array([float(pick(p)) for p in pressure_coefficients(c)])
    reference = number(c, "reference_lateral_m", -1e3, 1e3)
    if reference is None:
        return values
    heights = {z.tobytes(): z for z in _heights(c)}
    by = {key: float(pick(_coefficient(c, reference, z))) for key, z in heights.items()}
    return values / np.array([by[z.tobytes()] for z in _heights(c)])


def _dynamic_pressure(c: Comparison) -> Array:
    density = setting(c, "density_kg_m3", STANDARD_DENSITY_KG_M3, 0.5, 2.0)
    return 0.5 * density * vehicle_speed(c, 0.1, 200.0) ** 2


@quantity("Pa", LATERAL | SPEED, _PULSE_OPTIONS, body=True)
def pressure_peak_to_peak(c: Comparison) -> Array:
    """Swing of the pressure pulse of a pass.

    Largest minus smallest at one height, and of several heights the largest.
    """
    swing = np.array([float(np.ptp(p, axis=1).max()) for p in pressure_coefficients(c)])
    return _dynamic_pressure(c) * swing


@quantity("Pa", LATERAL | SPEED, _PULSE_OPTIONS, body=True)
def pressure_peak(c: Comparison) -> Array:
    """Largest size of the pressure during a pass."""
    return _dynamic_pressure(c) * np.array(
        [float(np.abs(p).max()) for p in pressure_coefficients(c)]
    )
