"""One case from start to end: air, every mount's study, result."""

from __future__ import annotations

import math
import tempfile
import time
from dataclasses import asdict, replace
from pathlib import Path

from numba import get_num_threads, set_num_threads

from wakesim import runtime
from wakesim.air.density import air_density
from wakesim.arrays import Array
from wakesim.case.mounts import Mount
from wakesim.case.schema import Case
from wakesim.case.studies import GRID_STUDIES
from wakesim.energy import uncertainty
from wakesim.energy.study import EnergyResult, energy_study
from wakesim.measures.study import TrafficStudy, single_pass
from wakesim.results import GridResult, MountResult, Result
from wakesim.runtime import Progress, forward_only
from wakesim.sweep import Task, content_key, forget_failures, sweep, tell_duration

_SAMPLES_A_CHUNK = 8
# Share of a mount's work at which its traffic, its energy and the samples of its yield end.
_PARTS = {"traffic": (1.0,), "energy": (0.5, 1.0), "samples": (0.3, 0.5, 1.0)}


def run(
    case: Case,
    progress: Progress | None = None,
    *,
    workers: int | None = None,
    cluster: str | None = None,
    folder: str | Path | None = None,
) -> Result | GridResult:
    """Compute everything a case asks for.

    ``progress(share, text)`` is called with the share done (0 to 1) and what is being done.
    Samples of an uncertain yield and the states of tables and maps are shared out to ``workers``
    processes (default: one for what is short), those of tables and maps to a Dask ``cluster`` by
    the address of its scheduler, and kept in ``folder``, where a later run of the same case finds
    them; without a folder they are not kept. A study of many states returns a GridResult, whose
    ``failed`` lists points that could not be computed.
    Raises CaseError for traffic that is not possible, NumericalError when a result is not finite.
    """
    if progress is not None:
        progress = forward_only(progress)
    if folder is None and _samples(case):
        with tempfile.TemporaryDirectory(prefix="wakesim-") as place:
            return run(case, progress, workers=workers, cluster=cluster, folder=place)
    if case.study in GRID_STUDIES:
        from wakesim.grids import SweepOptions
        from wakesim.map_run import run_grid

        options = SweepOptions(workers, cluster, None if folder is None else Path(folder))
        return run_grid(case, options, progress)
    began = time.perf_counter()
    air = case.air
    density = float(
        air_density(
            temperature_c=air.temperature_c,
            pressure_pa=air.pressure_pa,
            altitude_m=air.altitude_m,
            relative_humidity=air.relative_humidity,
        )
    )
    if folder is not None and _samples(case):
        forget_failures(folder)
        _foresee(case, progress, workers or 1, Path(folder))
    parts = _PARTS["samples" if _samples(case) else "energy" if case.rotor else "traffic"]
    mounts: list[MountResult] = []
    studies = []
    for index, mount in enumerate(case.mounts):

        def say(share: float, text: str, index: int = index, name: str = mount.name) -> None:
            if progress is not None:
                progress((index + min(share, 1.0)) / len(case.mounts), f"{name}: {text}")

        if case.study == "single_pass":
            found = single_pass(case, mount, say)
        else:
            studies.append(TrafficStudy(case, mount, density, _part(say, 0.0, parts[0])))
            found = studies[-1].result()
            if case.rotor is not None:
                energy = _energy(case, found, density, say, parts, workers or 1, folder)
                found = replace(found, energy=energy)
        beyond = case.mount_warnings.get(mount.name, ())
        mounts.append(replace(found, warnings=(*found.warnings, *beyond)))
    if progress is not None:
        progress(1.0, "done")
    met = all(study.tolerance_met for study in studies)
    wall_time = time.perf_counter() - began
    provenance = runtime.provenance(case.text, case.traffic.seed if case.traffic else 0)
    return Result(
        case=case,
        mounts=tuple(mounts),
        air_density_kg_m3=density,
        rounds=max((study.rounds for study in studies), default=1),
        simulated_s=max((study.simulated_s for study in studies), default=0.0),
        passes_total=max((study.passes_total for study in studies), default=0),
        tolerance_met=met,
        wall_time_s=wall_time,
        warnings=tuple(_warnings(case, met)),
        provenance=provenance | {"threads": get_num_threads(), "wall_time_s": round(wall_time, 3)},
    )


def _part(say: Progress, first: float, last: float) -> Progress:
    """Progress of what takes a part of the whole."""
    return lambda share, text: say(first + (last - first) * min(share, 1.0), text)


def _samples(case: Case) -> int:
    """Samples of the uncertain yield that a case asks for at each mount."""
    wanted = case.study == "traffic" and case.rotor is not None and case.energy is not None
    return case.energy.samples if wanted and case.energy is not None else 0


def _energy(
    case: Case,
    found: MountResult,
    density_kg_m3: float,
    say: Progress,
    parts: tuple[float, ...],
    workers: int,
    folder: str | Path | None,
) -> EnergyResult:
    statistics = found.statistics
    assert statistics is not None
    part = _part(say, parts[0], parts[1])
    energy = energy_study(case, found.mount, density_kg_m3, statistics, found.signatures, part)
    if folder is None or not _samples(case):
        return energy
    place, values, tasks = _sample_tasks(case, found.mount, energy.power.shaft_speed_rad_s)
    part = _part(say, parts[1], parts[2])
    outcome = sweep(
        uncertainty.evaluate,
        tasks,
        folder,
        workers=workers,
        chunk_size=_SAMPLES_A_CHUNK,
        progress=lambda share, _: part(share, "uncertain yield"),
        what=f"{found.mount.name}: uncertain yield",
    )
    uncertain = uncertainty.collect(
        case, found.mount, place, values, outcome.results, energy.effective_speed_m_s,
        energy.case_air_kwh,
    )  # fmt: skip
    return replace(energy, uncertainty=uncertain)


def _sample_tasks(
    case: Case, mount: Mount, shaft_speed_rad_s: float | None
) -> tuple[Array, Array, list[Task]]:
    """(places, values, tasks) of the uncertain yield at a mount; the last task is the central."""
    seed = case.traffic.seed if case.traffic else 0
    place, values, payloads = uncertainty.payloads(case, mount, seed, shaft_speed_rad_s)
    curve = asdict(case.power_curve) if case.power_curve else None
    common = (uncertainty.METHOD, runtime.version(), case.sha256, curve, mount.name)
    return place, values, [Task(content_key(*common, p["inputs"]), p) for p in payloads]


def _foresee(case: Case, progress: Progress | None, workers: int, folder: Path) -> None:
    """Compute the first samples of an uncertain yield, to say at the start how long all take.

    The sweep over all finds them computed. A rotor held at a speed that the traffic's study has
    yet to find cannot be told of before.
    """
    rotor = case.rotor
    assert rotor is not None
    if rotor.response == "fixed_speed" and rotor.shaft_speed_rpm is None:
        return
    if progress is not None:
        progress(0.0, "first samples of the uncertain yield")
    tasks = _sample_tasks(case, case.mounts[0], None)[2]
    first = tasks[:_SAMPLES_A_CHUNK]
    threads = get_num_threads()
    set_num_threads(1 if workers > 1 else threads)  # as the processes that compute the rest
    try:
        outcome = sweep(uncertainty.evaluate, first, folder, chunk_size=_SAMPLES_A_CHUNK)
    finally:
        set_num_threads(threads)
    left = len(tasks) * len(case.mounts) - len(first)
    if math.isfinite(outcome.seconds_a_task):
        tell_duration("uncertain yield, after the traffic", workers, left, outcome.seconds_a_task)


def _warnings(case: Case, met: bool) -> list[str]:
    out = list(case.warnings)
    if not met:
        rounds = case.compute.max_rounds
        out.append(
            f"the sampling interval is wider than the tolerance {case.compute.tolerance:g} after "
            f"{rounds} round{'s' if rounds > 1 else ''}: raise compute.max_rounds, "
            "compute.duration_h or compute.tolerance"
        )
    wind = case.air.wind
    steady = wind is not None and wind.intensity(wind.reference_height_m) == 0.0
    if case.study == "traffic" and steady:
        out.append(
            "the ambient wind is taken as steady: real wind gusts, which raises the effective "
            "speed with and without traffic; set air.wind.turbulence_intensity to include it"
        )
    return out
