"""Rules between the keys of a reference file, and between it and the quantity it names."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any

from wakesim.case.messages import Problem, key_text, suggest_key
from wakesim.case.vehicle import aliases, catalogue, unknown_vehicle, vehicle_problems
from wakesim.errors import closest
from wakesim.validation.comparison import Quantity
from wakesim.validation.schema import ComparisonFile, MarkTable
from wakesim.validation.verdict import BOUNDS

VALUES = ("measured", "uncertainty")


def file_problems(file: ComparisonFile, known: Mapping[str, Quantity]) -> Iterator[Problem]:
    """Every problem of a reference file that its own keys show; the data are not read yet."""
    quantity = known.get(file.quantity)
    if quantity is None:
        yield _unknown_quantity(file.quantity, known)
    else:
        yield from _quantity_problems(file, quantity)
    yield from _origin_problems(file)
    yield from _point_problems(file)
    yield from _select_problems(file)
    yield from _body_problems(file)
    yield from _mark_problems(file.mark)


def _unknown_quantity(name: str, known: Mapping[str, Quantity]) -> Problem:
    guess = closest(name, known)
    hint = f'did you mean "{guess}"?' if guess else "known: " + ", ".join(sorted(known))
    return Problem(("quantity",), f"no such quantity; {hint}", name)


# --- what the quantity needs ------------------------------------------------------------------


def _given(file: ComparisonFile) -> set[str]:
    """Names of all conditions given, as columns, points or constants."""
    names = {*file.columns, *file.conditions}
    for point in file.points:
        names |= set(point)
    return names - {*VALUES, "label"}


def _quantity_problems(file: ComparisonFile, quantity: Quantity) -> Iterator[Problem]:
    if file.unit != quantity.unit:
        yield Problem(("unit",), f'the unit of "{quantity.name}" is "{quantity.unit}"', file.unit)
    given = _given(file)
    for name in quantity.needs:
        if name not in given:
            yield Problem(
                ("quantity",),
                f"needs the condition '{name}', as a column, in [conditions] or in each point",
                file.quantity,
            )
    allowed = [*quantity.needs, *quantity.optional]
    drawn = {file.figure.x, file.figure.group}
    for name in sorted(given - {*allowed} - drawn):
        yield Problem(_place(file, name), _unused(name, allowed, quantity.name))
    for name, value in file.options.items():
        if name not in quantity.optional:
            yield Problem(("options", name), _unused(name, list(quantity.optional), quantity.name))
        elif not _is_option(value):
            yield Problem(
                ("options", name), "must be a text, a finite number, true or false, or a list"
            )
    for key in ("x", "group"):
        name = getattr(file.figure, key)
        if name is not None and name not in given:
            hint = f"; given: {', '.join(sorted(given))}" if given else ""
            yield Problem(("figure", key), f"must be a condition that is given{hint}", name)


def _place(file: ComparisonFile, name: str) -> tuple[str | int, ...]:
    if name in file.columns:
        return ("columns", name)
    return ("conditions", name) if name in file.conditions else ("points",)


def _unused(name: str, allowed: list[str], quantity: str) -> str:
    text = f"'{key_text(name)}' is not used by \"{quantity}\""
    guesses = suggest_key(name, allowed)
    if guesses:
        return f"{text}; did you mean {' or '.join(repr(g) for g in guesses)}?"
    return f"{text}; it uses {', '.join(allowed) or 'none'}"


def _is_option(value: Any) -> bool:
    if isinstance(value, list):
        return bool(value) and all(_is_option(v) and not isinstance(v, list) for v in value)
    if isinstance(value, (int, float)):
        return abs(value) < 1e300
    return isinstance(value, str)


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


def _mark_problems(mark: MarkTable | None) -> Iterator[Problem]:
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
        if mark.metric not in BOUNDS:
            yield Problem(("mark",), f'metric "{mark.metric}" needs a limit')
        return
    low, high = LIMITS.get(mark.metric, (0.0, math.inf))
    if not low <= mark.limit <= high:
        bound = f"at least {low:g}" + (f" and at most {high:g}" if high < math.inf else "")
        yield Problem(("mark", "limit"), f"must be {bound}", mark.limit)


# Limits a mark may have; a factor-of-two share and a hit rate are shares.
LIMITS = {
    "fac2": (0.0, 1.0),
    "hit_rate": (0.0, 1.0),
    "geometric_variance": (1.0, math.inf),
    "fractional_bias": (0.0, 2.0),
}
