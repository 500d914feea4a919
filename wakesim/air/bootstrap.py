"""Years drawn from an hourly record in blocks: the seasons and the hours of the day are kept.

Moving-block bootstrap (Künsch 1989), with blocks from the same season (from memory: as in seasonal
block bootstraps, Politis 2001): what happens within days is drawn together, what differs
from one fortnight or one year to the next is drawn anew.
"""

from __future__ import annotations

import numpy as np

from wakesim.arrays import Index

YEAR_DAYS, SEASON_DAYS = 365, 30
SHORTEST_DAYS = YEAR_DAYS - 2 * SEASON_DAYS  # of a record, that no season is without a day


def block_bootstrap(
    n_hours: int,
    years: int,
    rng: np.random.Generator,
    *,
    block_days: int = 10,
    season_days: int = SEASON_DAYS,
    hours: int = YEAR_DAYS * 24,
) -> Index:
    """Positions (years, hours) in a record of ``n_hours``, of which hour 0 is hour 0 of each year.

    A year is made of blocks of ``block_days`` whole days, each of which starts, with equal chance,
    on one of the record's days that are within ``season_days`` of the block's own day of the year,
    in any year of the record. What is left of the record's last day is not drawn. A block that
    runs over the end of the record goes on a year of 365 days before, or, in a record shorter than
    that, at its start.

    Raises ValueError for a record that leaves a season without a day.
    """
    if min(years, block_days, hours) < 1 or season_days < 0:
        raise ValueError("years, block_days and hours must be at least 1, season_days at least 0")
    record_days = n_hours // 24
    if record_days < max(YEAR_DAYS - 2 * season_days, 1):
        need = YEAR_DAYS - 2 * season_days
        raise ValueError(f"the record must be at least {need} days long, not {record_days}")
    back = min(record_days, YEAR_DAYS)
    record = np.arange(record_days)
    within = np.arange(block_days)
    drawn_days = -(-hours // 24)
    days = np.empty((years, -(-drawn_days // block_days), block_days), dtype=np.int64)
    for block in range(days.shape[1]):
        apart = np.abs(record - block * block_days) % YEAR_DAYS
        starts = record[np.minimum(apart, YEAR_DAYS - apart) <= season_days]
        day = rng.choice(starts, years)[:, None] + within
        over = np.maximum(-(-(day - record_days + 1) // back), 0)
        days[:, block] = day - over * back
    position = days.reshape(years, -1)[:, :drawn_days, None] * 24 + np.arange(24)
    return position.reshape(years, -1)[:, :hours]
