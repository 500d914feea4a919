"""Plan outlines for ``VortexOutline``: circle, ellipse, and a vehicle seen from above.

Every function returns the points (k, 2) in m of a closed outline, counter-clockwise, without a
repeated last point.
"""

from __future__ import annotations

import math

import numpy as np

from wakesim.arrays import Array


def circle(points: int, radius_m: float = 1.0, centre_m: tuple[float, float] = (0.0, 0.0)) -> Array:
    """Circle with equally spaced points, the first one at the front (largest x)."""
    return ellipse(points, radius_m, radius_m, centre_m=centre_m)


def ellipse(
    points: int,
    semi_x_m: float,
    semi_y_m: float,
    incidence_deg: float = 0.0,
    centre_m: tuple[float, float] = (0.0, 0.0),
) -> Array:
    """Ellipse with semi-axes along x and y, then turned counter-clockwise by ``incidence_deg``.

    Points are equally spaced in the eccentric angle, which draws them together at the sharp ends.
    """
    if not (semi_x_m > 0.0 and semi_y_m > 0.0):
        raise ValueError("the semi-axes must be greater than 0 m")
    angle = 2.0 * math.pi * np.arange(points) / points
    x, y = semi_x_m * np.cos(angle), semi_y_m * np.sin(angle)
    c, s = math.cos(math.radians(incidence_deg)), math.sin(math.radians(incidence_deg))
    return np.column_stack((c * x - s * y, s * x + c * y)) + centre_m


def vehicle_outline(
    length_m: float,
    width_m: float,
    corner_radius_m: float,
    *,
    arc_panels: int = 8,
    nose_m: tuple[float, float] = (0.0, 0.0),
) -> Array:
    """Rectangle with rounded corners, nose at ``nose_m`` on the centreline, tail at smaller x.

    Each corner has ``arc_panels`` equal panels. Straight sides have cosine spacing, with the number
    of panels chosen so that the panel at each end is no longer than one on the arc.

    Raises ValueError when a length is not positive, the corner radius is not in
    (0, half the smaller side], or ``arc_panels`` < 2.
    """
    if not (length_m > 0.0 and width_m > 0.0):
        raise ValueError("length and width must be greater than 0 m")
    if not 0.0 < corner_radius_m <= 0.5 * min(length_m, width_m):
        raise ValueError("the corner radius must be greater than 0 m and at most half a side")
    if arc_panels < 2:
        raise ValueError("arc_panels must be at least 2")
    r, half_width = corner_radius_m, 0.5 * width_m
    front, back, inner = -r, r - length_m, half_width - r
    centres = ((front, -inner), (front, inner), (back, inner), (back, -inner))
    sides = (width_m, length_m, width_m, length_m)
    first_angles = -0.5 * math.pi + 0.5 * math.pi * np.arange(4)
    parts = []
    for centre, start, side in zip(centres, first_angles, sides, strict=True):
        turn = start + np.linspace(0.0, 0.5 * math.pi, arc_panels + 1)
        arc = np.column_stack((np.cos(turn), np.sin(turn))) * r + centre
        parts.append(arc)
        straight = side - 2.0 * r
        if straight <= 1e-9 * side:
            parts[-1] = arc[:-1]
            continue
        heading = np.array([-math.sin(turn[-1]), math.cos(turn[-1])])
        parts.append(arc[-1] + straight * _cosine_interior(straight, r, arc_panels) * heading)
    return np.concatenate(parts) + nose_m


def _cosine_interior(straight: float, radius: float, arc_panels: int) -> Array:
    """Interior points in (0, 1) of a straight side, shape (n - 1, 1), see ``vehicle_outline``.

    The end panel of n with cosine spacing is (1 - cos(pi/n))/2 of the side.
    """
    share = 0.5 * math.pi * radius / (arc_panels * straight)
    n = max(2, math.ceil(math.pi / math.acos(max(-1.0, 1.0 - 2.0 * share))))
    return 0.5 * (1.0 - np.cos(math.pi * np.arange(1, n) / n))[:, None]
