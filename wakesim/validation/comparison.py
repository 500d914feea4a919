"""What a comparison is: measured values, the conditions they hold for, and a pass mark.

These are the types that the quantities, the metrics and the report exchange, and how their numbers
and names are shown. ``reader`` makes them from reference files.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from wakesim.arrays import Array
from wakesim.case.messages import UNITS, split_unit
from wakesim.case.vehicle import Vehicle
from wakesim.validation.schema import FigureSpec, Mark


@dataclass(frozen=True)
class Comparison:
    """Measured values of one quantity, n points, with what is needed to compute them.

    ``measured`` and ``uncertainty`` (None: not stated) are (n,) in ``unit``; ``conditions`` maps
    names to (n,) arrays in the unit their name ends with; ``options`` are documented by the
    quantity. ``fitted`` says that constants of the model were fitted to these very data,
    ``own_law`` that the reference is a law or constant which the model itself uses, ``variant``
    that the program does not use these options by default. ``independent_points`` counts measured
    values that do not follow from one another. ``roadside`` is one of ``schema.ROADSIDE``, and
    ``consequence`` says what a miss does to a figure at a roadside.
    """

    name: str
    title: str
    part: str
    quantity: str
    unit: str
    source: str
    status: str
    note: str
    fitted: bool
    own_law: bool
    variant: bool
    independent_points: int
    roadside: str
    consequence: str
    measured: Array
    uncertainty: Array | None
    conditions: dict[str, Array]
    labels: tuple[str, ...]
    body: Vehicle | None
    nose_radius_m: float | None
    options: dict[str, Any]
    mark: Mark | None
    figure: FigureSpec
    path: Path

    @property
    def size(self) -> int:
        """Number of points."""
        return int(self.measured.size)

    @property
    def points_text(self) -> str:
        """Number of points, and of the independent ones where those are fewer: ``5 (1)``."""
        few = self.independent_points < self.size
        return f"{self.size} ({self.independent_points})" if few else str(self.size)

    @property
    def numbered(self) -> bool:
        """Whether the points have no names of their own but their numbers."""
        return self.labels == tuple(str(i) for i in range(1, self.size + 1))


@dataclass(frozen=True)
class Quantity:
    """Something the model can compute for any comparison that gives the ``needs``.

    ``needs`` maps the names of the conditions it needs to their meaning, ``optional`` those of
    options and of conditions that may be given; ``function`` returns the computed values, (n,) in
    ``unit``. ``body`` says that a body (or a vehicle of the catalogue) must be given;
    ``undisturbed`` names the condition that the quantity equals without any body, empty where that
    is zero.
    """

    name: str
    unit: str
    summary: str
    needs: dict[str, str]
    optional: dict[str, str]
    function: Callable[[Comparison], Array]
    body: bool = False
    undisturbed: str = ""


# --- as readers see it ------------------------------------------------------------------------

# Units of conditions that case files do not know.
_MORE_UNITS = {"_m3_s2": "m³/s²", "_kg_m3": "kg/m³", "_per_s": "1/s"}


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


def after_number(unit: str) -> str:
    """A unit with the space before it; nothing for a pure number."""
    return f" {shown_unit(unit)}" if unit not in ("", "1") else ""


def condition_head(name: str) -> str:
    """A condition as a table heading: ``Z_m`` becomes ``Z (m)``."""
    plain, unit = name_and_unit(name)
    return f"{plain} ({unit})" if unit else plain


def name_and_unit(name: str) -> tuple[str, str]:
    """A condition as plain name and unit: ``Z_m`` becomes Z and m."""
    for suffix, unit in _MORE_UNITS.items():
        if name.endswith(suffix):
            return name.removesuffix(suffix).replace("_", " "), unit
    stem, suffix = split_unit(name)
    return stem.replace("_", " "), UNITS.get(suffix, "")
