"""One case from start to end: air, every mount's study, result."""

from __future__ import annotations

import time
from collections.abc import Callable

from numba import get_num_threads

from wakesim import runtime
from wakesim.air.density import air_density
from wakesim.case.schema import Case
from wakesim.measures.study import TrafficStudy, single_pass
from wakesim.results import Result

Progress = Callable[[float, str], None]


def run(case: Case, progress: Progress | None = None) -> Result:
    """Compute everything a case asks for.

    ``progress(share, text)`` is called with the share done (0 to 1) and what is being done.
    Raises CaseError for traffic that is not possible, NumericalError when a result is not finite.
    """
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
    mounts, studies = [], []
    for index, mount in enumerate(case.mounts):

        def say(share: float, text: str, index: int = index, name: str = mount.name) -> None:
            if progress is not None:
                progress((index + min(share, 1.0)) / len(case.mounts), f"{name}: {text}")

        if case.study == "single_pass":
            mounts.append(single_pass(case, mount, say))
        else:
            studies.append(TrafficStudy(case, mount, density, say))
            mounts.append(studies[-1].result())
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
