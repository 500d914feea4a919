"""Indicative loads of passing vehicles on a rotor and its post: no design values.

Pressure of the pulse: p = rho (V u_x - |u|^2/2) in the road's frame, at the
centre of the swept rectangle as if nothing stood there. Drag of the air on what stands there:
F = 1/2 rho (C_d A) |u| u with the horizontal velocity u of the pass, turbulence added as two
standard deviations along the road. Each pass is one cycle of load; a year's count is the rate times
the year. Dynamic pressure 1/2 rho u^2 stands beside that of an ambient gust: at most places the
storm is the larger load and the traffic the more frequent one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from wakesim import constants
from wakesim.arrays import Array
from wakesim.case.mounts import Mount
from wakesim.energy.bounds import HOURS_A_YEAR
from wakesim.measures.results import Signature
from wakesim.traffic.lines import FieldSettings, LaneView, air_relative_speed
from wakesim.vehicle.passfield import pass_field, pulse_pressure

AMBIENT_GUST_M_S = constants.AMBIENT_GUST_M_S.value
DRAG_AREA_SHARE = constants.ROTOR_DRAG_AREA_SHARE.value  # C_d A of rotor and post over swept area
TURBULENT_SDS = 2.0


@dataclass(frozen=True)
class PassLoad:
    """Load of one pass of a class in a lane; pressures in Pa, force in N, (n,) over ``time_s``.

    ``force_n`` is along the road, ``side_force_n`` across it, on the drag area C_d A.
    ``cycles_a_year`` counts the passes of this class in this lane.
    """

    vehicle: str
    lane: str
    time_s: Array
    pressure_pa: Array
    force_n: Array
    side_force_n: Array
    cycles_a_year: float
    drag_area_m2: float

    @property
    def peak_pressure_pa(self) -> float:
        """Peak to peak of the pulse pressure."""
        return float(np.ptp(self.pressure_pa))

    @property
    def peak_force_n(self) -> float:
        """Largest horizontal force."""
        return float(np.hypot(self.force_n, self.side_force_n).max())

    @property
    def peak_dynamic_pressure_pa(self) -> float:
        """Largest dynamic pressure of the moving air."""
        return self.peak_force_n / self.drag_area_m2


def pressure_history(
    view: LaneView, mount: Mount, settings: FieldSettings, density_kg_m3: float, time_s: ArrayLike
) -> Array:
    """Pressure of the pulse at the mount's centre, Pa, at times (n,) from the nose's passing."""
    time = np.asarray(time_s, dtype=np.float64)
    direction = view.direction
    wall = mount.wall_offset_m
    speed = view.mean_speed_m_s
    relative = float(air_relative_speed(speed, direction, view.wind_along_m_s))
    field = pass_field(
        view.vehicle,
        constants=settings.constants,
        open_tail=settings.open_tail,
        wall_lateral_m=None if wall is None else direction * (wall - view.lane_centre_m),
    )
    lateral = direction * (mount.offset_m - view.lane_centre_m)
    points = np.column_stack(
        [-speed * time, np.full(time.size, lateral), np.full(time.size, mount.height_m)]
    )
    return pulse_pressure(field.displacement(points), relative, density_kg_m3)


def pass_load(
    signature: Signature,
    pressure_pa: Array,
    drag_area_m2: float,
    density_kg_m3: float,
    passes_per_s: float,
) -> PassLoad:
    """Load history of a signature. Raises ValueError for a drag area that is not positive."""
    if not drag_area_m2 > 0.0:
        raise ValueError("the drag area must be above 0 m2")
    along = signature.u_m_s + np.copysign(TURBULENT_SDS * signature.sigma_m_s, signature.u_m_s)
    magnitude = np.hypot(along, signature.v_m_s)
    push = 0.5 * density_kg_m3 * drag_area_m2 * magnitude
    return PassLoad(
        vehicle=signature.vehicle,
        lane=signature.lane,
        time_s=signature.time_s,
        pressure_pa=pressure_pa,
        force_n=push * along,
        side_force_n=push * signature.v_m_s,
        cycles_a_year=passes_per_s * 3600.0 * HOURS_A_YEAR,
        drag_area_m2=drag_area_m2,
    )


def cycles_above(loads: Sequence[PassLoad], thresholds_n: ArrayLike) -> Array:
    """Passes a year whose largest force exceeds each threshold, (k,)."""
    peak = np.array([load.peak_force_n for load in loads])
    count = np.array([load.cycles_a_year for load in loads])
    return np.array([float(count[peak > t].sum()) for t in np.atleast_1d(thresholds_n)])


def dynamic_pressure(speed_m_s: float, density_kg_m3: float) -> float:
    """1/2 rho v^2, Pa."""
    return 0.5 * density_kg_m3 * speed_m_s**2
