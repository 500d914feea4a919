"""All comparisons of a folder evaluated: computed values, metrics and verdicts in one record."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from wakesim.errors import CaseError, NumericalError
from wakesim.validation.comparison import Array, Comparison, Quantity
from wakesim.validation.metrics import metrics
from wakesim.validation.outcome import Outcome
from wakesim.validation.quantities import quantities
from wakesim.validation.reader import read_all
from wakesim.validation.verdict import VERDICTS, limit_text, verdict
from wakesim.validation.words import result_text

Progress = Callable[[float, str], None]


@dataclass(frozen=True)
class Scorecard:
    """The outcomes of a folder, in the order of their names."""

    folder: Path
    outcomes: tuple[Outcome, ...]

    def ranked(self) -> list[Outcome]:
        """Failures first, then what no mark judges, then the rest; by name within each."""
        return sorted(
            self.outcomes, key=lambda o: (VERDICTS.index(o.verdict.word), o.comparison.name)
        )

    def counts(self) -> dict[str, int]:
        """Number of comparisons of each verdict, none left out."""
        found = Counter(outcome.verdict.word for outcome in self.outcomes)
        return {word: found[word] for word in VERDICTS}


def evaluate_folder(folder: Path, progress: Progress | None = None) -> Scorecard:
    """Every reference file below a folder evaluated.

    Raises CaseError for bad reference files (all of their problems, before anything is computed)
    and NumericalError when a quantity is not finite.
    """
    known = quantities()
    found = read_all(folder, known)
    outcomes = []
    for number, comparison in enumerate(found):
        if progress is not None:
            progress(number / len(found), comparison.name)
        outcomes.append(evaluate(comparison, known))
    return Scorecard(folder, tuple(outcomes))


def evaluate(comparison: Comparison, known: Mapping[str, Quantity]) -> Outcome:
    """One comparison: its quantity computed, metrics and verdict. Errors as ``evaluate_folder``."""
    computed = _computed(comparison, known[comparison.quantity])
    found = metrics(comparison.measured, computed, comparison.uncertainty)
    return Outcome(comparison, computed, found, verdict(comparison, found))


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
            str(o.metrics.n),
            result_text(o),
            limit_text(o.comparison.mark, o.comparison.unit),
        )
        for o in scorecard.ranked()
    ]
    head = ("verdict", "comparison", "n", "result", "mark")
    widths = [max(len(row[i]) for row in [head, *rows]) for i in range(5)]
    lines = [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in [head, *rows]
    ]
    return [*lines, "", counts_text(scorecard)]


def counts_text(scorecard: Scorecard) -> str:
    """``28 comparisons: 2 fails, 3 unvalidated, ...``."""
    total = len(scorecard.outcomes)
    parts = ", ".join(f"{count} {word}" for word, count in scorecard.counts().items() if count)
    return f"{total} comparison{'s' if total != 1 else ''}: {parts}"


def as_plain(scorecard: Scorecard) -> dict[str, Any]:
    """The scorecard as JSON values."""
    return {
        "folder": str(scorecard.folder),
        "verdicts": scorecard.counts(),
        "comparisons": [_plain_outcome(outcome) for outcome in scorecard.outcomes],
    }


def _plain_outcome(outcome: Outcome) -> dict[str, Any]:
    c = outcome.comparison
    return {
        "name": c.name,
        "title": c.title,
        "part": c.part,
        "quantity": c.quantity,
        "unit": c.unit,
        "source": c.source,
        "status": c.status,
        "fitted": c.fitted,
        "variant": c.variant,
        "verdict": outcome.verdict.word,
        "reason": outcome.verdict.reason,
        "mark": None if c.mark is None else {**asdict(c.mark), "met": outcome.verdict.met},
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
