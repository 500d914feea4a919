"""The separated tail: sinks along a closing bubble behind an open base.

A vehicle's base is no full sink. The air leaves the base area at the vehicle's speed and is taken
up along a bubble of length L_b whose section closes as S(s) = A_b (1 - (s/L_b)^2); all but the net
source Q = 1/2 C_D A_f per unit speed, the volume flux of the wake's displacement (Betz 1925).
Far from the vehicle the flow outside the wake is then that of the source Q over the road.
"""

from __future__ import annotations

import numpy as np

from wakesim.vehicle.hull import HullShape
from wakesim.vehicle.panels3d import SinkSheet

_SHEETS = 24


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
