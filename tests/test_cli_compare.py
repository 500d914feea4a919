"""``wakesim compare`` from the command line: files, streams, exit statuses, refusals."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pandas
import pytest
from invented_record import Truth, write
from one_lane_road import text_of

import wakesim
from wakesim.cli import main
from wakesim.errors import OutputError
from wakesim.folders import COMPARISON, check_target
from wakesim.measures.model_interval import variants
from wakesim.records import model_range
from wakesim.runtime import cases_path

INSTRUMENT = 'kind = "sonic"\naveraging_s = 0.1\nnoise_m_s = 0.03\n'
FILES = {
    "comparison.json", "comparison.html", "quantities.csv", "exceedance.csv", "spectrum.csv",
    "pass-averages.csv", "points.csv", "columns.csv", "fitted-case.toml",
}  # fmt: skip


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    """A folder with a case, its instrument, a record and a log, and one comparison of them."""
    folder = tmp_path_factory.mktemp("compare")
    text = text_of(
        hours=1.0, memory=15, flow=500, heavy=0.3, offset=1.5, light_mix="{ small_car = 1.0 }",
        air="still = true\ndrift = { enabled = false }",
    )  # fmt: skip
    text = text.replace("[model]", '[model]\nwake_law = "couple"')  # quick to compute
    (folder / "case.toml").write_text(text, encoding="utf-8")
    (folder / "sonic.toml").write_text(INSTRUMENT, encoding="utf-8")
    case = wakesim.load_case(folder / "case.toml")
    truth = Truth(pulse=0.9, spread=1.1, turbulence=1.5, wind_m_s=(0.1, 0.1))
    write(folder, case, truth, name="r", seconds=660.0, seed=3)
    return folder


def call(place, *more, record="r.csv", quiet=True):
    return main(
        ["compare", str(place / "case.toml"), str(place / record),
         "--instrument", str(place / "sonic.toml"), *more, *["-q"][: int(quiet)]]
    )  # fmt: skip


@pytest.fixture(scope="module")
def done(place):
    log = str(place / "r-passes.csv")
    arguments = ["--passes", log, "--log-time-error", "0.05", "--fit", "-o", str(place / "out")]
    with pytest.MonkeyPatch.context() as patch:
        printed = []
        patch.setattr("wakesim.outputs.figures.PNG_DPI", 30)  # quick to draw
        patch.setattr("wakesim.outputs.figures.freeze_layout", lambda figure: None)
        patch.setattr(model_range, "variants", lambda settings: variants(settings)[:4])
        patch.setattr("builtins.print", lambda *words, **_: printed.append(" ".join(words)))
        assert call(place, *arguments, quiet=False) == 0
    return place / "out", "\n".join(printed)


def test_everything_is_written(done):
    folder, _ = done
    plain = {path.name for path in folder.iterdir() if path.is_file()}
    assert plain == FILES
    figures = {path.name for path in (folder / "figures").iterdir()}
    for name in ("series", "exceedance", "spectrum", "pass-averages", "points"):
        assert {f"{name}.svg", f"{name}.png"} <= figures
    listed = json.loads((folder / "comparison.json").read_text(encoding="utf-8"))["files"]
    assert set(listed) == plain | {f"figures/{name}" for name in figures}


def test_verdicts_and_constants_are_printed(done):
    folder, text = done
    values = json.loads((folder / "comparison.json").read_text(encoding="utf-8"))
    for quantity in values["quantities"]:
        assert quantity["text"] in text
    quick = next(q for q in values["quantities"] if q["key"] == "rms_faster_than_2_s")
    assert quick["verdict"] == "too low"  # turbulence half as strong again as the case's
    assert quick["model_interval"][0] < quick["model"] < quick["model_interval"][1]
    assert "Invented data" in text  # the record's own head says so


def test_the_fitted_case_can_be_loaded_and_holds_the_turbulence(done):
    folder, _ = done
    case = wakesim.load_case(folder / "fitted-case.toml")
    assert case.model.turbulence_factor == pytest.approx(1.5, rel=0.15)
    values = json.loads((folder / "comparison.json").read_text(encoding="utf-8"))
    fitted = {c["name"]: c for c in values["fit"]["constants"]}
    assert case.model.turbulence_factor == pytest.approx(
        fitted["turbulence_factor"]["value"], rel=1e-3
    )
    low, high = fitted["pulse_factor"]["interval"]
    assert low < high
    assert abs(fitted["pulse_factor"]["value"] - 0.9) < 2.0 * (high - low)


def test_the_report_is_one_file(done):
    folder, _ = done
    page = (folder / "comparison.html").read_text(encoding="utf-8")
    assert not re.search(r"(?:src|href)\s*=\s*[\"'](?!#)", page)
    assert not re.search(r"https?://", page)
    assert "@import" not in page
    assert page.count("<svg") == 5
    ids = re.findall(r'\bid="([^"]+)"', page)
    assert len(ids) == len(set(ids))


def test_the_tables_say_what_they_hold(done):
    folder, _ = done
    described = pandas.read_csv(folder / "columns.csv")
    for path in folder.glob("*.csv"):
        rows = pandas.read_csv(path)
        assert len(rows) > 1, path.name
        if path.name != "columns.csv":
            assert described[described["file"] == path.name]["column"].tolist() == list(rows)
            assert rows["invented_data"].dtype == bool
            words = {"quantity", "unit", "verdict", "vehicle", "lane", "channel", "points"}
            numbers = rows.drop(columns=words, errors="ignore")
            assert all(kind.kind in "fib" for kind in numbers.dtypes), path.name


def test_an_old_comparison_is_not_overwritten(done, place, caplog):
    folder, _ = done
    before = {path: path.read_bytes() for path in folder.glob("*.*")}
    assert call(place, "-o", str(folder)) == 2
    assert "--force" in caplog.text
    assert before == {path: path.read_bytes() for path in folder.glob("*.*")}
    with pytest.raises(OutputError, match="is a file"):
        check_target(place / "case.toml", COMPARISON)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--fit"], "--fit needs a passing log"),
        (["--mount", "n"], "has no mount 'n'"),
        (["--passes", "none.csv"], "none.csv"),
        (["--road-bearing", "400"], "road_bearing_deg = 400"),
        (["--time-zone", "Mars/Base"], "Mars/Base"),
        (["--log-time-error", "-1"], "time_s = -1"),
    ],
)
def test_refusals_are_one_line_and_write_nothing(place, arguments, words, caplog):
    caplog.clear()
    if arguments[0] == "--log-time-error":
        arguments = [*arguments, "--passes", str(place / "r-passes.csv")]
    assert call(place, *arguments, "-o", str(place / "nothing")) == 2
    errors = [r.getMessage() for r in caplog.records if r.levelname == "ERROR"]
    assert len(errors) == 1
    assert words in errors[0]
    assert not (place / "nothing").exists()


def test_a_record_that_is_none_is_refused(place, caplog):
    (place / "bad.csv").write_text("time_s,speed\n1,2\n", encoding="utf-8")
    assert call(place, "-o", str(place / "nothing"), record="bad.csv") == 2
    assert "bad.csv" in caplog.text
    single = str(cases_path("single-pass.toml"))
    assert main(["compare", single, str(place / "r.csv"), "-o", str(place / "nothing")]) == 2
    assert not (place / "nothing").exists()


def test_a_failure_leaves_no_half_written_folder(place, monkeypatch, done):
    import wakesim.records.comparison_files as files

    def broken(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(files, "write_report", broken)
    monkeypatch.setattr("wakesim.records.comparison.model_range", _no_range)
    assert call(place, "-o", str(place / "half" / "way")) == 2
    assert not (place / "half").exists()


def _no_range(scenario, windows, measure, cache, say):
    import numpy as np

    from wakesim.records.model_range import ModelRange
    from wakesim.records.modelled import modelled_records

    size = measure(modelled_records(scenario, cache, windows=windows)[0]).size
    return ModelRange(np.zeros(size), np.zeros(size), ())


@pytest.mark.slow
def test_the_example_runs(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = cases_path("compare")
    assert (folder / "record.csv").stat().st_size < 300_000
    status = main(
        ["compare", str(folder / "post.toml"), str(folder / "record.csv"), "--passes",
         str(folder / "passes.csv"), "--fit", "--json", "-o", str(tmp_path / "out")]
    )  # fmt: skip
    assert status == 0
    values = json.loads(capsys.readouterr().out)
    assert values["invented_data"]
    assert values["clock"]["offset_s"] == pytest.approx(Truth().offset_s, abs=0.06)
