"""Time zones by the names people write."""

from __future__ import annotations

import re
from datetime import timedelta, timezone, tzinfo
from zoneinfo import ZoneInfo, available_timezones

from wakesim.errors import CaseError, closest, shorten

_OFFSET = re.compile(r"([+-])(\d{2}):(\d{2})")


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
