"""A wind record on disk: the columns, their units, and every cell as text or number.

A CSV file with a header: commas, semicolons or tabs between the cells; lines that start with # are
skipped. The unit is the end of a column's name. A cell is a number within what is possible, or a
missing-value mark: empty, NaN, or what the caller declares.
"""

from __future__ import annotations

import math
import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

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

_KMH, _KNOT, _MPH = 1.0 / 3.6, 1852.0 / 3600.0, 0.44704
# Loggers write these where nothing was measured.
_USUAL_MARKS = {"99.9", "999", "999.9", "9999", "-99", "-99.9", "-999", "-999.9", "-9999"}


# The highest hourly mean speed, 75 m/s, is above any measured (limit, no published source).
COLUMNS = {
    "wind_speed_m_s": Column("speed", "m/s", 1.0, 0.0, 75.0),
    "wind_speed_kmh": Column("speed", "km/h", _KMH, 0.0, 270.0),
    "wind_speed_kn": Column("speed", "kn", _KNOT, 0.0, 145.0),
    "wind_speed_mph": Column("speed", "mph", _MPH, 0.0, 168.0),
    "wind_from_deg": Column("from", "°", 1.0, 0.0, 360.0),
    "temperature_c": Column("temperature", "°C", 1.0, -60.0, 60.0),
    "pressure_pa": Column("pressure", "Pa", 1.0, 40000.0, 110000.0),
    "pressure_hpa": Column("pressure", "hPa", 100.0, 400.0, 1100.0),
    "relative_humidity": Column("humidity", "", 1.0, 0.0, 1.0),
    "relative_humidity_percent": Column("humidity", "%", 0.01, 0.0, 100.0),
}
# Names without a unit, or with another one, and the column that is meant.
_OTHER_NAMES = {
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
    "date": "time",
    "datetime": "time",
    "timestamp": "time",
    "temperature": "temperature_c",
    "pressure": "pressure_hpa",
    "humidity": "relative_humidity_percent",
}


@dataclass(frozen=True)
class Cells:
    """The cells of a record: lines of the file, time stamps as text, and one list a quantity.

    Values are in SI (degrees for directions, °C for temperatures), NaN where missing.
    """

    lines: list[int]
    times: list[str]
    values: dict[str, list[float]]
    ignored: list[str]


def read_cells(path: str | os.PathLike[str], missing: Iterable[str]) -> Cells:
    """Every cell of a record file. Raises CaseError, one line a problem."""
    source = one_line(os.fsdecode(path))
    problems = Problems(source)
    rows = _rows(path)
    number, header = next(rows, (0, []))
    if not header:
        raise CaseError(f"{source}: is empty; a record starts with the names of its columns")
    names, ignored = _columns(header, number, problems)
    problems.check()
    marks = {mark.strip().casefold() for mark in missing} | {"", "nan"}
    cells = Cells([], [], {COLUMNS[n].quantity: [] for n in names if n in COLUMNS}, ignored)
    for line, row in rows:
        if len(row) != len(header):
            problems.add(line, f"has {len(row)} cells; the header names {len(header)}")
            continue
        cells.lines.append(line)
        for name, cell in zip(names, row, strict=True):
            if name == "time":
                cells.times.append(cell)
            elif name in COLUMNS:
                column = COLUMNS[name]
                value = _value(cell, name, column, marks, line, problems)
                cells.values[column.quantity].append(value)
    problems.check()
    if not cells.lines:
        raise CaseError(f"{source}: holds no line after the header")
    return cells


def _rows(path: str | os.PathLike[str]) -> Iterator[tuple[int, list[str]]]:
    """Line number and stripped cells of every line that holds something."""
    lines = table_lines(read_table_text(path, "a wind record", MAX_BYTES))
    delimiter = usual_delimiter(lines[0][1]) if lines else ","
    for number, line in lines:
        yield number, split_line(line, delimiter)


def _columns(header: list[str], line: int, problems: Problems) -> tuple[list[str], list[str]]:
    """Names of the columns in the file's order, and those that are not read."""
    known = ["time", *COLUMNS]
    ignored: list[str] = []
    holders: dict[str, str] = {}
    for name in header:
        quantity = "time" if name == "time" else None
        if name in COLUMNS:
            quantity = COLUMNS[name].quantity
        if quantity is None:
            guess = _OTHER_NAMES.get(name.casefold().replace(" ", "_"))
            guess = guess or closest(name, known, cutoff=0.8)
            if guess:
                text = f"unknown column '{shorten(name)}'; did you mean '{guess}'?"
                problems.add(line, f"{text} (the unit is part of the name)")
            ignored.append(name)
        elif quantity in holders:
            first = holders[quantity]
            problems.add(line, f"column '{name}': the same quantity is in column '{first}' already")
        else:
            holders[quantity] = name
    if not problems.lines:
        for quantity, text in (
            ("time", "column 'time' is missing (ISO 8601: 2025-03-30T14:00+02:00)"),
            ("speed", f"column 'wind_speed' is missing: one of {', '.join(list(COLUMNS)[:4])}"),
            ("from", "column 'wind_from_deg' is missing (degrees clockwise from north)"),
        ):
            if quantity not in holders:
                problems.add(line, text)
    return header, ignored


def _value(
    cell: str, name: str, column: Column, marks: set[str], line: int, problems: Problems
) -> float:
    """A cell in SI; NaN for a missing-value mark or a cell that is a problem."""
    if cell.casefold() in marks:
        return math.nan
    unit = f" {column.unit}" if column.unit else ""
    head = f"{name} = {shorten(cell)}"
    try:
        value = float(cell)
    except ValueError:
        comma = "," in cell and _is_number(cell.replace(",", "."))
        hint = "; numbers use a point: " + cell.replace(",", ".") if comma else ""
        mark = "" if comma else "; if it marks a missing value, declare it as missing"
        problems.add(line, f'{name} = "{shorten(cell)}": must be a number{hint}{mark}')
        return math.nan
    inside = column.low <= value <= column.high
    if cell in _USUAL_MARKS and not (inside and column.quantity == "pressure"):
        measured = f", or write {cell}{'0' if '.' in cell else '.0'} if it was measured"
        problems.add(
            line,
            f"{head}{unit}: looks like a missing-value mark; declare it as missing"
            f"{measured if inside else ''}",
        )
        return math.nan
    if not inside:
        allowed = f"must be at least {column.low:g}{unit} and at most {column.high:g}{unit}"
        problems.add(line, f"{head}{unit}: {allowed}{_hint(name, value)}")
        return math.nan
    return value * column.factor


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def _hint(name: str, value: float) -> str:
    """What a number outside its range looks like, when that is clear."""
    if name == "temperature_c" and 200.0 < value < 350.0:
        return f"; {value:g} looks like kelvin"
    if name == "pressure_pa" and 400.0 <= value <= 1100.0:
        return "; it looks like hPa: name the column pressure_hpa"
    if name == "pressure_hpa" and 40000.0 <= value <= 110000.0:
        return "; it looks like Pa: name the column pressure_pa"
    if name == "relative_humidity" and 1.0 < value <= 100.0:
        return "; it looks like a percentage: name the column relative_humidity_percent"
    return ""
