"""Reference files: every problem found at once, then immutable comparisons."""

from __future__ import annotations

import math
import os
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from pydantic import ValidationError

from wakesim.arrays import Array
from wakesim.case.messages import Problem, key_text, render, suggest_key, unit_of
from wakesim.case.reading import parse, read_text
from wakesim.case.schema_errors import explain
from wakesim.case.vehicle import Vehicle, vehicle
from wakesim.csv_tables import read_csv_table
from wakesim.errors import CaseError, closest, one_line
from wakesim.runtime import shared_path
from wakesim.validation.comparison import Comparison, Quantity
from wakesim.validation.schema import VALUES, ComparisonFile, file_problems

MAX_FILES = 2000


def find_files(folder: Path) -> list[Path]:
    """All reference files below a folder, in a fixed order. Raises CaseError when none is there."""
    if not folder.is_dir():
        reason = "is a file, not a folder" if folder.exists() else "no such folder"
        raise CaseError(f"{one_line(str(folder))}: {reason}")
    files = sorted(
        (path for path in folder.rglob("*.toml") if path.is_file()),
        key=lambda path: path.relative_to(folder).as_posix(),
    )
    if not files:
        raise CaseError(f"{one_line(str(folder))}: holds no reference file (*.toml)")
    if len(files) > MAX_FILES:
        raise CaseError(
            f"{one_line(str(folder))}: holds {len(files)} *.toml files; at most {MAX_FILES}"
        )
    return files


def read_all(folder: Path, known: Mapping[str, Quantity]) -> list[Comparison]:
    """The comparisons of all reference files below a folder.

    Raises CaseError with the problems of all files, one line each.
    """
    comparisons, problems = [], []
    for path in find_files(folder):
        try:
            comparisons.append(read_comparison(path, folder, known))
        except CaseError as error:
            problems += error.problems
    problems += _same_names(comparisons)
    if problems:
        raise CaseError(list(dict.fromkeys(problems)))
    return comparisons


def read_comparison(path: Path, folder: Path, known: Mapping[str, Quantity]) -> Comparison:
    """The comparison in one reference file below ``folder``; ``known`` are the quantities.

    Raises CaseError, one line a problem: file, line, key, value, what is allowed.
    """
    source = one_line(os.fsdecode(path))
    text = read_text(path, regular=True).replace("\r\n", "\n")
    if not text.strip():
        raise CaseError(f"{source}: is empty; a reference file is described in the README")
    raw, lines = parse(text, source)
    try:
        file = ComparisonFile.model_validate(raw)
    except ValidationError as error:
        details = error.errors(include_url=False, include_input=False)
        raise CaseError(render(explain(details, raw, ComparisonFile), source, lines)) from error
    problems = [*_quantity_problems(file, known), *file_problems(file)]
    if not problems:
        try:
            points = _inline(file) if file.points else _from_data(file, path)
            return _comparison(file, points, path, folder, known[file.quantity])
        except _Wrong as error:
            problems = error.problems
    raise CaseError(render(problems, source, lines))


class _Wrong(Exception):
    """Problems of the reference file found while its points are put together."""

    def __init__(self, *problems: Problem) -> None:
        self.problems = list(problems)
        super().__init__()


@dataclass(frozen=True)
class _Points:
    """Columns of numbers by name (``measured``, ``uncertainty``, conditions) and the labels."""

    columns: dict[str, list[float]]
    labels: tuple[str, ...]


# --- what the quantity needs ---------------------------------------------------------------------


def _given(file: ComparisonFile) -> set[str]:
    """Names of all conditions given, as columns, points or constants."""
    names = {*file.columns, *file.conditions}
    for point in file.points:
        names |= set(point)
    return names - {*VALUES, "label"}


def _quantity_problems(file: ComparisonFile, known: Mapping[str, Quantity]) -> Iterator[Problem]:
    quantity = known.get(file.quantity)
    if quantity is None:
        guess = closest(file.quantity, known)
        hint = f'did you mean "{guess}"?' if guess else "known: " + ", ".join(sorted(known))
        yield Problem(("quantity",), f"no such quantity; {hint}", file.quantity)
        return
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


# --- points ---------------------------------------------------------------------------------


def _inline(file: ComparisonFile) -> _Points:
    """Points that stand in the reference file; the rules have checked them."""
    names = [name for name in file.points[0] if name != "label"]
    return _Points(
        {name: [float(point[name]) for point in file.points] for name in names},
        tuple(str(point.get("label", number)) for number, point in enumerate(file.points, start=1)),
    )


def _from_data(file: ComparisonFile, path: Path) -> _Points:
    """Points from the data file: rows selected, columns read, scaled and shifted."""
    wanted = {name: [texts] if isinstance(texts, str) else texts
              for name, texts in file.select.items()}  # fmt: skip
    table = read_csv_table(_data_path(file, path)).selected(wanted, "[select]")
    columns, problems = {}, []
    for name, column in file.columns.items():
        unit = file.unit if name in VALUES else unit_of(name)
        scale, offset = file.scale.get(name, 1.0), file.offset.get(name, 0.0)
        try:
            values = table.numbers(column, unit, 0.0 if name == "uncertainty" else -math.inf)
        except CaseError as error:
            problems += error.problems
        else:
            columns[name] = [scale * value + offset for value in values]
    if problems:
        raise CaseError(problems)
    if file.label_column is not None:
        return _Points(columns, table.texts(file.label_column))
    return _Points(columns, tuple(str(number) for number in range(1, len(table.rows) + 1)))


def _data_path(file: ComparisonFile, path: Path) -> Path:
    """Beside the reference file, or in the shared data when the path starts with ``shared/``."""
    assert file.data is not None
    beside = path.parent / file.data
    first, _, rest = file.data.partition("/")
    if first == "shared" and rest and not beside.exists():
        return shared_path(*rest.split("/"))
    return beside


# --- the comparison -------------------------------------------------------------------------


def _comparison(
    file: ComparisonFile, points: _Points, path: Path, folder: Path, quantity: Quantity
) -> Comparison:
    arrays = {name: np.array(values, dtype=float) for name, values in points.columns.items()}
    measured = arrays.pop("measured")
    uncertainty = arrays.pop("uncertainty", None)
    for name, value in file.conditions.items():
        arrays[name] = np.full(measured.size, float(value))
    infinite = [n for n, a in arrays.items() if not np.all(np.isfinite(a))]
    if infinite or not np.all(np.isfinite(measured)):
        raise _Wrong(Problem(("scale",), "makes values that are not finite"))
    body, nose = _body(file)
    if quantity.body and body is None:
        raise _Wrong(
            Problem(("quantity",), "needs a body: a [body] table or vehicle = ...", file.quantity)
        )
    return Comparison(
        name=_name(path, folder),
        title=file.title,
        part=file.part,
        quantity=file.quantity,
        unit=file.unit,
        source=file.source,
        status=file.status,
        note=file.note,
        fitted=file.fitted,
        own_law=file.own_law,
        variant=file.variant,
        independent_points=_independent(file, measured),
        roadside=file.roadside or ("equations" if file.status == "exact" else "input"),
        consequence=file.consequence,
        measured=_frozen(measured),
        uncertainty=None if uncertainty is None else _frozen(uncertainty),
        conditions={name: _frozen(array) for name, array in arrays.items()},
        labels=points.labels,
        body=body,
        nose_radius_m=nose,
        options=dict(file.options),
        mark=file.mark,
        figure=file.figure,
        path=path,
    )


def _independent(file: ComparisonFile, measured: Array) -> int:
    """Number of independent points: as the file says, or one for each measured value.

    One value given as several points, for conditions that were not stated, is one measurement.
    """
    if file.independent_points is None:
        return int(measured.size if file.status == "exact" else np.unique(measured).size)
    if file.independent_points > measured.size:
        bound = f"must be at most the number of points, {measured.size}"
        raise _Wrong(Problem(("independent_points",), bound, file.independent_points))
    return file.independent_points


def _frozen(array: Array) -> Array:
    array.setflags(write=False)
    return array


def _name(path: Path, folder: Path) -> str:
    """Path below the folder without suffix; ``comparison.toml`` takes the name of its folder."""
    below = path.relative_to(folder)
    if below.name == "comparison.toml":
        return below.parent.as_posix() if below.parent != Path() else folder.resolve().name
    return below.with_suffix("").as_posix()


def _body(file: ComparisonFile) -> tuple[Vehicle | None, float | None]:
    if file.body is not None:
        values: dict[str, Any] = file.body.model_dump()
        nose = values.pop("nose_radius_m")
        return Vehicle(**values), nose if nose is not None else file.nose_radius_m
    if file.vehicle is not None:
        return vehicle(file.vehicle), file.nose_radius_m
    return None, file.nose_radius_m


def _same_names(comparisons: Iterable[Comparison]) -> Iterator[str]:
    first: dict[str, Path] = {}
    for comparison in comparisons:
        other = first.setdefault(comparison.name, comparison.path)
        if other is not comparison.path:
            yield f"{comparison.path}: has the same name as {other}; rename one"
