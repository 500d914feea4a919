"""Mean electrical power of a rotor in every hour of a day of traffic, in one wind.

The air is that of a stretch of every hour (``CommonSample``), with the same passes and noise in
every state, so states differ by their causes and not by chance. Without traffic the same wind is
walked through with no vehicles and no drift.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from wakesim.arrays import Array
from wakesim.case.mounts import Mount
from wakesim.case.schema import Case, Wind
from wakesim.energy import response
from wakesim.energy.response import Response, best_fixed_speed, directed_speed
from wakesim.energy.rotor import RESPONSES, PowerCurve, Rotor, generic_rotor
from wakesim.measures import series
from wakesim.measures.effective import effective_speed
from wakesim.measures.model_interval import coarse
from wakesim.measures.series import RotorSums
from wakesim.traffic.lines import FieldSettings
from wakesim.traffic.mount_air import mount_air, still_mount_air
from wakesim.traffic.scene import (
    Scene,
    draw_round,
    field_settings,
    prepare_scene,
    round_noise,
    scene_lines,
    with_drag,
)
from wakesim.traffic.stream import Passes

Cache = dict[tuple[object, ...], Array]

_RAD_S_PER_RPM = math.pi / 30.0
_BEFORE_WAKES = 1.25  # traffic ahead of the round, over the wake memory


@dataclass(frozen=True)
class HourlyPower:
    """What the air holds and the rotor makes of it in each hour (hours,).

    ``available_w`` is the kinetic energy flux through the swept area, ``electrical_w`` the mean
    electrical power before standby use by response (wakesim.energy.rotor.RESPONSES);
    ``effective_speed_m_s`` that of the rotor-equivalent speed; ``captured_speed_m_s`` the steady
    speed at which the rotor at its best point generates what it does with ``response``, NaN for a
    power curve. ``shaft_speed_rad_s`` is that of the fixed-speed response.
    """

    available_w: Array
    electrical_w: dict[str, Array]
    effective_speed_m_s: Array
    captured_speed_m_s: Array
    response: str
    shaft_speed_rad_s: float | None

    @property
    def chosen_w(self) -> Array:
        """Electrical power with the rotor's own response."""
        return self.electrical_w[self.response]

    @property
    def mean_w(self) -> float:
        """Mean of ``chosen_w`` over the hours."""
        return float(self.chosen_w.mean())

    @property
    def mean_effective_speed_m_s(self) -> float:
        """Effective speed of all hours together."""
        return float(np.cbrt(np.mean(self.effective_speed_m_s**3)))

    def capture_ratio(self, response: str) -> float:
        """Energy with a response over that of the quasi-steady one; NaN when there is none."""
        quasi = float(self.electrical_w["quasi_steady"].sum())
        return float(self.electrical_w[response].sum()) / quasi if quasi > 0.0 else math.nan


@dataclass(frozen=True)
class Day:
    """A day type: factors on the flows of the case and on their share of heavy vehicles."""

    flow: float = 1.0
    heavy: float = 1.0


WEEKDAY = Day()


def whole_day(case: Case) -> Case:
    """The case with a round of 24 hours from midnight, whatever it simulates otherwise."""
    compute = case.compute.model_copy(update={"duration_h": 24.0, "start_hour": 0})
    return replace(case, compute=compute)


def in_wind(case: Case, wind: Wind | None) -> Case:
    """The case in another ambient wind; None is still air."""
    return replace(case, air=case.air.in_wind(wind))


def on_day(case: Case, day: Day) -> Case:
    """The case with the traffic of another day type."""
    if day == WEEKDAY or case.traffic is None:
        return case
    return replace(case, traffic=case.traffic.on_day(day.flow, day.heavy))


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

    def hours(self, scene: Scene, settings: FieldSettings, cache: Cache) -> Iterator[RotorSums]:
        """The stretch of every hour in turn, under the settings of a state."""
        air = mount_air(scene, settings, coarse=True)
        lines = scene_lines(scene, settings, air.viscosity, cache, air.memory_s)
        passes = with_drag(scene, self.passes, air.drag_factor)
        for k, start in enumerate(self.starts):
            part = slice(k * self.samples, (k + 1) * self.samples)
            noise = (self.noise[0][part], self.noise[1][part])
            walked = series.walk(scene, lines, passes, start, self.samples, noise, air)
            yield series.merge(list(walked))


def rotor_of(case: Case, mount: Mount, best_power_coefficient: float | None = None) -> Rotor:
    """The rotor of a case at a mount; a best power coefficient given here replaces the case's."""
    table = case.rotor
    assert table is not None
    options: dict[str, object] = {
        name: getattr(table, name)
        for name in (
            "best_power_coefficient", "rated_power_w", "cut_out_m_s", "inertia_kg_m2",
            "generator_efficiency", "converter_efficiency", "standby_w", "response",
        )
        if getattr(table, name) is not None
    }  # fmt: skip
    if best_power_coefficient is not None:
        options["best_power_coefficient"] = best_power_coefficient
    if table.shaft_speed_rpm is not None:
        options["shaft_speed_rad_s"] = _RAD_S_PER_RPM * table.shaft_speed_rpm
    if case.power_curve is not None:
        points = case.power_curve
        curve = PowerCurve(np.array(points.speed_m_s), np.array(points.power_w))
        options |= {"power_curve": curve, "response": "quasi_steady"}
    cut_in = mount.cut_in_m_s if table.cut_in_m_s is None else table.cut_in_m_s
    return generic_rotor(
        table.kind, mount.rotor_width_m, mount.rotor_height_m, cut_in_m_s=cut_in, **options
    )


class MountPower:
    """Hourly powers of a mount by wind and day type, on one common sample of traffic.

    ``per_hour_s`` of each hour are simulated. The fixed shaft speed, where none is given, is the
    best one of the first state asked for.
    """

    def __init__(
        self, case: Case, mount: Mount, rotor: Rotor, density_kg_m3: float, per_hour_s: float
    ) -> None:
        assert case.rotor is not None
        self.case, self.mount, self.rotor = whole_day(case), mount, rotor
        self._density, self._per_hour_s = density_kg_m3, per_hour_s
        self._weight = case.rotor.direction_weight
        self._cache: Cache = {}

    def with_traffic(
        self, wind: Wind | None, day: Day = WEEKDAY, longer: float = 1.0
    ) -> HourlyPower:
        """In a wind, on a day type; ``longer`` times the stretch of each hour."""
        if day.flow == 0.0:
            return self.without_traffic(wind)
        case = in_wind(on_day(self.case, day), wind)
        settings = coarse(field_settings(case))
        passes = first_round(case, settings)
        sample = CommonSample(prepare_scene(case, self.mount), passes, longer * self._per_hour_s)
        scene = prepare_scene(case, self.mount)
        hours = list(sample.hours(scene, settings, self._cache))
        return self._power(hours)

    def without_traffic(self, wind: Wind | None) -> HourlyPower:
        """In the wind alone, in the same turbulence."""
        case = in_wind(self.case, wind)
        settings = coarse(field_settings(case))
        scene = prepare_scene(case, self.mount)
        nobody = first_round(case, settings).take(slice(0, 0))
        sample = CommonSample(scene, nobody, self._per_hour_s)
        air = still_mount_air(scene, settings)
        lines = scene_lines(scene, settings, air.viscosity, self._cache)
        hours = []
        for k, start in enumerate(sample.starts):
            part = slice(k * sample.samples, (k + 1) * sample.samples)
            noise = (sample.noise[0][part], sample.noise[1][part])
            walked = series.walk(scene, lines, nobody, start, sample.samples, noise, air)
            hours.append(series.merge(list(walked)))
        return self._power(hours)

    def _power(self, hours: list[RotorSums]) -> HourlyPower:
        dt = 1.0 / self.case.compute.sample_rate_hz
        found = power_of(hours, dt, self.rotor, self._density, self._weight)
        if self.rotor.shaft_speed_rad_s is None:
            self.rotor = replace(self.rotor, shaft_speed_rad_s=found.shaft_speed_rad_s)
        return found


def first_round(case: Case, settings: FieldSettings) -> Passes:
    """The passes of the first round, early enough for all wakes at its start."""
    return draw_round(case, 0, 10.0 + _BEFORE_WAKES * settings.wake_memory_s)


def power_of(
    hours: list[RotorSums], dt_s: float, rotor: Rotor, density: float, weight: ArrayLike | None
) -> HourlyPower:
    """Power of a rotor in consecutive hours of air; it runs on as the last hour left it."""
    speeds = [seen_speed(sums, weight) for sums in hours]
    answers: dict[str, list[Response]] = {
        "quasi_steady": [response.quasi_steady(rotor, v, dt_s, density) for v in speeds]
    }
    shaft_speed = rotor.shaft_speed_rad_s
    if rotor.power_curve is None:
        if shaft_speed is None:
            shaft_speed = best_fixed_speed(rotor, np.concatenate(speeds), density)
        answers["inertial"] = _run_on(rotor, speeds, dt_s, density)
        answers["fixed_speed"] = [
            response.fixed_speed(rotor, v, dt_s, density, shaft_speed) for v in speeds
        ]
    quasi = answers["quasi_steady"]
    if rotor.power_curve is None:
        own = answers[rotor.response]
        captured = np.array([a.captured_effective_speed(rotor, density) for a in own])
    else:
        captured = np.full(len(speeds), np.nan)
    return HourlyPower(
        available_w=np.array([a.available_j / a.duration_s for a in quasi]),
        electrical_w={
            name: np.array([a.mean_electrical_w for a in answers[name]])
            for name in RESPONSES
            if name in answers
        },
        effective_speed_m_s=np.array([effective_speed(v) for v in speeds]),
        captured_speed_m_s=captured,
        response=rotor.response,
        shaft_speed_rad_s=shaft_speed,
    )


def mean_powers(rotor: Rotor, speeds: Sequence[Array], dt_s: float, density: float) -> Array:
    """Mean electrical power, W, in consecutive hours (n,) of rotor-equivalent speeds, with the
    rotor's own response; a rotor held at no given speed is held at its best one."""
    if rotor.response == "inertial":
        found = _run_on(rotor, speeds, dt_s, density)
    elif rotor.response == "quasi_steady":
        found = [response.quasi_steady(rotor, v, dt_s, density) for v in speeds]
    else:
        shaft = rotor.shaft_speed_rad_s
        if shaft is None:
            shaft = best_fixed_speed(rotor, np.concatenate(speeds), density)
        found = [response.fixed_speed(rotor, v, dt_s, density, shaft) for v in speeds]
    return np.array([one.mean_electrical_w for one in found])


def _run_on(rotor: Rotor, speeds: Sequence[Array], dt_s: float, density: float) -> list[Response]:
    found, shaft = [], 0.0
    for v in speeds:
        found.append(response.inertial(rotor, v, dt_s, density, start_rad_s=shaft))
        shaft = float(found[-1].shaft_speed_rad_s[-1])
    return found


def seen_speed(sums: RotorSums, weight: ArrayLike | None) -> Array:
    """Rotor-equivalent speed, weighted by the direction of the air at the rotor's centre."""
    if weight is None:
        return sums.speed
    centre = np.hypot(sums.u, sums.v)
    seen = directed_speed(sums.u, sums.v, weight)
    share = np.divide(seen, centre, out=np.ones_like(centre), where=centre > 0.0)
    return sums.speed * share
