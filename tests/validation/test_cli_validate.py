"""``wakesim validate`` from the command line, on reference files dropped into a folder."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from wakesim.cli import main

# A circle in a unit stream along x: u = 1 - cos(2 angle)/r^2 (closed form), here at r = 2.
CIRCLE = """
title = "Circle in a stream, two radii from its centre"
part = "displacement flow"
quantity = "plane_stream_u"
unit = "1"
source = "closed form: doublet in a uniform stream"
status = "exact"
[conditions]
semi_x_m = 1.0
[[points]]
label = "ahead"
measured = 0.75
x_m = 2.0
y_m = 0.0
[[points]]
label = "beside"
measured = 1.25
x_m = 0.0
y_m = 2.0
[[points]]
label = "45 degrees"
measured = 1.0
x_m = 1.4142135623730951
y_m = 1.4142135623730951
[mark]
metric = "max_error"
limit = 1e-3
reason = "400 panels"
"""


@pytest.fixture
def data(tmp_path: Path) -> Path:
    folder = tmp_path / "blind"
    (folder / "deep/er").mkdir(parents=True)
    (folder / "deep/er/circle.toml").write_text(CIRCLE, encoding="utf-8")
    return folder


def _run(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    status = main(["validate", *arguments])
    out, err = capsys.readouterr()
    return status, out, err


def test_a_dropped_in_file_is_evaluated(
    data: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    status, text, err = _run(capsys, "--data", str(data), "-o", str(out))
    assert status == 0
    assert "verified" in text
    assert "deep/er/circle" in text
    assert text.splitlines()[-1] == f"report: {out / 'REPORT.md'}"
    assert "deep/er/circle" in err  # progress
    assert (out / "deep/er/circle.png").stat().st_size > 3000
    assert list(data.rglob("*.png")) == []


def test_a_missed_mark_is_a_finding_and_no_error(
    data: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    wrong = CIRCLE.replace("measured = 1.25", "measured = 1.2")
    (data / "wrong.toml").write_text(wrong, encoding="utf-8")
    status, text, err = _run(
        capsys, "--data", str(data), "-o", str(tmp_path / "out"), "--json", "-q"
    )
    assert (status, err) == (0, "")
    card = json.loads(text)
    assert card["verdicts"]["fails"] == card["verdicts"]["verified"] == 1
    (failed,) = [c for c in card["comparisons"] if c["verdict"] == "fails"]
    assert failed["name"] == "wrong"
    assert failed["metrics"]["max_error"] == pytest.approx(0.05, abs=1e-3)
    assert failed["points"][1]["computed"] == pytest.approx(1.25, abs=1e-3)


def test_without_an_output_folder_the_report_goes_beside_the_caller(
    data: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    assert _run(capsys, "--data", "blind", "-q")[0] == 0
    assert (tmp_path / "validation-report/REPORT.md").is_file()


def test_bad_files_give_one_line_each_and_nothing_is_written(
    data: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (data / "a.toml").write_text(CIRCLE.replace("plane_stream_u", "plane_stream"), "utf-8")
    (data / "b.toml").write_text(CIRCLE.replace('unit = "1"', 'unit = "m"'), "utf-8")
    (data / "c.toml").write_text(CIRCLE.replace("semi_x_m = 1.0", "semi_x_m = -1.0"), "utf-8")
    out = tmp_path / "out"
    status, text, err = _run(capsys, "--data", str(data), "-o", str(out), "-q")
    assert (status, text) == (2, "")
    assert [line.split(":")[0] for line in err.splitlines()] == [
        str(data / name) for name in ("a.toml", "b.toml")
    ]
    for name in ("a.toml", "b.toml"):
        (data / name).unlink()
    status, text, err = _run(capsys, "--data", str(data), "-o", str(out), "-q")
    assert (status, text) == (2, "")
    (line,) = err.splitlines()
    assert str(data / "c.toml") in line
    assert "semi_x_m" in line
    assert not out.exists()


@pytest.mark.parametrize("folder", ["none", "empty"])
def test_folders_without_files(
    folder: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "empty").mkdir()
    status, _, err = _run(capsys, "--data", str(tmp_path / folder), "-o", str(tmp_path / "out"))
    assert status == 2
    assert len(err.splitlines()) == 1


def test_a_foreign_report_stops_it_before_the_work(
    data: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / "REPORT.md").write_text("mine", encoding="utf-8")
    status, _, err = _run(capsys, "--data", str(data), "-o", str(out), "-q")
    assert status == 2
    assert "--force" in err
    assert _run(capsys, "--data", str(data), "-o", str(out), "-q", "--force")[0] == 0
