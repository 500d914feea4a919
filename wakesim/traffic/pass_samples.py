"""Every pass of every class in every lane, sampled at many points.

Views that differ by their lane alone are a group: one set of nodes, one wake.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import NamedTuple

import numpy as np

from wakesim.arrays import Array, Index, kernel
from wakesim.section.wake import ROAD_ROUGHNESS_M
from wakesim.traffic.lines import FieldSettings, LaneView
from wakesim.traffic.measure import Measure
from wakesim.traffic.pass_nodes import PassNodes, pass_nodes, wander_nodes
from wakesim.vehicle.pulse_grid import PulseFields
from wakesim.vehicle.wake import SHARE_U, SHARE_V, AirState, vehicle_wake, with_wall_image

# Gap to a vehicle, m, up to which 5 and 3 wander nodes are used; farther off, 1.
_RULE_GAPS_M = (1.5, 9.0)
_RULE_SIZES = np.array([1, 3, 5])
_LATERAL_MARGIN_M = 1.0


@dataclass(frozen=True)
class PointSamples:
    """Samples at one point: ``values`` (n, 4) pulse u, pulse v, wake u and k per unit speed (and
    its square) in road axes; ``node`` and ``view`` (n,) which node and view; ``chance`` (n,) the
    share of the view's passes. ``node_weight``, ``node_begin`` (nodes,) and ``moments`` (nodes, 5):
    see ``pass_nodes``."""

    count: int
    values: Array
    node: Index
    view: Index
    chance: Array
    node_weight: Array
    node_begin: Array
    moments: Array

    def measure(self, rates_per_s: Array, drag: Array, parts: Array) -> Measure:
        """Intensity measure for passes/s (views,) and the drag (views,) left to each view's wakes;
        ``parts`` (3,): factors on pulse, wake and k."""
        weight, nodes = np.empty(self.count), np.empty((self.count, 5))
        n = _combine(
            self.count, self.values, self.node, self.view, self.chance, self.node_weight,
            self.moments, rates_per_s, drag, parts, SHARE_U, SHARE_V, weight, nodes,
        )  # fmt: skip
        return Measure(weight[:n], nodes[:n])

    def _ages(self, step_s: float) -> tuple[float, int]:
        """First age, s, and number of steps that hold all passes, the same for all points."""
        if self.node_begin.size == 0:
            return 0.0, 0
        first = float(self.node_begin.min())
        span = float((self.node_begin + self.node_weight).max()) - first
        return first, math.ceil(span / step_s)

    def signatures(
        self, rates_per_s: Array, drag: Array, parts: Array, lane: Index, flows_veh_s: Array,
        step_s: float,
    ) -> Array:  # fmt: skip
        """Mean velocity u, v (m/s) and its covariance uu, vv, uv (m2/s2) that a vehicle of each
        lane brings in each step of its age, (lanes, ages, 5), youngest first; ``lane`` (views,):
        number of each view's lane, ``flows_veh_s`` (lanes,): the sums of ``rates_per_s``, other
        arguments as in ``measure``."""
        first, ages = self._ages(step_s)
        out = np.zeros((len(flows_veh_s), ages, 5))
        _collect(
            self.count, self.values, self.node, self.view, self.chance, self.node_weight,
            self.node_begin, self.moments, rates_per_s, drag, parts, SHARE_U, SHARE_V, lane, first,
            step_s, flows_veh_s, out,
        )  # fmt: skip
        return out


class _Group(NamedTuple):
    """Nodes and sections of the wake of a group: y, z, u and k (nw, ny, nz), and the lateral place
    of its centre (nw,)."""

    nodes: PassNodes
    wake: tuple[Array, Array, Array, Array]
    shift: Array


class _Lines(NamedTuple):
    """Lines past a vehicle at the wander nodes of each point in turn: the first of each point
    (m + 1,); their Y and that of their images in the wall (lines,), infinite without; the share of
    the passes (lines,); the pulse u and v (lines, 2, nx) with that of the image."""

    first: Index
    aside: Array
    image: Array
    chance: Array
    rows: Array


class PassSampler:
    """Passes at points (m, 2) y, z; see the module's head. ``many``: the points are a part of many,
    for which the pulses are tabulated."""

    def __init__(
        self,
        views: Sequence[LaneView],
        settings: FieldSettings,
        pulses: PulseFields,
        wall_y_m: float | None,
        points: Array,
        refine: int = 1,
        viscosity_m2_s: float = 0.0,
        many: bool = False,
    ) -> None:
        self.many = many
        self.viscosity_m2_s = viscosity_m2_s
        self.views, self.settings, self.pulses = tuple(views), settings, pulses
        self.wall_y_m, self.points, self.refine = wall_y_m, points, refine
        offsets, self._chances = _rules()
        self._offsets = settings.wander_sd_m * offsets
        self._groups: dict[tuple[object, ...], list[int]] = {}
        for number, view in enumerate(self.views):
            self._groups.setdefault(self._group_key(view), []).append(number)

    def _air(self, view: LaneView) -> AirState:
        return self.settings.air_state(view, view.relative_speed_m_s, self.viscosity_m2_s)

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
                extra = _RULE_SIZES[rules[i]] - 1
                counts += group.nodes.x.size + extra * group.nodes.pulse_end
        most = int(counts.max(initial=1))
        m = len(self.points)
        values = np.empty((m, most, 4))
        node, view_of = (np.empty((m, most), dtype=np.int64) for _ in range(2))
        chance = np.empty((m, most))
        start = np.zeros(m, dtype=np.int64)
        for k, (group, numbers) in enumerate(zip(groups, self._groups.values(), strict=True)):
            for i in numbers:
                self._sample(group, i, rules[i], int(first_node[k]),
                             start, values, node, view_of, chance)  # fmt: skip
        weight = np.concatenate([g.nodes.weight for g in groups] or [np.empty(0)])
        begin = np.concatenate([g.nodes.begin for g in groups] or [np.empty(0)])
        moments = np.concatenate([g.nodes.moments for g in groups] or [np.empty((0, 5))])
        return [
            PointSamples(
                int(start[p]), values[p], node[p], view_of[p], chance[p], weight, begin, moments
            )
            for p in range(m)
        ]

    def _prepared(self, views: Sequence[LaneView]) -> _Group:
        view, settings = views[0], self.settings
        wake = vehicle_wake(view.vehicle, settings.constants, self._air(view))
        lateral = np.stack([self._lateral(s, self.points[:, 0]) for s in views])
        wall = None if self.wall_y_m is None else np.array([[self._wall(s)] for s in views])
        seen = with_wall_image(lateral, wall)
        margin = _LATERAL_MARGIN_M + 3.0 * settings.wander_sd_m
        nodes = pass_nodes(
            wake, self.pulses.x(view.vehicle), view.mean_speed_m_s, view.speed_sd_m_s,
            view.direction * view.wind_along_m_s, settings.wake_memory_s,
            (min(p.min() for p in seen) - margin, max(p.max() for p in seen) + margin),
            self.refine,
        )  # fmt: skip
        behind = -view.vehicle.length_m - nodes.x[nodes.nose :]
        shift = wake.air.crosswind_ratio * np.maximum(behind, 0.0)
        aside = None
        if not shift.any():
            wander = np.unique(self._offsets)
            aside = np.abs(np.concatenate([p.ravel() for p in seen])[:, None] - wander)
        return _Group(nodes, wake.sections(behind, aside, self.points[:, 1]), shift)

    def _rule(self, view: LaneView) -> Index:
        """How many wander nodes each point needs: index of _RULE_SIZES."""
        if self.settings.wander_sd_m == 0.0:
            return np.zeros(len(self.points), dtype=np.int64)
        aside = np.abs(self._lateral(view, self.points[:, 0])) - 0.5 * view.vehicle.width_m
        above = self.points[:, 1] - view.vehicle.height_m
        gap = np.hypot(np.maximum(aside, 0.0), np.maximum(above, 0.0))
        near, far = _RULE_GAPS_M
        return np.where(gap < near, 2, np.where(gap < far, 1, 0)).astype(np.int64)

    def _seen_lines(self, view: LaneView, rule: Index) -> _Lines:
        first = np.concatenate([[0], np.cumsum(_RULE_SIZES[rule])])
        point = np.repeat(np.arange(rule.size), _RULE_SIZES[rule])
        turn = np.arange(point.size) - first[point]
        wander = self._offsets[rule[point], turn]
        aside = self._lateral(view, self.points[:, 0])[point] - wander
        image = 2.0 * (self._wall(view) - wander) - aside
        chance, height = self._chances[rule[point], turn], self.points[point, 1]
        if self.wall_y_m is None:
            rows = self.pulses.lines(view.vehicle, aside, height, self.many)
        else:
            across, up = np.concatenate([aside, image]), np.tile(height, 2)
            both = self.pulses.lines(view.vehicle, across, up, self.many)
            rows, mirrored = both[: aside.size], both[aside.size :]
            rows[:, 0] += mirrored[:, 0]
            rows[:, 1] -= mirrored[:, 1]
        return _Lines(first, aside, image, chance, rows)

    def _sample(
        self, group: _Group, number: int, rule: Index, first_node: int,
        start: Index, values: Array, node: Index, view_of: Index, chance: Array,
    ) -> None:  # fmt: skip
        nodes, wake, shift = group
        view = self.views[number]
        _sample_points(
            self.points[:, 1].copy(), *self._seen_lines(view, rule),
            nodes.nose, nodes.pulse_end, nodes.first, nodes.share, float(view.direction),
            *wake, shift, ROAD_ROUGHNESS_M, number, first_node,
            start, values, node, view_of, chance,
        )  # fmt: skip


@cache
def _rules() -> tuple[Array, Array]:
    """Wander nodes (3, 5) in standard deviations and weights (3, 5) of each rule, the middle node
    first; zeros beyond a rule's own."""
    offsets, weights = np.zeros((2, _RULE_SIZES.size, _RULE_SIZES.max()))
    for k, size in enumerate(_RULE_SIZES):
        x, w = wander_nodes(size)
        order = np.argsort(np.abs(x), kind="stable")
        offsets[k, 1:size], weights[k, :size] = x[order[1:]], w[order]
    return offsets, weights


# --- compiled loops ---


@kernel(part=True)
def _wake_at(ys, zs, u, k, y, z, rough):
    """u and k of one section (ny, nz) at y >= 0 and z, linear; ln z below the first centre."""
    ny, nz = u.shape
    if y > ys[ny - 1] or z > zs[nz - 1]:
        return 0.0, 0.0
    i = min(max(np.searchsorted(ys, y) - 1, 0), ny - 2)
    j = min(max(np.searchsorted(zs, z) - 1, 0), nz - 2)
    a = min(max((y - ys[i]) / (ys[i + 1] - ys[i]), 0.0), 1.0)
    c = min(max((z - zs[j]) / (zs[j + 1] - zs[j]), 0.0), 1.0)
    low = (1.0 - a) * (1.0 - c)
    flow = low * u[i, j] + a * (1.0 - c) * u[i + 1, j]
    flow += (1.0 - a) * c * u[i, j + 1] + a * c * u[i + 1, j + 1]
    energy = low * k[i, j] + a * (1.0 - c) * k[i + 1, j]
    energy += (1.0 - a) * c * k[i, j + 1] + a * c * k[i + 1, j + 1]
    if z < zs[0]:
        flow *= max(np.log(max(z, rough) / rough) / np.log(zs[0] / rough), 0.0)
    return flow, energy


@kernel()
def _sample_points(
    height, first_line, aside, image, line_chance, rows,
    tail, pulse_end, first, share, direction, wake_y, wake_z, wake_u, wake_k, shift, rough,
    number, first_node, start, out, node, view, chance,
):  # fmt: skip
    """Samples of one view at all points, written from ``start`` (m,) on, which is moved on.

    ``first_line`` to ``rows`` as in ``_Lines``; ``wake_y``, ``wake_z`` and ``wake_u``, ``wake_k``
    (nw, ny, nz): sections of the wake at the nodes behind the nose, about its own centre, which is
    ``shift`` (nw,) aside; ``rough`` m, where u is 0.
    ``out`` (m, N, 4): pulse u, v, wake u, k per unit speed in road axes; ``node`` and ``view``
    (m, N): which node and view; ``chance`` (m, N): share of the passes.
    """
    nodes = tail + wake_u.shape[0]
    for p in range(height.size):
        n = start[p]
        for k in range(first_line[p], first_line[p + 1]):
            row = rows[k]
            end = pulse_end if k > first_line[p] else nodes
            for j in range(end):
                u = 0.0
                v = 0.0
                wake = 0.0
                energy = 0.0
                if j < pulse_end:
                    for a in range(4):
                        i = first[j] + a
                        u += share[j, a] * row[0, i]
                        v += share[j, a] * row[1, i]
                if j >= tail:
                    b = j - tail
                    wake, energy = _wake_at(
                        wake_y, wake_z, wake_u[b], wake_k[b], abs(aside[k] - shift[b]), height[p],
                        rough,
                    )  # fmt: skip
                    if np.isfinite(image[k]):
                        more, extra_k = _wake_at(
                            wake_y, wake_z, wake_u[b], wake_k[b], abs(image[k] - shift[b]),
                            height[p], rough,
                        )  # fmt: skip
                        wake += more
                        energy += extra_k
                out[p, n, 0] = direction * u
                out[p, n, 1] = direction * v
                out[p, n, 2] = direction * wake
                out[p, n, 3] = energy
                node[p, n] = first_node + j
                view[p, n] = number
                chance[p, n] = line_chance[k] if j < pulse_end else 1.0
                n += 1
        start[p] = n


@kernel(part=True)
def _felt(sample, moment, drag, parts, share_u, share_v):
    """Mean u, v and covariance uu, vv, uv of a sample over the speeds, with its turbulence."""
    pulse_u, pulse_v = parts[0] * sample[0], parts[0] * sample[1]
    wake, energy = parts[1] * drag * sample[2], parts[2] * drag * sample[3]
    r, rc, rr, rrc, rrcc = moment
    u = r * pulse_u + rc * wake
    v = r * pulse_v
    square = rr * pulse_u * pulse_u + 2.0 * rrc * pulse_u * wake + rrcc * wake * wake
    uu = max(square - u * u, 0.0) + 2.0 * share_u * rrc * energy
    vv = max(rr - r * r, 0.0) * pulse_v * pulse_v + 2.0 * share_v * rrc * energy
    return u, v, uu, vv, pulse_v * (rr * pulse_u + rrc * wake) - u * v


@kernel()
def _combine(
    count, samples, node, view, chance, node_weight, moments, rate, drag, parts,
    share_u, share_v, weight, nodes,
):  # fmt: skip
    """Nodes and weights of a Measure from the samples of one point; returns how many.

    ``rate`` and ``drag`` (views,); ``parts`` (3,): factors on pulse, wake and k.
    """
    n = 0
    for i in range(count):
        g, s = node[i], view[i]
        w = rate[s] * chance[i] * node_weight[g]
        if w <= 0.0:
            continue
        u, v, uu, vv, uv = _felt(samples[i], moments[g], drag[s], parts, share_u, share_v)
        if u == 0.0 and v == 0.0 and uu == 0.0 and vv == 0.0:
            continue
        weight[n] = w
        nodes[n, 0] = u
        nodes[n, 1] = v
        nodes[n, 2] = uu
        nodes[n, 3] = vv
        nodes[n, 4] = uv
        n += 1
    return n


@kernel()
def _collect(
    count, samples, node, view, chance, node_weight, node_begin, moments, rate, drag, parts,
    share_u, share_v, lane, first, step, flow, out,
):  # fmt: skip
    """See ``PointSamples.signatures``; ``flow`` (lanes,): sums of ``rate``. Each node stands for
    its stretch of ages, which is shared among the steps it touches."""
    for i in range(count):
        g, s = node[i], view[i]
        if rate[s] <= 0.0:
            continue
        u, v, uu, vv, uv = _felt(samples[i], moments[g], drag[s], parts, share_u, share_v)
        if u == 0.0 and v == 0.0 and uu == 0.0 and vv == 0.0:
            continue
        w = rate[s] * chance[i] / flow[lane[s]]
        begin = (node_begin[g] - first) / step
        end = begin + node_weight[g] / step
        own = out[lane[s]]
        for j in range(int(begin), min(int(end) + 1, own.shape[0])):
            part = w * (min(end, j + 1.0) - max(begin, 1.0 * j))
            own[j, 0] += part * u
            own[j, 1] += part * v
            own[j, 2] += part * (uu + u * u)
            own[j, 3] += part * (vv + v * v)
            own[j, 4] += part * (uv + u * v)
    for n in range(out.shape[0]):
        for j in range(out.shape[1]):
            u, v = out[n, j, 0], out[n, j, 1]
            out[n, j, 2] = max(out[n, j, 2] - u * u, 0.0)
            out[n, j, 3] = max(out[n, j, 3] - v * v, 0.0)
            out[n, j, 4] -= u * v
