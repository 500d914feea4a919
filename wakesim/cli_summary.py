"""A result in a few plain lines, as ``wakesim run`` prints it."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from wakesim.results import MountResult, Result

CAUTION = (
    "Not a structural or road-safety design: wind and vehicle-gust loads, passive safety of posts, "
    "work near traffic and grid connection follow local codes, the road authority and licensed "
    "engineers."
)


def summary_lines(result: Result, folder: Path, files: int) -> list[str]:
    """The result in a few plain lines."""
    case = result.case
    lines = [case.title]
    if case.invented_data:
        lines.append("INVENTED DATA: place or traffic are made up")
    lines.append(
        f"air density {result.air_density_kg_m3:.3f} kg/m³; "
        + (
            f"{result.passes_total} passes in {result.simulated_s / 3600:.3g} h of traffic"
            if case.traffic
            else "one vehicle at a time"
        )
    )
    for mount in result.mounts:
        lines += ["", *_mount_lines(mount)]
    of_mounts = [text for mount in result.mounts for text in mount.warnings]
    # The same sentence may stand in more than one of the lists.
    flagged = list(dict.fromkeys([*case.warnings, *result.warnings, *of_mounts]))
    if flagged:
        lines += ["", "Flagged:", *(f"  - {text}" for text in flagged)]
    report = folder / "report.html"
    return [*lines, "", f"{files} files in {folder}; start with {report}", "", CAUTION]


def _mount_lines(mount: MountResult) -> Iterator[str]:
    place = mount.mount
    yield f"{place.name} ({place.kind}, y = {place.offset_m:g} m, z = {place.height_m:g} m)"
    found = mount.statistics
    if found is None:
        for s in mount.signatures:
            yield (
                f"  {s.label:<30} {3.6 * s.speed_m_s:4.0f} km/h at {s.clearance_m:5.2f} m: "
                f"peak {s.peak_m_s:5.2f} m/s"
            )
        return
    (low, high), model = found.sampling_interval_m_s, found.model_interval_m_s
    uncertain = f"sampling {low:.3f} to {high:.3f}"
    if all(map(math.isfinite, model)):
        uncertain += f", model {model[0]:.2f} to {model[1]:.2f}"
    yield f"  effective speed {found.effective_speed_m_s:.3f} m/s ({uncertain} m/s)"
    yield (
        f"  mean {found.mean_speed_m_s:.3f} m/s, energy pattern factor "
        f"{found.energy_pattern_factor:.2f}, {found.power_density_w_m2:.2f} W/m² of swept area, "
        f"above cut-in {100 * found.time_above_cut_in:.1f} % of the time"
    )
    parts = ", ".join(f"{name} {100 * part:.0f} %" for name, part in found.by_mechanism.items())
    yield f"  mean cube by mechanism: {parts}"
