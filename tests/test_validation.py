"""The committed comparisons: marks met and missed, and a report that hides nothing.

The comparisons ahead of the Ahmed body are in tests/validation/test_near_field_comparisons.py.
"""

from __future__ import annotations

import functools
import re
import tomllib

import numpy as np
import pytest

from wakesim.runtime import validation_path
from wakesim.validation.calibration import report_lines
from wakesim.validation.outcome import Outcome
from wakesim.validation.quantities import quantities
from wakesim.validation.reader import find_files, read_comparison
from wakesim.validation.report import report, section
from wakesim.validation.scorecard import Scorecard, evaluate, evaluate_folder

FOLDER = validation_path()
FILES = find_files(FOLDER)
REPORT = (FOLDER / "REPORT.md").read_text(encoding="utf-8")
NEAR_WAKE = [path for path in FILES if path.parent.name == "ahmed-near-wake"]
QUICK = [*NEAR_WAKE, FOLDER / "wall-pressure-en1991/level.toml"]
NUMBER = re.compile(r"[-+]?\d+(?:\.\d+)?(?:e[-+]?\d+)?")


@functools.cache
def _outcome(name: str) -> Outcome:
    known = quantities()
    return evaluate(read_comparison(FOLDER / f"{name}.toml", FOLDER, known), known)


def _ratio(name: str) -> np.ndarray:
    outcome = _outcome(name)
    return outcome.computed / outcome.comparison.measured


def test_near_wake_of_the_ahmed_body() -> None:
    for name, low, high in (
        ("deficit-couple", 0.75, 1.3),
        ("u-rms", 0.75, 1.3),
        ("deficit-momentum", 0.45, 1.1),
    ):
        ratio = _ratio(f"ahmed-near-wake/{name}")
        assert ratio.size == 5
        assert np.all((ratio > low) & (ratio < high)), name
    assert _outcome("ahmed-near-wake/deficit-momentum").verdict.word == "fails"
    assert _outcome("ahmed-near-wake/deficit-couple").comparison.fitted


def test_wall_pressure_of_a_blunt_body() -> None:
    level = _ratio("wall-pressure-en1991/level")
    assert np.all((level > 0.5) & (level < 1.0))
    outcome = _outcome("wall-pressure-en1991/level")
    near, far = outcome.comparison.conditions["lateral_m"][[0, -1]]
    assert (near, far) == (2.3, 6.0)
    # EN 1991-2, 6.6.2 (from memory): the factors written out here, not read from the file
    envelope = 2.5 / (outcome.comparison.conditions["lateral_m"] + 0.25) ** 2 + 0.02
    assert outcome.comparison.measured == pytest.approx(envelope, rel=1e-4)
    fall = outcome.computed[0] / outcome.computed[-1]
    assert fall == pytest.approx(envelope[0] / envelope[-1], rel=0.2)


def test_every_comparison_has_its_section_and_figure_and_no_figure_is_left_over() -> None:
    titles = [tomllib.loads(path.read_text(encoding="utf-8"))["title"] for path in FILES]
    assert len(set(titles)) == len(titles)
    told = re.findall(r"^### (.*)$", REPORT, re.MULTILINE)
    assert sorted(title for title in told if title in titles) == sorted(titles)
    assert {path.with_suffix(".png") for path in FILES} == set(FOLDER.rglob("*.png"))


def _same_numbers(written: str, fresh: str) -> None:
    """The same words, and numbers that differ by no more than another machine may make them."""
    assert NUMBER.sub("#", written) == NUMBER.sub("#", fresh)
    one, other = (np.array(NUMBER.findall(text), dtype=float) for text in (written, fresh))
    assert one == pytest.approx(other, rel=0.02, abs=0.02)


@pytest.mark.parametrize("path", QUICK, ids=lambda path: f"{path.parent.name}/{path.stem}")
def test_sections_of_the_report_are_up_to_date(path: object) -> None:
    outcome = _outcome(str(path.relative_to(FOLDER).with_suffix("")))
    fresh = "\n".join(section(outcome, FOLDER)).strip()
    heading = f"### {outcome.comparison.title}\n"
    start = REPORT.index(heading)
    end = re.compile(r"^##", re.MULTILINE).search(REPORT, start + len(heading))
    assert end is not None
    _same_numbers(REPORT[start : end.start()].strip(), fresh)


def test_failures_stand_on_top_and_are_counted() -> None:
    words = re.findall(r"^Verdict: \*\*(\w+)\*\*", REPORT, re.MULTILINE)
    assert len(words) == len(FILES)
    failed = words.count("fails")
    assert failed > 0
    assert f"| fails | {failed} |" in REPORT
    card = REPORT[REPORT.index("## Scorecard") :]
    rows = [line for line in card.splitlines() if re.match(r"\| (FAILS|\w+) \|", line)]
    rows = [row.split(" | ")[0].removeprefix("| ") for row in rows]
    rows = rows[1 : len(FILES) + 1]  # below the heading, above the tables that follow
    assert rows[:failed] == ["FAILS"] * failed
    assert "FAILS" not in rows[failed:]
    listed = REPORT[REPORT.index("Marks that are not met:") : REPORT.index("## Scorecard")]
    assert len(re.findall(r"^- ", listed, re.MULTILINE)) == failed


@pytest.mark.slow
def test_the_whole_report_is_up_to_date_and_deterministic() -> None:
    card = evaluate_folder(FOLDER)
    fresh = report(card, report_lines())
    _same_numbers(REPORT, fresh)
    again = Scorecard(FOLDER, evaluate_folder(FOLDER).outcomes)
    assert report(again, report_lines()) == fresh


def test_the_readme_states_the_same_scorecard() -> None:
    """Every count of the report's summary stands in the README, failures included."""
    readme = (FOLDER.parent / "README.md").read_text(encoding="utf-8")
    for word in ("fails", "unvalidated", "consistent", "validated", "verified"):
        found = re.search(rf"^\| {word} \| (\d+) \|", REPORT, re.MULTILINE)
        assert found
        row = re.search(rf"^\| \**{word}\b[^|]*\| \**(\d+)\**", readme, re.MULTILINE)
        assert row, word
        assert row[1] == found[1], word
