"""Text of a small case for whole-run tests: one lane each way, three classes, one mount."""

from __future__ import annotations

BASE = """
title = "short test"
study = "traffic"
[road]
name = "test road"
[[road.carriageways]]
name = "near"
direction = "{near}"
edge_offset_m = 0.0
lanes = 1
lane_width_m = 3.5
{far}
[traffic]
seed = 7
wander_sd_m = {wander}
[[traffic.flows]]
carriageway = "near"
flow_veh_h = {flow}
heavy_share = {heavy}
light_mix = {light_mix}
heavy_mix = {{ artic_lorry_eu = 1.0 }}
{far_flow}
[air]
{air}
[[mounts]]
name = "m"
kind = "{kind}"
offset_m = {offset}
height_m = 2.0
rotor_width_m = 0.6
rotor_height_m = 1.5
[model]
turbulence_factor = {turbulence}
wake_memory_s = {memory}
[compute]
duration_h = {hours}
tolerance = 0.5
max_rounds = 1
model_interval = false
"""
FAR = """
[[road.carriageways]]
name = "far"
direction = "backward"
edge_offset_m = 3.0
lanes = 1
lane_width_m = 3.5
"""
FAR_FLOW = """
[[traffic.flows]]
carriageway = "far"
flow_veh_h = {flow}
heavy_share = {heavy}
light_mix = {light_mix}
heavy_mix = {{ artic_lorry_eu = 1.0 }}
"""


def text_of(**changes):
    """The case text with values changed; ``far`` and ``far_flow`` take FAR and FAR_FLOW."""
    values = {
        "near": "forward", "far": "", "far_flow": "", "wander": 0.2, "flow": 900,
        "air": "still = true", "kind": "post", "offset": 1.5, "turbulence": 1.0, "heavy": 0.3,
        "hours": 0.2, "memory": 12, "light_mix": "{ small_car = 0.7, panel_van = 0.3 }",
    } | changes  # fmt: skip
    base = values.pop("base", BASE)
    for name in ("far", "far_flow"):
        values[name] = values[name].format(**values)
    return base.format(**values)
