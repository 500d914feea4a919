"""Samples of the uncertain yield: effective speed and a year's energy, all inputs moved at once.

Inputs are those of ``wakesim.constants``, of the model and of rotor and traffic, in the air of the
case, on a weekday. A few hours stand for the day, each for as much of the traffic's work on the
air. In each

- the **mean cube** of the air's speed, and its mean, are the exact stationary statistics of the
  moved model (``traffic.point_statistics``) at the points of the rotor's middle column: no chance
  is in them, and the case's headways count. Two things are taken over from the central state:
  how the mean air of each hour differs from that of the hours' mean traffic, which alone is
  balanced (in proportion, for each class, lane and cell), and what the eddy viscosity of the
  road's air, which the balance gives, does to the moments by spreading the wakes (a factor on
  those of wakes in still air, 3 % of the cube in the main case, in proportion to the share of the
  cube that is not the drift's). Where that is more than 5 %, as in wind, every sample's wakes are
  marched in its own air, and so are those of a sample with more than 1.5 times the central eddy
  viscosity, where proportion no longer holds in bunched traffic. Against balances of all hours and
  wakes in their own air speeds come out within 1.3 %, rms 0.6 %;
- the **energy** needs more than moments, for a rotor answers with its inertia and starts at its
  cut-in. So one stretch of traffic is walked past the rotor of the central state, and its
  rotor-equivalent speed v becomes a v^b, with the a and b that change its mean and its mean cube
  by the exact ratios of the sample to the central state. Order and timing of gusts stay. Against
  an hour's series of the moved model itself energies over the mean cube come out within 2 %.

Outputs are the ratio to the central sample, that without inputs, times the values of the whole
study, so what the stretch has by chance cancels. Pulses of the hulls stay as they are: what drag,
dimensions and bubble do to them is a few per cent of the cube away from the vehicles' sides.

A sample is a function of its payload alone, to the last bit. The central state is found once a
process; every sample's mean air is warm from it and never from another sample's. Moments and
stretches are rounded to single precision, since linear algebra may differ in the last bit from
process to process, which a rotor near its cut-in would amplify.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Any

import numpy as np

from wakesim import constants
from wakesim.air.density import density_of
from wakesim.arrays import Array, Mask
from wakesim.case.energy import EnergyTable
from wakesim.case.mounts import Mount
from wakesim.case.schema import Case
from wakesim.constants import Input
from wakesim.energy import hourly_power
from wakesim.energy.hourly_power import CommonSample, Day, rotor_of
from wakesim.energy.rotor import Rotor
from wakesim.energy.uncertainty import (
    Parameter,
    YieldUncertainty,
    percentiles,
    ranking,
    sample,
)
from wakesim.errors import NumericalError
from wakesim.kept import reading_only
from wakesim.measures.model_interval import (
    UnchangedPulses,
    change,
    coarse,
    standing_hours,
    uncertain_inputs,
)
from wakesim.section.road import RoadState
from wakesim.traffic.lines import FieldSettings, LaneView
from wakesim.traffic.mean_air import MeanAir, road_air
from wakesim.traffic.point_statistics import PointAir, pulse_fields, statistics_in
from wakesim.traffic.scene import field_settings, one_hour, prepare_scene
from wakesim.vehicle.pulse_grid import PulseFields

METHOD = "yield 7"  # part of the key of a kept sample; raise it when ``evaluate`` changes
_SHORTEST_STRETCH_S = 20.0
_HOURS = 3  # that stand for the day
_PARTS = (0.5, 1.0, 2.0)  # of the central eddy viscosity, at which its effect is computed
_MOST_SPREADING = 0.05  # of the moments, up to which the central state's serves all samples
_LEAST_SHARE = 0.05  # of the cube
_MOST_VISCOSITY = 1.5  # over the central one, up to which the same
_FARTHEST = 1.6  # how far beyond them its logarithm is followed
_EXPONENTS = (0.1, 10.0)  # within which that of the speed is sought
_MOST_STEPS, _SURE = 50, 1e-9
_STILL = 1e-6  # of the largest speed; what is less counts as that


def yield_parameters(case: Case, mount: Mount) -> tuple[Parameter, ...]:
    """The uncertain inputs of a case at a mount, with the origin of each range."""
    curve = case.power_curve is not None
    absent = {constants.POWER_COEFFICIENT if curve else constants.POWER_CURVE}
    if case.air.wind is None:
        absent.add(constants.WIND_SPEED)
    settings = field_settings(case)
    return tuple(
        Parameter(
            item.name, *_range(item, case, mount), item.scale, item.origin, item.key, item.unit
        )
        for item in uncertain_inputs(settings, "counted", "yield")
        if item not in absent
    )


def _range(item: Input, case: Case, mount: Mount) -> tuple[float, float]:
    """Of the power coefficient the type's published range, widened to hold what the case states."""
    if item != constants.POWER_COEFFICIENT:
        return item.ends
    rotor = rotor_of(case, mount)
    best = rotor.curve.best[1]
    low, high = rotor.power_coefficient_range or tuple(end * best for end in item.ends)
    return min(low, best), max(high, best)


def payloads(
    case: Case, mount: Mount, seed: int, shaft_speed_rad_s: float | None = None
) -> tuple[Array, Array, list[dict[str, Any]]]:
    """(places, values, payloads for ``evaluate``) of the samples a case asks for.

    The last payload, without inputs, is the central one. ``shaft_speed_rad_s``: of a rotor held at
    a fixed speed.
    """
    table = case.energy or EnergyTable()
    parameters = yield_parameters(case, mount)
    place, values = sample(parameters, table.samples, seed)
    keys = [p.key for p in parameters]
    common = {"case": case, "mount": mount.name, "shaft_speed_rad_s": shaft_speed_rad_s}
    inputs = [dict(zip(keys, map(float, row), strict=True)) for row in values]
    return place, values, [common | {"inputs": one} for one in [*inputs, {}]]


def collect(
    case: Case,
    mount: Mount,
    place: Array,
    values: Array,
    found: Sequence[dict[str, Any] | None],
    effective_speed_m_s: float,
    annual_kwh: float,
) -> YieldUncertainty:
    """Percentiles and rankings of what ``evaluate`` gave for the payloads of the case.

    ``effective_speed_m_s`` and ``annual_kwh`` are those of the whole study in the air of the case.
    Failed samples (None) are left out. Raises ValueError when too few are left, or the central one
    has failed.
    """
    *samples, central = found
    if central is None:
        raise ValueError("the central sample of the uncertain yield failed")
    kept = np.array([r is not None for r in samples])
    speed = np.array([r["effective_speed_m_s"] for r in samples if r is not None])
    energy_kwh = np.array([r["annual_kwh"] for r in samples if r is not None])
    speed *= _ratio(effective_speed_m_s, central["effective_speed_m_s"])
    energy_kwh *= _ratio(annual_kwh, central["annual_kwh"])
    parameters = yield_parameters(case, mount)
    return YieldUncertainty(
        parameters=parameters,
        samples=speed.size,
        failed=int(np.count_nonzero(~kept)),
        speed=percentiles(speed),
        energy=percentiles(energy_kwh),
        speed_ranking=ranking(parameters, place[kept], speed),
        energy_ranking=ranking(parameters, place[kept], energy_kwh, root=3),
        values=values[kept],
        outputs=np.column_stack([speed, energy_kwh]),
    )


def _ratio(whole: float, central: float) -> float:
    return whole / central if whole > 0.0 and central > 0.0 else 1.0


def evaluate(payload: dict[str, Any]) -> dict[str, float]:
    """Effective speed and a year of weekdays of one sample; runs in a worker of a sweep.

    ``inputs`` of the payload by their keys; what is not among them stays as it is.
    """
    case: Case = payload["case"]
    mount = next(m for m in case.mounts if m.name == payload["mount"])
    inputs: dict[str, float] = payload["inputs"]
    centre = central(Place(repr(case), mount.name, case))
    with reading_only():  # what a sample marches no other run asks for
        air = air_of_sample(centre, inputs)
    rotor = _rotor(case, mount, inputs, payload["shaft_speed_rad_s"])
    change = np.divide(air, centre.air, out=np.ones_like(air), where=centre.air > 0.0)
    speeds = [with_moments(v, *map(float, c)) for v, c in zip(centre.speeds, change, strict=True)]
    dt = 1.0 / case.compute.sample_rate_hz
    power = hourly_power.mean_powers(rotor, speeds, dt, density_of(case.air))
    return {
        "effective_speed_m_s": float(np.cbrt(air[:, 1].mean())),
        "annual_kwh": 8.766 * float(power.mean()),
    }


# --- the central state ----------------------------------------------------------------------------


@dataclass(frozen=True)
class Place:
    """A mount of a case; ``text`` holds all of the case that counts."""

    text: str
    mount: str
    case: Case = field(compare=False)


@dataclass(frozen=True)
class Central:
    """The central state of a mount, and what samples take over from it: clock hours that stand for
    the day, pulses, and of the mean air, where there is one, ``start``, from which theirs is warm,
    and ``hours_air``. ``viscosity_m2_s`` is that around the wakes and ``spreading`` (3, hours, 2)
    the logarithm of what it does to mean and mean cube at ``_PARTS`` of it. ``air`` holds the
    moments, ``speeds`` a stretch of rotor-equivalent speed, m/s, in each hour."""

    case: Case
    mount: Mount
    settings: FieldSettings
    hours: tuple[int, ...]
    pulses: PulseFields
    start: RoadState | None
    hours_air: HoursAir | None
    viscosity_m2_s: float
    spreading: Array | None
    air: Array
    speeds: tuple[Array, ...]


@dataclass(frozen=True)
class HoursAir:
    """Mean air of hours over that of their mean traffic: by lane and class (``_key``) of what one
    pass makes (hours, cells) and of drag factors (hours,), and of turbulent energy
    (hours, ny, nz)."""

    made: dict[tuple[float, str], Array]
    factor: dict[tuple[float, str], Array]
    energy: Array

    @classmethod
    def of(cls, hours: MeanAir, together: MeanAir) -> HoursAir:
        """Of the balances of ``hours`` and of their mean traffic."""
        made = _ratio_of(_a_pass(hours), _a_pass(together))
        factor = _ratio_of(hours.factor, together.factor)
        energy = np.array([state.k for state in hours.states]) / together.states[0].k
        keys = [_key(view) for view in hours.views]
        return cls(
            {key: made[:, k] for k, key in enumerate(keys)},
            {key: factor[:, k] for k, key in enumerate(keys)},
            energy,
        )

    def spread(self, together: MeanAir, rates_per_s: Array, viscosity_m2_s: float) -> MeanAir:
        """Mean air of hours with passes ``rates_per_s`` (hours, views) from that of their mean
        traffic, all with the same eddy viscosity around the wakes."""
        hours, keys = len(rates_per_s), [_key(view) for view in together.views]
        one = np.ones(hours)
        factor = [self.factor.get(key, one) for key in keys]
        alone = _a_pass(together)[0]
        made = [self.made.get(key, one[:, None]) * a for key, a in zip(keys, alone, strict=True)]
        state = together.states[0]
        return replace(
            together,
            states=tuple(replace(state, k=state.k * ratio) for ratio in self.energy),
            models=together.models * hours,
            response=np.stack(made, axis=1) * rates_per_s[:, :, None],
            rates=rates_per_s,
            factor=np.stack(factor, axis=1) * together.factor,
            viscosity=np.full(hours, viscosity_m2_s),
        )


def _key(view: LaneView) -> tuple[float, str]:
    return view.lane_centre_m, view.vehicle.name


def _a_pass(air: MeanAir) -> Array:
    """What one pass a second of each view makes, (hours, views, cells) m."""
    return _ratio_of(air.response, air.rates[:, :, None], none=0.0)


def _ratio_of(values: Array, to: Array, none: float = 1.0) -> Array:
    shape = np.broadcast_shapes(values.shape, to.shape)
    return np.asarray(np.divide(values, to, out=np.full(shape, none), where=to != 0.0))


@lru_cache(maxsize=1)
def central(place: Place) -> Central:
    """The central state, kept by each process."""
    mount = next(m for m in place.case.mounts if m.name == place.mount)
    case = replace(hourly_power.whole_day(place.case), mounts=(mount,))
    hours = tuple(standing_hours(case, _HOURS))
    settings = coarse(field_settings(case))
    centre = Central(
        case, mount, settings, hours, pulse_fields(settings), None, None, 0.0, None,
        np.zeros((_HOURS, 2)), _stretches(case, mount, settings, hours),
    )  # fmt: skip
    air = _SampleAir(centre, {})
    alone = air.hours_alone()
    if alone is not None:
        centre = replace(centre, start=alone.states[_HOURS // 2])
        together = _SampleAir(centre, {}).together()
        assert together is not None
        centre = replace(centre, hours_air=HoursAir.of(alone, together))
        air = _SampleAir(centre, {})
        still, share = air.moments(0.0)
        around = air.viscosity()
        spread = np.array([np.log(air.moments(part * around)[0] / still) for part in _PARTS])
        if np.abs(spread[1]).max() < _MOST_SPREADING:
            centre = replace(centre, viscosity_m2_s=around, spreading=spread / share[:, None])
    return replace(centre, air=air_of_sample(centre, {}))


def _stretches(
    case: Case, mount: Mount, settings: FieldSettings, hours: Sequence[int]
) -> tuple[Array, ...]:
    """Rotor-equivalent speed of a stretch in each hour, at the case's sampling rate."""
    assert case.rotor is not None
    wanted = max((case.energy or EnergyTable()).sample_per_hour_s, _SHORTEST_STRETCH_S)
    cache: hourly_power.Cache = {}
    found = []
    for hour in hours:
        alone = one_hour(case, hour, mount)
        scene = prepare_scene(alone, mount)
        stretch = CommonSample(scene, hourly_power.first_round(alone, settings), wanted)
        (sums,) = stretch.hours(scene, settings, cache)
        found.append(_rounded(hourly_power.seen_speed(sums, case.rotor.direction_weight)))
    return tuple(found)


# --- a sample -------------------------------------------------------------------------------------


class _SampleAir(PointAir):
    """The air of a sample in the hours of the central state.

    Vehicles that are moved or wider may touch the points: that is within what their pulses leave
    out.
    """

    def __init__(self, centre: Central, inputs: dict[str, float]) -> None:
        case, settings = _moved(centre, inputs)
        self.centre, self.ambient_m2_s = centre, settings.ambient_diffusivity_m2_s
        if case.air.drift.enabled:
            settings = replace(settings, ambient_diffusivity_m2_s=0.0)
        super().__init__(
            case, hours=centre.hours, settings=settings,
            pulses=UnchangedPulses(centre.pulses, centre.case.vehicles, settings),
            wall_y_m=centre.mount.wall_offset_m,
        )  # fmt: skip
        points, shares = centre.mount.points()
        middle = slice(len(points) // 3, 2 * len(points) // 3)  # the column through the centre
        self.points, self.shares = points[middle], shares[middle] / shares[middle].sum()
        self._together: MeanAir | None = None
        self._around_m2_s = 0.0

    def outside(self, points: Array) -> Mask:
        return np.ones(len(points), dtype=bool)

    def _balanced(self, rates_per_s: Array) -> MeanAir | None:
        if not self.case.air.drift.enabled or not self.views:
            return None
        return road_air(
            self.case, self.views, rates_per_s, self.settings, self.wall_y_m, coarse=True,
            start=self.centre.start,
        )  # fmt: skip

    def hours_alone(self) -> MeanAir | None:
        """Mean air of each hour from its own balance."""
        return self._balanced(self.rates_per_s)

    def together(self) -> MeanAir | None:
        """Mean air of the hours' mean traffic."""
        if self._together is None:
            self._together = self._balanced(self.rates_per_s.mean(axis=0, keepdims=True))
        return self._together

    def viscosity(self) -> float:
        """Eddy viscosity around the wakes, m2/s."""
        air = self.together()
        return 0.0 if air is None else float(air.viscosity[0]) + self.ambient_m2_s

    def mean_air(self, points: Array) -> MeanAir | None:
        air, like = self.together(), self.centre.hours_air
        if air is None or like is None:
            return air
        return like.spread(air, self.rates_per_s, self._around_m2_s)

    def moments(self, viscosity_m2_s: float) -> tuple[Array, Array]:
        """Mean, m/s, and mean cube, m3/s3, of the speed over the rotor, (hours, 2), with wakes
        that spread in an eddy viscosity; and the share of the cube that is not the drift's
        (hours,), roughly: the drift times the mean square, over the cube."""
        self._around_m2_s = viscosity_m2_s
        found = statistics_in(self, self.points)
        mean, cube = found.mean_speed_m_s @ self.shares, found.mean_cube_m3_s3 @ self.shares
        square = found.mean_u_m_s**2 + found.mean_v_m_s**2 + found.variance_u + found.variance_v
        drift = (np.abs(found.drift_m_s) * square) @ self.shares
        share = 1.0 - np.divide(drift, cube, out=np.zeros_like(cube), where=cube > 0.0)
        return np.column_stack([mean, np.maximum(cube, 0.0)]), np.clip(share, _LEAST_SHARE, 1.0)


def air_of_sample(centre: Central, inputs: dict[str, float]) -> Array:
    """Mean, m/s, and mean cube, m3/s3, of the speed over the rotor, (hours, 2), with inputs moved.

    Raises NumericalError where one is not finite.
    """
    air = _SampleAir(centre, inputs)
    viscosity = air.viscosity()
    if centre.spreading is None or viscosity > _MOST_VISCOSITY * centre.viscosity_m2_s:
        found, _ = air.moments(viscosity)
    else:
        still, share = air.moments(0.0)
        spread = _parabola(centre.spreading, viscosity / centre.viscosity_m2_s)
        found = still * np.exp(share[:, None] * spread)
    if not np.isfinite(found).all():
        raise NumericalError(f"mount '{centre.mount.name}': the air of a sample is not finite")
    return _rounded(found)


def _parabola(values: Array, part: float) -> Array:
    """Of ``values`` (3, ...) at ``_PARTS`` that at another part, over its logarithm."""
    nodes = np.log(_PARTS)
    x = float(np.clip(np.log(part), _FARTHEST * nodes[0], _FARTHEST * nodes[-1]))
    share = np.ones(len(nodes))
    for i, j in itertools.permutations(range(len(nodes)), 2):
        share[i] *= (x - nodes[j]) / (nodes[i] - nodes[j])
    return np.tensordot(share, values, axes=1)


def _rounded(values: Array) -> Array:
    return values.astype(np.float32).astype(np.float64)


def _moved(centre: Central, inputs: dict[str, float]) -> tuple[Case, FieldSettings]:
    """The central case with traffic and wind as in a sample, the model with its inputs moved."""
    case, settings = centre.case, centre.settings
    day = Day(
        inputs.get(constants.TRAFFIC_FLOW.key, 1.0), inputs.get(constants.HEAVY_SHARE.key, 1.0)
    )
    case = hourly_power.on_day(case, day)
    if case.traffic is not None:
        faster = inputs.get(constants.VEHICLE_SPEEDS.key, 1.0)
        case = replace(case, traffic=case.traffic.faster(case.road, faster))
    wind = case.air.wind
    if wind is not None:
        stronger = inputs.get(constants.WIND_SPEED.key, 1.0)
        faster_wind = wind.model_copy(update={"speed_m_s": wind.speed_m_s * stronger})
        case = hourly_power.in_wind(case, faster_wind)
        ambient = field_settings(case).ambient_diffusivity_m2_s
        settings = replace(settings, ambient_diffusivity_m2_s=ambient)
    for item in uncertain_inputs(settings):
        if item.key in inputs:
            case, settings = change(item, case, settings, inputs[item.key])
    return case, settings


def with_moments(speed: Array, mean_ratio: float, cube_ratio: float) -> Array:
    """A series v (n,) as a v^b, with mean and mean cube changed by given factors.

    Where no b does both the mean cube is kept to.
    """
    largest = float(speed.max(initial=0.0))
    if largest == 0.0 or (mean_ratio == 1.0 and cube_ratio == 1.0):
        return speed
    log = np.log(np.maximum(speed / largest, _STILL))
    low, high = _EXPONENTS
    b, wanted, power = 1.0, math.nan, np.exp(log)
    for _ in range(_MOST_STEPS):  # Newton's, of what rises with b: ln of E v^3b over (E v^b)^3
        mean, cube = float(power.mean()), float((power**3).mean())
        peaked = math.log(cube / mean**3)
        if math.isnan(wanted):
            wanted = peaked + math.log(cube_ratio / mean_ratio**3)
        slope = 3.0 * float((power**3 * log).mean() / cube - (power * log).mean() / mean)
        step = (wanted - peaked) / slope if slope > 0.0 else 0.0
        last, b = b, min(max(b + step, low), high)
        power = np.exp(b * log)
        if abs(b - last) < _SURE:
            break
    return np.asarray(power * np.cbrt(cube_ratio * np.mean(speed**3) / np.mean(power**3)))


def _rotor(case: Case, mount: Mount, inputs: dict[str, float], shaft_rad_s: float | None) -> Rotor:
    rotor = rotor_of(case, mount, inputs.get(constants.POWER_COEFFICIENT.key))
    factor = inputs.get(constants.POWER_CURVE.key)
    if rotor.power_curve is not None and factor is not None:
        rotor = replace(rotor, power_curve=rotor.power_curve.scaled(factor, rotor.area_m2))
    if rotor.response == "fixed_speed" and rotor.shaft_speed_rad_s is None:
        rotor = replace(rotor, shaft_speed_rad_s=shaft_rad_s)
    return rotor
