"""Traffic at every mount: all measures of its air and, with a rotor, the energy."""

from __future__ import annotations

import contextlib
import math
import time
from collections.abc import Iterable, Iterator
from concurrent.futures import Executor
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import numpy as np
from numba import get_num_threads, set_num_threads

from wakesim import runtime
from wakesim.air.density import density_of
from wakesim.arrays import Array
from wakesim.case.mounts import Mount
from wakesim.case.schema import Case
from wakesim.energy import samples
from wakesim.energy.study import EnergyResult, claim_check, energy_study
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
from wakesim.measures.spectra import velocity_spectrum
from wakesim.measures.whole_hour import compare_hour
from wakesim.progress import Progress, log_duration, span
from wakesim.results import MountResult, Result
from wakesim.studies.grid import common, kept_in
from wakesim.studies.registry import Options, study
from wakesim.studies.single_pass import signature
from wakesim.sweep import Task, content_key, forget_failures, sweep
from wakesim.traffic.lines import LineLibrary
from wakesim.traffic.mean_air import forget_roads
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
from wakesim.vehicle.wake import forget_wakes
from wakesim.workers import cluster_executor, free_processors

LEVEL = 0.90  # confidence of the sampling interval
_SPECTRUM_SEGMENT_S = 120.0
_SAMPLES_A_CHUNK = 8
# Share of a mount's work at which its traffic, its energy and the samples of its yield end.
_PARTS = {"traffic": (1.0,), "energy": (0.5, 1.0), "samples": (0.3, 0.5, 1.0)}


@study("traffic")
def post(case: Case, options: Options, progress: Progress) -> Result:
    """Series, measures and model interval at every mount of the case, and the rotor's energy."""
    began = time.perf_counter()
    with contextlib.ExitStack() as stack:
        folder = stack.enter_context(kept_in(options.folder))
        workers = options.workers or (free_processors() if options.folder is not None else 1)
        executor = None
        if _samples(case):
            forget_failures(folder)
            if options.cluster is not None:
                executor = stack.enter_context(cluster_executor(options.cluster))
            else:
                _foresee(case, progress, workers, folder)
        where = _Where(folder, workers, executor)
        count, mounts, studies = len(case.mounts), [], []
        for k, mount in enumerate(case.mounts):
            mine = span(progress, k / count, (k + 1) / count, mount.name)
            found, traffic = _at(case, mount, where, mine)
            mounts.append(found)
            studies.append(traffic)
    forget_roads()
    runtime.give_back_memory()
    met = all(one.tolerance_met for one in studies)
    return Result(
        **common(case, began, _warnings(case, met)),
        mounts=tuple(mounts),
        rounds=max(one.rounds for one in studies),
        simulated_s=max(one.simulated_s for one in studies),
        passes_total=max(one.passes_total for one in studies),
        tolerance_met=met,
    )


@dataclass(frozen=True)
class _Where:
    """Where the samples of a yield are kept, and what computes them."""

    folder: Path
    workers: int
    executor: Executor | None


def _at(
    case: Case, mount: Mount, where: _Where, progress: Progress
) -> tuple[MountResult, TrafficStudy]:
    """Traffic and energy at one mount."""
    parts = _PARTS["samples" if _samples(case) else "energy" if case.rotor else "traffic"]
    density = density_of(case.air)
    traffic = TrafficStudy(case, mount, density, span(progress, 0.0, parts[0]))
    found = traffic.result()
    if case.rotor is not None:
        energy = _energy(case, found, density, progress, parts, where)
        found = replace(found, energy=energy)
    warnings = (*found.warnings, *case.mount_warnings.get(mount.name, ()))
    return replace(found, warnings=warnings), traffic


# --- traffic --------------------------------------------------------------------------------------


class TrafficStudy:
    """Traffic at one mount, round after round until the effective speed is sure enough.

    ``say(share, text)`` is told of progress. After ``result`` the attributes ``rounds``,
    ``passes_total``, ``simulated_s`` and ``tolerance_met`` say how it went.
    """

    def __init__(self, case: Case, mount: Mount, density_kg_m3: float, progress: Progress) -> None:
        self.case, self.mount, self.density, self.progress = case, mount, density_kg_m3, progress
        self.scene = prepare_scene(case, mount)
        self.settings = field_settings(case)
        self.dt = 1.0 / case.compute.sample_rate_hz
        self.samples = max(1, round(3600.0 * case.compute.duration_h / self.dt))
        clock = hour_of(self.scene, self._time())
        self.hours = np.asarray(case.compute.hours, dtype=np.int8)[clock]
        self.passes_total = 0
        self.tolerance_met = False
        self._sums: list[RotorSums] = []
        self._blocks: list[intervals.Blocks] = []
        self._air: MountAir = still_mount_air(self.scene, self.settings)

    def _time(self) -> Array:
        return np.arange(self.samples, dtype=np.float64) * self.dt

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
        self.progress(0.0, "pass fields")
        self._air = mount_air(self.scene, self.settings)
        lines = scene_lines(
            self.scene, self.settings, self._air.viscosity, memory_s=self._air.memory_s
        )
        signatures = self._signatures()
        self._air = replace(self._air, air=None)
        if len(self.case.mounts) == 1:
            forget_roads()
        _free()
        first_passes = self._round(lines)
        while not self.tolerance_met and self.rounds < compute.max_rounds:
            self._round(lines)
        del lines  # tens of MB that the model interval does not need
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
                lambda share: self.progress(0.5 + (interval_end - 0.5) * share, "model interval"),
            )
        _free()
        statistics = self._statistics(model, variants, cutoff, first_passes)
        if compute.whole_hour and self.scene.views:
            statistics = replace(statistics, whole_hour=self._whole_hour(interval_end))
        return MountResult(self.mount, signatures, statistics)

    def _whole_hour(self, begin: float) -> WholeHour:
        progress = self.progress
        return compare_hour(
            self.case, self.mount, say=lambda s: progress(begin + (1.0 - begin) * s, "whole hour")
        )

    def _round(self, lines: LineLibrary) -> Passes:
        """Simulate one more round and judge the interval so far; returns its passes."""
        number = self.rounds
        before = 10.0 + 1.25 * self.settings.wake_memory_s
        passes = draw_round(self.case, number, before)
        noise = round_noise(self.scene, number, self.samples)
        reduced = with_drag(self.scene, passes, self._air.drag_factor)

        def told(parts: Iterable[RotorSums]) -> Iterator[RotorSums]:
            done = 0
            for part in parts:
                done += part.speed.size
                self.progress(0.1 + 0.4 * done / self.samples, f"traffic, round {number + 1}")
                yield part

        walked = series.walk(self.scene, lines, reduced, 0.0, self.samples, noise, self._air)
        sums = series.merge(told(walked), self.samples)
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
        if len(self._sums) == 1:
            return self._sums[0].speed
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
                time_s=self._time(),
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


def _free() -> None:
    """Give up the wakes: over 100 MB that neither the simulation nor what follows it needs."""
    forget_wakes()
    runtime.give_back_memory()


# --- energy ---------------------------------------------------------------------------------------


def _samples(case: Case) -> int:
    """Samples of the uncertain yield that a case asks for at each mount."""
    return case.energy.samples if case.rotor is not None and case.energy is not None else 0


def _energy(
    case: Case,
    found: MountResult,
    density_kg_m3: float,
    progress: Progress,
    parts: tuple[float, ...],
    where: _Where,
) -> EnergyResult:
    statistics = found.statistics
    assert statistics is not None
    energy = energy_study(
        case, found.mount, density_kg_m3, statistics, found.signatures,
        span(progress, parts[0], parts[1]),
    )  # fmt: skip
    if not _samples(case):
        return replace(energy, claim=claim_check(case, found.mount, statistics, energy))
    place, values, tasks = _sample_tasks(case, found.mount, energy.power.shaft_speed_rad_s)
    rest = span(progress, parts[1], parts[2])
    outcome = sweep(
        samples.evaluate,
        tasks,
        where.folder,
        executor=where.executor,
        workers=where.workers,
        chunk_size=_SAMPLES_A_CHUNK,
        progress=lambda share, _: rest(share, "uncertain yield"),
        what=f"{found.mount.name}: uncertain yield",
    )
    uncertain = samples.collect(
        case, found.mount, place, values, outcome.results, energy.effective_speed_m_s,
        energy.case_air_kwh,
    )  # fmt: skip
    energy = replace(energy, uncertainty=uncertain)
    return replace(energy, claim=claim_check(case, found.mount, statistics, energy))


def _sample_tasks(
    case: Case, mount: Mount, shaft_speed_rad_s: float | None
) -> tuple[Array, Array, list[Task]]:
    """(places, values, tasks) of the uncertain yield at a mount; the last task is the central."""
    seed = case.traffic.seed if case.traffic else 0
    place, values, payloads = samples.payloads(case, mount, seed, shaft_speed_rad_s)
    curve = asdict(case.power_curve) if case.power_curve else None
    common = (samples.METHOD, runtime.version(), case.sha256, curve, mount.name)
    return place, values, [Task(content_key(*common, p["inputs"]), p) for p in payloads]


def _foresee(case: Case, progress: Progress, workers: int, folder: Path) -> None:
    """Compute the first samples of an uncertain yield, to say at the start how long all take.

    The sweep over all finds them computed. A rotor held at a speed that the traffic's study has
    yet to find cannot be told of before.
    """
    rotor = case.rotor
    assert rotor is not None
    if rotor.response == "fixed_speed" and rotor.shaft_speed_rpm is None:
        return
    progress(0.0, "first samples of the uncertain yield")
    tasks = _sample_tasks(case, case.mounts[0], None)[2]
    first = tasks[:_SAMPLES_A_CHUNK]
    threads = get_num_threads()
    set_num_threads(1 if workers > 1 else threads)  # as the processes that compute the rest
    try:
        outcome = sweep(samples.evaluate, first, folder, chunk_size=_SAMPLES_A_CHUNK)
    finally:
        set_num_threads(threads)
    left = len(tasks) * len(case.mounts) - len(first)
    if math.isfinite(outcome.seconds_a_task):
        log_duration("uncertain yield, after the traffic", workers, left, outcome.seconds_a_task)


def _warnings(case: Case, met: bool) -> list[str]:
    out = []
    if not met:
        rounds = case.compute.max_rounds
        out.append(
            f"the sampling interval is wider than the tolerance {case.compute.tolerance:g} after "
            f"{rounds} round{'s' if rounds > 1 else ''}: raise compute.max_rounds, "
            "compute.duration_h or compute.tolerance"
        )
    wind = case.air.wind
    if wind is not None and wind.intensity(wind.reference_height_m) == 0.0:
        out.append(
            "the ambient wind is taken as steady: real wind gusts, which raises the effective "
            "speed with and without traffic; set air.wind.turbulence_intensity to include it"
        )
    return out
