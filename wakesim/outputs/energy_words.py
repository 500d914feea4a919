"""The energy of a mount in words, for the report and the command line; loads nothing heavy."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

from wakesim.outputs.claim_words import energy, share
from wakesim.outputs.wording import number, significant

if TYPE_CHECKING:
    from wakesim.case.air import Wind
    from wakesim.energy.study import EnergyResult
    from wakesim.energy.uncertainty import Ranking
    from wakesim.measures.results import MountStatistics
    from wakesim.results import MountResult

RESPONSE_WORDS = {
    "inertial": "with its inertia",
    "quasi_steady": "without inertia (quasi-steady)",
    "fixed_speed": "held at one shaft speed",
}
LIMITS = (
    "Power coefficients are the best figures of generic rotor types at higher wind speeds; in the "
    "slow air beside a road they are lower, so the energy is on the high side.",
    "The rotor does not change the air it hangs in, and the swept rectangle is taken as moved by "
    "one rotor-equivalent speed.",
    "Saturdays and Sundays have the shape of a weekday. Public holidays, and the seasons of "
    "weather and traffic, are not part of the year.",
)


def energy_answer(mount: MountResult) -> list[str]:
    """What the rotor gives, in a few sentences; empty without a rotor."""
    e: EnergyResult | None = mount.energy
    if e is None:
        return []
    return [
        _year(e),
        *_responses(e),
        *_uncertain(e),
        *_crosswind(mount.statistics),
        *_standby(e),
        *_bounds(e),
        *_load_and_row(e),
    ]


def _year(e: EnergyResult) -> str:
    year = e.year
    added = year.added_by_traffic_kwh
    text = (
        f"A rotor of the {e.rotor.name}, {number(e.rotor.area_m2)} m², "
        f"{RESPONSE_WORDS[e.rotor.response]}, gives "
        f"{energy(year.annual_kwh)} a year, {energy(a_day(e))} a day, before the standby use of "
        "its electronics. "
    )
    if len(e.by_wind) == 1 and e.by_wind[0].wind is None:
        return text + "All of it comes of the traffic: the air of this case is still."
    text += (
        f"Without traffic the wind would give {energy(year.annual_without_traffic_kwh)}, so the "
        f"traffic {'adds' if added >= 0.0 else 'takes away'} {energy(abs(added))}."
    )
    if len(e.by_wind) > 1:
        text += f" With {_case_air(e)} all year it would be {energy(e.case_air_kwh)}."
    return text


def a_day(e: EnergyResult) -> float:
    """Energy of an average day of the year, kWh."""
    return 24.0 * e.year.annual_kwh / e.year.hours.hour.size


def _case_air(e: EnergyResult) -> str:
    still = e.case_wind is None
    return "still air" if still else f"the wind of the case ({wind_words(e.case_wind)})"


def wind_words(wind: Wind | None) -> str:
    """A wind in a few words."""
    if wind is None:
        return "still air"
    return f"{significant(wind.speed_m_s, 2)} m/s towards {number(wind.angle_deg % 360.0, 0)}°"


def _responses(e: EnergyResult) -> Iterator[str]:
    """The other responses, and why inertia may give more than none."""
    if len(e.annual_kwh) == 1:
        yield (
            "The power curve holds no torque: it is taken at every instant, as if the rotor "
            "followed every gust at once."
        )
        return
    others = [
        f"{energy(kwh)} {response_words(e, name)}{_tuned(e, name)}"
        for name, kwh in e.annual_kwh.items()
        if name != e.rotor.response
    ]
    text = f"The same year gives {' and '.join(others)}."
    ratio = e.power.capture_ratio("inertial")
    if math.isfinite(ratio):
        text += (
            " On a weekday in the air of the case a rotor with inertia gives "
            f"{significant(ratio, 2)} times the quasi-steady figure"
        )
        above = " (above 1 because a turning rotor still gives power below the cut-in speed)."
        text += above if ratio > 1.0 else "."
    yield text


def response_words(e: EnergyResult, name: str) -> str:
    """A response in words, with its shaft speed where that is fixed."""
    if name != "fixed_speed" or e.rotor.shaft_speed_rad_s is None:
        return RESPONSE_WORDS[name]
    return f"held at {significant(e.rotor.shaft_speed_rad_s * 30.0 / math.pi, 2)} rev/min"


def _tuned(e: EnergyResult, name: str) -> str:
    tuned = name == "fixed_speed" and not e.shaft_speed_given
    return " (the best speed in the air of the case)" if tuned else ""


def _uncertain(e: EnergyResult) -> Iterator[str]:
    u = e.uncertainty
    if u is None:
        return
    yield (
        f"With all uncertain inputs drawn at once ({u.samples} samples, {_case_air(e)} all year) "
        f"the year gives {energy(u.energy.p90)} (P90, exceeded in nine of ten samples), "
        f"{energy(u.energy.p50)} (P50) and {energy(u.energy.p10)} (P10), at effective speeds of "
        f"{significant(u.speed.p90)}, {significant(u.speed.p50)} and {significant(u.speed.p10)} "
        "m/s."
    )
    if u.failed:
        yield f"{u.failed} samples could not be computed and are left out."
    speed, year = _first(u.speed_ranking), _first(u.energy_ranking)
    yield f"What to settle first: for the effective speed, {speed}; for the energy, {year}."


def _first(ranking: Ranking) -> str:
    if not ranking.trusted:
        return "no ranking that can be trusted"
    rows = ranking.ordered()[:2]
    (first, _, most), *others = rows
    text = f"the {first} ({share(most)} of the variance, interactions included)"
    return text + "".join(f", then the {name} ({share(total)})" for name, _, total in others)


def _crosswind(statistics: MountStatistics | None) -> Iterator[str]:
    """Which way a light crosswind moves the effective speed, where it was tried."""
    tried = [v for v in statistics.variants if not v.counted] if statistics is not None else []
    tried = [v for v in tried if v.parameter == "light crosswind"]
    if not tried:
        return
    parts = []
    for v in tried:
        verb = "raises" if v.change_m_s > 0.0 else "lowers"
        parts.append(
            f"{v.setting} {verb} the effective speed by {significant(abs(v.change_m_s), 2)} m/s"
        )
    yield (
        "An added light crosswind carries wakes and drift along with it: "
        f"{' and '.join(parts)}, before its own energy is counted."
    )


def _standby(e: EnergyResult) -> Iterator[str]:
    if e.rotor.standby_w > 0.0:
        net = e.year.annual_net_kwh
        verb = "leaves" if net > 0.0 else "turns it into a loss of"
        use = significant(e.rotor.standby_w, 2)
        yield f"Standby use of {use} W {verb} {energy(abs(net))} a year."


def _bounds(e: EnergyResult) -> Iterator[str]:
    b = e.bounds
    yield (
        f"On a weekday in the air of the case no rotor of this size could take more than "
        f"{significant(b.betz_w, 2)} W on average (Betz 1920). The traffic spends "
        f"{significant(b.drag_power_w_m)} W on the air for each metre of road; the shaft power "
        f"that one rotor every {number(b.spacing_m, 0)} m owes to it is {share(b.drag_share)} of "
        f"that, and {share(b.wake_share)} of the kinetic energy that its wakes, one by one, ever "
        "hold beyond the rotor's near edge."
    )
    yield (
        "If that power came out of the vehicles (an upper bound) they would burn "
        f"{significant(b.road_load.diesel_litres, 2)} litres of diesel a year more for each rotor, "
        f"or draw {significant(b.road_load.electric_kwh, 2)} kWh of charge."
    )


def _load_and_row(e: EnergyResult) -> Iterator[str]:
    if e.coverage is not None:
        c = e.coverage
        winds = "; winds are drawn in spells" if len(e.by_wind) > 1 else ""
        yield (
            f"Of the stated load, {significant(c.load_kwh)} kWh a year, it meets "
            f"{share(c.energy_share)}, and all of it in {share(c.load_hour_share)} of the hours "
            f"with a load (hour by hour, after standby use{winds})."
        )
    if e.row_kwh is not None and e.row_factor is not None:
        yield (
            f"The row gives at most {energy(e.row_kwh)} a year. If all air moved along the row and "
            f"each rotor stood in the wakes of the others it would be {share(e.row_factor)} of "
            "that, so the truth lies between."
        )
