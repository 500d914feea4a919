"""A small case with a rotor, a year of two winds, a load, a row and a claim, computed once."""

from __future__ import annotations

from functools import cache

import numba
from one_lane_road import text_of

from wakesim.case.load import load_case_text
from wakesim.case.schema import Case
from wakesim.results import Result
from wakesim.run import run

TABLES = """
[rotor]
kind = "drag"
cut_in_m_s = 0.6
standby_w = 0.01
[energy]
year = 2027
sample_per_hour_s = 20.0
saturday_flow = 0.0
sunday_flow = 0.0
winds = [{ speed_m_s = 3.0, angle_deg = 90.0, share = 0.25 }]
turbulence_intensity = 0.0
samples = 0
[energy.load]
name = "lamp"
daily_kwh = 0.01
from_hour = 18
to_hour = 6
battery_kwh = 0.005
[energy.row]
count = 4
spacing_m = 20.0
[claim]
power_w = 300.0
speed_m_s = 5.4
area_m2 = 0.9
daily_energy_kwh = 1.0
count = 4
section_length_m = 80.0
"""


def text(extra: str = TABLES, **changes: object) -> str:
    """The case text; one class, and no balance of the mean air, keep it quick."""
    usual = {"light_mix": "{ panel_van = 1.0 }", "heavy": 0.0}
    text = text_of(**(usual | changes))
    return text.replace("still = true", "still = true\ndrift = { enabled = false }") + extra


def case(extra: str = TABLES, **changes: object) -> Case:
    return load_case_text(text(extra, **changes), "energy.toml")


@cache
def computed() -> Result:
    """The case computed, without an uncertain yield."""
    threads = numba.get_num_threads()
    numba.set_num_threads(1)  # stretches of 20 s are too short to share between threads
    try:
        result = run(case())
    finally:
        numba.set_num_threads(threads)
    assert isinstance(result, Result)
    return result
