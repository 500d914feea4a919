"""One case from start to end: air, every mount's study, result."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from dataclasses import asdict, replace
from pathlib import Path

from numba import get_num_threads

from wakesim import runtime
from wakesim.air.density import air_density
from wakesim.case.mounts import Mount
from wakesim.case.schema import Case
from wakesim.case.studies import GRID_STUDIES
from wakesim.energy import samples
from wakesim.energy.study import EnergyResult, energy_study
from wakesim.energy.uncertainty import YieldUncertainty
from wakesim.measures.study import TrafficStudy, single_pass
from wakesim.results import GridResult, MountResult, Result
from wakesim.sweep import Task, content_key, sweep

Progress = Callable[[float, str], None]


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
    mounts: list[MountResult] = []
    studies = []
    for index, mount in enumerate(case.mounts):

        def say(share: float, text: str, index: int = index, name: str = mount.name) -> None:
            if progress is not None:
                progress((index + min(share, 1.0)) / len(case.mounts), f"{name}: {text}")

        if case.study == "single_pass":
            found = single_pass(case, mount, say)
        else:
            studies.append(TrafficStudy(case, mount, density, say))
            found = studies[-1].result()
            if case.rotor is not None:
                energy = _energy(case, found, density, say, workers or 1, folder)
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


def _energy(
    case: Case,
    found: MountResult,
    density_kg_m3: float,
    say: Progress,
    workers: int,
    folder: str | Path | None,
) -> EnergyResult:
    statistics = found.statistics
    assert statistics is not None
    energy = energy_study(case, found.mount, density_kg_m3, statistics, found.signatures, say)
    if case.energy is None or case.energy.samples == 0:
        return energy
    if folder is not None:
        uncertainty = _uncertain_yield(case, found.mount, energy, say, workers, Path(folder))
    else:
        with tempfile.TemporaryDirectory(prefix="wakesim-") as place:
            uncertainty = _uncertain_yield(case, found.mount, energy, say, workers, Path(place))
    return replace(energy, uncertainty=uncertainty)


def _uncertain_yield(
    case: Case, mount: Mount, energy: EnergyResult, say: Progress, workers: int, folder: Path
) -> YieldUncertainty:
    seed = case.traffic.seed if case.traffic else 0
    shaft = energy.power.shaft_speed_rad_s
    place, values, payloads = samples.payloads(case, mount, seed, shaft)
    curve = asdict(case.power_curve) if case.power_curve else None
    common = (samples.METHOD, runtime.version(), case.sha256, curve, mount.name)
    tasks = [Task(content_key(*common, p["inputs"]), p) for p in payloads]
    outcome = sweep(
        samples.evaluate,
        tasks,
        folder,
        workers=workers,
        chunk_size=8,
        progress=lambda share, _: say(share, "uncertain yield"),
    )
    return samples.collect(case, mount, place, values, outcome.results, energy)


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
