"""Wrong models: each is far off, what it spoils, and which marks it must miss."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from quantity_values import KNOWN

from wakesim.case.vehicle import Vehicle
from wakesim.runtime import validation_path
from wakesim.validation.comparison import Array, Comparison, FigureSpec, Mark
from wakesim.validation.reader import read_comparison
from wakesim.validation.scorecard import evaluate
from wakesim.validation.verdict import Verdict
from wakesim.validation.wrong_models import WRONG_MODELS, judged, spoilt, try_wrong_models

BODY = Vehicle("block", 4.0, 2.0, 1.5, 0.3, 2.4, 0.5, drag_range=(0.4, 0.6))
X = np.array([1.0, 2.0, 4.0, 8.0, 16.0])
BEFORE = Verdict("validated", "", True)


def comparison(**changes: object) -> Comparison:
    return replace(
        Comparison(
            name="x", title="x", part="gust", quantity="q", unit="m/s", source="made up",
            status="read", note="", fitted=False, own_law=False, variant=False,
            independent_points=5, roadside="input", consequence="", measured=speed(None),
            uncertainty=None, conditions={"x_m": X, "speed_m_s": np.full(5, 20.0)},
            labels=tuple("abcde"), body=BODY, nose_radius_m=0.2, options={},
            mark=Mark(metric="ratio_range", low=0.8, high=1.25, reason="test"), figure=FigureSpec(),
            path=Path("x.toml"),
        ),
        **changes,
    )  # fmt: skip


def speed(c: Comparison | None) -> Array:
    """A law that knows drag area and speed, and hardly the length."""
    body, v = (BODY, 20.0) if c is None else (c.body, c.conditions["speed_m_s"])
    return v * body.drag_coefficient * body.frontal_area_m2 / X * (1 + 0.01 * body.length_m)


def names(c: Comparison, law: object = speed, undisturbed: str = "") -> dict[str, tuple]:
    found = try_wrong_models(c, law, law(c), undisturbed)
    return {t.model.name: (t.met, t.seen) for t in found}


def test_every_wrong_model_is_far_off_and_changes_what_it_names() -> None:
    c = comparison(conditions={"speed_m_s": np.full(5, 20.0), "flow_veh_h": np.full(5, 900.0)})
    assert len({m.name for m in WRONG_MODELS}) == len(WRONG_MODELS)
    for model in WRONG_MODELS:
        factors = [*model.body.values(), *model.conditions.values()]
        assert all(f <= 0.6 or f >= 1.7 for f in factors), model.name
        wrong = spoilt(c, model)
        assert wrong is not None
        assert (wrong.body, [v[0] for v in wrong.conditions.values()]) != (c.body, [20.0, 900.0])
    twice = next(m for m in WRONG_MODELS if m.name == "twice the width and height")
    wrong = spoilt(c, twice)
    assert wrong.body.frontal_area_m2 / (wrong.body.width_m * wrong.body.height_m) == (
        pytest.approx(BODY.frontal_area_m2 / (BODY.width_m * BODY.height_m))
    )
    assert wrong.nose_radius_m == pytest.approx(0.4)


def test_what_a_comparison_does_not_give_is_not_spoilt() -> None:
    c = comparison(body=None, nose_radius_m=None, conditions={"x_m": X})
    assert [m.name for m in WRONG_MODELS if spoilt(c, m) is not None] == []


def test_a_mark_within_a_quarter_fails_what_the_law_knows_and_cannot_see_the_rest() -> None:
    c = comparison()
    found = names(c)
    assert found["half the length"] == (True, False)
    for name in ("half the drag", "twice the width and height", "0.6 times the speed"):
        assert found[name] == (False, True)
    assert "half the traffic" not in found
    what = judged(BEFORE, c, try_wrong_models(c, speed, speed(c), ""))
    assert what.word == "validated"
    assert what.reason


def test_a_wide_mark_is_met_by_wrong_models_and_validates_nothing() -> None:
    c = comparison(mark=Mark(metric="ratio_range", low=0.55, high=1.8, reason="test"))
    what = judged(BEFORE, c, try_wrong_models(c, speed, speed(c), ""))
    assert (what.word, what.met) == ("consistent", True)
    assert "0.6 times the speed" in what.reason
    assert "1.7 times the speed" in what.reason
    assert "drag" not in what.reason  # 0.5 and 2 times miss it


def test_a_value_that_hangs_on_no_body_does_not_validate_one() -> None:
    def stream(c: Comparison) -> Array:
        return np.asarray(c.conditions["speed_m_s"])

    c = comparison(measured=np.full(5, 20.0))
    what = judged(BEFORE, c, try_wrong_models(c, stream, stream(c), ""))
    assert (what.word, what.reason) == ("consistent", "no wrong body misses the mark")


def test_changes_count_against_what_the_body_makes_of_the_stream() -> None:
    """A tunnel speed moves by little when the body doubles its mark on it, and that is seen."""

    def tunnel(c: Comparison) -> Array:
        return c.conditions["speed_m_s"] - 0.02 * speed(c)

    c = comparison(measured=tunnel(comparison()))
    assert not names(c, tunnel)["twice the drag"][1]
    assert names(c, tunnel, "speed_m_s")["twice the drag"][1]


def test_a_wrong_model_that_cannot_be_computed_is_left_out() -> None:
    def only_short(c: Comparison) -> Array:
        if c.body.length_m > 5.0:
            raise ValueError("too long")
        return speed(c)

    assert "twice the length" not in names(comparison(), only_short)
    assert "half the length" in names(comparison(), only_short)


def test_ahead_of_the_ahmed_body_no_mark_is_trusted_that_a_wrong_speed_meets() -> None:
    """25 m/s instead of 40 m/s: either the mark fails it, or nothing is validated."""
    folder = validation_path()
    for name in ("open-tail", "open-tail-vertical"):
        c = read_comparison(folder / f"ahmed-ahead-of-nose/{name}.toml", folder, KNOWN)
        slow = {**c.conditions, "speed_m_s": np.full(c.size, 25.0)}
        function = KNOWN[c.quantity].function
        slow_met = evaluate(
            replace(c, measured=c.measured, conditions=slow), KNOWN
        ).verdict.met  # the same measured values
        assert function(replace(c, conditions=slow)).shape == c.measured.shape
        assert not (slow_met and evaluate(c, KNOWN).verdict.word == "validated"), name
