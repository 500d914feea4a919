"""``wakesim claim``: figures from flags, a case and a computed result, and its errors."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from wakesim.cli import main
from wakesim.folders import MARKER
from wakesim.outputs.wording import CAUTION
from wakesim.runtime import cases_path

CASE = str(cases_path("energy-yield.toml"))
TRADE = ["--speed-m-s", "5.4", "--power-coefficient", "0.30", "--power-w", "1000"]


def result_folder(folder: Path, **changes: object) -> Path:
    """A folder with the keys of summary.json that the command reads."""
    mount = {
        "name": "post", "effective_speed_m_s": 0.5, "model_interval_m_s": [0.4, 2.0],
        "gust_peak_m_s": 1.5, "energy": {"bounds": {"drag_power_w_m": 300.0}},
    } | changes  # fmt: skip
    summary = {"air_density_kg_m3": 1.2, "invented_data": True, "mounts": [mount]}
    folder.mkdir(exist_ok=True)
    (folder / "summary.json").write_text(json.dumps(summary), encoding="utf-8")
    return folder


def test_the_trade_figure_from_flags_alone(capsys: pytest.CaptureFixture[str]) -> None:
    # common practice, no published source: 34.6 m2 for each kilowatt
    assert main(["claim", *TRADE, "--traffic-speed-mph", "60", "--cut-in-m-s", "1.2"]) == 0
    out = capsys.readouterr().out
    assert "swept area per kilowatt: 34.6 m²" in out
    assert out.rstrip().endswith(CAUTION)


@pytest.mark.parametrize(
    ("flag", "value"),
    [("--speed-kmh", "18"), ("--speed-mph", str(5 / 0.44704)), ("--speed-m-s", "5")],
)
def test_speeds_in_any_unit(flag: str, value: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["claim", flag, value, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["claim"]["speed_m_s"] == pytest.approx(5.0)
    flux = next(i for i in found["implied"] if i["name"].startswith("energy flux"))
    assert flux["value"] == pytest.approx(0.5 * 1.225 * 125)


def test_against_a_computed_result(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = result_folder(tmp_path / "out")
    flags = ["--daily-energy-kwh", "2.4", "--area-m2", "2", "--count", "10"]
    code = main(
        ["claim", *flags, "--section-length-m", "1", "--speed-m-s", "5", "--result", str(folder)]
    )
    out = capsys.readouterr().out
    assert code == 0
    assert out.startswith("Invented data")
    # 100 W from 2 m2 against 16/27 x 1/2 x 1.2 x 0.5^3 x 2 = 0.0889 W (1125 times), at the
    # high end of 2 m/s 5.689 W; 1000 W against 300 W
    assert "1130 times what a rotor without any loss" in out
    assert "17.6 to" in out
    assert "3.33 times all the work that the traffic does" in out


def test_a_year_is_held_against_the_year_of_the_result(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    energy = {
        "annual_kwh": 20.0, "annual_kwh_in_the_air_of_the_case": 10.0, "rotor": {"area_m2": 2.0},
        "uncertainty": {"annual_kwh": {"p90": 4.0, "p50": 9.0, "p10": 30.0}},
    }  # fmt: skip
    folder = result_folder(tmp_path, energy=energy)
    flags = ["--annual-energy-kwh", "30", "--json", "--result", str(folder)]
    assert main(["claim", *flags]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["status"] == "plausible"
    assert [f["factor"] for f in found["findings"]] == [pytest.approx(1.5)]
    assert found["findings"][0]["factor_range"] == pytest.approx([0.5, 3.75])
    assert main(["claim", *flags, "--area-m2", "1"]) == 0
    assert json.loads(capsys.readouterr().out)["findings"][0]["factor"] == pytest.approx(3.0)


def test_a_study_of_a_year_gives_its_net_energy(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    year = {"annual_net_kwh": 10.0, "percentiles_kwh": {"together": {"p90": 5.0, "p10": 20.0}}}
    folder = result_folder(tmp_path, energy=None, **year)
    path = folder / "summary.json"
    about = json.loads(path.read_text(encoding="utf-8"))
    about |= {"hours": 8760, "rotor": {"width_m": 1.0, "height_m": 2.0}}
    flags = ["claim", "--annual-energy-kwh", "30", "--json", "--result", str(folder)]
    for hours, kinds in ((8760, ["beyond the place"]), (48, [])):
        path.write_text(json.dumps(about | {"hours": hours}), encoding="utf-8")
        assert main(flags) == 0
        findings = json.loads(capsys.readouterr().out)["findings"]
        assert [f["kind"] for f in findings] == kinds
        for finding in findings:
            assert finding["factor"] == pytest.approx(3.0)
            assert finding["factor_range"] == pytest.approx([1.5, 6.0])


def test_a_result_is_read_from_where_a_killed_run_has_left_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    staging = result_folder(tmp_path / "out").joinpath(".wakesim-abcdefgh")
    staging.mkdir()
    new = result_folder(staging / "new", effective_speed_m_s=0.7)
    mark = {"staging": staging.name, "moved": ["summary.json"], "removed": []}
    (tmp_path / "out" / MARKER).write_text(json.dumps(mark), encoding="utf-8")
    assert main(["claim", "--speed-m-s", "5", "--json", "--result", str(tmp_path / "out")]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["place"]["effective_speed_m_s"] == 0.7
    assert (new / "summary.json").exists()


def test_a_result_without_energy_or_interval(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = result_folder(tmp_path, energy=None, model_interval_m_s=None)
    assert main(["claim", "--speed-m-s", "5", "--json", "--result", str(folder)]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["place"]["drag_power_w_m"] is None
    assert found["place"]["low_m_s"] is None
    assert found["invented_data"] is True
    assert [f["factor"] for f in found["findings"]] == [pytest.approx(10.0)]


def test_energy_is_held_against_the_speed_of_whole_days(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # a result of two busy hours that knows its weekday: half the speed
    folder = result_folder(tmp_path, energy={"weekday_effective_speed_m_s": 0.25})
    assert main(["claim", "--speed-m-s", "5", "--json", "--result", str(folder)]) == 0
    place = json.loads(capsys.readouterr().out)["place"]
    assert place["effective_speed_m_s"] == pytest.approx(0.25)
    assert (place["low_m_s"], place["high_m_s"]) == pytest.approx((0.2, 1.0))


def test_the_table_of_a_case_and_flags_that_replace_it(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert main(["claim", "--case", CASE, "--json"]) == 0
    stated = json.loads(capsys.readouterr().out)["claim"]
    assert stated["power_w"] == 1000.0
    assert stated["traffic_speed_m_s"] == pytest.approx(60 * 0.44704)
    assert main(["claim", "--case", CASE, "--json", "--speed-kmh", "36", "--count", "2"]) == 0
    replaced = json.loads(capsys.readouterr().out)["claim"]
    assert replaced == stated | {"speed_m_s": pytest.approx(10.0), "count": 2}


ERRORS = {
    "nothing stated": ([], "nothing is stated: give --power-w"),
    "only a count": (["--count", "3"], "nothing is stated"),
    "text": (["--power-w", "much"], 'claim.power_w = "much": must be a number, not text'),
    "negative": (["--power-w", "-5"], "claim.power_w = -5 W: must be greater than 0 W and at most"),
    "nan": (["--power-w", "nan"], "claim.power_w = nan W: must be a finite number"),
    "percentage": (["--power-coefficient", "30"], "30 looks like a percentage, write 0.3"),
    "broken count": (["--power-w", "3", "--count", "1.5"], "must be a whole number"),
    "two units": (["--speed-mph", "5", "--speed-m-s", "3"], "is given by speed_m_s already"),
    "mount alone": (["--power-w", "3", "--mount", "a"], "--mount needs --result"),
    "no result": (["--power-w", "3", "--result", "none"], "none: no such file"),
    "density": (["--power-w", "3", "--density", "12"], "must be a number at least 0.5 kg/m³"),
    "no case": (["--case", "none.toml"], "none.toml: no such file"),
    "no claim": (["--case", str(cases_path("expressway-post.toml"))], "has no table [claim]"),
}


@pytest.mark.parametrize("name", ERRORS)
def test_a_mistake_is_one_line_and_status_2(
    name: str, capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    arguments, message = ERRORS[name]
    assert main(["claim", *arguments]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert len(err.splitlines()) == 1
    assert message in err


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("{", "is no summary.json of a traffic study"),
        ('{"mounts": []}', "is no summary.json of a traffic study"),
        ('{"mounts": [{"name": "a"}], "air_density_kg_m3": 1.2, "invented_data": false}',
         "mount 'a' has no effective speed"),
        ('{"mounts": [{"name": "a"}, {"name": "b"}], "air_density_kg_m3": 1.2, '
         '"invented_data": false}', "has several mounts: --mount must be one of a, b"),
    ],
)  # fmt: skip
def test_a_result_that_cannot_be_used(
    text: str, message: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "summary.json").write_text(text, encoding="utf-8")
    assert main(["claim", "--power-w", "3", "--result", str(tmp_path)]) == 2
    assert message in capsys.readouterr().err


def test_it_loads_neither_kernels_nor_figures(tmp_path: Path) -> None:
    folder = result_folder(tmp_path)
    code = (
        "import sys\nfrom wakesim.cli import main\n"
        f"assert main(['claim', '--case', {CASE!r}, '--result', {str(folder)!r}]) == 0\n"
        "assert not {'numba', 'scipy', 'matplotlib', 'h5py'} & set(sys.modules)\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True, cwd=tmp_path, capture_output=True)
