"""Every CSV file of every study reads with pandas as it is; Parquet files hold the same."""

from __future__ import annotations

import csv
import importlib.util
import re
from pathlib import Path

import energy_case
import pandas
import pytest
from grid_cases import map_text, pass_text, quick, table_text, year_text
from synthetic_result import build_result, single_pass_text, traffic_text

import wakesim
from wakesim.case.load import load_case_text
from wakesim.errors import OutputError

STUDIES = (
    "traffic", "single_pass", "energy", "mounting_map", "lookup_table", "pass_table", "year",
)  # fmt: skip
# Words and dimensionless numbers; every other name ends with its unit.
WITHOUT_UNIT = {
    "mount", "kind", "vehicle", "label", "lane", "parameter", "setting", "counted", "reason",
    "hour", "month", "share", "response", "vehicle_class", "energy_pattern_factor",
    "time_above_cut_in", "relief_peak", "relief_cube", "heavy_share", "speed_factor",
    "direction_split", "passes_a_year", "invented_data", "time_utc", "clock_hour", "filled",
    "row_factor", "load_hours", "unserved_hours",
}  # fmt: skip
UNIT = re.compile(r"_(m|m_s|s|veh_h|deg|w|kwh|w_m2|m2_s|m3_s2|pa|n|kg_m3)$")
WORDS = {"mount", "kind", "vehicle", "lane", "parameter", "setting", "vehicle_class", "time_utc"}


def year_of_six_hours(folder: Path) -> object:
    """A record of six hours."""
    counts, winds = ["time,carriageway,class,flow_veh_h"], ["time,wind_speed_m_s,wind_from_deg"]
    for hour in range(6):
        for way in ("near", "far"):
            for kind, flow in (("light", 300), ("heavy", 50)):
                counts.append(f"2027-05-03T{hour:02}:00Z,{way},{kind},{flow}")
        winds.append(f"2027-05-03T{hour:02}:00Z,{1.0 + hour},{60 * hour}")
    (folder / "counts.csv").write_text("\n".join(counts) + "\n")
    (folder / "winds.csv").write_text("\n".join(winds) + "\n")
    text = year_text(
        'kind = "drag"', counts='"counts.csv"', winds='"winds.csv"', road_heading_deg=20,
        tolerance=0, years=0,
    )  # fmt: skip
    (folder / "year.toml").write_text(text)
    return wakesim.run(wakesim.load_case(folder / "year.toml"), workers=1)


def made(study: str, folder: Path) -> object:
    """A result of a study."""
    if study == "year":
        return year_of_six_hours(folder)
    texts = {"mounting_map": map_text(), "lookup_table": table_text(), "pass_table": pass_text()}
    if study in texts:
        return wakesim.run(load_case_text(quick(texts[study]), f"{study}.toml"), workers=1)
    if study == "energy":
        return energy_case.computed()
    return build_result(traffic_text() if study == "traffic" else single_pass_text())


@pytest.fixture(scope="module", params=STUDIES)
def saved(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory):
    """A result and the folder that it was saved in."""
    place = tmp_path_factory.mktemp(request.param)
    result, folder = made(request.param, place), place / "out"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("wakesim.outputs.figures.render_figures", lambda *_: [])
        result.save(folder)
    return result, folder


def tables(folder: Path) -> list[Path]:
    return sorted(p for p in folder.glob("*.csv") if p.name != "columns.csv")


def test_pandas_reads_every_table_without_arguments(saved) -> None:
    result, folder = saved
    assert tables(folder)
    for path in tables(folder):
        frame = pandas.read_csv(path)
        own = result.to_pandas(path.name)
        assert list(frame) == list(own), path.name
        assert len(frame) == len(own)
        if frame.empty:  # no variants where no model interval was wanted
            continue
        assert frame["invented_data"].dtype == bool
        assert set(frame["invented_data"]) == {result.case.invented_data}
        for name in frame:
            kind = frame[name].dtype
            assert name in WORDS or kind.kind in "fib", (path.name, name)
            assert name in WITHOUT_UNIT or UNIT.search(name) or path.name == "yield-samples.csv"
            if name in WORDS:
                assert frame[name].astype(str).tolist() == own[name].astype(str).tolist()
            else:
                assert frame[name].to_numpy(float) == pytest.approx(
                    own[name].to_numpy(float), rel=1e-5, nan_ok=True
                )


def test_a_missing_value_is_an_empty_cell(saved) -> None:
    _, folder = saved
    for path in folder.glob("*.csv"):
        with path.open(encoding="utf-8", newline="") as file:
            cells = {cell.lower() for row in csv.reader(file) for cell in row}
        assert not cells & {"nan", "none", "null", "inf"}, path.name


def test_every_column_is_described(saved) -> None:
    _, folder = saved
    described = pandas.read_csv(folder / "columns.csv")
    for path in tables(folder):
        rows = described[described["file"] == path.name]
        assert rows["column"].tolist() == list(pandas.read_csv(path)), path.name
        assert rows["meaning"].str.len().min() > 0


def test_data_sets_of_every_study(saved) -> None:
    import xarray

    result, folder = saved
    (path,) = folder.glob("*.h5")
    with xarray.open_dataset(path, decode_times=False) as data:
        assert data.equals(result.to_xarray())


def test_parquet_files_hold_the_tables(saved, tmp_path: Path, monkeypatch) -> None:
    pytest.importorskip("pyarrow")
    result, _ = saved
    monkeypatch.setattr("wakesim.outputs.figures.render_figures", lambda *_: [])
    result.save(tmp_path, parquet=True)
    for path in tables(tmp_path):
        frame = pandas.read_parquet(path.with_suffix(".parquet"))
        assert frame.equals(result.to_pandas(path.name)), path.name


def test_parquet_without_its_library_is_one_line_before_anything(
    tmp_path: Path, monkeypatch, capsys
) -> None:
    from wakesim.cli import main

    real = importlib.util.find_spec
    monkeypatch.setattr(
        "wakesim.outputs.find_spec", lambda name: None if name == "pyarrow" else real(name)
    )
    case = tmp_path / "case.toml"
    case.write_text(traffic_text(), encoding="utf-8")
    assert main(["run", str(case), "-o", str(tmp_path / "out"), "--parquet"]) == 2
    err = capsys.readouterr().err
    assert len(err.splitlines()) == 1
    assert "wakesim[parquet]" in err
    assert not (tmp_path / "out").exists()
    with pytest.raises(OutputError, match="pyarrow"):
        build_result(traffic_text()).save(tmp_path / "other", parquet=True)
    assert not (tmp_path / "other").exists()
