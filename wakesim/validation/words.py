"""Numbers, units and results of a comparison as they are shown to readers."""

from __future__ import annotations

import re

from wakesim.case.messages import UNITS, split_unit
from wakesim.validation.comparison import Comparison
from wakesim.validation.outcome import Outcome
from wakesim.validation.verdict import METRIC_WORDS, mark_value

# Units of conditions that case files do not know.
_MORE_UNITS = {"_m3_s2": "m³/s²", "_kg_m3": "kg/m³", "_per_s": "1/s"}


def result_text(outcome: Outcome) -> str:
    """What the mark judges, or the rms error without a mark: ``rms error 0.41 m/s``."""
    mark, found = outcome.comparison.mark, outcome.metrics
    unit = outcome.comparison.unit
    unit = f" {shown_unit(unit)}" if unit not in ("", "1") else ""
    ratios = (
        f"ratio {span(found.low_ratio, found.high_ratio)}"
        if found.low_ratio is not None
        else f"rms error {short(found.rms)}{unit}"
    )
    if mark is None or METRIC_WORDS[mark.metric] == "ratio":
        return ratios
    value = mark_value(mark, found)
    name = METRIC_WORDS[mark.metric]
    if value is None:
        return f"{name} not defined"
    in_unit = unit if mark.metric in ("rms", "max_error") else ""
    return f"{name} {short(value)}{in_unit}"


def points_text(comparison: Comparison) -> str:
    """Number of points, and of the independent ones where those are fewer: ``5 (1)``."""
    number = comparison.independent_points
    return str(comparison.size) + (f" ({number})" if number < comparison.size else "")


def short(value: float | None) -> str:
    """A number with three figures; a dash for None; rounding noise is zero."""
    if value is None:
        return "–"
    if value == 0.0 or abs(value) < 1e-12:
        return "0"
    text = f"{value:.3g}"
    return text.replace("e-0", "e-").replace("e+0", "e+")


def span(low: float | None, high: float | None) -> str:
    """``0.5 to 0.9``, or one number where both read the same."""
    ends = short(low), short(high)
    return ends[0] if ends[0] == ends[1] else " to ".join(ends)


def shown_unit(unit: str) -> str:
    """A unit as shown to readers: m2/s as m²/s."""
    return re.sub(r"(?<=m)2\b", "²", unit)


def condition_head(name: str) -> str:
    """A condition as a table heading: ``Z_m`` becomes ``Z (m)``."""
    words, unit = condition_words(name)
    return f"{words} ({unit})" if unit else words


def condition_words(name: str) -> tuple[str, str]:
    """Words and unit of a condition: ``Z_m`` becomes Z and m."""
    for suffix, unit in _MORE_UNITS.items():
        if name.endswith(suffix):
            return name.removesuffix(suffix).replace("_", " "), unit
    stem, suffix = split_unit(name)
    return stem.replace("_", " "), UNITS.get(suffix, "")


def numbered(comparison: Comparison) -> bool:
    """Whether the points have no names of their own but their numbers."""
    return comparison.labels == tuple(str(i) for i in range(1, comparison.size + 1))
