"""A result in a few plain lines, as ``wakesim run`` prints it."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from wakesim.case.studies import GRID_STUDIES
from wakesim.outputs.claim_words import claim_lines
from wakesim.outputs.energy_words import energy_answer
from wakesim.outputs.wording import (
    CAUTION,
    INVENTED_BANNER,
    MECHANISMS,
    interval,
    number,
    significant,
)

if TYPE_CHECKING:
    from wakesim.results import GridResult, MountResult, Result

__all__ = ["CAUTION", "summary_lines"]


def summary_lines(result: Result | GridResult, folder: Path, files: int) -> list[str]:
    """The result in a few plain lines."""
    case = result.case
    if case.study in GRID_STUDIES:
        return _grid_lines(result, folder, files)
    lines = [case.title]
    if case.invented_data:
        lines.append(INVENTED_BANNER)
    lines.append(
        f"air density {result.air_density_kg_m3:.3f} kg/m³; "
        + (
            f"{result.passes_total} passes in {result.simulated_s / 3600:.3g} h of traffic"
            if case.traffic
            else "one vehicle at a time"
        )
    )
    for mount in result.mounts:
        lines += ["", *_mount_lines(mount), *(f"  Flagged: {text}" for text in mount.warnings)]
    # What stands beside a mount's figures is not said again.
    said = {text for mount in result.mounts for text in mount.warnings}
    flagged = [t for t in dict.fromkeys([*case.warnings, *result.warnings]) if t not in said]
    if flagged:
        lines += ["", "Flagged:", *(f"  - {text}" for text in flagged)]
    report = folder / "report.html"
    return [*lines, "", f"{files} files in {folder}; start with {report}", "", CAUTION]


def _grid_lines(result: Any, folder: Path, files: int) -> list[str]:
    from wakesim.outputs.grid_answers import answer  # loads numpy

    case = result.case
    lines = [case.title, *([INVENTED_BANNER] if case.invented_data else [])]
    lines += ["", *answer(result)]
    flagged = list(dict.fromkeys([*case.warnings, *result.warnings]))
    if flagged:
        lines += ["", "Flagged:", *(f"  - {text}" for text in flagged)]
    end = f"{files} files in {folder}; start with {folder / 'report.html'}"
    return [*lines, "", end, "", CAUTION]


def _mount_lines(mount: MountResult) -> Iterator[str]:
    place = mount.mount
    yield f"{place.name} ({place.kind}, y = {place.offset_m:g} m, z = {place.height_m:g} m)"
    found = mount.statistics
    if found is None:
        for s in mount.signatures:
            yield (
                f"  {s.label:<30} {3.6 * s.speed_m_s:4.0f} km/h at {s.clearance_m:5.2f} m: "
                f"peak {s.peak_m_s:5.2f} m/s, {s.duration_s:4.1f} s above a tenth of it"
            )
        return
    uncertain = f"sampling {interval(found.sampling_interval_m_s, 3)}"
    if all(map(math.isfinite, found.model_interval_m_s)):
        uncertain += f", model {interval(found.model_interval_m_s, 2)}"
    yield f"  effective speed {significant(found.effective_speed_m_s)} m/s ({uncertain} m/s)"
    yield (
        f"  mean {significant(found.mean_speed_m_s)} m/s, energy pattern factor "
        f"{significant(found.energy_pattern_factor)}, "
        f"{significant(found.power_density_w_m2, 2)} W/m² of swept area, "
        f"above cut-in {number(100 * found.time_above_cut_in, 1)} % of the time"
    )
    if found.by_mechanism:
        shares = found.by_mechanism.items()
        parts = (f"{MECHANISMS.get(key, key)} {number(100 * part, 0)} %" for key, part in shares)
        yield f"  energy flux made by: {', '.join(parts)}"
    if mount.energy is None:
        return
    for text in energy_answer(mount):
        yield f"  {text}"
    if mount.energy.claim is not None:
        for line in claim_lines(mount.energy.claim):
            yield f"  {line}"
