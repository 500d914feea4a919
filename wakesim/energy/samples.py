"""The yield under uncertain inputs: every input of a sample moved at once.

Inputs are those of the model interval (wakesim.measures.model_interval) and of the rotor and the
traffic, in the air of the case, on a weekday. Pulses of the hulls stay as they are: a few per cent
of the cube away from the vehicles' sides. All samples share the same vehicles and noise, so they
differ by their causes: a factor on the flow squeezes the same sequence of vehicles in time, one on
the heavy vehicles turns some light ones into heavy ones. What the shared stretch of traffic has by
chance is taken out by a sample with all inputs at their central values: outputs are its ratio to
that one times the values of the whole study.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from wakesim.air.density import density_of
from wakesim.arrays import Array
from wakesim.case.energy import EnergyTable
from wakesim.case.mounts import Mount
from wakesim.case.schema import Case
from wakesim.energy import states
from wakesim.energy.rotor import Rotor
from wakesim.energy.states import Day
from wakesim.energy.study import EnergyResult, rotor_of
from wakesim.energy.uncertainty import (
    Parameter,
    YieldUncertainty,
    percentiles,
    ranking,
    sample,
)
from wakesim.measures.common_sample import CommonSample
from wakesim.measures.model_interval import coarse, standing_hours, uncertain_inputs
from wakesim.measures.places import one_hour
from wakesim.traffic.lines import FieldSettings
from wakesim.traffic.scene import Scene, field_settings, prepare_scene, scene_lines
from wakesim.traffic.stream import Passes

Inputs = dict[str, float]

METHOD = "yield 3"  # part of the key of a kept sample; raise it when ``evaluate`` changes
FLOW_FACTORS = (0.9, 1.1)  # error of a traffic count, assumed
HEAVY_FACTORS = (0.8, 1.2)  # on the share of heavy vehicles, assumed
SPEED_FACTORS = (0.95, 1.05)  # on the speed of all vehicles, assumed
WIND_FACTORS = (0.9, 1.1)  # on the ambient wind's speed, assumed
CURVE_FACTORS = (0.8, 1.1)  # on a given power curve, assumed
_STRETCH = 1.0  # of the stretch of each hour that a single state takes
_MARGIN = 1.5  # on the traffic kept around each stretch
_HOURS = 3  # that stand for the day in a sample


def yield_parameters(case: Case, mount: Mount) -> tuple[Parameter, ...]:
    """The uncertain inputs of a case at a mount, with the origin of each range."""
    found = [
        Parameter(item.name, item.ends[0], item.ends[1], item.scale, item.origin)
        for item in uncertain_inputs(field_settings(case))
    ]
    found += [
        Parameter("traffic flow", *FLOW_FACTORS, "linear", "assumed"),
        Parameter("share of heavy vehicles", *HEAVY_FACTORS, "linear", "assumed"),
        Parameter("vehicle speeds", *SPEED_FACTORS, "linear", "assumed"),
    ]
    if case.power_curve is None:
        low, high = _coefficient_range(rotor_of(case, mount))
        found.append(Parameter("power coefficient", low, high, "linear", "of the rotor type"))
    else:
        found.append(Parameter("power curve", *CURVE_FACTORS, "linear", "assumed"))
    if case.air.wind is not None:
        found.append(Parameter("ambient wind speed", *WIND_FACTORS, "linear", "assumed"))
    return tuple(found)


def _coefficient_range(rotor: Rotor) -> tuple[float, float]:
    """The type's published range, widened to hold what the case states."""
    best = rotor.curve.best[1]
    low, high = rotor.power_coefficient_range or (0.8 * best, 1.2 * best)
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
    names = [p.name for p in parameters]
    common = {"case": case, "mount": mount.name, "shaft_speed_rad_s": shaft_speed_rad_s}
    inputs = [dict(zip(names, map(float, row), strict=True)) for row in values]
    return place, values, [common | {"inputs": one} for one in [*inputs, {}]]


def collect(
    case: Case,
    mount: Mount,
    place: Array,
    values: Array,
    found: Sequence[dict[str, Any] | None],
    energy: EnergyResult,
) -> YieldUncertainty:
    """Percentiles and rankings of what ``evaluate`` gave for the payloads of the case.

    Failed samples (None) are left out. Raises ValueError when too few are left, or the central one
    has failed.
    """
    *samples, central = found
    if central is None:
        raise ValueError("the central sample of the uncertain yield failed")
    kept = np.array([r is not None for r in samples])
    speed = np.array([r["effective_speed_m_s"] for r in samples if r is not None])
    energy_kwh = np.array([r["annual_kwh"] for r in samples if r is not None])
    speed *= _ratio(energy.effective_speed_m_s, central["effective_speed_m_s"])
    energy_kwh *= _ratio(energy.case_air_kwh, central["annual_kwh"])
    parameters = yield_parameters(case, mount)
    outputs = np.column_stack([speed, energy_kwh])
    return YieldUncertainty(
        parameters=parameters,
        samples=speed.size,
        failed=int(np.count_nonzero(~kept)),
        speed=percentiles(speed),
        energy=percentiles(energy_kwh),
        speed_ranking=ranking(parameters, place[kept], speed),
        energy_ranking=ranking(parameters, place[kept], energy_kwh, root=3),
        values=values[kept],
        outputs=outputs,
    )


def _ratio(whole: float, central: float) -> float:
    return whole / central if whole > 0.0 and central > 0.0 else 1.0


def evaluate(payload: dict[str, Any]) -> dict[str, float]:
    """Effective speed and a year of weekdays of one sample; runs in a worker of a sweep.

    A few hours stand for the day, each for as much of the traffic's work on the air.
    """
    case = states.whole_day(payload["case"])
    mount = next(m for m in case.mounts if m.name == payload["mount"])
    inputs: Inputs = payload["inputs"]
    cache = _pulses(case, mount)
    rotor = _rotor(case, mount, inputs, payload["shaft_speed_rad_s"])
    table = case.energy or EnergyTable()
    hours = standing_hours(case, _HOURS)
    case, settings = _moved(case, inputs)
    cube, power = 0.0, 0.0
    for hour in hours:
        one = one_hour(states.on_day(case, Day(flow=inputs.get("traffic flow", 1.0))), hour, mount)
        scene = prepare_scene(one, mount)
        original = one_hour(case, hour, mount)
        passes = states.first_round(original, settings)
        stretches = CommonSample(scene, passes, _length(table))
        stretches.passes = _squeezed(stretches, scene, settings, inputs.get("traffic flow", 1.0))
        assert case.rotor is not None
        found = states.hourly_power(
            scene,
            settings,
            stretches,
            rotor,
            density_of(case.air),
            cache,
            case.rotor.direction_weight,
        )
        cube += found.mean_effective_speed_m_s**3 / len(hours)
        power += found.mean_w / len(hours)
    return {"effective_speed_m_s": float(np.cbrt(cube)), "annual_kwh": 8.766 * power}


def _length(table: EnergyTable) -> float:
    return max(_STRETCH * table.sample_per_hour_s, 20.0)


_PULSES: dict[tuple[str, str], states.Cache] = {}


def _pulses(case: Case, mount: Mount) -> states.Cache:
    """Panel part of the lines with all inputs at their central values, kept by each worker."""
    key = (case.sha256, mount.name)
    if key not in _PULSES:
        _PULSES.clear()
        cache: states.Cache = {}
        settings = replace(coarse(field_settings(case)), pulse_reach_m=-1.0)
        scene_lines(prepare_scene(case, mount), settings, np.zeros(1), cache)
        _PULSES[key] = cache
    return _PULSES[key]


def _squeezed(
    stretches: CommonSample, scene: Scene, settings: FieldSettings, factor: float
) -> Passes:
    """The passes around each stretch, with all times to its middle divided by ``factor``."""
    passes = stretches.passes
    length = stretches.samples / scene.case.compute.sample_rate_hz
    reach = _MARGIN * (0.5 * length + 10.0 + 1.25 * settings.wake_memory_s)
    middle = np.array(stretches.starts) + 0.5 * length
    nearest = middle[np.abs(passes.time_s[:, None] - middle).argmin(axis=1)]
    near = np.abs(passes.time_s - nearest) < reach
    time = nearest + (passes.time_s - nearest) / factor
    return replace(passes, time_s=time).take(near)


def _moved(case: Case, inputs: Inputs) -> tuple[Case, FieldSettings]:
    """The case with its heavy vehicles, the speed of all vehicles and its wind as in a sample,
    and the model's inputs moved."""
    case = states.on_day(case, Day(heavy=inputs.get("share of heavy vehicles", 1.0)))
    if case.traffic is not None:
        faster = case.traffic.faster(case.road, inputs.get("vehicle speeds", 1.0))
        case = replace(case, traffic=faster)
    wind = case.air.wind
    if wind is not None:
        stronger = inputs.get("ambient wind speed", 1.0)
        case = states.in_wind(case, replace(wind, speed_m_s=wind.speed_m_s * stronger))
    settings = replace(coarse(field_settings(case)), pulse_reach_m=-1.0)
    for item in uncertain_inputs(settings):
        if item.name in inputs:
            case, settings = item.change(case, settings, inputs[item.name])
    return case, settings


def _rotor(case: Case, mount: Mount, inputs: Inputs, shaft_rad_s: float | None) -> Rotor:
    rotor = rotor_of(case, mount, inputs.get("power coefficient"))
    if rotor.power_curve is not None and "power curve" in inputs:
        curve = rotor.power_curve.scaled(inputs["power curve"], rotor.area_m2)
        rotor = replace(rotor, power_curve=curve)
    if rotor.response == "fixed_speed" and rotor.shaft_speed_rad_s is None:
        rotor = replace(rotor, shaft_speed_rad_s=shaft_rad_s)
    return rotor
