"""Reference files evaluated: numbers, order, and failures of a quantity."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from reference_texts import GOOD, KNOWN, WRONG, changed, write

from wakesim.errors import CaseError, NumericalError
from wakesim.validation import scorecard, wrong_models
from wakesim.validation.schema import ROADSIDE
from wakesim.validation.scorecard import GROUPS, as_plain, evaluate_folder, table_lines
from wakesim.validation.verdict import VERDICTS

ERRORS = np.array([0.1, 0.1, -0.1, 0.1, 0.0])  # measured minus 1, 2, 3, 4, 5


@pytest.fixture(autouse=True)
def _known(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(scorecard, "quantities", lambda: KNOWN)
    monkeypatch.setattr(wrong_models, "WRONG_MODELS", WRONG)


def test_one_file_from_text_to_verdict(tmp_path: Path) -> None:
    write(tmp_path)
    (outcome,) = evaluate_folder(tmp_path).outcomes
    assert outcome.computed.tolist() == [1, 2, 3, 4, 5]
    assert outcome.metrics.rms == pytest.approx(math.sqrt(0.04 / 5))
    assert outcome.metrics.bias == pytest.approx(-ERRORS.mean())
    assert outcome.verdict.word == "validated"
    assert [(t.model.name, t.met, t.seen) for t in outcome.trials] == [
        ("half the gain", False, True),
        ("twice the gain", False, True),
    ]


def test_a_mark_that_a_wrong_model_meets_too_validates_nothing(tmp_path: Path) -> None:
    # half the gain errs by half of 1 to 5: rms 1.66; twice the gain by all of it: 3.32
    write(tmp_path, changed("limit = 0.2", "limit = 2.0"))
    (outcome,) = evaluate_folder(tmp_path).outcomes
    assert outcome.verdict.word == "consistent"
    assert outcome.verdict.met
    assert "half the gain" in outcome.verdict.reason
    assert "twice" not in outcome.verdict.reason


def test_what_is_not_counted_stands_apart(tmp_path: Path) -> None:
    for name, line in (("v", "variant"), ("o", "own_law"), ("f", "fitted")):
        write(tmp_path, changed("data =", f"{line} = true\ndata ="), name=f"{name}.toml")
    write(tmp_path, changed("data =", "fitted = true\nvariant = true\ndata ="), name="w.toml")
    write(tmp_path, name="a.toml")
    card = evaluate_folder(tmp_path)
    assert card.counts() == {**dict.fromkeys(VERDICTS, 0), "validated": 1}
    names = {g: [o.comparison.name for o in card.of_group(g)] for g in GROUPS}
    assert names == {"counted": ["a"], "variant": ["v", "w"], "own law": ["o"], "fitted": ["f"]}
    assert table_lines(card)[-1] == (
        "1 comparison: 1 validated; not counted: 2 variant, 1 own law, 1 fitted"
    )
    plain = as_plain(card)
    assert sum(plain["verdicts"].values()) == 1
    assert {g: sum(c.values()) for g, c in plain["not_counted"].items()} == {
        "variant": 2,
        "own law": 1,
        "fitted": 1,
    }
    assert {c["name"]: c["group"] for c in plain["comparisons"]}["w"] == "variant"


def test_what_means_most_at_a_roadside_comes_first(tmp_path: Path) -> None:
    for level in reversed(ROADSIDE):
        text = changed("data =", f'roadside = "{level}"\ndata =')
        write(tmp_path, text, name=f"good-{level}.toml")
        write(tmp_path, text.replace("limit = 0.2", "limit = 0.01"), name=f"miss-{level}.toml")
    ranked = [o.comparison.name for o in evaluate_folder(tmp_path).ranked()]
    assert ranked == [f"{word}-{level}" for level in ROADSIDE for word in ("miss", "good")]


def test_failures_come_first_and_nothing_is_left_out(tmp_path: Path) -> None:
    write(tmp_path, name="a.toml")
    write(tmp_path, changed("limit = 0.2", "limit = 0.01"), name="z.toml")
    write(tmp_path, GOOD[: GOOD.index("[mark]")], name="m.toml")
    write(tmp_path, changed('status = "read"', 'status = "from memory"'), name="k.toml")
    write(tmp_path, changed('status = "read"', 'status = "exact"'), name="b.toml")
    card = evaluate_folder(tmp_path)
    assert [o.comparison.name for o in card.ranked()] == ["z", "m", "k", "a", "b"]
    assert card.counts() == dict.fromkeys(
        ("fails", "unvalidated", "consistent", "validated", "verified"), 1
    )
    lines = table_lines(card)
    assert " ".join(lines[1].split()) == "fails z input 5 rms error 0.0894 m/s at most 0.01 m/s"
    assert lines[-1] == (
        "5 comparisons: 1 fails, 1 unvalidated, 1 consistent, 1 validated, 1 verified"
    )
    plain = as_plain(card)
    assert [c["verdict"] for c in plain["comparisons"]] == [
        "validated",
        "verified",
        "consistent",
        "unvalidated",
        "fails",
    ]
    point = plain["comparisons"][0]["points"][2]
    assert point == {
        "label": "c, far",
        "height_m": 3.0,
        "gain_m": 0.5,
        "measured": 2.9,
        "uncertainty": 0.1,
        "computed": 3.0,
    }


@pytest.mark.parametrize(
    ("error", "kind"),
    [
        (CaseError("gain_m is odd"), CaseError),
        (NumericalError("no root"), NumericalError),
        (np.linalg.LinAlgError("singular"), NumericalError),
    ],
)
def test_a_quantity_that_gives_up_names_the_file(
    error: Exception, kind: type[Exception], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(_: object) -> None:
        raise error

    known = {"twice": replace(KNOWN["twice"], function=fail)}
    monkeypatch.setattr(scorecard, "quantities", lambda: known)
    path = write(tmp_path)
    with pytest.raises(kind) as caught:
        evaluate_folder(tmp_path)
    assert str(caught.value).startswith(f"{path}: ")
    assert str(error) in str(caught.value)


def test_values_that_are_not_finite_or_too_few_are_a_numerical_failure(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write(tmp_path)
    for function, words in (
        (lambda c: np.where(c.measured == 2.9, np.nan, 1.0), "is not finite at point 'c, far'"),
        (lambda c: np.ones(3), "values for 5 points"),
    ):
        known = {"twice": replace(KNOWN["twice"], function=function)}
        monkeypatch.setattr(scorecard, "quantities", lambda known=known: known)
        with pytest.raises(NumericalError, match=words):
            evaluate_folder(tmp_path)


def test_wrong_files_are_told_before_anything_is_computed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def never(_: object) -> None:
        raise AssertionError("computed")

    known = {"twice": replace(KNOWN["twice"], function=never)}
    monkeypatch.setattr(scorecard, "quantities", lambda: known)
    write(tmp_path, name="a.toml")
    write(tmp_path, changed("limit = 0.2", "limit = -1"), name="b.toml")
    with pytest.raises(CaseError):
        evaluate_folder(tmp_path)
