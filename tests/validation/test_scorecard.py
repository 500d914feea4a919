"""Reference files evaluated: numbers, order, and failures of a quantity."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from reference_texts import GOOD, KNOWN, changed, write

from wakesim.errors import CaseError, NumericalError
from wakesim.validation import scorecard
from wakesim.validation.scorecard import as_plain, evaluate_folder, table_lines

ERRORS = np.array([0.1, 0.1, -0.1, 0.1, 0.0])  # measured minus 1, 2, 3, 4, 5


@pytest.fixture(autouse=True)
def _known(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(scorecard, "quantities", lambda: KNOWN)


def test_one_file_from_text_to_verdict(tmp_path: Path) -> None:
    write(tmp_path)
    (outcome,) = evaluate_folder(tmp_path).outcomes
    assert outcome.computed.tolist() == [1, 2, 3, 4, 5]
    assert outcome.metrics.rms == pytest.approx(math.sqrt(0.04 / 5))
    assert outcome.metrics.bias == pytest.approx(-ERRORS.mean())
    assert outcome.verdict.word == "validated"


def test_failures_come_first_and_nothing_is_left_out(tmp_path: Path) -> None:
    write(tmp_path, name="a.toml")
    write(tmp_path, changed("limit = 0.2", "limit = 0.01"), name="z.toml")
    write(tmp_path, GOOD[: GOOD.index("[mark]")], name="m.toml")
    write(tmp_path, changed('"read"', '"from memory"'), name="k.toml")
    write(tmp_path, changed('"read"', '"exact"'), name="b.toml")
    card = evaluate_folder(tmp_path)
    assert [o.comparison.name for o in card.ranked()] == ["z", "m", "k", "a", "b"]
    assert card.counts() == dict.fromkeys(
        ("fails", "unvalidated", "consistent", "validated", "verified"), 1
    )
    lines = table_lines(card)
    assert " ".join(lines[1].split()) == "fails z 5 rms error 0.0894 m/s at most 0.01 m/s"
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
