"""Traffic: headways and counts in a lane, speeds, Campbell's theorem.

Headways follow Cowan's M3 family (``traffic/headways.py``). With the option ``simulated`` a stream
of ``vehicles`` passes is drawn as in a run (``traffic/stream.py``) and its statistics are taken.

Shot noise: passes at rate q with the pulse a exp(-t/tau) are drawn and superposed by the tool's own
kernel; Campbell's theorem gives the cumulants of the sum, q a^n tau/n (S. O. Rice, Bell System
Technical Journal 23 (1944) 282). The turbulence that traffic makes is in ``turbulence``.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from types import SimpleNamespace

import numpy as np

from wakesim.case.traffic import Headway
from wakesim.errors import CaseError
from wakesim.traffic import headways
from wakesim.traffic.stream import draw_passes
from wakesim.traffic.superpose import add_lines
from wakesim.validation.comparison import Array, Comparison, Quantity
from wakesim.validation.quantities import turbulence
from wakesim.validation.quantities.inputs import SMALLEST, choice, condition, flag, integer, setting

MODELS = ("exponential", "shifted_exponential", "cowan_m3")
_MOST_VEHICLES = 2_000_000
_PULSE_LENGTH = 30.0  # time constants after which the test pulse is cut: 1e-13 of it
_ROWS, _SAMPLES = 25, 5  # rows of the pulse's line and samples of the record in a time constant
_STRETCH, _BLOCK = 16_384, 512  # samples superposed at a time, and by one thread
_LONGEST = 40_000_000  # samples of a record


# --- headways -----------------------------------------------------------------------------------


def _headway(c: Comparison) -> Callable[[int], Headway]:
    """Headway model of each point, from the options or from ``minimum_s`` and ``free_share``."""
    model = choice(c, "model", "cowan_m3", MODELS)
    flow = condition(c, "lane_flow_veh_h", SMALLEST, 4000.0, "veh/h") / 3600.0
    minimum = condition(
        c, "minimum_s", 0.0, 10.0, "s", setting(c, "minimum_s", 1.0, 0.0, 10.0, "s")
    )
    if "free_share" in c.conditions:
        share = condition(c, "free_share", SMALLEST, 1.0, "")

        def of_point(i: int) -> Headway:
            bunching = -math.log(float(share[i])) / float(flow[i])
            return Headway("cowan_m3", float(minimum[i]), bunching, None, False)

        return of_point
    bunching_s = setting(c, "bunching_s", math.nan, 0.0, 60.0, "s")
    factor = setting(c, "bunching_factor", math.nan, 0.0, 60.0)
    tanner = flag(c, "tanner", False)
    if (
        model == "cowan_m3"
        and [math.isnan(bunching_s), math.isnan(factor), not tanner].count(False) != 1
    ):
        raise CaseError(
            f"{c.path}: options: model = 'cowan_m3' needs the condition free_share or one of "
            "bunching_s, bunching_factor, tanner = true"
        )

    def same(i: int) -> Headway:
        least = 0.0 if model == "exponential" else float(minimum[i])
        return Headway(
            model,
            least,
            None if math.isnan(bunching_s) else bunching_s,
            None if math.isnan(factor) else factor,
            tanner,
        )

    return same


def _headway_values(
    c: Comparison,
    exact: Callable[[Headway, float, int], float],
    of_sample: Callable[[Array, int], float],
) -> Array:
    """A statistic of the headways at each point: exact, or of a simulated stream."""
    model = _headway(c)
    flow = condition(c, "lane_flow_veh_h", SMALLEST, 4000.0, "veh/h") / 3600.0
    simulated = flag(c, "simulated", False)
    number = integer(c, "vehicles", 100_000, 100, _MOST_VEHICLES)
    seed = integer(c, "seed", 1, 0, 2**31 - 1)
    out = np.empty(c.size)
    for i, q in enumerate(map(float, flow)):
        if simulated:
            out[i] = of_sample(np.diff(_times(model(i), q, number / q, seed + i)), i)
        else:
            out[i] = exact(model(i), q, i)
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


def headway_mean(c: Comparison) -> Array:
    """Mean headway, (n,) s."""

    def exact(headway: Headway, flow: float, i: int) -> float:
        minimum, share, rate = headways.parameters(headway, flow)
        return minimum + share / rate

    return _headway_values(c, exact, lambda gaps, i: float(gaps.mean()))


def headway_sd(c: Comparison) -> Array:
    """Standard deviation of the headway, (n,) s."""
    return _headway_values(
        c, lambda h, q, i: headways.standard_deviation(h, q), lambda gaps, i: float(gaps.std())
    )


def headway_share_above(c: Comparison) -> Array:
    """Share of headways longer than a threshold, (n,)."""
    limit = condition(c, "threshold_s", 0.0, 1e4, "s")
    return _headway_values(
        c,
        lambda h, q, i: float(headways.survival(h, q, limit[i])),
        lambda gaps, i: float(np.mean(gaps > limit[i])),
    )


def hourly_count_sd(c: Comparison) -> Array:
    """Standard deviation of the vehicles counted in an hour at a steady flow, (n,) veh/h.

    The road's flow is shared evenly by ``lanes`` independent lanes; each is counted over
    ``hours`` hours of one simulated stream.
    """
    road = condition(c, "road_flow_veh_h", SMALLEST, 40_000.0, "veh/h")
    lanes = integer(c, "lanes", 2, 1, 20)
    hours = integer(c, "hours", 100, 10, 2000)
    seed = integer(c, "seed", 1, 0, 2**31 - 1)
    headway = Headway("exponential", 0.0, None, None, False)
    if choice(c, "model", "exponential", MODELS) == "cowan_m3":
        bunching = setting(c, "bunching_s", 7.5, 0.0, 60.0, "s")
        headway = Headway(
            "cowan_m3", setting(c, "minimum_s", 1.0, 0.0, 10.0, "s"), bunching, None, False
        )
    edges = 3600.0 * np.arange(hours + 1)
    out = np.empty(c.size)
    for i, flow in enumerate(road / 3600.0 / lanes):
        times = _times(headway, float(flow), float(edges[-1]), seed + i)
        out[i] = math.sqrt(lanes) * np.histogram(times, edges)[0].std(ddof=1)
    return out


# --- speeds -------------------------------------------------------------------------------------


def share_above_speed(c: Comparison) -> Array:
    """Share of a class that drives faster than a threshold in a simulated stream, (n,).

    Mean and standard deviation are the conditions ``mean_m_s`` and ``sd_m_s``, or those of the
    catalogue for the vehicle.
    """
    limit = condition(c, "threshold_m_s", 0.0, 150.0, "m/s")
    own = c.body.mean_speed_m_s if c.body is not None else None
    if "mean_m_s" not in c.conditions and own is None:
        raise CaseError(
            f"{c.path}: quantity '{c.quantity}' needs mean_m_s and sd_m_s, or a vehicle of the "
            "catalogue with a mean speed"
        )
    mean = condition(c, "mean_m_s", 5.0, 100.0, "m/s", own)
    sd = condition(c, "sd_m_s", 0.0, 50.0, "m/s", c.body.speed_sd_m_s if c.body else 0.0)
    number = integer(c, "vehicles", 100_000, 100, _MOST_VEHICLES)
    seed = integer(c, "seed", 1, 0, 2**31 - 1)
    headway = Headway("exponential", 0.0, None, None, False)
    out = np.empty(c.size)
    for i in range(c.size):
        speed = _stream(headway, 0.3, number / 0.3, seed, float(mean[i]), float(sd[i]))[1]
        out[i] = np.mean(speed > limit[i])
    return out


# --- shot noise ---------------------------------------------------------------------------------


def shot_noise_cumulant(c: Comparison) -> Array:
    """Cumulant of order 1, 2 or 3 of simulated superposed exponential pulses, (n,) (m/s)^order.

    All orders of one rate, amplitude and time constant come from the same simulated record.
    """
    order = condition(c, "order", 1.0, 3.0, "")
    rate = condition(c, "rate_per_s", SMALLEST, 10.0, "1/s")
    height = condition(c, "amplitude_m_s", -100.0, 100.0, "m/s")
    decay = condition(c, "decay_s", 0.01, 100.0, "s")
    if not np.all(order == np.rint(order)):
        raise CaseError(f"{c.path}: every order must be 1, 2 or 3")
    number = integer(c, "vehicles", 100_000, 100, _MOST_VEHICLES)
    seed = integer(c, "seed", 1, 0, 2**31 - 1)
    samples = number / rate / decay * _SAMPLES
    if np.any(samples > _LONGEST):
        worst = int(np.argmax(samples))
        raise CaseError(
            f"{c.path}: point {worst + 1}: {number} vehicles at {rate[worst]:g} passes/s are a "
            f"record of {samples[worst]:.2g} samples, more than {_LONGEST}; lower vehicles"
        )
    records: dict[tuple[float, float, float], Array] = {}
    out = np.empty(c.size)
    for i in range(c.size):
        key = (float(rate[i]), float(height[i]), float(decay[i]))
        if key not in records:
            records[key] = pulse_record(*key, number, seed)
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
    headway = Headway("exponential", 0.0, None, None, False)
    times = _times(headway, rate_per_s, duration, seed)
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


_HEADWAY = {
    "model": "exponential, shifted_exponential or cowan_m3 (default)",
    "minimum_s": "minimum headway: option, or condition of each point; default 1",
    "free_share": "condition: share not bunched; makes the model cowan_m3",
    "bunching_s": "A of the free share exp(-A q)",
    "bunching_factor": "b of the free share exp(-b D q)",
    "tanner": "free share 1 - D q",
    "simulated": "take it from a simulated stream, default false",
    "vehicles": "passes simulated, default 100000",
    "seed": "of the simulated stream, default 1",
}
_SIMULATION = {key: _HEADWAY[key] for key in ("vehicles", "seed")}

QUANTITIES = (
    Quantity(
        "headway_mean", "s", "mean time headway in a lane",
        ("lane_flow_veh_h",), _HEADWAY, headway_mean,
    ),
    Quantity(
        "headway_sd", "s", "standard deviation of the time headway in a lane",
        ("lane_flow_veh_h",), _HEADWAY, headway_sd,
    ),
    Quantity(
        "headway_share_above", "1", "share of headways in a lane longer than a threshold",
        ("lane_flow_veh_h", "threshold_s"), _HEADWAY, headway_share_above,
    ),
    Quantity(
        "hourly_count_sd", "veh/h", "standard deviation of hourly counts at a steady flow",
        ("road_flow_veh_h",),
        {
            "lanes": "lanes that share the flow evenly, default 2",
            "hours": "hours simulated, default 100",
            "model": "exponential (default) or cowan_m3",
            "minimum_s": _HEADWAY["minimum_s"],
            "bunching_s": _HEADWAY["bunching_s"],
            "seed": _HEADWAY["seed"],
        },
        hourly_count_sd,
    ),
    Quantity(
        "share_above_speed", "1", "share of a class that drives faster than a threshold",
        ("threshold_m_s",),
        {
            "mean_m_s": "condition: mean speed, instead of the catalogue's",
            "sd_m_s": "condition: standard deviation of the speed, instead of the catalogue's",
            **_SIMULATION,
        },
        share_above_speed,
    ),
    Quantity(
        "shot_noise_cumulant", "(m/s)^order",
        "cumulant of superposed exponential pulses of a simulated Poisson stream",
        ("order", "rate_per_s", "amplitude_m_s", "decay_s"), _SIMULATION, shot_noise_cumulant,
    ),
    *turbulence.QUANTITIES,
)  # fmt: skip
