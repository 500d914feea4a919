"""Time stamps of a record: ISO 8601 text to UTC, through clock changes."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from zoneinfo import ZoneInfo, available_timezones

from wakesim.csv_tables import Problems
from wakesim.errors import CaseError, closest, shorten

_OFFSET = re.compile(r"([+-])(\d{2}):(\d{2})")
_YEARS = (1900, 2200)
_NO_ZONE = "has no offset from UTC (Z or +01:00); add it, or say which time zone the record is in"


def zone(name: str) -> tzinfo:
    """A time zone by name ("Europe/Berlin", "UTC") or fixed offset ("+01:00").

    Raises CaseError for one that does not exist.
    """
    if found := _OFFSET.fullmatch(name):
        hours, minutes = int(found[2]), int(found[3])
        if hours < 15 and minutes < 60:
            offset = timedelta(hours=hours, minutes=minutes)
            return timezone(offset if found[1] == "+" else -offset)
    else:
        try:
            return ZoneInfo(name)
        except (LookupError, ValueError, OSError):
            pass
    guess = closest(name, available_timezones(), cutoff=0.8)
    hint = f"did you mean '{guess}'?" if guess else "write it as 'Europe/Berlin' or '+01:00'"
    raise CaseError(f"unknown time zone '{shorten(name)}'; {hint}")


def to_utc(
    texts: Sequence[str], lines: Sequence[int], time_zone: tzinfo | None, problems: Problems
) -> list[datetime]:
    """Moments in UTC, one for each text, in the same order and strictly ascending.

    Texts with an offset speak for themselves; the others are local times of ``time_zone``, where
    the repeated hour of autumn must be there twice, one after the other. Adds a problem for what
    is no time, does not exist, is ambiguous, repeated or out of order; the result only holds when
    there is none.
    """
    stamps = [_parse(text, line, problems) for text, line in zip(texts, lines, strict=True)]
    good = [(s, line) for s, line in zip(stamps, lines, strict=True) if s is not None]
    with_offset = [stamp.tzinfo is not None for stamp, _ in good]
    if any(with_offset) and not all(with_offset):
        line = next(line for (_, line), has in zip(good, with_offset, strict=True) if not has)
        problems.add(line, "time: has no offset from UTC, other lines have one")
        return []
    if good and not with_offset[0] and time_zone is None:
        problems.add(good[0][1], f"time = {good[0][0].isoformat()}: {_NO_ZONE}")
        return []
    times = [(s.astimezone(UTC), line) for s, line in good if s.tzinfo is not None]
    if time_zone is not None and not any(with_offset):
        times = _localised(good, time_zone, problems)
    if not problems.lines:
        _check_order(times, texts, problems)
    return [moment for moment, _ in times]


def _parse(text: str, line: int, problems: Problems) -> datetime | None:
    try:
        stamp = datetime.fromisoformat(text)
    except ValueError:
        stamp = None
    if stamp is None or not any(mark in text for mark in (":", "T")):
        what = f'time = "{shorten(text)}": must be a date and time in ISO 8601'
        problems.add(line, f"{what}, as 2025-03-30T14:00Z")
        return None
    if not _YEARS[0] <= stamp.year < _YEARS[1]:
        problems.add(line, f"time = {text}: must be from {_YEARS[0]} to {_YEARS[1] - 1}")
        return None
    return stamp


def _localised(
    stamps: list[tuple[datetime, int]], time_zone: tzinfo, problems: Problems
) -> list[tuple[datetime, int]]:
    """Local times in UTC; the first of two equal ambiguous ones is before the clock change."""
    count: dict[datetime, int] = {}
    for stamp, _ in stamps:
        count[stamp] = count.get(stamp, 0) + 1
    seen: set[datetime] = set()
    out = []
    for stamp, line in stamps:
        first, second = (stamp.replace(tzinfo=time_zone, fold=fold) for fold in (0, 1))
        moment = first.astimezone(UTC)
        if first.utcoffset() != second.utcoffset():
            back = moment.astimezone(time_zone).replace(tzinfo=None, fold=0)
            if back != stamp.replace(fold=0):
                problems.add(
                    line,
                    f"time = {stamp.isoformat()}: does not exist in {time_zone}, the clocks skip "
                    "it; if the record keeps winter time all year, give that offset as time zone",
                )
            elif count[stamp] != 2:
                problems.add(
                    line,
                    f"time = {stamp.isoformat()}: occurs twice in {time_zone} (clocks go back) and "
                    f"{'once' if count[stamp] == 1 else f'{count[stamp]} times'} in the file; add "
                    "the offset from UTC, or give that of winter time as time zone if the record "
                    "keeps it all year",
                )
            elif stamp in seen:
                moment = second.astimezone(UTC)
        seen.add(stamp)
        out.append((moment, line))
    return out


def _check_order(
    times: list[tuple[datetime, int]], texts: Sequence[str], problems: Problems
) -> None:
    for i in range(1, len(times)):
        (before, _), (now, line) = times[i - 1], times[i]
        if now == before:
            problems.add(line, f"time = {texts[i]}: is there already in the line before")
        elif now < before:
            text = f"time = {texts[i]}: is before the line above; sort the record by time"
            problems.add(line, text)
            return
