"""One comparison evaluated."""

from __future__ import annotations

from dataclasses import dataclass

from wakesim.validation.comparison import Array, Comparison
from wakesim.validation.metrics import Metrics
from wakesim.validation.verdict import Verdict
from wakesim.validation.wrong_models import Trial

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
