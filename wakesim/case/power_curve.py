"""A measured power curve on disk: a CSV file with the columns ``speed_m_s`` and ``power_w``."""

from __future__ import annotations

import math
import os
from dataclasses import dataclass
from pathlib import Path

from wakesim.case.problems import one_line, shorten
from wakesim.case.reading import read_bytes
from wakesim.errors import CaseError

_COLUMNS = (("speed_m_s", "m/s", 60.0), ("power_w", "W", 1e7))  # name, unit, largest value
_MOST_BYTES = 1_000_000
_BETZ_FLUX = 16.0 / 27.0 * 0.5 * 1.225  # W/m2 over the cubed speed, the most a rotor can give


@dataclass(frozen=True)
class PowerPoints:
    """Points of a power curve by rising speed; the output in air of 1.225 kg/m3."""

    speed_m_s: tuple[float, ...]
    power_w: tuple[float, ...]


def read_power_curve(path: str | os.PathLike[str], area_m2: float | None = None) -> PowerPoints:
    """The points of a CSV file; lines that start with # are comments.

    With a swept area, no point may pass 16/27 of the flux through it (Betz 1920). Raises CaseError,
    one line, naming file, line, column, value, unit and range.
    """
    source = one_line(os.fsdecode(path))
    rows = _rows(Path(path), source)
    number, header = rows[0]
    if header != [name for name, *_ in _COLUMNS]:
        raise CaseError(
            f"{source}:{number}: is no power curve: its first line must name the columns "
            "speed_m_s, power_w"
        )
    points = [_point(f"{source}:{number}", cells) for number, cells in rows[1:]]
    if len(points) < 2:
        raise CaseError(f"{source}: holds {len(points)} points: must be at least 2")
    before = -1.0
    for (number, _), (speed, power) in zip(rows[1:], points, strict=True):
        if not speed > before:
            raise CaseError(
                f"{source}:{number}: speed_m_s = {speed:g} m/s: must be above the line before, "
                f"{before:g} m/s"
            )
        before = speed
        most = math.inf if area_m2 is None else _BETZ_FLUX * speed**3 * area_m2
        if power > most * (1.0 + 1e-9):
            raise CaseError(
                f"{source}:{number}: power_w = {power:g} W: must be at most {most:.4g} W at "
                f"{speed:g} m/s, 16/27 of the flux through {area_m2:g} m² (Betz 1920)"
            )
    return PowerPoints(*zip(*points, strict=True))


def _rows(path: Path, source: str) -> list[tuple[int, list[str]]]:
    """(line number, cells) of every line that holds something."""
    try:
        data = read_bytes(path, _MOST_BYTES)
        if len(data) > _MOST_BYTES:
            raise CaseError(f"{source}: larger than {_MOST_BYTES // 1000} kB; no power curve")
        lines = data.decode("utf-8-sig").splitlines()
    except (OSError, ValueError) as error:
        missing = isinstance(error, FileNotFoundError)
        reason = "no such file" if missing else getattr(error, "strerror", None)
        raise CaseError(f"{source}: {reason or 'is not a text file in UTF-8'}") from error
    rows = [
        (number, [cell.strip() for cell in line.split(",")])
        for number, line in enumerate(lines, 1)
        if line.strip() and not line.lstrip().startswith("#")
    ]
    if not rows:
        raise CaseError(f"{source}: is empty; columns speed_m_s and power_w are needed")
    return rows


def _point(place: str, cells: list[str]) -> tuple[float, float]:
    if len(cells) != len(_COLUMNS):
        raise CaseError(f"{place}: holds {len(cells)} cells: must be speed_m_s, power_w")
    out = []
    for (name, unit, high), cell in zip(_COLUMNS, cells, strict=True):
        try:
            value = float(cell)
        except ValueError:
            value = math.nan
        if not 0.0 <= value <= high:
            text = shorten(one_line(cell))
            raise CaseError(
                f'{place}: {name} = "{text}": must be a number at least 0 {unit} and at most '
                f"{high:g} {unit}"
            )
        out.append(value)
    return out[0], out[1]
