"""Displacement flow: exact potential flows, and velocities around a body at given points.

Exact flows, all per unit speed. A stream +1 along x past a body at rest is (1, 0, 0) minus the air
velocity u of the same body moving along +x through still air. References: circle and ellipse,
Milne-Thomson, Theoretical Hydrodynamics; sphere, spheroids and added mass, Lamb, Hydrodynamics
(1932), sections 71 and 114 (from memory).

A tunnel at speed V around a body at rest sees U = V (1 - u_x) along the stream, V u_y along +Y of
the vehicle frame and V u_z upwards, where u is the air velocity per unit speed of the body that
moves along +X through still air.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

import numpy as np

from wakesim.errors import CaseError
from wakesim.validation.comparison import Array, Comparison, Quantity
from wakesim.validation.quantities.bodies import (
    FIELD_OPTIONS,
    displacement_field,
    ellipsoid,
    refuse_inside,
)
from wakesim.validation.quantities.inputs import condition, integer
from wakesim.vehicle.outlines import ellipse
from wakesim.vehicle.panels2d import VortexOutline
from wakesim.vehicle.panels3d import SourceHull

_PANELS_2D, _PANELS_3D = 400, 20
_SURFACE_PANELS = 4  # nearest panel centres averaged for a speed on a hull's surface
_REACH, _STEP = 100.0, 0.05  # of passing moments, in distances from the centre

PLANE_OPTIONS = {
    "semi_y_m": "condition: half axis across, m (default: a circle)",
    "incidence_deg": "condition: angle of the stream to the x half axis, degrees (default 0)",
    "centre_over_wall_m": "condition: distance of the centre from a wall, m (default: no wall)",
    "panels": f"panels of the outline, 20 to 2000 (default {_PANELS_2D})",
}
SOLID_OPTIONS = {
    "semi_y_m": "condition: half axis across, m (default: semi_x_m)",
    "semi_z_m": "condition: upright half axis, m (default: semi_y_m)",
    "centre_over_wall_m": "condition: height of the centre over a wall, m (default: no wall)",
    "panels": f"panels along one side of the cube, 4 to 28 (default {_PANELS_3D})",
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
    turn = condition(c, "incidence_deg", -180.0, 180.0, "degrees", default=0.0)
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
    turn = np.radians(condition(c, "incidence_deg", -180.0, 180.0, "degrees", default=0.0))
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


def plane_stream_u(c: Comparison) -> Array:
    """x component of a unit stream past an ellipse, (n,)."""
    return _plane_stream(c)[:, 0]


def plane_stream_v(c: Comparison) -> Array:
    """y component of a unit stream past an ellipse, (n,)."""
    return _plane_stream(c)[:, 1]


def plane_added_mass(c: Comparison) -> Array:
    """Added mass of an ellipse along the stream over its displaced mass, (n,)."""
    return np.array([flow.added_mass for flow in _outlines(c)])


def plane_surface_speed(c: Comparison) -> Array:
    """Speed on an ellipse at ``angle_deg`` from +x, counter-clockwise, in its own frame, (n,)."""
    angle = np.radians(condition(c, "angle_deg", -360.0, 360.0, "degrees"))
    out = np.empty(angle.size)
    for i, flow in enumerate(_outlines(c)):
        loop = flow.loops[0] - flow.loops[0].mean(axis=0)
        along = loop @ np.array([np.cos(angle[i]), np.sin(angle[i])])
        across = np.abs(loop @ np.array([-np.sin(angle[i]), np.cos(angle[i])]))
        nearest = int(np.argmin(np.where(along > 0.0, across, np.inf)))
        out[i] = abs(flow.surface_speed[0][nearest])
    return out


def _solid_stream(c: Comparison, component: int) -> Array:
    """A unit stream along +x past an ellipsoid at rest."""
    points = np.column_stack([condition(c, name) for name in ("x_m", "y_m", "z_m")])
    out = np.empty(len(points))
    for i, hull in enumerate(_hulls(c)):
        value = hull.velocity(points[i : i + 1])[0, component]
        out[i] = (1.0 if component == 0 else 0.0) - value
    return out


def solid_stream_u(c: Comparison) -> Array:
    """x component of a unit stream past an ellipsoid, (n,); z is measured from the wall, if any."""
    return _solid_stream(c, 0)


def solid_stream_v(c: Comparison) -> Array:
    """y component of a unit stream past an ellipsoid, (n,)."""
    return _solid_stream(c, 1)


def solid_added_mass(c: Comparison) -> Array:
    """Added mass of an ellipsoid along x over its displaced mass, (n,)."""
    return np.array([hull.added_mass for hull in _hulls(c)])


def solid_surface_speed(c: Comparison) -> Array:
    """Speed on the surface nearest to (x, y, z), in the body's frame, (n,).

    Mean of the panel centres nearest to the point: on the surface itself flat panels are of first
    order only.
    """
    points = np.column_stack([condition(c, name) for name in ("x_m", "y_m", "z_m")])
    out = np.empty(len(points))
    for i, hull in enumerate(_hulls(c)):
        near = np.argsort(np.linalg.norm(hull.centres - points[i], axis=1))[:_SURFACE_PANELS]
        relative = hull.velocity(hull.centres[near]) - (1.0, 0.0, 0.0)
        out[i] = np.linalg.norm(relative, axis=1).mean()
    return out


def passing_moment(c: Comparison) -> Array:
    """Integral of u^k along x at ``lateral_m`` from the centre of an ellipsoid, (n,).

    u is the along-road air velocity per unit speed of the passing body, k the condition ``order``.
    """
    lateral = condition(c, "lateral_m", 1e-3, 1e4)
    order = condition(c, "order", 1.0, 4.0, "")
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
    speed = condition(c, "speed_m_s", 0.1, 200.0, "m/s")
    return displacement_field(c)(points) * speed[:, None]


def _moving(component: int) -> Callable[[Comparison], Array]:
    def function(c: Comparison) -> Array:
        return _around(c)[:, component]

    return function


def tunnel_velocity_u(c: Comparison) -> Array:
    """Velocity along the stream of a tunnel around the body at rest, m/s, (n,)."""
    return condition(c, "speed_m_s", 0.1, 200.0, "m/s") - _around(c)[:, 0]


_POINT = ("X_m", "Y_m", "Z_m", "speed_m_s")
_PLANE, _SOLID = ("semi_x_m", "x_m", "y_m"), ("semi_x_m", "x_m", "y_m", "z_m")
_AROUND = "at (X ahead of the nose, Y from the centreline, Z up), displacement flow alone"


def _around_quantity(
    name: str, summary: str, function: Callable[[Comparison], Array], undisturbed: str = ""
) -> Quantity:
    return Quantity(
        name, "m/s", f"{summary} {_AROUND}", _POINT, FIELD_OPTIONS, function, True, undisturbed
    )


QUANTITIES: tuple[Quantity, ...] = (
    Quantity(
        "plane_stream_u", "1", "unit stream past an ellipse (2D), x component at (x, y)",
        _PLANE, PLANE_OPTIONS, plane_stream_u,
    ),
    Quantity(
        "plane_stream_v", "1", "unit stream past an ellipse (2D), y component at (x, y)",
        _PLANE, PLANE_OPTIONS, plane_stream_v,
    ),
    Quantity(
        "plane_added_mass", "1", "added mass of an ellipse (2D) over its displaced mass",
        ("semi_x_m",), PLANE_OPTIONS, plane_added_mass,
    ),
    Quantity(
        "plane_surface_speed", "1", "speed on an ellipse (2D) per unit stream, at an angle",
        ("semi_x_m", "angle_deg"), PLANE_OPTIONS, plane_surface_speed,
    ),
    Quantity(
        "solid_stream_u", "1", "unit stream past an ellipsoid, x component at (x, y, z)",
        _SOLID, SOLID_OPTIONS, solid_stream_u,
    ),
    Quantity(
        "solid_stream_v", "1", "unit stream past an ellipsoid, y component at (x, y, z)",
        _SOLID, SOLID_OPTIONS, solid_stream_v,
    ),
    Quantity(
        "solid_added_mass", "1", "added mass of an ellipsoid along x over its displaced mass",
        ("semi_x_m",), SOLID_OPTIONS, solid_added_mass,
    ),
    Quantity(
        "solid_surface_speed", "1", "speed on an ellipsoid per unit stream, nearest to (x, y, z)",
        _SOLID, SOLID_OPTIONS, solid_surface_speed,
    ),
    Quantity(
        "passing_moment", "1", "integral of u^order dx of a passing ellipsoid, per unit speed; "
        "lengths in m", ("semi_x_m", "lateral_m", "order"), SOLID_OPTIONS, passing_moment,
    ),
    _around_quantity(
        "tunnel_velocity_u", "tunnel velocity along the stream", tunnel_velocity_u, "speed_m_s"
    ),
    _around_quantity("tunnel_velocity_v", "tunnel velocity along +Y", _moving(1)),
    _around_quantity("tunnel_velocity_w", "tunnel velocity upwards", _moving(2)),
    _around_quantity("pulse_velocity_u", "air velocity in the travel direction", _moving(0)),
    _around_quantity("pulse_velocity_v", "air velocity along +Y", _moving(1)),
    _around_quantity("pulse_velocity_w", "air velocity upwards", _moving(2)),
)  # fmt: skip
