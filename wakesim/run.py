"""One case from start to end: fields, traffic, measures, result."""

from __future__ import annotations

import logging
import math
import time
from collections.abc import Callable

import numpy as np

from wakesim import runtime

runtime.prepare_kernel_cache()

from wakesim.air.density import air_density  # noqa: E402
from wakesim.case.mounts import Mount  # noqa: E402
from wakesim.case.schema import Case  # noqa: E402
from wakesim.errors import NumericalError  # noqa: E402
from wakesim.measures import intervals, series, spread  # noqa: E402
from wakesim.measures.effective import (  # noqa: E402
    energy_pattern_factor,
    power_density,
    share_above,
)
from wakesim.measures.gusts import gust_peak  # noqa: E402
from wakesim.measures.signature import clearance, signature  # noqa: E402
from wakesim.measures.spectra import velocity_spectrum  # noqa: E402
from wakesim.measures.split import MECHANISMS, RotorSums  # noqa: E402
from wakesim.results import (  # noqa: E402
    HourRow,
    MountResult,
    MountStatistics,
    Result,
    Series,
    Signature,
)
from wakesim.traffic.lines import Sight  # noqa: E402
from wakesim.traffic.stream import Passes  # noqa: E402

Progress = Callable[[float, str], None]

_log = logging.getLogger(__name__)

LEVEL = 0.90  # confidence of the sampling interval
_SPECTRUM_SEGMENT_S = 120.0
_SIGNATURE_SPEED_M_S = 25.0  # single pass of a class without a speed of its own
_TALK_SLOW_M_S = 5.0
_NEAR_M = 0.5


def run(case: Case, progress: Progress | None = None) -> Result:
    """Compute everything a case asks for.

    ``progress(share, text)`` is called with the share done (0 to 1) and what is being done.
    Raises CaseError for traffic that is not possible, NumericalError when a result is not finite.
    """
    began = time.perf_counter()
    meter = _Meter(progress or (lambda share, text: None), case)
    air = case.air
    density = air_density(
        temperature_c=air.temperature_c,
        pressure_pa=air.pressure_pa,
        altitude_m=air.altitude_m,
        relative_humidity=air.relative_humidity,
    )
    rounds, met, passes_total, simulated = 1, True, 0, 0.0
    mounts = []
    if case.study == "single_pass":
        for mount in case.mounts:
            mounts.append(_single_pass(case, mount, meter))
    else:
        for mount in case.mounts:
            outcome = _Traffic(case, mount, float(density), meter)
            mounts.append(outcome.result())
            rounds = max(rounds, outcome.rounds)
            met = met and outcome.tolerance_met
            passes_total = max(passes_total, outcome.passes_total)
            simulated = max(simulated, outcome.simulated_s)
    seed = case.traffic.seed if case.traffic else 0
    result = Result(
        case=case,
        mounts=tuple(mounts),
        air_density_kg_m3=float(density),
        rounds=rounds,
        simulated_s=simulated,
        passes_total=passes_total,
        tolerance_met=met,
        wall_time_s=time.perf_counter() - began,
        warnings=tuple(_case_warnings(case, met)),
        provenance=runtime.provenance(case.text, seed),
    )
    meter.finish()
    return result


class _Meter:
    """Turns work done into progress calls."""

    def __init__(self, report: Progress, case: Case) -> None:
        self._report = report
        self._total = float(max(1, len(case.mounts)))
        self._done = 0.0

    def start(self, mount: Mount, index: int) -> None:
        self._done = float(index)
        self.say(0.0, f"{mount.name}: pass fields")

    def say(self, share: float, text: str) -> None:
        self._report(min(1.0, (self._done + share) / self._total), text)

    def finish(self) -> None:
        self._report(1.0, "done")


def _single_pass(case: Case, mount: Mount, meter: _Meter) -> MountResult:
    study = case.single_pass
    assert study is not None
    meter.start(mount, case.mounts.index(mount))
    lane = case.road.lanes[study.lane_index]
    settings = series.field_settings(case)
    found = []
    for k, name in enumerate(study.vehicles):
        vehicle = case.vehicles[name]
        speed = study.speed_m_s or vehicle.mean_speed_m_s or _SIGNATURE_SPEED_M_S
        along, across = series.ambient_velocity(case.air.wind, 0.5 * vehicle.height_m)
        sight = Sight(
            vehicle, lane.centre_m, lane.direction, speed, 0.0, float(along), float(across)
        )
        found.append(signature(sight, lane.name, mount, settings))
        meter.say((k + 1) / len(study.vehicles), f"{mount.name}: {vehicle.label}")
    warnings = [_nearness(mount, s.label, s.clearance_m) for s in found if s.clearance_m < _NEAR_M]
    return MountResult(mount, tuple(found), None, tuple(warnings))


class _Traffic:
    """The traffic study of one mount."""

    def __init__(self, case: Case, mount: Mount, density: float, meter: _Meter) -> None:
        self.case, self.mount, self.density, self.meter = case, mount, density, meter
        self.scene = series.prepare(case, mount)
        self.settings = series.field_settings(case)
        self.dt = 1.0 / case.compute.sample_rate_hz
        self.samples = max(1, round(3600.0 * case.compute.duration_h / self.dt))
        self.hours = self._hours()
        self.rounds = 0
        self.passes_total = 0
        self.tolerance_met = False
        self.sums: list[RotorSums] = []

    @property
    def simulated_s(self) -> float:
        return self.rounds * self.samples * self.dt

    def _hours(self) -> np.ndarray:
        index = (np.arange(self.samples) * self.dt / 3600.0).astype(np.int64)
        return np.asarray(self.case.compute.hours, dtype=np.int8)[index]

    def result(self) -> MountResult:
        self.meter.start(self.mount, self.case.mounts.index(self.mount))
        cache: dict[tuple[object, ...], np.ndarray] = {}
        lines = series.library(self.scene, self.settings, cache)
        blocks = []
        compute = self.case.compute
        memory = self.settings.wake_memory_s
        first_passes: Passes | None = None
        share = 0.4 if compute.model_interval else 0.9
        while self.rounds < compute.max_rounds:
            # every round reaches back twice the memory, for the cut-off's sensitivity
            passes = series.draw_round(self.case, self.rounds, 2.0 * max(spread.CUTOFF_FACTORS)
                                       * memory)  # fmt: skip
            first_passes = first_passes or passes
            done = 0

            def tick(count: int) -> None:
                nonlocal done
                done += count
                text = f"{self.mount.name}: traffic, round {self.rounds + 1}"
                self.meter.say(0.1 + share * done / self.samples, text)

            noise = series.round_noise(self.scene, self.rounds, self.samples)
            parts = series.walk(self.scene, lines, passes, 0.0, self.samples, noise, tick)
            sums = series.merge(list(parts))
            if not np.isfinite(sums.speed).all():
                raise NumericalError(f"mount '{self.mount.name}': the speed series is not finite")
            self.sums.append(sums)
            self.passes_total += int(np.count_nonzero(passes.time_s >= 0.0))
            blocks.append(intervals.block_cubes(sums.speed, self.dt, self.hours))
            self.rounds += 1
            interval = intervals.interval(intervals.join_blocks(blocks), LEVEL)
            effective = self._effective()
            self.tolerance_met = 0.5 * (interval[1] - interval[0]) <= compute.tolerance * effective
            if self.tolerance_met:
                break
        assert first_passes is not None
        return self._collect(first_passes, effective, interval, cache)

    def _effective(self) -> float:
        cubes = sum(float(np.sum(s.speed**3)) for s in self.sums)
        return float(np.cbrt(cubes / (self.samples * self.rounds)))

    def _collect(
        self,
        passes: Passes,
        effective: float,
        interval: tuple[float, float],
        cache: dict[tuple[object, ...], np.ndarray],
    ) -> MountResult:
        speed = np.concatenate([s.speed for s in self.sums])
        count = speed.size
        names = list(self.case.vehicles)
        cube = float(np.sum(speed**3))
        by_class = np.sum([s.by_class for s in self.sums], axis=0) / cube if cube else None
        mechanism = np.sum([s.by_mechanism for s in self.sums], axis=0) / cube if cube else None
        first = self.sums[0]
        variants, cutoff, model = (), {self.settings.wake_memory_s: effective}, interval
        if self.case.compute.model_interval and effective > 0.0:
            total = sum(1 for _ in spread.variants(self.settings)) + len(spread.CUTOFF_FACTORS)
            done = 0

            def tick(step: int) -> None:
                nonlocal done
                done += step
                self.meter.say(0.5 + 0.45 * done / total, f"{self.mount.name}: model interval")

            variants, cutoff = spread.model_spread(
                self.scene, self.settings, passes, effective, cache, tick
            )
            model = spread.model_interval(effective, variants)
        elif not self.case.compute.model_interval:
            model = (math.nan, math.nan)
        hz, density = velocity_spectrum(first.u, self.dt, _SPECTRUM_SEGMENT_S)
        shares = dict(zip(names, by_class, strict=True)) if by_class is not None else {}
        mechanisms = dict(zip(MECHANISMS, mechanism, strict=True)) if mechanism is not None else {}
        statistics = MountStatistics(
            effective_speed_m_s=effective,
            sampling_interval_m_s=interval,
            model_interval_m_s=model,
            mean_speed_m_s=float(speed.mean()),
            mean_u_m_s=sum(s.u_sum for s in self.sums) / count,
            mean_v_m_s=sum(s.v_sum for s in self.sums) / count,
            sd_speed_m_s=float(speed.std()),
            energy_pattern_factor=energy_pattern_factor(speed) if cube else math.nan,
            time_above_cut_in=share_above(speed, self.mount.cut_in_m_s),
            gust_peak_m_s=gust_peak(first.speed, self.dt, self.case.compute.gust_averaging_s),
            peak_m_s=float(speed.max()),
            ambient_effective_speed_m_s=float(
                np.cbrt(sum(s.ambient_cube for s in self.sums) / count)
            ),
            power_density_w_m2=power_density(effective, self.density),
            by_class={k: float(v) for k, v in shares.items()}
            | ({"ambient": float(mechanisms["ambient"])} if mechanisms else {}),
            by_mechanism={k: float(v) for k, v in mechanisms.items()},
            hourly=self._hourly(),
            variants=tuple(variants),
            cutoff_effective_speed_m_s=cutoff,
            spectrum_hz=hz,
            spectrum_m2_s=density,
            series=self._series(first, passes),
        )
        return MountResult(self.mount, self._signatures(), statistics, tuple(self._warnings()))

    def _series(self, first: RotorSums, passes: Passes) -> Series:
        within = passes.time_s >= 0.0
        return Series(
            dt_s=self.dt,
            time_s=np.arange(self.samples) * self.dt,
            hour=self.hours,
            u_m_s=first.u,
            v_m_s=first.v,
            speed_m_s=first.speed,
            passes=passes.take(within),
        )

    def _hourly(self) -> tuple[HourRow, ...]:
        rows = []
        for hour in self.case.compute.hours:
            mine = self.hours == hour
            speeds = np.concatenate([s.speed[mine] for s in self.sums])
            flow = float(self.case.traffic_state(hour).flow_veh_s.sum() * 3600.0)
            effective = float(np.cbrt(np.mean(speeds**3)))
            rows.append(HourRow(int(hour), flow, effective, float(speeds.mean())))
        return tuple(rows)

    def _signatures(self) -> tuple[Signature, ...]:
        """Every class once, in the lane where it passes nearest."""
        nearest: dict[str, tuple[float, int]] = {}
        lanes = {lane.centre_m: lane.name for lane in self.case.road.lanes}
        for k, sight in enumerate(self.scene.sights):
            distance = abs(self.mount.offset_m - sight.lane_centre_m)
            if sight.vehicle.name not in nearest or distance < nearest[sight.vehicle.name][0]:
                nearest[sight.vehicle.name] = (distance, k)
        found = []
        for name in self.case.vehicles:
            if name in nearest:
                sight = self.scene.sights[nearest[name][1]]
                found.append(
                    signature(sight, lanes[sight.lane_centre_m], self.mount, self.settings)
                )
        return tuple(found)

    def _warnings(self) -> list[str]:
        out = []
        for sight in self.scene.sights:
            gap = clearance(sight, self.mount)
            if gap < _NEAR_M:
                out.append(_nearness(self.mount, sight.vehicle.label, gap))
            if sight.mean_speed_m_s < _TALK_SLOW_M_S:
                out.append(
                    f"mount '{self.mount.name}': {sight.vehicle.label} at "
                    f"{sight.mean_speed_m_s:.1f} m/s: below {_TALK_SLOW_M_S:g} m/s the wake laws "
                    "are not validated"
                )
        return sorted(set(out))


def _nearness(mount: Mount, label: str, gap: float) -> str:
    return (
        f"mount '{mount.name}': {label} passes at a clearance of {gap:.2f} m; nearer than "
        f"{_NEAR_M:g} m the model is not validated"
    )


def _case_warnings(case: Case, met: bool) -> list[str]:
    out = list(case.warnings)
    if case.study == "traffic" and not met:
        out.append(
            f"the sampling interval is wider than the tolerance {case.compute.tolerance:g} after "
            f"{case.compute.max_rounds} rounds: raise compute.max_rounds or compute.tolerance"
        )
    wind = case.air.wind
    if case.study == "traffic" and wind is not None and wind.turbulence_intensity == 0.0:
        out.append(
            "the ambient wind is taken as steady: real wind gusts, which raises the effective "
            "speed with and without traffic; set air.wind.turbulence_intensity to include it"
        )
    return out
