"""A stretch of every hour of the round, on which states of traffic, wind and model are compared."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from wakesim.arrays import Array
from wakesim.measures import series
from wakesim.measures.effective import effective_speed
from wakesim.measures.series import RotorSums
from wakesim.traffic.lines import FieldSettings
from wakesim.traffic.mount_air import mount_air
from wakesim.traffic.scene import Scene, round_noise, scene_lines, with_drag
from wakesim.traffic.stream import Passes


class CommonSample:
    """The same passes and the same noise for every state."""

    def __init__(self, scene: Scene, passes: Passes, per_hour_s: float) -> None:
        case = scene.case
        rate = case.compute.sample_rate_hz
        total = 3600.0 * case.compute.duration_h
        self.passes = passes
        self.starts: list[float] = []
        self.samples = max(1, round(min(per_hour_s, total) * rate))
        length = self.samples / rate
        for k in range(math.ceil(total / 3600.0)):
            hour_length = min(3600.0, total - 3600.0 * k)
            self.starts.append(3600.0 * k + max(0.0, 0.5 * (hour_length - length)))
        self.noise = round_noise(scene, 0, self.samples * len(self.starts))

    def hours(
        self, scene: Scene, settings: FieldSettings, cache: dict[tuple[object, ...], Array]
    ) -> Iterator[RotorSums]:
        """The stretch of every hour in turn, under the settings of a state."""
        air = mount_air(scene, settings, coarse=True)
        lines = scene_lines(scene, settings, air.viscosity, cache)
        passes = with_drag(scene, self.passes, air.drag_factor)
        for k, start in enumerate(self.starts):
            part = slice(k * self.samples, (k + 1) * self.samples)
            noise = (self.noise[0][part], self.noise[1][part])
            walked = series.walk(scene, lines, passes, start, self.samples, noise, air)
            yield series.merge(list(walked))

    def effective_speed(
        self, scene: Scene, settings: FieldSettings, cache: dict[tuple[object, ...], Array]
    ) -> float:
        """Effective speed of a state on the common sample, m/s."""
        speeds = [sums.speed for sums in self.hours(scene, settings, cache)]
        return effective_speed(np.concatenate(speeds))
