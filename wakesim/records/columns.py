"""Column names of logger files: which are known, what they hold, and what was meant.

The unit is the end of a column's name, or stands in brackets behind it or in a line below: ``WS
[m/s]`` is as good as ``speed_m_s``. A name that could be meant and has no unit, or another one, is
a mistake with a suggestion; a name that is like no known one is left aside with a warning. Times
may stand in one column, in a date and a time of day, or as seconds since 1970.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from wakesim.case.messages import split_unit, suggest_key
from wakesim.csv_tables import Column, Problems
from wakesim.errors import closest, one_line, shorten

KMH, MPH = 1.0 / 3.6, 0.44704
FASTEST_WIND_M_S = 75.0  # above any gust beside a road (limit, no published source)
_CLOSE = 0.8

TIME = Column("time", "", 1.0, 0.0, 0.0)
TIME_S = Column("time_s", "s", 1.0, -1e11, 1e11)
TEXT = ("class", "lane", "carriageway")  # quantities that are words
NO_TIME = "column 'time' (date and time), 'date' and 'time', 'epoch' or 'time_s' is missing"
# Kinds of times beside the columns "time" (date and time of day) and "time_s".
DATE, TIME_OF_DAY, EPOCH = "date", "time_of_day", "epoch"

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

# Names people and loggers write, folded, and the stem of the accepted one.
_STEMS = {
    "ws": "speed", "wspd": "speed", "wind": "speed", "wind_speed": "speed", "windspeed": "speed",
    "horizontal_speed": "speed", "wd": "direction", "wdir": "direction", "dir": "direction",
    "wind_direction": "direction", "winddirection": "direction", "wind_dir": "direction",
    "wind_from": "direction", "ux": "u", "uy": "v", "uz": "w", "u_wind": "u", "v_wind": "v",
    "w_wind": "w", "velocity": "speed",
}  # fmt: skip
_TIMES = {
    "time": "time", "timestamp": "time", "time_stamp": "time", "datetime": "time",
    "date_time": "time", "date_&_time": "time", "date": DATE, "datum": DATE, "day": DATE,
    "time_of_day": TIME_OF_DAY, "clock": TIME_OF_DAY, "uhrzeit": TIME_OF_DAY,
    "epoch": EPOCH, "epoch_s": EPOCH, "epoch_ms": EPOCH, "unix": EPOCH, "unix_time": EPOCH,
    "unixtime": EPOCH, "unix_timestamp": EPOCH, "posix_time": EPOCH,
}  # fmt: skip
# Names that may be meant but are not taken without being asked.
_GUESSES = {
    "t": "time_s",
    "seconds": "time_s",
    "elapsed_s": "time_s",
    "vehicle": "class",
    "vehicle_class": "class",
    "type": "class",
    "direction": "carriageway",
}
_SUFFIXES = {
    "m/s": "_m_s", "m s-1": "_m_s", "ms-1": "_m_s", "m.s-1": "_m_s", "m*s-1": "_m_s",
    "m s^-1": "_m_s", "mps": "_m_s", "m_s": "_m_s", "meters/second": "_m_s", "km/h": "_kmh",
    "kmh": "_kmh", "kph": "_kmh", "km h-1": "_kmh", "mph": "_mph", "mi/h": "_mph", "deg": "_deg",
    "°": "_deg", "degrees": "_deg", "degree": "_deg", "deg true": "_deg", "degn": "_deg",
    "s": "_s", "sec": "_s", "seconds": "_s", "m": "_m",
}  # fmt: skip
UNITS = frozenset([*_SUFFIXES, "v", "volts", "degc", "°c", "c", "deg c", "hpa", "mbar", "kpa", "%",
                   "w/m^2", "w/m2", "mm", "k", "ms", "counts", "nr", "utc", "-", "1"])  # fmt: skip
_BRACKETED = re.compile(r"(.*?)\s*[(\[]\s*([^()\[\]]*?)\s*[)\]]")


@dataclass(frozen=True)
class Header:
    """Columns in the file's order: the ``names`` they have and the ``keys`` they stand for.

    A key is one of the known columns, DATE, TIME_OF_DAY or EPOCH, or "" for a column that is not
    read. ``line`` is that of the names; ``notes`` say what was understood.
    """

    names: tuple[str, ...]
    keys: tuple[str, ...]
    line: int
    notes: tuple[str, ...] = ()

    @property
    def ignored(self) -> tuple[str, ...]:
        """Names of the columns that are not read."""
        return tuple(n for n, key in zip(self.names, self.keys, strict=True) if not key)

    def name_of(self, key: str) -> str:
        """What the file calls that key."""
        return self.names[self.keys.index(key)]


def recognised(cells: Sequence[str], known: Mapping[str, Column], given: Mapping[str, str]) -> int:
    """How many of the cells are names of columns that are known or could be meant."""
    return sum(
        bool(cell) and (cell in given or bool(_key(cell, "", known)) or bool(_meant(cell, known)))
        for cell in cells
    )


def read_header(
    names: Sequence[str],
    units: Sequence[str],
    line: int,
    known: Mapping[str, Column],
    given: Mapping[str, str],
    problems: Problems,
) -> Header:
    """The header checked against the known columns; mistakes are added to ``problems``.

    ``units`` (as many) stand below the names, "" where none does. ``given``: keys by the names that
    the user says hold them.
    """
    keys, notes = [], []
    holders: dict[str, str] = {}
    for name, unit in zip(names, units, strict=True):
        key = given.get(name, "")
        if key not in known and key not in (DATE, TIME_OF_DAY, EPOCH):  # meant for another file
            key = _key(name, unit, known)
        if not key and name:
            guess = _meant(name, known)
            if guess:
                unit_hint = " (the unit is part of the name)" if known[guess].unit else ""
                shown = shorten(one_line(name))
                text = f"unknown column '{shown}'; did you mean '{guess}'?{unit_hint}"
                problems.add(line, f"{text} To read it so: --column {guess}={_quoted(shown)}")
        elif key in known and key != "time" and _folded(name) != key and name not in given:
            stated = f" ({unit})" if unit and not _BRACKETED.fullmatch(name) else ""
            notes.append(f"column '{shorten(one_line(name))}'{stated} is read as {key}")
        keys.append(key)
        if not key:
            continue
        quantity = known[key].quantity if key in known else key
        if quantity in holders:
            first = holders[quantity]
            text = f"column '{name}': the same quantity is in column '{first}' already"
            problems.add(line, text if name == first else f"{text}; give it in one unit")
        holders[quantity] = name
    keys = _times_settled(keys)
    told_times = [k for k in ("time", "time_s", EPOCH) if k in keys]
    if len(told_times) > 1:
        shown = " and ".join(f"'{names[keys.index(k)]}'" for k in told_times)
        problems.add(line, f"columns {shown}: give the time once")
    return Header(tuple(names), tuple(keys), line, tuple(notes))


def _quoted(text: str) -> str:
    return f'"{text}"' if " " in text else text


def _times_settled(keys: list[str]) -> list[str]:
    """A date and a time belong together; a date alone holds both."""
    if DATE not in keys:
        return ["time" if key == TIME_OF_DAY else key for key in keys]
    if TIME_OF_DAY not in keys and "time" in keys:
        return [TIME_OF_DAY if key == "time" else key for key in keys]
    if TIME_OF_DAY not in keys:
        return ["time" if key == DATE else key for key in keys]
    return keys


def _folded(name: str) -> str:
    return re.sub(r"[\s\-/]+", "_", name.casefold().strip()).strip("_")


def _key(name: str, unit: str, known: Mapping[str, Column]) -> str:
    """The key that a name surely stands for, "" for none."""
    if name in known:
        return name
    found = _BRACKETED.fullmatch(name)
    bare, stated = (found[1], found[2].casefold()) if found else (name, unit)
    folded = _folded(bare)
    if folded in known and not (found and known[folded].unit not in ("", stated)):
        return folded
    if folded in _TIMES and "time" in known:
        return _TIMES[folded]
    suffix = _SUFFIXES.get(stated, "")
    key = f"{_STEMS.get(folded, folded)}{suffix}"
    return key if suffix and key in known else ""


def _meant(name: str, known: Mapping[str, Column]) -> str | None:
    """The known column that may be meant by a name, None for none."""
    folded = _folded(re.sub(r"[()\[\]]", " ", name.replace("/", "_")))
    if folded in known:
        return folded
    bare = folded.rsplit("_m_s", 1)[0].rsplit("_ms", 1)[0].rsplit("_mps", 1)[0]
    for one in (folded, bare):
        guess = _GUESSES.get(one)
        if guess in known:
            return guess
        stem = _STEMS.get(one, one)
        guess = next((key for key in known if split_unit(key)[0] == stem), None)
        if guess:
            return guess
    found = suggest_key(folded, known)  # the same name with another unit, as speed_kph
    if found and split_unit(found[0])[0] == folded.split("_")[0]:
        return found[0]
    return closest(folded, known, cutoff=_CLOSE)
