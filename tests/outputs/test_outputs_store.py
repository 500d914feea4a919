"""result.h5 opens in the programs people use, and holds what was computed."""

from __future__ import annotations

import dataclasses
import json
import re
import shutil
import subprocess

import h5py
import netCDF4
import numpy as np
import pytest
import xarray
from synthetic_result import build_result, traffic_text

from wakesim import quantities
from wakesim.outputs import dataset, netcdf
from wakesim.outputs.netcdf import _chunk
from wakesim.outputs.report import _further_measures
from wakesim.outputs.summary import summary

TRAFFIC_DIMENSIONS = {
    "mount",
    "vehicle_class",
    "lane",
    "signature_sample",
    "bound",
    "hour",
    "cube_source",
    "mechanism",
    "variant",
    "wake_memory",
    "frequency",
    "series_time",
    "pass",
    "drift_y",
    "drift_z",
    "drift_term",
}


@pytest.fixture(params=["h5netcdf", "netcdf4"])
def opened(request, saved_traffic):
    with xarray.open_dataset(saved_traffic / "result.h5", engine=request.param) as data:
        yield data


def test_xarray_sees_every_dimension(opened):
    assert set(opened.sizes) == TRAFFIC_DIMENSIONS
    assert opened.attrs["Conventions"] == "CF-1.11"
    assert opened["hour"].dtype.kind == "i"
    assert opened["series_time"].dtype == np.float64


def test_values_round_trip(opened, traffic_result):
    for mount in traffic_result.mounts:
        values = mount.statistics
        row = opened.sel(mount=mount.mount.name)
        assert float(row.effective_speed) == values.effective_speed_m_s
        assert float(row.power_density) == values.power_density_w_m2
        low, high = row.model_interval.sel(bound=["lower", "upper"]).values
        assert (low, high) == values.model_interval_m_s
        assert float(row.share_by_class.sel(cube_source="long_lorry")) == 0.63
        assert float(row.share_by_mechanism.sel(mechanism="pulse")) == -0.04
        assert float(row.hourly_flow.sel(hour=7)) == pytest.approx(4200.0)
        assert float(row.hourly_mean_speed.sel(hour=7)) == values.hourly[7].mean_speed_m_s
        assert float(row.cutoff_effective_speed.sel(wake_memory=60.0)) == pytest.approx(
            1.04 * values.effective_speed_m_s
        )
        variant = row.variant_change.sel(variant="mixing of far wakes: weak-shear factor 0.5")
        assert float(variant) == values.variants[0].change_m_s
        np.testing.assert_array_equal(row.velocity_spectrum.values, values.spectrum_m2_s)
        np.testing.assert_array_equal(row.speed.values, values.series.speed_m_s.astype("f4"))
        np.testing.assert_array_equal(opened.series_time.values, values.series.time_s)


def test_drift_round_trips_on_grids_of_different_size(opened, traffic_result):
    sizes = []
    for mount in traffic_result.mounts:
        drift = mount.statistics.drift
        row = opened.sel(mount=mount.mount.name)
        ny, nz = drift.speed_m_s.shape
        sizes.append((ny, nz))
        assert row.drift_speed.dims == ("drift_y", "drift_z")
        np.testing.assert_array_equal(row.drift_offset.values[:ny], drift.y_m)
        np.testing.assert_array_equal(row.drift_height.values[:nz], drift.z_m)
        np.testing.assert_array_equal(row.drift_speed.values[:ny, :nz], drift.speed_m_s)
        filled = np.isfinite(row.drift_speed.values)
        assert filled.sum() == ny * nz
        assert float(row.drift_at_mount) == drift.at_mount_m_s
        assert float(row.drift_diffusivity) == drift.diffusivity_m2_s
        assert float(row.drift_drag_share) == drift.drag_share
        assert float(row.drift_settling_time) == drift.settling_s
        for term, force in drift.balance.items():
            assert float(row.drift_balance.sel(drift_term=term)) == force
    assert len(set(sizes)) == 2
    assert opened.sizes["drift_y"] == max(ny for ny, _ in sizes)


def test_passing_spectrum_and_counted_variants_round_trip(opened, traffic_result):
    for mount in traffic_result.mounts:
        values = mount.statistics
        row = opened.sel(mount=mount.mount.name)
        found = row.velocity_spectrum_passing.values
        np.testing.assert_array_equal(found, values.spectrum_passing_m2_s)
        assert row.variant_counted.values.tolist() == [int(v.counted) for v in values.variants]
        assert float(row.share_by_mechanism.sel(mechanism="drift")) == 0.10
    assert opened.variant_counted.attrs["flag_meanings"].split()[0] == "beside_the_interval"


CF_METHODS = {  # CF-1.11, appendix E
    "point", "sum", "maximum", "maximum_absolute_value", "median", "mid_range", "minimum",
    "minimum_absolute_value", "mean", "mean_absolute_value", "mean_of_upper_decile", "mode",
    "range", "root_mean_square", "standard_deviation", "sum_of_squares", "variance",
}  # fmt: skip


def test_what_cf_asks_of_methods_missing_values_and_links(saved_traffic):
    with netCDF4.Dataset(saved_traffic / "result.h5") as data:
        for name, variable in data.variables.items():
            for method in re.findall(r": (\w+)", getattr(variable, "cell_methods", "")):
                assert method in CF_METHODS, name
            for other in getattr(variable, "ancillary_variables", "").split():
                assert set(variable.dimensions) <= set(data[other].dimensions), name
            if variable.dtype != str and variable.dtype.kind == "f":
                missing = hasattr(variable, "_FillValue")
                assert missing is (name not in data.dimensions), name
            if getattr(variable, "standard_name", "") == "height":
                assert variable.positive == "up"
        linked = data["effective_speed"].ancillary_variables.split()
        assert linked == ["sampling_interval", "model_interval"]
        assert "cell_methods" not in data["effective_speed"].ncattrs()


def test_without_drift_there_are_no_drift_variables(tmp_path):
    made = dataset.collected(build_result(traffic_text(drift=False)))
    netcdf.write(made, tmp_path / "result.h5")
    with xarray.open_dataset(tmp_path / "result.h5", engine="netcdf4") as data:
        assert set(data.sizes) == {d for d in TRAFFIC_DIMENSIONS if not d.startswith("drift")}
        assert not [name for name in data.variables if name.startswith("drift")]


def test_chunks_take_whole_last_axes():
    assert _chunk((2, 4, 3, 280)) == (2, 4, 3, 280)
    assert _chunk((2, 1_728_000)) == (1, 65536)
    assert _chunk((3, 400, 300)) == (1, 218, 300)


def test_signatures_round_trip(opened, traffic_result):
    for mount in traffic_result.mounts:
        for s in mount.signatures:
            place = {"mount": mount.mount.name, "lane": s.lane, "vehicle_class": s.vehicle}
            np.testing.assert_array_equal(
                opened.signature_u.sel(place).values, s.u_m_s.astype("f4")
            )
            assert float(opened.signature_clearance.sel(place)) == s.clearance_m
            assert float(opened.signature_relief_peak.sel(place)) == s.relief_peak == 0.4
            assert float(opened.signature_relief_cube.sel(place)) == s.relief_cube == 0.08


def test_passes_round_trip(opened, traffic_result):
    passes = traffic_result.mounts[0].statistics.series.passes
    np.testing.assert_array_equal(opened.pass_time.values, passes.time_s)
    np.testing.assert_array_equal(opened.pass_lane.values, passes.lane)
    meanings = opened.pass_vehicle.attrs["flag_meanings"].split()
    assert meanings == list(traffic_result.case.vehicles)


def test_provenance_and_cautions_are_in_the_file(opened, traffic_result):
    attributes = opened.attrs
    assert attributes["case_text"] == traffic_result.case.text
    assert attributes["case_sha256"] == traffic_result.case.sha256
    assert attributes["seed"] == 20260101
    assert len(attributes["inputs_sha256"]) == 64
    assert attributes["invented_data"] == "yes"
    assert "road authority" in attributes["comment"]
    assert json.loads(attributes["libraries"])["numpy"] == np.__version__


def test_netcdf4_python_reads_it(saved_traffic, traffic_result):
    with netCDF4.Dataset(saved_traffic / "result.h5") as data:
        assert list(data["mount"][:]) == [m.mount.name for m in traffic_result.mounts]
        assert data["speed"].filters()["shuffle"]
        assert data["speed"].dimensions == ("mount", "series_time")
        walls = data["wall_offset"][:]
        assert np.isnan(walls.filled(np.nan)[0])
        assert walls[1] == 6.0


def test_ncdump_reads_it(saved_traffic, saved_pass):
    program = shutil.which("ncdump")
    if program is None:
        pytest.skip("ncdump is not installed")
    for folder in (saved_traffic, saved_pass):
        run = subprocess.run(
            [program, "-v", "mount,signature_peak", str(folder / "result.h5")],
            capture_output=True,
            text=True,
            check=False,
        )
        assert run.returncode == 0, run.stderr
        assert 'mount = "verge post"' in run.stdout
        assert "signature_sample = 280 ;" in run.stdout


def test_every_axis_has_a_scale_and_no_forbidden_types(saved_traffic, saved_pass):
    for folder in (saved_traffic, saved_pass):
        with h5py.File(folder / "result.h5") as file:
            for name, data in file.items():
                assert data.dtype.kind not in "bc", name
                scale = h5py.h5ds.is_scale(data.id)
                assert scale or all(len(axis) == 1 for axis in data.dims), name


def test_single_pass_file_opens_without_traffic_variables(saved_pass, pass_result):
    for engine in ("h5netcdf", "netcdf4"):
        with xarray.open_dataset(saved_pass / "result.h5", engine=engine) as data:
            assert set(data.sizes) == {"mount", "vehicle_class", "lane", "signature_sample"}
            present = data.signature_peak.notnull().sum(dim=("lane", "vehicle_class"))
            assert present.values.tolist() == [3, 3, 3, 3]
            assert data.sizes["mount"] == len(pass_result.mounts)
            relief = data.signature_relief_cube.notnull().sum(dim=("lane", "vehicle_class"))
            assert relief.values.tolist() == [3, 3, 3, 0]  # none over a vehicle


def test_the_data_set_is_that_of_the_file_and_equal_bytes_are_written(
    traffic_result, saved_traffic, tmp_path
):
    made = traffic_result.to_xarray()
    with xarray.open_dataset(saved_traffic / "result.h5", decode_timedelta=False) as read:
        xarray.testing.assert_equal(made, read.load())
        assert set(made.coords) == set(read.coords)
    for name in ("a.h5", "b.h5"):
        netcdf.write(dataset.collected(traffic_result), tmp_path / name)
    assert (tmp_path / "a.h5").read_bytes() == (tmp_path / "b.h5").read_bytes()


def test_a_measure_with_a_row_of_its_own_is_in_every_output(traffic_result, monkeypatch):
    """A row in the quantities and a value in the measures: nothing else knows of it."""
    rows = quantities.GROUPS["measure"]
    row = quantities.Quantity("calm_share", "1", "share of calm air", "calm", dims=("mount",))
    more = dataclasses.replace(rows, rows=(*rows.rows, row))
    monkeypatch.setitem(quantities.GROUPS, "measure", more)
    mounts = []
    for i, mount in enumerate(traffic_result.mounts):
        measures = {**mount.statistics.measures, "calm_share": 0.25 + i}
        statistics = dataclasses.replace(mount.statistics, measures=measures)
        mounts.append(dataclasses.replace(mount, statistics=statistics))
    result = dataclasses.replace(traffic_result, mounts=tuple(mounts))
    data = result.to_xarray()["calm"]
    assert data.values.tolist() == [0.25, 1.25]
    assert data.attrs == {"units": "1", "long_name": "share of calm air"}
    assert result.to_pandas("mounts.csv")["calm_share"].tolist() == [0.25, 1.25]
    assert [mount["calm_share"] for mount in summary(result)["mounts"]] == [0.25, 1.25]
    assert ("share of calm air", "0.250") in _further_measures(result.mounts[0].statistics)
    assert "`calm_share`" in quantities.documentation()
