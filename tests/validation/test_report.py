"""Report and figures: one kept page, deterministic, complete, and nothing foreign overwritten."""

from __future__ import annotations

import os
from pathlib import Path

import golden
import pytest
from PIL import Image
from reference_texts import CSV, KNOWN, WRONG, changed, write

from wakesim.errors import OutputError
from wakesim.folders import SCORECARD, check_target
from wakesim.validation import figures, scorecard, wrong_models
from wakesim.validation import report as report_module
from wakesim.validation.report import publish, report
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


def test_the_report_of_all_kinds_of_comparison(
    card: Scorecard, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Misses of two weights and one that is not counted, many points, labels to be escaped."""
    miss = changed("limit = 0.2", "limit = 0.01")
    for name, level, text in (
        ("one", "mount", "Too slow."),
        ("two", "mount", "Too slow."),
        ("three", "other", "No matter."),
    ):
        raw = changed("data =", f'roadside = "{level}"\nconsequence = "{text}"\ndata =', miss)
        write(
            card.folder, changed("Twice the height", f"Twice in {name}", raw), name=f"{name}.toml"
        )
    raw = changed("data =", 'consequence = "Hidden."\nvariant = true\ndata =', miss)
    write(card.folder, changed("Twice the height", "Variant", raw), name="variant.toml")
    (card.folder / "not_tested.csv").write_text("what,open\nthe sea,all ships\n", "utf-8")
    (card.folder / "data_to_obtain.csv").write_text(
        'source,what_it_holds,row,why\n"Doe 1999, vol. 3",a,b,c\n', encoding="utf-8"
    )
    monkeypatch.setattr(report_module, "CONSTANTS", "none.csv")
    monkeypatch.setattr(report_module, "MAX_POINTS", 7)
    monkeypatch.setattr(report_module, "WRONG_MODELS", WRONG)
    text = report(evaluate_folder(card.folder), ["nothing was fitted"])
    golden.compare(text, Path(__file__).parent / "golden" / "REPORT.md")
    assert str(card.folder) not in text


def test_one_value_given_as_several_points_counts_as_one(card: Scorecard) -> None:
    csv = CSV.replace("2.1,", "1.1,").replace("2.9,", "1.1,").replace("4.1,", "1.1,")
    write(card.folder / "same", changed("limit = 0.2", "limit = 9"), csv)
    (outcome,) = evaluate_folder(card.folder / "same").outcomes
    assert (outcome.comparison.size, outcome.comparison.independent_points) == (5, 2)
    assert outcome.verdict.word == "consistent"
    assert "| 5 (2) |" in report(Scorecard(card.folder, (outcome,)))
    text = changed("data =", "independent_points = 4\ndata =")
    write(card.folder / "given", text)
    (outcome,) = evaluate_folder(card.folder / "given").outcomes
    assert outcome.comparison.independent_points == 4
    exact = changed('status = "read"', 'status = "exact"')
    write(card.folder / "exact", changed("limit = 0.2", "limit = 9", exact), csv)
    (outcome,) = evaluate_folder(card.folder / "exact").outcomes
    assert outcome.comparison.independent_points == 5


@pytest.fixture
def _plain_figures(monkeypatch: pytest.MonkeyPatch) -> None:
    """Figures that cost nothing."""
    monkeypatch.setattr(figures, "save_figure", lambda outcome, path: path.write_bytes(b"figure"))


@pytest.mark.usefixtures("_plain_figures")
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


@pytest.mark.usefixtures("_plain_figures")
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
