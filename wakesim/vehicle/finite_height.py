"""Finite-height relief: how much a plan-plane (2D) pass overstates the real, 3D one.

Air can pass over a vehicle of finite height; a plan-plane flow forbids that and drives all of it
past the sides. A plan-plane result used quantitatively is therefore multiplied by the ratio that
the 3D and the 2D field of the same vehicle have on the same line beside it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike

from wakesim.arrays import Array


class Field(Protocol):
    """Anything with a velocity per unit body speed at points in the body's coordinates."""

    def velocity(self, points: Array) -> Array: ...


@dataclass(frozen=True)
class Relief:
    """3D over 2D on the line y = ``lateral_m``, z = ``height_m``, per unit body speed.

    ``peak``: largest horizontal speed, dimensionless. ``cube``: integral over x of the cubed
    horizontal speed, m. Ratios are below 1 where the plan plane overstates.
    """

    lateral_m: float
    height_m: float
    peak_3d: float
    peak_2d: float
    cube_3d_m: float
    cube_2d_m: float

    @property
    def peak_ratio(self) -> float:
        """Factor for a gust or peak speed computed in the plan plane."""
        return self.peak_3d / self.peak_2d

    @property
    def cube_ratio(self) -> float:
        """Factor for a mean cubed speed (energy flux) computed in the plan plane."""
        return self.cube_3d_m / self.cube_2d_m


def finite_height_relief(
    field3d: Field | Callable[[Array], Array],
    field2d: Field | Callable[[Array], Array],
    lateral_m: float,
    height_m: float,
    x_m: ArrayLike,
) -> Relief:
    """Compare a 3D and a plan-plane pass of the same vehicle on one line beside it.

    Parameters
    ----------
    field3d, field2d
        Velocity per unit body speed in the body's coordinates, the same origin for both: an object
        with ``velocity(points)`` or a function. 3D: (m, 3) -> (m, 3), 2D: (m, 2) -> (m, 2).
    lateral_m, height_m
        The line, m: distance from the centreline and height in the 3D field's coordinates.
    x_m
        Increasing positions along the line, (n,) with n >= 3, wide enough to hold the pass and fine
        enough for the trapezoidal rule.

    Raises
    ------
    ValueError
        ``x_m`` is not such an array, a field returns the wrong shape or values that are not finite
        or all zero, or a peak lies at an end of the line, so that the pass is cut off.
    """
    x = np.asarray(x_m, dtype=np.float64)
    if x.ndim != 1 or x.size < 3 or not np.all(np.diff(x) > 0.0):
        raise ValueError("x_m must be one-dimensional and increasing, with at least 3 positions")
    y = np.full_like(x, lateral_m)
    line3d = np.column_stack((x, y, np.full_like(x, height_m)))
    line2d = np.column_stack((x, y))
    peak_3d, cube_3d = _peak_and_cube(field3d, line3d, "3D")
    peak_2d, cube_2d = _peak_and_cube(field2d, line2d, "plan-plane")
    return Relief(float(lateral_m), float(height_m), peak_3d, peak_2d, cube_3d, cube_2d)


def _peak_and_cube(
    field: Field | Callable[[Array], Array], line: Array, name: str
) -> tuple[float, float]:
    evaluate = getattr(field, "velocity", field)
    velocity = np.asarray(evaluate(line), dtype=np.float64)
    if velocity.shape != line.shape:
        raise ValueError(f"the {name} field returned shape {velocity.shape}, not {line.shape}")
    speed = np.hypot(velocity[:, 0], velocity[:, 1])
    if not np.isfinite(speed).all():
        raise ValueError(f"the {name} field is not finite everywhere on the line")
    peak = int(np.argmax(speed))
    if not speed[peak] > 0.0:
        raise ValueError(f"the {name} field is zero on the line")
    if peak in (0, speed.size - 1):
        raise ValueError(f"the peak of the {name} field lies at an end of x_m: the pass is cut off")
    cube = speed**3
    return float(speed[peak]), 0.5 * float(np.sum(np.diff(line[:, 0]) * (cube[:-1] + cube[1:])))
