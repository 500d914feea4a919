"""The wind outside the traffic's reach, from a mast of its own: what it does to the comparison.

Its mean is the case's wind, its slow changes (running mean over a minute) join the modelled air and
are taken off average passes. Between the mast and the road only slow changes are the same; what is
faster is drawn at random with the strength that the mast shows. Moved to the instrument's height
with the case's wind profile.

A mast that the traffic reaches is no measure of the wind: the average around passes must show
nothing there.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from wakesim.air.profiles import wind_speed
from wakesim.arrays import Array
from wakesim.case.air import OPEN_LAND
from wakesim.case.schema import Case
from wakesim.errors import CaseError
from wakesim.outputs.wording import interval
from wakesim.records.anemometer import AnemometerRecord
from wakesim.records.pass_average import FEWEST_PASSES, cluster_mean, cluster_s, pass_changes
from wakesim.records.statistics import running_mean
from wakesim.traffic.stream import Passes

SLOW_S = 60.0
WINDOW_S, BEFORE_S = (3.0, 12.0), (-10.0, -1.0)  # around passes, for the check
_LONGEST_GAP_S = 120.0
_FAST_STEP_S = 2.0  # of the record, from which its gusts can be told
_CALM_M_S = 0.05
# Open land, as a case without a wind has it.
_WIND = OPEN_LAND.model_copy(update={"reference_height_m": 3.0})


class SlowWind(NamedTuple):
    """Slow changes of the ambient wind about its mean (n,), m/s, at times (n,) of the windows, s;
    repeated after ``period_s`` where that is given."""

    time_s: Array
    u: Array
    v: Array
    period_s: float | None = None

    def at(self, time_s: Array) -> tuple[Array, Array]:
        """Changes along and across the road at times (m,)."""
        u, v = (np.interp(time_s, self.time_s, x, period=self.period_s) for x in (self.u, self.v))
        return u, v


@dataclass(frozen=True)
class AmbientMast:
    """Record (with both components) and height of the mast; ``ahead_s`` is the time of its first
    sample on the clock of the main record, s."""

    record: AnemometerRecord
    height_m: float
    ahead_s: float

    @property
    def time_s(self) -> Array:
        """Times of the samples on the clock of the main record."""
        return self.record.time_s + self.ahead_s


def known_at(mast: AmbientMast, time_s: Array) -> NDArray[np.bool_]:
    """Whether the mast says what the wind was at times (n,) of the main record."""
    after = np.searchsorted(mast.time_s, time_s).clip(1, mast.time_s.size - 1)
    gap = mast.time_s[after] - mast.time_s[after - 1]
    inside = (time_s >= mast.time_s[0]) & (time_s <= mast.time_s[-1])
    return inside & (gap <= max(_LONGEST_GAP_S, 1.5 * mast.record.dt_s))


def with_wind_of(case: Case, mast: AmbientMast, span_s: tuple[float, float]) -> Case:
    """The case in the mean wind that the mast had in a span of the main record's time.

    The mast's gusts give the turbulence intensity where it is quick enough to show them.
    """
    u, v = _components(mast)
    inside = (mast.time_s >= span_s[0]) & (mast.time_s <= span_s[1])
    if inside.sum() < 2:
        raise CaseError(f"{mast.record.path}: the ambient mast has no samples during the record")
    along, across = float(np.nanmean(u[inside])), float(np.nanmean(v[inside]))
    speed = max(math.hypot(along, across), _CALM_M_S)
    wind = case.air.wind or _WIND
    intensity = wind.intensity(wind.reference_height_m)
    if mast.record.dt_s <= _FAST_STEP_S:
        rest = [(x - _slow(mast, x))[inside] for x in (u, v)]
        square = np.nanmean(rest[0] ** 2 + rest[1] ** 2)
        intensity = math.sqrt(0.5 * float(square)) / speed if math.isfinite(square) else intensity
    change = {
        "speed_m_s": speed,
        "angle_deg": math.degrees(math.atan2(across, along)),
        "reference_height_m": mast.height_m,
        "turbulence_intensity": intensity,
    }
    return replace(case, air=case.air.in_wind(wind.model_copy(update=change)))


def slow_wind(case: Case, mast: AmbientMast, height_m: float, start_s: float) -> SlowWind:
    """The slow changes at a height, about the mean of the case's wind, on a clock that is at 0 when
    that of the main record is at ``start_s``. ``case`` is that of ``with_wind_of``."""
    assert case.air.wind is not None
    wind = case.air.wind
    unit = wind.model_copy(update={"speed_m_s": 1.0})
    moved = float(wind_speed(unit, height_m))
    angle = math.radians(wind.angle_deg)
    means = wind.speed_m_s * math.cos(angle), wind.speed_m_s * math.sin(angle)
    u, v = (
        moved * (_slow(mast, x) - mean) for x, mean in zip(_components(mast), means, strict=True)
    )
    good = np.isfinite(u) & np.isfinite(v)
    return SlowWind(mast.time_s[good] - start_s, u[good], v[good])


def reached(mast: AmbientMast, passes: Passes, vehicles: NDArray[np.bool_], words: str) -> str:
    """What the mast shows after passes, in words; ``vehicles`` (passes,) are those looked at.

    ``passes`` are on the clock of the main record.
    """
    own = replace(passes, time_s=passes.time_s - mast.ahead_s)
    change = pass_changes(
        mast.record, own, vehicles, _components(mast)[0], WINDOW_S, BEFORE_S
    )  # fmt: skip
    good = np.isfinite(change)
    if good.sum() < FEWEST_PASSES:
        return f"whether the traffic reaches the ambient mast cannot be told: {good.sum()} passes"
    label = np.floor(own.time_s[good] / cluster_s((BEFORE_S[0], WINDOW_S[1])))
    mean, ends = cluster_mean(change[good], label)
    shown = f"{interval(ends, 2)} m/s along the road {WINDOW_S[0]:g} to {WINDOW_S[1]:g} s after"
    what = f"{good.sum()} passes of {words}"
    if ends[0] <= 0.0 <= ends[1]:
        return f"the ambient mast shows nothing of the traffic: {shown} {what}"
    return (
        f"the traffic reaches the ambient mast: {mean:.2f} m/s, {shown} {what}: what it shows is "
        "not the wind alone; place it farther away"
    )


def _components(mast: AmbientMast) -> tuple[Array, Array]:
    u, v = mast.record.u_m_s, mast.record.v_m_s
    if u is None or v is None:
        raise CaseError(
            f"{mast.record.path}: an ambient mast needs u_m_s and v_m_s, or speed and direction "
            "with --road-bearing"
        )
    return u, v


def _slow(mast: AmbientMast, values: Array) -> Array:
    if mast.record.dt_s >= 0.5 * SLOW_S:
        return values
    return running_mean(mast.record.time_s, values, SLOW_S, mast.record.dt_s)
