"""Every pass of every class in every lane, sampled at many points.

Sights that differ by their lane alone are a group: one set of nodes, one wake.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import NamedTuple

import numpy as np

from wakesim.arrays import Array, Index
from wakesim.measures.pass_nodes import PassNodes, pass_nodes, wander_nodes
from wakesim.measures.steady_kernels import sample_sight
from wakesim.section.wake import ROAD_ROUGHNESS_M
from wakesim.traffic.lines import FieldSettings, LaneView, air_relative_speed
from wakesim.vehicle.pulse_grid import PulseFields, PulseTable
from wakesim.vehicle.wake import AirState, vehicle_wake

# Gap to a vehicle, m, up to which 5 and 3 wander nodes are used; farther off, 1.
_RULE_GAPS_M = (1.5, 9.0)
_RULE_SIZES = (1, 3, 5)
_LATERAL_MARGIN_M = 1.0


@dataclass(frozen=True)
class PointSamples:
    """Samples at one point: ``values`` (n, 4) pulse u, pulse v, wake u and k per unit speed (and
    its square) in road axes; ``node`` and ``view`` (n,) which node and view; ``chance`` (n,) the
    share of the view's passes. ``node_weight`` (nodes,) and ``moments`` (nodes, 5): see
    ``pass_nodes``."""

    count: int
    values: Array
    node: Index
    view: Index
    chance: Array
    node_weight: Array
    moments: Array


class _Group(NamedTuple):
    """Nodes, pulse table and sections of the wake of a group: y, z, u and k (nw, ny, nz), and the
    lateral place of its centre (nw,)."""

    nodes: PassNodes
    table: PulseTable
    wake: tuple[Array, Array, Array, Array]
    shift: Array


class PassSampler:
    """Passes at points (m, 2) y, z; see the module's head."""

    def __init__(
        self,
        views: Sequence[LaneView],
        settings: FieldSettings,
        pulses: PulseFields,
        wall_y_m: float | None,
        points: Array,
        refine: int = 1,
        viscosity_m2_s: float = 0.0,
    ) -> None:
        self.viscosity_m2_s = viscosity_m2_s
        self.views, self.settings, self.pulses = tuple(views), settings, pulses
        self.wall_y_m, self.points, self.refine = wall_y_m, points, refine
        offsets, self._rule_first, self._rule_weight = _rules()
        self._offsets = settings.wander_sd_m * offsets
        self._groups: dict[tuple[object, ...], list[int]] = {}
        for number, view in enumerate(self.views):
            self._groups.setdefault(self._group_key(view), []).append(number)

    def _relative(self, view: LaneView) -> float:
        return float(air_relative_speed(view.mean_speed_m_s, view.direction, view.wind_along_m_s))

    def _air(self, view: LaneView) -> AirState:
        return self.settings.air_state(view, self._relative(view), self.viscosity_m2_s)

    def _group_key(self, view: LaneView) -> tuple[object, ...]:
        along = view.direction * view.wind_along_m_s
        return view.vehicle, view.mean_speed_m_s, view.speed_sd_m_s, along, self._air(view)

    def _lateral(self, view: LaneView, y: Array) -> Array:
        offset = y - view.lane_centre_m + self.settings.lateral_shift_m
        return view.direction * offset

    def _wall(self, view: LaneView) -> float:
        if self.wall_y_m is None:
            return np.inf
        return view.direction * (self.wall_y_m - view.lane_centre_m)

    def samples(self) -> list[PointSamples]:
        """Samples of all views at every point."""
        groups = [self._prepared([self.views[i] for i in g]) for g in self._groups.values()]
        first_node = np.concatenate([[0], np.cumsum([g.nodes.x.size for g in groups])])
        rules = [self._rule(view) for view in self.views]
        counts = np.zeros(len(self.points), dtype=np.int64)
        for group, numbers in zip(groups, self._groups.values(), strict=True):
            for i in numbers:
                extra = np.diff(self._rule_first)[rules[i]] - 1
                counts += group.nodes.x.size + extra * group.nodes.pulse_end
        most = int(counts.max(initial=1))
        m = len(self.points)
        values = np.empty((m, most, 4))
        node, sight_of = (np.empty((m, most), dtype=np.int64) for _ in range(2))
        chance = np.empty((m, most))
        start = np.zeros(m, dtype=np.int64)
        for k, (group, numbers) in enumerate(zip(groups, self._groups.values(), strict=True)):
            for i in numbers:
                self._sample(group, i, rules[i], int(first_node[k]),
                             start, values, node, sight_of, chance)  # fmt: skip
        weight = np.concatenate([g.nodes.weight for g in groups] or [np.empty(0)])
        moments = np.concatenate([g.nodes.moments for g in groups] or [np.empty((0, 5))])
        return [
            PointSamples(int(start[p]), values[p], node[p], sight_of[p], chance[p], weight, moments)
            for p in range(m)
        ]

    def _prepared(self, views: Sequence[LaneView]) -> _Group:
        view, settings = views[0], self.settings
        table = self.pulses.table(view.vehicle)
        wake = vehicle_wake(view.vehicle, settings.constants, self._air(view))
        lateral = np.stack([self._lateral(s, self.points[:, 0]) for s in views])
        places = [lateral]
        if self.wall_y_m is not None:
            wall = np.array([self._wall(s) for s in views])
            places.append(2.0 * wall[:, None] - lateral)
        margin = _LATERAL_MARGIN_M + 3.0 * settings.wander_sd_m
        nodes = pass_nodes(
            wake, table.x, view.mean_speed_m_s, view.speed_sd_m_s,
            view.direction * view.wind_along_m_s, settings.wake_memory_s,
            (min(p.min() for p in places) - margin, max(p.max() for p in places) + margin),
            self.refine,
        )  # fmt: skip
        behind = -view.vehicle.length_m - nodes.x[nodes.nose :]
        shift = wake.air.crosswind_ratio * np.maximum(behind, 0.0)
        return _Group(nodes, table, wake.sections(behind), shift)

    def _rule(self, view: LaneView) -> Index:
        """How many wander nodes each point needs: index of _RULE_SIZES."""
        if self.settings.wander_sd_m == 0.0:
            return np.zeros(len(self.points), dtype=np.int64)
        aside = np.abs(self._lateral(view, self.points[:, 0])) - 0.5 * view.vehicle.width_m
        above = self.points[:, 1] - view.vehicle.height_m
        gap = np.hypot(np.maximum(aside, 0.0), np.maximum(above, 0.0))
        near, far = _RULE_GAPS_M
        return np.where(gap < near, 2, np.where(gap < far, 1, 0)).astype(np.int64)

    def _sample(
        self, group: _Group, number: int, rule: Index, first_node: int,
        start: Index, values: Array, node: Index, sight_of: Index, chance: Array,
    ) -> None:  # fmt: skip
        nodes, table, wake, shift = group
        view = self.views[number]
        sample_sight(
            self.points[:, 1].copy(), self._lateral(view, self.points[:, 0]), self._wall(view),
            self._offsets, rule, self._rule_first, self._rule_weight,
            table.x, table.beside, table.above, table.mapping, table.size, table.whole,
            nodes.nose, nodes.pulse_end, nodes.first, nodes.share, float(view.direction),
            *wake, shift, ROAD_ROUGHNESS_M, number, first_node,
            start, values, node, sight_of, chance,
        )  # fmt: skip


@cache
def _rules() -> tuple[Array, Index, Array]:
    """Distinct wander nodes (7,) in standard deviations, where each rule's weights begin (4,), and
    the weights (9,).

    The middle node, the other two of three, the other four of five.
    """
    offsets, weights = [np.zeros(1)], []
    for size in _RULE_SIZES:
        x, w = wander_nodes(size)
        order = np.argsort(np.abs(x), kind="stable")
        weights.append(w[order])
        if size > 1:
            offsets.append(x[order[1:]])
    first = np.concatenate([[0], np.cumsum(_RULE_SIZES)]).astype(np.int64)
    return np.concatenate(offsets), first, np.concatenate(weights)
