from __future__ import annotations

import numpy as np
import pytest
from scipy import signal, stats

from wakesim.measures.effective import effective_speed
from wakesim.measures.intervals import (
    block_bootstrap_interval,
    block_cubes,
    effective_interval,
    estimate,
    interval,
    join_blocks,
)

HOUR = 3600


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


def test_agreement_with_block_bootstrap():
    """Mean width and position of both methods where cubes are not too skewed for percentiles."""
    speeds, _ = _lognormal_runs(12, [1.0, 2.5, 4.0], np.random.default_rng(3), spread=0.25)
    strata = _labels(3)
    batch = np.array([effective_interval(speed, 1.0, strata) for speed in speeds])
    rng = np.random.default_rng(1)
    boot = np.array(
        [block_bootstrap_interval(speed, 1.0, strata, resamples=1500, rng=rng) for speed in speeds]
    )
    width = np.diff(batch).mean()
    assert width == pytest.approx(np.diff(boot).mean(), rel=0.15)
    np.testing.assert_allclose(batch.mean(axis=0), boot.mean(axis=0), atol=0.12 * width)


def test_bootstrap_repeats_itself():
    speed = np.abs(np.random.default_rng(2).standard_normal(4000))
    first = block_bootstrap_interval(speed, 1.0, resamples=200)
    assert first == block_bootstrap_interval(speed, 1.0, resamples=200)


def test_student_interval_for_a_symmetric_case():
    """Six equal blocks with symmetric means: the textbook Student interval of the mean cube."""
    cubes = np.array([4.0, 5.0, 6.0, 6.0, 7.0, 8.0])
    speed = np.repeat(np.cbrt(cubes), 10)
    low, high = effective_interval(speed, 6.0, level=0.95)
    half = stats.t.ppf(0.975, 5) * cubes.std(ddof=1) / np.sqrt(6)
    assert low == pytest.approx(np.cbrt(6.0 - half), rel=1e-12)
    assert high == pytest.approx(np.cbrt(6.0 + half), rel=1e-12)


def test_skewness_correction_inverts_halls_transformation():
    cubes = np.array([1.0, 1.0, 1.5, 1.0, 2.0, 1.0, 9.0, 1.2])
    low, high = effective_interval(np.repeat(np.cbrt(cubes), 10), 6.0)
    error = cubes.std(ddof=1) / np.sqrt(8)
    skew = stats.skew(cubes, bias=False) / np.sqrt(8)
    quantile = stats.t.ppf(0.95, 7)
    for bound, expected in ((low, quantile), (high, -quantile)):
        t = (cubes.mean() - bound**3) / error
        assert t + skew * t**2 / 3 + skew**2 * t**3 / 27 + skew / 6 == pytest.approx(expected)
    assert high**3 - cubes.mean() > cubes.mean() - low**3


def test_stratified_error_by_hand():
    first, second = np.array([1.0, 3.0, 2.0]), np.array([10.0, 14.0])
    speed = np.cbrt(np.concatenate([np.repeat(first, 20), np.repeat(second, 20)]))
    strata = [slice(0, 60), slice(60, 100)]
    result = estimate(block_cubes(speed, 3.0, strata))
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
