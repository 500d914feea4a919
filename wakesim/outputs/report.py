"""report.html, one file that needs no network, the answer first; and the lines of the console."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from wakesim.case.mounts import PLACE_KINDS
from wakesim.energy.loads import (
    AMBIENT_GUST_M_S,
    DRAG_AREA_SHARE,
    cycles_above,
    dynamic_pressure,
)
from wakesim.outputs import page, wording
from wakesim.outputs.figures import Rendered
from wakesim.outputs.figures.signature import nearest_by_class
from wakesim.outputs.summary import all_warnings, full_provenance
from wakesim.quantities import AXES, group
from wakesim.traffic.scene import memory_by_hour, wake_memory

if TYPE_CHECKING:
    from wakesim.energy.study import EnergyResult
    from wakesim.measures.results import MountStatistics
    from wakesim.results import MountResult, Result

_LARGEST_SHARE = 2.0  # a part beyond this says only that opposite carriageways cancel
_FAILED_SHOWN = 20
_WORDED = {  # measures that the page has in its own words
    "effective_speed_m_s", "mean_speed_m_s", "mean_u_m_s", "mean_v_m_s", "sd_speed_m_s",
    "energy_pattern_factor", "time_above_cut_in", "gust_peak_m_s", "peak_m_s",
    "ambient_effective_speed_m_s", "power_density_w_m2",
}  # fmt: skip


def write_report(result: Any, figures: Sequence[Rendered], path: Path) -> None:
    """Write report.html; raises OSError when the file cannot be written."""
    grid = not hasattr(result, "mounts")
    rows = page.provenance_rows(full_provenance(result), ("case_text", "wall_time_s"))
    context = {
        "result": result,
        "case": result.case,
        "provenance": [*rows, ("wall time", f"{wording.number(result.wall_time_s, 1)} s")],
    }
    context |= _grid_context(result, figures) if grid else _run_context(result, figures)
    template = "grid-report.html.j2" if grid else "report.html.j2"
    text = page.environment().get_template(template).render(context)
    path.write_text(text, encoding="utf-8")


def console_text(result: Any, folder: Path, files: int) -> str:
    """The result as ``wakesim run`` prints it."""
    case = result.case
    grid = not hasattr(result, "mounts")
    flagged = list(dict.fromkeys([*case.warnings, *result.warnings]))
    if not grid:  # what stands beside a mount's figures is not repeated
        beside = {text for mount in result.mounts for text in mount.warnings}
        flagged = [text for text in flagged if text not in beside]
    return page.text(
        "console",
        result=result,
        case=case,
        answer=grid_answer(result) if grid else None,
        flagged=flagged,
        folder=folder,
        files=files,
    )


def grid_answer(result: Any) -> list[str]:
    """The result of a study of many states in plain sentences, from the study's own template."""
    case = result.case
    return page.sentences(
        f"answer-{case.study}",
        result=result,
        case=case,
        axes=AXES,
        place_kinds=PLACE_KINDS,
        memory_s=wake_memory(case),
    )


def _figure(drawn: Rendered) -> dict[str, Any]:
    svg = page.inline_svg(drawn.svg, f"{drawn.stem}-", drawn.caption)
    return {"svg": svg, "caption": drawn.caption}


# --- a run at mounts ----------------------------------------------------------------------------


def _run_context(result: Any, figures: Sequence[Rendered]) -> dict[str, Any]:
    warnings = all_warnings(result)
    beside = [t for mount in result.mounts for t in mount.warnings if t not in warnings]
    return {
        "mounts": [_mount(result, mount, figures) for mount in result.mounts],
        "traffic": _traffic(result) if result.case.study == "traffic" else [],
        "warnings": [*warnings, *beside],
        "memory_s": wake_memory(result.case),
        "by_hour": memory_by_hour(result.case) and len(result.case.compute.hours) > 1,
        "drag_share": DRAG_AREA_SHARE,
    }


def _mount(result: Result, mount: MountResult, figures: Sequence[Rendered]) -> dict[str, Any]:
    values = mount.statistics
    drift = None if values is None else values.drift
    variants = () if values is None else values.variants
    groups = [
        (title, [v for v in variants if v.parameter == parameter])
        for parameter, title in wording.MEAN_AIR_VARIANTS.items()
    ]
    return {
        "mount_result": mount,
        "mount": mount.mount,
        "statistics": values,
        "further": [] if values is None else _further_measures(values),
        "energy": mount.energy,
        "nearest": nearest_by_class(mount),
        "figures": {f.kind: _figure(f) for f in figures if f.mount == mount.mount.name},
        "balance": [] if drift is None else balance_rows(drift.balance, result.air_density_kg_m3),
        "both_ways": len({lane.direction for lane in result.case.road.lanes}) > 1,
        "mean_air_variants": [(title, own) for title, own in groups if own],
        "passing": None if mount.energy is None else _passing_loads(mount.energy),
    }


def _further_measures(values: MountStatistics) -> list[tuple[str, str]]:
    """Measures without words of their own: what they are, and their value with its unit."""
    return [
        (q.meaning, f"{wording.significant(q.of(values))} {q.reading_unit}".strip())
        for key, q in group("measure").items()
        if key not in _WORDED
    ]


def balance_rows(balance: dict[str, float], density_kg_m3: float) -> list[tuple[str, float, float]]:
    """Part, force in N per km of road, and share of the drag (NaN where it cancels), drag first.

    ``balance``: force per metre of road over the density, m3/s2. Parts that are 0 are left out.
    """
    drag = balance["drag_in"]
    parts = {key: value for key, value in balance.items() if key == "drag_in" or value != 0.0}
    others = [value for key, value in parts.items() if key != "drag_in"]
    shown = drag != 0.0 and all(abs(part) <= _LARGEST_SHARE * abs(drag) for part in others)
    return [
        (key, 1000.0 * density_kg_m3 * part, part / drag if shown else math.nan)
        for key, part in sorted(parts.items(), key=lambda item: item[0] != "drag_in")
    ]


def _passing_loads(energy: EnergyResult) -> dict[str, float] | None:
    """Passing loads beside an ambient gust on the same plate, and how often they come."""
    if not energy.loads:
        return None
    largest = max(load.peak_force_n for load in energy.loads)
    pressure = dynamic_pressure(AMBIENT_GUST_M_S, energy.density_kg_m3)
    return {
        "gust_m_s": AMBIENT_GUST_M_S,
        "gust_pa": pressure,
        "gust_n": pressure * DRAG_AREA_SHARE * energy.rotor.area_m2,
        "largest_n": largest,
        "cycles_a_year": energy.gust_cycles_a_year,
        "half_as_large": float(cycles_above(energy.loads, [0.5 * largest])[0]),
    }


def _traffic(result: Result) -> list[dict[str, Any]]:
    """Traffic of each lane over the simulated hours of the first mount's table."""
    case = result.case
    first = result.mounts[0].statistics
    hours = [row.hour for row in first.hourly] if first is not None else []
    states = [case.traffic_state(hour) for hour in hours]
    heavy = [i for i, vehicle in enumerate(case.vehicles.values()) if vehicle.heavy]
    rows = []
    for index, lane in enumerate(case.road.lanes):
        flows = [3600.0 * float(state.flow_veh_s[index]) for state in states]
        total = sum(flows)
        lorries = sum(
            flow * sum(float(state.mix[index][i]) for i in heavy)
            for flow, state in zip(flows, states, strict=True)
        )
        rows.append(
            {
                "lane": lane,
                "mean": total / len(flows) if flows else math.nan,
                "highest": max(flows, default=math.nan),
                "heavy": lorries / total if total > 0 else math.nan,
            }
        )
    return rows


# --- a study of many states ---------------------------------------------------------------------


def _grid_context(result: Any, figures: Sequence[Rendered]) -> dict[str, Any]:
    return {
        "answer": grid_answer(result),
        "warnings": [*all_warnings(result), *result.failed[:_FAILED_SHOWN]],
        "figures": [_figure(drawn) for drawn in figures],
        "axes": AXES,
    }
