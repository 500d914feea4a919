"""What a comparison is worth: the mark met or not, and what that lets one say.

verified     exact solution, mark met: the code solves its equations, which is no validation
validated    measured values, read or derived, no constant fitted to them, enough independent
             points, mark met, and missed by wrong models (``wrong_models``)
consistent   mark met, but by values from memory or at second hand, fitted, or a law of the model's
             own; held against a bound, of few independent points, by a variant that the program
             does not use by default, or also by a wrong model
unvalidated  no mark was set beforehand
fails        the mark is not met

Nothing is called validated on the strength of fewer than five points. A value that is given as
several points is one point.
"""

from __future__ import annotations

from dataclasses import dataclass

from wakesim.errors import CaseError
from wakesim.validation.comparison import Comparison, after_number, short, span
from wakesim.validation.metrics import Metrics
from wakesim.validation.schema import BOUNDS, Mark

LEAST_POINTS = 5
VERDICTS = ("fails", "unvalidated", "consistent", "validated", "verified")
_OF_RATIOS = ("ratio_range", *BOUNDS)
_LARGEST_IS_BEST = {"fac2", "hit_rate"}


@dataclass(frozen=True)
class Verdict:
    """One of ``VERDICTS`` and, in a few words, why not more; ``met`` is None without a mark."""

    word: str
    reason: str
    met: bool | None


def verdict(comparison: Comparison, metrics: Metrics) -> Verdict:
    """What may be said of a comparison before wrong models have been tried on it.

    Raises CaseError when its mark uses a metric that its measured values do not define.
    """
    if comparison.mark is None:
        return Verdict("unvalidated", "no pass mark", None)
    if not mark_met(comparison, metrics):
        return Verdict("fails", "mark not met", False)
    if comparison.status == "exact":
        return Verdict("verified", "exact solution", True)
    weak = list(_weaknesses(comparison))
    if weak:
        return Verdict("consistent", ", ".join(weak), True)
    return Verdict("validated", "", True)


def _weaknesses(comparison: Comparison) -> list[str]:
    weak = []
    if comparison.status in ("from memory", "second hand"):
        weak.append(f"reference {comparison.status}")
    if comparison.own_law:
        weak.append("a law of the model's own")
    if comparison.fitted:
        weak.append("constants fitted to it")
    if comparison.variant:
        weak.append("a variant not used by default")
    if comparison.mark is not None and comparison.mark.metric in BOUNDS:
        weak.append("a bound, not a measurement")
    number = comparison.independent_points
    if number < LEAST_POINTS:
        kind = "" if number == comparison.size else "independent "
        weak.append(f"only {number} {kind}point{'s' if number != 1 else ''}")
    return weak


def mark_met(comparison: Comparison, metrics: Metrics) -> bool:
    """Whether the mark is met; a metric that the computed values leave undefined is not."""
    mark = comparison.mark
    assert mark is not None
    _check_defined(comparison, mark)
    if mark.metric in _OF_RATIOS:
        low, high = metrics.low_ratio, metrics.high_ratio
        assert low is not None
        assert high is not None
        if mark.metric == "ratio_range":
            assert mark.low is not None
            assert mark.high is not None
            return mark.low <= low and high <= mark.high
        assert mark.limit is not None
        return high <= mark.limit if mark.metric == "upper_envelope" else low >= mark.limit
    value = mark_value(mark, metrics)
    assert mark.limit is not None
    if value is None:
        return False
    if mark.metric in _LARGEST_IS_BEST:
        return value >= mark.limit
    if mark.metric == "fractional_bias":
        return abs(value) <= mark.limit
    # points that have no logarithm may not be left out to pass
    if mark.metric == "geometric_variance" and metrics.positive < metrics.n:
        return False
    return value <= mark.limit


def mark_value(mark: Mark, metrics: Metrics) -> float | None:
    """The number the mark judges; for the metrics of ratios an end of their range."""
    if mark.metric in _OF_RATIOS:
        return metrics.low_ratio if mark.metric == "lower_bound" else metrics.high_ratio
    value: float | None = getattr(metrics, mark.metric)
    return value


def _check_defined(comparison: Comparison, mark: Mark) -> None:
    measured = comparison.measured
    problem = ""
    if mark.metric in (*_OF_RATIOS, "max_relative_error", "fac2"):
        if (measured == 0.0).any():
            problem = "a measured value is zero"
        elif mark.metric in BOUNDS and (measured < 0.0).any():
            problem = "a measured value is below zero"
    elif mark.metric == "geometric_variance" and (measured <= 0.0).any():
        problem = "a measured value is not above zero"
    elif mark.metric in ("fractional_bias", "nmse"):
        if (measured < 0.0).any() and (measured > 0.0).any():
            problem = "the measured values have both signs"
        elif not measured.any():
            problem = "all measured values are zero"
    if problem:
        raise CaseError(
            f'{comparison.path}: mark.metric = "{mark.metric}": is not defined here: {problem}'
        )


METRIC_NAMES = {
    "rms": "rms error",
    "max_error": "largest error",
    "max_relative_error": "largest relative error",
    "ratio_range": "ratio",
    "fac2": "FAC2",
    "hit_rate": "hit rate",
    "fractional_bias": "FB",
    "nmse": "NMSE",
    "geometric_variance": "VG",
    "upper_envelope": "ratio",
    "lower_bound": "ratio",
}


def limit_text(mark: Mark | None, unit: str = "1") -> str:
    """What the mark allows: ``at most 0.5 m/s``, ``0.5 to 2``, ``below the envelope``."""
    if mark is None:
        return "none"
    if mark.metric == "ratio_range":
        return f"{mark.low:g} to {mark.high:g}"
    if mark.metric == "upper_envelope":
        factor = "" if mark.limit == 1.0 else f"{mark.limit:g} × "
        return f"below {factor}the envelope"
    if mark.metric == "lower_bound":
        factor = "" if mark.limit == 1.0 else f"{mark.limit:g} × "
        return f"at least {factor}the reference"
    if mark.metric == "fractional_bias":
        return f"within ±{mark.limit:g}"
    word = "at least" if mark.metric in _LARGEST_IS_BEST else "at most"
    in_unit = f" {unit}" if mark.metric in ("rms", "max_error") and unit not in ("", "1") else ""
    return f"{word} {mark.limit:g}{in_unit}"


def mark_text(mark: Mark | None, unit: str = "1") -> str:
    """The mark in plain words: ``rms error at most 0.5 m/s``."""
    text = limit_text(mark, unit)
    if mark is None or mark.metric in BOUNDS:
        return text
    return f"{METRIC_NAMES[mark.metric]} {text}"


def result_text(comparison: Comparison, metrics: Metrics) -> str:
    """What the mark judges, or the rms error without a mark: ``rms error 0.41 m/s``."""
    mark, unit = comparison.mark, after_number(comparison.unit)
    if mark is None or METRIC_NAMES[mark.metric] == "ratio":
        if metrics.low_ratio is not None:
            return f"ratio {span(metrics.low_ratio, metrics.high_ratio)}"
        return f"rms error {short(metrics.rms)}{unit}"
    value, name = mark_value(mark, metrics), METRIC_NAMES[mark.metric]
    if value is None:
        return f"{name} not defined"
    return f"{name} {short(value)}{unit if mark.metric in ('rms', 'max_error') else ''}"
