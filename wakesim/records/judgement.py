"""Numbers of both records with their intervals, and a verdict in plain words on the modelled one.

The verdict is on the model as the case has it: only what chance leaves open (sampling intervals at
90 %) excuses a difference. Whether the much wider model interval covers the record is said beside
it, and never turns a miss into a hit.

The numbers, from block sums of the speed s and of the velocity less its running mean:

    mean            mean s
    effective       (mean s^3)^(1/3)
    sd              standard deviation of s
    above           share of the time with s above the cut-in speed
    fast            rms of the velocity less its running mean over 20 s
    quick           the same over 2 s

Intervals come from leaving out one block after the other (jackknife) on the logarithms of the
values, all of them positive and skewed to the right; with a passing log both records hold the same
vehicles, so the same blocks are left out of both and the ratio is surer than its parts. With c_b
the change of the logarithm by leaving out block b, less their mean, and r the correlation of
neighbouring blocks (freed of its bias 1/B, from 0 to 0.8, for slow wind goes on from block to
block; falling off as that of a first-order process),

    variance = (1 + r)/(1 - r) (B - 1)/B sum c_b^2,

the bias is taken off as usual and Student's t has B - 1 degrees of freedom (of two separate
records: those of Satterthwaite). On made-up records of 20 min these 90 % intervals held the truth
in 90 to 93 % of 400 draws with a memory of 5 s, in 85 to 92 % with one of 20 to 40 s.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import special

from wakesim.arrays import Array
from wakesim.outputs.wording import interval, significant
from wakesim.records.anemometer import AnemometerRecord
from wakesim.records.statistics import block_edges, running_mean

Verdict = Literal["agrees", "too low", "too high", "cannot be judged"]
Ends = tuple[float, float]

WIDEST = 3.0  # upper over lower end of a ratio beyond which an interval tells nothing
FEWEST_BLOCKS = 6
_SAME = 1e-6
UNKNOWN: Ends = (math.nan, math.nan)


@dataclass(frozen=True)
class Judgement:
    """A number of both records and the verdict on the model.

    ``ratio`` is record over model; ``model_interval`` is from the uncertain constants (NaN when
    not known), ``within_model_interval`` None then.
    """

    key: str
    unit: str
    words: str
    record: float
    record_interval: Ends
    model: float
    model_sampling_interval: Ends
    model_interval: Ends
    ratio: float
    ratio_interval: Ends
    verdict: Verdict
    text: str
    within_model_interval: bool | None


def judge(
    key: str,
    unit: str,
    words: str,
    record: tuple[float, Ends],
    model: tuple[float, Ends],
    ratio: tuple[float, Ends],
    model_interval: Ends = UNKNOWN,
    *,
    blocks: int,
    reason: str = "",
    excuse: str = "",
) -> Judgement:
    """The verdict on one number. ``reason``, when given, says why it cannot be judged at all;
    ``excuse`` is added where the verdict is a difference."""
    verdict, text = _verdict(ratio, blocks, reason)
    covered = None
    if all(map(math.isfinite, (*model_interval, *record[1]))):
        covered = model_interval[0] <= record[1][1] and model_interval[1] >= record[1][0]
    if verdict in ("too low", "too high"):
        if covered is not None:
            text += (
                "; the model interval reaches that far"
                if covered
                else "; beyond the model interval too"
            )
        text += excuse
    return Judgement(
        key, unit, words, record[0], record[1], model[0], model[1], model_interval,
        ratio[0], ratio[1], verdict, text, covered,
    )  # fmt: skip


def _verdict(ratio: tuple[float, Ends], blocks: int, reason: str) -> tuple[Verdict, str]:
    value, (low, high) = ratio
    if reason:
        return "cannot be judged", f"cannot be judged: {reason}"
    if blocks < FEWEST_BLOCKS:
        text = f"only {blocks} blocks of the record, {FEWEST_BLOCKS} are needed for an interval"
        return "cannot be judged", f"cannot be judged: {text}"
    if not all(map(math.isfinite, (value, low, high))) or low <= 0.0:
        return "cannot be judged", "cannot be judged: too rare in one of the two records"
    span = f"record over model {significant(value)}, {interval((low, high), 3)}"
    if low <= 1.0 <= high:
        if high / low > WIDEST:
            return "cannot be judged", f"cannot be judged: the intervals are too wide ({span})"
        return "agrees", f"agrees within the intervals ({span})"
    side: Verdict = "too low" if value > 1.0 else "too high"
    factor = value if value > 1.0 else 1.0 / value
    ends = (low, high) if value > 1.0 else (1.0 / high, 1.0 / low)
    digits = 3 if round(ends[0], 2) > 1.0 else 5  # not "1.00 to 1.27" for what excludes 1
    return side, f"model {side} by a factor of {significant(factor)} ({interval(ends, digits)})"


def judge_difference(
    key: str,
    unit: str,
    words: str,
    record: tuple[float, Ends],
    model: float,
    other: float,
    reason: str = "",
) -> Judgement:
    """The verdict on a number that may have either sign: ``model`` against the record's interval.

    ``other`` is the model with the other wake law; the two span the model interval, which is not
    given where the family makes no difference. ``reason``, when given, says why it cannot be
    judged.
    """
    low, high = record[1]
    half = 0.5 * (high - low)
    families = (min(model, other), max(model, other))
    differ = families[1] - families[0] > _SAME * max(map(abs, families))
    covered = (families[0] <= high and families[1] >= low) if differ else None
    ratio = record[0] / model if model else math.nan
    verdict: Verdict
    shown = "" if unit == "1" else f" {unit}"
    span = f"{significant(record[0])}{shown}, {interval((low, high), 2)}"
    if reason:
        verdict, text = "cannot be judged", f"cannot be judged: {reason}"
    elif not math.isfinite(half):
        verdict, text = "cannot be judged", "cannot be judged: no samples at these times"
    elif low <= model <= high:
        if half > 0.75 * max(abs(model), abs(record[0])):
            verdict = "cannot be judged"
            text = f"cannot be judged: the interval is wider than the signal ({span})"
            if not low <= other <= high:
                text += f"; the other wake law, {significant(other, 2)}{shown}, is ruled out"
        else:
            verdict, text = "agrees", f"agrees within the intervals (record {span})"
    else:
        weak = abs(model) < abs(record[0]) or model * record[0] < 0.0
        verdict = "too low" if weak else "too high"
        text = f"model {verdict} by {significant(abs(record[0] - model), 2)}{shown} (record {span})"
        if low <= other <= high:
            text += "; with the other wake law it agrees"
    return Judgement(
        key, unit, words, record[0], record[1], model, UNKNOWN,
        families if differ else UNKNOWN, ratio, UNKNOWN, verdict, text, covered,
    )  # fmt: skip


def unmatched(judgement: Judgement) -> Judgement:
    """The same without a verdict, where log and record do not match."""
    text = "cannot be judged: log and record do not match"
    return replace(judgement, verdict="cannot be judged", text=text, within_model_interval=None)


LEVEL = 0.90
FAST_S, QUICK_S = 20.0, 2.0
_COLUMNS = 6
_MOST_ALIKE = 0.8  # correlation of neighbouring blocks


class Quantity(NamedTuple):
    """One number: key, unit, words, and whether slow ambient wind is part of it."""

    key: str
    unit: str
    words: str
    ambient: bool


QUANTITIES = (
    Quantity("mean_speed", "m/s", "mean speed", True),
    Quantity("effective_speed", "m/s", "effective speed", True),
    Quantity("sd_speed", "m/s", "standard deviation of the speed", True),
    Quantity("share_above_cut_in", "1", "share of the time above cut-in", True),
    Quantity("rms_faster_than_20_s", "m/s", "rms of motion faster than 20 s", False),
    Quantity("rms_faster_than_2_s", "m/s", "rms of motion faster than 2 s", False),
)


def without_slow(record: AnemometerRecord, values: Array, window_s: float) -> Array:
    """A channel (n,) less its running mean over ``window_s`` (``statistics.running_mean``)."""
    return values - running_mean(record.time_s, values, window_s, record.dt_s)


def without_wind(record: AnemometerRecord, window_s: float) -> AnemometerRecord:
    """The record with the running mean of both components taken off; speed is that of the rest.

    Needs components. Samples without one, or with too few around them, are left out.
    """
    if record.u_m_s is None or record.v_m_s is None:
        raise ValueError("a record of components is needed")
    u, v = (without_slow(record, c, window_s) for c in (record.u_m_s, record.v_m_s))
    return taken(replace(record, u_m_s=u, v_m_s=v, speed_m_s=np.hypot(u, v)), ~np.isnan(u + v))


def part_of(record: AnemometerRecord, keep: NDArray[np.bool_]) -> AnemometerRecord:
    """The samples of a record that are kept, at their times."""

    def of(values: Array | None) -> Array | None:
        return None if values is None else values[keep]

    return replace(
        record,
        time_s=record.time_s[keep],
        speed_m_s=record.speed_m_s[keep],
        u_m_s=of(record.u_m_s),
        v_m_s=of(record.v_m_s),
        w_m_s=of(record.w_m_s),
    )


def taken(record: AnemometerRecord, keep: NDArray[np.bool_]) -> AnemometerRecord:
    """The samples of a record that are kept, times counting from the first of them."""
    part = part_of(record, keep)
    return replace(part, time_s=part.time_s - part.time_s[0])


def block_table(
    record: AnemometerRecord, edges: NDArray[np.int64], cut_in_m_s: float, components: bool
) -> Array:
    """Sums and counts of the samples' columns in each block, (blocks, 2, columns)."""
    speed = record.speed_m_s
    columns = np.empty((_COLUMNS, speed.size))
    columns[:4] = speed, speed**2, speed**3, speed > cut_in_m_s
    for row, window in ((4, FAST_S), (5, QUICK_S)):
        if components and record.u_m_s is not None and record.v_m_s is not None:
            rest = [without_slow(record, c, window) for c in (record.u_m_s, record.v_m_s)]
            columns[row] = rest[0] ** 2 + rest[1] ** 2
        else:
            columns[row] = without_slow(record, speed, window) ** 2
    valid = ~np.isnan(columns)
    sums = np.add.reduceat(np.where(valid, columns, 0.0), edges[:-1], axis=1)
    counts = np.add.reduceat(valid.astype(np.float64), edges[:-1], axis=1)
    return np.stack([sums.T, counts.T], axis=1)


def values_of(total: Array) -> Array:
    """Values (..., 6) of QUANTITIES from sums and counts (..., 2, columns); NaN where unknown."""
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = total[..., 0, :] / total[..., 1, :]
    out = mean.copy()
    out[..., 1] = np.cbrt(mean[..., 2])
    out[..., 2] = np.sqrt(np.maximum(mean[..., 1] - mean[..., 0] ** 2, 0.0))
    out[..., 4:] = np.sqrt(np.maximum(mean[..., 4:], 0.0))
    return out


@dataclass(frozen=True)
class Pair:
    """Values (6,) of record and model, their sampling intervals (2, 6), and those of the ratio
    record/model; NaN where there is none."""

    record: Array
    record_interval: Array
    model: Array
    model_interval: Array
    ratio: Array
    ratio_interval: Array
    blocks: int
    block_s: float


def compare(
    record: AnemometerRecord,
    models: Sequence[AnemometerRecord],
    cut_in_m_s: float,
    block_s: float,
    components: bool,
    together: bool,
    level: float = LEVEL,
) -> Pair:
    """Values of both and their ratio.

    ``models`` are draws at equal times. ``together``: they hold the same passes at the same times
    as the record, sample by sample.
    """
    edges = block_edges(record, block_s)
    mine = block_table(record, edges, cut_in_m_s, components)
    own = edges if together else block_edges(models[0], block_s)
    theirs = np.sum([block_table(m, own, cut_in_m_s, components) for m in models], axis=0)
    one, two = _left_out(mine), _left_out(theirs)
    both = [one - two] if together else [one, -two]
    a, b = (values_of(t.sum(axis=0)) for t in (mine, theirs))
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = a / b
    return Pair(
        record=a, record_interval=_ends(a, [one], level),
        model=b, model_interval=_ends(b, [two], level),
        ratio=ratio, ratio_interval=_ends(ratio, both, level),
        blocks=min(len(mine), len(theirs)), block_s=block_s,
    )  # fmt: skip


def _left_out(table: Array) -> Array:
    """Changes (blocks, 6) of the logarithms of the values by leaving out each block."""
    total = table.sum(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        change: Array = np.log(values_of(total - table)) - np.log(values_of(total))
    return np.where(np.isfinite(change), change, np.nan)


def _ends(value: Array, parts: Sequence[Array], level: float) -> Array:
    """Ends (2, k) of the interval of values (k,) from the changes of independent parts."""
    if min(len(part) for part in parts) < 2:
        return np.full((2, value.size), np.nan)
    variances, biases = zip(*(_spread(part) for part in parts), strict=True)
    variance = np.sum(variances, axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        freedom = variance**2 / np.sum(
            [v**2 / (len(part) - 1) for v, part in zip(variances, parts, strict=True)], axis=0
        )
        middle = np.log(value) - np.sum(biases, axis=0)
        half = special.stdtrit(freedom, 0.5 * (1.0 + level)) * np.sqrt(variance)
        return np.exp(np.array([middle - half, middle + half]))


def _spread(change: Array) -> tuple[Array, Array]:
    """Variance and bias (k,) of estimates from their changes (blocks, k) without each block."""
    blocks = len(change)
    centred = change - change.mean(axis=0)
    square = np.sum(centred**2, axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        alike = np.sum(centred[1:] * centred[:-1], axis=0) / square + 1.0 / blocks
    alike = np.clip(np.where(square > 0.0, alike, 0.0), 0.0, _MOST_ALIKE)
    grown = (1.0 + alike) / (1.0 - alike)
    return (blocks - 1) / blocks * grown * square, (blocks - 1) * change.mean(axis=0)
