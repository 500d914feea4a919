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

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wakesim.air.crossflow import Barrier
from wakesim.air.drift import DriftField, DriftModel, drag_factor, reduced_drift
from wakesim.air.grid import CrossSectionGrid
from wakesim.air.profiles import ambient_velocity
from wakesim.air.traffic_turbulence import diffusivity_profile
from wakesim.case.schema import Case
from wakesim.measures.series import Scene
from wakesim.traffic.handover import distance_blown, velocity_left
from wakesim.traffic.lines import FieldSettings, Sight

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
    if not scene.case.air.drift.enabled or not scene.sights:
        return without_drift(scene)
    model = drift_model(scene, settings, _COARSE_M if coarse else _FINE_M)
    wall = scene.mount.wall_offset_m
    found = lane_drift(model, scene.sights, settings, wall, scene.mount.offset_m)
    left, response, met = found.left, found.response, found.met
    at_points = model.weights(scene.points[:, 0], scene.points[:, 1]) @ response
    direction = np.array([s.direction for s in scene.sights])

    rates = scene.rates_per_s
    factor = reduced_drag(met, rates, scene.sights)
    acting = rates * factor
    vehicle = np.array([vehicle for _, vehicle in scene.keys])
    by_class = np.zeros((len(rates), len(scene.case.vehicles), len(scene.points)))
    for k, number in enumerate(vehicle):
        by_class[:, number] += acting[:, [k]] * at_points[:, k]
    mean = acting.mean(axis=0)

    def drift_of(strength: Array) -> DriftField:
        speed_field = (response @ strength).reshape(model.grid.shape)
        return DriftField(model, speed_field, np.tensordot(strength, left, axes=1))

    balance = drift_of(mean * direction).balance
    return Background(by_class, factor, acting @ met.T, drift_of(mean), balance)


@dataclass(frozen=True)
class LaneDrift:
    """What one pass a second of each sight makes, with its full drag.

    ``left`` (sights, ny, nz) m/s handed to the background; ``response`` (cells, sights) m/s, the
    drift; ``met`` (sights, sights) m/s, the mean air speed along sight j's way, where it drives,
    that sight k makes: drift and followed wakes.
    """

    model: DriftModel
    left: Array
    response: Array
    met: Array


def lane_drift(
    model: DriftModel,
    sights: Sequence[Sight],
    settings: FieldSettings,
    wall_y_m: float | None,
    side_y_m: float,
) -> LaneDrift:
    """Drift of every sight in a cross-section, for any traffic and any points.

    ``side_y_m``: a y on the road's side of the wall. The drift at points is
    ``model.weights(y, z) @ response`` times rates and drag factors.
    """
    grid = model.grid
    left = np.array([velocity_left(s, settings, wall_y_m, grid.y, grid.z) for s in sights])
    if wall_y_m is not None:  # beyond it the image of the wake is no air of this road
        beyond = np.sign(grid.y - wall_y_m) != np.sign(side_y_m - wall_y_m)
        left[:, beyond] = 0.0
    response = model.responses(left).reshape(len(sights), -1).T
    direction = np.array([s.direction for s in sights])
    places = np.array([(s.lane_centre_m, 0.5 * s.vehicle.height_m) for s in sights])
    blown = np.array([distance_blown(s, settings, wall_y_m, places) for s in sights]).T
    there = model.weights(places[:, 0], places[:, 1]) @ response
    return LaneDrift(model, left, response, direction[:, None] * (there + blown))


def reduced_drag(met: Array, rates_per_s: Array, sights: Sequence[Sight]) -> Array:
    """Drag factor (hours, sights) for rates (hours, sights), passes/s; ``met`` of LaneDrift."""
    speed = np.array([s.mean_speed_m_s for s in sights])
    return np.array([drag_factor(reduced_drift(met * rate, speed), speed) for rate in rates_per_s])


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
    return section_model(
        scene.case, settings, scene.points, scene.mount.wall_offset_m,
        scene.mixing_length_m, scene.friction_velocity_m_s, finest_m,
    )  # fmt: skip


def section_model(
    case: Case,
    settings: FieldSettings,
    points: Array,
    wall_y_m: float | None,
    mixing_length_m: float,
    friction_velocity_m_s: float,
    finest_m: float,
    reach_m: float = _REACH_M,
) -> DriftModel:
    """Momentum balance of a case's cross-section; the grid is fine around lanes and points (n, 2).

    ``reach_m``: from the outermost lane or point to the side.
    """
    barriers = [] if wall_y_m is None else [(wall_y_m, _HEIGHT_M)]
    lanes = [lane.centre_m for lane in case.road.lanes]
    grid = CrossSectionGrid.around(lanes, points, reach_m, _HEIGHT_M, finest_m, barriers=barriers)

    def diffusivity(y: Array, z: Array) -> Array:
        mixing = diffusivity_profile(
            z, settings.diffusivity_m2_s, mixing_length_m, friction_velocity_m_s
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
