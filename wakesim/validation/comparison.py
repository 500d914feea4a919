"""What a comparison is: measured values, the conditions they hold for, and a pass mark.

These are the types that the quantities, the metrics and the report exchange. ``reader`` makes them
from reference files.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from wakesim.arrays import Array
from wakesim.case.vehicle import Vehicle


@dataclass(frozen=True)
class Mark:
    """A pass mark, set before the comparison: a metric, its limit and the reason for it.

    ``ratio_range`` uses ``low`` and ``high``, every other metric ``limit``.
    """

    metric: str
    limit: float | None
    low: float | None
    high: float | None
    reason: str


@dataclass(frozen=True)
class FigureSpec:
    """How to draw a comparison.

    ``x`` names the condition to draw against; None draws computed against measured. ``log`` makes
    both axes logarithmic, ``vertical`` puts the condition on the vertical axis (heights), ``group``
    names a condition whose values are drawn as series of their own. ``label`` and ``value`` are
    the words on the axes of the condition and of the values.
    """

    x: str | None = None
    log: bool = False
    vertical: bool = False
    group: str | None = None
    label: str = ""
    value: str = ""


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


@dataclass(frozen=True)
class Quantity:
    """Something the model can compute for any comparison that gives the ``needs``.

    ``optional`` maps the names of options, and of conditions that may be given, to their meaning;
    ``function`` returns the computed values, (n,) in ``unit``. ``body`` says that a body (or a
    vehicle of the catalogue) must be given; ``undisturbed`` names the condition that the quantity
    equals without any body, empty where that is zero.
    """

    name: str
    unit: str
    summary: str
    needs: tuple[str, ...]
    optional: dict[str, str]
    function: Callable[[Comparison], Array]
    body: bool = field(default=False)
    undisturbed: str = ""
