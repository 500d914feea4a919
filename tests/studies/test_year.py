"""A year at a post, from files to files."""

from __future__ import annotations

import json

import h5py
import numpy as np
import pytest
from grid_cases import year_text

import wakesim
from wakesim.__main__ import main
from wakesim.case.load import load_case_text
from wakesim.energy import year_air
from wakesim.energy.bounds import BETZ
from wakesim.energy.year_power import STRETCHES

ENERGY = """
[energy]
load = { name = "lamp", daily_kwh = 0.02, from_hour = 18, to_hour = 6, battery_kwh = 0.01 }
row = { count = 3, spacing_m = 20.0 }
"""
ROTOR = 'kind = "drag"\ncut_in_m_s = 0.6\nstandby_w = 0.02'


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Two days; their third half has no vehicle, the fourth no wind."""
    path = tmp_path_factory.mktemp("year")
    counts = ["time,carriageway,class,flow_veh_h"]
    winds = ["time,wind_speed_m_s,wind_from_deg"]
    for hour in range(48):
        moment = np.datetime_as_string(np.datetime64("2027-05-03T00") + hour, unit="m") + "Z"
        flow = 0 if hour // 12 == 2 else 200 + 20 * (hour % 24)
        for way in ("near", "far"):
            counts += [f"{moment},{way},light,{flow}", f"{moment},{way},heavy,{flow // 5}"]
        speed = 0.0 if hour // 12 == 3 else 1.5 + 0.2 * (hour % 24)
        winds.append(f"{moment},{speed},{(hour * 37) % 360}")
    (path / "counts.csv").write_text("\n".join(counts) + "\n")
    (path / "winds.csv").write_text("\n".join(winds) + "\n")
    text = year_text(
        ROTOR, counts='"counts.csv"', winds='"winds.csv"', road_heading_deg=20, tolerance=0,
        years=0, availability=0.9, losses=0.1,
    )  # fmt: skip
    (path / "year.toml").write_text(text + ENERGY)
    return path


@pytest.fixture(scope="module")
def result(folder):
    return wakesim.run(wakesim.load_case(folder / "year.toml"), workers=1)


def test_energies_are_sums_of_their_hours(result):
    (post,) = result.posts
    assert len(result.hours) == 48
    assert result.computed_hours == 48
    assert post.annual_kwh == pytest.approx(1e-3 * post.with_traffic_w.sum())
    added = post.annual_kwh - post.annual_without_traffic_kwh
    assert post.added_by_traffic_kwh == pytest.approx(added)
    net = 0.9 * 0.9 * post.with_traffic_w - 0.02
    assert post.net_w == pytest.approx(net)
    assert post.monthly_kwh(post.net_w).sum() == pytest.approx(post.annual_net_kwh)
    assert post.row_kwh == pytest.approx(3.0 * post.annual_net_kwh)


def test_no_hour_passes_betz_or_what_the_air_holds(result):
    (post,) = result.posts
    flux = 0.5 * result.hours.winds.density_kg_m3 * post.rotor.area_m2
    most = BETZ * flux * post.effective_speed_m_s**3
    assert np.all(post.with_traffic_w <= most)
    assert np.all(post.without_traffic_w <= BETZ * flux * post.ambient_speed_m_s**3)
    assert np.all(post.with_traffic_w >= 0.0)


def test_without_vehicles_the_wind_alone_blows(result):
    (post,) = result.posts
    quiet = result.hours.all_flow_veh_h == 0.0
    assert quiet.sum() == 12
    with_, alone = post.effective_speed_m_s[quiet], post.ambient_speed_m_s[quiet]
    assert with_ == pytest.approx(alone, rel=5e-3)
    # one stretch of wind stands for all winds, so powers agree as far as its chance
    assert post.with_traffic_w[quiet].sum() == pytest.approx(
        post.without_traffic_w[quiet].sum(), rel=0.1
    )


def test_without_wind_only_traffic_gives(result):
    (post,) = result.posts
    still = result.hours.wind_speed_m_s == 0.0
    assert still.sum() == 12
    assert np.all(post.without_traffic_w[still] == 0.0)
    assert np.all(post.effective_speed_m_s[still] > 0.1)


def test_load_by_month_fits_the_whole(result):
    (post,) = result.posts
    (month,) = post.load
    assert month.load_kwh == pytest.approx(2 * 0.02)
    assert month.load_hours == 24
    assert 0.0 <= month.met_kwh <= month.load_kwh
    assert (month.met_kwh < month.load_kwh - 1e-9) == (month.unserved_hours > 0)


@pytest.mark.slow
def test_the_same_with_two_processes(folder, result):
    again = wakesim.run(wakesim.load_case(folder / "year.toml"), workers=2)
    for name in ("effective_speed_m_s", "with_traffic_w", "without_traffic_w"):
        one, other = getattr(result.posts[0], name), getattr(again.posts[0], name)
        assert one.tobytes() == other.tobytes()
    assert len(result.stretch_hours) <= STRETCHES


def test_files_hold_what_the_result_holds(folder, result, tmp_path):
    result.save(tmp_path / "out")
    (post,) = result.posts
    summary = json.loads((tmp_path / "out/summary.json").read_text())
    (mount,) = summary["mounts"]
    assert mount["annual_kwh"] == pytest.approx(post.annual_kwh)
    assert mount["load"][0]["unserved_hours"] == post.load[0].unserved_hours
    assert summary["hours"] == 48
    with h5py.File(tmp_path / "out/year.h5") as file:
        assert file["hour_power"][0] == pytest.approx(post.with_traffic_w, rel=1e-6)
        assert file["hour_of_record"].attrs["units"].startswith("hours since 1970")
        first = result.hours.time_utc[0].astype("datetime64[h]").astype(int)
        assert file["hour_of_record"][0] == first
    frame = result.to_pandas("year-hours.csv")
    assert len(frame) == 48
    assert frame["with_traffic_w"].sum() == pytest.approx(1e3 * post.annual_kwh, rel=1e-5)
    months = result.to_pandas("year-months.csv")
    assert months["net_kwh"].sum() == pytest.approx(post.annual_net_kwh, rel=1e-5)
    report = (tmp_path / "out/report.html").read_text()
    assert "structural or road-safety design" in report


def test_a_wrong_record_leaves_nothing_behind(folder, tmp_path, capsys):
    text = (folder / "year.toml").read_text()
    (tmp_path / "year.toml").write_text(text)
    (tmp_path / "counts.csv").write_text((folder / "counts.csv").read_text())
    wrong = (folder / "winds.csv").read_text().replace("1.5,", "150,", 1)
    (tmp_path / "winds.csv").write_text(wrong)
    out = tmp_path / "out"
    assert main(["run", str(tmp_path / "year.toml"), "-o", str(out)]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert "winds.csv" in line
    assert "150" in line
    assert not out.exists() or not any(out.iterdir())


def test_drawn_years_spread_about_the_central_one(folder, monkeypatch):
    """A rose has no end of hours: years of it differ by their winds, and all causes add."""
    sectors = """[
      { from_deg = 0, share = 0.6, mean_speed_m_s = 3.0 },
      { from_deg = 180, share = 0.4, mean_speed_m_s = 2.0 },
    ]"""
    monkeypatch.setattr(year_air, "FIRST_NODES", 80)
    monkeypatch.setattr(year_air, "MOST_NODES", 80)
    text = year_text(ROTOR, sectors=sectors, road_heading_deg=0, years=64)
    result = wakesim.run(load_case_text(text, str(folder / "rose.toml")), workers=1)
    (post,) = result.posts
    spread = {cause: p.p10 - p.p90 for cause, p in post.percentiles.items()}
    assert spread["together"] > max(v for cause, v in spread.items() if cause != "together") > 0.0
    rotor = post.percentiles["rotor"]
    low, high = rotor.p90 / post.annual_net_kwh, rotor.p10 / post.annual_net_kwh
    assert low < 1.0 < high
    assert post.percentiles["winds"].p90 < post.annual_net_kwh < post.percentiles["winds"].p10
    missed = post.missed
    assert missed["hours"] > 0
    assert missed["median"] < 0.03
