"""The velocity series at a rotor: traffic of a round walked past it, and what made the mean cube.

With v_i the horizontal speed at point i and A_i its share of the swept area, the rotor-equivalent
speed is (sum v_i^3 A_i)^(1/3) (form of IEC 61400-12-1). The cube splits exactly over the parts m of
the velocity (pulse, wake, turbulence, drift, ambient; or vehicle classes) by projection:

    v^3 = v (v_vec . v_vec) = sum_m v (v_vec . v_m).

A part that blows against the rest counts negative.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from wakesim.arrays import Array
from wakesim.traffic.lines import LineLibrary
from wakesim.traffic.mount_air import MountAir
from wakesim.traffic.scene import Scene, hour_of
from wakesim.traffic.series_kernels import rotor_of_field, series_blocks
from wakesim.traffic.stream import Passes
from wakesim.traffic.superpose import events_of
from wakesim.vehicle.wake import SHARE_U, SHARE_V

MECHANISMS = ("pulse", "wake", "turbulence", "drift", "ambient")
_BLOCK = 128  # samples; the fields of all classes in a block stay at hand
_CHUNK_S, _CHUNKS = 600.0, 6


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
    speed, u, v, passing = (np.empty(n) for _ in range(4))
    part = np.zeros(((n + _BLOCK - 1) // _BLOCK, classes + 8))
    rotor_of_field(
        np.ascontiguousarray(field).reshape(classes, n, 4 * points), weights, noise, drift,
        still_energy, ambient, ambient_sd, ambient_noise, SHARE_U, SHARE_V, _BLOCK, speed, u, v,
        passing, part,
    )  # fmt: skip
    return _sums(speed, u, v, passing, part)


def _sums(speed: Array, u: Array, v: Array, passing: Array, part: Array) -> RotorSums:
    total, classes = part.sum(axis=0), part.shape[1] - 8
    return RotorSums(
        speed=speed,
        u=u,
        v=v,
        passing=passing,
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
    """Sums of consecutive stretches of at most an hour, from ``start_s`` on.

    Of the mean air ``air`` ten minutes take the hour they begin in, a wake the hour of its pass.
    """
    dt = 1.0 / scene.case.compute.sample_rate_hz
    chunk = max(1, round(_CHUNK_S / dt))
    level = air.level[hour_of(scene, passes.time_s)]
    classes = len(scene.case.vehicles)
    for first in range(0, samples, _CHUNKS * chunk):
        count = min(_CHUNKS * chunk, samples - first)
        here = start_s + first * dt
        events = events_of(lines, scene.view_of, passes, here, count, dt, level)
        begin = np.concatenate(
            [np.arange(c, min(c + chunk, count), _BLOCK) for c in range(0, count, chunk)]
        )
        end = np.append(begin[1:], count)
        hour = hour_of(scene, here + (begin // chunk) * chunk * dt)
        speed, u, v, passing = (np.empty(count) for _ in range(4))
        part = np.zeros((begin.size, classes + 8))
        now = slice(first, first + count)
        series_blocks(
            lines.pulse.data, lines.wake.data, lines.far.data, *events, begin, end, hour,
            scene.weights, noise[0][now], air.by_class, air.energy_by_class, scene.ambient,
            scene.ambient_sd, noise[1][now], SHARE_U, SHARE_V, speed, u, v, passing, part,
        )  # fmt: skip
        yield _sums(speed, u, v, passing, part)


def merge(parts: Iterable[RotorSums], samples: int | None = None) -> RotorSums:
    """One stretch from consecutive ones; with their ``samples`` known, without holding them all."""
    if samples is None:
        parts = list(parts)
        samples = sum(p.speed.size for p in parts)
    series = {name: np.empty(samples) for name in ("speed", "u", "v", "passing")}
    done, total = 0, None
    for one in parts:
        end = done + one.speed.size
        for name, values in series.items():
            values[done:end] = getattr(one, name)
        done = end
        total = one if total is None else _added(total, one)
    if total is None:
        raise ValueError("no stretch of a series")
    return replace(total, **series)


def _added(a: RotorSums, b: RotorSums) -> RotorSums:
    """Sums of both; the series are those of ``b``."""
    return replace(
        b,
        by_class=a.by_class + b.by_class,
        by_mechanism=a.by_mechanism + b.by_mechanism,
        ambient_cube=a.ambient_cube + b.ambient_cube,
        u_sum=a.u_sum + b.u_sum,
        v_sum=a.v_sum + b.v_sum,
    )
