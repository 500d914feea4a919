"""The sustained drift at a mount: what many wakes leave behind, hour by hour.

Wakes are followed one by one up to the wake memory; what is left of them then is the source of a
background flow, carried on by the momentum balance of the cross-section (wakesim.air.drift). The
background is linear in its sources, so one factorisation serves all hours; only the drag, reduced
by the air that already moves along, is not linear: the drag of class k in its lane is multiplied by

    r_k = (1 - U_k/V_k) |1 - U_k/V_k|,

U_k the mean along-road air speed where it drives, half its height above the road: background plus
the mean of the followed wakes (Campbell 1909). Each hour is taken as steady; how fast the drift
follows a change of traffic is in ``settling_time``, typically under ten minutes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wakesim.air.crossflow import Barrier
from wakesim.air.drift import DriftField, DriftModel, drag_factor, reduced_drift
from wakesim.air.grid import CrossSectionGrid
from wakesim.air.profiles import ambient_velocity
from wakesim.air.traffic_turbulence import diffusivity_profile
from wakesim.measures.series import Scene
from wakesim.traffic.handover import distance_blown, velocity_left
from wakesim.traffic.lines import FieldSettings

Array = NDArray[np.float64]

_FINE_M, _COARSE_M = 0.3, 0.6
_REACH_M, _HEIGHT_M = 150.0, 100.0
_LEAST_DIFFUSIVITY = 1e-3  # m2/s, keeps the balance regular where nothing mixes
_NO_DRIFT_M_S = 1e-4
_SETTLING_STEP_S, _SETTLING_STEPS = 20.0, 180


@dataclass(frozen=True)
class Background:
    """Drift of every hour of the round, and the drag it leaves.

    ``by_class`` (hours, classes, 9) m/s at the rotor's points; ``drag_factor`` (hours, sights);
    ``lane_speed`` (hours, sights) m/s, the mean air speed along each sight's travel direction.
    ``field``: the drift of the round's mean traffic over the cross-section, None without drift.
    ``balance``: where the drag handed to the drift goes, m3/s2, each direction of traffic counted
    along its own way (opposite directions would hide each other).
    """

    by_class: Array
    drag_factor: Array
    lane_speed: Array
    field: DriftField | None
    balance: dict[str, float]


def without_drift(scene: Scene) -> Background:
    """A background that is still, with the full drag."""
    hours, sights = len(scene.case.compute.hours), len(scene.sights)
    classes, points = len(scene.case.vehicles), len(scene.points)
    return Background(
        np.zeros((hours, classes, points)), np.ones((hours, sights)), np.zeros((hours, sights)),
        None, {},
    )  # fmt: skip


def background(scene: Scene, settings: FieldSettings, *, coarse: bool = False) -> Background:
    """Drift at the rotor's points of a scene. ``coarse``: a quarter of the cells, for variants."""
    drift = scene.case.air.drift
    if not drift.enabled:
        return without_drift(scene)
    model = drift_model(scene, settings, _COARSE_M if coarse else _FINE_M)
    grid, wall = model.grid, scene.mount.wall_offset_m
    left = np.array([velocity_left(s, settings, wall, grid.y, grid.z) for s in scene.sights])
    if wall is not None:  # beyond it the image of the wake is no air of this road
        beyond = np.sign(grid.y - wall) != np.sign(scene.mount.offset_m - wall)
        left[:, beyond] = 0.0
    response = model.responses(left).reshape(len(scene.sights), -1).T  # (cells, sights)
    at_points = model.weights(scene.points[:, 0], scene.points[:, 1]) @ response

    direction = np.array([s.direction for s in scene.sights])
    places = np.array([(s.lane_centre_m, 0.5 * s.vehicle.height_m) for s in scene.sights])
    blown = np.array([distance_blown(s, settings, wall, places) for s in scene.sights]).T
    met = direction[:, None] * (model.weights(places[:, 0], places[:, 1]) @ response + blown)

    rates = scene.rates_per_s
    speed = np.array([s.mean_speed_m_s for s in scene.sights])
    factor = np.array([drag_factor(reduced_drift(met * rate, speed), speed) for rate in rates])
    acting = rates * factor
    vehicle = np.array([vehicle for _, vehicle in scene.keys])
    by_class = np.zeros((len(rates), len(scene.case.vehicles), len(scene.points)))
    for k, number in enumerate(vehicle):
        by_class[:, number] += acting[:, [k]] * at_points[:, k]
    mean = acting.mean(axis=0)

    def drift_of(strength: Array) -> DriftField:
        speed_field = (response @ strength).reshape(grid.shape)
        return DriftField(model, speed_field, np.tensordot(strength, left, axes=1))

    balance = drift_of(mean * direction).balance
    return Background(by_class, factor, acting @ met.T, drift_of(mean), balance)


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
    final = float(field.at(mount.offset_m, mount.height_m))
    if abs(final) < _NO_DRIFT_M_S:
        return float("nan")
    reached = march.at(mount.offset_m, mount.height_m) / final
    late = np.flatnonzero(reached < 0.9)
    return float(march.time_s[late[-1] + 1]) if late[-1] + 1 < reached.size else float("inf")


def drift_model(scene: Scene, settings: FieldSettings, finest_m: float) -> DriftModel:
    """Momentum balance of the scene's cross-section: grid, mixing, crosswind, friction, wall."""
    case, wall = scene.case, scene.mount.wall_offset_m
    barriers = [] if wall is None else [(wall, _HEIGHT_M)]
    lanes = [lane.centre_m for lane in case.road.lanes]
    grid = CrossSectionGrid.around(
        lanes, scene.points, _REACH_M, _HEIGHT_M, finest_m, barriers=barriers
    )

    def diffusivity(y: Array, z: Array) -> Array:
        mixing = diffusivity_profile(
            z, settings.diffusivity_m2_s, scene.mixing_length_m, scene.friction_velocity_m_s
        )
        return np.broadcast_to(np.maximum(mixing, _LEAST_DIFFUSIVITY), np.shape(y + z))

    drift = case.air.drift
    roughness = np.full(grid.y.size, drift.roughness_verge_m * settings.roughness_factor)
    for way in case.road.carriageways:
        low, high = way.paved_m
        paved = (grid.y > low) & (grid.y < high)
        roughness[paved] = drift.roughness_road_m * settings.roughness_factor
    return DriftModel(
        grid,
        diffusivity,
        lambda z: ambient_velocity(case.air.wind, z)[1] + settings.extra_crosswind_m_s,
        np.minimum(roughness, 0.5 * grid.z[0]),
        [Barrier(y, height) for y, height in barriers],
    )
