"""Power coefficient of a rotor at every state of a table of places, traffic and winds.

As for the hours of a year (``year_power``): at a few traffics and winds that stand for all,
stretches are walked past the rotor, here at a few places. Every state takes the response tables of
the nearest, each at the state's own effective speed and its own mean cube over cubed mean. States
without vehicles take that of wind alone. Where no air moves the coefficient is 0.

Power itself goes with the cube of the speed and bends too much between states; the coefficient and
the effective speed are what to interpolate.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from wakesim.air.density import density_of
from wakesim.arrays import Array, Mask
from wakesim.case.schema import Case
from wakesim.energy.bounds import BETZ
from wakesim.energy.hourly_power import rotor_of
from wakesim.energy.response import best_fixed_speed
from wakesim.energy.year_air import Places, usual_speed
from wakesim.energy.year_hours import HoursOfYear, Winds
from wakesim.energy.year_power import (
    STRETCHES,
    ResponseTable,
    StretchTask,
    power_coefficient,
    shares_of,
    standing,
    table_of,
)
from wakesim.measures.places import moved
from wakesim.traffic.counts import CountStream
from wakesim.traffic.scene import one_hour

_PLACES = 2  # at which stretches are walked past the rotor
_CANDIDATES = 1000  # states among which those of the stretches are chosen
_ASIDE_M = 1.0  # to the nearest lane; nearer places are alike


def hours_of_states(case: Case, states: Sequence[Case], speed_factor: Array) -> HoursOfYear:
    """States (n,) as hours: each a case of one clock hour, which differs from ``case`` in flows,
    wind and the factor (n,) on all speeds alone."""
    traffic = case.traffic
    assert traffic is not None
    n, hour = len(states), states[0].compute.hours[0]
    streams = tuple(
        CountStream(flow.carriageway, None, kind)
        for flow in traffic.flows
        for kind, mix in (("light", flow.light_mix), ("heavy", flow.heavy_mix)) if mix
    )  # fmt: skip
    flow = np.zeros((n, len(streams)))
    velocity, intensity = np.zeros((n, 2)), np.zeros(n)
    for i, state in enumerate(states):
        assert state.traffic is not None
        of = {one.carriageway: one for one in state.traffic.flows}
        for k, stream in enumerate(streams):
            share = of[stream.carriageway].heavy_share[hour]
            part = share if stream.kind == "heavy" else 1.0 - share
            flow[i, k] = part * of[stream.carriageway].hourly_veh_h[hour]
        wind = state.air.wind
        if wind is not None:
            angle = np.radians(wind.angle_deg)
            velocity[i] = wind.speed_m_s * np.array([np.cos(angle), np.sin(angle)])
            intensity[i] = wind.intensity(case.mounts[0].height_m)
    none, nowhen = np.zeros(n, dtype=np.int64), np.zeros(n, dtype="datetime64[s]")
    return HoursOfYear(
        case_=case, time_utc=nowhen, start=nowhen, month=none + 1, day=none, clock_hour=none,
        streams=streams, flow_veh_h=flow,
        speed_factor=np.repeat(speed_factor[:, None], len(case.road.carriageways), axis=1),
        flow_filled=none.astype(bool),
        winds=Winds(velocity, intensity, np.ones(n), none.astype(bool)), holidays=(), warnings=(),
    )  # fmt: skip


def place_features(case: Case, places: Array) -> Array:
    """Places (m, 2) y, z in m by what their air goes with, (m, 2)."""
    aside = np.min(
        [np.abs(places[:, 0] - lane.centre_m) - lane.width_m / 2 for lane in case.road.lanes],
        axis=0,
    )  # fmt: skip
    return np.column_stack([np.log(np.maximum(aside, _ASIDE_M)), np.log(places[:, 1])])


@dataclass(frozen=True)
class Stretch:
    """A state, by its number, of which a stretch is walked; ``alone``: of wind without vehicles."""

    state: int
    alone: bool


class TablePower:
    """Which stretches are walked for the states of a table, and what each state takes of them.

    ``states`` (n,) cases of one clock hour, with their factors on all speeds; ``count`` (n,) how
    many states of the table each stands for; ``places`` (m, 2) of the rotor of the first mount.
    """

    def __init__(
        self, case: Case, states: Sequence[Case], speed_factor: Array, count: Array, places: Array
    ) -> None:
        self.case, self.states = case, states
        hours = hours_of_states(case, states, speed_factor)
        known = Places(hours)
        force = known.force(hours.flow_veh_h, hours.speed_factor)
        self.at = known.features(force, hours.winds)
        self.driven: Mask = force.sum(axis=1) > 0.0
        quiet = ~self.driven & (np.hypot(*hours.winds.velocity_m_s.T) > 0.0)
        traffic, wind = self._stand(self.driven, count), self._stand(quiet, count, 1)
        self.stretches = [*(Stretch(k, False) for k in traffic), *(Stretch(k, True) for k in wind)]
        where = place_features(case, places)
        chosen = standing(where, np.ones(len(places)), range(len(places)), _PLACES)
        self.place_shares = shares_of(where, where[chosen])
        here = [moved(case.mounts[0], *map(float, places[k])) for k in chosen]
        self.mounts = tuple(
            mount.model_copy(update={"name": f"place {k}"}) for k, mount in enumerate(here)
        )
        self._usual = usual_speed(case, self.mounts[0], force, hours.winds)

    def _stand(self, among: Mask, count: Array, most: int = STRETCHES) -> list[int]:
        """States that are together nearest to all of those ``among`` which they are."""
        few = np.flatnonzero(among)
        if few.size > _CANDIDATES:
            few = np.sort(np.random.default_rng(0).choice(few, _CANDIDATES, replace=False))
        found = standing(self.at[few], count[few].astype(float), range(few.size), most)
        return [int(few[k]) for k in found]

    @property
    def shaft_speed_rad_s(self) -> float | None:
        """Speed of a rotor that is held at one the case does not give: its best in all states."""
        rotor = rotor_of(self.case, self.mounts[0])
        if rotor.response != "fixed_speed" or rotor.shaft_speed_rad_s is not None:
            return rotor.shaft_speed_rad_s
        return best_fixed_speed(rotor, self._usual, density_of(self.case.air))

    def tasks(self) -> list[StretchTask]:
        """What ``compute_stretch`` is asked for, a task a stretch."""
        own = one_hour(self.case, self.states[0].compute.hours[0])
        shaft = self.shaft_speed_rad_s
        tasks = []
        for stretch in self.stretches:
            state = self.states[stretch.state]
            # of wind alone the vehicles of the case are there to be left out
            case = replace(own, air=state.air) if stretch.alone else state
            tasks.append(StretchTask(replace(case, mounts=self.mounts), shaft, stretch.alone))
        return tasks

    def coefficient(
        self, results: Sequence[dict[str, Any] | None], cube: Array, mean: Array
    ) -> Array:
        """Mean electrical power before standby use over the flux at the effective speed, (n, m), of
        states with mean cubes, m3/s3, and means, m/s, of the rotor-equivalent speed (n, m).

        ``results`` of the tasks, None where one failed. NaN where no stretch is left.
        """
        out = np.full(cube.shape, np.nan)
        for mine, alone in ((self.driven, False), (~self.driven, True)):
            walked = [
                (stretch.state, [table_of(result, i) for i in range(len(self.mounts))])
                for stretch, result in zip(self.stretches, results, strict=True)
                if stretch.alone == alone and result is not None
            ]
            if walked and mine.any():
                out[mine] = self._of(walked, mine, cube[mine], mean[mine])
        out[cube <= 0.0] = 0.0
        out[np.isnan(cube)] = np.nan
        return np.clip(out, 0.0, BETZ)

    def _of(
        self, walked: Sequence[tuple[int, list[ResponseTable]]], mine: Mask, cube: Array,
        mean: Array,
    ) -> Array:  # fmt: skip
        """Coefficients (states, places) of ``mine``."""
        tables = [table for _, of_places in walked for table in of_places]
        shares = shares_of(self.at[mine], self.at[[state for state, _ in walked]])
        found = np.empty(cube.shape)
        for place, here in enumerate(self.place_shares):
            both = (shares[:, :, None] * here).reshape(len(shares), -1)
            power = power_coefficient(tables, both, cube[:, place], mean[:, place])
            found[:, place] = power.mean(axis=0)
        return found
