"""Hours of a year: what is counted and blows is what the case of an hour has."""

from __future__ import annotations

import numpy as np
import pytest
from grid_cases import year_text

from wakesim.case.load import load_case_text
from wakesim.energy.year_hours import hour_of_year, hours_of_year, rose_of
from wakesim.errors import CaseError


@pytest.fixture
def counted(tmp_path):
    """Two days of counts of 30 light and 10 heavy on one way, 60 and 0 on the other, west wind."""
    hours = [f"2027-03-{27 + day}T{hour:02d}:00" for day in range(2) for hour in range(24)]
    hours.remove("2027-03-28T01:00")  # the clocks skip it in London
    rows = ["time,carriageway,class,flow_veh_h,speed_kmh"]
    for moment in hours:
        rows += [f"{moment},near,light,30,90", f"{moment},near,heavy,10,80"]
        rows += [f"{moment},far,light,60,", f"{moment},far,heavy,0,"]
    (tmp_path / "counts.csv").write_text("\n".join(rows) + "\n")
    winds = ["time,wind_speed_m_s,wind_from_deg,turbulence_intensity"]
    winds += [f"2027-03-{26 + day}T{hour:02d}:00Z,{2 + hour / 10},270,0.2"
              for day in range(4) for hour in range(24)]  # fmt: skip
    (tmp_path / "winds.csv").write_text("\n".join(winds) + "\n")
    return tmp_path


def loaded(folder, **changes):
    return load_case_text(year_text(**changes), str(folder / "case.toml"))


FILES = {
    "counts": '"counts.csv"',
    "winds": '"winds.csv"',
    "time_zone": '"Europe/London"',
    "years": 0,
}


def test_counts_winds_and_clock_meet(counted):
    hours = hours_of_year(loaded(counted, **FILES, road_heading_deg=90))
    assert len(hours) == 47
    assert hours.clock_hour.tolist() == [*range(24), 0, *range(2, 24)]
    assert hours.all_flow_veh_h == pytest.approx(100.0)
    assert hours.heavy_share == pytest.approx(0.1)
    # blows from the west to the east, which is +x; of the same moment, in UTC
    assert hours.wind_angle_deg == pytest.approx(0.0, abs=1e-9)
    utc_hour = (hours.time_utc.astype(np.int64) // 3600) % 24
    assert hours.wind_speed_m_s == pytest.approx(2.0 + utc_hour / 10)
    assert hours.winds.intensity == pytest.approx(0.2)


@pytest.mark.parametrize(
    ("heading", "verge", "angle"), [(0, "left", -90.0), (0, "right", 90.0), (180, "left", 90.0)]
)
def test_west_wind_on_other_roads(counted, heading, verge, angle):
    """A road to the north with its verge to the west: a west wind blows from the post to it."""
    case = loaded(counted, **FILES, road_heading_deg=heading, verge=f'"{verge}"')
    assert hours_of_year(case).wind_angle_deg == pytest.approx(angle)


def test_the_case_of_an_hour_has_its_traffic_speeds_and_wind(counted):
    case = loaded(counted, **FILES, road_heading_deg=90)
    hours = hours_of_year(case)
    one = hours.case(5)
    state, usual = one.traffic_state(0), case.traffic_state(0)
    assert 3600.0 * state.flow_veh_s.sum() == pytest.approx(100.0)
    heavy = [v.heavy for v in one.vehicles.values()]
    near = [lane.carriageway == "near" for lane in one.road.lanes]
    lorries = (state.flow_veh_s[:, None] * state.mix)[near][:, heavy].sum() * 3600.0
    assert lorries == pytest.approx(10.0)
    # measured mean speeds of the near way, weighed by their flows; none on the other
    ratio = state.mean_speed_m_s / np.where(usual.mean_speed_m_s > 0, usual.mean_speed_m_s, 1.0)
    car, lorry = (usual.mean_speed_m_s[near][0][k] for k in (heavy.index(False), heavy.index(True)))
    assert ratio[near][0][0] == pytest.approx(0.75 * (25.0 / car) + 0.25 * (80 / 3.6 / lorry))
    assert ratio[[not n for n in near]][0][0] == pytest.approx(1.0)
    assert one.air.wind.speed_m_s == pytest.approx(2.5)
    assert one.compute.hours == (0,)


def test_stated_flows_walk_the_calendar(tmp_path):
    case = loaded(tmp_path)
    hours = hours_of_year(case)
    assert len(hours) == 8760
    monday = hour_of_year(np.array(["2027-01-04T08"], dtype="datetime64[s]"))[0]
    flows = case.traffic.flows
    assert hours.all_flow_veh_h[monday] == pytest.approx(sum(f.hourly_veh_h[8] for f in flows))
    assert np.all(hours.wind_speed_m_s == 0.0)
    assert hours.case(monday).air.still


SECTORS = """[
  { from_deg = 0, share = 0.1, mean_speed_m_s = 3.0 },
  { from_deg = 90, share = 0.2, mean_speed_m_s = 2.0, shape = 1.6 },
  { from_deg = 180, share = 0.3, mean_speed_m_s = 4.0, shape = 2.4 },
  { from_deg = 270, share = 0.4, mean_speed_m_s = 5.0 },
]"""


def test_winds_of_a_rose_are_those_of_its_sectors(tmp_path):
    """Mean and mean cube of a Weibull mixture, in closed form."""
    case = loaded(tmp_path, sectors=SECTORS, road_heading_deg=90)
    rose = rose_of(case.year)
    hours = hours_of_year(case)
    assert hours.wind_speed_m_s.mean() == pytest.approx(rose.mean_m_s, rel=5e-3)
    assert np.mean(hours.wind_speed_m_s**3) == pytest.approx(rose.mean_cube, rel=2e-2)
    from_west = np.abs(hours.wind_angle_deg) < 45.0
    assert from_west.mean() == pytest.approx(0.4, abs=5e-3)
    same = hours.winds.velocity_m_s[1:] == hours.winds.velocity_m_s[:-1]
    assert np.mean(same.all(axis=1)) == pytest.approx(5.0 / 6.0, abs=0.01)  # spells of six hours


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({**FILES}, ["road_heading_deg"]),
        ({"sectors": SECTORS, "winds": '"winds.csv"', "road_heading_deg": 1}, ["winds or sectors"]),
        ({"sectors": SECTORS.replace("0.4", "0.2"), "road_heading_deg": 1}, ["sum to 0.8"]),
        ({"sectors": SECTORS.replace("180", "170"), "road_heading_deg": 1}, ["from_deg", "180"]),
        ({"availability": 1.2}, ["availability", "1"]),
    ],
)
def test_wrong_tables_are_refused_with_a_line(tmp_path, changes, words):
    with pytest.raises(CaseError) as error:
        loaded(tmp_path, **changes)
    (line,) = error.value.problems
    assert all(word in line for word in words)


@pytest.mark.parametrize(
    ("file", "change", "words"),
    [
        ("winds.csv", ("2.5,270", "2.5,west"), ["winds.csv", "wind_from_deg", "west"]),
        ("counts.csv", ("near,light,30", "near,light,-30"), ["counts.csv", "flow_veh_h", "-30"]),
        ("counts.csv", ("far,light", "middle,light"), ["counts.csv", "carriageway", "middle"]),
        ("winds.csv", ("time,", "when,"), ["winds.csv", "time"]),
    ],
)
def test_wrong_files_are_refused_with_a_line(counted, file, change, words):
    path = counted / file
    path.write_text(path.read_text().replace(*change))
    with pytest.raises(CaseError) as error:
        hours_of_year(loaded(counted, **FILES, road_heading_deg=90))
    assert all(word in error.value.problems[0] for word in words)


def test_a_file_that_is_not_there(counted):
    (counted / "winds.csv").unlink()
    with pytest.raises(CaseError, match=r"winds\.csv"):
        hours_of_year(loaded(counted, **FILES, road_heading_deg=90))


def test_years_are_not_drawn_from_a_few_days(counted):
    with pytest.raises(CaseError, match=r"years = 0"):
        hours_of_year(loaded(counted, **(FILES | {"years": 64}), road_heading_deg=90))
