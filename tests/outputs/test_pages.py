"""Every template, rendered from synthetic results and compared with its golden page.

After a wanted change of words run ``WAKESIM_GOLDEN=write pytest tests/outputs/test_pages.py`` and
read the difference.
"""

from __future__ import annotations

import copy
import math
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import golden
import pytest
import synthetic_studies as studies
from synthetic_result import build_result, single_pass_text, traffic_text

from wakesim.case.load import load_case_text
from wakesim.energy.claims import Claim, Place, check_claim
from wakesim.measures.results import WholeHour
from wakesim.outputs import page
from wakesim.outputs.figures import Rendered, caption, kinds
from wakesim.outputs.report import console_text, grid_answer, write_report
from wakesim.traffic.scene import memory_by_hour, wake_memory

GOLDEN = Path(__file__).parent / "golden"
DRAWN = (
    "cross-section", "signature", "series", "distribution", "split", "drift", "hours",
    "uncertainty", "spectrum", "energy", "yield-uncertainty", "capture", "loads",
    "not in the template",
)  # fmt: skip
NAN = math.nan


def changed(value: Any, **changes: Any) -> Any:
    """A copy of a plain object with other attributes."""
    other = copy.copy(value)
    other.__dict__.update(changes)
    return other


@pytest.fixture(scope="module")
def results() -> dict[str, Any]:
    return {
        "traffic": studies.traffic_result(),
        "single-pass": studies.on_the_page(build_result(single_pass_text())),
        "mounting-map": studies.map_result(),
        "lookup-table": studies.table_result(),
        "single-pass-table": studies.pass_table_result(),
        "year": studies.year_result(),
    }


def figure(stem: str, kind: str, mount: str) -> Rendered:
    svg = '<svg viewBox="0 0 1 1"><g id="a"/></svg>'
    return Rendered(stem, kind, mount, f"What the figure {kind} shows.", svg)


KINDS = ("traffic", "single-pass", "mounting-map", "lookup-table", "single-pass-table", "year")


@pytest.mark.parametrize("name", KINDS)
def test_report(name: str, results: dict[str, Any], tmp_path: Path) -> None:
    result = results[name]
    if name in ("traffic", "single-pass"):
        figures = [
            figure(f"{number}-{kind}", kind, mount.mount.name)
            for number, mount in enumerate(result.mounts)
            for kind in (DRAWN if mount.energy else DRAWN[: 9 if mount.statistics else 2])
        ]
    else:
        figures = [figure("first", "first", "")]
    write_report(result, figures, tmp_path / "report.html")
    text = (tmp_path / "report.html").read_text(encoding="utf-8")
    text = text[: text.index("<h3>Case text</h3>")] + text[text.rindex("</section>") :]
    text = re.sub(r"<style>.*?</style>", "", text, flags=re.DOTALL)
    text = re.sub(r"\b[0-9a-f]{64}\b", "(a hash)", text)
    golden.compare(text, GOLDEN / f"{name}.html")


def test_console(results: dict[str, Any]) -> None:
    traffic = results["traffic"]
    post = traffic.mounts[0]
    unasked = replace(post.statistics, model_interval_m_s=(NAN, NAN))
    plain = replace(post, energy=None, statistics=unasked, warnings=())
    shown = [*results.values(), replace(traffic, mounts=(plain,))]
    pages = [console_text(result, Path("out"), 7) for result in shown]
    golden.compare("\n\n---\n".join(pages), GOLDEN / "console.txt")


def test_texts_of_other_states() -> None:
    """The sentences that the pages above do not hold."""
    found = studies.traffic_result()
    post = found.mounts[0]
    values = post.statistics
    unasked = replace(
        post, energy=studies.plain_energy(),
        statistics=replace(values, model_interval_m_s=(NAN, NAN), variants=(),
                           measures=values.measures | {"ambient_effective_speed_m_s": 0.7}),
    )  # fmt: skip
    energy = studies.energy()
    losing = studies.energy(
        year=changed(energy.year, annual_kwh=4e-4, added_by_traffic_kwh=-0.3, annual_net_kwh=-0.4),
        uncertainty=changed(
            energy.uncertainty, failed=0,
            energy_ranking=changed(energy.uncertainty.energy_ranking, trusted=False),
        ),
        rotor=replace(energy.rotor, shaft_speed_rad_s=5.0, response="quasi_steady"),
        shaft_speed_given=True, case_wind=energy.by_wind[0].wind,
    )  # fmt: skip
    whole = WholeHour(8, 1234, 1.2, 1.1, 1.5, 1.4, *([None] * 4))  # type: ignore[arg-type]
    without = load_case_text(traffic_text(drift=False))
    case = found.case
    empty = replace(post, statistics=None, signatures=(), energy=None)
    area = studies.map_result()
    higher = changed(area.variants[1], best_offset_m=1.4, best_height_m=2.0)
    table = studies.table_result()
    memory = {"memory_s": wake_memory(case), "by_hour": memory_by_hour(case)}
    late = replace(found, tolerance_met=False, rounds=1)
    texts = {
        "answer, model interval not asked for, in wind": page.sentences(
            "answer", mount=unasked, case=case
        ),
        "answer, no pass": page.sentences("answer", mount=empty, case=case),
        "method, tolerance not met, no drift": page.sentences(
            "method", result=late, case=without, **memory
        ),
        "limits without drift": page.limits(without),
        "drift switched off": page.sentences(
            "drift", statistics=replace(values, drift=None), **memory
        ),
        "drift with a whole hour": page.sentences(
            "drift", statistics=replace(values, by_mechanism={}, whole_hour=whole), **memory
        ),
        "energy of a measured power curve": page.sentences("energy", mount=unasked),
        "energy that the traffic takes away": page.sentences(
            "energy", mount=replace(post, energy=losing)
        ),
        "map without a free place": grid_answer(changed(area, best=None)),
        "map, best place sure": grid_answer(
            changed(area, variants=area.variants[:1], headways=None, mount_values={},
                    best_model_interval_m_s=(NAN, NAN))
        ),
        "map, best height moves": grid_answer(changed(area, variants=(area.variants[0], higher))),
        "table without interval": grid_answer(
            changed(table, interpolation=None, interpolation_light_wind=None, rotor=None,
                    interval_states=0, added={})
        ),
    }  # fmt: skip
    lines = [line for name, text in texts.items() for line in (f"# {name}", *text, "")]
    golden.compare("\n".join(lines), GOLDEN / "texts.txt")


def test_captions(results: dict[str, Any]) -> None:
    """What every kind of figure says below it, and what it adds in other states."""
    traffic, passes = results["traffic"], results["single-pass"]
    post, wall = traffic.mounts
    values = post.statistics
    whole = WholeHour(8, 1234, 1.2, 1.1, 1.5, 1.4, *([None] * 4))  # type: ignore[arg-type]
    counted = tuple(v for v in values.variants if v.counted)
    hour = replace(post, statistics=replace(values, whole_hour=whole, variants=counted))
    shown = [(traffic, post), (traffic, wall), (traffic, hour), (passes, passes.mounts[0])]
    text = traffic_text().replace(
        "still = true", "[air.wind]\nspeed_m_s = 2.0\nangle_deg = 0.0\nreference_height_m = 10.0"
    )
    shown.append((replace(traffic, case=load_case_text(text)), post))
    for headway in (
        '{ model = "shifted_exponential", minimum_s = 0.8 }',
        '{ model = "cowan_m3", minimum_s = 0.8, bunching_s = 5 }',
    ):
        text = traffic_text().replace("[traffic]\n", f"[traffic]\nheadway = {headway}\n")
        shown.append((replace(traffic, case=load_case_text(text)), post))
    shown += [(results[name], None) for name in KINDS[2:]]
    said: dict[str, None] = {}  # each once, in order
    for kind in kinds():
        for result, mount in shown:
            if result.case.study in kind.studies:
                part = [getattr(mount, kind.part)] if kind.part else []
                if None not in part:
                    said[f"{kind.name}: {caption(kind, result, mount, *part)}"] = None
    golden.compare("\n".join(said), GOLDEN / "captions.txt")


def test_claims() -> None:
    """Verdict and findings in words: contradictions, what a place has not, what agrees."""
    place = studies.PLACE
    cases = {
        "nothing": (Claim(), None),
        "figures alone": (studies.CLAIM, None),
        "more than laws allow": (
            Claim(power_w=5000.0, speed_m_s=5.4, power_coefficient=0.9, area_m2=2.0,
                  daily_energy_kwh=300.0, count=10, section_length_m=100.0, daily_load_kwh=10.0,
                  loads=10_000, traffic_speed_m_s=5.0, cut_in_m_s=6.0), place),
        "losses": (Claim(power_w=16.0, speed_m_s=4.0, power_coefficient=0.3, area_m2=2.0), None),
        "inside the interval": (Claim(speed_m_s=1.5, daily_energy_kwh=0.05, area_m2=2.0), place),
        "beyond a place without interval": (
            Claim(speed_m_s=1.0, daily_energy_kwh=1.0, area_m2=2.0), Place("the post", 0.5)),
        "modest": (
            Claim(daily_energy_kwh=0.002, area_m2=2.0, power_coefficient=0.15, speed_m_s=0.5,
                  daily_load_kwh=0.001), place),
        "plausible": (
            Claim(annual_energy_kwh=0.4, daily_energy_kwh=0.0011, area_m2=2.0,
                  power_coefficient=0.3, speed_m_s=0.5, daily_load_kwh=0.001),
            place.with_energy(0.5, 1.0, 0.5, 0.2, 1.3)),
        "too many kilowatt-hours": (Claim(annual_energy_kwh=300.0), place.with_energy(0.5, 1.0)),
    }  # fmt: skip
    pages = []
    for name, (claim, where) in cases.items():
        text = page.text("claim", check=check_claim(claim, where))
        pages.append(f"# {name}\n{text}\n")
        for accusing in ("fraud", "lie", "false", "mislead", "dishonest", "scam", "wrong"):
            assert accusing not in text.lower().split()
    golden.compare("\n".join(pages), GOLDEN / "claims.txt")
