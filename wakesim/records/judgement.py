"""A verdict in plain words on a modelled number, given the measured one.

The verdict is on the model as the case has it: only what chance leaves open (sampling intervals at
90 %) excuses a difference. Whether the much wider model interval covers the record is said beside
it, and never turns a miss into a hit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

from wakesim.outputs.wording import interval, significant

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
