"""The page, the printed lines and the sentences of comparisons, from made-up numbers."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import golden
import numpy as np
import pytest
from one_lane_road import text_of

from wakesim.case.instrument import Instrument
from wakesim.case.load import load_case_text
from wakesim.outputs.figures import Rendered
from wakesim.records import comparison_report
from wakesim.records.alignment import Alignment, Clock
from wakesim.records.comparison_report import printed, sentences, write_report
from wakesim.records.fit import FittedConstant, TimeError
from wakesim.records.judgement import judge, judge_difference

GOLDEN = Path(__file__).parent / "golden"
NAN = (math.nan, math.nan)
CASE = replace(load_case_text(text_of(), "made-up.toml"), invented_data=True, title="Mast & road")
CLOCK = Alignment(
    Clock(0.71, 2e-4, 300.0), (0.64, 0.78), (1.6e-4, 2.4e-4), np.array([[0.0, -1.0], [1.0, 0.0]]),
    0.42, 1e-9, True, np.zeros(1), np.zeros(1),
)  # fmt: skip
FIT = SimpleNamespace(
    constants={
        "pulse_factor": FittedConstant("pulse_factor", 0.91, 0.8, 1.02, 1.0, "fitted", 12.0),
        "couple_spread": FittedConstant(
            "couple_spread", math.nan, *NAN, 1.1, "cannot be fitted", 9.0, "beyond its range"
        ),
    },
    explained=0.31, notes=("turbulence_factor held at the case's value",), components="u, v",
    blocks=20, block_s=60.0,
)  # fmt: skip


def made_up(logged=None, ambient="case", notes=("3.2 % of the samples are missing",), **inputs):
    """A comparison as far as pages read it."""
    record = SimpleNamespace(
        path="day.csv", start=None, dt_s=0.1, gap_share=0.032, speed_m_s=np.ones(7200)
    )
    judgements = (
        judge("effective_speed", "m/s", "effective speed", (1.03, (0.9, 1.2)), (1.75, (1.6, 1.9)),
              (0.59, (0.54, 0.63)), (1.1, 2.3), blocks=20, excuse=" (or the wind)"),
        judge("share_above_cut_in", "1", "share of the time above cut-in", (0.08, (0.07, 0.1)),
              (0.079, (0.07, 0.09)), (1.0, (0.9, 1.1)), blocks=20),
        judge("mean_speed", "m/s", "mean speed", (0.6, NAN), (0.5, NAN), (1.2, NAN), blocks=3),
        judge_difference("wake_suv", "m/s", "Car: change", (0.3, (0.2, 0.4)), 0.05, 0.3),
    )  # fmt: skip
    log = SimpleNamespace(path="log.csv", counts={"suv": 12, "coach": 3})
    beside = {
        "record": record, "log": log if logged else None, "mount": CASE.mounts[0],
        "instrument": Instrument(kind="sonic", averaging_s=0.1), "other_instrument": "",
        "second": None, "mast": None,
    }  # fmt: skip
    return SimpleNamespace(
        inputs=SimpleNamespace(**(beside | inputs)), case=CASE, ambient=ambient, record=record,
        logged=logged, judgements=judgements, curves=SimpleNamespace(channel="u"),
        pair=SimpleNamespace(blocks=20, block_s=61.0), simulated_s=5400.0, hours=(7, 8),
        notes=notes, fit=logged.fit if logged else None,
    )  # fmt: skip


def with_log(clock=CLOCK, error=(0.08, (0.07, 0.09), "record"), fit=None):
    points = SimpleNamespace(
        key="pass_peaks", words="highest speed around single passes", measured=np.ones(71),
        values={"fractional_bias": -0.41, "nmse": 0.25, "fac2": 0.79, "correlation": None},
        intervals={"fractional_bias": (-0.5, -0.3), "nmse": None, "fac2": (0.7, 0.9),
                   "correlation": None},
    )  # fmt: skip
    return SimpleNamespace(
        clock=clock, time_error=TimeError(*error), points=(points,), signatures=(), fit=fit
    )


KINDS = {
    "no log": made_up(ambient="record"),
    "log and fit": made_up(with_log(fit=FIT)),
    "no match": made_up(with_log(replace(CLOCK, significant=False)), "mast", ()),
    "clocks agree": made_up(
        with_log(
            replace(CLOCK, clock=Clock(0.01), offset_interval_s=(-0.02, 0.04), axes=np.eye(2)),
            (0.29, NAN, "stamps"),
        ),
        other_instrument="the record looks like that of cups",
    ),
    "time error given": made_up(with_log(error=(0.1, (0.1, 0.1), "given"))),
}


def test_printed_lines_and_sentences() -> None:
    parts = []
    for kind, result in KINDS.items():
        lines = printed(result, ["couple_spread: not fitted"], Path("out"), 17)  # type: ignore[arg-type]
        parts += [f"=== {kind}", *lines]
    for kind in ("no log", "log and fit"):
        told = sentences(KINDS[kind])  # type: ignore[arg-type]
        parts += [f"=== method and limits, {kind}", *told["method"], *told["limits"]]
    golden.compare("\n".join(parts), GOLDEN / "comparison.txt")


@pytest.mark.parametrize("kind", ["no log", "log and fit"])
def test_page(kind: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(comparison_report, "provenance", lambda result: {"program": "wakesim"})
    result = KINDS[kind]
    mast = SimpleNamespace(record=SimpleNamespace(path="mast.csv"), height_m=3.0)
    wind = SimpleNamespace(speed_m_s=1.2, angle_deg=40.0)
    result.inputs.mast, result.inputs.second = mast, SimpleNamespace(
        record=SimpleNamespace(path="low.csv"), mount=CASE.mounts[0]
    )  # fmt: skip
    result.case = replace(CASE, air=CASE.air.model_copy(update={"wind": wind}), text="[road] # <b>")
    drawn = [Rendered("series", "series", "", "Both records.", '<svg width="1"><g id="a"/></svg>')]
    path = tmp_path / "comparison.html"
    write_report(result, drawn, ["couple_spread: not fitted"], path)  # type: ignore[arg-type]
    golden.compare(path.read_text(encoding="utf-8"), GOLDEN / f"{kind.replace(' ', '-')}.html")
