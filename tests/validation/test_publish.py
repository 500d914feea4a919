"""Report and figures on disk: deterministic, complete, and nothing foreign overwritten."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from PIL import Image
from reference_texts import CSV, KNOWN, changed, write

from wakesim.errors import OutputError
from wakesim.validation import figures, scorecard
from wakesim.validation.publish import check_target, publish
from wakesim.validation.report import report
from wakesim.validation.scorecard import Scorecard, evaluate_folder

NO_FIGURE = changed('[figure]\nx = "height_m"\n', "")


@pytest.fixture
def card(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Scorecard:
    """A comparison of each kind of figure; the one in ``many`` misses its mark."""
    monkeypatch.setattr(scorecard, "quantities", lambda: KNOWN)
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
    assert "- Twice the height: rms error 0.479 m/s; mark: rms error at most 0.01 m/s." in top
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
        check_target(tmp_path / "file")
    with pytest.raises(OutputError, match="cannot be made"):
        check_target(tmp_path / "file" / "below")
    check_target(tmp_path / "new" / "deep")
    assert os.listdir(tmp_path) == ["file"]
