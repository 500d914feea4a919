"""The studies at one mount: single passes, or traffic over the day with all its measures."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from wakesim.air.profiles import ambient_velocity
from wakesim.arrays import Array
from wakesim.case.mounts import Mount
from wakesim.case.schema import Case
from wakesim.errors import NumericalError
from wakesim.measures import intervals, series
from wakesim.measures.effective import effective_speed
from wakesim.measures.model_interval import mount_interval
from wakesim.measures.results import (
    DriftSummary,
    HourRow,
    ModelVariant,
    MountStatistics,
    Series,
    Signature,
    WholeHour,
)
from wakesim.measures.scalars import MountSeries, all_measures
from wakesim.measures.series import MECHANISMS, RotorSums
from wakesim.measures.signature import signature
from wakesim.measures.spectra import velocity_spectrum
from wakesim.measures.whole_hour import compare_hour
from wakesim.results import MountResult
from wakesim.traffic.lines import LaneView, LineLibrary
from wakesim.traffic.mount_air import MountAir, mount_air, settling_time, still_mount_air
from wakesim.traffic.point_statistics import pulse_fields
from wakesim.traffic.scene import (
    draw_round,
    field_settings,
    hour_of,
    prepare_scene,
    round_noise,
    scene_lines,
    with_drag,
)
from wakesim.traffic.stream import Passes

Say = Callable[[float, str], None]

LEVEL = 0.90  # confidence of the sampling interval
_SPECTRUM_SEGMENT_S = 120.0
_UNKNOWN_SPEED_M_S = 25.0  # single pass of a class without a speed of its own


def single_pass(case: Case, mount: Mount, say: Say) -> MountResult:
    """One signature for each vehicle the case names, in its lane and at its speed."""
    study = case.single_pass
    if study is None:
        raise ValueError("the case has no single pass")
    lane = case.road.lanes[study.lane_index]
    settings = field_settings(case)
    found = []
    for k, name in enumerate(study.vehicles):
        vehicle = case.vehicles[name]
        speed = study.speed_m_s or vehicle.mean_speed_m_s or _UNKNOWN_SPEED_M_S
        along, across = ambient_velocity(case.air.wind, 0.5 * vehicle.height_m)
        view = LaneView(
            vehicle, lane.centre_m, lane.direction, speed, 0.0, float(along), float(across)
        )
        found.append(signature(view, lane.name, mount, settings))
        say((k + 1) / len(study.vehicles), vehicle.label)
    return MountResult(mount, tuple(found), None)


class TrafficStudy:
    """Traffic at one mount, round after round until the effective speed is sure enough.

    ``say(share, text)`` is told of progress. After ``result`` the attributes ``rounds``,
    ``passes_total``, ``simulated_s`` and ``tolerance_met`` say how it went.
    """

    def __init__(self, case: Case, mount: Mount, density_kg_m3: float, say: Say) -> None:
        self.case, self.mount, self.density, self.say = case, mount, density_kg_m3, say
        self.scene = prepare_scene(case, mount)
        self.settings = field_settings(case)
        self.dt = 1.0 / case.compute.sample_rate_hz
        self.samples = max(1, round(3600.0 * case.compute.duration_h / self.dt))
        self.time = np.arange(self.samples, dtype=np.float64) * self.dt
        clock = hour_of(self.scene, self.time)
        self.hours = np.asarray(case.compute.hours, dtype=np.int8)[clock]
        self.passes_total = 0
        self.tolerance_met = False
        self._sums: list[RotorSums] = []
        self._blocks: list[intervals.Blocks] = []
        self._air: MountAir = still_mount_air(self.scene, self.settings)
        self._cache: dict[tuple[object, ...], Array] = {}  # panel part of the lines

    @property
    def rounds(self) -> int:
        """Rounds simulated so far."""
        return len(self._sums)

    @property
    def simulated_s(self) -> float:
        """Time simulated so far, s."""
        return self.rounds * self.samples * self.dt

    def result(self) -> MountResult:
        """Simulate, and collect all measures. Raises NumericalError for a series not finite."""
        compute = self.case.compute
        self.say(0.0, "pass fields")
        self._air = mount_air(self.scene, self.settings)
        lines = scene_lines(self.scene, self.settings, self._air.viscosity, self._cache)
        first_passes = self._round(lines)
        while not self.tolerance_met and self.rounds < compute.max_rounds:
            self._round(lines)
        effective = self._effective()
        variants: tuple[ModelVariant, ...] = ()
        cutoff = {self.settings.wake_memory_s: effective}
        model = (math.nan, math.nan)
        interval_end = 0.7 if compute.whole_hour else 1.0
        if compute.model_interval and effective > 0.0:
            variants, model, cutoff = mount_interval(
                self.case,
                self.scene.points,
                self.scene.weights,
                self.mount.wall_offset_m,
                effective,
                pulse_fields,
                lambda share: self.say(0.5 + (interval_end - 0.5) * share, "model interval"),
            )
        statistics = self._statistics(model, variants, cutoff, first_passes)
        if compute.whole_hour and self.scene.views:
            statistics = replace(statistics, whole_hour=self._whole_hour(interval_end))
        return MountResult(self.mount, self._signatures(), statistics)

    def _whole_hour(self, begin: float) -> WholeHour:
        say = self.say
        return compare_hour(
            self.case, self.mount, say=lambda s: say(begin + (1.0 - begin) * s, "whole hour")
        )

    def _round(self, lines: LineLibrary) -> Passes:
        """Simulate one more round and judge the interval so far; returns its passes."""
        number = self.rounds
        before = 10.0 + 1.25 * self.settings.wake_memory_s
        passes = draw_round(self.case, number, before)
        noise = round_noise(self.scene, number, self.samples)
        reduced = with_drag(self.scene, passes, self._air.drag_factor)
        parts = []
        done = 0
        for part in series.walk(self.scene, lines, reduced, 0.0, self.samples, noise, self._air):
            parts.append(part)
            done += part.speed.size
            self.say(0.1 + 0.4 * done / self.samples, f"traffic, round {number + 1}")
        sums = series.merge(parts)
        if not np.isfinite(sums.speed).all():
            raise NumericalError(f"mount '{self.mount.name}': the speed series is not finite")
        if number > 0:  # only the first round's components are kept
            sums = replace(sums, u=np.empty(0), v=np.empty(0), passing=np.empty(0))
        self._sums.append(sums)
        self._blocks.append(intervals.block_cubes(sums.speed, self.dt, self.hours))
        self.passes_total += int(np.count_nonzero(passes.time_s >= 0.0))
        low, high = self._interval()
        tolerance = self.case.compute.tolerance * self._effective()
        self.tolerance_met = 0.5 * (high - low) <= tolerance
        return passes

    def _interval(self) -> tuple[float, float]:
        return intervals.interval(intervals.join_blocks(self._blocks), LEVEL)

    def _speed(self) -> Array:
        return np.concatenate([s.speed for s in self._sums])

    def _effective(self) -> float:
        return effective_speed(self._speed())

    def _statistics(
        self,
        model: tuple[float, float],
        variants: tuple[ModelVariant, ...],
        cutoff: dict[float, float],
        passes: Passes,
    ) -> MountStatistics:
        speed = self._speed()
        first = self._sums[0]
        cube = float(np.sum(speed**3))
        by_class, by_mechanism = self._shares(cube)
        hz, density = velocity_spectrum(first.u, self.dt, _SPECTRUM_SEGMENT_S)
        _, passing = velocity_spectrum(first.passing, self.dt, _SPECTRUM_SEGMENT_S)
        measured = MountSeries(
            speed_m_s=speed,
            first_m_s=first.speed,
            dt_s=self.dt,
            u_m_s=sum(s.u_sum for s in self._sums) / speed.size,
            v_m_s=sum(s.v_sum for s in self._sums) / speed.size,
            ambient_cube_m3_s3=sum(s.ambient_cube for s in self._sums) / speed.size,
            cut_in_m_s=self.mount.cut_in_m_s,
            gust_averaging_s=self.case.compute.gust_averaging_s,
            density_kg_m3=self.density,
        )
        return MountStatistics(
            measures=all_measures(measured),
            sampling_interval_m_s=self._interval(),
            model_interval_m_s=model,
            by_class=by_class,
            by_mechanism=by_mechanism,
            hourly=self._hourly(speed),
            variants=variants,
            cutoff_effective_speed_m_s=cutoff,
            spectrum_hz=hz,
            spectrum_m2_s=density,
            spectrum_passing_m2_s=passing,
            drift=self._drift(),
            series=Series(
                dt_s=self.dt,
                time_s=self.time,
                hour=self.hours,
                u_m_s=first.u,
                v_m_s=first.v,
                speed_m_s=first.speed,
                passes=passes.take(passes.time_s >= 0.0),
            ),
        )

    def _drift(self) -> DriftSummary | None:
        air = self._air
        if air.field is None:
            return None
        rates = self.scene.rates_per_s
        total = float(rates.sum())
        return DriftSummary(
            diffusivity_m2_s=air.mean_viscosity_m2_s,
            at_mount_m_s=float(air.by_class.sum(axis=1).mean()),
            drag_share=float((rates * air.drag_factor).sum() / total) if total else 1.0,
            settling_s=settling_time(self.scene, air),
            balance=air.balance,
            y_m=air.field.model.grid.y,
            z_m=air.field.model.grid.z,
            speed_m_s=air.field.speed,
        )

    def _shares(self, cube: float) -> tuple[dict[str, float], dict[str, float]]:
        """Parts of the mean cube by class and by mechanism; empty in dead calm."""
        if cube == 0.0:
            return {}, {}
        classes = np.sum([s.by_class for s in self._sums], axis=0) / cube
        mechanisms = np.sum([s.by_mechanism for s in self._sums], axis=0) / cube
        by_mechanism = dict(zip(MECHANISMS, map(float, mechanisms), strict=True))
        by_class = dict(zip(self.case.vehicles, map(float, classes), strict=True))
        return by_class | {"ambient": by_mechanism["ambient"]}, by_mechanism

    def _hourly(self, speed: Array) -> tuple[HourRow, ...]:
        hour_of = np.tile(self.hours, self.rounds)
        rows = []
        for hour in self.case.compute.hours:
            mine = speed[hour_of == hour]
            flow = float(self.case.traffic_state(hour).flow_veh_s.sum() * 3600.0)
            rows.append(HourRow(hour, flow, effective_speed(mine), float(mine.mean())))
        return tuple(rows)

    def _signatures(self) -> tuple[Signature, ...]:
        """Every class once, in the lane where it passes nearest."""
        lanes = {lane.centre_m: lane.name for lane in self.case.road.lanes}
        found = []
        for name in self.case.vehicles:
            mine = [s for s in self.scene.views if s.vehicle.name == name]
            if mine:
                nearest = min(mine, key=lambda s: abs(self.mount.offset_m - s.lane_centre_m))
                lane = lanes[nearest.lane_centre_m]
                found.append(signature(nearest, lane, self.mount, self.settings))
        return tuple(found)
