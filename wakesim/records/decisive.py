"""The deciding tests of the measurement guide: how a wake decays, and its profile over height.

Both look at the air along the road after the vehicles with the largest drag have gone, less the air
just before them, and need no strength of pulse or turbulence:

    decay      mean from 15 to 30 s and from 30 to 60 s after the nose
    profile    mean from 5 to 30 s at the lower of two heights over that at the upper one

The model makes the same means over the same passes with all their neighbours, with its own wake
family and with the other. Wakes that the case does not follow for as long cannot be judged. With an
ambient mast its slow wind is taken off the record first.

Neighbours scatter the passes alike in record and model, so the interval of the decay is that of
what the model leaves. That of the profile is that of a ratio of two means with a common scatter, of
clusters of passes (E. C. Fieller, J. R. Statist. Soc. B 16 (1954) 175, from memory): with X and Y
the means and V(r) the variance of X - r Y,

    (X - r Y)^2 <= t^2 V(r).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import special

from wakesim.arrays import Array
from wakesim.case.mounts import Mount
from wakesim.case.schema import Case
from wakesim.records.alignment import Clock
from wakesim.records.anemometer import AnemometerRecord
from wakesim.records.forward import ForwardSeries
from wakesim.records.inputs import Anemometer
from wakesim.records.judgement import UNKNOWN, Judgement, judge_difference, taken
from wakesim.records.pass_average import (
    FEWEST_PASSES,
    cluster_mean,
    cluster_s,
    isolated,
    pass_changes,
)
from wakesim.traffic.scene import wake_memory
from wakesim.traffic.stream import Passes

DECAY_S = ((15.0, 30.0), (30.0, 60.0))
PROFILE_S = (5.0, 30.0)
BEFORE_S = (-10.0, -1.0)
# Clear before and after a pass: the first pair that leaves enough passes.
CLEARS_S = ((10.0, 60.0), (10.0, 30.0), (5.0, 15.0), (0.0, 0.0))
ENOUGH_PASSES = 30
_LARGE = 0.5  # drag area over the largest one, of the classes that are looked at
_LEVEL = 0.90
_FEWEST_SAMPLES = 50


class Along(NamedTuple):
    """Air along the road at one anemometer, arrays (n,) at the record's samples, m/s: ``measured``,
    expected by the ``model`` and with the ``other`` wake law. ``passes`` are on its clock."""

    record: AnemometerRecord
    passes: Passes
    mount: Mount
    measured: Array
    model: Array
    other: Array


def along_road(
    at: Anemometer,
    record: AnemometerRecord,
    clock: Clock,
    series: Sequence[ForwardSeries],
    wind_u: Array,
) -> Along | None:
    """The air along the road at an anemometer; None where the log covers too little of it.

    ``record`` is that of ``at`` with its axes put right, ``clock`` that of the log against it,
    ``series`` the model there with its own and with the other wake law. ``wind_u`` (n,) is the
    slow wind that is taken off.
    """
    log_time = clock.log_time(record.time_s)
    low, high = series[0].covered_s
    inside = (log_time >= low) & (log_time <= high)
    if record.u_m_s is None or inside.sum() < _FEWEST_SAMPLES:
        return None
    shift = float(record.time_s[inside][0])
    passes = at.log.passes
    return Along(
        taken(record, inside),
        replace(passes, time_s=clock.record_time(passes.time_s) - shift),
        at.mount,
        (record.u_m_s - wind_u)[inside],
        *(np.interp(log_time[inside], s.time_s, s.mean()[0]) for s in series),
    )


def _too_short(case: Case, until_s: float) -> str:
    """Why the model cannot say what a wake is like so long after the nose; "" when it can."""
    memory = wake_memory(case)
    if memory >= until_s:
        return ""
    return (
        f"the case follows wakes for {memory:g} s: model.wake_memory_s must be at least {until_s:g}"
    )


def decisive(
    case: Case, first: Along, second: Along | None
) -> tuple[list[Judgement], tuple[str, ...]]:
    """Judgements on decay and profile, and sentences on what could not be judged."""
    out, notes = [], []
    for number, name in large_classes(case, first.passes):
        chosen = _picked(case, first, number)
        if chosen is None:
            notes.append(f"{name}: too few passes to judge how its wake decays")
            continue
        out += [_decay(case, first, name, chosen, window) for window in DECAY_S]
        if second is not None:
            out.append(_profile(case, first, second, name, chosen))
    return out, tuple(notes)


def large_classes(case: Case, passes: Passes) -> list[tuple[int, str]]:
    """Number and name of the logged classes with the largest drag areas."""
    driven = set(passes.vehicle.tolist())
    area = {
        (i, name): v.drag_coefficient * v.frontal_area_m2
        for i, (name, v) in enumerate(case.vehicles.items())
        if i in driven
    }
    largest = max(area.values(), default=0.0)
    return [key for key, value in area.items() if value >= _LARGE * largest]


def _picked(case: Case, at: Along, number: int) -> NDArray[np.bool_] | None:
    """The passes of a class that are looked at, all in one lane; None when there are too few."""
    mine = at.passes.vehicle == number
    road = case.road.lanes
    driven = np.unique(at.passes.lane[mine]).tolist()
    for lane in sorted(driven, key=lambda i: abs(at.mount.offset_m - road[i].centre_m)):
        lanes = np.array([x.index for x in road if x.carriageway == road[lane].carriageway])
        chosen = mine & (at.passes.lane == lane)
        for clear in CLEARS_S:
            alone = chosen & isolated(at.passes, *clear, lanes)
            if _known(at, alone) >= ENOUGH_PASSES:
                return alone
        if _known(at, chosen) >= FEWEST_PASSES:
            return chosen
    return None


def _known(at: Along, chosen: NDArray[np.bool_]) -> int:
    """How many of the passes have air to look at, to the end of the decay."""
    change = pass_changes(at.record, at.passes, chosen, at.measured, DECAY_S[-1], BEFORE_S)
    return int(np.isfinite(change).sum())


def _label(case: Case, name: str) -> str:
    return case.vehicles[name].label or name


def _decay(
    case: Case, at: Along, name: str, chosen: NDArray[np.bool_], window: tuple[float, float]
) -> Judgement:
    mine, model, other = (
        pass_changes(at.record, at.passes, chosen, values, window, BEFORE_S)
        for values in (at.measured, at.model, at.other)
    )
    good = np.isfinite(mine)
    label = np.floor(at.passes.time_s[good] / cluster_s((BEFORE_S[0], window[1])))
    measured = math.nan, UNKNOWN
    if good.any():
        # neighbours scatter the passes alike in both: the interval is that of what is left
        rest, (low, high) = cluster_mean((mine - model)[good], label)
        mean = float(mine[good].mean())
        measured = mean, (mean + low - rest, mean + high - rest)
    words = (
        f"{_label(case, name)}: along the road {window[0]:g} to {window[1]:g} s after the nose, "
        f"less the air before ({good.sum()} passes)"
    )
    key = f"decay_{window[0]:g}_to_{window[1]:g}_s_{name}"
    expected = [float(x[good].mean()) if good.any() else math.nan for x in (model, other)]
    reason = _too_short(case, window[1])
    return judge_difference(key, "m/s", words, measured, *expected, reason=reason)


def _profile(
    case: Case, first: Along, second: Along, name: str, chosen: NDArray[np.bool_]
) -> Judgement:
    """The ratio of the lower to the upper of two anemometers."""
    lower, upper = sorted((first, second), key=lambda at: at.mount.height_m)
    changes = []
    for kind in ("measured", "model", "other"):
        pair = [
            pass_changes(at.record, at.passes, chosen, getattr(at, kind), PROFILE_S, BEFORE_S)
            for at in (lower, upper)
        ]
        changes.append(pair)
    both = np.isfinite(np.array(changes)).all(axis=(0, 1))
    length = cluster_s((BEFORE_S[0], PROFILE_S[1]))
    label = np.floor(first.passes.time_s[both] / length)
    low, high = (c[both] for c in changes[0])
    words = (
        f"{_label(case, name)}: along the road {PROFILE_S[0]:g} to {PROFILE_S[1]:g} s after the "
        f"nose, at {lower.mount.height_m:g} m over {upper.mount.height_m:g} m ({both.sum()} passes)"
    )
    ratio, ends = ratio_of_means(low, high, label) if both.sum() >= FEWEST_PASSES else (
        math.nan, UNKNOWN
    )  # fmt: skip
    expected = [float(c[0][both].sum() / c[1][both].sum()) if both.any() else math.nan
                for c in changes[1:]]  # fmt: skip
    reason = _too_short(case, PROFILE_S[1])
    if not reason and not all(map(math.isfinite, ends)):
        reason = (
            f"no wake can be told from the wind at the upper height in {both.sum()} passes"
        )  # fmt: skip
    return judge_difference(f"profile_{name}", "1", words, (ratio, ends), *expected, reason=reason)


def ratio_of_means(
    x: Array, y: Array, label: Array, level: float = _LEVEL
) -> tuple[float, tuple[float, float]]:
    """Mean of x over mean of y (n,) each, and its interval; NaN ends where y may be zero.

    ``label`` (n,): values of one cluster are not independent.
    """
    n = x.size
    ratio = float(x.sum() / y.sum())
    _, cluster = np.unique(label, return_inverse=True)
    count = int(cluster.max()) + 1
    if count < 2:
        return ratio, UNKNOWN
    sums = np.array([np.bincount(cluster, v - v.mean()) for v in (x, y)]) / n
    (xx, xy), (_, yy) = count / (count - 1) * sums @ sums.T
    t2 = float(special.stdtrit(count - 1, 0.5 * (1.0 + level))) ** 2
    a = float(y.mean() ** 2 - t2 * yy)
    b = float(x.mean() * y.mean() - t2 * xy)
    c = float(x.mean() ** 2 - t2 * xx)
    root = b * b - a * c
    if a <= 0.0 or root < 0.0:
        return ratio, UNKNOWN
    half = math.sqrt(root)
    return ratio, ((b - half) / a, (b + half) / a)
