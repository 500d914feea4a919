"""Time stamps of a record: ISO 8601 text to UTC, through clock changes."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from datetime import UTC, datetime, tzinfo

import numpy as np
from numpy.typing import NDArray

from wakesim.csv_tables import Problems
from wakesim.errors import shorten

_YEARS = (1900, 2200)
_NO_OFFSET = "has no offset from UTC, other lines have one"
_NO_ZONE = "has no offset from UTC (Z or +01:00); add it, or say which time zone the record is in"


def to_utc(
    texts: Sequence[str],
    lines: Sequence[int],
    time_zone: tzinfo | None,
    problems: Problems,
    series: Sequence[int] | None = None,
) -> list[datetime]:
    """Moments in UTC, one for each text, in the same order and strictly ascending.

    Texts with an offset speak for themselves; the others are local times of ``time_zone``, where
    the repeated hour of autumn must be there twice, one after the other. With ``series``, the
    number of the series that each text belongs to, the repeated hour must be there twice in each of
    them, and repeated times and their order are left to the caller. Adds a problem for what is no
    time, does not exist, is ambiguous, repeated or out of order; the result only holds when there
    is none.
    """
    stamps = _parsed(texts, lines, problems)
    if problems.lines:
        return []
    with_offset = [stamp.tzinfo is not None for stamp in stamps]
    if any(with_offset) and not all(with_offset):
        problems.add(lines[with_offset.index(False)], f"time: {_NO_OFFSET}")
        return []
    if stamps and not with_offset[0] and time_zone is None:
        problems.add(lines[0], f"time = {stamps[0].isoformat()}: {_NO_ZONE}")
        return []
    if time_zone is None or any(with_offset):
        moments = [stamp.astimezone(UTC) for stamp in stamps]
    else:
        keys = [0] * len(stamps) if series is None else series
        moments = _localised(stamps, lines, keys, time_zone, problems)
    if series is None and not problems.lines:
        _check_order(moments, texts, lines, problems)
    return moments


def offsets_s(
    seconds: NDArray[np.int64], texts: Sequence[str], time_zone: tzinfo | None
) -> NDArray[np.int64]:
    """What the local clock is ahead of UTC, s, at moments in seconds since 1970.

    The clock is that of ``time_zone``, or with None the one that the texts state.
    """
    if time_zone is not None:
        ahead = [datetime.fromtimestamp(s, time_zone).utcoffset() for s in seconds.tolist()]
    else:
        ahead = [datetime.fromisoformat(text).utcoffset() for text in texts]
    return np.array([a.total_seconds() if a else 0.0 for a in ahead]).astype(np.int64)


def _parsed(texts: Sequence[str], lines: Sequence[int], problems: Problems) -> list[datetime]:
    """The time stamps; adds a problem for those that are none or of a far year."""
    stamps: list[datetime] = []
    wrong: list[int] = []
    far: list[int] = []
    for i, text in enumerate(texts):
        try:
            stamp = datetime.fromisoformat(text)
        except ValueError:
            wrong.append(i)
            continue
        if ":" not in text and "T" not in text:
            wrong.append(i)
        elif not _YEARS[0] <= stamp.year < _YEARS[1]:
            far.append(i)
        stamps.append(stamp)
    if wrong:
        what = f'time = "{shorten(texts[wrong[0]])}": must be a date and time in ISO 8601'
        problems.add_one([lines[i] for i in wrong], f"{what}, as 2025-03-30T14:00Z")
    if far:
        text = f"time = {texts[far[0]]}: must be from {_YEARS[0]} to {_YEARS[1] - 1}"
        problems.add_one([lines[i] for i in far], text)
    return stamps


def _localised(
    stamps: Sequence[datetime],
    lines: Sequence[int],
    series: Sequence[int],
    time_zone: tzinfo,
    problems: Problems,
) -> list[datetime]:
    """Local times in UTC; the first of two equal ambiguous ones is before the clock change."""
    count = Counter(zip(series, stamps, strict=True))
    seen: set[tuple[int, datetime]] = set()
    told: set[datetime] = set()
    out = []
    for stamp, line, key in zip(stamps, lines, series, strict=True):
        first, second = (stamp.replace(tzinfo=time_zone, fold=fold) for fold in (0, 1))
        moment = first.astimezone(UTC)
        if first.utcoffset() != second.utcoffset():
            back = moment.astimezone(time_zone).replace(tzinfo=None, fold=0)
            problem = ""
            if back != stamp.replace(fold=0):
                problem = (
                    f"time = {stamp.isoformat()}: does not exist in {time_zone}, the clocks skip "
                    "it; if the record keeps winter time all year, give that offset as time zone"
                )
            elif count[key, stamp] == 1:
                problem = (
                    f"time = {stamp.isoformat()}: occurs twice in {time_zone} (clocks go back) and "
                    "once in the file; add the offset from UTC, or give that of winter time as "
                    "time zone if the record keeps it all year"
                )
            elif (key, stamp) in seen:
                moment = second.astimezone(UTC)
            if problem and stamp not in told:
                problems.add(line, problem)
                told.add(stamp)
        seen.add((key, stamp))
        out.append(moment)
    return out


def _check_order(
    moments: Sequence[datetime], texts: Sequence[str], lines: Sequence[int], problems: Problems
) -> None:
    steps = range(1, len(moments))
    if again := [i for i in steps if moments[i] == moments[i - 1]]:
        text = f"time = {texts[again[0]]}: is there already in the line before"
        problems.add_one([lines[i] for i in again], text)
    back = next((i for i in steps if moments[i] < moments[i - 1]), None)
    if back is not None:
        text = f"time = {texts[back]}: is before the line above; sort the record by time"
        problems.add(lines[back], text)
