"""An hourly record on disk: the columns, their units, and every cell as text or number.

A CSV file with a header: commas, semicolons or tabs between the cells; lines that start with # are
skipped. The unit is the end of a column's name. A cell is a number within what is possible, or a
missing-value mark: empty, NaN, or what the caller declares. A ``RecordKind`` says which columns a
record has; ``WINDS`` is that of the wind, the one of counts is in ``wakesim.traffic.counts``.
"""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field

from wakesim.csv_tables import (
    Column,
    Problems,
    read_table_text,
    split_line,
    table_lines,
    usual_delimiter,
)
from wakesim.errors import CaseError, closest, one_line, shorten

MAX_BYTES = 200_000_000
KMH, KNOT, MPH = 1.0 / 3.6, 1852.0 / 3600.0, 0.44704
NO_TIME = ("time", "column 'time' is missing (ISO 8601: 2025-03-30T14:00+02:00)")

# Loggers write these where nothing was measured.
_USUAL_MARKS = {"99.9", "999", "999.9", "9999", "-99", "-99.9", "-999", "-999.9", "-9999"}
_OFTEN = 0.2  # share of impossible cells of a column that is taken for another one
_TIME_NAMES = {"date": "time", "datetime": "time", "timestamp": "time", "date_time": "time"}


@dataclass(frozen=True)
class RecordKind:
    """What a record is and which columns it may have.

    ``columns`` of numbers; ``texts``, with "time", are kept as they stand. ``needed`` are pairs of
    a quantity (or column of text) and what to say when it is missing. ``other_names`` are names
    without a unit, or with another one, and the column that is meant. ``any_number`` are the
    quantities of which a number like 999 may be a reading, not a mark. ``hint`` says what a number
    outside its column's range looks like, "" when that is not clear.
    """

    what: str
    columns: Mapping[str, Column]
    needed: tuple[tuple[str, str], ...]
    other_names: Mapping[str, str]
    hint: Callable[[str, float], str]
    any_number: frozenset[str]
    texts: tuple[str, ...] = ("time",)
    if_missing: str = "declare it as missing"


def _wind_hint(name: str, value: float) -> str:
    if name == "temperature_c" and 200.0 < value < 350.0:
        return f"; {value:g} looks like kelvin"
    if name == "pressure_pa" and 400.0 <= value <= 1100.0:
        return "; it looks like hPa: name the column pressure_hpa"
    if name == "pressure_hpa" and 40000.0 <= value <= 110000.0:
        return "; it looks like Pa: name the column pressure_pa"
    if name in ("relative_humidity", "turbulence_intensity") and 1.0 < value <= 100.0:
        return f"; it looks like a percentage: name the column {name}_percent"
    return ""


_SPEEDS = "wind_speed_m_s, wind_speed_kmh, wind_speed_kn, wind_speed_mph"
# The highest hourly mean speed, 75 m/s, is above any measured (limit, no published source).
WINDS = RecordKind(
    what="a wind record",
    columns={
        "wind_speed_m_s": Column("speed", "m/s", 1.0, 0.0, 75.0),
        "wind_speed_kmh": Column("speed", "km/h", KMH, 0.0, 270.0),
        "wind_speed_kn": Column("speed", "kn", KNOT, 0.0, 145.0),
        "wind_speed_mph": Column("speed", "mph", MPH, 0.0, 168.0),
        "wind_from_deg": Column("from", "°", 1.0, 0.0, 360.0),
        "temperature_c": Column("temperature", "°C", 1.0, -60.0, 60.0),
        "pressure_pa": Column("pressure", "Pa", 1.0, 40000.0, 110000.0),
        "pressure_hpa": Column("pressure", "hPa", 100.0, 400.0, 1100.0),
        "relative_humidity": Column("humidity", "", 1.0, 0.0, 1.0),
        "relative_humidity_percent": Column("humidity", "%", 0.01, 0.0, 100.0),
        "turbulence_intensity": Column("turbulence", "", 1.0, 0.0, 2.0),
        "turbulence_intensity_percent": Column("turbulence", "%", 0.01, 0.0, 200.0),
        "wind_speed_sd_m_s": Column("turbulence", "m/s", 1.0, 0.0, 30.0),
        "wind_speed_sd_kmh": Column("turbulence", "km/h", KMH, 0.0, 108.0),
        "wind_speed_sd_kn": Column("turbulence", "kn", KNOT, 0.0, 58.0),
        "wind_speed_sd_mph": Column("turbulence", "mph", MPH, 0.0, 67.0),
    },
    needed=(
        NO_TIME,
        ("speed", f"column 'wind_speed' is missing: one of {_SPEEDS}"),
        ("from", "column 'wind_from_deg' is missing (degrees clockwise from north)"),
    ),
    other_names={
        "speed": "wind_speed_m_s",
        "wind_speed": "wind_speed_m_s",
        "wind_speed_ms": "wind_speed_m_s",
        "wind_speed_mps": "wind_speed_m_s",
        "wind_speed_kph": "wind_speed_kmh",
        "wind_speed_kt": "wind_speed_kn",
        "wind_speed_knots": "wind_speed_kn",
        "direction": "wind_from_deg",
        "wind_direction": "wind_from_deg",
        "wind_direction_deg": "wind_from_deg",
        "wind_from": "wind_from_deg",
        "temperature": "temperature_c",
        "pressure": "pressure_hpa",
        "humidity": "relative_humidity_percent",
        "turbulence": "turbulence_intensity",
        "ti": "turbulence_intensity",
        "wind_speed_sd": "wind_speed_sd_m_s",
        "wind_speed_std": "wind_speed_sd_m_s",
        "wind_speed_stdev": "wind_speed_sd_m_s",
    },
    hint=_wind_hint,
    any_number=frozenset({"pressure"}),
)


@dataclass(frozen=True)
class Cells:
    """The cells of a record: lines of the file, one list of texts a column, of numbers a quantity.

    Values are in SI (degrees for directions, °C for temperatures), NaN where missing.
    """

    lines: list[int]
    texts: dict[str, list[str]]
    values: dict[str, list[float]]
    names: dict[str, str]  # what the file calls a quantity
    ignored: list[str]

    @property
    def times(self) -> list[str]:
        """The time stamps."""
        return self.texts["time"]


@dataclass
class _Bad:
    """Cells that hold no reading: the lines of one kind of mistake in one column."""

    text: str
    hint: str = ""
    lines: list[int] = field(default_factory=list)
    numbers: list[float] = field(default_factory=list)


def read_cells(
    path: str | os.PathLike[str], missing: Iterable[str], kind: RecordKind = WINDS
) -> Cells:
    """Every cell of a record file.

    Raises CaseError, one line for each kind of problem in a column.
    """
    source = one_line(os.fsdecode(path))
    problems = Problems(source)
    rows = _rows(path, kind)
    number, header = next(rows, (0, []))
    if not header:
        raise CaseError(f"{source}: is empty; a record starts with the names of its columns")
    holders, ignored = _columns(header, number, kind, problems)
    problems.check()
    marks = {mark.strip().casefold() for mark in missing} | {"", "nan"}
    named = [name for name in header if name in kind.columns]
    cells = Cells(
        [],
        {name: [] for name in header if name in kind.texts},
        {kind.columns[name].quantity: [] for name in named},
        {quantity: name for quantity, name in holders.items() if quantity not in kind.texts},
        ignored,
    )
    bad: dict[tuple[str, str], _Bad] = {}
    for line, row in rows:
        if len(row) != len(header):
            text = f"has {len(row)} cells; the header names {len(header)}"
            bad.setdefault(("", "cells"), _Bad(text)).lines.append(line)
            continue
        cells.lines.append(line)
        for name, cell in zip(header, row, strict=True):
            if name in cells.texts:
                cells.texts[name].append(cell)
            elif name in kind.columns:
                value = _value(cell, name, kind, marks, line, bad)
                cells.values[kind.columns[name].quantity].append(value)
    swapped = {
        name: other
        for name, what in bad
        if what == "range" and (other := _swapped_with(name, cells, kind, bad))
    }
    told: set[str] = set()
    for (name, what), found in bad.items():
        if name in told or (name in swapped and what != "range"):
            continue  # what else is wrong in columns that are swapped
        hint = found.hint
        if name in swapped:
            hint = f"; are the columns {name} and {swapped[name]} swapped?"
            told |= {name, swapped[name]}
        problems.add_one(found.lines, found.text + hint)
    problems.check()
    if not cells.lines:
        raise CaseError(f"{source}: holds no line after the header")
    return cells


def _rows(path: str | os.PathLike[str], kind: RecordKind) -> Iterator[tuple[int, list[str]]]:
    """Line number and stripped cells of every line that holds something."""
    lines = table_lines(read_table_text(path, kind.what, MAX_BYTES))
    delimiter = usual_delimiter(lines[0][1]) if lines else ","
    for number, line in lines:
        yield number, split_line(line, delimiter)


def _columns(
    header: list[str], line: int, kind: RecordKind, problems: Problems
) -> tuple[dict[str, str], list[str]]:
    """The column that holds each quantity, and the columns that are not read."""
    known = [*kind.texts, *kind.columns]
    ignored: list[str] = []
    holders: dict[str, str] = {}
    for name in header:
        quantity = name if name in kind.texts else None
        if name in kind.columns:
            quantity = kind.columns[name].quantity
        if quantity is None:
            folded = name.casefold().replace(" ", "_")
            guess = {**_TIME_NAMES, **kind.other_names}.get(folded)
            guess = guess or closest(name, known, cutoff=0.8)
            if guess:
                text = f"unknown column '{shorten(name)}'; did you mean '{guess}'?"
                unit = kind.columns[guess].unit if guess in kind.columns else ""
                problems.add(line, f"{text} (the unit is part of the name)" if unit else text)
            ignored.append(name)
        elif quantity in holders:
            first = holders[quantity]
            problems.add(line, f"column '{name}': the same quantity is in column '{first}' already")
        else:
            holders[quantity] = name
    if not problems.lines:
        for quantity, text in kind.needed:
            if quantity not in holders:
                problems.add(line, text)
    return holders, ignored


def _value(
    cell: str,
    name: str,
    kind: RecordKind,
    marks: set[str],
    line: int,
    bad: dict[tuple[str, str], _Bad],
) -> float:
    """A cell in SI; NaN for a missing-value mark or a cell that is a problem."""
    if cell.casefold() in marks:
        return math.nan
    column = kind.columns[name]
    try:
        value = float(cell)
    except ValueError:
        comma = "," in cell and _is_number(cell.replace(",", "."))
        hint = "; numbers use a point: " + cell.replace(",", ".") if comma else ""
        mark = "" if comma else f"; if it marks a missing value, {kind.if_missing}"
        text = f'{name} = "{shorten(cell)}": must be a number{hint}{mark}'
        bad.setdefault((name, "number"), _Bad(text)).lines.append(line)
        return math.nan
    inside = column.low <= value <= column.high
    is_mark = cell in _USUAL_MARKS and not (inside and column.quantity in kind.any_number)
    if inside and not is_mark:
        return value * column.factor
    unit = f" {column.unit}" if column.unit else ""
    head = f"{name} = {shorten(cell)}{unit}"
    if is_mark:
        measured = f", or write {cell}{'0' if '.' in cell else '.0'} if it was measured"
        text = f"{head}: looks like a missing-value mark; {kind.if_missing}"
        found = bad.setdefault((name, "mark"), _Bad(text + (measured if inside else "")))
    else:
        text = f"{head}: must be at least {column.low:g}{unit} and at most {column.high:g}{unit}"
        found = bad.setdefault((name, "range"), _Bad(text, kind.hint(name, value)))
    found.lines.append(line)
    found.numbers.append(value)
    return math.nan


def _swapped_with(
    name: str, cells: Cells, kind: RecordKind, bad: Mapping[tuple[str, str], _Bad]
) -> str | None:
    """The column whose range the cells of ``name`` fit, while its own fit that of ``name``.

    None when there is none, or too few cells of ``name`` are out of their range.
    """

    def raw(of: str) -> list[float]:
        column, found = kind.columns[of], bad.get((of, "range"))
        good = (v / column.factor for v in cells.values[column.quantity] if not math.isnan(v))
        return [*good, *(found.numbers if found else [])]

    def fit(numbers: list[float], of: str) -> bool:
        low, high = kind.columns[of].low, kind.columns[of].high
        slack = 1e-9 * max(abs(low), abs(high))
        return bool(numbers) and all(low - slack <= x <= high + slack for x in numbers)

    mine = raw(name)
    if len(bad[name, "range"].numbers) < _OFTEN * len(mine):
        return None
    others = [other for other in cells.names.values() if other != name]
    return next((o for o in others if fit(mine, o) and fit(raw(o), name)), None)


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True
