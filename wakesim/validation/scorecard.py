"""All comparisons of a folder evaluated: computed values, metrics and verdicts in one record."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from wakesim.arrays import Array
from wakesim.errors import CaseError, NumericalError
from wakesim.progress import Progress, silent
from wakesim.validation.comparison import Comparison, Quantity, span
from wakesim.validation.metrics import Metrics, metrics
from wakesim.validation.quantities import quantities
from wakesim.validation.reader import read_all
from wakesim.validation.schema import ROADSIDE
from wakesim.validation.verdict import (
    VERDICTS,
    Verdict,
    limit_text,
    mark_text,
    result_text,
    verdict,
)
from wakesim.validation.wrong_models import Trial, judged, try_wrong_models

# The program as shipped against values that do not come from it, and what is not counted.
GROUPS = ("counted", "variant", "own law", "fitted")


@dataclass(frozen=True)
class Outcome:
    """One comparison evaluated; ``computed`` is (n,) in the comparison's unit.

    ``trials`` are the wrong models tried, for a comparison that nothing else keeps from being
    called validated.
    """

    comparison: Comparison
    computed: Array
    metrics: Metrics
    verdict: Verdict
    trials: tuple[Trial, ...] = ()

    @property
    def group(self) -> str:
        """One of ``GROUPS``: counted, or why not."""
        c = self.comparison
        reasons = (c.variant, c.own_law, c.fitted)
        return next((g for g, holds in zip(GROUPS[1:], reasons, strict=True) if holds), GROUPS[0])

    @property
    def result(self) -> str:
        """What the mark judges, or the rms error without a mark: ``rms error 0.41 m/s``."""
        return result_text(self.comparison, self.metrics)

    @property
    def mark(self) -> str:
        """The mark in plain words: ``rms error at most 0.5 m/s``."""
        return mark_text(self.comparison.mark, self.comparison.unit)

    @property
    def ratio(self) -> str:
        """Range of computed over measured."""
        return span(self.metrics.low_ratio, self.metrics.high_ratio)

    @property
    def unseen(self) -> list[str]:
        """Names of the wrong models that do not move the computed values."""
        return [t.model.name for t in self.trials if t.met and not t.seen]


@dataclass(frozen=True)
class Scorecard:
    """The outcomes of a folder, in the order of their names."""

    folder: Path
    outcomes: tuple[Outcome, ...]

    def ranked(self) -> list[Outcome]:
        """What is counted first, by what it means at a roadside, then the other groups; failures
        first in each."""
        return sorted(
            self.outcomes,
            key=lambda o: (
                GROUPS.index(o.group),
                ROADSIDE.index(o.comparison.roadside) if o.group == GROUPS[0] else 0,
                VERDICTS.index(o.verdict.word),
                o.comparison.name,
            ),
        )

    def of_group(self, group: str) -> list[Outcome]:
        """The outcomes of one of ``GROUPS``, ranked."""
        return [outcome for outcome in self.ranked() if outcome.group == group]

    def counts(self, group: str = GROUPS[0]) -> dict[str, int]:
        """Number of comparisons of each verdict in a group."""
        number = Counter(outcome.verdict.word for outcome in self.of_group(group))
        return {word: number[word] for word in VERDICTS}


def evaluate_folder(folder: Path, progress: Progress = silent) -> Scorecard:
    """Every reference file below a folder evaluated.

    Raises CaseError for bad reference files (all of their problems, before anything is computed)
    and NumericalError when a quantity is not finite.
    """
    known = quantities()
    comparisons = read_all(folder, known)
    outcomes = []
    for number, comparison in enumerate(comparisons):
        progress(number / len(comparisons), comparison.name)
        outcomes.append(evaluate(comparison, known))
    return Scorecard(folder, tuple(outcomes))


def evaluate(comparison: Comparison, known: Mapping[str, Quantity]) -> Outcome:
    """One comparison: its quantity computed, metrics and verdict. Errors as ``evaluate_folder``."""
    quantity = known[comparison.quantity]
    computed = _computed(comparison, quantity)
    agreement = metrics(comparison.measured, computed, comparison.uncertainty)
    what = verdict(comparison, agreement)
    trials: tuple[Trial, ...] = ()
    if what.word == "validated":
        trials = try_wrong_models(
            comparison, lambda c: _computed(c, quantity), computed, quantity.undisturbed
        )
        what = judged(what, comparison, trials)
    return Outcome(comparison, computed, agreement, what, trials)


def _computed(comparison: Comparison, quantity: Quantity) -> Array:
    try:
        values = np.array(quantity.function(comparison), dtype=float)
    except CaseError as error:
        place = str(comparison.path)
        lines = [t if t.startswith(place) else f"{place}: {t}" for t in error.problems]
        raise CaseError(lines) from error
    except (NumericalError, np.linalg.LinAlgError) as error:
        raise NumericalError(f"{comparison.path}: {quantity.name}: {error}") from error
    if values.shape != comparison.measured.shape:
        raise NumericalError(
            f"{comparison.path}: {quantity.name}: gave {values.shape} values for "
            f"{comparison.size} points"
        )
    for label, value in zip(comparison.labels, values, strict=True):
        if not np.isfinite(value):
            raise NumericalError(
                f"{comparison.path}: {quantity.name}: is not finite at point '{label}'"
            )
    return values


# --- the scorecard as lines and as plain values -------------------------------------------------


def table_lines(scorecard: Scorecard) -> Sequence[str]:
    """The scorecard as a compact table for a terminal, and the counts."""
    rows = [
        (
            o.verdict.word,
            o.comparison.name,
            o.comparison.roadside if o.group == GROUPS[0] else f"not counted: {o.group}",
            o.comparison.points_text,
            o.result,
            limit_text(o.comparison.mark, o.comparison.unit),
        )
        for o in scorecard.ranked()
    ]
    head = ("verdict", "comparison", "roadside", "n", "result", "mark")
    widths = [max(len(row[i]) for row in [head, *rows]) for i in range(len(head))]
    lines = [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in [head, *rows]
    ]
    return [*lines, "", counts_text(scorecard)]


def counts_text(scorecard: Scorecard) -> str:
    """``28 comparisons: 2 fails, 3 unvalidated, ...; not counted: 4 variant, ...``."""
    total = sum(scorecard.counts().values())
    parts = ", ".join(f"{count} {word}" for word, count in scorecard.counts().items() if count)
    text = f"{total} comparison{'s' if total != 1 else ''}" + (f": {parts}" if parts else "")
    others = [(len(scorecard.of_group(group)), group) for group in GROUPS[1:]]
    rest = ", ".join(f"{count} {group}" for count, group in others if count)
    return f"{text}; not counted: {rest}" if rest else text


def as_plain(scorecard: Scorecard) -> dict[str, Any]:
    """The scorecard as JSON values."""
    return {
        "folder": str(scorecard.folder),
        "verdicts": scorecard.counts(),
        "not_counted": {group: scorecard.counts(group) for group in GROUPS[1:]},
        "comparisons": [_plain_outcome(outcome) for outcome in scorecard.outcomes],
    }


def _plain_outcome(outcome: Outcome) -> dict[str, Any]:
    c = outcome.comparison
    own = ("name", "title", "part", "quantity", "unit", "source", "status", "fitted", "own_law",
           "variant", "roadside", "consequence", "independent_points")  # fmt: skip
    return {
        **{key: getattr(c, key) for key in own},
        "group": outcome.group,
        "verdict": outcome.verdict.word,
        "reason": outcome.verdict.reason,
        "mark": None if c.mark is None else {**c.mark.model_dump(), "met": outcome.verdict.met},
        "wrong_models": [
            {"with": t.model.name, "mark_met": t.met, "seen": t.seen} for t in outcome.trials
        ],
        "metrics": asdict(outcome.metrics),
        "points": [
            {
                "label": label,
                **{name: float(values[i]) for name, values in c.conditions.items()},
                "measured": float(c.measured[i]),
                "uncertainty": None if c.uncertainty is None else float(c.uncertainty[i]),
                "computed": float(outcome.computed[i]),
            }
            for i, label in enumerate(c.labels)
        ],
    }
