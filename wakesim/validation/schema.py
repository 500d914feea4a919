"""The tables of a reference file as pydantic models, and the rules between their keys.

Nothing is converted, nothing unknown is taken; ``file_problems`` checks what no single key shows:
that every point holds the same, that the mark fits its metric. What the quantity needs is checked
by ``reader``.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Annotated, Any, Literal, get_args

from pydantic import AfterValidator, Field, Strict, model_validator
from pydantic_core import PydanticCustomError

from wakesim.case.messages import Problem
from wakesim.case.tables import Table
from wakesim.case.vehicle import (
    NOSE_RADIUS_M,
    aliases,
    catalogue,
    unknown_vehicle,
    vehicle_problems,
)

VALUES = ("measured", "uncertainty")
BOUNDS = ("upper_envelope", "lower_bound")  # metrics that one side meets

Part = Literal[
    "displacement flow",
    "near wake",
    "far wake",
    "turbulence",
    "traffic",
    "drift",
    "pressure",
    "gust",
    "whole prediction",
]
Status = Literal["read", "derived", "second hand", "from memory", "exact"]
Roadside = Literal["mount", "input", "other", "equations"]
Metric = Literal[
    "rms",
    "max_error",
    "max_relative_error",
    "ratio_range",
    "fac2",
    "hit_rate",
    "fractional_bias",
    "nmse",
    "geometric_variance",
    "upper_envelope",
    "lower_bound",
]
PARTS: tuple[str, ...] = get_args(Part)
STATUSES: tuple[str, ...] = get_args(Status)
METRICS: tuple[str, ...] = get_args(Metric)
ROADSIDE: tuple[str, ...] = get_args(Roadside)


def _check_text(text: str) -> str:
    if not text.strip() or len(text) > 4000 or "\0" in text:
        raise PydanticCustomError("text", "must be a text of 1 to 4000 characters")
    return " ".join(text.split())


def _check_title(text: str) -> str:
    if not text.strip() or not text.isprintable() or len(text) > 120 or "|" in text:
        raise PydanticCustomError(
            "title", "must be one line of 1 to 120 printable characters without '|'"
        )
    return text


Text = Annotated[str, AfterValidator(_check_text)]
Title = Annotated[str, AfterValidator(_check_title)]
Radius = Annotated[float, Field(ge=NOSE_RADIUS_M[0], le=NOSE_RADIUS_M[1])]


class BodyTable(Table):
    """[body]: outside dimensions and drag of the body; heights are above the ground."""

    length_m: float = Field(description="length of the body")
    width_m: float = Field(description="width of the body")
    height_m: float = Field(description="top of the body above the ground")
    clearance_m: float = Field(description="underside of the body above the ground")
    frontal_area_m2: float = Field(description="frontal area")
    drag_coefficient: float = Field(description="drag coefficient on the frontal area")
    shape: Literal["box", "bonnet"] = "box"
    name: Title = "body"
    nose_radius_m: Radius | None = None


class FigureSpec(Table):
    """[figure]: how to draw the comparison.

    ``x`` names the condition to draw against; None draws computed against measured. ``log`` makes
    both axes logarithmic, ``vertical`` puts the condition on the vertical axis (heights), ``group``
    names a condition whose values are drawn as series of their own. ``label`` and ``value`` name
    the axes of the condition and of the values.
    """

    x: str | None = None
    log: bool = False
    vertical: bool = False
    group: str | None = None
    label: Title = ""
    value: Title = ""


class Mark(Table):
    """[mark]: the pass mark, set before the comparison: a metric, its limit and the reason for it.

    ``ratio_range`` uses ``low`` and ``high``, every other metric ``limit``; a bound itself is the
    limit 1.
    """

    metric: Metric = Field(description="one of " + ", ".join(METRICS))
    limit: float | None = None
    low: float | None = None
    high: float | None = None
    reason: Text = Field(description="why this limit, set before the comparison")

    @model_validator(mode="before")
    @classmethod
    def _limit_of_a_bound(cls, data: Any) -> Any:
        bound = isinstance(data, dict) and data.get("metric") in BOUNDS
        return {"limit": 1.0, **data} if bound else data


class ComparisonFile(Table):
    """A whole reference file."""

    title: Title = Field(description="one line that says what is compared")
    part: Part = Field(description="the part of the model it tests")
    quantity: str = Field(description="name of the computed quantity")
    unit: str = Field(description="unit of the measured values")
    source: Text = Field(description="published source of the measured values")
    status: Status = Field(description="one of " + ", ".join(STATUSES))
    roadside: Roadside | None = None
    consequence: Text = ""
    fitted: bool = False
    own_law: bool = False
    variant: bool = False
    independent_points: Annotated[int, Field(ge=1)] | None = None
    note: Text = ""
    data: Title | None = None
    label_column: str | None = None
    columns: dict[str, str] = Field(default_factory=dict)
    select: dict[str, Any] = Field(default_factory=dict)
    scale: dict[str, float] = Field(default_factory=dict)
    offset: dict[str, float] = Field(default_factory=dict)
    points: Annotated[tuple[dict[str, Any], ...], Strict(False)] = ()
    conditions: dict[str, float] = Field(default_factory=dict)
    vehicle: str | None = None
    nose_radius_m: Radius | None = None
    body: BodyTable | None = None
    options: dict[str, Any] = Field(default_factory=dict)
    figure: FigureSpec = FigureSpec()
    mark: Mark | None = None


# --- rules ------------------------------------------------------------------------------------

# Limits a mark may have; a factor-of-two share and a hit rate are shares.
LIMITS = {
    "fac2": (0.0, 1.0),
    "hit_rate": (0.0, 1.0),
    "geometric_variance": (1.0, math.inf),
    "fractional_bias": (0.0, 2.0),
}


def file_problems(file: ComparisonFile) -> Iterator[Problem]:
    """Every problem of a reference file that its own keys show; the data are not read yet."""
    yield from _origin_problems(file)
    yield from _point_problems(file)
    yield from _select_problems(file)
    yield from _body_problems(file)
    yield from _mark_problems(file.mark)


# --- where the values come from ---------------------------------------------------------------


def _origin_problems(file: ComparisonFile) -> Iterator[Problem]:
    if file.data is not None and file.points:
        yield Problem(("points",), "data and [[points]] exclude each other")
    if file.data is None and not file.points:
        yield Problem((), 'measured values are missing: data = "file.csv" or [[points]]')
    if file.data is not None and "measured" not in file.columns:
        yield Problem(("columns",), 'measured = "column" is missing in [columns]')
    if file.points and file.data is None:
        for key in ("columns", "select", "scale", "offset", "label_column"):
            if getattr(file, key):
                yield Problem((key,), 'needs a data file: data = "file.csv"')
    elif file.data is not None:
        for key in ("scale", "offset"):
            for name in getattr(file, key):
                if name not in file.columns:
                    yield Problem((key, name), "names no entry of [columns]")
    if "uncertainty" in file.offset:
        yield Problem(("offset", "uncertainty"), "an uncertainty has no offset")
    if file.scale.get("uncertainty", 1.0) <= 0:
        yield Problem(("scale", "uncertainty"), "must be greater than 0")
    for name in file.conditions:
        if name in VALUES:
            yield Problem(("conditions", name), "belongs in [columns] or [[points]]")
        elif name in file.columns or any(name in point for point in file.points):
            yield Problem(("conditions", name), "is given for each point too; keep one")


def _point_problems(file: ComparisonFile) -> Iterator[Problem]:
    if not file.points:
        return
    first = set(file.points[0]) - {"label"}
    for number, point in enumerate(file.points):
        if "measured" not in point:
            yield Problem(("points", number), "'measured' is missing")
        for name in sorted(first - set(point)):
            if name != "measured":
                yield Problem(("points", number), f"'{name}' is missing; other points give it")
        for name in sorted(set(point) - first - {"label", "measured"}):
            yield Problem(("points", number, name), "is missing in the first point")
        for name, value in point.items():
            if name == "label":
                if not isinstance(value, str) or not value.isprintable() or len(value) > 120:
                    yield Problem(("points", number, name), "must be one line of text", value)
            elif not _is_number(value):
                shown = value if isinstance(value, (str, int, float)) else str(value)
                yield Problem(("points", number, name), "must be a finite number", shown)
            elif name == "uncertainty" and value < 0:
                yield Problem(("points", number, name), "must be at least 0", value)


def _is_number(value: Any) -> bool:
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return False
    return abs(value) < 1e300 and math.isfinite(value)


def _select_problems(file: ComparisonFile) -> Iterator[Problem]:
    for name, wanted in file.select.items():
        texts = wanted if isinstance(wanted, list) else [wanted]
        if not texts or not all(isinstance(text, str) for text in texts):
            yield Problem(("select", name), "must be a text or a list of texts, as in the column")


# --- body and mark ----------------------------------------------------------------------------


def _body_problems(file: ComparisonFile) -> Iterator[Problem]:
    if file.body is not None and file.vehicle is not None:
        yield Problem(("vehicle",), "vehicle and [body] exclude each other")
    if file.vehicle is not None and file.vehicle not in {**catalogue(), **aliases()}:
        yield Problem(("vehicle",), unknown_vehicle(file.vehicle, [*catalogue(), *aliases()]))
    if file.body is not None:
        if file.body.nose_radius_m is not None and file.nose_radius_m is not None:
            yield Problem(("nose_radius_m",), "is given in [body] too; keep one")
        values = file.body.model_dump()
        values |= {"drag_range": None, "mean_speed_m_s": None, "speed_sd_m_s": 0.0}
        for key, text in vehicle_problems(values):
            yield Problem(("body", key), text, about=("body",))


def _mark_problems(mark: Mark | None) -> Iterator[Problem]:
    if mark is None:
        return
    if mark.metric == "ratio_range":
        if mark.low is None or mark.high is None:
            yield Problem(("mark",), 'metric "ratio_range" needs low and high')
        elif not 0.0 <= mark.low < mark.high:
            yield Problem(("mark", "low"), "must be at least 0 and below high", mark.low)
        if mark.limit is not None:
            yield Problem(("mark", "limit"), 'metric "ratio_range" has low and high, no limit')
        return
    if mark.low is not None or mark.high is not None:
        key = "low" if mark.low is not None else "high"
        yield Problem(("mark", key), f'only "ratio_range" has it; "{mark.metric}" has a limit')
    if mark.limit is None:
        yield Problem(("mark",), f'metric "{mark.metric}" needs a limit')
        return
    low, high = LIMITS.get(mark.metric, (0.0, math.inf))
    if not low <= mark.limit <= high:
        bound = f"at least {low:g}" + (f" and at most {high:g}" if high < math.inf else "")
        yield Problem(("mark", "limit"), f"must be {bound}", mark.limit)
