"""The mean air of the traffic at a mount: drift, background turbulence and the drag it leaves.

``traffic.mean_air`` gives them for every hour; here they are placed at the rotor's points and
shared among the classes. Each hour is taken as steady; how fast the drift follows a change of
traffic is in ``settling_time``, typically under ten minutes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wakesim import constants
from wakesim.arrays import Array
from wakesim.case.schema import Case
from wakesim.measures.series import Scene, wind_friction_velocity
from wakesim.section.drift import SINKS, DriftField
from wakesim.section.road import RoadState
from wakesim.traffic.lines import FieldSettings, LaneView
from wakesim.traffic.mean_air import REACH_M, MeanAir, mean_air, prepare_wakes, road_section

_NO_DRIFT_M_S = 1e-4
_SETTLING_STEP_S, _SETTLING_STEPS = 20.0, 180


@dataclass(frozen=True)
class Background:
    """Mean air of every hour of the round at the rotor's points, and the drag it leaves.

    ``by_class`` (hours, classes, 9) m/s: drift that each class makes; ``energy_by_class`` the same
    of the background's turbulent energy, m2/s2; ``drag_factor`` (hours, views); ``lane_speed``
    (hours, views) m/s, the mean air speed along each view's way where it drives; ``viscosity``
    (n,) m2/s around the wakes and ``level`` (hours,), which of them holds in an hour. ``field``:
    the mean air of the round's mean traffic over the cross-section, None without drift.
    ``balance``: where the drag goes, m3/s2, each direction of traffic counted along its own way
    (opposite directions would hide each other).
    """

    by_class: Array
    energy_by_class: Array
    drag_factor: Array
    lane_speed: Array
    viscosity: Array
    level: NDArray[np.int64]
    field: DriftField | None
    balance: dict[str, float]
    air: MeanAir | None = None

    @property
    def mean_viscosity_m2_s(self) -> float:
        """Eddy viscosity around the wakes, mean over the hours, m2/s."""
        return float(self.viscosity[self.level].mean())


def without_drift(scene: Scene, settings: FieldSettings | None = None) -> Background:
    """A background that is still, with the full drag."""
    hours, views = len(scene.case.compute.hours), len(scene.views)
    classes, points = len(scene.case.vehicles), len(scene.points)
    own = settings.own_diffusivity_m2_s if settings is not None else None
    none = np.zeros((hours, classes, points))
    return Background(
        none, none.copy(), np.ones((hours, views)), np.zeros((hours, views)),
        np.array([own or 0.0]), np.zeros(hours, dtype=np.int64), None, {},
    )  # fmt: skip


def background(scene: Scene, settings: FieldSettings, *, coarse: bool = False) -> Background:
    """Mean air at the rotor's points of a scene. ``coarse``: a third of the cells, for variants."""
    if not scene.case.air.drift.enabled or not scene.views:
        return without_drift(scene, settings)
    air = air_of(
        scene.case, scene.views, scene.rates_per_s, settings, scene.mount.wall_offset_m,
        coarse=coarse,
    )  # fmt: skip
    levels, number = air.levels
    prepare_wakes(scene.views, settings, [float(v) for v in levels])
    drift, energy = air.background(scene.points)
    by_class = np.zeros((len(number), len(scene.case.vehicles), len(scene.points)))
    energy_by_class = np.zeros_like(by_class)
    for k, (_, vehicle) in enumerate(scene.keys):
        by_class[:, vehicle] += drift[:, k]
        energy_by_class[:, vehicle] += energy[:, k]
    return Background(
        by_class, energy_by_class, air.factor, air.lane_speed(), levels, number,
        air.mean_field(), air.balance(), air,
    )  # fmt: skip


def _friction_velocity(case: Case) -> float:
    """Of the wind and of what moves in still air, m/s."""
    return math.hypot(wind_friction_velocity(case), constants.RESIDUAL_FRICTION_VELOCITY_M_S.value)


_KEPT: dict[tuple[object, ...], MeanAir] = {}
_KEPT_MOST = 4


def air_of(
    case: Case,
    views: tuple[LaneView, ...],
    rates_per_s: Array,
    settings: FieldSettings,
    wall_y_m: float | None,
    *,
    reach_m: float = 0.0,
    coarse: bool = False,
    start: RoadState | None = None,
) -> MeanAir:
    """Mean air of a case's road; the last few are kept, for they serve all its mounts.

    ``reach_m``: how far beyond the outermost lane points lie. ``start``: the state of air like it
    on the same grid, to be warm from; then nothing is kept.
    """
    reach = REACH_M + 50.0 * np.ceil(max(reach_m - 0.3 * REACH_M, 0.0) / 50.0)
    points = np.array([(m.offset_m, m.height_m) for m in case.mounts]).reshape(-1, 2)
    key = (
        views, rates_per_s.tobytes(), settings, wall_y_m, repr(case.road), repr(case.air),
        points.tobytes(), float(reach), coarse,
    )  # fmt: skip
    if start is not None or key not in _KEPT:
        prepare_wakes(views, settings)
        section = road_section(
            case, settings, points, wall_y_m, _friction_velocity(case), coarse=coarse,
            reach_m=float(reach),
        )  # fmt: skip
        middle = float(np.mean([lane.centre_m for lane in case.road.lanes]))
        made = mean_air(section, views, rates_per_s, settings, wall_y_m, middle, start)
        if start is not None:
            return made
        while len(_KEPT) >= _KEPT_MOST:
            _KEPT.pop(next(iter(_KEPT)))
        _KEPT[key] = made
    return _KEPT[key]


def settling_time(scene: Scene, air: Background) -> float:
    """Time, s, until the drift at the mount stays above 90 % after traffic sets in.

    From the unsteady balance, from rest with the round's mean traffic; infinite beyond an hour,
    NaN without drift there.
    """
    if air.field is None:
        return float("nan")
    mount, field = scene.mount, air.field
    march = field.model.march(
        np.zeros(field.speed.shape), lambda t: field.source, _SETTLING_STEP_S, _SETTLING_STEPS
    )
    final = float(march.at(mount.offset_m, mount.height_m)[-1])
    if abs(final) < _NO_DRIFT_M_S:
        return float("nan")
    reached = march.at(mount.offset_m, mount.height_m) / final
    late = np.flatnonzero(reached < 0.9)
    return float(march.time_s[late[-1] + 1]) if late[-1] + 1 < reached.size else float("inf")


__all__ = ["SINKS", "Background", "background", "settling_time", "without_drift"]
