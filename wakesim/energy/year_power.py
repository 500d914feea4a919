"""From the air of an hour to a rotor's mean power, for any hour of a year.

A rotor answers with its inertia and starts at its cut-in, so power needs more than moments. At a
few hours that stand for the year a stretch of traffic is walked past the rotor. Of each stretch the
rotor-equivalent speed v, as a v^b (``samples.with_moments`` does the same), goes through the
rotor's response for a grid of effective speeds and exponents b: a table of its mean power
coefficient. An hour takes the tables of the three stretches nearest to it, each at the hour's own
effective speed and at the b that gives the hour's own mean cube over cubed mean. So moments are
those of the hour, order and timing of gusts those of hours like it. Each table is kept for four
parts of its stretch, which shows how far the stretch's chance moves the year.

Without traffic the same is done with a stretch of wind alone, and the moments of a steady wind
with normal turbulence.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from wakesim.air.profiles import ambient_at
from wakesim.arrays import Array, Index
from wakesim.case.air import OPEN_LAND
from wakesim.case.mounts import Mount
from wakesim.case.schema import Case
from wakesim.energy import response
from wakesim.energy.hourly_power import CommonSample, first_round, rotor_of, seen_speed
from wakesim.energy.rotor import Rotor
from wakesim.measures import series
from wakesim.measures.model_interval import coarse
from wakesim.measures.places import rotor_moments
from wakesim.traffic.measure import Measure
from wakesim.traffic.mount_air import still_mount_air
from wakesim.traffic.scene import field_settings, prepare_scene, scene_lines
from wakesim.traffic.stationary import mean_cubes

STRETCHES = 8
PARTS = 4
_STRETCH_S = 480.0
_NEAREST = 3
_EXPONENTS = np.array([0.25, 0.5, 0.75, 1.0, 1.4, 2.0])
_SPEEDS_M_S = np.geomspace(0.25, 16.0, 26)
_INTENSITIES = np.linspace(0.0, 1.0, 11)
_STILL = 1e-6
_ROUNDING = 1e-12


@dataclass(frozen=True)
class ResponseTable:
    """Mean electrical power over the flux at the effective speed, of one stretch of air.

    ``coefficient`` (parts, speeds, exponents); ``peaked`` (exponents,): logarithm of the mean cube
    over the cubed mean, rising. ``turned``: effective speed that the rotor sees over that of the
    air (a shrouded rotor does not see all directions).
    """

    coefficient: Array
    peaked: Array
    turned: float

    def __call__(self, effective_m_s: Array, peaked: Array) -> Array:
        """Coefficient (parts, n) at effective speeds and logarithms of cube over cubed mean."""
        speed = np.log(np.clip(self.turned * effective_m_s, _SPEEDS_M_S[0], _SPEEDS_M_S[-1]))
        nodes = np.log(_SPEEDS_M_S)
        i, a = _place(nodes, speed)
        j, b = _place(self.peaked, np.clip(peaked, self.peaked[0], self.peaked[-1]))
        c = self.coefficient
        low = (1.0 - b) * c[:, i, j] + b * c[:, i, j + 1]
        high = (1.0 - b) * c[:, i + 1, j] + b * c[:, i + 1, j + 1]
        return np.asarray(((1.0 - a) * low + a * high) * self.turned**3)


def _place(nodes: Array, at: Array) -> tuple[Index, Array]:
    i = np.clip(np.searchsorted(nodes, at) - 1, 0, nodes.size - 2)
    return i, (at - nodes[i]) / (nodes[i + 1] - nodes[i])


def response_table(
    rotor: Rotor, air: Array, seen: Array, dt_s: float, density: float
) -> ResponseTable:
    """The table of a stretch of rotor-equivalent speed ``air`` (n,) m/s, of which the rotor sees
    ``seen`` (n,), sampled every ``dt_s``."""
    largest = float(seen.max(initial=0.0))
    whole = float(np.mean(air**3))
    if largest == 0.0 or whole == 0.0:
        flat = np.zeros((PARTS, _SPEEDS_M_S.size, _EXPONENTS.size))
        return ResponseTable(flat, np.arange(_EXPONENTS.size, dtype=np.float64), 0.0)
    log = np.log(np.maximum(seen / largest, _STILL))
    flux = 0.5 * density * rotor.area_m2
    coefficient = np.empty((PARTS, _SPEEDS_M_S.size, _EXPONENTS.size))
    peaked = np.empty(_EXPONENTS.size)
    for j, b in enumerate(_EXPONENTS):
        shape = np.exp(b * log)
        cube = float(np.mean(shape**3))
        peaked[j] = np.log(cube / np.mean(shape) ** 3)
        shape /= np.cbrt(cube)
        for i, speed in enumerate(_SPEEDS_M_S):
            made = _generated(rotor, speed * shape, dt_s, density)
            parts = [part.mean() for part in np.array_split(made, PARTS)]
            coefficient[:, i, j] = np.array(parts) / (flux * speed**3)
    if not np.all(np.diff(peaked) > _ROUNDING):  # a steady speed answers alike for every exponent
        peaked = np.arange(_EXPONENTS.size, dtype=np.float64)
    return ResponseTable(coefficient, peaked, float(np.cbrt(np.mean(seen**3) / whole)))


def _generated(rotor: Rotor, speed: Array, dt_s: float, density: float) -> Array:
    """Electrical power (n,) W, before standby use; the rotor begins as it ends."""
    if rotor.response == "quasi_steady":
        found = response.quasi_steady(rotor, speed, dt_s, density)
    elif rotor.response == "fixed_speed":
        shaft = rotor.shaft_speed_rad_s or response.best_fixed_speed(rotor, speed, density)
        found = response.fixed_speed(rotor, speed, dt_s, density, shaft)
    else:
        turning = response.inertial(rotor, speed[: speed.size // PARTS], dt_s, density)
        begin = float(turning.shaft_speed_rad_s[-1])
        found = response.inertial(rotor, speed, dt_s, density, start_rad_s=begin)
    return np.asarray(found.generated_w * rotor.conversion)


@dataclass(frozen=True)
class StretchTask:
    """An hour alone (``case``, its mounts those asked for), and whether its vehicles are there."""

    case: Case
    shaft_speed_rad_s: float | None
    alone: bool = False


def compute_stretch(task: StretchTask) -> dict[str, Array]:
    """Response tables of the case's mounts; runs in a worker. (mounts, ...) of their parts."""
    case = task.case
    settings = coarse(field_settings(case))
    passes = first_round(case, settings)
    if task.alone:
        passes = passes.take(slice(0, 0))
    weight = case.rotor.direction_weight if case.rotor is not None else None
    tables = []
    for mount in case.mounts:
        scene = prepare_scene(case, mount)
        sample = CommonSample(scene, passes, _STRETCH_S)
        if task.alone:
            air = still_mount_air(scene, settings)
            lines = scene_lines(scene, settings, air.viscosity)
            walked = series.walk(
                scene, lines, passes, sample.starts[0], sample.samples, sample.noise, air
            )
            sums = series.merge(list(walked))
        else:
            (sums,) = sample.hours(scene, settings, {})
        rotor = shaft_of(rotor_of(case, mount), task.shaft_speed_rad_s)
        dt = 1.0 / case.compute.sample_rate_hz
        tables.append(
            response_table(rotor, sums.speed, seen_speed(sums, weight), dt, _density(case))
        )
    return {
        "coefficient": np.array([t.coefficient for t in tables]),
        "peaked": np.array([t.peaked for t in tables]),
        "turned": np.array([t.turned for t in tables]),
    }


def shaft_of(rotor: Rotor, shaft_speed_rad_s: float | None) -> Rotor:
    """A rotor at fixed speed, held at a speed where the case gives none."""
    if rotor.response == "fixed_speed" and rotor.shaft_speed_rad_s is None:
        return replace(rotor, shaft_speed_rad_s=shaft_speed_rad_s)
    return rotor


def _density(case: Case) -> float:
    from wakesim.air.density import density_of

    return density_of(case.air)


def table_of(result: dict[str, Any], mount: int) -> ResponseTable:
    """The table of one mount, by its number in the task, from what ``compute_stretch`` gave."""
    return ResponseTable(
        result["coefficient"][mount], result["peaked"][mount], float(result["turned"][mount])
    )


# --- hours ----------------------------------------------------------------------------------------


def standing(at: Array, weight: Array, nodes: Sequence[int], count: int) -> list[int]:
    """Numbers of the ``count`` hours among ``nodes`` that are together nearest to all hours
    ``at`` (n, axes), by ``weight`` (n,): always the one next that brings them nearest."""
    from scipy.spatial.distance import cdist

    far = cdist(at, at[list(nodes)])
    nearest = np.full(len(at), np.inf)
    found: list[int] = []
    for _ in range(min(count, len(nodes))):
        cost = weight @ np.minimum(far, nearest[:, None]) if found else weight @ far
        k = int(np.argmin(cost))
        if nodes[k] in found:
            break
        found.append(nodes[k])
        nearest = np.minimum(nearest, far[:, k])
    return found


def shares_of(at: Array, stretches: Array) -> Array:
    """Share (n, stretches) that each stretch has in hours ``at`` (n, axes): the nearest three, by
    the inverse of the squared distance."""
    from scipy.spatial.distance import cdist

    far = cdist(at, stretches) ** 2 + 1e-6
    if far.shape[1] > _NEAREST:
        limit = np.partition(far, _NEAREST - 1, axis=1)[:, _NEAREST - 1 : _NEAREST]
        far = np.where(far <= limit, far, np.inf)
    share = 1.0 / far
    return np.asarray(share / share.sum(axis=1, keepdims=True))


def power_coefficient(
    tables: Sequence[ResponseTable], shares: Array, cube: Array, mean: Array
) -> Array:
    """Mean electrical power over the flux of the mean cube, (parts, n), of hours with mean cubes
    and means (n,) of the speed."""
    effective = np.cbrt(cube)
    peaked = np.log(np.maximum(cube, 1e-30) / np.maximum(mean, 1e-10) ** 3)
    found = np.zeros((PARTS, cube.size))
    for k, table in enumerate(tables):
        used = np.flatnonzero(shares[:, k] > 0.0)
        found[:, used] += shares[used, k] * table(effective[used], peaked[used])
    return found


def ambient_moments(case: Case, mount: Mount) -> tuple[Array, Array]:
    """Mean cube and mean of the rotor-equivalent speed in a wind of 1 m/s at its reference height,
    at the turbulence intensities ``_INTENSITIES``, (n,) each."""
    points, shares = mount.points()
    cubes, means = [], []
    nobody = [Measure(np.zeros(0), np.zeros((0, 5)))] * len(points)
    for intensity in _INTENSITIES:
        wind = (case.air.wind or OPEN_LAND).model_copy(
            update={"speed_m_s": 1.0, "angle_deg": 0.0, "turbulence_intensity": float(intensity)}
        )
        velocity, sd = ambient_at(wind, points[:, 1])
        found = mean_cubes(nobody, mean=velocity, covariance=(sd**2)[:, None, None] * np.eye(2))
        cube, mean = rotor_moments(found.mean_cube, found.mean_speed, shares)
        cubes.append(float(cube))
        means.append(float(mean))
    return np.array(cubes), np.array(means)


def of_wind(unit: tuple[Array, Array], speed_m_s: Array, intensity: Array) -> tuple[Array, Array]:
    """Mean cube and mean (n,) in winds (n,) of given speed and turbulence, from
    ``ambient_moments``."""
    cube = np.interp(intensity, _INTENSITIES, unit[0]) * speed_m_s**3
    return cube, np.interp(intensity, _INTENSITIES, unit[1]) * speed_m_s
