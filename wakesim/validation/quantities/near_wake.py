"""Near wake of a body on its centre plane: peaks of deficit and turbulence, recirculation length.

In a tunnel the body stands still and the mean velocity is U; here the air stands still and u is
the along-road velocity of the air over the body's speed, so that the deficit 1 - U/U_0 is u. The
flow in the tunnel reverses where u > 1: the recirculation length is the distance behind the tail at
which u falls below 1 for the last time.

Peaks are taken over height on the plane ``lateral_m`` (the centre plane by default), as a traverse
in a tunnel would, at the distances the comparison gives. The laws are those of ``flow/wake.py``.
"""

from __future__ import annotations

import numpy as np

from wakesim.validation.comparison import Array, Comparison, Quantity
from wakesim.validation.quantities.bodies import WAKE_OPTIONS, new_field, wake_constants, wake_of
from wakesim.validation.quantities.inputs import (
    SMALLEST,
    body_of,
    choice,
    condition,
    flag,
    setting,
)
from wakesim.vehicle.wake import SHARE_U

PEAK_OPTIONS = {
    **WAKE_OPTIONS,
    "lateral_m": "distance of the traversed plane from the centre plane, default 0",
    "highest_m": "top of the traverse, default twice the height of the body above the ground",
}
_HEIGHTS = 600  # in a traverse
_DISTANCES = 3000  # in a search for the end of the reversed flow
_LONGEST_HEIGHTS = 12.0  # searched for reversed flow


def _traverse(c: Comparison) -> tuple[Array, float, Array]:
    """Distances behind the tail (n,), lateral position and heights of the traverses, m."""
    body = body_of(c)
    behind = condition(c, "behind_m", SMALLEST)
    lateral = setting(c, "lateral_m", 0.0, -20.0, 20.0, "m")
    top = setting(c, "highest_m", 2.0 * body.height_m, 0.1 * body.height_m, 40.0, "m")
    return behind, lateral, np.linspace(0.0, top, _HEIGHTS + 1)[1:]


def peak_deficit(c: Comparison) -> Array:
    """Largest velocity deficit over the traverse at each distance, over the body's speed, (n,).

    With the option ``with_displacement`` the displacement flow of the open tail is added to the
    wake, as in the pass field that a mount sees.
    """
    behind, lateral, z = _traverse(c)
    wake = wake_of(c).velocity(behind[:, None], lateral, z)
    if flag(c, "with_displacement", False):
        field = new_field(body_of(c), wake_constants(c), nose_radius_m=c.nose_radius_m)
        x, up = np.meshgrid(-body_of(c).length_m - behind, z, indexing="ij")
        points = np.column_stack([x.ravel(), np.full(x.size, lateral), up.ravel()])
        wake = wake + field.displacement(points)[:, 0].reshape(wake.shape)
    return wake.max(axis=1)


def peak_turbulent_energy(c: Comparison) -> Array:
    """Largest turbulent kinetic energy over the traverse, over the body's speed squared, (n,)."""
    behind, lateral, z = _traverse(c)
    return wake_of(c).turbulence(behind[:, None], lateral, z).max(axis=1)


def peak_u_rms(c: Comparison) -> Array:
    """Largest along-stream rms over the traverse, over the body's speed, (n,)."""
    return np.sqrt(2.0 * SHARE_U * peak_turbulent_energy(c))


def recirculation_length(c: Comparison) -> Array:
    """Length of the reversed flow behind the tail over the height of the body itself, (n,).

    The height of the body is its own, without the clearance, as wind-tunnel figures take it. With
    ``where = "mid_height"`` the reversal on the axis counts, with "anywhere" that on any height.
    """
    body = body_of(c)
    where = choice(c, "where", "anywhere", ("anywhere", "mid_height"))
    own_height = body.height_m - body.clearance_m
    mid = 0.5 * (body.height_m + body.clearance_m)
    z = np.array([mid])
    if where == "anywhere":
        z = np.append(np.linspace(0.0, body.height_m, _HEIGHTS + 1)[1:], mid)
    x = np.linspace(0.0, _LONGEST_HEIGHTS * own_height, _DISTANCES + 1)[1:]
    u = wake_of(c).velocity(x[:, None], 0.0, z).max(axis=1)
    return np.full(c.size, _last_above_one(x, u) / own_height)


def _last_above_one(x: Array, u: Array) -> float:
    """Where u falls below 1 for the last time, by linear interpolation; 0 when it never is above.

    Values within 1e-9 of 1 count as above it, for at the bubble's end the peak is 1 by definition.
    """
    above = np.flatnonzero(u >= 1.0 - 1e-9)
    if above.size == 0:
        return 0.0
    last = int(above[-1])
    if last + 1 == x.size:
        return float(x[last])
    fall = (u[last] - 1.0) / (u[last] - u[last + 1])
    return float(x[last] + np.clip(fall, 0.0, 1.0) * (x[last + 1] - x[last]))


QUANTITIES = (
    Quantity(
        name="near_wake_peak_deficit",
        unit="1",
        summary="largest velocity deficit 1 - U/U0 over height at a distance behind the tail",
        needs=("behind_m",),
        optional={
            **PEAK_OPTIONS,
            "with_displacement": "add the displacement flow of the open tail, default false",
        },
        function=peak_deficit,
        body=True,
    ),
    Quantity(
        name="near_wake_peak_turbulent_energy",
        unit="1",
        summary="largest turbulent kinetic energy over U0^2 over height behind the tail",
        needs=("behind_m",),
        optional=PEAK_OPTIONS,
        function=peak_turbulent_energy,
        body=True,
    ),
    Quantity(
        name="near_wake_peak_u_rms",
        unit="1",
        summary="largest along-stream rms over U0 over height behind the tail",
        needs=("behind_m",),
        optional=PEAK_OPTIONS,
        function=peak_u_rms,
        body=True,
    ),
    Quantity(
        name="recirculation_length",
        unit="1",
        summary="length of the reversed flow behind the tail over the body's own height",
        needs=(),
        optional={**WAKE_OPTIONS, "where": "anywhere (default) or mid_height"},
        function=recirculation_length,
        body=True,
    ),
)
