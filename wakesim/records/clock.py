"""Clocks of loggers: local stamps to seconds, in UTC, with one offset a record.

Stamps with an offset speak for themselves. Stamps without need a time zone, and the record must not
span a change of that zone's clocks: at many samples a second nothing in the file says which side of
the change a stamp is on.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, tzinfo

import numpy as np
from numpy.typing import NDArray

from wakesim.air.record_csv import Problems
from wakesim.records.cell_kernel import NO_OFFSET

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_HOUR_US = 3_600_000_000


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
