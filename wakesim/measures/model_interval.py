"""The model interval: how far the effective speed moves when the model's constants do.

``uncertain_inputs`` lists every uncertain input once: its range, where the range comes from, and
how it is moved. The interval moves each to its ends, one at a time, by the exact statistics
(``steady``) of an hour that stands for the round, with coarser wakes and hulls for the base and all
variants alike; the upward and the downward changes, relative to the base, are combined as the root
of the sum of squares. The uncertain yield (``energy.samples``) draws all inputs at once from the
same list. What measured data exclude is no end of a range.

Pulses of the hulls stay as they are, but for the tail: what drag, dimensions and bubble do to a
pulse is a few per cent of it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from wakesim.arrays import Array
from wakesim.case.schema import Case
from wakesim.case.vehicle import Vehicle
from wakesim.measures.results import ModelVariant
from wakesim.section.road import RoadState
from wakesim.traffic.lines import FieldSettings
from wakesim.traffic.point_statistics import PointAir, point_statistics
from wakesim.traffic.scene import case_views, field_settings
from wakesim.vehicle.pulse_grid import PulseFields, PulseTable

Changed = tuple[Case, FieldSettings]
PulsesOf = Callable[[FieldSettings], PulseFields]

_REFINEMENT = 0.6  # 440 to 560 panels a hull: the pulse within 1 to 2 % (cars 5 %), less in changes
CUTOFF = "wake memory"
CROSSWIND = "light crosswind"
CUTOFFS_S = (15.0, 120.0)
_CROSSWINDS_M_S = (-0.5, 0.5)  # light air that still clears wakes away, shown beside the interval


@dataclass(frozen=True)
class Uncertain:
    """One uncertain input: ``ends`` of its range, ``scale`` linear or log between them.

    ``change(case, settings, value)`` moves it; ``tell(value)`` says it. ``hull``: the displacement
    flow changes with it and is computed anew. Not ``counted``: shown beside the interval.
    """

    name: str
    ends: tuple[float, ...]
    scale: str
    origin: str
    tell: Callable[[float], str]
    change: Callable[[Case, FieldSettings, float], Changed]
    hull: bool = False
    counted: bool = True


def _constant(key: str) -> Callable[[Case, FieldSettings, float], Changed]:
    def change(case: Case, settings: FieldSettings, value: float) -> Changed:
        constants = replace(settings.constants, **{key: value})  # type: ignore[arg-type]
        return case, replace(settings, constants=constants)

    return change


def _factor(key: str) -> Callable[[Case, FieldSettings, float], Changed]:
    def change(case: Case, settings: FieldSettings, value: float) -> Changed:
        new = getattr(settings.constants, key) * value
        constants = replace(settings.constants, **{key: new})
        return case, replace(settings, constants=constants)

    return change


def _setting(key: str) -> Callable[[Case, FieldSettings, float], Changed]:
    def change(case: Case, settings: FieldSettings, value: float) -> Changed:
        return case, replace(settings, **{key: value})  # type: ignore[arg-type]

    return change


def _vehicles(move: Callable[[Vehicle, float], Vehicle]) -> Callable[..., Changed]:
    def change(case: Case, settings: FieldSettings, value: float) -> Changed:
        vehicles = {name: move(v, value) for name, v in case.vehicles.items()}
        return replace(case, vehicles=vehicles), settings

    return change


def with_drag(vehicle: Vehicle, place: float) -> Vehicle:
    """Drag at a place, 0 to 1, in the range of the class (15 % to both sides without one)."""
    drag = vehicle.drag_coefficient
    low, high = vehicle.drag_range or (0.85 * drag, 1.15 * drag)
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


def _side_layer(case: Case, settings: FieldSettings, value: float) -> Changed:
    """Share and energy of the side layer together; 1 is the default."""
    c = settings.constants
    constants = replace(
        c,
        side_layer_share=c.side_layer_share * value,
        side_layer_energy=c.side_layer_energy * value,
    )
    return case, replace(settings, constants=constants)


def _bubble(case: Case, settings: FieldSettings, value: float) -> Changed:
    constants = replace(settings.constants, bubble_length_heights=value)
    return case, replace(settings, constants=constants)


def uncertain_inputs(settings: FieldSettings) -> tuple[Uncertain, ...]:
    """All uncertain inputs of the wake law in use."""
    law = settings.constants.law
    found: list[Uncertain] = []
    if law == "section":
        found += [
            Uncertain(
                "mixing of far wakes", (0.5, 4.0), "log",
                "standard closure to what makes the box truck's wake exact",
                lambda v: f"weak-shear factor {v:g}", _constant("weak_shear_mixing"),
            ),
            Uncertain(
                "start of the wake", (0.5, 2.0), "log",
                "turbulent energy at the bubble's end, Ahmed body and vehicles on the road",
                lambda v: f"k₀ × {v:g}", _factor("wake_start_energy"),
            ),
            Uncertain(
                "side layer", (0.4, 1.4), "linear",
                "from no corner separation to the largest gust measured",
                lambda v: f"share and energy × {v:g}", _side_layer,
            ),
        ]  # fmt: skip
    else:
        ends = (0.7, 1.4) if law == "couple" else (0.5, 2.0)
        found.append(
            Uncertain(
                f"spread of the {law} wake", ends, "linear", "range of the law",
                lambda v: f"× {v:g}", _factor(f"{law}_spread"),
            )
        )  # fmt: skip
    found += [
        Uncertain(
            "mixing of the road's air", (0.6, 1.6), "log", "spread of closures, assumed",
            lambda v: f"eddy viscosity × {v:g}", _setting("mixing_factor"),
        ),
        Uncertain(
            "roughness of the road", (0.3, 3.0), "log", "an order of magnitude, assumed",
            lambda v: f"× {v:g}", _setting("road_roughness_factor"),
        ),
        Uncertain(
            "roughness of the verge", (0.3, 3.0), "log", "an order of magnitude, assumed",
            lambda v: f"× {v:g}", _setting("verge_roughness_factor"),
        ),
        Uncertain(
            "drag coefficients", (0.0, 1.0), "linear", "range of each class",
            lambda v: f"{'low' if v < 0.5 else 'high'} end of each class", _vehicles(with_drag),
        ),
        Uncertain(
            "vehicle dimensions", (0.95, 1.05), "linear", "assumed",
            lambda v: f"× {v:g}", _vehicles(scaled),
        ),
        Uncertain(
            "recirculation length", (0.7, 1.6), "linear", "published range",
            lambda v: f"{v:g} vehicle heights", _bubble,
        ),
        Uncertain(
            "wake turbulence", (0.75, 1.3), "linear",
            "turbulent energy measured on roads, about a factor of two",
            lambda v: f"rms × {v:g}", _factor("turbulence_factor"),
        ),
        Uncertain(
            "lane position", (-0.25, 0.25), "linear", "assumed",
            lambda v: f"{abs(v):g} m {'nearer' if v < 0 else 'farther'}",
            _setting("lateral_shift_m"),
        ),
    ]  # fmt: skip
    return tuple(found)


def _tail(settings: FieldSettings) -> Uncertain:
    """The other tail of the hull; no range to draw from."""
    other = not settings.open_tail
    return Uncertain(
        "tail of the hull", (float(other),), "choice", "separated or closed",
        lambda v: "open" if v else "closed",
        lambda case, s, v: (case, replace(s, open_tail=bool(v))), hull=True,
    )  # fmt: skip


def _beside(settings: FieldSettings) -> tuple[Uncertain, ...]:
    """States shown beside the interval: other wake memories, light air across the road."""
    return (
        Uncertain(
            CUTOFF, CUTOFFS_S, "choice", "no physics: the mean does not depend on it",
            lambda v: f"{v:g} s", _setting("wake_memory_s"), counted=False,
        ),
        Uncertain(
            CROSSWIND, _CROSSWINDS_M_S, "choice", "air that is not quite still",
            lambda v: f"{abs(v):g} m/s towards {'+' if v > 0 else '−'}y",
            _setting("extra_crosswind_m_s"), counted=False,
        ),
    )  # fmt: skip


def coarse(settings: FieldSettings) -> FieldSettings:
    """The settings with hulls of fewer panels and coarser wakes."""
    constants = replace(settings.constants, coarse=True)
    return replace(settings, refinement=_REFINEMENT, constants=constants)


class _UnchangedPulses(PulseFields):
    """The pulses of the case's own vehicles for vehicles of other drag, size and bubble."""

    def __init__(
        self, pulses: PulseFields, vehicles: Mapping[str, Vehicle], settings: FieldSettings
    ) -> None:
        super().__init__(settings.constants, settings.open_tail, settings.refinement)
        self._pulses, self._own = pulses, dict(vehicles)

    def table(self, vehicle: Vehicle) -> PulseTable:
        return self._pulses.table(self._own[vehicle.name])


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

    def effective_speed(self, item: Uncertain | None = None, value: float = 0.0) -> Array:
        """Effective speed (n,) m/s with one input moved, or with none."""
        case, settings, pulses = self.case, self.settings, self._own
        if item is not None:
            case, settings = item.change(case, settings, value)
            if item.hull:
                pulses = self._pulses_of(settings)
            else:
                pulses = _UnchangedPulses(self._own, self.case.vehicles, settings)
        n, p, _ = self.points.shape
        if item is not None and self._start is None:
            self._start = self._base_state()
        state = point_statistics(
            case, self.points.reshape(-1, 2), hours=self.hours, settings=settings, pulses=pulses,
            wall_y_m=self.wall_y_m,
            start=self._start if item is not None and not item.hull else None,
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

    def all(self, beside: bool = False) -> Iterator[tuple[Uncertain, float, Array]]:
        """Every variant: the input, its value and the effective speed (n,)."""
        items = (*uncertain_inputs(self.settings), _tail(self.settings))
        for item in (*items, *(_beside(self.settings) if beside else ())):
            for value in item.ends:
                yield item, value, self.effective_speed(item, value)


def count(settings: FieldSettings, beside: bool = False) -> int:
    """How many variants there are."""
    items = (*uncertain_inputs(settings), _tail(settings))
    return sum(len(i.ends) for i in (*items, *(_beside(settings) if beside else ())))


def names(settings: FieldSettings) -> tuple[str, ...]:
    """Names of the inputs that the interval counts."""
    return tuple(i.name for i in (*uncertain_inputs(settings), _tail(settings)))


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


def ends(base: Array, moved: Sequence[tuple[str, Array]]) -> tuple[Array, Array]:
    """Lower and upper end of the model interval around ``base``, from (input, speed) pairs.

    Base minus and plus the root of the summed squares of the changes of each input; of two ends
    that change the speed the same way the larger counts. Shapes of ``base``.
    """
    up: dict[str, Array] = {}
    down: dict[str, Array] = {}
    zero = np.zeros_like(base)
    for name, speed in moved:
        change = speed - base
        up[name] = np.maximum(up.get(name, zero), change)
        down[name] = np.maximum(down.get(name, zero), -change)
    rise = np.sqrt(sum((c * c for c in up.values()), zero))
    fall = np.sqrt(sum((c * c for c in down.values()), zero))
    return np.maximum(base - fall, 0.0), base + rise


def mount_interval(
    case: Case,
    points: Array,
    shares: Array,
    wall_y_m: float | None,
    effective_m_s: float,
    pulses_of: PulsesOf,
    say: Callable[[float], None] = lambda share: None,
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
    found, whole = [], count(settings, beside=True)
    for item, value, speed in moved.all(beside=True):
        now = scale * float(speed[0])
        change = now - effective_m_s
        found.append(
            ModelVariant(item.name, item.tell(value), now, change, item.counted, item.origin)
        )
        say(len(found) / whole)
    counted = [(v.parameter, np.array(v.effective_speed_m_s)) for v in found if v.counted]
    low, high = ends(np.array(effective_m_s), counted)
    memories = [v.effective_speed_m_s for v in found if v.parameter == CUTOFF]
    cutoff = {settings.wake_memory_s: effective_m_s, **dict(zip(CUTOFFS_S, memories, strict=True))}
    return tuple(found), (float(low), float(high)), dict(sorted(cutoff.items()))


def uncertain_by_name(settings: FieldSettings) -> dict[str, Uncertain]:
    """The inputs by their names."""
    return {item.name: item for item in uncertain_inputs(settings)}


__all__ = [
    "CROSSWIND",
    "CUTOFF",
    "Moved",
    "Uncertain",
    "coarse",
    "count",
    "ends",
    "names",
    "mount_interval",
    "representative_hour",
    "uncertain_by_name",
    "uncertain_inputs",
]
