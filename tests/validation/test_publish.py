"""Report and figures on disk: deterministic, complete, and nothing foreign overwritten."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from PIL import Image
from reference_texts import CSV, KNOWN, WRONG, changed, write

from wakesim.errors import OutputError
from wakesim.folders import SCORECARD, check_target
from wakesim.validation import figures, scorecard, wrong_models
from wakesim.validation.publish import publish
from wakesim.validation.report import report
from wakesim.validation.scorecard import Scorecard, evaluate_folder

NO_FIGURE = changed('[figure]\nx = "height_m"\n', "")


@pytest.fixture
def card(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Scorecard:
    """A comparison of each kind of figure; the one in ``many`` misses its mark."""
    monkeypatch.setattr(scorecard, "quantities", lambda: KNOWN)
    monkeypatch.setattr(wrong_models, "WRONG_MODELS", WRONG)
    folder = tmp_path / "data"
    write(folder, name="good/comparison.toml")
    write(folder, NO_FIGURE, CSV.replace("c, far", "c | far <x>"), name="rows/rows.toml")
    many = CSV + "".join(f"p{i},{i},{i}.5,0.1\n" for i in range(6, 60))
    write(folder, changed("limit = 0.2", "limit = 0.01", NO_FIGURE), many, "many/scatter.toml")
    return evaluate_folder(folder)


def _bytes(folder: Path) -> dict[str, bytes]:
    files = [path for path in sorted(folder.rglob("*")) if path.is_file()]
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in files}


def test_the_same_bytes_each_time_and_nothing_else_left(card: Scorecard, tmp_path: Path) -> None:
    publish(card, tmp_path / "one")
    publish(evaluate_folder(card.folder), tmp_path / "two")
    one = _bytes(tmp_path / "one")
    assert sorted(one) == [
        "REPORT.md",
        "good/comparison.png",
        "many/scatter.png",
        "rows/rows.png",
    ]
    assert one == _bytes(tmp_path / "two")
    for name in ("good/comparison.png", "many/scatter.png", "rows/rows.png"):
        with Image.open(tmp_path / "one" / name) as picture:
            assert picture.width > 800
            assert len(picture.convert("RGB").getcolors() or []) > 10


def test_the_report_holds_every_point_source_mark_and_failure(card: Scorecard) -> None:
    text = report(card)
    top = text[: text.index("## Scorecard")]
    assert "| fails | 1 |" in top
    # 54 points with an error of 0.5, five whose squares add up to 0.04: root of 13.54/59
    # ratios: 3 / 2.9 and 6 / 6.5
    found = "- Twice the height: rms error 0.479 m/s, ratio 0.909 to 1.03 (mark: rms error at most"
    assert found in " ".join(top.split())
    assert text.count("| FAILS |") == 1
    assert text.index("| FAILS |") < text.index("| validated | Twice")
    assert "Source: nobody, made up for a test (values read in the source)." in text
    assert "Why: set for a test." in text
    assert "Invented data." in text
    assert "| b | 2 | 2.1 ± 0.1 | 2 | 0.952 |" in text
    assert "| c \\| far &lt;x> | 3 | 2.9 ± 0.1 | 3 | 1.03 |" in text
    assert "For all points: gain (m) = 0.5." in text
    assert "The first 40 of 59 points." in text
    assert "(good/comparison.png)" in text
    # parts that nothing tests are told
    assert "| gust | – | – | – | – | – |" in text
    assert " ()" not in text


def test_the_first_page_tells_what_fails_what_it_means_and_what_nothing_tests(
    card: Scorecard,
) -> None:
    miss = changed("limit = 0.2", "limit = 0.01")
    for name, level, words in (
        ("one", "mount", "Too slow."),
        ("two", "mount", "Too slow."),
        ("three", "other", "No matter."),
    ):
        text = changed("data =", f'roadside = "{level}"\nconsequence = "{words}"\ndata =', miss)
        text = changed("Twice the height", f"Twice in {name}", text)
        write(card.folder, text, name=f"{name}.toml")
    text = changed("data =", 'consequence = "Hidden."\nvariant = true\ndata =', miss)
    write(card.folder, changed("Twice the height", "Variant", text), name="variant.toml")
    (card.folder / "not_tested.csv").write_text("what,open\nthe sea,all ships\n", "utf-8")
    whole = report(evaluate_folder(card.folder))
    page = whole[: whole.index("## Summary")]
    first, second = page.index("- **Too slow.** Twice in one"), page.index("Twice in two: ")
    assert first < second < page.index("- **No matter.** Twice in three")
    assert page.count("Too slow.") == 1
    assert "- the sea; open: all ships." in page
    assert "turbulence" in page[page.index("What no row tests") :]
    # a failure that is not counted is listed, below
    assert "Variant" not in page
    assert "| FAILS | Variant |" in whole


def test_one_value_given_as_several_points_counts_as_one(card: Scorecard) -> None:
    csv = CSV.replace("2.1,", "1.1,").replace("2.9,", "1.1,").replace("4.1,", "1.1,")
    write(card.folder / "same", changed("limit = 0.2", "limit = 9"), csv)
    (outcome,) = evaluate_folder(card.folder / "same").outcomes
    assert (outcome.comparison.size, outcome.comparison.independent_points) == (5, 2)
    assert outcome.verdict.word == "consistent"
    assert "| 5 (2) |" in report(Scorecard(card.folder, (outcome,)))
    text = changed("data =", "independent_points = 4\ndata =")
    write(card.folder / "told", text)
    (outcome,) = evaluate_folder(card.folder / "told").outcomes
    assert outcome.comparison.independent_points == 4
    exact = changed('status = "read"', 'status = "exact"')
    write(card.folder / "exact", changed("limit = 0.2", "limit = 9", exact), csv)
    (outcome,) = evaluate_folder(card.folder / "exact").outcomes
    assert outcome.comparison.independent_points == 5


def test_no_path_and_no_time_of_the_machine_in_the_report(card: Scorecard, tmp_path: Path) -> None:
    assert str(tmp_path) not in report(card)


def test_calibration_and_data_to_obtain_are_carried(card: Scorecard) -> None:
    assert "## Calibration" not in report(card)
    assert "## Data to obtain next" not in report(card)
    (card.folder / "data_to_obtain.csv").write_text(
        'source,what it holds,row it would fill,why it matters\n"Doe 1999, vol. 3",a,b,c\n',
        encoding="utf-8",
    )
    text = report(card, ["nothing was fitted"])
    assert "## Calibration\n\nnothing was fitted" in text
    assert "| Doe 1999, vol. 3 | a | b | c |" in text


def test_a_foreign_report_is_kept(card: Scorecard, tmp_path: Path) -> None:
    target = tmp_path / "out"
    target.mkdir()
    (target / "REPORT.md").write_text("# Mine\n", encoding="utf-8")
    with pytest.raises(OutputError, match="was not written by wakesim validate; --force"):
        publish(card, target)
    assert _bytes(target) == {"REPORT.md": b"# Mine\n"}
    publish(card, target, force=True)
    assert (target / "REPORT.md").read_text(encoding="utf-8") == report(card)
    publish(card, target)  # its own report is written anew


def test_a_figure_that_fails_leaves_the_old_files(
    card: Scorecard, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "out"
    publish(card, target)
    before = _bytes(target)

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(figures, "save_figure", full)
    with pytest.raises(OutputError, match="No space left on device"):
        publish(card, target)
    assert _bytes(target) == before


def test_targets_that_cannot_be_written(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x", encoding="utf-8")
    with pytest.raises(OutputError, match="is a file, a folder is needed"):
        check_target(tmp_path / "file", SCORECARD)
    with pytest.raises(OutputError, match="cannot be made"):
        check_target(tmp_path / "file" / "below", SCORECARD)
    check_target(tmp_path / "new" / "deep", SCORECARD)
    assert os.listdir(tmp_path) == ["file"]
