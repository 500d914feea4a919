"""Average passes by class: the record's, with its interval, beside those of the model.

The model's air at the record's own samples goes through the same averaging, with the same passes.
What neighbours do to the single passes it does to both, so numbers are judged with the interval of
what the model leaves of the record. Of a class only the nearest lane with enough isolated passes is
taken. Two numbers are judged: the
swing of the displacement flow, between the two times where the model has its highest and its lowest
value, and the change along the road while the wake goes by, from just before the pass.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from wakesim.arrays import Array
from wakesim.case.mounts import Mount
from wakesim.case.schema import Case
from wakesim.records.anemometer import AnemometerRecord
from wakesim.records.judgement import Judgement, judge_difference
from wakesim.records.pass_average import FEWEST_PASSES, PassAverage, isolated, pass_average
from wakesim.traffic.stream import Passes

# Clear before and after a pass: the first pair that leaves enough passes. The model is averaged
# over the same passes with all their neighbours, so even short ones compare like with like.
CLEARS_S = ((10.0, 20.0), (6.0, 12.0), (4.0, 8.0), (2.0, 4.0), (1.0, 2.5))
ENOUGH_PASSES = 12
WINDOW_S = (-4.0, 12.0)
BASELINE_S = (-4.0, -2.0)
PULSE_S = (-1.0, 2.5)
WAKE_S = (3.0, 12.0)
_SHORTEST_BIN_S = 0.1


class Curve(NamedTuple):
    """One channel around a pass: the record's average, the model's, and with the other law."""

    record: PassAverage
    model: Array
    other: Array


@dataclass(frozen=True)
class ClassSignature:
    """Average pass of one class in one lane; ``curves`` by channel ("u", "v" or "speed")."""

    vehicle: str
    label: str
    lane: str
    passes: int
    candidates: int
    clear_s: tuple[float, float]
    curves: Mapping[str, Curve]
    judgements: tuple[Judgement, ...]


Channels = Mapping[str, Array]


def signatures(
    record: AnemometerRecord,
    passes: Passes,
    case: Case,
    mount: Mount,
    measured: Channels,
    model: Channels,
    other: Channels,
) -> tuple[list[ClassSignature], list[str]]:
    """Signatures of every class with enough isolated passes, and sentences on the others.

    The channels hold values (n,) at the record's samples; ``model`` and ``other`` those of the
    model and of the model with the other wake law.
    """
    found, notes = [], []
    for number, (name, vehicle) in enumerate(case.vehicles.items()):
        mine = passes.vehicle == number
        if not mine.any():
            continue
        picked = _picked(record, passes, mine, case, mount)
        if picked is None:
            notes.append(
                f"{name}: fewer than {FEWEST_PASSES} of {int(mine.sum())} passes are alone for "
                f"{CLEARS_S[-1][0]:g} s before and {CLEARS_S[-1][1]:g} s after: no average pass"
            )
            continue
        lane, clear, lanes = picked
        chosen = mine & (passes.lane == lane)
        curves = {}
        for channel in measured:
            averages = [
                _average(record, passes, chosen, values, clear, lanes)
                for values in (measured[channel], model[channel], other[channel])
            ]
            curves[channel] = Curve(averages[0], averages[1].mean, averages[2].mean)
        left = {channel: measured[channel] - model[channel] for channel in measured}
        sets = (measured, model, other, left)
        label = vehicle.label or name
        judgements = tuple(_judged(record, passes, chosen, clear, lanes, curves, sets, name, label))
        first = next(iter(curves.values())).record
        road = case.road.lanes[lane].name
        counts = first.passes, first.candidates
        found.append(ClassSignature(name, label, road, *counts, clear, curves, judgements))
    return found, notes


def _picked(
    record: AnemometerRecord, passes: Passes, mine: NDArray[np.bool_], case: Case, mount: Mount
) -> tuple[int, tuple[float, float], NDArray[np.int_]] | None:
    """(lane, clear times, lanes that must be clear) of the nearest lane with enough passes."""
    inside = (passes.time_s + WINDOW_S[0] >= 0.0) & (
        passes.time_s + WINDOW_S[1] <= record.duration_s
    )
    driven = np.unique(passes.lane[mine]).tolist()
    for lane in sorted(driven, key=lambda i: abs(mount.offset_m - case.road.lanes[i].centre_m)):
        way = case.road.lanes[lane].carriageway
        lanes = np.array([x.index for x in case.road.lanes if x.carriageway == way])
        held = []
        for clear in CLEARS_S:
            alone = isolated(passes, *clear, lanes) & mine & inside & (passes.lane == lane)
            held.append(_with_samples(record, passes.time_s[alone]))
            if held[-1] >= ENOUGH_PASSES:
                return lane, clear, lanes
        if held[-1] >= FEWEST_PASSES:
            first = next(i for i, n in enumerate(held) if n == held[-1])
            return lane, CLEARS_S[first], lanes
    return None


def _with_samples(record: AnemometerRecord, times: Array) -> int:
    """How many of the passes have samples before and after them."""
    ends = [np.searchsorted(record.time_s, times + shift) for shift in (*BASELINE_S, *PULSE_S)]
    return int(np.sum((ends[1] > ends[0]) & (ends[3] > ends[2])))


def _average(
    record: AnemometerRecord,
    passes: Passes,
    chosen: NDArray[np.bool_],
    values: Array,
    clear: tuple[float, float],
    lanes: NDArray[np.int_],
    window: tuple[float, float] = WINDOW_S,
    bin_s: float | None = None,
    baseline_s: tuple[float, float] = BASELINE_S,
) -> PassAverage:
    width = max(record.dt_s, _SHORTEST_BIN_S) if bin_s is None else bin_s
    return pass_average(
        record, passes, chosen, values=values, window_s=window, bin_s=width, clear_s=clear,
        lanes=lanes, baseline_s=baseline_s,
    )  # fmt: skip


def _judged(
    record: AnemometerRecord,
    passes: Passes,
    chosen: NDArray[np.bool_],
    clear: tuple[float, float],
    lanes: NDArray[np.int_],
    curves: Mapping[str, Curve],
    sets: tuple[Channels, Channels, Channels, Channels],
    name: str,
    label: str,
) -> list[Judgement]:
    """Swing of the pulse and wake of one class."""
    out = []
    channel = "v" if "v" in curves else "speed"
    curve = curves[channel]
    near = np.flatnonzero((curve.record.time_s > PULSE_S[0]) & (curve.record.time_s < PULSE_S[1]))
    near = near[~np.isnan(curve.record.mean[near] + curve.model[near])]
    width = float(curve.record.time_s[1] - curve.record.time_s[0])
    if near.size > 2:
        top, bottom = (
            float(curve.record.time_s[near[pick(curve.model[near])]])
            for pick in (np.argmax, np.argmin)
        )
        high, low = ((t - 0.5 * width, t + 0.5 * width) for t in (top, bottom))
        swings = [
            _average(record, passes, chosen, s[channel], clear, lanes, high, width, low)
            for s in sets
        ]
        words = "across the road" if channel == "v" else "of the speed"
        out.append(_of(f"pulse_{name}", f"{label}: swing of the pulse {words}", swings))
    channel = "u" if "u" in curves else "speed"
    whole = WAKE_S[1] - WAKE_S[0]
    try:
        means = [
            _average(record, passes, chosen, s[channel], clear, lanes, WAKE_S, whole) for s in sets
        ]
    except ValueError:
        return out
    words = "along the road" if channel == "u" else "of the speed"
    text = f"{label}: change {words} {WAKE_S[0]:g} to {WAKE_S[1]:g} s after the nose"
    out.append(_of(f"wake_{name}", text, means))
    return out


def _of(key: str, words: str, averages: list[PassAverage]) -> Judgement:
    """Judgement of one bin of record, model, model of the other law and what the model leaves,
    whose interval is that of the record here."""
    mine, model, other, left = (float(a.mean[0]) for a in averages)
    ends = (mine + float(end[0]) - left for end in (averages[3].low, averages[3].high))
    return judge_difference(key, "m/s", words, (mine, tuple(ends)), model, other)  # type: ignore[arg-type]
