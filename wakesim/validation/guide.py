"""The list of quantities and conditions in the README of the reference files.

After a change of a quantity, ``python -m wakesim.validation.guide`` writes the list anew.
"""

from __future__ import annotations

import os
from pathlib import Path

from wakesim.runtime import validation_path
from wakesim.validation.markdown import table
from wakesim.validation.quantities import quantities
from wakesim.validation.words import shown_unit

BEGIN, END = "<!-- list of quantities: begin -->", "<!-- list of quantities: end -->"

# What every condition that a quantity needs means; its unit is the end of its name.
CONDITIONS = {
    "X_m": "distance ahead of the nose; behind it X < 0",
    "Y_m": "distance from the body's centreline",
    "Z_m": "height above the road or floor",
    "speed_m_s": "speed of the body or of the traffic; in a tunnel, of the undisturbed stream",
    "behind_m": "distance behind the tail, or behind the trailing edge of a plane wake",
    "half_width_m": "distance from the axis at which the velocity deficit is half its peak",
    "momentum_thickness_m": "momentum thickness of the plane wake",
    "from_m": "nearest distance behind the tail of the stretch over which an exponent is taken",
    "to_m": "farthest distance of that stretch",
    "lateral_m": "distance from the body's centreline to the point or wall",
    "clearance_m": "distance from the side of the vehicle to the point",
    "height_m": "height of the point above the road",
    "averaging_s": "time over which the gust is averaged",
    "at_height_m": "height of the point above the road",
    "beside_m": "distance from the side of the vehicle to the point",
    "from_speed_m_s": "lower speed of the range over which an exponent is taken",
    "to_speed_m_s": "upper speed of that range",
    "flow_veh_h": "flow of the class on the road, all lanes",
    "lane_flow_veh_h": "flow in one lane",
    "road_flow_veh_h": "flow on the road, all lanes",
    "road_width_m": "width of the carriageways over which the turbulence is spread",
    "threshold_s": "headway to be exceeded",
    "threshold_m_s": "speed to be exceeded",
    "rate_per_s": "passes per second",
    "amplitude_m_s": "height of each pulse",
    "decay_s": "time constant of each pulse",
    "order": "order of the cumulant (1 mean, 2 variance, 3), or power in an integral",
    "y_m": "horizontal position across: from the line of force or from the body's centre",
    "z_m": "height above the road, or above the body's centre (with a wall: above the wall)",
    "x_m": "position along, from the body's centre",
    "force_m3_s2": "drag per metre of road over the density",
    "diffusivity_m2_s": "eddy diffusivity",
    "residence_time_s": "time for which air stays over the road",
    "from_hz": "frequency at and above which the variance is counted",
    "semi_x_m": "half axis of the ellipse or ellipsoid along x",
    "angle_deg": "place on the outline, counter-clockwise from +x",
}


def quantity_lines() -> list[str]:
    """The list as Markdown: quantities, the conditions they need, options and their meaning."""
    known = quantities()
    lines = ["### Quantities", ""]
    rows = [
        [
            f"`{q.name}`",
            shown_unit(q.unit),
            q.summary,
            ", ".join([*(["a body"] if q.body else []), *(f"`{n}`" for n in q.needs)]) or "–",
            ", ".join(f"`{n}`" for n in q.optional) or "–",
        ]
        for q in known.values()
    ]
    lines += table(["quantity", "unit", "what it is", "needs", "may be given"], rows)
    lines += ["", "### Conditions that quantities need", ""]
    needed = dict.fromkeys(n for q in known.values() for n in q.needs)
    lines += table(["condition", "meaning"], [[f"`{n}`", CONDITIONS.get(n, "")] for n in needed])
    lines += ["", "### Options and conditions that may be given", ""]
    lines += table(["name", "meaning", "where"], _option_rows())
    return lines


def _option_rows() -> list[list[str]]:
    """(name, meaning, quantities); the quantities only where one name has several meanings."""
    found: dict[str, dict[str, list[str]]] = {}
    for quantity in quantities().values():
        for name, meaning in quantity.optional.items():
            found.setdefault(name, {}).setdefault(meaning, []).append(quantity.name)
    rows = []
    for name, meanings in found.items():
        for meaning, users in meanings.items():
            where = ", ".join(f"`{u}`" for u in users) if len(meanings) > 1 else "as listed above"
            rows.append([f"`{name}`", meaning, where])
    return rows


def with_list(text: str) -> str:
    """The README with a fresh list between its two marks. Raises ValueError without them."""
    before, begin, rest = text.partition(BEGIN)
    _, end, after = rest.partition(END)
    if not begin or not end:
        raise ValueError("the README does not hold the marks of the list")
    return "\n".join([before + BEGIN, "", *quantity_lines(), "", END + after])


def update(path: Path) -> None:
    """Write the list in the README at ``path`` anew."""
    text = with_list(path.read_text(encoding="utf-8"))
    fresh = path.with_name(path.name + ".new")
    fresh.write_text(text, encoding="utf-8")
    os.replace(fresh, path)


if __name__ == "__main__":
    update(validation_path("README.md"))
