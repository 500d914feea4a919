"""The answers of the studies of many states in sentences, for report and terminal."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from wakesim.case.mounts import PLACE_KINDS
from wakesim.outputs import grid_words
from wakesim.outputs.wording import interval, number, place, significant
from wakesim.results import LookupResult, MapResult, PassTableResult
from wakesim.traffic.scene import wake_memory

if TYPE_CHECKING:
    from wakesim.results import GridResult, HeadwayCheck

_HEADWAY_WORDS = {
    "exponential": "independent vehicles",
    "shifted_exponential": "a shifted exponential headway",
    "cowan_m3": "Cowan's M3 headways",
}


def answer(result: GridResult) -> list[str]:
    """The result in plain sentences."""
    if isinstance(result, MapResult):
        return list(_map(result))
    if isinstance(result, LookupResult):
        return list(_lookup(result))
    if isinstance(result, PassTableResult):
        return list(_passes(result))
    return []


def _where(result: MapResult, at: tuple[int, int]) -> str:
    y, z = float(result.offset_m[at[1]]), float(result.height_m[at[0]])
    return f"y = {place(y)} m, centre {place(z)} m above the road"


def _map(result: MapResult):  # type: ignore[no-untyped-def]
    if result.best is None:
        yield "No place of the map is free, so there is no best one."
        return
    values = {name: float(v[result.best]) for name, v in result.variables.items()}
    kind = PLACE_KINDS[str(result.kind[result.best])].label
    yield (
        f"The best {kind} place of the map is {_where(result, result.best)}: effective speed "
        f"{significant(values['effective_speed'])} m/s, mean {significant(values['mean_speed'])} "
        f"m/s, in clock hour {result.hour}."
    )
    if all(map(math.isfinite, result.best_model_interval_m_s)):
        yield (
            "What is not known about vehicle wakes leaves it between "
            f"{interval(result.best_model_interval_m_s, 2, 'and')} m/s (model interval)."
        )
    yield from _moves(result)
    yield (
        f"The energy flux there is {significant(values['power_density'], 2)} W per m² of swept "
        f"area; times {number(result.power_coefficient, 3)} "
        f"({result.power_coefficient_origin}): {significant(values['captured_power_density'], 2)} "
        "W/m²."
    )
    for name, at in result.best_by_kind.items():
        if at != result.best:
            speed = significant(float(result.variables["effective_speed"][at]))
            yield f"Best {PLACE_KINDS[name].label} place: {_where(result, at)}, {speed} m/s."
    if result.mount_values:
        speed = significant(result.mount_values["effective_speed"])
        yield f"At the mount of the case the effective speed is {speed} m/s in that hour."
    yield grid_words.NO_SAMPLING
    if result.headways is not None:
        yield from _headways(result.headways)


def _moves(result: MapResult):  # type: ignore[no-untyped-def]
    if not result.variants or result.best is None:
        return
    y, z = float(result.offset_m[result.best[1]]), float(result.height_m[result.best[0]])
    moved = [v for v in result.variants if (v.best_offset_m, v.best_height_m) != (y, z)]
    if not moved:
        yield (
            "None of the uncertain constants, moved to either end of its range, makes another of "
            "the places compared (the best of every separate zone of this kind, and places above "
            "and below) the best one."
        )
        return
    if {v.best_offset_m for v in moved} == {y}:
        heights = [z, *(v.best_height_m for v in moved)]
        yield (
            "With the uncertain constants moved one at a time to the ends of their ranges the best "
            f"place stays at y = {place(y)} m; its height moves between {place(min(heights))} and "
            f"{place(max(heights))} m."
        )
        return
    names = "; ".join(
        f"{v.parameter} {v.setting}: y = {place(v.best_offset_m)} m, "
        f"{place(v.best_height_m)} m high"
        for v in moved
    )
    yield f"Another place becomes the best one with {names}."


def _headways(check: HeadwayCheck):  # type: ignore[no-untyped-def]
    exact = check.independent_m_s
    for model, speed, low, high in check.simulated:
        words = _HEADWAY_WORDS.get(model, model)
        ends = interval((low, high), 3)
        text = (
            f"Simulated at the best place with {words}: {significant(speed)} m/s ({ends}, 90 %), "
        )
        if model == "exponential":
            holds = "which holds" if low <= exact <= high else "which does not hold"
            yield text + f"{holds} the exact value of {significant(exact)} m/s."
        else:
            change = 100.0 * (speed / exact - 1.0) if exact else math.nan
            side = "more" if change >= 0.0 else "less"
            yield (
                text + f"{number(abs(change), 1)} % {side} than the map, which takes vehicles as "
                "independent."
            )


def _lookup(result: LookupResult):  # type: ignore[no-untyped-def]
    import numpy as np

    states = int(np.prod([len(v) for v in result.axes.values()]))
    speeds = result.variables["effective_speed"]
    finite = speeds[np.isfinite(speeds)]
    yield f"{states} states; {result.distinct_states} of them differ and were computed."
    for name in result.axes:
        added = result.added.get(name, ())
        extra = f" ({len(added)} added by refinement)" if added else ""
        yield f"{name}: {grid_words.axis_range(result, name)}{extra}."
    if finite.size:
        ends = (float(finite.min()), float(finite.max()))
        yield f"The effective speed runs from {significant(ends[0])} to {significant(ends[1])} m/s."
    check = result.interpolation
    if check is not None:
        yield (
            f"Interpolation error at {check.states} random states between those of the table, "
            f"relative: median {number(100 * check.median, 2)} %, ninth decile "
            f"{number(100 * check.p90, 2)} %, largest {number(100 * check.largest, 1)} %."
        )
    if result.interval_states:
        yield (
            f"The model interval was computed at {result.interval_states} states and its ends are "
            "interpolated between them; at a few random states they miss by "
            f"{number(100 * result.interval_check[0], 1)} % of the effective speed (median), "
            f"{number(100 * result.interval_check[1], 1)} % at most."
        )
    yield grid_words.NO_SAMPLING


def _passes(result: PassTableResult):  # type: ignore[no-untyped-def]
    sizes = (
        f"{len(result.classes)} classes, {len(result.speed_m_s)} speeds, "
        f"{len(result.clearance_m)} clearances, {len(result.height_m)} heights"
    )
    yield f"Single passes in the case's air: {sizes}."
    yield (
        f"Wakes are followed for {wake_memory(result.case):g} s; ∫u dt grows with that "
        "time, for the sum of a wake has no limit of its own; the integral of the cube hardly does."
    )
    yield (
        "For many independent passes the mean velocity is the sum over classes of rate × ∫u dt "
        "(Campbell 1909). The mean cube is not such a sum: passes overlap; use a lookup table."
    )
