"""The model interval: how far the effective speed moves when the model's constants do.

The uncertain inputs, their ranges and what they move stand in ``wakesim.constants``. The interval
moves each to its ends, one at a time, by the exact ``point_statistics`` of an hour that stands for
the round, with coarser wakes and hulls for the base and all variants alike; the upward and the
downward changes, relative to the base, are combined as the root of the sum of squares. The
uncertain yield (``energy.samples``) draws all inputs at once. What measured data exclude is no
end of a range.

Pulses of the hulls stay as they are, but for the tail: what drag, dimensions and bubble do to a
pulse is a few per cent of it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
from numba import get_num_threads
from numpy.typing import ArrayLike

from wakesim import constants
from wakesim.arrays import Array
from wakesim.case.schema import Case
from wakesim.case.vehicle import Vehicle
from wakesim.constants import Input
from wakesim.measures.results import ModelVariant
from wakesim.section.road import RoadState
from wakesim.traffic.lines import FieldSettings
from wakesim.traffic.point_statistics import PointAir, point_statistics
from wakesim.traffic.scene import case_views, field_settings
from wakesim.vehicle.pulse_grid import PulseFields, PulseTable

PulsesOf = Callable[[FieldSettings], PulseFields]

_REFINEMENT = 0.6  # 440 to 560 panels a hull: the pulse within 1 to 2 % (cars 5 %), less in changes


def with_drag(vehicle: Vehicle, place: float) -> Vehicle:
    """Drag at a place, 0 to 1, in the range of the class (factors on it without one)."""
    drag = vehicle.drag_coefficient
    low, high = vehicle.drag_range or (
        constants.DRAG_LOW_FACTOR.value * drag, constants.DRAG_HIGH_FACTOR.value * drag,
    )  # fmt: skip
    return replace(vehicle, drag_coefficient=low + (high - low) * place)


def scaled(vehicle: Vehicle, factor: float) -> Vehicle:
    """All outside dimensions times a factor."""
    return replace(
        vehicle,
        width_m=vehicle.width_m * factor,
        height_m=vehicle.height_m * factor,
        length_m=vehicle.length_m * factor,
        clearance_m=vehicle.clearance_m * factor,
        frontal_area_m2=vehicle.frontal_area_m2 * factor**2,
    )


_OF_VEHICLES = {constants.DRAG_COEFFICIENTS: with_drag, constants.VEHICLE_DIMENSIONS: scaled}


def change(
    item: Input, case: Case, settings: FieldSettings, value: float
) -> tuple[Case, FieldSettings]:
    """Case and settings with an uncertain input at a value of its range."""
    if item in _OF_VEHICLES:
        move = _OF_VEHICLES[item]
        vehicles = {name: move(v, value) for name, v in case.vehicles.items()}
        return replace(case, vehicles=vehicles), settings
    if item.setting:
        new: dict[str, object] = {item.setting: bool(value) if item.role == "hull" else value}
        if item is constants.WAKE_MEMORY:
            new["memory_by_hour"] = False
        return case, replace(settings, **new)  # type: ignore[arg-type]
    now = settings.constants
    moved = {
        key: value if item.how == "set" else getattr(now, key) * value
        for key in constants.moved_by(item)
    }
    return case, replace(settings, constants=replace(now, **moved))  # type: ignore[arg-type]


def uncertain_inputs(settings: FieldSettings, *roles: str) -> tuple[Input, ...]:
    """The uncertain inputs of the wake law in use; by default those that are counted and drawn."""
    law, roles = settings.constants.law, roles or ("counted",)
    return tuple(i for i in constants.INPUTS if i.role in roles and i.law in ("", law))


def variants(settings: FieldSettings, *roles: str) -> list[tuple[Input, float]]:
    """Every input at each end of its range; of the hull's tail the one not in use."""
    return [
        (item, value)
        for item in uncertain_inputs(settings, *roles)
        for value in item.ends
        if item.role != "hull" or bool(value) != settings.open_tail
    ]


def coarse(settings: FieldSettings) -> FieldSettings:
    """The settings with hulls of fewer panels and coarser wakes."""
    constants = replace(settings.constants, coarse=True)
    return replace(settings, refinement=_REFINEMENT, constants=constants)


class UnchangedPulses(PulseFields):
    """The pulses of the case's own vehicles for vehicles of other drag, size and bubble."""

    def __init__(
        self, pulses: PulseFields, vehicles: Mapping[str, Vehicle], settings: FieldSettings
    ) -> None:
        super().__init__(settings.constants, settings.open_tail, settings.refinement)
        self._pulses, self._own = pulses, dict(vehicles)

    def table(self, vehicle: Vehicle) -> PulseTable:
        return self._pulses.table(self._own[vehicle.name])

    def x(self, vehicle: Vehicle) -> Array:
        return self._pulses.x(self._own[vehicle.name])

    def lines(self, vehicle: Vehicle, y_m: Array, z_m: Array, many: bool) -> Array:
        return self._pulses.lines(self._own[vehicle.name], y_m, z_m, many)


class Moved:
    """Effective speed of rotors under moved inputs, in given clock hours of a case.

    ``points`` (n, p, 2) y, z in m of each rotor, ``shares`` (p,) of its area.
    """

    def __init__(
        self,
        case: Case,
        settings: FieldSettings,
        points: ArrayLike,
        shares: Array,
        hours: Sequence[int],
        pulses_of: PulsesOf,
        wall_y_m: float | None = None,
    ) -> None:
        self.case, self.settings, self.hours = case, coarse(settings), tuple(hours)
        self.points, self.shares = np.asarray(points, dtype=np.float64), shares
        self.wall_y_m = wall_y_m
        self._pulses_of = pulses_of
        self._own = pulses_of(self.settings)
        self._start: RoadState | None = None

    def effective_speed(self, item: Input | None = None, value: float = 0.0) -> Array:
        """Effective speed (n,) m/s with one input moved, or with none."""
        case, settings, pulses = self.case, self.settings, self._own
        if item is not None:
            case, settings = change(item, case, settings, value)
            if item.role == "hull":
                pulses = self._pulses_of(settings)
            else:
                pulses = UnchangedPulses(self._own, self.case.vehicles, settings)
        n, p, _ = self.points.shape
        if item is not None and self._start is None:
            self._start = self._base_state()
        state = point_statistics(
            case, self.points.reshape(-1, 2), hours=self.hours, settings=settings, pulses=pulses,
            wall_y_m=self.wall_y_m,
            start=self._start if item is not None and item.role != "hull" else None,
        )  # fmt: skip
        cube = state.mean_cube_m3_s3.mean(axis=0).reshape(n, p) @ self.shares
        return np.cbrt(np.maximum(cube, 0.0))

    def _base_state(self) -> RoadState | None:
        """Mean air of the base model, from which the variants' is warm."""
        air = PointAir(
            self.case, hours=self.hours, settings=self.settings, pulses=self._own,
            wall_y_m=self.wall_y_m,
        )  # fmt: skip
        found = air.mean_air(self.points.reshape(-1, 2))
        return None if found is None else found.states[0]

    def all(self, beside: bool = False) -> Iterator[tuple[Input, float, Array]]:
        """Every variant: the input, its value and the effective speed (n,), several at a time."""
        wanted = variants(self.settings, *_roles(beside))
        self._start = self._start or self._base_state()
        with ThreadPoolExecutor(get_num_threads()) as pool:
            speeds = pool.map(lambda one: self.effective_speed(*one), wanted)
            for (item, value), speed in zip(wanted, speeds, strict=True):
                yield item, value, speed


def all_of_many(
    many: Sequence[Moved], items: Sequence[Input] | None = None
) -> Iterator[tuple[Input, float, list[Array]]]:
    """Every variant (of some ``items``): the input, its value and the effective speeds (n,) of each
    of ``many``, of one case in other traffic and air. One variant after the other, so that its
    wakes are marched once for all of them."""
    with ThreadPoolExecutor(get_num_threads()) as pool:
        for item, value in variants(many[0].settings, *_roles()):
            if items is not None and item not in items:
                continue
            speeds = pool.map(lambda one, i=item, v=value: one.effective_speed(i, v), many)
            yield item, value, list(speeds)


def _roles(beside: bool = False) -> tuple[str, ...]:
    return ("counted", "hull", "beside") if beside else ("counted", "hull")


def count(settings: FieldSettings, beside: bool = False) -> int:
    """How many variants there are."""
    return len(variants(settings, *_roles(beside)))


def names(settings: FieldSettings) -> tuple[str, ...]:
    """Names of the inputs that the interval counts."""
    return tuple(item.name for item in uncertain_inputs(settings, *_roles()))


def representative_hour(case: Case) -> int:
    """The clock hour of the round that stands for it: half of the traffic's work on the air is
    done in hours with less traffic."""
    return standing_hours(case, 1)[0]


def standing_hours(case: Case, number: int) -> list[int]:
    """Clock hours of the round that stand for equal parts of the traffic's work on the air."""
    hours = case.compute.hours
    _, views, rates = case_views(case, hours)
    if not views:
        return [hours[0]] * number
    work = rates @ np.array([s.vehicle.drag_coefficient * s.vehicle.frontal_area_m2
                             * s.mean_speed_m_s**2 for s in views])  # fmt: skip
    order = np.argsort(work, kind="stable")
    parts = (np.arange(number) + 0.5) / number * work.sum()
    found = np.minimum(np.searchsorted(np.cumsum(work[order]), parts), len(hours) - 1)
    return [hours[int(order[i])] for i in found]


def fall_and_rise(changes: Iterable[tuple[str, Array]]) -> tuple[Array, Array]:
    """Downward and upward change of values, both at least 0, from (input, change) pairs.

    The root of the summed squares of the changes of each input; of two ends that change a value the
    same way the larger counts. At least one pair is needed.
    """
    up: dict[str, Array] = {}
    down: dict[str, Array] = {}
    for name, one in changes:
        up[name] = np.maximum(up.get(name, 0.0), one)
        down[name] = np.maximum(down.get(name, 0.0), -one)
    fall, rise = (np.sqrt(np.sum([c**2 for c in all_.values()], axis=0)) for all_ in (down, up))
    return fall, rise


def ends(base: Array, moved: Sequence[tuple[str, Array]]) -> tuple[Array, Array]:
    """Lower and upper end of the model interval around ``base``, from (input, speed) pairs."""
    fall, rise = fall_and_rise((name, speed - base) for name, speed in moved)
    return np.maximum(base - fall, 0.0), base + rise


def mount_interval(
    case: Case,
    points: Array,
    shares: Array,
    wall_y_m: float | None,
    effective_m_s: float,
    pulses_of: PulsesOf,
    progress: Callable[[float], None] = lambda share: None,
) -> tuple[tuple[ModelVariant, ...], tuple[float, float], dict[float, float]]:
    """All variants of one mount, its model interval, and the effective speed by wake memory (s).

    Values are scaled so that the base model of the standing hour equals ``effective_m_s``.
    """
    settings = field_settings(case)
    middle = np.arange(len(points) // 3, 2 * len(points) // 3)  # the column through the centre
    moved = Moved(
        case, settings, points[None, middle], shares[middle] / shares[middle].sum(),
        [representative_hour(case)], pulses_of, wall_y_m,
    )  # fmt: skip
    base = float(moved.effective_speed()[0])
    scale = effective_m_s / base if base > 0.0 else 0.0
    found: list[ModelVariant] = []
    counted: list[tuple[str, Array]] = []
    cutoff = {settings.wake_memory_s: effective_m_s}
    whole = count(settings, beside=True)
    for item, value, speed in moved.all(beside=True):
        now = scale * float(speed[0])
        beside = item.role == "beside"
        found.append(
            ModelVariant(
                item.name, item.describe(value), now, now - effective_m_s, not beside, item.origin
            )
        )
        if not beside:
            counted.append((item.name, np.array(now)))
        if item is constants.WAKE_MEMORY:
            cutoff[value] = now
        progress(len(found) / whole)
    low, high = ends(np.array(effective_m_s), counted)
    return tuple(found), (float(low), float(high)), dict(sorted(cutoff.items()))
