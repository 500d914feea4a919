"""report.html: one file that needs no network, the answer first."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from markupsafe import Markup, escape

from wakesim.outputs import energy_rows, energy_words, wording
from wakesim.outputs.claim_words import implied_value
from wakesim.outputs.drift_words import drift_section
from wakesim.outputs.figures import Rendered
from wakesim.outputs.figures.signature import air_around, nearest_by_class
from wakesim.outputs.page import environment
from wakesim.outputs.page import provenance_rows as page_rows
from wakesim.outputs.summary import all_warnings, full_provenance
from wakesim.outputs.wording import interval, number, place, significant
from wakesim.traffic.scene import wake_memory

if TYPE_CHECKING:
    from wakesim.measures.results import MountStatistics
    from wakesim.results import GridResult, MountResult, Result

_BETZ = 16.0 / 27.0  # Betz 1920


def write_report(result: Result, figures: Sequence[Rendered], path: Path) -> None:
    """Write report.html; raises OSError when the file cannot be written."""
    page = environment().get_template("report.html.j2").render(**_context(result, figures))
    path.write_text(page, encoding="utf-8")


def _context(result: Result, figures: Sequence[Rendered]) -> dict[str, Any]:
    case = result.case
    return {
        "result": result,
        "case": case,
        "wording": wording,
        "mounts": [_mount(result, mount, figures) for mount in result.mounts],
        "traffic": _traffic(result) if case.study == "traffic" else [],
        "method": _method(result),
        "limits": wording.limits(case),
        "warnings": all_warnings(result),
        "provenance": provenance_rows(result),
        "air_around": air_around(result),
        "case_text": case.text,
    }


def _mount(result: Result, mount: MountResult, figures: Sequence[Rendered]) -> dict[str, Any]:
    own = [figure for figure in figures if figure.mount == mount.mount.name]
    values = mount.statistics
    return {
        "mount": mount.mount,
        "kind": mount.mount.support.label,
        "statistics": values,
        "answer": answer(result, mount),
        "drift": drift_section(result, mount),
        "energy": _energy(result, mount),
        "warnings": mount.warnings,
        "signatures": nearest_by_class(mount),
        "relief": any(math.isfinite(s.relief_peak) for s in mount.signatures),
        "figures": {
            figure.kind: {
                "svg": inline_svg(figure.svg, f"{figure.stem}-", figure.caption),
                "caption": figure.caption,
            }
            for figure in own
        },
        "cutoff": [] if values is None else sorted(values.cutoff_effective_speed_m_s.items()),
        "own_cutoff": _own_cutoff(result, values),
    }


def _energy(result: Result, mount: MountResult) -> dict[str, Any] | None:
    if mount.energy is None:
        return None
    claim = mount.energy.claim
    return {
        "answer": energy_words.energy_answer(mount),
        "facts": energy_rows.facts(mount),
        "winds": energy_rows.wind_rows(mount),
        "source": mount.energy.rotor.source,
        "loads": energy_rows.load_rows(mount, result),
        "load_sentences": [energy_rows.LOADS_NOTE, *energy_rows.load_sentences(mount)],
        "limits": energy_words.LIMITS,
        "claim": claim,
        "implied": []
        if claim is None
        else [(i.name, implied_value(i), i.how) for i in claim.implied],
    }


def answer(result: Result, mount: MountResult) -> list[str]:
    """The result at one mount in plain sentences."""
    where = (
        f"Place: {mount.mount.support.label}, axis at y = "
        f"{place(mount.mount.offset_m)} m from the near-side edge line, centre "
        f"{place(mount.mount.height_m)} m above the road."
    )
    values = mount.statistics
    if values is None:
        if not mount.signatures:
            return ["No pass was computed.", where]
        strongest = max(mount.signatures, key=lambda s: s.peak_m_s)
        weakest = min(mount.signatures, key=lambda s: s.peak_m_s)
        return [
            f"One pass moves the air by at most "
            f"{number(weakest.peak_m_s)} m/s ({weakest.label or weakest.vehicle}) to "
            f"{number(strongest.peak_m_s)} m/s ({strongest.label or strongest.vehicle}), for "
            f"{number(min(s.duration_s for s in mount.signatures), 1)} to "
            f"{number(max(s.duration_s for s in mount.signatures), 1)} s "
            "(above a tenth of the peak).",
            where,
            "Single passes only: no traffic was simulated, so there is no effective speed.",
        ]
    area = mount.mount.rotor_width_m * mount.mount.rotor_height_m
    flux = values.power_density_w_m2
    sentences = [
        f"The air has an effective speed of "
        f"{significant(values.effective_speed_m_s)} m/s and a mean of "
        f"{significant(values.mean_speed_m_s)} m/s.",
        _interval_sentence(values.sampling_interval_m_s, values.model_interval_m_s),
        f"The energy flux is {significant(flux, 2)} W per square metre of swept area, of which no "
        f"rotor can take more than {significant(_BETZ * flux, 2)} W (Betz limit). Through the "
        f"{number(area)} m² of this rotor flow {significant(flux * area, 2)} W.",
        f"The air is faster than the cut-in speed of {number(mount.mount.cut_in_m_s)} m/s for "
        f"{number(100 * values.time_above_cut_in, 1)} % of the time; the highest gust "
        f"({number(result.case.compute.gust_averaging_s, 1)} s mean) was "
        f"{significant(values.gust_peak_m_s)} m/s.",
    ]
    ambient = values.ambient_effective_speed_m_s
    if ambient > 0:
        sentences.append(
            f"Without traffic the ambient wind alone would give {significant(ambient)} m/s."
        )
    else:
        sentences.append("There is no ambient wind in this case: traffic makes all of it.")
    return [*sentences, where]


def _interval_sentence(sampling: tuple[float, float], model: tuple[float, float]) -> str:
    text = (
        "Which vehicles happen to pass leaves the effective speed between "
        f"{interval(sampling, 3, 'and')} m/s (sampling interval, 90 %); "
    )
    if model[0] == model[0] and model[1] == model[1]:
        return text + (
            "what is not known about vehicle wakes leaves it between "
            f"{interval(model, 2, 'and')} m/s (model interval)."
        )
    return text + "the model interval was not asked for, so the real uncertainty is larger."


def _traffic(result: Result) -> list[dict[str, Any]]:
    """Traffic of each lane over the simulated hours of the first mount's table."""
    case = result.case
    first = result.mounts[0].statistics
    hours = [row.hour for row in first.hourly] if first is not None else []
    states = [case.traffic_state(hour) for hour in hours]
    heavy = [i for i, vehicle in enumerate(case.vehicles.values()) if vehicle.heavy]
    rows = []
    for index, lane in enumerate(case.road.lanes):
        flows = [3600.0 * float(state.flow_veh_s[index]) for state in states]
        total = sum(flows)
        lorries = sum(
            flow * sum(float(state.mix[index][i]) for i in heavy)
            for flow, state in zip(flows, states, strict=True)
        )
        rows.append(
            {
                "lane": lane,
                "mean": total / len(flows) if flows else float("nan"),
                "highest": max(flows, default=float("nan")),
                "heavy": lorries / total if total > 0 else float("nan"),
            }
        )
    return rows


def _own_cutoff(result: Result, values: MountStatistics | None) -> int | None:
    """Which of the times for which wakes are followed is the one of the result."""
    if values is None:
        return None
    memories = sorted(values.cutoff_effective_speed_m_s)
    own = wake_memory(result.case)
    return memories.index(own) if own in memories else None


def _method(result: Result) -> list[str]:
    """How the figures were made, in sentences; sources are listed apart."""
    case = result.case
    law = wording.WAKE_LAWS[case.model.wake_law]
    sentences = [
        "Each vehicle class is a hull of its own length, width, height and ground clearance above "
        "the road. The air it pushes aside is computed with source panels (three-dimensional, "
        f"road as mirror); the air it drags along is its wake, here {law}, with the "
        "class's own drag; both are moved past the mount at the vehicle's speed."
    ]
    if case.traffic is not None:
        sentences.append(
            f"Vehicles arrive at random by lane with the given flow, classes, speeds and headways "
            f"({wording.HEADWAYS[case.traffic.headway.model]}), wander sideways by "
            f"{number(case.traffic.wander_sd_m)} m (standard deviation), and their air movements "
            f"are added at {number(case.compute.sample_rate_hz, 0)} samples a second over nine "
            "points of the swept rectangle, with synthetic wake turbulence. Each wake is followed "
            f"for {number(wake_memory(case), 0)} s."
        )
        if case.air.drift.enabled:
            sentences.append(
                "The mean of all wakes is the steady balance of momentum and turbulence over the "
                "road's cross-section: drag of the vehicles, lowered by the air that already moves "
                "along, mixing by the traffic's own turbulence, crosswind, friction of road and "
                "verge. What followed wakes do not bring of it is the sustained drift."
            )
        met = (
            "met" if result.tolerance_met else "not met: the sampling interval is wider than asked"
        )
        sentences.append(
            f"{result.passes_total} passes in {number(result.simulated_s / 3600.0, 1)} h of "
            f"traffic ({result.rounds} round{'s' if result.rounds != 1 else ''}) were simulated; "
            f"the asked tolerance of ±{significant(100 * case.compute.tolerance, 2)} % was {met}."
        )
    sentences.append(
        f"Air density {number(result.air_density_kg_m3, 3)} kg/m³ at "
        f"{number(case.air.temperature_c, 1)} °C."
    )
    return sentences


def provenance_rows(result: Result | GridResult) -> list[tuple[str, str]]:
    """Key and text of everything known about where a result comes from."""
    rows = page_rows(full_provenance(result), ("case_text", "wall_time_s"))
    rows.append(("wall time", f"{number(result.wall_time_s, 1)} s"))
    return rows


def inline_svg(svg: str, prefix: str, label: str) -> Markup:
    """An SVG file's text made fit for a page with other figures: unique ids, scalable, named.

    The XML head is dropped, every id and every reference to one gets ``prefix``, and the fixed
    size gives way to the page's width.
    """
    body = svg[svg.index("<svg") :]
    body = re.sub(r"<metadata>.*?</metadata>", "", body, count=1, flags=re.DOTALL)
    body = re.sub(r'\bid="', f'id="{prefix}', body)
    body = re.sub(r'\b(?:xlink:)?href="#', f'href="#{prefix}', body)
    body = body.replace("url(#", f"url(#{prefix}")
    head, rest = body.split(">", 1)
    head = re.sub(r'\s(?:width|height|xmlns(?::xlink)?|version)="[^"]*"', "", head)
    return Markup(f'{head} role="img" aria-label="{escape(label)}">{rest}')
