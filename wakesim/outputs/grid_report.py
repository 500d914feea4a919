"""report.html of the studies of many states: one file that needs no network."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from wakesim.outputs import grid_words, wording
from wakesim.outputs.figures import Rendered
from wakesim.outputs.grid_answers import answer
from wakesim.outputs.page import environment
from wakesim.outputs.report import inline_svg, provenance_rows
from wakesim.outputs.summary import all_warnings
from wakesim.outputs.wording import change, number, place, significant
from wakesim.quantities import AXES
from wakesim.results import LookupResult, MapResult, PassTableResult

if TYPE_CHECKING:
    from wakesim.results import GridResult

_KINDS = {
    "mounting_map": "effective air speed over height and offset",
    "lookup_table": "table of the effective air speed",
    "single_pass_table": "table of single passes of vehicles",
}


@dataclass(frozen=True)
class _Table:
    """A table of the report; the first ``words`` columns hold words, the others numbers."""

    title: str
    caption: str
    head: Sequence[str]
    rows: Sequence[Sequence[str]]
    words: int = 1


def write_report(result: GridResult, figures: Sequence[Rendered], path: Path) -> None:
    """Write report.html; raises OSError when the file cannot be written."""
    page = environment().get_template("grid-report.html.j2").render(**_context(result, figures))
    path.write_text(page, encoding="utf-8")


def _context(result: GridResult, figures: Sequence[Rendered]) -> dict[str, Any]:
    return {
        "case": result.case,
        "kind": _KINDS[result.case.study],
        "wording": wording,
        "answer": answer(result),
        "warnings": [*all_warnings(result), *result.failed[:20]],
        "figures": [
            {"svg": inline_svg(f.svg, f"{f.stem}-", f.caption), "caption": f.caption}
            for f in figures
        ],
        "tables": list(_tables(result)),
        "method": _method(result),
        "limits": grid_words.grid_limits(result),
        "provenance": provenance_rows(result),
    }


def _tables(result: GridResult) -> list[_Table]:
    if isinstance(result, MapResult) and result.variants:
        return [_variants(result)]
    if isinstance(result, LookupResult):
        rows = [
            (name, AXES[name].meaning, ", ".join(f"{v:g}" for v in values))
            for name, values in result.axes.items()
        ]
        head = ("axis", "meaning", "values")
        return [_Table("Axes", "Axes of the table, in their order.", head, rows, 3)]
    return []


def _variants(result: MapResult) -> _Table:
    rows = [
        (
            v.parameter,
            v.setting,
            number(v.effective_speed_m_s, 3),
            change(v.change_m_s),
            f"{place(v.best_offset_m)}, {place(v.best_height_m)}",
        )
        for v in result.variants
    ]
    return _Table(
        "How sure is the best place",
        "Effective speed at the best place with one uncertain constant moved, and the best of the "
        "places compared under that model.",
        ("constant", "moved to", "effective speed (m/s)", "change (m/s)", "best y, z (m)"),
        rows,
        2,
    )


def _method(result: GridResult) -> list[str]:
    case = result.case
    law = wording.WAKE_LAWS[case.model.wake_law]
    common = (
        "Each vehicle class is a hull of its own size above the road, its displacement flow "
        f"computed with source panels, and a wake, here {law}."
    )
    end = f"Air density {number(result.air_density_kg_m3, 3)} kg/m³."
    if isinstance(result, PassTableResult):
        return [common + " One vehicle at a time is moved past a point at constant speed.", end]
    sentences = [
        common,
        "The statistics of the sum of all passes are computed from the signatures without random "
        "numbers: mean, variance and the mean cube from the characteristic function of shot noise, "
        "with wake turbulence as normal noise, the sustained drift and the ambient wind. "
        "A rotor is nine points of its swept area. " + grid_words.INDEPENDENT,
    ]
    if isinstance(result, LookupResult):
        sentences.append(grid_words.INTERPOLATION)
        if result.interval_parts:
            parts = ", ".join(result.interval_parts)
            sentences.append(f"The model interval counts: {parts}.")
    if isinstance(result, MapResult):
        smooth = significant(case.mounts[0].rotor_height_m / 6.0, 2)
        sentences.append(
            "Places at one offset share columns of points, not farther apart than "
            f"{smooth} m, between which the statistics are interpolated by cubic splines."
        )
    return [*sentences, end]
