"""Every vehicle of an hour in one nonlinear march of the road's cross-section.

The third route beside sampling and exact statistics, and the one they must meet: nothing is
superposed. Each vehicle adds, when its wake enters the balance, the section of its marched wake
(u, k, eps) to the air as it is then, with the drag that this air leaves it; in between the section
is marched with the closure. Left out are what superposition adds on top: the pulse of the hull and
the first few metres behind a vehicle.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wakesim.arrays import Array
from wakesim.case.schema import Case
from wakesim.section.closure import Closure
from wakesim.section.drift import drag_factor
from wakesim.section.road import RoadSection, RoadState, Sources
from wakesim.traffic.lines import FieldSettings
from wakesim.traffic.mean_air import MeanAir, closure_of, road_air
from wakesim.traffic.scene import case_views, draw_round, field_settings, one_hour
from wakesim.traffic.stream import Passes
from wakesim.traffic.superpose import view_table
from wakesim.vehicle.wake import SHARE_U, SHARE_V

RUN_IN_S = 900.0
_STEP_S = 0.1
_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(6)


@dataclass(frozen=True)
class HourMarch:
    """Time means over the hour: ``mean_u`` (ny, nz) m/s, ``sd_u`` of the mean flow, ``k`` m2/s2,
    ``viscosity`` m2/s and ``mean_cube`` m3/s3 (mean flow and normal turbulence of energy k
    together) on cells ``y`` (ny,), ``z`` (nz,), m. ``drag_factor``: mean over the vehicles.
    """

    y: Array
    z: Array
    mean_u: Array
    sd_u: Array
    k: Array
    viscosity: Array
    mean_cube: Array
    drag_factor: float
    passes: int

    @property
    def effective_speed_m_s(self) -> Array:
        """Root-mean-cube horizontal speed (ny, nz), m/s: the constant wind of the same energy."""
        return np.cbrt(self.mean_cube)

    def at(self, values: Array, y_m: float, z_m: float) -> float:
        """A field of this object, such as ``mean_u`` (ny, nz), at a point y, z, m: bilinear.

        Beyond the outermost cell centres, and so below the lowest, the value of the nearest.
        A mean cube, not its root, is what may be interpolated: cbrt(at(mean_cube, y, z)).
        """
        i = int(np.clip(np.searchsorted(self.y, y_m) - 1, 0, self.y.size - 2))
        j = int(np.clip(np.searchsorted(self.z, z_m) - 1, 0, self.z.size - 2))
        a = float(np.clip((y_m - self.y[i]) / (self.y[i + 1] - self.y[i]), 0.0, 1.0))
        b = float(np.clip((z_m - self.z[j]) / (self.z[j + 1] - self.z[j]), 0.0, 1.0))
        low = (1.0 - a) * values[i, j] + a * values[i + 1, j]
        return float(
            (1.0 - b) * low + b * ((1.0 - a) * values[i, j + 1] + a * values[i + 1, j + 1])
        )


def march_passes(
    section: RoadSection,
    sources: Sources,
    source_of: NDArray[np.int64],
    passes: Passes,
    along_m_s: Array,
    closure: Closure,
    start_s: float,
    end_s: float,
    begin: RoadState | None = None,
    step_s: float = _STEP_S,
    say: Callable[[float], None] = lambda share: None,
) -> HourMarch:
    """March all ``passes`` from their first to ``end_s``; statistics from ``start_s`` on.

    ``source_of`` (lanes, vehicles) numbers ``sources``; ``along_m_s`` (s,) ambient wind along each
    one's way. ``begin``: the air at the first pass, default still.
    """
    fields = section.at_rest()
    if begin is not None:
        for mine, given in zip(fields, (begin.u, begin.k, begin.eps), strict=False):
            mine[:] = given
    u, k, eps, _, viscosity = fields
    entry = np.maximum(sources.entry, 0.0)
    entry[:, 0] = sources.entry[:, 0]
    weight = section.entry_weight(sources)
    none = np.zeros_like(u)
    still = (none, none, none)
    sums = np.zeros((5, *u.shape))
    first = float(passes.time_s[0]) if len(passes) else start_s
    time, last, n, i, factors = min(first, start_s), 0.0, 0, 0, []
    whole = end_s - time
    while time < end_s:
        while i < len(passes) and passes.time_s[i] < time + step_s:
            s = source_of[passes.lane[i], passes.vehicle[i]]
            speed = max(passes.speed_m_s[i] - along_m_s[s], 1.0)
            own = float((weight[s] * u).sum()) * sources.direction[s]
            factor = float(drag_factor(np.array(own), np.array(speed))) * passes.wake_factor[i]
            factors.append(factor)
            u += sources.direction[s] * speed * factor * entry[s, 0]
            k += speed**2 * factor * entry[s, 1]
            eps += speed**3 * max(factor, 0.0) ** 1.5 * entry[s, 2]
            i += 1
        section.step(fields, still, last, step_s, closure)
        last, time = step_s, time + step_s
        if time >= start_s:
            sums += np.stack([u, u * u, k, viscosity, _cube(u, k)])
            n += 1
        if n % 200 == 0:
            say(1.0 - (end_s - time) / whole)
    mean = sums / max(n, 1)
    return HourMarch(
        section.grid.y, section.grid.z, mean[0], np.sqrt(np.maximum(mean[1] - mean[0] ** 2, 0.0)),
        mean[2], mean[3], mean[4], float(np.mean(factors)) if factors else 1.0, len(factors),
    )  # fmt: skip


def _cube(u: Array, k: Array) -> Array:
    """Mean cube of the horizontal speed of mean flow u and normal turbulence of energy k."""
    total = np.zeros_like(u)
    sd_u, sd_v = np.sqrt(2.0 * SHARE_U * k), np.sqrt(2.0 * SHARE_V * k)
    norm = float(_WEIGHTS.sum()) ** 2
    for a, wa in zip(_NODES, _WEIGHTS, strict=True):
        for b, wb in zip(_NODES[_NODES > 0.0], _WEIGHTS[_NODES > 0.0], strict=True):
            square = (u + a * sd_u) ** 2 + (b * sd_v) ** 2
            total += 2.0 * wa * wb / norm * square * np.sqrt(square)
    return total


def march_section(
    case: Case,
    hour: int,
    *,
    duration_s: float = 3600.0,
    run_in_s: float = RUN_IN_S,
    number: int = 0,
    say: Callable[[float], None] = lambda share: None,
) -> HourMarch:
    """Mean and statistics of u and k over the cross-section in a clock hour of a case.

    Takes the passes of round ``number``, ``run_in_s`` of traffic before the hour, and begins with
    the mean air of that traffic (``section.road``), so that the run-in need not fill the section
    from rest. About a minute of computing an hour on one core. ``number`` other than 0 draws other
    vehicles. The result's ``at(values, y, z)`` reads a field at a point. Raises ValueError for a
    case without traffic.
    """
    if case.traffic is None:
        raise ValueError("the case has no traffic")
    one = one_hour(case, hour)
    settings = field_settings(one)
    keys, views, _ = case_views(one, one.compute.hours)
    air = hour_air(one, settings)
    passes = draw_round(one, number, run_in_s)
    along = np.array([s.direction * s.wind_along_m_s for s in views])
    return march_passes(
        air.section, air.made, view_table(len(one.road.lanes), len(one.vehicles), keys), passes,
        along, closure_of(settings), 0.0, duration_s, air.states[0], say=say,
    )  # fmt: skip


def hour_air(one: Case, settings: FieldSettings) -> MeanAir:
    """Steady balance of a case of one hour."""
    _, views, rates = case_views(one, one.compute.hours)
    return road_air(one, views, rates, settings, one.mounts[0].wall_offset_m)
