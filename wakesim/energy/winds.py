"""The winds of a year: which blow, how often, and in what order.

A list of winds, or a Weibull wind alike from all directions taken at its Gauss nodes
(wakesim.air.weibull); what the shares leave is still air. The order of winds matters to a load
alone: each hour keeps the wind of the hour before, or, once in ``spell_h`` hours on average, draws
a new one by the shares, so that spells are geometric and the shares hold in the long run.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from wakesim.air import weibull
from wakesim.arrays import Array, Index
from wakesim.case.air import OPEN_LAND
from wakesim.case.energy import EnergyTable
from wakesim.case.schema import Case, Wind

Winds = tuple[Wind | None, ...]

ROSE_SPEEDS, ROSE_DIRECTIONS = 3, 8


def year_winds(case: Case, table: EnergyTable) -> tuple[Winds, Array]:
    """(winds, probabilities) of the year, None for still air; the case's own air by default.

    Height and profile are those of the case's wind; without one, 10 m over open land.
    """
    if table.wind_rose is not None:
        rose = table.wind_rose
        scale = rose.mean_speed_m_s / float(weibull.moment(1, 1.0, rose.shape))
        speed, share = weibull.nodes(ROSE_SPEEDS, rose.shape)
        angles = 360.0 / ROSE_DIRECTIONS * np.arange(ROSE_DIRECTIONS)
        found = [
            (float(scale * s), float(a), float(p) / ROSE_DIRECTIONS)
            for a in angles
            for s, p in zip(speed, share, strict=True)
        ]
    elif table.winds:
        found = [(w.speed_m_s, w.angle_deg, w.share) for w in table.winds]
    else:
        return (case.air.wind,), np.ones(1)
    model = case.air.wind or OPEN_LAND
    winds: list[Wind | None] = [
        replace(
            model, speed_m_s=s, angle_deg=a, turbulence_intensity=table.turbulence_intensity,
            intensity_from_roughness=False,
        )
        for s, a, _ in found
    ]  # fmt: skip
    shares = [p for _, _, p in found]
    if sum(shares) < 1.0 - 1e-9:
        winds.append(None)
        shares.append(1.0 - sum(shares))
    probability = np.array(shares)
    return tuple(winds), probability / probability.sum()


def wind_of_hours(probability: Array, hours: int, spell_h: float, seed: int) -> Index:
    """Number of the wind in each of ``hours`` hours, drawn in spells; the same for the same seed.

    Raises ValueError for a spell below one hour.
    """
    if not spell_h >= 1.0:
        raise ValueError("a spell of wind must last at least 1 h")
    rng = np.random.default_rng(seed)
    drawn = rng.choice(probability.size, size=hours, p=probability)
    new = rng.random(hours) < 1.0 / spell_h
    new[0] = True
    last = np.maximum.accumulate(np.where(new, np.arange(hours), 0))
    return drawn[last]
