"""Column names of logger files: which are known, what they hold, and what was meant.

The unit is the end of a column's name. A name that lacks it, or has another one, is a mistake with
a suggestion; a name that is like no known one is left aside with a warning.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from wakesim.air.record_csv import Column, Problems
from wakesim.case.problems import shorten
from wakesim.case.suggest import closest, split_unit, suggest_key

KMH, MPH = 1.0 / 3.6, 0.44704
FASTEST_WIND_M_S = 75.0  # above any gust beside a road (limit, no published source)
_CLOSE = 0.8

TIME = Column("time", "", 1.0, 0.0, 0.0)
TIME_S = Column("time_s", "s", 1.0, -1e11, 1e11)

ANEMOMETER = {
    "time": TIME,
    "time_s": TIME_S,
    "speed_m_s": Column("speed", "m/s", 1.0, 0.0, FASTEST_WIND_M_S),
    "speed_kmh": Column("speed", "km/h", KMH, 0.0, 270.0),
    "speed_mph": Column("speed", "mph", MPH, 0.0, 168.0),
    "direction_deg": Column("direction", "°", 1.0, 0.0, 360.0),
    "u_m_s": Column("u", "m/s", 1.0, -FASTEST_WIND_M_S, FASTEST_WIND_M_S),
    "v_m_s": Column("v", "m/s", 1.0, -FASTEST_WIND_M_S, FASTEST_WIND_M_S),
    "w_m_s": Column("w", "m/s", 1.0, -FASTEST_WIND_M_S, FASTEST_WIND_M_S),
}
PASSING_LOG = {
    "time": TIME,
    "time_s": TIME_S,
    "class": Column("class", "", 1.0, 0.0, 0.0),
    "lane": Column("lane", "", 1.0, 0.0, 0.0),
    "carriageway": Column("carriageway", "", 1.0, 0.0, 0.0),
    "speed_kmh": Column("speed", "km/h", KMH, 5.0, 250.0),
    "speed_mph": Column("speed", "mph", MPH, 3.0, 155.0),
    "speed_m_s": Column("speed", "m/s", 1.0, 1.4, 70.0),
    "offset_m": Column("offset", "m", 1.0, -3.0, 3.0),
}

# Names people write, folded, and the accepted one.
_OTHER_NAMES = {
    "timestamp": "time",
    "datetime": "time",
    "date": "time",
    "date_time": "time",
    "t": "time_s",
    "seconds": "time_s",
    "elapsed_s": "time_s",
    "ws": "speed_m_s",
    "wind": "speed_m_s",
    "wind_speed": "speed_m_s",
    "wind_speed_m_s": "speed_m_s",
    "wind_speed_kmh": "speed_kmh",
    "wind_speed_mph": "speed_mph",
    "windspeed": "speed_m_s",
    "wd": "direction_deg",
    "dir": "direction_deg",
    "wind_direction": "direction_deg",
    "wind_from_deg": "direction_deg",
    "u": "u_m_s",
    "v": "v_m_s",
    "w": "w_m_s",
    "ux": "u_m_s",
    "uy": "v_m_s",
    "uz": "w_m_s",
    "vehicle": "class",
    "vehicle_class": "class",
    "type": "class",
    "direction": "carriageway",
}


@dataclass(frozen=True)
class Header:
    """Names of the columns in the file's order, those not read, and the line they stand in."""

    names: tuple[str, ...]
    ignored: tuple[str, ...]
    line: int


def read_header(
    names: Sequence[str], line: int, known: Mapping[str, Column], problems: Problems
) -> Header:
    """The header checked against the known columns; mistakes are added to ``problems``."""
    ignored: list[str] = []
    holders: dict[str, str] = {}
    for name in names:
        if name not in known:
            guess = _meant(name, known)
            if guess:
                unit = " (the unit is part of the name)" if known[guess].unit else ""
                text = f"unknown column '{shorten(name)}'; did you mean '{guess}'?{unit}"
                problems.add(line, text)
            ignored.append(name)
            continue
        quantity = known[name].quantity
        if quantity in holders:
            first = holders[quantity]
            text = f"column '{name}': the same quantity is in column '{first}' already"
            problems.add(line, text if name == first else f"{text}; give it in one unit")
        holders[quantity] = name
    if "time" in holders and "time_s" in holders:
        problems.add(line, "columns 'time' and 'time_s': give the time once")
    return Header(tuple(names), tuple(ignored), line)


def _meant(name: str, known: Mapping[str, Column]) -> str | None:
    folded = name.casefold().strip().replace(" ", "_").replace("-", "_")
    for mark in "()[]/":
        folded = folded.replace(mark, "_" if mark == "/" else "")
    if folded in known:
        return folded
    guess = _OTHER_NAMES.get(folded)
    if guess in known:
        return guess
    bare = folded.rsplit("_m_s", 1)[0].rsplit("_ms", 1)[0].rsplit("_mps", 1)[0]
    guess = _OTHER_NAMES.get(bare)
    if guess in known:
        return guess
    found = suggest_key(folded, known)  # the same name with another unit, as speed_kph
    if found and split_unit(found[0])[0] == folded.split("_")[0]:
        return found[0]
    return closest(folded, known, cutoff=_CLOSE)
