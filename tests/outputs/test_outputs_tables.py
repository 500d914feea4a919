"""CSV tables read back equal; pandas reads them as they are."""

from __future__ import annotations

import csv

import numpy as np
import pytest
from synthetic_result import build_result, traffic_text

from wakesim.errors import CaseError
from wakesim.outputs.tables import STRETCH_S, tables, write_table


def read(path):
    """Rows of a table."""
    return list(csv.DictReader(path.read_text(encoding="utf-8").splitlines()))


def column(rows, name, mount):
    return np.array([float(row[name] or "nan") for row in rows if row["mount"] == mount])


def test_hourly_reads_back_equal(saved_traffic, traffic_result):
    rows = read(saved_traffic / "hourly.csv")
    for mount in traffic_result.mounts:
        hourly = mount.statistics.hourly
        name = mount.mount.name
        for key in ("hour", "flow_veh_h", "effective_speed_m_s", "mean_speed_m_s"):
            expected = [getattr(row, key) for row in hourly]
            assert column(rows, key, name).tolist() == expected


def test_variants_read_back_equal(saved_traffic, traffic_result):
    rows = read(saved_traffic / "model-variants.csv")
    expected = [
        (
            m.mount.name,
            v.parameter,
            v.setting,
            v.effective_speed_m_s,
            v.change_m_s,
            "true" if v.counted else "false",
        )
        for m in traffic_result.mounts
        for v in m.statistics.variants
    ]
    assert [
        (
            row["mount"],
            row["parameter"],
            row["setting"],
            float(row["effective_speed_m_s"]),
            float(row["change_m_s"]),
            row["counted"],
        )
        for row in rows
    ] == expected
    assert {row["counted"] for row in rows} == {"true", "false"}


def test_signatures_read_back_equal(saved_pass, pass_result):
    rows = read(saved_pass / "signatures.csv")
    assert {row["invented_data"] for row in rows} == {"false"}
    for mount in pass_result.mounts:
        name = mount.mount.name
        for key in ("time_s", "u_m_s", "v_m_s", "w_m_s", "pulse_u_m_s", "wake_u_m_s", "sigma_m_s"):
            expected = np.concatenate([getattr(s, key) for s in mount.signatures])
            np.testing.assert_allclose(column(rows, key, name), expected, rtol=1e-8, atol=1e-300)
        for key, value in (("relief_peak", 0.4), ("relief_cube", 0.08)):
            found = np.unique(column(rows, key, name))
            np.testing.assert_array_equal(found, [np.nan if name == "gantry" else value])


def test_stretch_is_the_ten_minutes_with_most_energy(saved_traffic, traffic_result):
    rows = read(saved_traffic / "series.csv")
    for mount in traffic_result.mounts:
        series = mount.statistics.series
        speed = column(rows, "speed_m_s", mount.mount.name)
        time = column(rows, "time_s", mount.mount.name)
        samples = round(STRETCH_S / series.dt_s)
        assert len(speed) == samples
        start = int(np.argmin(np.abs(series.time_s - time[0])))
        part = series.speed_m_s[start : start + samples]
        np.testing.assert_allclose(speed, part, rtol=1e-5)
        np.testing.assert_allclose(time, series.time_s[start : start + samples], rtol=1e-9)
        total = np.concatenate([[0.0], np.cumsum(series.speed_m_s**3)])
        best = (total[samples:] - total[:-samples]).max() / samples
        assert np.mean(part**3) == pytest.approx(best, rel=1e-12)


def test_series_setting_is_obeyed(tmp_path):
    full = build_result(traffic_text(series="full"))
    write_table(full, tables(full)["series.csv"], tmp_path / "series.csv")
    rows = read(tmp_path / "series.csv")
    assert len(rows) == sum(len(m.statistics.series.time_s) for m in full.mounts)
    none = build_result(traffic_text(series="none"))
    assert "series.csv" not in tables(none)
    assert "series.csv" in tables(full)


def test_single_pass_has_only_signatures(pass_result, saved_pass):
    assert list(tables(pass_result)) == ["signatures.csv"]
    assert sorted(path.name for path in saved_pass.glob("*.csv")) == [
        "columns.csv",
        "signatures.csv",
    ]


def test_tables_as_data_frames(traffic_result, pass_result):
    hours = traffic_result.to_pandas("hourly.csv")
    first = traffic_result.mounts[0]
    own = hours[hours["mount"] == first.mount.name]
    assert own["flow_veh_h"].tolist() == [row.flow_veh_h for row in first.statistics.hourly]
    assert hours.attrs["flow_veh_h"] == "veh/h, vehicles per hour, all lanes"
    mounts = traffic_result.to_pandas("mounts.csv").set_index("mount")
    assert mounts.loc["verge post", "effective_speed_m_s"] == first.statistics.effective_speed_m_s
    low, high = first.statistics.model_interval_m_s
    assert mounts.loc["verge post", ["model_low_m_s", "model_high_m_s"]].tolist() == [low, high]
    assert pass_result.to_pandas()["mount"].nunique() == 4
    with pytest.raises(
        CaseError, match=r"no table \"hours\" in this result; it has signatures.csv"
    ):
        traffic_result.to_pandas("hours")
