"""Clocks of loggers: stamps as text to moments, in UTC, with one offset a record.

A stamp is a date and time in ISO 8601, a date with day and month before the year (with slashes,
points or dashes; a point means that the day comes first, AM or PM that the month does, and a number
above 12 tells as well), or seconds since 1970, whose size tells milli-, micro- and nanoseconds.

Stamps with an offset speak for themselves. Stamps without need a time zone, and the record must not
span a change of that zone's clocks: at many samples a second nothing in the file says which side of
the change a stamp is on.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta, tzinfo
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from wakesim.csv_tables import Problems

if TYPE_CHECKING:
    import pandas as pd

NO_OFFSET = 100_000  # offset of a time without one, minutes
_ISO = re.compile(r"\d{4}[-/.]\d{1,2}[-/.]\d{1,2}")
_DAY_FIRST = re.compile(
    r"\d{1,2}([-/.])\d{1,2}[-/.](\d{4}|\d{2}),?[T ] *\d{1,2}:\d\d(:\d\d([.,]\d+)?)?( *[AaPp][Mm])?"
)
_SINCE_1970 = re.compile(r"\d{9,19}([.,]\d+)?")
_SECONDS = ((1e11, 1e6), (1e14, 1e3), (1e17, 1.0), (1e20, 1e-3))  # below: to microseconds
_LOOKED_AT = 1000  # stamps in which one must be right
_FIRST_US = int(datetime(1900, 1, 1, tzinfo=UTC).timestamp()) * 1_000_000
_LAST_US = int(datetime(2200, 1, 1, tzinfo=UTC).timestamp()) * 1_000_000

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_HOUR_US = 3_600_000_000


class Stamps(NamedTuple):
    """Stamps (n,) as microseconds since 1970 of the local time and offset from UTC in minutes.

    Those with an offset are in UTC already, offset 0; NO_OFFSET for those without. ``bad`` marks
    what is no time. ``stated_min`` is the offset that the first stamp states, None without one.
    ``order`` is "mdy" or "dmy" where the day and month had to be told apart, ``ambiguous`` when
    they could not be.
    """

    local_us: NDArray[np.int64]
    offset_min: NDArray[np.int32]
    bad: NDArray[np.bool_]
    stated_min: int | None
    order: str = ""
    ambiguous: bool = False


def read_stamps(cells: pd.Series, order: str = "") -> Stamps:
    """Stamps of trimmed text; ``order`` of day and month ("mdy", "dmy") where known.

    All are read in the form of the first that has one.
    """
    forms = (_SINCE_1970.fullmatch, _ISO.match, _DAY_FIRST.fullmatch)
    first = next((c for c in cells.head(_LOOKED_AT) if any(form(c) for form in forms)), "")
    if _SINCE_1970.fullmatch(first):
        return _since_1970(cells)
    if _ISO.match(first):
        return _iso(cells, first)
    return _day_month_year(cells, first, order)


def _since_1970(cells: pd.Series) -> Stamps:
    import pandas as pd

    number = pd.to_numeric(cells.str.replace(",", "."), errors="coerce").to_numpy(np.float64)
    size = np.nan_to_num(np.nanmedian(number)) if np.isfinite(number).any() else 0.0
    factor = next((f for top, f in _SECONDS if size < top), 1.0)
    us = np.nan_to_num(number * factor, nan=0.0, posinf=0.0, neginf=0.0)
    return _checked(np.round(us).astype(np.int64), ~np.isfinite(number), 0, 0)


def _iso(cells: pd.Series, first: str) -> Stamps:
    import pandas as pd

    if "," in first:
        cells = cells.str.replace(",", ".")
    if first[4] != "-":
        cells = cells.str.slice(0, 10).str.replace(r"[/.]", "-", regex=True) + cells.str.slice(10)
    found = pd.to_datetime(cells, format="ISO8601", utc=True, errors="coerce")
    texts = cells.tolist()
    ends = ("+", "-")
    stated = np.fromiter(
        (t[-1:] in ("Z", "z") or t[-6:-5] in ends or t[-5:-4] in ends or t[-3:-2] in ends
         for t in texts), bool, len(texts),
    )  # fmt: skip
    clock = np.fromiter((":" in t for t in texts), bool, len(texts))
    bad = found.isna().to_numpy() | ~clock
    us = found.dt.tz_localize(None).to_numpy().astype("datetime64[us]").astype(np.int64)
    offset = np.where(stated, 0, NO_OFFSET)
    good = np.flatnonzero(stated & ~bad)
    return _checked(us, bad, offset, _stated(texts[good[0]]) if good.size else None)


def _stated(text: str) -> int:
    """The offset from UTC at the end of a stamp that has one, minutes."""
    found = re.search(r"([+-])(\d\d):?(\d\d)?$", text)
    if not found:
        return 0
    minutes = 60 * int(found[2]) + int(found[3] or 0)
    return minutes if found[1] == "+" else -minutes


def _day_month_year(cells: pd.Series, first: str, order: str) -> Stamps:
    import pandas as pd

    form = _DAY_FIRST.fullmatch(first)
    count = len(cells)
    if not form:
        return Stamps(np.zeros(count, np.int64), np.full(count, NO_OFFSET, np.int32),
                      np.ones(count, bool), None)  # fmt: skip
    mark, year, seconds, decimals, half = form[1], form[2], form[3], form[4], form[5]
    found, assumed = _order(cells, mark, half)
    if not found and not order:
        return Stamps(np.zeros(count, np.int64), np.full(count, NO_OFFSET, np.int32),
                      np.zeros(count, bool), None, "", True)  # fmt: skip
    chosen = found or order
    cells = cells.str.replace(r",?[T ] *(?=\d{1,2}:)", " ", n=1, regex=True)
    cells = cells.str.replace(r"(?<=:\d\d),", ".", n=1, regex=True)
    cells = cells.str.replace(r" +(?=[AaPp][Mm]$)", "", n=1, regex=True)
    date = f"%m{mark}%d{mark}" if chosen == "mdy" else f"%d{mark}%m{mark}"
    date += "%Y" if len(year) == 4 else "%y"
    clock, end = ("%I", "%p") if half else ("%H", "")
    clock += ":%M" + (":%S" if seconds else "")
    forms = [f"{date} {clock}.%f{end}", f"{date} {clock}{end}"]
    moments = pd.to_datetime(cells, format=forms[0 if decimals else 1], errors="coerce")
    if seconds and moments.isna().any():  # full seconds are often written without decimals
        other = pd.to_datetime(cells, format=forms[1 if decimals else 0], errors="coerce")
        moments = moments.fillna(other)
    us = moments.to_numpy().astype("datetime64[us]").astype(np.int64)
    bad = moments.isna().to_numpy()
    return _checked(us, bad, NO_OFFSET, None, chosen if assumed else "")


def _order(cells: pd.Series, mark: str, half: str | None) -> tuple[str, bool]:
    """("mdy", "dmy" or "" for not known, whether it is worth saying) from the dates themselves."""
    days = {tuple(cell.split(mark, 2)[:2]) for cell in set(cells.str.slice(0, 10)) if cell}
    pairs = [(int(a), int(b)) for a, b in (d for d in days if len(d) == 2) if a.isdigit()
             and b.isdigit()]  # fmt: skip
    if any(a > 12 for a, _ in pairs):
        return "dmy", False
    if any(b > 12 for _, b in pairs):
        return "mdy", False
    if mark == ".":
        return "dmy", True
    if half:
        return "mdy", True
    return ("dmy", False) if pairs and all(a == b for a, b in pairs) else ("", False)


def _checked(
    us: NDArray[np.int64],
    bad: NDArray[np.bool_],
    offset: NDArray[np.int_] | int,
    stated: int | None,
    order: str = "",
) -> Stamps:
    bad = bad | (us < _FIRST_US) | (us >= _LAST_US)
    offsets = np.broadcast_to(np.asarray(offset, dtype=np.int32), us.shape).copy()
    return Stamps(np.where(bad, 0, us), offsets, bad, stated, order)


def utc_microseconds(
    local_us: NDArray[np.int64],
    offset_min: NDArray[np.int32],
    lines: NDArray[np.int32],
    place: tzinfo | None,
    problems: Problems,
) -> NDArray[np.int64]:
    """Moments in microseconds since 1970 in UTC, (n,), of local stamps with or without offset.

    ``local_us`` (n,), ``offset_min`` (n,) minutes, NO_OFFSET where a stamp has none; ``lines`` (n,)
    of the file for messages. The result only holds when no problem was added.
    """
    bare = offset_min == NO_OFFSET
    if not bare.any():
        return local_us - offset_min.astype(np.int64) * 60_000_000
    if not bare.all():
        line = int(lines[np.argmax(bare)])
        problems.add(line, "time: has no offset from UTC, other lines have one")
        return local_us
    if place is None:
        problems.add(
            int(lines[0]),
            f"time = {_text(int(local_us[0]))}: has no offset from UTC (Z or +01:00); add it, or "
            "say which time zone the record is in",
        )
        return local_us
    offset = _one_offset(int(local_us.min()), int(local_us.max()), place)
    if offset is None:
        problems.add(
            int(lines[0]),
            f"time = {_text(int(local_us[0]))} to {_text(int(local_us.max()))}: the clocks of "
            f"{place} change in between; write the offset from UTC with each time, or, if the "
            "logger does not follow the change, give its fixed offset (+01:00) as time zone",
        )
        return local_us
    return local_us - offset


def moment(us: int, place: tzinfo = UTC) -> datetime:
    """The moment that many microseconds after 1970 in UTC, in a time zone."""
    return (_EPOCH + timedelta(microseconds=us)).astimezone(place)


def microseconds(moment: datetime) -> int:
    """Microseconds since 1970 in UTC of an aware moment."""
    return (moment - _EPOCH) // timedelta(microseconds=1)


def _one_offset(first_us: int, last_us: int, place: tzinfo) -> int | None:
    """The offset from UTC in microseconds when it is the same all through, else None."""
    marks = [*range(first_us, last_us, _HOUR_US // 2), last_us]
    found = set()
    for us in marks:
        stamp = _naive(us).replace(tzinfo=place)
        for fold in (0, 1):  # both readings of a stamp that occurs twice
            offset = stamp.replace(fold=fold).utcoffset()
            found.add(0 if offset is None else offset // timedelta(microseconds=1))
    return found.pop() if len(found) == 1 else None


def _naive(us: int) -> datetime:
    return (_EPOCH + timedelta(microseconds=us)).replace(tzinfo=None)


def _text(us: int) -> str:
    return _naive(us).isoformat(timespec="milliseconds").removesuffix(".000")
