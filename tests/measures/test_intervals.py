from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from one_lane_road import text_of
from scipy import signal, stats

import wakesim
from wakesim.case.load import load_case_text
from wakesim.measures.effective import effective_speed
from wakesim.measures.intervals import (
    BLOCK_S,
    Blocks,
    block_cubes,
    estimate,
    interval,
    join_blocks,
)

HOUR = 3600


def effective_interval(speed, dt, strata=None, level=0.90, block_s=BLOCK_S):
    """Interval of the effective speed of one series (n,)."""
    return interval(block_cubes(speed, dt, strata, block_s), level)


def _lognormal_runs(runs: int, medians, rng, spread=0.4, memory_s=6.0):
    """Speeds exp(AR(1)) at 1 Hz, one hour per median; (runs, n) and the exact mean cube."""
    n = HOUR * len(medians)
    keep = np.exp(-1.0 / memory_s)
    shocks = rng.standard_normal((runs, n)) * np.sqrt(1.0 - keep**2)
    shocks[:, 0] = rng.standard_normal(runs)
    log = spread * signal.lfilter([1.0], [1.0, -keep], shocks, axis=1)
    median = np.repeat(medians, HOUR)
    exact = np.mean(np.array(medians) ** 3.0) * np.exp(4.5 * spread**2)
    return median * np.exp(log), exact


def _labels(count):
    return np.repeat(np.arange(count), HOUR)


# Counts of one carriageway over a day (invented) and the drift they keep up.
DAY_VEH_H = [
    120, 80, 70, 90, 210, 620, 1350, 1700, 1450, 1150, 1050, 1060,
    1090, 1100, 1150, 1250, 1350, 1300, 1000, 700, 480, 340, 220, 120,
]  # fmt: skip


def _drift(flow_veh_h):
    return 0.05 + 0.8 * np.asarray(flow_veh_h) / 1700.0


def _passing_traffic(rng, runs, flow_veh_h, memory_s, dt=1.0, follow=0.4, heavy=0.15):
    """Speeds (runs, n) beside a road: pulses, long wakes, their turbulence, and a steady drift.

    Vehicles come in platoons, one second apart (each is followed with probability ``follow``);
    lorries have 6.7 times the strength of the rest. A wake decays with age as (1 + t/2 s)^(-2/3)
    and fades out over the last tenth of ``memory_s``; its turbulent energy as (1 + t/2 s)^(-1.2).
    """
    hour = round(HOUR / dt)
    flow = np.repeat(np.asarray(flow_veh_h, dtype=float), hour)
    before = round(memory_s / dt)
    rate = np.concatenate([np.full(before, flow[0]), flow]) * dt / HOUR
    arriving = rng.poisson(rate * (1.0 - follow), (runs, rate.size))
    count = arriving.copy()
    for _ in range(4):
        arriving = np.roll(rng.binomial(arriving, follow), max(1, round(1.0 / dt)), axis=1)
        count += arriving
    strength = 0.12 * count + 0.68 * rng.binomial(count, heavy)
    age = (np.arange(before) + 0.5) * dt
    fade = np.clip((memory_s - age) / (0.1 * memory_s), 0.0, 1.0)
    wake = 0.4 * (1.0 + age / 2.0) ** (-2.0 / 3.0) * fade
    wake[0] += min(1.0, 1.0 / dt)  # the pulse
    energy = 0.4 * (1.0 + age / 2.0) ** -1.2 * fade
    u = signal.oaconvolve(strength, wake[None], axes=1)[:, before : rate.size]
    k = signal.oaconvolve(strength, energy[None], axes=1)[:, before : rate.size]
    rms = np.sqrt(np.maximum(k, 0.0))
    noise = rng.standard_normal((2, *u.shape), dtype=np.float32)
    u += np.repeat(_drift(flow_veh_h), hour)
    return np.hypot(u + rms * noise[0], 0.7 * rms * noise[1])


@cache
def _hours(flow_veh_h, memory_s):
    """500 single hours at one flow, one sample every two seconds."""
    return _passing_traffic(np.random.default_rng(41), 500, [flow_veh_h], memory_s, 2.0)


def _misses(speeds, dt, strata=None):
    """Shares of intervals that lie wholly above and wholly below the root-mean-cube of all runs.

    The mean of all runs has so little error of its own that it stands for the truth.
    """
    truth = np.cbrt(np.mean(speeds**3))
    bounds = np.array([effective_interval(speed, dt, strata) for speed in speeds])
    return np.mean(truth < bounds[:, 0]), np.mean(truth > bounds[:, 1])


@pytest.mark.parametrize("medians", [[2.0], [1.0, 2.5, 4.0]])
def test_coverage_of_the_interval(medians):
    """A nominal 90 % interval holds the exact value in 84 to 96 % of 400 correlated series."""
    speeds, exact = _lognormal_runs(400, medians, np.random.default_rng(12))
    truth = exact ** (1.0 / 3.0)
    strata = _labels(len(medians))
    bounds = np.array([effective_interval(speed, 1.0, strata) for speed in speeds])
    below, above = np.mean(truth < bounds[:, 0]), np.mean(truth > bounds[:, 1])
    assert 0.84 <= 1.0 - below - above <= 0.96
    assert below < 0.10
    assert above < 0.10


def test_coverage_for_rare_strong_pulses():
    """Poisson pulses of random strength, one hour of 180: the case the skewness term is for."""
    rng = np.random.default_rng(21)
    kernel = np.exp(-np.arange(40.0) / 4.0)

    def hour():
        counts = rng.poisson(0.05, 3600 + kernel.size)
        strong = rng.binomial(counts, 0.15)
        pulses = signal.convolve(0.6 * (counts - strong) + 2.5 * strong, kernel)
        return np.maximum(pulses[kernel.size : kernel.size + 3600], 0.0)

    truth = np.mean([np.mean(hour() ** 3) for _ in range(3000)]) ** (1.0 / 3.0)
    bounds = np.array([effective_interval(hour(), 1.0) for _ in range(500)])
    covered = np.mean((bounds[:, 0] <= truth) & (truth <= bounds[:, 1]))
    assert 0.84 <= covered <= 0.96


@pytest.mark.parametrize(
    ("flow_veh_h", "memory_s"), [(1700, 30.0), (1700, 120.0), (100, 60.0), (100, 120.0)]
)
def test_coverage_beside_a_road_for_one_hour(flow_veh_h, memory_s):
    """Busy and quiet hours, wakes of half a minute and of two: 86 to 94 % of 500 intervals."""
    above, below = _misses(_hours(flow_veh_h, memory_s), 2.0)
    assert 0.86 <= 1.0 - above - below <= 0.94
    assert max(above, below) < 0.10


def test_independent_blocks_would_not_cover():
    """What the cosines are for: minutes taken as independent miss the truth too often here."""
    cubes = _hours(1700, 120.0) ** 3
    minutes = cubes.reshape(500, 60, 30).mean(axis=2)
    half = stats.t.ppf(0.95, 59) * minutes.std(axis=1, ddof=1) / np.sqrt(60)
    assert np.mean(np.abs(minutes.mean(axis=1) - cubes.mean()) < half) < 0.82


def test_coverage_beside_a_road_for_a_day():
    """24 hours of very different traffic, 200 days, wakes of a minute and a half."""
    rng, dt = np.random.default_rng(43), 4.0
    speeds = np.concatenate([_passing_traffic(rng, 50, DAY_VEH_H, 90.0, dt) for _ in range(4)])
    above, below = _misses(speeds, dt, np.repeat(np.arange(24), 900))
    assert 0.86 <= 1.0 - above - below <= 0.94
    assert max(above, below) < 0.09


def test_coverage_of_several_rounds():
    """Four rounds of a third of an hour each, joined: 86 to 94 % of 375."""
    speeds = _hours(1700, 120.0).reshape(500, 3, 600).swapaxes(0, 1).reshape(1500, 600)
    truth = np.cbrt(np.mean(speeds**3))
    parts = [block_cubes(speed, 2.0) for speed in speeds]
    bounds = np.array([interval(join_blocks(parts[i : i + 4])) for i in range(0, 1500, 4)])
    assert 0.86 <= np.mean((bounds[:, 0] <= truth) & (truth <= bounds[:, 1])) <= 0.94


QUIET_TO_BUSY = ", ".join(str(flow) for flow in [60] * 6 + [300, 500, 400] + [250] * 9 + [120] * 6)


@pytest.mark.slow  # 200 runs each: about ten minutes on one busy core
@pytest.mark.parametrize(
    ("hours", "flow", "hz"),
    [(1, "flow_veh_h = 900", 20), (24, f"hourly_veh_h = [{QUIET_TO_BUSY}]", 10)],
)
def test_coverage_of_the_program_itself(hours, flow, hz):
    """200 seeds of a whole run, wakes of a minute: 86 to 94 % of its sampling intervals."""
    text = text_of(hours=hours, memory=60, heavy=0.12).replace("flow_veh_h = 900", flow)
    case = load_case_text(text + f"sample_rate_hz = {hz}\n", "test.toml")
    found = []
    for seed in range(200):
        result = wakesim.run(replace(case, traffic=replace(case.traffic, seed=seed)))
        statistics = result.mounts[0].statistics
        found.append((statistics.effective_speed_m_s, *statistics.sampling_interval_m_s))
    effective, low, high = np.array(found).T
    truth = np.cbrt(np.mean(effective**3))
    assert 0.86 <= np.mean((low <= truth) & (truth <= high)) <= 0.94


@pytest.mark.parametrize("correlation", [0.0, 0.3, 0.6])
def test_variance_of_correlated_blocks(correlation):
    """First-order process of 120 blocks: the exact variance of its mean, within 6 % on average."""
    n, runs = 120, 1000
    rng = np.random.default_rng(17)
    shocks = rng.standard_normal((runs, n)) * np.sqrt(1.0 - correlation**2)
    shocks[:, 0] = rng.standard_normal(runs)
    values = 20.0 + signal.lfilter([1.0], [1.0, -correlation], shocks, axis=1)
    lag = np.arange(1, n)
    exact = (1.0 + 2.0 * np.sum((1.0 - lag / n) * correlation**lag)) / n
    one, size = np.zeros(n, dtype=np.int64), np.full(n, 30)
    found = [estimate(Blocks(one, row, size)).standard_error ** 2 for row in values]
    assert np.mean(found) == pytest.approx(exact, rel=0.06)


def test_slow_swings_are_counted_and_fast_ones_are_not():
    """A swing of the mean cube over half an hour counts; one of 40 s averages out."""
    time = np.arange(HOUR)
    rng = np.random.default_rng(6)
    still = 1.0 + 0.1 * rng.standard_normal(HOUR)

    def error(period_s):
        cube = still + 0.5 * np.sin(2.0 * np.pi * time / period_s)
        return estimate(block_cubes(np.cbrt(np.maximum(cube, 0.0)), 1.0)).standard_error

    assert error(40.0) < 0.01
    assert error(1800.0) > 0.05


def test_unlike_neighbours_give_the_textbook_error():
    """Six blocks, each unlike its neighbours: standard deviation over sqrt(6), five degrees."""
    cubes = np.array([4.0, 8.0, 5.0, 7.0, 6.0, 6.0])
    found = estimate(block_cubes(np.repeat(np.cbrt(cubes), 10), 6.0, block_s=60.0))
    assert found.mean == pytest.approx(6.0)
    assert found.standard_error == pytest.approx(cubes.std(ddof=1) / np.sqrt(6), rel=1e-12)
    assert found.freedom == 5
    assert found.skewness == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize(
    ("cubes", "as_measured"),
    [([2.0, 1.0, 1.5, 1.0, 9.0, 1.0, 1.2, 1.0], True), ([4.0, 8.0, 5.0, 7.0, 6.0, 6.0], False)],
)
def test_skewness_correction_inverts_halls_transformation(cubes, as_measured):
    """With the skewness of the blocks, or 1.5 standard errors over the mean where that is more."""
    n, mean, error = len(cubes), np.mean(cubes), np.std(cubes, ddof=1) / np.sqrt(len(cubes))
    measured, least = stats.skew(cubes, bias=False) / np.sqrt(n), 1.5 * error / mean
    assert (measured > least) == as_measured
    skew = max(measured, least)
    low, high = effective_interval(np.repeat(np.cbrt(cubes), 10), 6.0, block_s=60.0)
    quantile = stats.t.ppf(0.95, n - 1)
    for bound, expected in ((low, quantile), (high, -quantile)):
        t = (mean - bound**3) / error
        assert t + skew * t**2 / 3 + skew**2 * t**3 / 27 + skew / 6 == pytest.approx(expected)
    assert high**3 - mean > mean - low**3


def test_stratified_error_by_hand():
    first, second = np.array([1.0, 3.0, 2.0]), np.array([10.0, 14.0])
    speed = np.cbrt(np.concatenate([np.repeat(first, 20), np.repeat(second, 20)]))
    strata = [slice(0, 60), slice(60, 100)]
    result = estimate(block_cubes(speed, 3.0, strata, block_s=60.0))
    parts = np.array([0.6**2 * first.var(ddof=1) / 3, 0.4**2 * second.var(ddof=1) / 2])
    assert result.mean == pytest.approx(0.6 * 2.0 + 0.4 * 12.0)
    assert result.standard_error == pytest.approx(np.sqrt(parts.sum()))
    assert result.freedom == pytest.approx(parts.sum() ** 2 / (parts[0] ** 2 / 2 + parts[1] ** 2))
    assert result.skewness == pytest.approx(0.0, abs=1e-12)


def test_differences_between_strata_are_no_error():
    """Steady hours of different speed: the interval has no width, unstratified it is wide."""
    speed = np.repeat([1.0, 3.0], 3600)
    low, high = effective_interval(speed, 1.0, np.repeat([7, 8], 3600))
    assert low == pytest.approx(high, abs=1e-9)
    assert low == pytest.approx(effective_speed(speed))
    low, high = effective_interval(speed, 1.0)
    assert high - low > 0.1


def test_labels_and_slices_agree():
    speed = np.abs(np.random.default_rng(5).standard_normal(7200)) + 1.0
    by_label = effective_interval(speed, 1.0, np.repeat(np.array([3, 1], dtype=np.int8), 3600))
    by_slice = effective_interval(speed, 1.0, [slice(0, 3600), slice(3600, None)])
    assert by_label == pytest.approx(by_slice, rel=1e-12)


def test_rounds_joined_equal_one_record():
    """Two rounds over the same hours: joined blocks are what one record would give."""
    rng = np.random.default_rng(8)
    rounds = np.abs(rng.standard_normal((2, 7200)))
    hours = np.repeat([7, 8], 3600)
    blocks = [block_cubes(speed, 1.0, hours) for speed in rounds]
    joined = interval(join_blocks(blocks))
    whole = effective_interval(rounds.ravel(), 1.0, np.tile(hours, 2))
    assert joined == pytest.approx(whole, rel=1e-12)
    single = interval(blocks[0])
    assert joined[1] - joined[0] < single[1] - single[0]


def test_blocks_cover_every_sample_once():
    speed = np.abs(np.random.default_rng(5).standard_normal(10_007))
    strata = np.repeat([0, 1, 0], [4001, 3000, 3006])
    blocks = block_cubes(speed, 0.05, strata, block_s=10.0)
    assert blocks.samples.sum() == speed.size
    assert blocks.samples.min() >= 200
    assert estimate(blocks).mean == pytest.approx(effective_speed(speed) ** 3, rel=1e-12)
    assert set(blocks.stratum) == {0, 1}


def test_longer_series_and_lower_level_narrow_the_interval():
    speed = np.abs(np.random.default_rng(5).standard_normal(40_000))

    def width(values, level=0.90):
        low, high = effective_interval(values, 1.0, level=level)
        return high - low

    assert width(speed) < 0.5 * width(speed[:4000])
    assert width(speed, 0.5) < width(speed, 0.9) < width(speed, 0.99)


def test_short_strata_still_give_an_interval():
    speed = np.abs(np.random.default_rng(5).standard_normal(600)) + 1.0
    low, high = effective_interval(speed[:90], 1.0)
    assert low < effective_speed(speed[:90]) < high
    with_stray = np.append(np.zeros(599, dtype=int), 1)
    low, high = effective_interval(speed, 1.0, with_stray)
    assert low < effective_speed(speed) < high


def test_still_air_has_a_zero_interval():
    assert effective_interval(np.zeros(1000), 1.0) == (0.0, 0.0)


def test_impossible_series_are_refused():
    speed = np.ones(100)
    with pytest.raises(ValueError, match="too few"):
        effective_interval([1.0], 1.0)
    with pytest.raises(ValueError, match="one-dimensional"):
        effective_interval(np.ones((2, 5)), 1.0)
    with pytest.raises(ValueError, match="finite"):
        effective_interval([1.0, np.nan, 2.0], 1.0)
    with pytest.raises(ValueError, match="labels"):
        effective_interval(speed, 1.0, np.zeros(99, dtype=int))
    with pytest.raises(ValueError, match="labels"):
        effective_interval(speed, 1.0, np.zeros(100))
    with pytest.raises(ValueError, match="slice"):
        effective_interval(speed, 1.0, [slice(50, 50)])
    with pytest.raises(ValueError, match="stratum"):
        effective_interval(speed, 1.0, [])
    with pytest.raises(ValueError, match="level"):
        effective_interval(speed, 1.0, level=1.0)
    with pytest.raises(ValueError, match="block length"):
        effective_interval(speed, 1.0, block_s=0.0)
