"""Pressure of a passing body: peaks and peak-to-peak of the pulse beside, on a wall, above.

The potential part obeys p = rho (V u_x - 1/2 |u|^2) in the road frame (``flow.pressure``); the
pressure coefficient is p / (1/2 rho V^2). A wall is rigid, vertical, endless along the road and as
high as one likes: a finite one feels less. Inside the wake the formula does not hold, so ``part``
should be "nose" where the wake reaches the point. Pressure of turbulence is not modelled.
"""

from __future__ import annotations

import math

import numpy as np

from wakesim.validation.comparison import Array, Comparison, Quantity
from wakesim.validation.quantities.bodies import (
    FIELD_OPTIONS,
    displacement_field,
    refuse_inside,
)
from wakesim.validation.quantities.inputs import (
    body_of,
    choice,
    condition,
    flag,
    number,
    refuse,
)
from wakesim.vehicle.pressure import pulse_pressure

STANDARD_DENSITY_KG_M3 = 1.225
_REACH_M = 40.0
_FINE_GAPS = 3.0  # of the distance to the body, about nose and tail
_SIGNS = ("positive", "negative", "absolute")
_PARTS = ("nose", "tail", "whole")

OPTIONS = {
    **FIELD_OPTIONS,
    "wall": "a rigid vertical wall stands at lateral_m, and the pressure is on it (default false)",
    "part": "stretch of the pass: 'nose', 'tail' or 'whole' (default): halves of the body and "
    f"{_REACH_M:g} m beyond",
    "heights_m": "list of heights, m; the largest over them replaces the condition height_m",
    "height_m": "condition: height above the road, m",
    "surface_factor": "factor on the pressure for a face that the free field meets, 1 to 2 "
    "(default 1); 2 is a large rigid face",
}
PEAK_OPTIONS = {
    **OPTIONS,
    "sign": "'positive' (default), 'negative' or 'absolute' peak",
    "reference_lateral_m": "divide by the value at this distance, m, so that only the decay shows",
}
PULSE_OPTIONS = {**OPTIONS, "density_kg_m3": "air density, 0.5 to 2 (default 1.225)"}


def _heights(c: Comparison) -> list[Array]:
    """Heights (k,) of every point, m."""
    listed = c.options.get("heights_m")
    if listed is None:
        return [np.array([h]) for h in condition(c, "height_m", 0.0, 100.0)]
    numbers = isinstance(listed, (list, tuple)) and len(listed) > 0
    if not numbers or not all(_is_height(value) for value in listed):
        raise refuse(c, "options.heights_m", listed, "must be a list of heights, 0 to 100 m")
    return [np.array(listed, dtype=np.float64)] * c.measured.size


def _is_height(value: object) -> bool:
    plain = isinstance(value, (int, float)) and not isinstance(value, bool)
    return plain and 0.0 <= float(value) <= 100.0  # type: ignore[arg-type]


def _line(c: Comparison, lateral: float, heights: Array) -> Array:
    """Positions X (m,) of the asked stretch, fine near nose and tail where the peaks are."""
    body = body_of(c)
    aside = max(abs(lateral) - 0.5 * body.width_m, 0.0)
    above = max(float(heights.min()) - body.height_m, 0.0)
    gap = float(np.clip(math.hypot(aside, above), 0.2, 2.5))
    part = choice(c, "part", "whole", _PARTS)
    middle = -0.5 * body.length_m
    first = middle if part == "nose" else -body.length_m - _REACH_M
    last = middle if part == "tail" else _REACH_M
    ends = (0.0, -body.length_m)
    fine = [np.arange(end - _FINE_GAPS * gap, end + _FINE_GAPS * gap, 0.1 * gap) for end in ends]
    x = np.unique(np.concatenate([*fine, np.arange(first, last, gap)]))
    return np.asarray(x[(x >= first) & (x <= last)])


def pressure_coefficients(c: Comparison) -> list[Array]:
    """Pressure coefficient (k, m) of every point: heights times positions along the pass."""
    lateral = condition(c, "lateral_m", -1e3, 1e3)
    return [_coefficient(c, float(y), z) for y, z in zip(lateral, _heights(c), strict=True)]


def _coefficient(c: Comparison, lateral: float, heights: Array) -> Array:
    factor = number(c, "surface_factor", 1.0, 1.0, 2.0, "") or 1.0
    field = displacement_field(c, lateral if flag(c, "wall", False) else None)
    z, along = np.meshgrid(heights, _line(c, lateral, heights), indexing="ij")
    points = np.column_stack([along.ravel(), np.full(z.size, lateral), z.ravel()])
    refuse_inside(c, points)
    pressure = pulse_pressure(field(points), 1.0, 1.0) / 0.5
    return np.asarray(factor * pressure.reshape(z.shape))


def peak_pressure_coefficient(c: Comparison) -> Array:
    """Peak of p / (1/2 rho V^2) during a pass, (n,); a negative peak is below zero."""
    sign = choice(c, "sign", "positive", _SIGNS)
    pick = {"positive": np.max, "negative": np.min, "absolute": lambda p: np.max(np.abs(p))}[sign]
    values = np.array([float(pick(p)) for p in pressure_coefficients(c)])
    reference = number(c, "reference_lateral_m", None, -1e3, 1e3, "m")
    if reference is None:
        return values
    found = {z.tobytes(): z for z in _heights(c)}
    by = {key: float(pick(_coefficient(c, reference, z))) for key, z in found.items()}
    return values / np.array([by[z.tobytes()] for z in _heights(c)])


def pressure_peak_to_peak(c: Comparison) -> Array:
    """Largest minus smallest pressure of a pass at one height, Pa, (n,); largest over heights."""
    density = number(c, "density_kg_m3", STANDARD_DENSITY_KG_M3, 0.5, 2.0, "kg/m³") or 0.0
    speed = condition(c, "speed_m_s", 0.1, 200.0, "m/s")
    swing = np.array([float(np.ptp(p, axis=1).max()) for p in pressure_coefficients(c)])
    return 0.5 * density * speed**2 * swing


def pressure_peak(c: Comparison) -> Array:
    """Largest size of the pressure during a pass, Pa, (n,)."""
    density = number(c, "density_kg_m3", STANDARD_DENSITY_KG_M3, 0.5, 2.0, "kg/m³") or 0.0
    speed = condition(c, "speed_m_s", 0.1, 200.0, "m/s")
    peak = np.array([float(np.abs(p).max()) for p in pressure_coefficients(c)])
    return 0.5 * density * speed**2 * peak


QUANTITIES: tuple[Quantity, ...] = (
    Quantity(
        "peak_pressure_coefficient", "1", "peak pressure over 1/2 rho V^2 at a distance from the "
        "centreline, beside the body, on a wall or above", ("lateral_m",), PEAK_OPTIONS,
        peak_pressure_coefficient, True,
    ),
    Quantity(
        "pressure_peak_to_peak", "Pa", "swing of the pressure pulse of a pass",
        ("lateral_m", "speed_m_s"), PULSE_OPTIONS, pressure_peak_to_peak, True,
    ),
    Quantity(
        "pressure_peak", "Pa", "largest size of the pressure during a pass",
        ("lateral_m", "speed_m_s"), PULSE_OPTIONS, pressure_peak, True,
    ),
)  # fmt: skip
