"""A small reference file, the quantity it names, and helpers that change it."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from wakesim.validation.comparison import Array, Comparison, Quantity
from wakesim.validation.wrong_models import WrongModel

GOOD = """
title = "Twice the height"
part = "whole prediction"
quantity = "twice"
unit = "m/s"
source = "nobody, made up for a test"
status = "read"
data = "values.csv"
label_column = "place"
note = "Invented data."

[columns]
measured = "speed"
uncertainty = "sd"
height_m = "height"

[conditions]
gain_m = 0.5

[figure]
x = "height_m"

[mark]
metric = "rms"
limit = 0.2
reason = "set for a test"
"""

CSV = """# invented data
place,height,speed,sd
a,1,1.1,0.1
b,2,2.1,0.1
"c, far",3,2.9,0.1
d,4,4.1,0.1
e,5,5.0,0.2
"""


def _twice(c: Comparison) -> Array:
    gain = c.conditions.get("gain_m", np.full(c.size, 0.5))
    return 2.0 * gain * c.conditions["height_m"]


KNOWN = {
    "twice": Quantity(
        "twice",
        "m/s",
        "a straight line",
        {"height_m": "height of the point"},
        {"gain_m": "half the factor", "mode": "any word"},
        _twice,
    ),
    "needs_body": Quantity(
        "needs_body", "m", "length", {}, {}, lambda c: np.full(c.size, c.body.length_m), True
    ),
}

# What the quantity above can be wrong in: its factor, or something that no mark here would miss.
WRONG = (
    WrongModel("half the gain", {}, {"gain_m": 0.5}),
    WrongModel("twice the gain", {}, {"gain_m": 2.0}),
)

BODY = """
[body]
length_m = 1.044
width_m = 0.389
height_m = 0.338
clearance_m = 0.050
frontal_area_m2 = 0.112
drag_coefficient = 0.285
"""


def write(folder: Path, text: str = GOOD, csv: str | None = CSV, name: str = "ref.toml") -> Path:
    """Write a reference file and its data; the path of the reference file."""
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")
    if csv is not None:
        (path.parent / "values.csv").write_text(csv, encoding="utf-8")
    return path


def changed(old: str, new: str, text: str = GOOD) -> str:
    """The text with one piece exchanged; the piece must occur once."""
    assert text.count(old) == 1, old
    return text.replace(old, new)
