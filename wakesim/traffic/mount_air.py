"""The mean air of the traffic at a mount: drift, background turbulence and the drag it leaves.

``traffic.mean_air`` gives them for every hour; here they are placed at the rotor's points and
shared among the classes. Each hour is taken as steady; how fast the drift follows a change of
traffic is in ``settling_time``, typically under ten minutes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wakesim.arrays import Array
from wakesim.section.drift import DriftField
from wakesim.traffic.lines import FieldSettings
from wakesim.traffic.mean_air import MeanAir, prepare_wakes, road_air
from wakesim.traffic.scene import Scene, field_settings

_NO_DRIFT_M_S = 1e-4
_SETTLING_STEP_S, _SETTLING_STEPS = 20.0, 180


@dataclass(frozen=True)
class MountAir:
    """Mean air of every hour of the round at the rotor's points, and the drag it leaves.

    ``by_class`` (hours, classes, 9) m/s: drift that each class makes; ``energy_by_class`` the same
    of the background's turbulent energy, m2/s2; ``drag_factor`` (hours, views); ``lane_speed``
    (hours, views) m/s, the mean air speed along each view's way where it drives; ``viscosity``
    (n,) m2/s around the wakes, ``memory_s`` (n,), how long these are followed, and ``level``
    (hours,), which of them holds in an hour. ``field``:
    the mean air of the round's mean traffic over the cross-section, None without drift.
    ``balance``: where the drag goes, m3/s2, each direction of traffic counted along its own way
    (opposite directions would hide each other).
    """

    by_class: Array
    energy_by_class: Array
    drag_factor: Array
    lane_speed: Array
    viscosity: Array
    memory_s: Array
    level: NDArray[np.int64]
    field: DriftField | None
    balance: dict[str, float]
    air: MeanAir | None = None

    @property
    def mean_viscosity_m2_s(self) -> float:
        """Eddy viscosity around the wakes, mean over the hours, m2/s."""
        return float(self.viscosity[self.level].mean())


def still_mount_air(scene: Scene, settings: FieldSettings | None = None) -> MountAir:
    """A background that is still, with the full drag."""
    hours, views = len(scene.case.compute.hours), len(scene.views)
    classes, points = len(scene.case.vehicles), len(scene.points)
    settings = field_settings(scene.case) if settings is None else settings
    own, memory = settings.own_diffusivity_m2_s, settings.wake_memory_s
    none = np.zeros((hours, classes, points))
    return MountAir(
        none, none.copy(), np.ones((hours, views)), np.zeros((hours, views)),
        np.array([own or 0.0]), np.array([memory]), np.zeros(hours, dtype=np.int64), None, {},
    )  # fmt: skip


def mount_air(scene: Scene, settings: FieldSettings, *, coarse: bool = False) -> MountAir:
    """Mean air at the rotor's points of a scene. ``coarse``: a third of the cells, for variants."""
    if not scene.case.air.drift.enabled or not scene.views:
        return still_mount_air(scene, settings)
    air = road_air(
        scene.case, scene.views, scene.rates_per_s, settings, scene.mount.wall_offset_m,
        coarse=coarse,
    )  # fmt: skip
    levels, memory, number = air.levels
    prepare_wakes(scene.views, settings, [float(v) for v in levels])
    drift, energy = air.beyond_wakes(scene.points)
    by_class = np.zeros((len(number), len(scene.case.vehicles), len(scene.points)))
    energy_by_class = np.zeros_like(by_class)
    for k, (_, vehicle) in enumerate(scene.keys):
        by_class[:, vehicle] += drift[:, k]
        energy_by_class[:, vehicle] += energy[:, k]
    return MountAir(
        by_class, energy_by_class, air.factor, air.lane_speed(), levels, memory, number,
        air.mean_field(), air.balance(), air,
    )  # fmt: skip


def settling_time(scene: Scene, air: MountAir) -> float:
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
