"""The road's cross-section as a place where traffic's momentum and turbulence are balanced.

``RoadSection`` holds grid, roughness, barriers and crosswind. On it

- ``steady_traffic`` finds the mean air of a steady stream of vehicles: each class in each lane is a
  source of along-road momentum, k and eps where its wakes enter the balance (``wake.WakeTable``:
  a few vehicle sizes behind the bubble). The wakes' own shear, which the mean flow does not show,
  goes on making turbulence there; for passes that arrive independently the mean square of the
  shear is that of the mean flow plus the rate times that of one wake (Campbell 1909), so

      S_k = q (k + int nu_t |grad u|^2 dt),   S_eps = q (eps + int C1 nu_t |grad u|^2 eps/k dt);

- the drag of every class is lowered by the air that moves along already, by (1 - U/V) |1 - U/V|
  with U the mean over where its wake enters (k in proportion, eps by the power 3/2);
- nothing of it changes in time. k and eps are swept to rest for the u of the moment
  (``steady.settle``), u is put to its linear balance in the eddy viscosity found, and so on, with
  changes of u combined after D. G. Anderson (J. ACM 12 (1965) 547), until u stands.

Units: SI. Arrays over the section are (ny, nz).
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from wakesim import constants
from wakesim.arrays import Array
from wakesim.errors import NumericalError
from wakesim.section.closure import LEAST_EPS, LEAST_K, VON_KARMAN, Closure
from wakesim.section.crossflow import Barrier, blocked_faces, face_flows
from wakesim.section.drift import DriftModel, drag_factor
from wakesim.section.grid import CrossSectionGrid
from wakesim.section.march import advance, place_section
from wakesim.section.steady import settle
from wakesim.section.wake import WakeTable

_SWEEPS = 12  # of the turbulence between two mean flows
_TRIES = ((30, 0.65, 2), (60, 0.4, 0))  # rounds, share of a change that is taken, changes combined
_COMBINE = 0.1  # largest change of u, of its largest, from which changes are combined
_SETTLED, _STALLED = 1e-4, 3e-3  # change left in the end: aimed at, too much
_EDDY_M = 1.5  # length of eddies at the start
_AROUND_M, _LOW_M, _HIGH_M = 6.0, 0.8, 4.5
_COURANT = 0.5  # up to which advection keeps k and eps positive
LASTING_S = 7200.0  # for so long the traffic has acted, mean of an exponential age, assumed
_LEAST_DIFFUSIVITY = 1e-9  # m2/s
_LARGEST_VISCOSITY = constants.LARGEST_VISCOSITY_M2_S.value


@dataclass(frozen=True)
class RoadState:
    """Mean air of steady traffic: u, k, eps and eddy viscosity (ny, nz), drag factors (sources,).

    ``viscosity`` is the traffic's, without the ambient part.
    """

    u: Array
    k: Array
    eps: Array
    viscosity: Array
    factor: Array


@dataclass(frozen=True)
class Sources:
    """Classes in lanes as sources of a section: ``entry`` (s, 5, ny, nz) per unit speed as in
    ``WakeTable.entry``, ``direction`` (s,) +1 or -1, ``speed`` (s,) through the air, m/s."""

    entry: Array
    direction: Array
    speed: Array


def _combined(tried: Sequence[tuple[Array, Array]], share: float) -> Array:
    """What to try next, from fields tried (n,) and the change (n,) each of them asks for."""
    value, change = tried[-1]
    best = value + share * change
    if len(tried) > 1:
        values, changes = (np.diff([one[i] for one in tried], axis=0) for i in (0, 1))
        part = np.linalg.lstsq(changes @ changes.T, changes @ change, rcond=1e-10)[0]
        best -= part @ (values + share * changes)
    return np.asarray(best)


class RoadSection:
    """Grid, ground and crosswind of a road.

    ``roughness_m`` (ny,) m or one; ``crosswind_m_s`` towards +y, a number or a function of z;
    ``friction_velocity_m_s`` of the ambient wind, whose eddy viscosity is kappa u* z.
    """

    def __init__(
        self,
        grid: CrossSectionGrid,
        roughness_m: ArrayLike,
        crosswind_m_s: float | Callable[[Array], Array] = 0.0,
        friction_velocity_m_s: float = 0.0,
        barriers: Sequence[Barrier] = (),
    ) -> None:
        self.grid, self.barriers = grid, tuple(barriers)
        rough = np.broadcast_to(np.asarray(roughness_m, dtype=np.float64), grid.shape[:1])
        self.roughness = np.minimum(rough, 0.5 * grid.z[0])
        self.crosswind = crosswind_m_s
        self.friction_velocity = friction_velocity_m_s
        self.closed = blocked_faces(grid, self.barriers)
        self._flow_y, self._flow_z = face_flows(grid, crosswind_m_s, self.closed)
        ny, nz = grid.shape
        self._closed_z = np.zeros((nz + 1, ny), dtype=bool)
        self._side = np.zeros((2, nz))  # still air beyond the sides, but where the wind leaves
        self._side[0, self._flow_y[0] >= 0.0] = 1.0 / (grid.y[0] - grid.y_edges[0])
        self._side[1, self._flow_y[-1] <= 0.0] = 1.0 / (grid.y_edges[-1] - grid.y[-1])
        ambient = np.minimum(VON_KARMAN * friction_velocity_m_s * grid.z, _LARGEST_VISCOSITY)
        self._ambient = np.broadcast_to(ambient, grid.shape).copy()
        self._last_model: DriftModel | None = None

    @property
    def content(self) -> tuple[object, ...]:
        """What its balances depend on."""
        return (
            self.grid, self.roughness, self._flow_y, self._flow_z, self.friction_velocity,
            self.barriers,
        )  # fmt: skip

    @cached_property
    def _courant_rate(self) -> float:
        """Largest Courant number a second."""
        g = self.grid
        out_y = np.maximum(np.abs(self._flow_y[1:]), np.abs(self._flow_y[:-1]))
        out_z = np.maximum(np.abs(self._flow_z[:, 1:]), np.abs(self._flow_z[:, :-1]))
        return float(((out_y + out_z) / g.areas).max())

    def parts(self, step_s: float) -> int:
        """Parts of half a step in which the crosswind carries, 0 in calm."""
        rate = self._courant_rate
        return 0 if rate == 0.0 else max(1, int(np.ceil(0.5 * step_s * rate / _COURANT)))

    def project(self, table: WakeTable, values: ArrayLike, lane_y_m: float) -> Array:
        """A table's section (..., ny', nz') placed at a lane, (..., ny, nz): cell means, so that
        the integral is kept."""
        f = np.asarray(values, dtype=np.float64)
        grid = self.grid
        out = np.zeros((*f.shape[:-2], *grid.shape))
        area = np.outer(np.diff(table.y_edge), np.diff(table.z_edge))
        content = np.ascontiguousarray((f * area).reshape(-1, *area.shape))
        place_section(
            content, table.y_edge, table.z_edge, grid.y_edges - lane_y_m, grid.z_edges,
            out.reshape(-1, *grid.shape),
        )  # fmt: skip
        return out

    def entry_speed(self, sources: Sources, u: Array) -> Array:
        """Mean along-road velocity, road axes, where each source's wakes enter, (s,) m/s."""
        return np.einsum("sij,ij->s", self.entry_weight(sources), u)

    def entry_weight(self, sources: Sources) -> Array:
        """Share of each source's momentum that enters in each cell, (s, ny, nz)."""
        weight = sources.entry[:, 0] * self.grid.areas
        return np.asarray(weight / weight.sum(axis=(1, 2), keepdims=True))

    def force(self, sources: Sources) -> Array:
        """Momentum over the density that one pass of each source brings, road axes, (s, ny, nz)
        m/s."""
        return sources.entry[:, 0] * (sources.direction * sources.speed)[:, None, None]

    def around(self, sources: Sources, viscosity: Array) -> float:
        """Eddy viscosity around the lanes, where wakes spread, m2/s: mean over 10 m to each side
        and 1 to 4 m high."""
        grid = self.grid
        weight = (sources.entry[:, 0] * self.grid.areas).sum(axis=(0, 2))
        centre = float(weight @ grid.y / weight.sum())
        reach = float(np.sqrt(weight @ (grid.y - centre) ** 2 / weight.sum())) + _AROUND_M
        across = np.abs(grid.y - centre) < reach
        up = (grid.z > _LOW_M) & (grid.z < _HIGH_M)
        area = grid.areas[np.ix_(across, up)]
        return float((viscosity[np.ix_(across, up)] * area).sum() / area.sum())

    def _brought(self, sources: Sources) -> tuple[Array, Array, Array, Array]:
        """What one pass of each source brings, and its share of where it enters, (s, ny, nz);
        force, k and eps."""
        e = sources.entry
        entry = self.entry_weight(sources)
        return self.force(sources), e[:, 1] + e[:, 3], e[:, 2] + e[:, 4], entry

    @property
    def _ground(self) -> tuple[object, ...]:
        """Grid, closed faces, road and crosswind as the compiled loops take them."""
        grid = self.grid
        return (
            grid.y, grid.z, grid.y_edges, grid.z_edges, self.closed, self._closed_z,
            self.roughness, self._ambient, self.friction_velocity,
            self._flow_y, self._flow_z,
        )  # fmt: skip

    def step(
        self, fields: tuple[Array, ...], made: tuple[Array, Array, Array], last_s: float,
        step_s: float, closure: Closure,
    ) -> float:  # fmt: skip
        """Advance u, k, eps, g and the last eddy viscosity, in place; friction of the road."""
        ground = self._ground
        return float(
            advance(
                *fields, last_s, step_s, *made, *ground[:6], self._side,
                np.zeros_like(self._side), *ground[6:], self.parts(step_s), True,
                closure.c_mu, closure.c1, closure.c2, closure.sigma_k, closure.sigma_eps,
                closure.weak_shear,
            )
        )  # fmt: skip

    def at_rest(self) -> tuple[Array, ...]:
        """u, k, eps, g and eddy viscosity of still air."""
        shape = self.grid.shape
        return (
            np.zeros(shape), np.full(shape, LEAST_K), np.full(shape, LEAST_EPS), np.ones(shape),
            np.zeros(shape),
        )  # fmt: skip

    def steady_traffic(
        self, sources: Sources, rates: Array, closure: Closure, start: RoadState | None = None
    ) -> RoadState:
        """Mean air of ``rates`` (s,) passes a second; the same, to 1e-4 of the largest u, from
        whatever ``start`` the search begins. Raises NumericalError when it finds none."""
        if not rates.any():
            u, k, eps, _, viscosity = self.at_rest()
            return RoadState(u, k, eps, viscosity, np.ones(len(rates)))
        best = math.inf
        for attempt in _TRIES:
            with contextlib.suppress(NumericalError), np.errstate(all="ignore"):
                state, left = self._search(sources, rates, closure, start, *attempt)
                if left <= _STALLED:
                    return state
                best = min(best, left)
            start = None
        raise NumericalError(f"the road's mean air does not settle: {best:.1e} of it still changes")

    def _search(
        self, sources: Sources, rates: Array, closure: Closure, start: RoadState | None,
        rounds: int, share: float, remembered: int,
    ) -> tuple[RoadState, float]:  # fmt: skip
        """The state found in ``rounds``, and the change left in u, of its largest."""
        u, k, eps, g, viscosity = self.at_rest()
        factor = np.ones(len(rates))
        force, per_k, per_eps, weight = self._brought(sources)
        if start is None:
            k[:], eps[:] = self._first_guess(np.tensordot(rates * sources.speed**2, per_k, axes=1))
            viscosity = closure.c_mu * k**2 / eps
        else:
            k[:], eps[:], factor = start.k, start.eps, start.factor
            viscosity = start.viscosity.copy()
        speed, cube, left = sources.direction * sources.speed, sources.speed**3, math.inf
        tried: list[tuple[Array, Array]] = []
        for number in range(rounds):
            push = np.tensordot(rates * factor, force, axes=1)
            if not (np.isfinite(viscosity).all() and np.isfinite(push).all()):
                raise NumericalError("the search for the road's mean air ran away")
            found = self.linear(viscosity).responses(push[None])[0]
            change = found - u
            left = float(np.abs(change).max() / np.abs(found).max())
            if left <= _SETTLED or number == rounds - 1:
                u[:] = found
                break
            if number == 0:
                u[:] = found
            elif left > _COMBINE:
                u += share * change
            else:
                tried = [*tried, (u.ravel().copy(), change.ravel())][-remembered - 1 :]
                u[:] = _combined(tried, share).reshape(u.shape)
            factor = drag_factor(np.einsum("sij,ij->s", weight, u), speed)
            lost = rates * np.maximum(factor, 0.0) ** 1.5 * cube
            settle(
                u, k, eps, g, viscosity,
                np.maximum(np.tensordot(rates * factor * speed**2, per_k, axes=1), 0.0),
                np.maximum(np.tensordot(lost, per_eps, axes=1), 0.0),
                _SWEEPS, LASTING_S, *self._ground, closure.c_mu, closure.c1, closure.c2,
                closure.sigma_k, closure.sigma_eps, closure.weak_shear,
            )  # fmt: skip
        return RoadState(u, k, eps, viscosity, factor), left

    def _first_guess(self, made: Array) -> tuple[Array, Array]:
        """k and eps (ny, nz) about the lanes for a source ``made`` of k, m2/s3: what dissipates
        the whole of it there in eddies of one size."""
        grid = self.grid
        power = made * grid.areas
        centre = float((power.sum(axis=1) @ grid.y) / power.sum())
        spread = float((power.sum(axis=1) @ (grid.y - centre) ** 2) / power.sum())
        wide = math.sqrt(spread) + _AROUND_M
        lost = power.sum() / (2.0 * wide * _AROUND_M)
        most = (lost * _EDDY_M / 0.09**0.75) ** (2.0 / 3.0)
        shape = np.outer(np.exp(-np.abs(grid.y - centre) / wide), np.exp(-grid.z / _AROUND_M))
        k = np.maximum(most * shape, LEAST_K)
        return k, np.maximum(0.09**0.75 * k**1.5 / _EDDY_M, LEAST_EPS)

    def linear(self, viscosity: Array, factor: float = 1.0) -> DriftModel:
        """The balance of u alone in a given eddy viscosity (ny, nz), times ``factor``, and the
        ambient one, linear in its sources, after traffic has acted for about two hours: near the
        road that is the steady state, far off it is not reached."""
        total = np.maximum(factor * viscosity + self._ambient, _LEAST_DIFFUSIVITY)
        last = self._last_model
        if last is not None and np.array_equal(last.diffusivity, total):
            return last
        model = DriftModel(
            self.grid, total, self.crosswind, self.roughness, self.barriers, LASTING_S,
            (self._flow_y, self._flow_z),
        )  # fmt: skip
        self._last_model = model  # a steady state ends with the model that is asked for next
        return model
