"""One comparison evaluated."""

from __future__ import annotations

from dataclasses import dataclass

from wakesim.validation.comparison import Array, Comparison
from wakesim.validation.metrics import Metrics
from wakesim.validation.verdict import Verdict


@dataclass(frozen=True)
class Outcome:
    """One comparison evaluated; ``computed`` is (n,) in the comparison's unit."""

    comparison: Comparison
    computed: Array
    metrics: Metrics
    verdict: Verdict
