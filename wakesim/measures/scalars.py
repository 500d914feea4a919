"""The scalar measures of traffic at a mount: one function each, by the key of its quantity.

A measure takes the ``MountSeries`` and returns a number. It needs a row of its name in the group
``measure`` of ``wakesim/quantities.py``; all outputs find it there.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from wakesim.arrays import Array
from wakesim.measures import effective
from wakesim.quantities import group


@dataclass(frozen=True)
class MountSeries:
    """What the measures of a mount are read from.

    ``speed_m_s`` (n,) is the rotor-equivalent speed of all realisations, ``first_m_s`` that of the
    first one, both at the step ``dt_s``. ``u_m_s`` and ``v_m_s`` are the mean velocity at the
    centre of the swept rectangle, ``ambient_cube_m3_s3`` the mean cube without traffic.
    """

    speed_m_s: Array
    first_m_s: Array
    dt_s: float
    u_m_s: float
    v_m_s: float
    ambient_cube_m3_s3: float
    cut_in_m_s: float
    gust_averaging_s: float
    density_kg_m3: float


Measure = Callable[[MountSeries], float]
MEASURES: dict[str, Measure] = {}


def measure(function: Measure) -> Measure:
    """Decorator of a measure; its name is the key of its quantity."""
    MEASURES[function.__name__] = function
    return function


def all_measures(series: MountSeries) -> dict[str, float]:
    """Every measure of the group ``measure`` by its key, in the order of the group."""
    return {key: float(MEASURES[key](series)) for key in group("measure")}


@measure
def effective_speed_m_s(s: MountSeries) -> float:
    """Cube root of the mean cubed rotor-equivalent speed."""
    return effective.effective_speed(s.speed_m_s)


@measure
def mean_speed_m_s(s: MountSeries) -> float:
    """Mean rotor-equivalent speed."""
    return float(s.speed_m_s.mean())


@measure
def mean_u_m_s(s: MountSeries) -> float:
    """Mean velocity along the road."""
    return s.u_m_s


@measure
def mean_v_m_s(s: MountSeries) -> float:
    """Mean velocity across the road."""
    return s.v_m_s


@measure
def sd_speed_m_s(s: MountSeries) -> float:
    """Standard deviation of the rotor-equivalent speed."""
    return float(s.speed_m_s.std())


@measure
def energy_pattern_factor(s: MountSeries) -> float:
    """Mean cube over cube of the mean."""
    return effective.energy_pattern_factor(s.speed_m_s)


@measure
def time_above_cut_in(s: MountSeries) -> float:
    """Share of time above the cut-in speed."""
    return effective.share_above(s.speed_m_s, s.cut_in_m_s)


@measure
def gust_peak_m_s(s: MountSeries) -> float:
    """Largest moving mean of the first realisation."""
    return effective.gust_peak(s.first_m_s, s.dt_s, s.gust_averaging_s)


@measure
def peak_m_s(s: MountSeries) -> float:
    """Highest single sample."""
    return float(s.speed_m_s.max())


@measure
def ambient_effective_speed_m_s(s: MountSeries) -> float:
    """Effective speed without traffic."""
    return math.cbrt(s.ambient_cube_m3_s3)


@measure
def power_density_w_m2(s: MountSeries) -> float:
    """Energy flux per swept area."""
    return effective.power_density(effective_speed_m_s(s), s.density_kg_m3)
