"""A year of hours, each in its own traffic and wind, at every mount: air, power, kilowatt-hours."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from wakesim.arrays import Array
from wakesim.case.energy import EnergyTable
from wakesim.case.mounts import Mount
from wakesim.case.schema import Case
from wakesim.energy import yields
from wakesim.energy.hourly_power import rotor_of
from wakesim.energy.response import best_fixed_speed
from wakesim.energy.uncertainty import Percentiles, percentiles
from wakesim.energy.year import MountYear, coefficient_range, months_of_load, net_power
from wakesim.energy.year_air import HourlyAir, Run, YearAir
from wakesim.energy.year_draws import Draws, ModelTask, YearOfMount, compute_model, model_inputs
from wakesim.energy.year_hours import HoursOfYear, hours_of_year, year_table
from wakesim.energy.year_power import (
    STRETCHES,
    ResponseTable,
    StretchTask,
    ambient_moments,
    compute_stretch,
    of_wind,
    power_coefficient,
    shares_of,
    standing,
    tables_of,
)
from wakesim.errors import NumericalError
from wakesim.measures.model_interval import fall_and_rise
from wakesim.progress import Progress
from wakesim.results import YearResult
from wakesim.studies.grid import Sweeps, common_of_many, sweeps
from wakesim.studies.registry import Options, study
from wakesim.workers import free_processors

_FEW_TASKS = 3  # up to so many are computed in this process
_MODEL_TASKS = 4  # by inputs, so that the wakes of a variant are marched once


@study("year")
def year(case: Case, options: Options, progress: Progress) -> YearResult:
    """The case's [year] at every mount."""
    began = time.perf_counter()
    table = year_table(case)
    hours = hours_of_year(case)
    places = {_place(mount): mount for mount in case.mounts}  # a long straight road: alike is equal
    mounts = list(places.values())
    with sweeps(case, options, progress) as work:
        work.stage(0.02, 0.55)
        engine = YearAir(_runner(work), hours, mounts)
        air = engine.all(table.tolerance)
        work.stage(0.55, 0.75)
        chosen = _stretch_hours(engine, air)
        tables, alone = _stretches(_runner(work), hours, mounts, chosen, air)
        work.stage(0.75, 0.9)
        change = _model(_runner(work), hours, mounts, chosen)
        progress(0.9, "years drawn")
        found = _years(hours, mounts, engine, air, chosen, tables, alone, change)
        number = {key: k for k, key in enumerate(places)}
        posts = tuple(found[number[_place(mount)]].of(mount) for mount in case.mounts)
        return YearResult(
            **common_of_many(case, began, work, hours.warnings),
            hours=hours,
            posts=posts,
            computed_hours=int(np.count_nonzero(air.computed)),
            stretch_hours=tuple(chosen),
            model_parts=tuple(item.name for item in model_inputs(case)),
        )


def _place(mount: Mount) -> tuple[object, ...]:
    """All of a mount that its year depends on."""
    return (
        mount.offset_m, mount.height_m, mount.rotor_width_m, mount.rotor_height_m,
        mount.wall_offset_m, mount.cut_in_m_s,
    )  # fmt: skip


def _runner(work: Sweeps) -> Run:
    """The sweeps of a study as the stages below know them: all tasks must succeed."""

    def run(
        function: Callable[[Any], dict[str, Any]], payloads: Sequence[Any], names: Sequence[str],
        what: str,
    ) -> Sequence[Any]:  # fmt: skip
        workers = free_processors() if len(payloads) > _FEW_TASKS else None
        outcome = work.run(function, payloads, names, what, 1, workers)
        if outcome.failures:
            raise NumericalError(f"{what}: {outcome.failures[0].reason}")
        return outcome.results

    return run


def _stretch_hours(engine: YearAir, air: HourlyAir) -> list[int]:
    """Hours at which stretches are walked: near to where the energy is."""
    weight = air.cube.sum(axis=1)
    known = np.flatnonzero(air.computed)
    if known.size > 1000:
        known = known[:: known.size // 1000]
    return standing(engine.at, weight / weight.sum(), known.tolist(), STRETCHES)


def _same_wall(mounts: Sequence[Mount]) -> list[list[int]]:
    """Numbers of the mounts that share a wall or have none."""
    walls = dict.fromkeys(mount.wall_offset_m for mount in mounts)
    return [[k for k, m in enumerate(mounts) if m.wall_offset_m == wall] for wall in walls]


def _stretches(
    run: Run, hours: HoursOfYear, mounts: Sequence[Mount], chosen: Sequence[int], air: HourlyAir
) -> tuple[list[list[ResponseTable]], list[ResponseTable | None]]:
    """Response tables of each mount, one for each stretch, and that of wind alone."""
    case = hours.case_
    speed = np.hypot(*hours.winds.velocity_m_s.T)
    windy = np.flatnonzero(speed > 0.0)
    shaft = None
    if case.rotor is not None and case.rotor.response == "fixed_speed":
        rotor = rotor_of(case, mounts[0])
        shaft = best_fixed_speed(
            rotor, air.effective_speed_m_s[:, 0], hours.winds.density_kg_m3.mean()
        )
    tables: list[list[ResponseTable]] = [[] for _ in mounts]
    alone: list[ResponseTable | None] = [None] * len(mounts)
    for mine in _same_wall(mounts):
        own = [mounts[k] for k in mine]
        tasks = [StretchTask(hours.case(n, own), shaft) for n in chosen]
        if windy.size:
            usual = windy[np.argsort(speed[windy])[(2 * windy.size) // 3]]
            tasks.append(StretchTask(hours.case(int(usual), own), shaft, alone=True))
        names = [f"{mine} {n}" for n in [*chosen, "wind alone"][: len(tasks)]]
        results = run(compute_stretch, tasks, names, "stretches of traffic")
        for place, k in enumerate(mine):
            tables[k] = tables_of(results[: len(chosen)], place)
            if windy.size:
                alone[k] = tables_of(results[len(chosen) :], place)[0]
    return tables, alone


def _model(run: Run, hours: HoursOfYear, mounts: Sequence[Mount], chosen: Sequence[int]) -> Array:
    """Changes of the logarithm of the mean cube, (inputs, 2, stretches, mounts)."""
    items = model_inputs(hours.case_)
    change = np.zeros((len(items), 2, len(chosen), len(mounts)))
    if not hours.case_.compute.model_interval:
        return change
    parts = [list(range(k, len(items), _MODEL_TASKS)) for k in range(_MODEL_TASKS)]
    for mine in _same_wall(mounts):
        cases = tuple(hours.case(n, [mounts[k] for k in mine]) for n in chosen)
        tasks = [ModelTask(cases, tuple(items[i] for i in part)) for part in parts]
        names = [f"{mine} {list(chosen)} {part}" for part in parts]
        results = run(compute_model, tasks, names, "model interval")
        for part, result in zip(parts, results, strict=True):
            change[np.ix_(part, range(2), range(len(chosen)), mine)] = result["change"]
    return change


def _years(
    hours: HoursOfYear, mounts: Sequence[Mount], engine: YearAir, air: HourlyAir,
    chosen: Sequence[int], tables: list[list[ResponseTable]], alone: list[ResponseTable | None],
    change: Array,
) -> list[MountYear]:  # fmt: skip
    """The year of each mount."""
    case, winds = hours.case_, hours.winds
    table, energy = year_table(case), case.energy or EnergyTable()
    shares = shares_of(engine.at, engine.at[list(chosen)])
    speed = np.hypot(*winds.velocity_m_s.T)
    names = [item.name for item in model_inputs(case)]
    drawn = [dict[str, Percentiles]() for _ in mounts]
    if table.years:
        makers = [
            YearOfMount(k, tables[k], rotor_of(case, m).area_m2, coefficient_range(case, m))
            for k, m in enumerate(mounts)
        ]
        draws = Draws(hours, air, engine.at, chosen, change, table.years)
        for k, found in enumerate(draws.draw(makers)):
            rotor = rotor_of(case, mounts[k])
            drawn[k] = {
                cause: percentiles(
                    net_power(case, rotor, 1e3 * kwh / len(hours)) * len(hours) / 1e3
                )
                for cause, kwh in found.items()
            }
    out = []
    for k, mount in enumerate(mounts):
        rotor = rotor_of(case, mount)
        flux = 0.5 * rotor.area_m2 * winds.density_kg_m3
        cube, mean = air.cube[:, k], air.mean[:, k]
        made = power_coefficient(tables[k], shares, cube, mean).mean(axis=0) * flux * cube
        wind_cube, wind_mean = of_wind(ambient_moments(case, mount), speed, winds.intensity)
        only = alone[k]
        without = np.zeros(len(hours))
        if only is not None:
            one = np.ones((len(hours), 1))
            without = power_coefficient([only], one, wind_cube, wind_mean).mean(axis=0)
            without = without * flux * wind_cube
        effective = np.cbrt(cube)
        moved = np.exp(np.einsum("hs,ies->ieh", shares, change[..., k]) / 3.0) - 1.0
        fall, rise = fall_and_rise(
            (name, effective * moved[i, e]) for i, name in enumerate(names) for e in range(2)
        )
        net = net_power(case, rotor, made)
        row = energy.row
        out.append(
            MountYear(
                mount=mount,
                rotor=rotor,
                month=hours.month,
                effective_speed_m_s=effective,
                ambient_speed_m_s=np.cbrt(wind_cube),
                low_m_s=np.maximum(effective - fall, 0.0),
                high_m_s=effective + rise,
                with_traffic_w=made,
                without_traffic_w=without,
                net_w=net,
                percentiles=drawn[k],
                interpolation=air.error[:, k],
                load=months_of_load(hours, energy, net),
                row_factor=None
                if row is None
                else yields.row_factor(row.count, row.spacing_m, rotor.area_m2),
                row_kwh=None if row is None else 1e-3 * float(net.sum()) * row.count,
            )
        )
    return out
