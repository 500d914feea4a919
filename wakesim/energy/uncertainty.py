"""The yield under uncertain inputs: samples, percentiles, and which input matters most.

Inputs are those of ``wakesim.constants``, of the model and of rotor and traffic, all moved at once,
in the air of the case, on a weekday. Pulses of the hulls stay as they are: a few per cent of the
cube away from the vehicles' sides. All samples share the same vehicles and noise, so they differ by
their causes: a factor on the flow squeezes the same sequence of vehicles in time, one on the heavy
vehicles turns some light ones into heavy ones. What the shared stretch of traffic has by chance is
taken out by a sample with all inputs at their central values: outputs are its ratio to that one
times the values of the whole study.

Samples are a scrambled Sobol sequence (scipy.stats.qmc). The ranking is variance-based (Sobol 1993;
Saltelli et al. 2010): the first-order index of an input is the share of the output's variance
that its own value explains, the total index the share with all its interactions. Both come from the
same samples by a polynomial chaos expansion (Sudret 2008, Reliab. Eng. Syst. Saf. 93, 964): least
squares on products of orthonormal Legendre polynomials of the inputs mapped to [-1, 1],

    y = sum over a of c_a Psi_a(x),   Var y = sum over a != 0 of c_a^2,

so indices are sums of squared coefficients. The products are single inputs up to the third degree
and pairs; with few samples, up to the second degree, then without pairs. A choice between two
options is a two-point variable with the basis {1, +-1}. An output that goes with the cube of a
smooth one is expanded as its cube root; the indices of the cube then come from the expansion
itself, which costs nothing to evaluate, by the estimators of Saltelli et al. 2010 (first order) and
Jansen 1999 (total). ``explained`` is the share of the variance that the expansion predicts for
samples left out one at a time; where it is low the indices are no guide, and that is said.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from wakesim import constants
from wakesim.air.density import density_of
from wakesim.arrays import Array
from wakesim.case.energy import EnergyTable
from wakesim.case.mounts import Mount
from wakesim.case.schema import Case
from wakesim.constants import Input
from wakesim.energy import hourly_power
from wakesim.energy.hourly_power import CommonSample, Day, rotor_of
from wakesim.energy.rotor import Rotor
from wakesim.kept import reading_only
from wakesim.measures.model_interval import change, coarse, standing_hours, uncertain_inputs
from wakesim.traffic.lines import FieldSettings
from wakesim.traffic.scene import Scene, field_settings, one_hour, prepare_scene, scene_lines
from wakesim.traffic.stream import Passes

METHOD = "yield 4"  # part of the key of a kept sample; raise it when ``evaluate`` changes
_SHORTEST_STRETCH_S = 20.0
_MARGIN = 1.5  # on the traffic kept around each stretch
_HOURS = 3  # that stand for the day in a sample
_SURROGATE_EXPONENT = 13  # 2^13 points of the expansion for the estimators
LEAST_EXPLAINED = 0.8  # below this the ranking is flagged


@dataclass(frozen=True)
class Parameter:
    """One uncertain input, evenly spread over its range.

    ``scale`` is "linear", "log" (even in the logarithm) or "choice" (``low`` or ``high``, half
    each). ``origin`` says where the range comes from, ``key`` is its name in programs. Raises
    ValueError for an empty range.
    """

    name: str
    low: float
    high: float
    scale: str = "linear"
    origin: str = ""
    key: str = ""

    def __post_init__(self) -> None:
        if self.scale not in ("linear", "log", "choice"):
            raise ValueError(f"{self.name}: unknown scale {self.scale!r}")
        least = 0.0 if self.scale == "log" else -math.inf
        if not (least < self.low < self.high < math.inf):
            raise ValueError(f"{self.name}: the low end must be below the high end")

    def value(self, place: Array) -> Array:
        """Values at places (n,) in 0..1."""
        if self.scale == "choice":
            return np.where(place < 0.5, self.low, self.high)
        if self.scale == "log":
            return self.low * (self.high / self.low) ** place
        return self.low + (self.high - self.low) * place


def sample(parameters: Sequence[Parameter], count: int, seed: int) -> tuple[Array, Array]:
    """(places in 0..1, values), each (count, parameters), of a scrambled Sobol sequence.

    Raises ValueError unless ``count`` is a power of two (the sequence is even only there).
    """
    exponent = count.bit_length() - 1
    if count < 2 or 2**exponent != count:
        raise ValueError(f"the number of samples is {count}: must be a power of two")
    place = _sobol(len(parameters), seed).random_base2(exponent)
    values = np.column_stack([p.value(place[:, k]) for k, p in enumerate(parameters)])
    return place, values


def _sobol(dimensions: int, seed: int) -> Any:
    """The scrambled sequence; its library is imported here, where a case has an uncertain yield."""
    from scipy.stats import qmc

    return qmc.Sobol(dimensions, seed=seed)


@dataclass(frozen=True)
class Percentiles:
    """Values exceeded with 90, 50 and 10 % probability (P90, P50, P10 of the yield trade)."""

    p90: float
    p50: float
    p10: float
    mean: float
    sd: float


def percentiles(values: ArrayLike) -> Percentiles:
    """Exceedance percentiles of samples (n,). Raises ValueError for none or not finite ones."""
    v = np.asarray(values, dtype=np.float64)
    if v.ndim != 1 or v.size < 2 or not np.all(np.isfinite(v)):
        raise ValueError("at least two finite values are needed")
    low, middle, high = np.quantile(v, [0.1, 0.5, 0.9])
    return Percentiles(float(low), float(middle), float(high), float(v.mean()), float(v.std()))


@dataclass(frozen=True)
class Ranking:
    """Shares of the variance by input, in the parameters' order, and how far to trust them."""

    names: tuple[str, ...]
    first_order: Array
    total: Array
    explained: float

    @property
    def trusted(self) -> bool:
        """Whether the expansion predicts left-out samples well enough."""
        return self.explained >= LEAST_EXPLAINED

    def ordered(self) -> list[tuple[str, float, float]]:
        """(name, first order, total), largest total first."""
        rows = zip(self.names, self.first_order, self.total, strict=True)
        return sorted(((n, float(f), float(t)) for n, f, t in rows), key=lambda r: -r[2])


def ranking(
    parameters: Sequence[Parameter], place: ArrayLike, output: ArrayLike, root: int = 1
) -> Ranking:
    """Variance-based indices from samples ``place`` (n, parameters) in 0..1 and output (n,).

    ``root`` 3 is for an energy, which goes with the cube of a speed. Raises ValueError when there
    are fewer than twice as many samples as terms of the smallest expansion, or values that are not
    finite, or negative ones under a root. An output that never changes gives indices of zero.
    """
    x = 2.0 * np.asarray(place, dtype=np.float64) - 1.0
    y = np.asarray(output, dtype=np.float64)
    if x.shape != (y.size, len(parameters)) or not np.all(np.isfinite(y)):
        raise ValueError("places and outputs do not fit together, or are not finite")
    if root != 1 and y.min() < 0.0:
        raise ValueError("a root needs outputs of at least 0")
    terms = _affordable_terms(parameters, y.size)
    names, variance = tuple(p.name for p in parameters), float(np.var(y))
    if variance <= 1e-24 * max(float(np.mean(y**2)), 1e-300):
        return Ranking(names, np.zeros(len(names)), np.zeros(len(names)), 1.0)
    z = y if root == 1 else y ** (1.0 / root)
    basis = _basis(x, parameters, terms)
    orthogonal, upper = np.linalg.qr(basis)
    coefficient = np.linalg.solve(upper, orthogonal.T @ z)
    leverage = np.sum(orthogonal**2, axis=1)
    left_out = z - (z - basis @ coefficient) / np.maximum(1.0 - leverage, 1e-9)
    explained = 1.0 - float(np.mean((y - _power(left_out, root)) ** 2)) / variance
    if root == 1:
        first, total = _squared(coefficient, terms)
    else:
        first, total = _sampled(parameters, terms, coefficient, root)
    return Ranking(names, first, total, explained)


def _power(z: Array, root: int) -> Array:
    return z if root == 1 else np.maximum(z, 0.0) ** root


def _squared(coefficient: Array, terms: list[tuple[int, ...]]) -> tuple[Array, Array]:
    """First-order and total indices as sums of squared coefficients."""
    square = coefficient**2
    square[0] = 0.0
    used = np.array(terms) > 0
    alone = used.sum(axis=1) == 1
    return (square @ (used & alone[:, None])) / square.sum(), (square @ used) / square.sum()


def _sampled(
    parameters: Sequence[Parameter], terms: list[tuple[int, ...]], coefficient: Array, root: int
) -> tuple[Array, Array]:
    """Indices of the expansion's power by the estimators of Saltelli (first) and Jansen (total)."""
    count = len(parameters)
    drawn = 2.0 * _sobol(2 * count, 0).random_base2(_SURROGATE_EXPONENT) - 1.0
    a, b = drawn[:, :count], drawn[:, count:]

    def value(x: Array) -> Array:
        return _power(_basis(x, parameters, terms) @ coefficient, root)

    at_a, at_b = value(a), value(b)
    variance = float(np.var(np.concatenate([at_a, at_b])))
    first, total = np.empty(count), np.empty(count)
    for k in range(count):
        mixed = a.copy()
        mixed[:, k] = b[:, k]
        at_mixed = value(mixed)
        first[k] = np.mean((at_b - at_b.mean()) * (at_mixed - at_a)) / variance
        total[k] = 0.5 * np.mean((at_a - at_mixed) ** 2) / variance
    return first, total


def _affordable_terms(parameters: Sequence[Parameter], samples: int) -> list[tuple[int, ...]]:
    """The largest expansion with at most half as many terms as samples."""
    terms: list[tuple[int, ...]] = []
    for degree, pairs in ((3, True), (2, True), (2, False)):
        terms = _terms([degree if p.scale != "choice" else 1 for p in parameters], pairs)
        if samples >= 2 * len(terms):
            return terms
    raise ValueError(f"{samples} samples are too few for {len(terms)} terms; take twice as many")


def _terms(highest: Sequence[int], pairs: bool) -> list[tuple[int, ...]]:
    """Degrees of every product: single inputs up to their highest, and pairs of first degree."""
    count = len(highest)
    terms = [(0,) * count]
    for k, top in enumerate(highest):
        for degree in range(1, top + 1):
            terms.append(tuple(degree if j == k else 0 for j in range(count)))
    for a, b in itertools.combinations(range(count), 2) if pairs else ():
        terms.append(tuple(1 if j in (a, b) else 0 for j in range(count)))
    return terms


def _basis(x: Array, parameters: Sequence[Parameter], terms: list[tuple[int, ...]]) -> Array:
    single = []
    for k, parameter in enumerate(parameters):
        if parameter.scale == "choice":
            single.append(np.stack([np.ones(len(x)), np.where(x[:, k] < 0.0, -1.0, 1.0)]))
        else:
            series = np.polynomial.legendre.legvander(x[:, k], 3).T
            single.append(series * np.sqrt(2.0 * np.arange(4) + 1.0)[:, None])
    out = np.ones((len(x), len(terms)))
    for column, term in enumerate(terms):
        for k, degree in enumerate(term):
            if degree:
                out[:, column] *= single[k][degree]
    return out


@dataclass(frozen=True)
class YieldUncertainty:
    """P90, P50 and P10 of the effective speed, m/s, and of a year's energy, kWh, with rankings.

    The year has the air of the case. ``values`` (samples,
    parameters) and ``outputs`` (samples, 2) are the samples behind them, ``failed`` counts those
    that gave no result.
    """

    parameters: tuple[Parameter, ...]
    samples: int
    failed: int
    speed: Percentiles
    energy: Percentiles
    speed_ranking: Ranking
    energy_ranking: Ranking
    values: Array
    outputs: Array


# --- samples of the yield -----------------------------------------------------------------------


def yield_parameters(case: Case, mount: Mount) -> tuple[Parameter, ...]:
    """The uncertain inputs of a case at a mount, with the origin of each range."""
    curve = case.power_curve is not None
    absent = {constants.POWER_COEFFICIENT if curve else constants.POWER_CURVE}
    if case.air.wind is None:
        absent.add(constants.WIND_SPEED)
    settings = field_settings(case)
    return tuple(
        Parameter(item.name, *_range(item, case, mount), item.scale, item.origin, item.key)
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


@reading_only()  # what a sample marches and solves no other run asks for
def evaluate(payload: dict[str, Any]) -> dict[str, float]:
    """Effective speed and a year of weekdays of one sample; runs in a worker of a sweep.

    ``inputs`` of the payload by their keys; what is not among them stays as it is. A few hours
    stand for the day, each for as much of the traffic's work on the air.
    """
    case = hourly_power.whole_day(payload["case"])
    mount = next(m for m in case.mounts if m.name == payload["mount"])
    inputs: dict[str, float] = payload["inputs"]
    flow = inputs.get(constants.TRAFFIC_FLOW.key, 1.0)
    cache = central_pulses(_Place(case.sha256, mount.name, case, mount))
    rotor = _rotor(case, mount, inputs, payload["shaft_speed_rad_s"])
    stretch_s = max((case.energy or EnergyTable()).sample_per_hour_s, _SHORTEST_STRETCH_S)
    hours = standing_hours(case, _HOURS)
    case, settings = _moved(case, inputs)
    assert case.rotor is not None
    cube, power = 0.0, 0.0
    for hour in hours:
        scene = prepare_scene(
            one_hour(hourly_power.on_day(case, Day(flow=flow)), hour, mount), mount
        )
        passes = hourly_power.first_round(one_hour(case, hour, mount), settings)
        stretches = CommonSample(scene, passes, stretch_s)
        stretches.passes = _squeezed(stretches, scene, settings, flow)
        found = hourly_power.hourly_power(
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


@dataclass(frozen=True)
class _Place:
    """A mount of a case, the same for the same text of the case."""

    sha256: str
    name: str
    case: Case = field(compare=False)
    mount: Mount = field(compare=False)


@lru_cache(maxsize=1)
def central_pulses(place: _Place) -> hourly_power.Cache:
    """Panel part of the lines with all inputs at their central values, kept by each worker."""
    cache: hourly_power.Cache = {}
    settings = replace(coarse(field_settings(place.case)), pulse_reach_m=-1.0)
    scene_lines(prepare_scene(place.case, place.mount), settings, np.zeros(1), cache)
    return cache


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


def _moved(case: Case, inputs: dict[str, float]) -> tuple[Case, FieldSettings]:
    """The case with its heavy vehicles, the speed of all vehicles and its wind as in a sample,
    and the model's inputs moved."""
    case = hourly_power.on_day(case, Day(heavy=inputs.get(constants.HEAVY_SHARE.key, 1.0)))
    if case.traffic is not None:
        faster = inputs.get(constants.VEHICLE_SPEEDS.key, 1.0)
        case = replace(case, traffic=case.traffic.faster(case.road, faster))
    wind = case.air.wind
    if wind is not None:
        stronger = inputs.get(constants.WIND_SPEED.key, 1.0)
        faster_wind = wind.model_copy(update={"speed_m_s": wind.speed_m_s * stronger})
        case = hourly_power.in_wind(case, faster_wind)
    settings = replace(coarse(field_settings(case)), pulse_reach_m=-1.0)
    for item in uncertain_inputs(settings):
        if item.key in inputs:
            case, settings = change(item, case, settings, inputs[item.key])
    return case, settings


def _rotor(case: Case, mount: Mount, inputs: dict[str, float], shaft_rad_s: float | None) -> Rotor:
    rotor = rotor_of(case, mount, inputs.get(constants.POWER_COEFFICIENT.key))
    factor = inputs.get(constants.POWER_CURVE.key)
    if rotor.power_curve is not None and factor is not None:
        rotor = replace(rotor, power_curve=rotor.power_curve.scaled(factor, rotor.area_m2))
    if rotor.response == "fixed_speed" and rotor.shaft_speed_rad_s is None:
        rotor = replace(rotor, shaft_speed_rad_s=shaft_rad_s)
    return rotor
