"""What may be said of a comparison, and what may not."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from quantity_values import comparison

from wakesim.errors import CaseError
from wakesim.validation.comparison import Mark
from wakesim.validation.metrics import metrics
from wakesim.validation.verdict import mark_text, verdict

BASE = replace(
    comparison("gust_speed", {"height_m": np.arange(1.0, 6.0)}),
    status="read",
    measured=np.arange(1.0, 6.0),
    mark=Mark(metric="rms", limit=0.5, reason="test"),
)


def _verdict(computed: Any = None, **changes: Any) -> tuple[str, str]:
    c = replace(BASE, **changes)
    values = c.measured + 0.1 if computed is None else np.asarray(computed, dtype=float)
    judged = verdict(c, metrics(c.measured, values))
    return judged.word, judged.reason


def _mark(metric: str, limit: float | None = None, *ends: float) -> Mark:
    low, high = ends or (None, None)
    return Mark(metric=metric, limit=limit, low=low, high=high, reason="test")


@pytest.mark.parametrize("status", ["read", "derived"])
def test_without_a_weakness_it_may_be_validated(status: str) -> None:
    assert _verdict(status=status)[0] == "validated"


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({"status": "from memory"}, "reference from memory"),
        ({"status": "second hand"}, "reference second hand"),
        ({"own_law": True}, "a law of the model's own"),
        ({"fitted": True}, "constants fitted to it"),
        ({"variant": True}, "a variant not used by default"),
        ({"mark": _mark("upper_envelope", 1.2)}, "a bound, not a measurement"),
        ({"mark": _mark("lower_bound", 0.9)}, "a bound, not a measurement"),
        ({"measured": np.arange(1.0, 5.0), "independent_points": 4}, "only 4 points"),
        ({"measured": np.array([1.0]), "independent_points": 1}, "only 1 point"),
        ({"independent_points": 1}, "only 1 independent point"),
        (
            {"fitted": True, "status": "from memory"},
            "reference from memory, constants fitted to it",
        ),
    ],
)
def test_each_weakness_alone_keeps_it_from_being_validated(
    changes: dict[str, Any], reason: str
) -> None:
    assert _verdict(**changes) == ("consistent", reason)


def test_exact_solutions_verify_and_never_validate() -> None:
    assert _verdict(status="exact")[0] == "verified"
    assert _verdict(status="exact", measured=np.array([1.0]))[0] == "verified"


def test_no_mark_is_no_verdict() -> None:
    assert _verdict(mark=None)[0] == "unvalidated"
    assert _verdict(mark=None, status="exact")[0] == "unvalidated"


@pytest.mark.parametrize("status", ["read", "derived", "from memory", "exact"])
@pytest.mark.parametrize("fitted", [True, False])
def test_a_missed_mark_fails_whatever_else_is_said(status: str, fitted: bool) -> None:
    assert _verdict(BASE.measured + 0.6, status=status, fitted=fitted)[0] == "fails"


@pytest.mark.parametrize(
    ("mark", "within", "beyond"),
    [
        # computed for measured 1 to 5: factors or shifts that just meet and just miss the mark
        (_mark("rms", 0.5), BASE.measured + 0.5, BASE.measured + 0.501),
        (_mark("max_error", 0.5), BASE.measured - 0.5, [1.0, 2.0, 3.0, 4.0, 5.6]),
        (_mark("max_relative_error", 0.25), 1.25 * BASE.measured, [1.0, 2.0, 3.0, 4.0, 3.7]),
        (_mark("ratio_range", None, 0.5, 1.5), 1.5 * BASE.measured, [0.4, 2.0, 3.0, 4.0, 5.0]),
        (_mark("fac2", 0.8), [1.0, 2.0, 3.0, 4.0, 50.0], [1.0, 2.0, 3.0, 40.0, 50.0]),
        (_mark("hit_rate", 0.8), [1.25, 2.0, 3.0, 4.0, 9.0], [1.3, 2.0, 3.0, 4.0, 9.0]),
        (_mark("fractional_bias", 0.4), 1.49 * BASE.measured, 1.51 * BASE.measured),
        (_mark("fractional_bias", 0.4), BASE.measured / 1.49, BASE.measured / 1.51),
        (_mark("geometric_variance", 1.6), 1.98 * BASE.measured, 2.0 * BASE.measured),
        (_mark("nmse", 0.1), 1.28 * BASE.measured, 1.36 * BASE.measured),
        (_mark("upper_envelope", 0.7), 0.69 * BASE.measured, [0.7, 1.4, 2.1, 2.8, 3.6]),
        (_mark("lower_bound", 0.7), [0.71, 1.4, 3.0, 40.0, 5.0], [0.69, 2.0, 3.0, 4.0, 5.0]),
    ],
)
def test_each_mark_divides(mark: Mark, within: Any, beyond: Any) -> None:
    assert _verdict(within, mark=mark)[0] in ("validated", "consistent")
    assert _verdict(beyond, mark=mark)[0] == "fails"


@pytest.mark.parametrize("metric", ["geometric_variance", "fractional_bias", "nmse"])
def test_computed_values_that_undo_a_metric_miss_the_mark(metric: str) -> None:
    # one wrong sign; leaving the point out would pass
    wrong = [-1.0, 2.0, 3.0, 4.0, 5.0]
    assert _verdict(wrong, mark=_mark(metric, 1.9))[0] == "fails"


@pytest.mark.parametrize(
    ("metric", "first"),
    [
        ("max_relative_error", 0.0),
        ("ratio_range", 0.0),
        ("fac2", 0.0),
        ("upper_envelope", -1.0),
        ("lower_bound", -1.0),
        ("geometric_variance", 0.0),
        ("fractional_bias", -1.0),
        ("nmse", -1.0),
    ],
)
def test_measured_values_that_undo_a_metric_are_a_wrong_file(metric: str, first: float) -> None:
    measured = np.array([first, 2.0, 3.0, 4.0, 5.0])
    ends = (0.5, 2.0) if metric == "ratio_range" else ()
    with pytest.raises(CaseError, match=rf'mark.metric = "{metric}": is not defined here'):
        _verdict(measured=measured, mark=_mark(metric, None if ends else 1.0, *ends))


def test_marks_as_text() -> None:
    assert mark_text(None) == "none"
    assert mark_text(_mark("rms", 0.5), "m/s") == "rms error at most 0.5 m/s"
    assert mark_text(_mark("fac2", 0.8), "m/s") == "FAC2 at least 0.8"
    assert mark_text(_mark("ratio_range", None, 0.5, 2.0)) == "ratio 0.5 to 2"
    assert mark_text(_mark("upper_envelope", 1.0)) == "below the envelope"
    assert mark_text(_mark("lower_bound", 0.7)) == "at least 0.7 × the reference"
