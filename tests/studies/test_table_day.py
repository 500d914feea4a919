"""A table against the simulated day, and one state by every study that has it."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from walked_rounds import walked_rounds

import wakesim
from wakesim.case.load import load_case_text
from wakesim.energy import response
from wakesim.energy.hourly_power import rotor_of, whole_day
from wakesim.energy.year_air import compute_hours
from wakesim.energy.year_hours import hours_of_year
from wakesim.measures import series
from wakesim.runtime import cases_path
from wakesim.studies.lookup_table import StateChain, StateGroup, compute_chain
from wakesim.studies.mounting_map import assemble, blocks_of, columns_of, compute_columns
from wakesim.traffic.point_statistics import point_statistics
from wakesim.traffic.scene import (
    one_hour,
)

EXAMPLE = cases_path("energy-yield.toml").read_text(encoding="utf-8")
WITHOUT_YEAR = EXAMPLE[: EXAMPLE.index("[energy]")]
MODEL = "\n[compute]\nmodel_interval = false\n"
TABLE = """
[table]
flow_veh_h = [0, 60, 110, 200, 450, 1000, 1750]
heavy_share = [0.06, 0.15, 0.34]
direction_split = [0.35, 0.5, 0.65]
"""
DAYS, BLOCKS = 6, 12  # blocks of five minutes, longer than traffic and rotor remember


def of_study(study: str, body: str = ""):
    text = WITHOUT_YEAR.replace('study = "traffic"', f'study = "{study}"')
    return load_case_text(text + body + MODEL, f"{study}.toml")


@pytest.fixture(scope="module")
def table(tmp_path_factory):
    folder = tmp_path_factory.mktemp("day") / "out"
    wakesim.run(of_study("lookup_table", TABLE), workers=1).save(folder)
    return wakesim.open_table(folder / "table.h5")


def simulated(case, rounds: int) -> np.ndarray:
    """Rotor-equivalent speed (rounds, samples) m/s, vehicle by vehicle."""
    return np.array([series.merge(parts).speed for parts in walked_rounds(case, rounds)])


@pytest.mark.slow
def test_the_table_gives_the_simulated_day(table):
    """Beside the road of the main example in calm, with the split and heavy share of each hour.

    Measured: energy 1.02 of that of six simulated days, 0.98 with half as many values.
    """
    case = whole_day(of_study("traffic"))
    rotor, dt = rotor_of(case, case.mounts[0]), 1.0 / case.compute.sample_rate_hz
    density = table.air_density_kg_m3
    speed = simulated(case, DAYS)
    made = np.array(
        [rotor.conversion * response.inertial(rotor, day, dt, density).generated_w for day in speed]
    )
    blocks = made.reshape(DAYS, 24, BLOCKS, -1).mean(axis=3)
    hours, error = blocks.mean(axis=2), blocks.std(axis=2, ddof=1) / np.sqrt(BLOCKS)

    assert case.traffic is not None
    flow, heavy = (
        np.array([getattr(one, name) for one in case.traffic.flows])
        for name in ("hourly_veh_h", "heavy_share")
    )
    at = {
        "flow_veh_h": flow[0],
        "heavy_share": heavy[0],  # a table has one for both directions; the near one passes
        "direction_split": flow[0] / flow.sum(axis=0),
    }
    power = table.rotor_power(**at)
    assert power.sum() == pytest.approx(hours.mean(axis=0).sum(), rel=0.05)
    flux = np.sum(table.effective_speed(**at) ** 3)
    assert flux == pytest.approx(24.0 * np.mean(speed**3), rel=0.05)
    # each hour of each day within its own sampling: at 99.9 % all but a few of 144, at 90 % most
    off = np.abs(power - hours) / error
    student = stats.t(BLOCKS - 1)
    assert np.mean(off < student.ppf(0.9995)) > 0.97
    assert np.mean(off < student.ppf(0.95)) > 0.75

    # the effective speed put through the cut-in has nothing from the quiet hours
    effective = table.effective_speed(**at)
    quiet = effective < rotor.cut_in_m_s
    assert quiet.sum() >= 5
    assert np.all(hours.mean(axis=0)[quiet] > 0.0)
    assert np.all(power[quiet] > 0.0)


WIND = "[air.wind]\nspeed_m_s = 1.5\nangle_deg = 60.0\nturbulence_intensity = 0.2\n"


def test_one_state_is_the_same_by_table_map_year_and_post():
    """The morning peak beside the road in a light wind."""
    hour, place = 7, (4.5, 2.0)
    text = WITHOUT_YEAR.replace("still = true", "").replace("[[mounts]]", WIND + "[[mounts]]")

    def of(study: str, body: str):
        return load_case_text(text.replace('"traffic"', f'"{study}"', 1) + body + MODEL, "x.toml")

    found = {}
    case = of("lookup_table", f"\n[table]\nhour = {hour}\nheight_m = [2.0]\n")
    chain = StateChain((StateGroup(case, (("height_m", 2.0),), (place,)),))
    found["table"] = compute_chain(chain)["effective_speed"][0, 0]

    case = one_hour(of("traffic", ""), hour)
    points, shares = case.mounts[0].points()
    cube = point_statistics(case, points).mean_cube_m3_s3[0] @ shares
    found["post"] = np.cbrt(cube)

    y, z = np.array([place[0]]), np.array([1.6, place[1], 2.4])
    free = np.ones((3, 1), dtype=bool)
    moments = []
    for block in blocks_of(columns_of(case, y, z, free), 1000):
        whole, first = compute_columns(block), 0
        for column in block.columns:
            moments.append({k: v[first : first + len(column.z_m)] for k, v in whole.items()})
            first += len(column.z_m)
    found["map"] = assemble(case, y, z, free, moments, 1.2)["effective_speed"][1, 0]

    case = of("year", "\n[year]\nroad_heading_deg = 0\ntolerance = 0.0\nyears = 0\n")
    hours = hours_of_year(case)
    weekday = int(np.flatnonzero((hours.clock_hour == hour) & (hours.day == 4))[0])
    of_year = compute_hours((hours.case(weekday),))
    found["year"] = np.cbrt(of_year["cube"][0, 0])

    speed = simulated(one_hour(of("traffic", ""), hour), 60)  # 0.5 % standard error
    found["simulated"] = np.cbrt(np.mean(speed**3))
    values = np.array(list(found.values()))
    assert np.all(np.abs(values / found["post"] - 1.0) < 0.02), found
