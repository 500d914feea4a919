"""Small cases of the studies of many states: one lane each way, two classes, a small rotor."""

from __future__ import annotations

from typing import Any

from one_lane_road import FAR, FAR_FLOW, text_of

_MAP = """
[map]
offset_m = [-2.0, 0.9, 1.4, 2.0, 3.0, 4.5]
height_m = [1.0, 1.5, 2.0, 2.6, 6.6]
hour = 8
"""
_TABLE = """
[table]
offset_m = [1.2, 2.5]
height_m = [1.2, 1.6, 2.0]
flow_veh_h = [150, 600]
wind_speed_m_s = [0.0, 2.0]
wind_angle_deg = [0, 180, 360]
"""
_PASSES = """
[pass_table]
classes = ["small_car", "artic_lorry_eu"]
speed_m_s = [15.0, 25.0]
clearance_m = [1.0, 2.0]
height_m = [1.0, 2.0]
"""


def map_text(body: str = _MAP, **changes: Any) -> str:
    """A mounting map."""
    return _study("mounting_map", changes) + body


def table_text(body: str = _TABLE, **changes: Any) -> str:
    """A lookup table: 2 x 3 x 2 x 2 x 3 states, of which 36 differ."""
    return _study("lookup_table", changes) + body


def pass_text(body: str = _PASSES) -> str:
    """A table of single passes."""
    text = _study("single_pass_table", {})
    return text[: text.index("[traffic]")] + text[text.index("[air]") :] + body


def year_text(rotor: str = 'kind = "drag"\ncut_in_m_s = 0.6', **year: Any) -> str:
    """A year of hours; ``year`` are keys of [year] with their values in TOML."""
    keys = "\n".join(f"{key} = {value}" for key, value in year.items())
    text = _study("year", {"light_mix": "{ small_car = 1.0 }", "heavy": 0.2})
    return quick(text) + f"\n[year]\n{keys}\n[rotor]\n{rotor}\n"


def quick(text: str) -> str:
    """The same case with wakes that cost next to nothing, for tests of the machinery alone."""
    text = text.replace("still = true", "still = true\ndrift = { enabled = false }")
    return text.replace("[model]\n", '[model]\nwake_law = "couple"\n')


def _study(study: str, changes: dict[str, Any]) -> str:
    usual = {"far": FAR, "far_flow": FAR_FLOW, "light_mix": "{ small_car = 1.0 }", "offset": 1.5}
    text = text_of(**(usual | changes))
    return text.replace('study = "traffic"', f'study = "{study}"')
