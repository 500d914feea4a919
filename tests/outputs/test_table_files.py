"""Lookup tables and tables of single passes as files: other programs read what was computed."""

from __future__ import annotations

import csv
import io
import json
import shutil
import subprocess
from pathlib import Path

import h5py
import numpy as np
import pytest
from grid_cases import pass_text, quick, table_text

import wakesim
from wakesim import folders
from wakesim.case.load import load_case_text
from wakesim.errors import CaseError
from wakesim.outputs.summary import FORMAT_VERSION
from wakesim.traffic.scene import wake_memory

AXES = ["offset_m", "height_m", "flow_veh_h", "wind_speed_m_s", "wind_angle_deg"]


@pytest.fixture(scope="module")
def result():
    text = quick(table_text())  # no wake is marched, no balance solved
    return wakesim.run(load_case_text(text, "table.toml"), workers=1)


@pytest.fixture(scope="module")
def folder(result, tmp_path_factory):
    place = tmp_path_factory.mktemp("table") / "out"
    result.save(place)
    return place


@pytest.fixture(scope="module")
def table(folder):
    return wakesim.open_table(folder / "table.h5")


def test_xarray_netcdf_and_ncdump_open_the_table(result, folder):
    import netCDF4
    import xarray

    path = folder / "table.h5"
    with xarray.open_dataset(path) as data:
        assert list(data["effective_speed"].dims) == AXES
        assert data["effective_speed"].values == pytest.approx(
            result.variables["effective_speed"], abs=0.0
        )
        assert data["effective_speed"].attrs["units"] == "m s-1"
        assert data["height_m"].attrs["standard_name"] == "height"
        assert data.attrs["Conventions"].startswith("CF-")
        assert data.attrs["case_text"] == result.case.text
        one = data["effective_speed"].sel(offset_m=1.2, height_m=1.6, flow_veh_h=600)
        assert one.shape == (2, 3)
    with netCDF4.Dataset(path) as data:
        assert list(data.variables["drift"].dimensions) == AXES
        assert data.variables["flow_veh_h"].units == "h-1"
    with xarray.open_dataset(path, engine="h5netcdf") as data:
        assert data.sizes["height_m"] == 3
    if shutil.which("ncdump"):
        text = subprocess.run(
            ["ncdump", "-h", path], capture_output=True, text=True, check=True
        ).stdout
        assert "double effective_speed(offset_m, height_m, flow_veh_h" in text


def test_a_table_is_read_from_where_a_killed_run_has_left_it(folder, tmp_path, monkeypatch):
    """Killed right after the new result was committed: the old one is still in its place."""

    def copied(place: Path) -> list[str]:
        shutil.copy(folder / "table.h5", place)
        shutil.copy(folder / "summary.json", place)
        return ["table.h5", "summary.json"]

    def killed(plan: object) -> None:
        raise SystemExit

    (tmp_path / "table.h5").write_text("an older table")
    with monkeypatch.context() as patch:
        patch.setattr(folders, "_finish", killed)
        patch.setattr(folders, "_put_back", lambda plan: None)
        with pytest.raises(SystemExit):
            folders.publish(tmp_path, folders.RESULT, copied, True)
    assert (tmp_path / "table.h5").read_text() == "an older table"
    assert list(wakesim.open_table(tmp_path / "table.h5").axes) == AXES


def read_csv(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8"))))


def test_the_csv_reads_back_equal(result, folder):
    rows = read_csv(folder / "table.csv")
    assert len(rows) == 2 * 3 * 2 * 2 * 3
    shape = result.variables["effective_speed"].shape
    for column, name in (("effective_speed_m_s", "effective_speed"), ("drift_m_s", "drift")):
        values = np.array([float(r[column]) for r in rows]).reshape(shape)
        assert values.tobytes() == result.variables[name].tobytes()
    heights = np.array([float(r["height_m"]) for r in rows]).reshape(shape)
    assert heights[0, :, 0, 0, 0].tolist() == [1.2, 1.6, 2.0]
    described = {row["column"]: row for row in read_csv(folder / "columns.csv")}
    assert set(described) == set(rows[0])
    assert described["effective_speed_m_s"]["unit"] == "m/s"


def test_the_table_gives_its_own_states_back(result, table):
    assert list(table.axes) == AXES
    mesh = dict(zip(AXES, np.meshgrid(*table.axes.values(), indexing="ij"), strict=True))
    found = table.effective_speed(**mesh)
    assert found == pytest.approx(result.variables["effective_speed"], rel=1e-12)
    assert table.drift(**mesh) == pytest.approx(result.variables["drift"], abs=1e-12)
    density = table.air_density_kg_m3
    assert table.power_density(**mesh) == pytest.approx(0.5 * density * found**3)
    low, high = table.sampling_interval(**mesh)
    assert low == pytest.approx(found)
    assert high == pytest.approx(found)


def test_result_and_table_give_the_same_rows(result, table):
    rows = result.to_pandas()
    assert rows.equals(table.to_pandas())
    assert rows.equals(result.to_pandas("table.csv"))
    assert result.to_xarray().equals(table.to_xarray())


def test_power_goes_with_the_cube_between_the_states(result, folder, table):
    """Interpolated itself it would be far too high between still air and a wind."""
    assert "power_density" not in result.variables
    with h5py.File(folder / "table.h5") as file:
        assert "power_density" not in file
    at = {"offset_m": 1.2, "height_m": 1.6, "flow_veh_h": 150.0, "wind_angle_deg": 0.0}
    at["wind_speed_m_s"] = np.array([0.0, 1.0, 2.0])
    power = table.power_density(**at)
    cube = table.effective_speed(**at) ** 3
    assert power == pytest.approx(0.5 * table.air_density_kg_m3 * cube)
    assert table.value("power_density", **at) == pytest.approx(power)
    assert power[[0, 2]].mean() > 1.2 * power[1]


def test_the_table_says_what_its_wind_is(table, folder):
    # of a case in still air: 10 m over open land
    wind = {
        "reference_height_m": 10.0, "profile": "log", "roughness_m": 0.03, "displacement_m": 0.0,
        "turbulence_intensity": 0.0,
    }  # fmt: skip
    assert table.wind == wind
    assert "reference_height_m 10" in str(table)
    assert json.loads((folder / "summary.json").read_text())["wind"] == wind


def test_arguments_broadcast(table):
    flow = np.linspace(150.0, 600.0, 7)
    at = {"offset_m": 2.0, "height_m": 1.5, "wind_speed_m_s": 1.0, "wind_angle_deg": 90.0}
    found = table.effective_speed(flow_veh_h=flow, **at)
    assert found.shape == (7,)
    assert np.all(np.diff(found) > 0.0)
    assert table.effective_speed(flow_veh_h=300.0, **at).shape == ()
    grid = table.mean_speed(flow_veh_h=flow[:, None], **(at | {"wind_speed_m_s": [0.0, 1.0, 2.0]}))
    assert grid.shape == (7, 3)


def test_the_interpolation_error_is_stated_and_true(result, table):
    """At fresh states off the table, computed: most miss less than the stated ninth decile."""
    from wakesim.studies.lookup_table import StateChain, StateGroup, canonical, compute_chain

    stated = table.interpolation_error
    assert stated["states"] == stated["light_wind_states"] == 96
    assert 0.0 < stated["median"] < stated["p90"] <= stated["largest"]
    rng = np.random.default_rng(99)
    within = 0
    for _ in range(10):
        at = {n: float(rng.uniform(v[0], v[-1])) for n, v in table.axes.items()}
        place = ((at["offset_m"], at["height_m"]),)
        group = StateGroup(result.case, tuple(canonical(at).items()), place)
        exact = compute_chain(StateChain((group,)))["effective_speed"][0, 0]
        within += abs(float(table.effective_speed(**at)) / exact - 1.0) <= stated["p90"]
    assert within >= 7


def test_what_is_outside_is_refused_flagged_or_clipped(table):
    at = {"offset_m": 2.0, "height_m": 1.5, "wind_speed_m_s": 1.0, "wind_angle_deg": 90.0}
    with pytest.raises(CaseError) as caught:
        table.effective_speed(flow_veh_h=np.array([300.0, 700.0, 800.0]), **at)
    (line,) = caught.value.problems
    assert "flow_veh_h = 700 veh/h (and 1 more values): outside the table, 150 to 600 veh/h" in line
    flow = np.array([300.0, 700.0])
    flagged = table.effective_speed(flow_veh_h=flow, outside="flag", **at)
    assert np.isnan(flagged).tolist() == [False, True]
    assert table.is_outside(flow_veh_h=flow, **at).tolist() == [False, True]
    clipped = table.effective_speed(flow_veh_h=flow, outside="clip", **at)
    assert clipped[1] == pytest.approx(float(table.effective_speed(flow_veh_h=600.0, **at)))
    turned = at | {"wind_angle_deg": -270.0}  # a full circle: any direction is inside
    assert float(table.effective_speed(flow_veh_h=300.0, **turned)) == pytest.approx(
        float(table.effective_speed(flow_veh_h=300.0, **at))
    )
    with pytest.raises(CaseError, match="height_m = nan"):
        table.effective_speed(flow_veh_h=300.0, **(at | {"height_m": np.nan}))


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"heavy_share": 0.1}, 'no axis "heavy_share"; the table has offset_m, height_m'),
        ({"flow_veh_h": "many"}, "flow_veh_h: must be numbers"),
        (
            {"flow_veh_h": [1.0, 2.0], "offset_m": [1.0, 2.0, 3.0]},
            "do not broadcast: offset_m (3,)",
        ),
        ({"outside": "ignore"}, 'outside = "ignore": must be one of "error", "flag", "clip"'),
    ],
)
def test_mistakes_are_named(table, change, words):
    at = {n: float(v[0]) for n, v in table.axes.items()} | change
    with pytest.raises(CaseError) as caught:
        table.effective_speed(**at)
    assert words in str(caught.value)


def test_a_missing_axis_and_a_missing_interval_are_named(table):
    with pytest.raises(CaseError, match=r"'height_m' is missing: 1\.2 to 2 m"):
        table.effective_speed(offset_m=1.5)
    with pytest.raises(CaseError, match="holds no model interval"):
        table.model_interval(**{n: float(v[0]) for n, v in table.axes.items()})


def test_files_that_are_no_table(tmp_path, folder):
    for path, words in (
        (tmp_path / "none.h5", "no such file"),
        (tmp_path, "is a folder"),
        (folder / "table.csv", "cannot be read"),
    ):
        with pytest.raises(CaseError, match=words):
            wakesim.open_table(path)
    other = tmp_path / "x.h5"
    with h5py.File(other, "w") as file:
        file["a"] = [1.0]
    with pytest.raises(CaseError, match="is no lookup table"):
        wakesim.open_table(other)


def test_summary(result, folder):
    data = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
    assert data["format_version"] == FORMAT_VERSION
    assert data["study"] == "lookup_table"
    assert data["states"] == 72
    assert data["distinct_states"] == 36
    assert [axis["name"] for axis in data["axes"]] == AXES
    assert data["interpolation_error"]["states"] == 96
    assert data["interpolation_error_light_wind"]["states"] == 96
    assert data["rotor"] == {"width_m": 0.6, "height_m": 1.5}
    assert data["provenance"]["case_sha256"] == result.case.sha256
    assert {"table.h5", "table.csv", "report.html"} <= set(data["files"])


def test_single_passes_are_read_by_xarray(tmp_path):
    import xarray

    text = pass_text().replace("wake_memory_s = 12", 'wake_law = "couple"')  # chosen by the program
    result = wakesim.run(load_case_text(text, "passes.toml"))
    assert result.case.model.wake_memory_s is None
    result.save(tmp_path / "out")
    with xarray.open_dataset(tmp_path / "out" / "pass-table.h5") as data:
        assert data["int_u_dt"].dims == ("vehicle_class", "speed_m_s", "clearance_m", "height_m")
        lorry = data.sel(vehicle_class="artic_lorry_eu")
        assert lorry["peak"].values == pytest.approx(result.variables["peak"][1], abs=0.0)
        near, far = lorry["int_speed3_dt"].sel(height_m=2.0, speed_m_s=25.0).values
        assert near > 1.5 * far
        assert data.attrs["wake_memory_s"] == wake_memory(result.case) > 0.0
    rows = read_csv(tmp_path / "out" / "pass-table.csv")
    assert len(rows) == 2 * 2 * 2 * 2
    last = float(rows[-1]["int_speed3_dt_m3_s2"])
    assert last == result.variables["int_speed3_dt"][1, 1, 1, 1]
