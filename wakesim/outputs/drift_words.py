"""The report's section on the mean air of the traffic, in numbers and plain words."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from wakesim.outputs import wording
from wakesim.outputs.wording import change, number, significant
from wakesim.traffic.scene import wake_memory

if TYPE_CHECKING:
    from wakesim.measures.results import DriftSummary, ModelVariant, MountStatistics
    from wakesim.results import MountResult, Result

_LARGEST_SHARE = 2.0  # a part beyond this says only that opposite carriageways cancel
SENSITIVE = (
    ("mixing of far wakes", "Mixing of far wakes"),
    ("mixing of the road's air", "Mixing (it carries the air's motion away from the road)"),
    ("roughness of the road", "Roughness of the road"),
    ("roughness of the verge", "Roughness of the verge"),
    ("light crosswind", "Light crosswind"),
)
_SWITCHED_OFF = (
    "The sustained drift is switched off in this case (air.drift.enabled = false): what wakes "
    "leave behind after they were followed is dropped."
)
_NOT_MEASURED = "No published measurement isolates this flow on open roads."
_SIGNS = (
    "Opposite carriageways push the air opposite ways: the forces of each direction are counted "
    "along its own way and added."
)


def drift_section(result: Result, mount: MountResult) -> dict[str, Any]:
    """What the template shows: ``intro``, ``facts``, ``balance``, ``notes`` (empty without drift).

    ``facts``: pairs of words and value. ``balance``: rows of words, force per km of road, share.
    """
    values = mount.statistics
    if values is None or values.drift is None:
        return {"intro": [_SWITCHED_OFF], "facts": [], "balance": [], "notes": [], "signs": ""}
    drift = values.drift
    directions = {lane.direction for lane in result.case.road.lanes}
    return {
        "intro": _intro(result, values, drift),
        "facts": _facts(result, drift),
        "balance": balance_rows(drift.balance, result.air_density_kg_m3),
        "notes": _notes(values.variants),
        "signs": _SIGNS if len(directions) > 1 else "",
    }


def _intro(result: Result, values: MountStatistics, drift: DriftSummary) -> list[str]:
    memory = number(wake_memory(result.case), 0)
    share = values.by_mechanism.get("drift", math.nan)
    made = f" and makes {number(100 * share, 0)} % of the energy flux" if share == share else ""
    return [
        "The road takes only about a tenth of a vehicle's momentum from the air in the first ten "
        "seconds, so the wakes of many vehicles add up to a steady flow along the road. Single "
        f"wakes are followed for {memory} s (the choice does not move the mean); the rest of that "
        f"flow, the drift, is {significant(drift.at_mount_m_s, 2)} m/s on average at the "
        f"mount{made}.",
        _NOT_MEASURED,
        *_whole_hour(values),
    ]


def _whole_hour(values: MountStatistics) -> list[str]:
    whole = values.whole_hour
    if whole is None:
        return []
    return [
        f"The hour from {whole.hour}:00 with every vehicle in one march ({whole.passes} passes "
        "with those before it), nothing superposed: mean along-road "
        f"{significant(whole.mean_u_march_m_s)} m/s and effective speed "
        f"{significant(whole.effective_march_m_s)} m/s at the mount; superposition gives "
        f"{significant(whole.mean_u_superposed_m_s)} and "
        f"{significant(whole.effective_superposed_m_s)} m/s for independent vehicles, the pulses "
        "of the hulls included, which the march leaves out."
    ]


def _facts(result: Result, drift: DriftSummary) -> list[tuple[str, str]]:
    own = result.case.air.eddy_diffusivity_m2_s is not None
    origin = (
        "given by the case"
        if own
        else "from the traffic's own turbulence (k-ε balance of the cross-section)"
    )
    settled = (
        f"{number(drift.settling_s / 60.0, 0)} min"
        if math.isfinite(drift.settling_s)
        else "not within an hour"
    )
    return [
        (
            "drift at the mount along +x, mean over the hours and the swept rectangle",
            f"{significant(drift.at_mount_m_s)} m/s",
        ),
        (
            f"mixing: eddy viscosity around the lanes, {origin}",
            f"{significant(drift.diffusivity_m2_s, 2)} m²/s",
        ),
        (
            "drag left to the traffic by the air that already moves along",
            f"{number(100 * drift.drag_share, 1)} %",
        ),
        ("time for 90 % of the mean air when traffic sets in at once", settled),
    ]


def balance_rows(balance: dict[str, float], density_kg_m3: float) -> list[tuple[str, float, float]]:
    """Words, force in N per km of road, and share of the drag (NaN where it cancels).

    ``balance``: force per metre of road over the density, m3/s2. Parts that are 0 are left out.
    """
    drag = balance["drag_in"]
    parts = {key: value for key, value in balance.items() if key != "drag_in" and value != 0.0}
    told = all(abs(part) <= _LARGEST_SHARE * abs(drag) for part in parts.values())

    def row(words: str, part: float) -> tuple[str, float, float]:
        share = part / drag if told and drag != 0.0 else math.nan
        return words, 1000.0 * density_kg_m3 * part, share

    lost = [row(wording.DRIFT_PARTS.get(key, key), part) for key, part in parts.items()]
    return [row("drag of the vehicles", drag), *lost]


def _notes(variants: tuple[ModelVariant, ...]) -> list[str]:
    """What the effective speed becomes when a constant of the mean air is moved."""
    notes = []
    for parameter, title in SENSITIVE:
        own = [v for v in variants if v.parameter == parameter]
        if own:
            steps = (
                f"{v.setting} gives {significant(v.effective_speed_m_s)} m/s "
                f"({change(v.change_m_s)} m/s)"
                for v in own
            )
            beside = "" if own[0].counted else ", a state of the air beside the model interval"
            notes.append(f"{title}{beside}: {'; '.join(steps)}.")
    return notes
