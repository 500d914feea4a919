"""The velocity series at a rotor: traffic of a round walked past it, and what made the mean cube.

With v_i the horizontal speed at point i and A_i its share of the swept area, the rotor-equivalent
speed is (sum v_i^3 A_i)^(1/3) (form of IEC 61400-12-1). The cube splits exactly over the parts m of
the velocity (pulse, wake, turbulence, drift, ambient; or vehicle classes) by projection:

    v^3 = v (v_vec . v_vec) = sum_m v (v_vec . v_m).

A part that blows against the rest counts negative.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numba
import numpy as np

from wakesim.arrays import Array, kernel
from wakesim.traffic.lines import LineLibrary
from wakesim.traffic.mount_air import MountAir
from wakesim.traffic.scene import Scene, hour_of
from wakesim.traffic.stream import Passes
from wakesim.traffic.superpose import superpose
from wakesim.vehicle.wake import SHARE_U, SHARE_V

MECHANISMS = ("pulse", "wake", "turbulence", "drift", "ambient")
_BLOCK = 512
_CHUNK_S = 600.0


@dataclass(frozen=True)
class RotorSums:
    """A stretch of rotor-equivalent speed (n,) and the sums its measures are made of.

    ``u`` and ``v`` (n,) are at the centre of the rectangle; ``passing`` (n,) is the part of ``u``
    that pulses and mean wakes make as they sweep past, without turbulence. ``by_class`` and
    ``by_mechanism`` are sums over samples of parts of the cube, m3/s3; ``ambient_cube`` the same of
    the ambient wind alone, ``u_sum`` and ``v_sum`` of the area-mean velocity, m/s.
    """

    speed: Array
    u: Array
    v: Array
    passing: Array
    by_class: Array
    by_mechanism: Array
    ambient_cube: float
    u_sum: float
    v_sum: float


@kernel(parallel=True)
def _rotor_kernel(
    field, weights, noise, drift, still_energy, ambient, ambient_sd, ambient_noise,
    share_u, share_v, block, speed, centre, part,
):  # fmt: skip
    classes, n, _, points = field.shape
    middle = points // 2
    first_mechanism = classes
    last = classes + 5
    for b in numba.prange((n + block - 1) // block):
        for i in range(b * block, min(n, (b + 1) * block)):
            root_u = np.sqrt(2.0 * share_u) * noise[i, 0]
            root_v = np.sqrt(2.0 * share_v) * noise[i, 1]
            total = 0.0
            for p in range(points):
                pulse_u = 0.0
                pulse_v = 0.0
                wake_u = 0.0
                drift_u = 0.0
                energy = 0.0
                for c in range(classes):
                    pulse_u += field[c, i, 0, p]
                    pulse_v += field[c, i, 1, p]
                    wake_u += field[c, i, 2, p]
                    energy += field[c, i, 3, p] + still_energy[c, p]
                    drift_u += drift[c, p]
                energy = max(energy, 0.0)
                rms = np.sqrt(energy)
                turbulent_u = root_u * rms
                turbulent_v = root_v * rms
                ambient_u = ambient[p, 0] + ambient_sd[p] * ambient_noise[i, 0]
                ambient_v = ambient[p, 1] + ambient_sd[p] * ambient_noise[i, 1]
                u = pulse_u + wake_u + turbulent_u + drift_u + ambient_u
                v = pulse_v + turbulent_v + ambient_v
                magnitude = np.sqrt(u * u + v * v)
                weight = weights[p] * magnitude
                total += weight * magnitude * magnitude
                turbulent = weight * (u * turbulent_u + v * turbulent_v)
                part[b, first_mechanism] += weight * (u * pulse_u + v * pulse_v)
                part[b, first_mechanism + 1] += weight * u * wake_u
                part[b, first_mechanism + 2] += turbulent
                part[b, first_mechanism + 3] += weight * u * drift_u
                part[b, first_mechanism + 4] += weight * (u * ambient_u + v * ambient_v)
                part[b, last] += weights[p] * (ambient_u * ambient_u + ambient_v * ambient_v) ** 1.5
                part[b, last + 1] += weights[p] * u
                part[b, last + 2] += weights[p] * v
                per_energy = turbulent / energy if energy > 0.0 else 0.0
                for c in range(classes):
                    along = field[c, i, 0, p] + field[c, i, 2, p] + drift[c, p]
                    part[b, c] += weight * (u * along + v * field[c, i, 1, p])
                    part[b, c] += per_energy * (field[c, i, 3, p] + still_energy[c, p])
                if p == middle:
                    centre[i, 0] = u
                    centre[i, 1] = v
                    centre[i, 2] = pulse_u + wake_u
            speed[i] = total ** (1.0 / 3.0)


def rotor_sums(
    field: Array,
    weights: Array,
    noise: Array,
    drift: Array,
    still_energy: Array,
    ambient: Array,
    ambient_sd: Array,
    ambient_noise: Array,
) -> RotorSums:
    """Rotor-equivalent speed and its split.

    ``field`` (classes, n, 4, points): pulse u, pulse v, wake u (m/s) and turbulent energy k (m2/s2)
    of every class, sampled in time. ``noise`` and ``ambient_noise`` (n, 2) are unit-variance series
    of u and v, the same at all points: the mean cube does not depend on their coherence.
    ``drift`` (classes, points) m/s is the sustained drift along the road that each class makes,
    ``still_energy`` (classes, points) m2/s2 the turbulent energy of the background.
    ``ambient`` (points, 2) m/s is the mean wind and ``ambient_sd`` (points,) its turbulence.
    The result does not depend on the number of threads.
    """
    classes, n, _, points = field.shape
    fitting = weights.shape == (points,) and noise.shape == (n, 2)
    around = drift.shape == still_energy.shape == (classes, points)
    if not fitting or not around or ambient.shape != (points, 2):
        raise ValueError("field, weights, noise, drift and ambient do not fit together")
    speed = np.empty(n)
    centre = np.empty((n, 3))
    part = np.zeros(((n + _BLOCK - 1) // _BLOCK, classes + 8))
    _rotor_kernel(
        field, weights, noise, drift, still_energy, ambient, ambient_sd, ambient_noise,
        SHARE_U, SHARE_V, _BLOCK, speed, centre, part,
    )  # fmt: skip
    total = part.sum(axis=0)
    return RotorSums(
        speed=speed,
        u=centre[:, 0].copy(),
        v=centre[:, 1].copy(),
        passing=centre[:, 2].copy(),
        by_class=total[:classes],
        by_mechanism=total[classes : classes + 5],
        ambient_cube=float(total[classes + 5]),
        u_sum=float(total[classes + 6]),
        v_sum=float(total[classes + 7]),
    )


def walk(
    scene: Scene,
    lines: LineLibrary,
    passes: Passes,
    start_s: float,
    samples: int,
    noise: tuple[Array, Array],
    air: MountAir,
) -> Iterator[RotorSums]:
    """Sums of consecutive stretches of at most ten minutes, from ``start_s`` on.

    Of the mean air ``air`` a stretch takes the hour it begins in, a wake the hour of its pass.
    """
    dt = 1.0 / scene.case.compute.sample_rate_hz
    chunk = max(1, round(_CHUNK_S / dt))
    level = air.level[hour_of(scene, passes.time_s)]
    for first in range(0, samples, chunk):
        count = min(chunk, samples - first)
        field = superpose(
            lines, scene.view_of, passes, len(scene.case.vehicles), start_s + first * dt, count,
            dt, level,
        )  # fmt: skip
        part = slice(first, first + count)
        hour = hour_of(scene, start_s + first * dt)
        yield rotor_sums(
            field, scene.weights, noise[0][part], air.by_class[hour], air.energy_by_class[hour],
            scene.ambient, scene.ambient_sd, noise[1][part],
        )  # fmt: skip


def merge(parts: list[RotorSums]) -> RotorSums:
    """One stretch from consecutive ones."""
    return replace(
        parts[0],
        speed=np.concatenate([p.speed for p in parts]),
        u=np.concatenate([p.u for p in parts]),
        v=np.concatenate([p.v for p in parts]),
        passing=np.concatenate([p.passing for p in parts]),
        by_class=np.sum([p.by_class for p in parts], axis=0),
        by_mechanism=np.sum([p.by_mechanism for p in parts], axis=0),
        ambient_cube=float(sum(p.ambient_cube for p in parts)),
        u_sum=float(sum(p.u_sum for p in parts)),
        v_sum=float(sum(p.v_sum for p in parts)),
    )
