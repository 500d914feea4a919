"""Traffic: headways and counts in a lane, speeds, Campbell's theorem, frequencies beside a road.

Headways follow Cowan's M3 family (``traffic/headways.py``). With the option ``simulated`` a stream
of ``vehicles`` passes is drawn as in a run (``traffic/stream.py``) and its statistics are taken.

Shot noise: passes at rate q with the pulse a exp(-t/tau) are drawn and superposed by the tool's own
kernel; Campbell's theorem gives the cumulants of the sum, q a^n tau/n (S. O. Rice, Bell System
Technical Journal 23 (1944) 282).

Frequencies: the share of the along-road velocity's variance at the centre of a mount's rotor that
lies at and above a frequency, from a short stretch of a case's simulated traffic: pulses, mean
wakes, synthetic wake turbulence and ambient turbulence as in a run, without the sustained drift
(steady within an hour) and the mean (``measures/spectra.py``).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np

from wakesim.arrays import Array
from wakesim.case.load import load_case
from wakesim.case.schema import Case
from wakesim.case.traffic import Headway
from wakesim.errors import CaseError
from wakesim.measures import series
from wakesim.measures.spectra import velocity_spectrum
from wakesim.runtime import cases_path
from wakesim.traffic import headways
from wakesim.traffic.mount_air import mount_air
from wakesim.traffic.scene import (
    draw_round,
    field_settings,
    prepare_scene,
    round_noise,
    scene_lines,
)
from wakesim.traffic.series_kernels import add_lines
from wakesim.traffic.stream import draw_passes
from wakesim.validation.comparison import Comparison
from wakesim.validation.quantities.inputs import (
    SMALLEST,
    choice,
    condition,
    flag,
    integer,
    number,
    quantity,
    setting,
)

MODELS = ("exponential", "shifted_exponential", "cowan_m3")
_RANDOM = Headway()
_MOST_VEHICLES = 2_000_000
_PULSE_LENGTH = 30.0  # time constants after which the test pulse is cut: 1e-13 of it
_ROWS, _SAMPLES = 25, 5  # rows of the pulse's line and samples of the record in a time constant
_STRETCH, _BLOCK = 16_384, 512  # samples superposed at a time, and by one thread
_LONGEST = 40_000_000  # samples of a record
_SEGMENT_S = 120.0  # of a spectrum

_LANE_FLOW = {"lane_flow_veh_h": "flow in one lane"}
_SIMULATION = {
    "vehicles": "passes simulated, default 100000",
    "seed": "of the simulated stream, default 1",
}
_HEADWAY = {
    "model": "exponential, shifted_exponential or cowan_m3 (default)",
    "minimum_s": "minimum headway: option, or condition of each point; default 1",
    "free_share": "condition: share not bunched; makes the model cowan_m3",
    "bunching_s": "A of the free share exp(-A q)",
    "bunching_factor": "b of the free share exp(-b D q)",
    "tanner": "free share 1 - D q",
    "simulated": "take it from a simulated stream, default false",
    **_SIMULATION,
}


# --- headways -----------------------------------------------------------------------------------


def bunched(**values: Any) -> Headway:
    """A Cowan M3 headway, whose values may lie beyond what a case file allows."""
    return Headway.model_construct(**{"model": "cowan_m3"} | values)


def _headways(c: Comparison) -> list[Headway]:
    """Headway model of each point, from the options or from ``minimum_s`` and ``free_share``."""
    model = choice(c, "model", "cowan_m3", MODELS)
    minimum = condition(c, "minimum_s", 0.0, 10.0, setting(c, "minimum_s", 1.0, 0.0, 10.0))
    if "free_share" in c.conditions:
        share = condition(c, "free_share", SMALLEST, 1.0)
        return [
            bunched(minimum_s=float(least), bunching_s=-math.log(free) / float(q))
            for least, free, q in zip(minimum, share, _lane_flow(c), strict=True)
        ]
    bunching_s, factor = number(c, "bunching_s", 0.0, 60.0), number(c, "bunching_factor", 0.0, 60.0)
    tanner = flag(c, "tanner", False)
    if model == "cowan_m3" and [bunching_s is None, factor is None, not tanner].count(False) != 1:
        raise CaseError(
            f"{c.path}: options: model = 'cowan_m3' needs the condition free_share or one of "
            "bunching_s, bunching_factor, tanner = true"
        )
    least = np.zeros(c.size) if model == "exponential" else minimum
    more = {"bunching_s": bunching_s, "bunching_factor": factor, "tanner": tanner}
    return [bunched(model=model, minimum_s=float(m), **more) for m in least]


def _lane_flow(c: Comparison) -> Array:
    """Flows (n,) in a lane, veh/s."""
    return condition(c, "lane_flow_veh_h", SMALLEST, 4000.0) / 3600.0


def _headway_values(
    c: Comparison,
    exact: Callable[[Headway, float, int], float],
    of_sample: Callable[[Array, int], float],
) -> Array:
    """A statistic of the headways at each point: exact, or of a simulated stream."""
    simulated, (vehicles, seed) = flag(c, "simulated", False), _simulation(c)
    out = np.empty(c.size)
    for i, (headway, q) in enumerate(zip(_headways(c), map(float, _lane_flow(c)), strict=True)):
        if simulated:
            out[i] = of_sample(np.diff(_times(headway, q, vehicles / q, seed + i)), i)
        else:
            out[i] = exact(headway, q, i)
    return out


def _stream(
    headway: Headway, flow_veh_s: float, duration_s: float, seed: int,
    speed_m_s: float = 30.0, sd_m_s: float = 0.0,
) -> tuple[Array, Array]:  # fmt: skip
    """Times and speeds of the passes of one lane and one class, drawn as in a run."""
    state = SimpleNamespace(
        flow_veh_s=np.array([flow_veh_s]),
        mix=np.array([[1.0]]),
        mean_speed_m_s=np.array([[speed_m_s]]),
        speed_sd_m_s=np.array([[sd_m_s]]),
    )
    lane, driven = SimpleNamespace(name="lane"), SimpleNamespace(name="class", length_m=4.5)
    passes = draw_passes(
        state, [lane], [driven], headway, 0.0, False, duration_s, np.random.SeedSequence(seed)
    )
    return passes.time_s, passes.speed_m_s


def _times(headway: Headway, flow_veh_s: float, duration_s: float, seed: int) -> Array:
    return _stream(headway, flow_veh_s, duration_s, seed)[0]


def _simulation(c: Comparison) -> tuple[int, int]:
    """Number of vehicles and seed of a simulated stream."""
    vehicles = integer(c, "vehicles", 100_000, 100, _MOST_VEHICLES)
    return vehicles, integer(c, "seed", 1, 0, 2**31 - 1)


@quantity("s", _LANE_FLOW, _HEADWAY)
def headway_mean(c: Comparison) -> Array:
    """Mean time headway in a lane."""

    def exact(headway: Headway, flow: float, i: int) -> float:
        minimum, share, rate = headways.parameters(headway, flow)
        return minimum + share / rate

    return _headway_values(c, exact, lambda gaps, i: float(gaps.mean()))


@quantity("s", _LANE_FLOW, _HEADWAY)
def headway_sd(c: Comparison) -> Array:
    """Standard deviation of the time headway in a lane."""
    return _headway_values(
        c, lambda h, q, i: headways.standard_deviation(h, q), lambda gaps, i: float(gaps.std())
    )


@quantity("1", {**_LANE_FLOW, "threshold_s": "headway to be exceeded"}, _HEADWAY)
def headway_share_above(c: Comparison) -> Array:
    """Share of headways in a lane longer than a threshold."""
    limit = condition(c, "threshold_s", 0.0, 1e4)
    return _headway_values(
        c,
        lambda h, q, i: float(headways.survival(h, q, limit[i])),
        lambda gaps, i: float(np.mean(gaps > limit[i])),
    )


@quantity(
    "veh/h",
    {"road_flow_veh_h": "flow on the road, all lanes"},
    {
        "lanes": "lanes that share the flow evenly, default 2",
        "hours": "hours simulated, default 100",
        "model": "exponential (default) or cowan_m3",
        "minimum_s": _HEADWAY["minimum_s"],
        "bunching_s": _HEADWAY["bunching_s"],
        "seed": _HEADWAY["seed"],
    },
)
def hourly_count_sd(c: Comparison) -> Array:
    """Standard deviation of hourly counts at a steady flow.

    The road's flow is shared evenly by ``lanes`` independent lanes; each is counted over
    ``hours`` hours of one simulated stream.
    """
    road = condition(c, "road_flow_veh_h", SMALLEST, 40_000.0)
    lanes = integer(c, "lanes", 2, 1, 20)
    hours = integer(c, "hours", 100, 10, 2000)
    seed = integer(c, "seed", 1, 0, 2**31 - 1)
    headway = _RANDOM
    if choice(c, "model", "exponential", MODELS) == "cowan_m3":
        least = setting(c, "minimum_s", 1.0, 0.0, 10.0)
        headway = bunched(minimum_s=least, bunching_s=setting(c, "bunching_s", 7.5, 0.0, 60.0))
    edges = 3600.0 * np.arange(hours + 1)
    out = np.empty(c.size)
    for i, flow in enumerate(road / 3600.0 / lanes):
        times = _times(headway, float(flow), float(edges[-1]), seed + i)
        out[i] = math.sqrt(lanes) * np.histogram(times, edges)[0].std(ddof=1)
    return out


# --- speeds -------------------------------------------------------------------------------------


@quantity(
    "1",
    {"threshold_m_s": "speed to be exceeded"},
    {
        "mean_m_s": "condition: mean speed, instead of the catalogue's",
        "sd_m_s": "condition: standard deviation of the speed, instead of the catalogue's",
        **_SIMULATION,
    },
)
def share_above_speed(c: Comparison) -> Array:
    """Share of a class that drives faster than a threshold.

    Mean and standard deviation are the conditions ``mean_m_s`` and ``sd_m_s``, or those of the
    catalogue for the vehicle.
    """
    limit = condition(c, "threshold_m_s", 0.0, 150.0)
    own = c.body.mean_speed_m_s if c.body is not None else None
    if "mean_m_s" not in c.conditions and own is None:
        raise CaseError(
            f"{c.path}: quantity '{c.quantity}' needs mean_m_s and sd_m_s, or a vehicle of the "
            "catalogue with a mean speed"
        )
    mean = condition(c, "mean_m_s", 5.0, 100.0, own)
    sd = condition(c, "sd_m_s", 0.0, 50.0, c.body.speed_sd_m_s if c.body else 0.0)
    vehicles, seed = _simulation(c)
    out = np.empty(c.size)
    for i in range(c.size):
        speed = _stream(_RANDOM, 0.3, vehicles / 0.3, seed, float(mean[i]), float(sd[i]))[1]
        out[i] = np.mean(speed > limit[i])
    return out


# --- shot noise ---------------------------------------------------------------------------------


@quantity(
    "(m/s)^order",
    {
        "order": "order of the cumulant (1 mean, 2 variance, 3)",
        "rate_per_s": "passes per second",
        "amplitude_m_s": "height of each pulse",
        "decay_s": "time constant of each pulse",
    },
    _SIMULATION,
)
def shot_noise_cumulant(c: Comparison) -> Array:
    """Cumulant of superposed exponential pulses of a simulated Poisson stream.

    All orders of one rate, amplitude and time constant come from the same simulated record.
    """
    order = condition(c, "order", 1.0, 3.0)
    rate = condition(c, "rate_per_s", SMALLEST, 10.0)
    height = condition(c, "amplitude_m_s", -100.0, 100.0)
    decay = condition(c, "decay_s", 0.01, 100.0)
    if not np.all(order == np.rint(order)):
        raise CaseError(f"{c.path}: every order must be 1, 2 or 3")
    vehicles, seed = _simulation(c)
    samples = vehicles / rate / decay * _SAMPLES
    if np.any(samples > _LONGEST):
        worst = int(np.argmax(samples))
        raise CaseError(
            f"{c.path}: point {worst + 1}: {vehicles} vehicles at {rate[worst]:g} passes/s are a "
            f"record of {samples[worst]:.2g} samples, more than {_LONGEST}; lower vehicles"
        )
    records: dict[tuple[float, float, float], Array] = {}
    out = np.empty(c.size)
    for i in range(c.size):
        key = (float(rate[i]), float(height[i]), float(decay[i]))
        if key not in records:
            records[key] = pulse_record(*key, vehicles, seed)
        out[i] = _cumulant(records[key], int(order[i]))
    return out


def _cumulant(record: Array, order: int) -> float:
    mean = float(record.mean())
    return mean if order == 1 else float(np.mean((record - mean) ** order))


def pulse_record(
    rate_per_s: float, amplitude_m_s: float, decay_s: float, vehicles: int, seed: int
) -> Array:
    """Superposed pulses of a Poisson stream, five samples a time constant, after the warm-up, m/s.

    The kernel is the one that walks the lines of real passes, stretch by stretch as in a run.
    """
    dt, row_s = decay_s / _SAMPLES, decay_s / _ROWS
    rows = math.ceil(_PULSE_LENGTH * _ROWS) + 1
    pulse = amplitude_m_s * np.exp(-np.arange(rows) / _ROWS)[:, None]
    duration = vehicles / rate_per_s
    times = _times(_RANDOM, rate_per_s, duration, seed)
    out = np.zeros((math.ceil(duration / dt), 1))
    first, length = np.array([0]), np.array([rows])
    for begin in range(0, out.shape[0], _STRETCH):
        part = out[begin : begin + _STRETCH]
        low, high = begin * dt - _PULSE_LENGTH * decay_s, (begin + len(part)) * dt
        mine = times[slice(*np.searchsorted(times, (low, high)))]
        n = mine.size
        add_lines(
            pulse, first, length, np.zeros(n, dtype=np.int64), (begin * dt - mine) / row_s,
            np.full(n, dt / row_s), np.ones((n, 1)), 1, _BLOCK, 0, part,
        )  # fmt: skip
    return out[math.ceil(_PULSE_LENGTH * _SAMPLES) :, 0]


# --- frequencies beside a road ------------------------------------------------------------------


@quantity(
    "1",
    {"from_hz": "frequency at and above which the variance is counted"},
    {
        "case": "case file beside the reference file, or an example: cases/name.toml",
        "start_hour": "clock hour of the traffic, default 8",
        "duration_h": "time simulated, 0.1 to 1 h, default 1",
    },
)
def variance_share_above(c: Comparison) -> Array:
    """Share of the along-road velocity's variance beside a road at and above a frequency."""
    limit = condition(c, "from_hz", 0.0, 10.0)
    hour = integer(c, "start_hour", 8, 0, 23)
    hours = setting(c, "duration_h", 1.0, 0.1, 1.0)
    frequency, density = _spectrum(_case_path(c), hour, hours)
    total = float(density.sum())
    if total == 0.0:
        raise CaseError(f"{c.path}: the air of the case does not vary; no share is defined")
    return np.array([float(density[frequency >= f].sum()) / total for f in limit])


def _case_path(c: Comparison) -> Path:
    """The case file: beside the reference file, or among the examples ("cases/...").

    Raises CaseError when the option is missing or no text.
    """
    name = c.options.get("case")
    if not isinstance(name, str) or not name.strip():
        raise CaseError(f"{c.path}: quantity '{c.quantity}' needs options.case = \"file.toml\"")
    beside = c.path.parent / name
    first, _, rest = name.partition("/")
    if first == "cases" and rest and not beside.exists():
        return cases_path(*rest.split("/"))
    return beside


@lru_cache(maxsize=4)
def _spectrum(path: Path, start_hour: int, duration_h: float) -> tuple[Array, Array]:
    """Frequencies and densities of u at the first mount of a case, Hz and m2/s2/Hz."""
    whole = load_case(path)
    if whole.traffic is None:
        raise CaseError(f"{path}: has no traffic; a spectrum needs it")
    settings = whole.compute.model_copy(update={"start_hour": start_hour, "duration_h": duration_h})
    dt = 1.0 / settings.sample_rate_hz
    return velocity_spectrum(_velocity(replace(whole, compute=settings)), dt, _SEGMENT_S)


def _velocity(case: Case) -> Array:
    """Along-road velocity at the centre of the first mount's rotor over one round, (n,) m/s."""
    scene = prepare_scene(case, case.mounts[0])
    settings = field_settings(case)
    samples = round(3600.0 * case.compute.duration_h * case.compute.sample_rate_hz)
    passes = draw_round(case, 0, 10.0 + 1.25 * settings.wake_memory_s)
    air = mount_air(scene, settings)
    parts = series.walk(
        scene, scene_lines(scene, settings, air.viscosity, memory_s=air.memory_s), passes, 0.0,
        samples, round_noise(scene, 0, samples), air,
    )  # fmt: skip
    return series.merge(list(parts)).u
