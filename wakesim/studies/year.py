"""A year of hours, each in its own traffic and wind, at every mount: air, power, kilowatt-hours."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
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
from wakesim.energy.year_air import HourlyAir, Job, Run, YearAir, same_wall
from wakesim.energy.year_draws import Draws, ModelTask, YearOfMount, compute_model, model_inputs
from wakesim.energy.year_hours import hours_of_year, year_table
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
    table_of,
)
from wakesim.errors import NumericalError
from wakesim.measures.model_interval import fall_and_rise
from wakesim.progress import Progress
from wakesim.results import YearResult
from wakesim.studies.grid import Sweeps, common_of_many, sweeps
from wakesim.studies.registry import Options, study
from wakesim.workers import free_processors

_CANDIDATES = 1000  # hours among which those of the stretches are chosen
_FEW_JOBS = 3  # up to so many are computed in this process
_TOGETHER = 4  # mounts of a task that walks a stretch, which takes about a second each
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
        work.stage(0.02, 0.9)
        engine = YearAir(_runner(work), hours, mounts)
        made = _Made.of(engine, _stretch_hours(engine, table.tolerance))
        air = engine.all(table.tolerance, made.jobs())
        progress(0.9, "years drawn")
        found = _years(engine, air, made)
        number = {key: k for k, key in enumerate(places)}
        posts = tuple(found[number[_place(mount)]].of(mount) for mount in case.mounts)
        return YearResult(
            **common_of_many(case, began, work, hours.warnings),
            hours=hours,
            posts=posts,
            computed_hours=int(np.count_nonzero(air.computed)),
            stretch_hours=tuple(made.chosen),
            model_parts=tuple(item.name for item in model_inputs(case)),
        )


def _place(mount: Mount) -> tuple[object, ...]:
    """All of a mount that its year depends on."""
    return (
        mount.offset_m, mount.height_m, mount.rotor_width_m, mount.rotor_height_m,
        mount.wall_offset_m, mount.cut_in_m_s,
    )  # fmt: skip


def _runner(work: Sweeps) -> Run:
    """The sweeps of a study as the stages below know them: all jobs must succeed."""

    def run(jobs: Sequence[Job]) -> None:
        workers = free_processors() if len(jobs) > _FEW_JOBS else None
        payloads = [(job.function, job.payload) for job in jobs]
        names = [job.name for job in jobs]
        outcome = work.run(compute, payloads, names, "year", 1, workers)
        if outcome.failures:
            raise NumericalError(f"the year: {outcome.failures[0].reason}")
        for job, result in zip(jobs, outcome.results, strict=True):
            assert result is not None
            job.take(result)

    return run


def compute(payload: tuple[Callable[[Any], dict[str, Any]], Any]) -> dict[str, Any]:
    """Function and its payload; runs in a worker."""
    function, own = payload
    return function(own)


def _stretch_hours(engine: YearAir, tolerance: float) -> list[int]:
    """Hours at which stretches are walked: near to where the energy roughly is."""
    weight = (engine.usual**3).sum(axis=1)
    nodes, _ = engine.first(tolerance)
    nodes = nodes[:: max(1, len(nodes) // _CANDIDATES)]
    return standing(engine.at, weight / weight.sum(), nodes, STRETCHES)


@dataclass
class _Made:
    """What is computed at the ``chosen`` hours: response ``tables`` of each mount, one for each
    stretch, those of wind ``alone`` (None without any wind), and ``change`` of the logarithm of the
    mean cube, (inputs, 2, stretches, mounts)."""

    engine: YearAir
    chosen: list[int]
    tables: list[dict[int, ResponseTable]]
    alone: list[ResponseTable | None]
    change: Array

    @classmethod
    def of(cls, engine: YearAir, chosen: list[int]) -> _Made:
        """Nothing yet."""
        mounts = len(engine.mounts)
        items = len(model_inputs(engine.hours.case_))
        change = np.zeros((items, 2, len(chosen), mounts))
        return cls(engine, chosen, [{} for _ in range(mounts)], [None] * mounts, change)

    def jobs(self) -> list[Job]:
        """What computes all of it, the longest first."""
        found: list[Job] = []
        hours = self.engine.hours
        case, mounts = hours.case_, self.engine.mounts
        items = model_inputs(case)
        shaft = self._shaft()
        for mine in same_wall(mounts):
            own = [mounts[k] for k in mine]
            cases = tuple(hours.case(n, own) for n in self.chosen)
            for part in self._parts():
                task = ModelTask(cases, tuple(items[i] for i in part))
                name = f"model {mine} {self.chosen} {part}"
                found.append(Job(compute_model, task, name, partial(self._change, part, mine)))
            some = [mine[k : k + _TOGETHER] for k in range(0, len(mine), _TOGETHER)]
            for place, n in enumerate(self.chosen):
                for few in some:
                    one = hours.case(n, [mounts[k] for k in few])
                    take = partial(self._stretch, place, few)
                    found.append(
                        Job(compute_stretch, StretchTask(one, shaft), f"stretch {few} {n}", take)
                    )
            speed = hours.wind_speed_m_s
            windy = np.flatnonzero(speed > 0.0)
            if windy.size:
                usual = int(windy[np.argsort(speed[windy])[(2 * windy.size) // 3]])
                for few in some:
                    one = hours.case(usual, [mounts[k] for k in few])
                    task_alone = StretchTask(one, shaft, alone=True)
                    take = partial(self._stretch, None, few)
                    found.append(Job(compute_stretch, task_alone, f"wind {few} {usual}", take))
        return found

    def _parts(self) -> list[list[int]]:
        """Numbers of the inputs of each task of the model interval."""
        case = self.engine.hours.case_
        if not case.compute.model_interval:
            return []
        items = range(len(model_inputs(case)))
        return [list(items[k::_MODEL_TASKS]) for k in range(_MODEL_TASKS)]

    def _shaft(self) -> float | None:
        """Speed of a rotor that is held at one the case does not give, rad/s."""
        case, hours = self.engine.hours.case_, self.engine.hours
        if case.rotor is None or case.rotor.response != "fixed_speed":
            return None
        density = float(hours.winds.density_kg_m3.mean())
        rotor = rotor_of(case, self.engine.mounts[0])
        return best_fixed_speed(rotor, self.engine.usual[:, 0], density)

    def _change(self, part: list[int], mine: list[int], result: dict[str, Array]) -> None:
        self.change[np.ix_(part, range(2), range(len(self.chosen)), mine)] = result["change"]

    def _stretch(self, place: int | None, mine: list[int], result: dict[str, Array]) -> None:
        for number, k in enumerate(mine):
            table = table_of(result, number)
            if place is None:
                self.alone[k] = table
            else:
                self.tables[k][place] = table

    def of_mount(self, mount: int) -> list[ResponseTable]:
        """Tables of one mount in the order of the chosen hours."""
        return [self.tables[mount][place] for place in range(len(self.chosen))]


def _years(engine: YearAir, air: HourlyAir, made: _Made) -> list[MountYear]:
    """The year of each mount."""
    hours, mounts, chosen, change = engine.hours, engine.mounts, made.chosen, made.change
    case, winds = hours.case_, hours.winds
    table, energy = year_table(case), case.energy or EnergyTable()
    shares = shares_of(engine.at, engine.at[list(chosen)])
    speed = np.hypot(*winds.velocity_m_s.T)
    names = [item.name for item in model_inputs(case)]
    drawn = [dict[str, Percentiles]() for _ in mounts]
    if table.years:
        makers = [
            YearOfMount(k, made.of_mount(k), rotor_of(case, m).area_m2, coefficient_range(case, m))
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
        power = power_coefficient(made.of_mount(k), shares, cube, mean).mean(axis=0) * flux * cube
        wind_cube, wind_mean = of_wind(ambient_moments(case, mount), speed, winds.intensity)
        only = made.alone[k]
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
        net = net_power(case, rotor, power)
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
                with_traffic_w=power,
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
