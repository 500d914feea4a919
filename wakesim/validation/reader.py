"""Reference files: every problem found at once, then immutable comparisons."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from pydantic import ValidationError

from wakesim.case.messages import Problem, render, unit_of
from wakesim.case.reading import parse, read_text
from wakesim.case.schema_errors import explain
from wakesim.case.vehicle import Vehicle, vehicle
from wakesim.errors import CaseError, one_line
from wakesim.runtime import shared_path
from wakesim.validation.comparison import Array, Comparison, FigureSpec, Mark, Quantity
from wakesim.validation.rules import file_problems
from wakesim.validation.schema import ComparisonFile
from wakesim.validation.table import DataTable, read_table
from wakesim.validation.verdict import BOUNDS

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
    found, problems = [], []
    for path in find_files(folder):
        try:
            found.append(read_comparison(path, folder, known))
        except CaseError as error:
            problems += error.problems
    problems += _same_names(found)
    if problems:
        raise CaseError(list(dict.fromkeys(problems)))
    return found


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
    problems = list(file_problems(file, known))
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
    table = read_table(_data_path(file, path))
    table = table.selected(
        {
            column: (wanted,) if isinstance(wanted, str) else tuple(wanted)
            for column, wanted in file.select.items()
        }
    )
    columns, problems = {}, []
    for name, column in file.columns.items():
        try:
            columns[name] = _column(file, table, name, column)
        except CaseError as error:
            problems += error.problems
    if problems:
        raise CaseError(problems)
    labels = (
        table.texts(file.label_column)
        if file.label_column is not None
        else tuple(str(number) for number in range(1, len(table.rows) + 1))
    )
    return _Points(columns, labels)


def _column(file: ComparisonFile, table: DataTable, name: str, column: str) -> list[float]:
    unit = file.unit if name in ("measured", "uncertainty") else unit_of(name)
    values = table.numbers(column, unit, 0.0 if name == "uncertainty" else -np.inf)
    scale, offset = file.scale.get(name, 1.0), file.offset.get(name, 0.0)
    return [scale * value + offset for value in values]


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
        source=" ".join(file.source.split()),
        status=file.status,
        note=" ".join((file.note or "").split()),
        fitted=file.fitted,
        own_law=file.own_law,
        variant=file.variant,
        independent_points=_independent(file, measured),
        roadside=file.roadside or ("equations" if file.status == "exact" else "input"),
        consequence=" ".join((file.consequence or "").split()),
        measured=_frozen(measured),
        uncertainty=None if uncertainty is None else _frozen(uncertainty),
        conditions={name: _frozen(array) for name, array in arrays.items()},
        labels=points.labels,
        body=body,
        nose_radius_m=nose,
        options=dict(file.options),
        mark=_mark(file),
        figure=FigureSpec(
            x=file.figure.x,
            log=file.figure.log,
            vertical=file.figure.vertical,
            group=file.figure.group,
            label=file.figure.label or "",
            value=file.figure.value or "",
        ),
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


def _mark(file: ComparisonFile) -> Mark | None:
    if file.mark is None:
        return None
    mark = file.mark
    limit = mark.limit
    if mark.metric in BOUNDS and limit is None:
        limit = 1.0
    return Mark(mark.metric, limit, mark.low, mark.high, " ".join(mark.reason.split()))


def _same_names(comparisons: Iterable[Comparison]) -> Iterator[str]:
    first: dict[str, Path] = {}
    for comparison in comparisons:
        other = first.setdefault(comparison.name, comparison.path)
        if other is not comparison.path:
            yield f"{comparison.path}: has the same name as {other}; rename one"
