"""The tables of a reference file, as pydantic models: nothing converted, nothing unknown."""

from __future__ import annotations

from typing import Annotated, Any, Literal, get_args

from pydantic import AfterValidator, Field, Strict
from pydantic_core import PydanticCustomError

from wakesim.case.tables import Table
from wakesim.case.vehicle import NOSE_RADIUS_M

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
    return text


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


class FigureTable(Table):
    """[figure]: how to draw the comparison."""

    x: str | None = None
    log: bool = False
    vertical: bool = False
    group: str | None = None
    label: Title | None = None
    value: Title | None = None


class MarkTable(Table):
    """[mark]: the pass mark, set before the comparison."""

    metric: Metric = Field(description="one of " + ", ".join(METRICS))
    limit: float | None = None
    low: float | None = None
    high: float | None = None
    reason: Text = Field(description="why this limit, set before the comparison")


class ComparisonFile(Table):
    """A whole reference file."""

    title: Title = Field(description="one line that says what is compared")
    part: Part = Field(description="the part of the model it tests")
    quantity: str = Field(description="name of the computed quantity")
    unit: str = Field(description="unit of the measured values")
    source: Text = Field(description="published source of the measured values")
    status: Status = Field(description="one of " + ", ".join(STATUSES))
    roadside: Roadside | None = None
    consequence: Text | None = None
    fitted: bool = False
    own_law: bool = False
    variant: bool = False
    independent_points: Annotated[int, Field(ge=1)] | None = None
    note: Text | None = None
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
    figure: FigureTable = FigureTable()
    mark: MarkTable | None = None
