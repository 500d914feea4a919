"""Published hourly traffic: shape over the day, mean volume and, where counted, heavy share."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from functools import cache

from wakesim.runtime import shared_path

_DAY_PREFIX = {"weekday": "weekday", "saturday": "sat", "sunday": "sun"}
_SHAPE_SUFFIX = {"A115": "_shape_all", "I94": "_shape"}


@dataclass(frozen=True)
class HourlyProfile:
    """One day of counts of one carriageway; every tuple has 24 entries, hour 0 first.

    ``share`` of the day's vehicles sums to one. ``heavy_share`` is None where heavy vehicles were
    not counted.
    """

    share: tuple[float, ...]
    mean_veh_h: tuple[float, ...]
    heavy_share: tuple[float, ...] | None


@cache
def hourly_profile(name: str, day_type: str) -> HourlyProfile:
    """The published profile ``name`` ("A115" or "I94") on a "weekday", "saturday" or "sunday".

    A115: Berlin motorway A115 inbound, two lanes, hourly detector counts 2023-24 (public
    road-traffic counts of the city, republished CC BY 4.0). I94: Interstate 94 westbound, 2016-18
    (UCI Machine Learning Repository, Metro Interstate Traffic Volume; CC BY 4.0 from memory).
    """
    with shared_path("reference", f"hourly_profile_{name}.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    day = _DAY_PREFIX[day_type]
    shape = [float(row[day + _SHAPE_SUFFIX[name]]) for row in rows]
    heavy = f"{day}_hgv_share"
    return HourlyProfile(
        share=tuple(value / sum(shape) for value in shape),
        mean_veh_h=tuple(float(row[f"{day}_mean_vph"]) for row in rows),
        heavy_share=tuple(float(row[heavy]) for row in rows) if heavy in rows[0] else None,
    )
