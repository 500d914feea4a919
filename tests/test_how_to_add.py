"""The examples of DEVELOPERS.md put into a copy of the package: each does what it says."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parents[1]
_BLOCK = re.compile(
    r"^```(?:python|toml)\n# ([\w/.]+?)(?:, below: ([^\n]+))?\n(.*?)^```$", re.MULTILINE | re.DOTALL
)
_USE = """
import json
from types import SimpleNamespace as Record

import numpy as np

import wakesim
from wakesim.case.load import load_case_text
from wakesim.measures.scalars import MountSeries, all_measures
from wakesim.outputs.figures import kinds
from wakesim.quantities import group
from wakesim.runtime import cases_path
from wakesim.studies import post
from wakesim.vehicle.wake import vehicle_wake

text = cases_path("expressway-post.toml").read_text(encoding="utf-8")
text = text.replace('kind = "post"', 'kind = "lamp"') + '\\n[model]\\nwake_law = "slab"\\n'
case = load_case_text(text.replace('study = "traffic"', 'study = "quiet_hour"'), "copy.toml")

post.post = lambda case, options, progress: case.compute.hours
tram = wakesim.vehicle("tram")
series = MountSeries(np.arange(4.0), np.arange(4.0), 0.05, 1.0, 0.0, 0.0, 1.2, 3.0, 1.225)
(figure,) = (kind for kind in kinds() if kind.name == "sorted-speed")
drawn = figure.draw(
    Record(case=case), Record(mount=case.mounts[0]), Record(series=Record(speed_m_s=[3.0, 1.0]))
)
print(json.dumps({
    "vehicle": tram.length_m,
    "wake law": float(vehicle_wake(tram, case.model.constants).velocity(5.0, 0.0, 1.7)),
    "mount": case.mounts[0].support.label,
    "measure": all_measures(series)["time_above_2_m_s"],
    "row": group("measure")["time_above_2_m_s"].described,
    "figure": drawn.axes[0].lines[0].get_ydata().tolist(),
    "study": wakesim.run(case),
}))
"""


def _put(copy: Path, name: str, below: str | None, lines: str) -> None:
    path = copy / name
    old = path.read_text(encoding="utf-8") if path.exists() else ""
    if below is None:
        path.write_text(f"{old}\n\n{lines}", encoding="utf-8")
        return
    head, anchor, rest = old.partition(below)
    assert anchor, f"{name} has no line with {below}"
    line, _, rest = rest.partition("\n")
    path.write_text(f"{head}{anchor}{line}\n{lines}{rest}", encoding="utf-8")


@pytest.fixture(scope="module")
def used(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """What the copy with all examples answers when each is used."""
    copy = tmp_path_factory.mktemp("copy")
    for folder in ("wakesim", "shared", "cases"):
        without = shutil.ignore_patterns("__pycache__", "*.png")
        shutil.copytree(ROOT / folder, copy / folder, ignore=without)
    page = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    blocks = _BLOCK.findall(page.split("## How to add")[1].split("\n## ")[0])
    assert len(blocks) == 9
    for name, below, lines in blocks:
        _put(copy, name, below or None, lines)
    done = subprocess.run(
        [sys.executable, "-c", _USE],
        cwd=copy, env=os.environ | {"PYTHONPATH": str(copy)},
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    answer: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return answer


@pytest.mark.parametrize(
    ("what", "answer"),
    [
        ("vehicle", 30.0),
        ("wake law", pytest.approx(0.1, rel=0.05)),
        ("mount", "lamp column beside the road"),
        ("measure", 0.25),
        ("row", "share of time above 2 m/s"),
        ("figure", [1.0, 3.0]),
        ("study", [3]),
    ],
)
def test_each_example_of_the_guide_works(used: dict[str, Any], what: str, answer: object) -> None:
    assert used[what] == answer
