"""The model interval: how far the effective speed moves when the model's constants do.

Every uncertain input is moved to each end of its range, one at a time, on one common sample of
traffic (a stretch of every hour of the round, the same passes and the same noise), and the upward
and the downward changes are combined as the root of the sum of squares. Changes are relative to
the base model on the same sample, so the sample's own noise largely cancels.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from wakesim.case.vehicle import Vehicle
from wakesim.measures import series
from wakesim.measures.background import background
from wakesim.measures.effective import effective_speed
from wakesim.measures.series import Scene
from wakesim.measures.split import RotorSums
from wakesim.results import ModelVariant
from wakesim.traffic.lines import FieldSettings
from wakesim.traffic.stream import Passes

Array = NDArray[np.float64]
Change = Callable[[Scene, FieldSettings], tuple[Scene, FieldSettings]]

_SAMPLE_PER_HOUR_S = 240.0
_REFINEMENT = 0.6  # 440 to 560 panels a hull: the pulse within 1 to 2 % (cars 5 %), less in changes
_PULSE_REACH_M = 12.0  # pulses of lanes farther off are left as they are: under 1 % of the cube

_CUTOFF = "wake cut-off"

# Ranges: origins in the method section of the report and DEVELOPERS.md.
SPREAD_FACTORS = (0.7, 1.4)  # on lambda of the couple wake, from memory
MOMENTUM_RANGE = (0.2, 0.8)  # S, bluff bodies and wakes of high turbulence, published 0.064 to 0.8
DIFFUSIVITY_FACTORS = (1.0 / 3.0, 3.0)  # engineering estimate
BUBBLE_RANGE = (0.7, 1.6)  # heights, published range
TURBULENCE_FACTORS = (0.5, 1.5)  # on the rms, assumed
# Centre over the vehicle's height and vertical width over that of the mean wake: the default, and
# what measurements on roads ask for (shared/reference/on_road_tke.csv).
TURBULENCE_CENTRES, TURBULENCE_RISES = (0.5, 0.8), (1.1, 1.5)
SIZE_FACTORS = (0.95, 1.05)  # outside dimensions, assumed
PLACE_SHIFT_M = 0.25  # systematic lane position, assumed
CUTOFF_FACTORS = (0.5, 2.0)
ROUGHNESS_FACTORS = (0.1, 10.0)  # under the drift, one class of roughness or more, assumed
CROSSWIND_M_S = (-0.5, 0.5)  # light air that still clears wakes away, shown beside the interval


def _wake(**change: object) -> Change:
    def apply(scene: Scene, settings: FieldSettings) -> tuple[Scene, FieldSettings]:
        constants = replace(settings.constants, **change)  # type: ignore[arg-type]
        return scene, replace(settings, constants=constants)

    return apply


def _settings(**change: object) -> Change:
    return lambda scene, settings: (scene, replace(settings, **change))  # type: ignore[arg-type]


def _vehicles(change: Callable[[Vehicle], Vehicle]) -> Change:
    def apply(scene: Scene, settings: FieldSettings) -> tuple[Scene, FieldSettings]:
        sights = tuple(replace(s, vehicle=change(s.vehicle)) for s in scene.sights)
        return replace(scene, sights=sights), settings

    return apply


def _wake_only(change: Change) -> Change:
    """The change with all pulses left as they are: its effect on them is a few per cent of them."""

    def apply(scene: Scene, settings: FieldSettings) -> tuple[Scene, FieldSettings]:
        changed, new = change(scene, settings)
        return changed, replace(new, pulse_reach_m=-1.0)

    return apply


def _with_drag(end: int) -> Callable[[Vehicle], Vehicle]:
    def change(vehicle: Vehicle) -> Vehicle:
        if vehicle.drag_range is None:
            return replace(vehicle, drag_coefficient=vehicle.drag_coefficient * (0.85, 1.15)[end])
        return replace(vehicle, drag_coefficient=vehicle.drag_range[end])

    return change


def _scaled(factor: float) -> Callable[[Vehicle], Vehicle]:
    return lambda vehicle: replace(
        vehicle,
        width_m=vehicle.width_m * factor,
        height_m=vehicle.height_m * factor,
        length_m=vehicle.length_m * factor,
        clearance_m=vehicle.clearance_m * factor,
        frontal_area_m2=vehicle.frontal_area_m2 * factor**2,
    )


def variants(settings: FieldSettings) -> Iterator[tuple[str, str, Change]]:
    """(parameter, setting, change) of every variant of the model interval."""
    constants = settings.constants
    other = "momentum" if constants.family == "couple" else "couple"
    yield "wake family", f"{other} wake", _wake(family=other)
    if constants.family == "couple":
        for factor in SPREAD_FACTORS:
            value = constants.couple_spread * factor
            yield "spread of the couple wake", f"λ = {value:.2f}", _wake(couple_spread=value)
    else:
        for value in MOMENTUM_RANGE:
            yield "spread of the momentum wake", f"S = {value:.2f}", _wake(momentum_spread=value)
    for factor in DIFFUSIVITY_FACTORS if settings.diffusivity_m2_s > 0.0 else ():
        value = settings.diffusivity_m2_s * factor
        change = _settings(diffusivity_m2_s=value)
        yield "eddy diffusivity", f"K = {value:.2g} m²/s", change
    if settings.diffusivity_m2_s == 0.0:
        yield "eddy diffusivity", "K = 0.1 m²/s", _settings(diffusivity_m2_s=0.1)
    for factor in ROUGHNESS_FACTORS:
        change = _settings(roughness_factor=factor)
        yield "friction of road and verge", f"roughness × {factor:g}", change
    for end, name in enumerate(("low", "high")):
        change = _wake_only(_vehicles(_with_drag(end)))
        yield "drag coefficients", f"{name} end of each class", change
    for value in BUBBLE_RANGE:
        change = _wake_only(_wake(bubble_length_heights=value))
        yield "recirculation length", f"{value:g} vehicle heights", change
    for factor in TURBULENCE_FACTORS:
        value = constants.turbulence_factor * factor
        yield "wake turbulence", f"rms × {factor:g}", _wake(turbulence_factor=value)
    centre, rise = TURBULENCE_CENTRES[1], TURBULENCE_RISES[1]
    change = _wake(turbulence_centre=centre, turbulence_rise=rise)
    yield "height of the wake turbulence", f"centre {centre:g} h, {rise:g} × as high", change
    for factor in SIZE_FACTORS:
        yield "vehicle dimensions", f"× {factor:g}", _vehicles(_scaled(factor))
    for shift in (-PLACE_SHIFT_M, PLACE_SHIFT_M):
        side = "nearer" if shift < 0 else "farther"
        change = _settings(lateral_shift_m=shift)
        yield "lane position", f"{abs(shift):g} m {side}", change
    change = _settings(open_tail=not settings.open_tail)
    yield "tail of the hull", "closed" if settings.open_tail else "open", change


def _cutoffs(settings: FieldSettings) -> Iterator[tuple[str, str, Change]]:
    """Half and double the wake memory."""
    for factor in CUTOFF_FACTORS:
        memory = settings.wake_memory_s * factor
        yield _CUTOFF, f"{memory:g} s", _settings(wake_memory_s=memory)


def _crosswinds() -> Iterator[tuple[str, str, Change]]:
    """Light air across the road, which carries wakes and drift only."""
    for crosswind in CROSSWIND_M_S:
        side = "towards +y" if crosswind > 0 else "towards −y"
        change = _settings(extra_crosswind_m_s=crosswind)
        yield "light crosswind", f"{abs(crosswind):g} m/s {side}", change


class CommonSample:
    """The stretches of traffic on which all variants are compared."""

    def __init__(
        self, scene: Scene, passes: Passes, per_hour_s: float = _SAMPLE_PER_HOUR_S
    ) -> None:
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
        self.noise = series.round_noise(scene, 0, self.samples * len(self.starts))

    def hours(
        self, scene: Scene, settings: FieldSettings, cache: dict[tuple[object, ...], Array]
    ) -> Iterator[RotorSums]:
        """The stretch of every hour in turn, under the settings of a variant."""
        lines = series.library(scene, settings, cache)
        air = background(scene, settings, coarse=True)
        passes = series.with_drag(scene, self.passes, air.drag_factor)
        for k, start in enumerate(self.starts):
            part = slice(k * self.samples, (k + 1) * self.samples)
            noise = (self.noise[0][part], self.noise[1][part])
            walked = series.walk(scene, lines, passes, start, self.samples, noise, air.by_class)
            yield series.merge(list(walked))

    def effective_speed(
        self, scene: Scene, settings: FieldSettings, cache: dict[tuple[object, ...], Array]
    ) -> float:
        """Effective speed of a variant on the common sample, m/s."""
        speeds = [sums.speed for sums in self.hours(scene, settings, cache)]
        return effective_speed(np.concatenate(speeds))


def coarse(settings: FieldSettings) -> FieldSettings:
    """The settings with hulls of fewer panels, and the pulses of far lanes left as they are."""
    return replace(settings, refinement=_REFINEMENT, pulse_reach_m=_PULSE_REACH_M)


def model_spread(
    scene: Scene,
    settings: FieldSettings,
    passes: Passes,
    effective_m_s: float,
    cache: dict[tuple[object, ...], Array],
    say: Callable[[float], None] = lambda share: None,
) -> tuple[tuple[ModelVariant, ...], dict[float, float]]:
    """All variants, and the effective speed by wake memory (s) for the cut-off's sensitivity.

    All of them, the base model included, use hulls of fewer panels. ``passes`` must reach back far
    enough before the start for twice the wake memory. Values are scaled so that the base model on
    the common sample equals ``effective_m_s``. ``say`` is told the share done.
    """
    settings = coarse(settings)
    sample = CommonSample(scene, passes)
    base = sample.effective_speed(scene, settings, cache)
    scale = effective_m_s / base if base > 0.0 else 0.0
    counted = [*variants(settings), *_cutoffs(settings)]
    beside = list(_crosswinds())
    found = []
    for parameter, setting, change in counted + beside:
        speed = scale * sample.effective_speed(*change(scene, settings), cache)
        counts = len(found) < len(counted)
        found.append(ModelVariant(parameter, setting, speed, speed - effective_m_s, counts))
        say(len(found) / len(counted + beside))
    memory = [settings.wake_memory_s * factor for factor in CUTOFF_FACTORS]
    moved = [v.effective_speed_m_s for v in found if v.parameter == _CUTOFF]
    cutoff = {settings.wake_memory_s: effective_m_s, **dict(zip(memory, moved, strict=True))}
    return tuple(found), dict(sorted(cutoff.items()))


def model_interval(effective_m_s: float, found: tuple[ModelVariant, ...]) -> tuple[float, float]:
    """Effective speed minus and plus the root of the summed squares of its changes.

    Variants that are not ``counted`` stay out. Of the two ends of a parameter that change the speed
    the same way, the larger counts.
    """
    up: dict[str, float] = {}
    down: dict[str, float] = {}
    for variant in found:
        if not variant.counted:
            continue
        name, change = variant.parameter, variant.change_m_s
        up[name] = max(up.get(name, 0.0), change)
        down[name] = max(down.get(name, 0.0), -change)
    high = effective_m_s + math.sqrt(sum(c * c for c in up.values()))
    low = effective_m_s - math.sqrt(sum(c * c for c in down.values()))
    return max(low, 0.0), high
