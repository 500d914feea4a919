"""Statistics of gappy records against closed forms, scipy and their own coverage."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import signal, special

from wakesim.records.anemometer import AnemometerRecord
from wakesim.records.pass_average import isolated, pass_average
from wakesim.records.statistics import (
    block_edges,
    exceedance,
    record_spectrum,
    speed_statistics,
    stretches,
)
from wakesim.traffic.stream import Passes

DT = 0.1


def record(
    speed: np.ndarray, keep: np.ndarray | None = None, jitter: np.ndarray | None = None
) -> AnemometerRecord:
    time = DT * np.arange(speed.size)
    if jitter is not None:
        time = time + jitter
    keep = np.ones(speed.size, bool) if keep is None else keep
    time = time[keep] - time[keep][0]
    gaps = 1.0 - keep.sum() / speed.size
    return AnemometerRecord(time, speed[keep], None, None, None, DT, None, gaps, "", "")


def rayleigh(rng: np.random.Generator, n: int, memory: float = 200.0) -> np.ndarray:
    """Rayleigh speeds of mean square 2 with a memory: the length of two filtered normals."""
    a = math.exp(-1.0 / memory)
    noise = rng.standard_normal((2, n + 2000)) * math.sqrt(1 - a * a)
    parts = signal.lfilter([1.0], [1.0, -a], noise, axis=1)[:, 2000:]
    return np.hypot(*parts)


def test_stretches_and_blocks_never_span_a_gap() -> None:
    keep = np.ones(4000, bool)
    keep[[1000, 1001]] = False
    keep[2500:2600] = False
    r = record(np.ones(4000), keep)
    parts = stretches(r.time_s, DT)
    assert [p.stop - p.start for p in parts] == [1000, 1498, 1400]
    edges = block_edges(r, 60.0)
    assert {1000, 2498} <= set(edges.tolist())
    assert np.diff(edges).tolist() == [1000, 749, 749, 700, 700]


def test_intervals_hold_the_truth_as_often_as_they_say() -> None:
    """Rayleigh speeds with memory and a fifth missing: mean and mean cube are known exactly."""
    mean = math.sqrt(math.pi / 2)
    effective = (3.0 * mean) ** (1 / 3)
    hits = np.zeros(2)
    for seed in range(200):
        rng = np.random.default_rng(seed)
        keep = np.ones(36_000, bool)
        for start in rng.integers(0, 35_000, 9):
            keep[start : start + 800] = False
        found = speed_statistics(record(rayleigh(rng, 36_000), keep))
        low, high = found.mean_interval_m_s
        hits[0] += low <= mean <= high
        low, high = found.effective_interval_m_s
        hits[1] += low <= effective <= high
    # 90 % of 200 with a binomial standard deviation of 4.2, and some loss with 24 blocks.
    assert np.all(hits >= 166)
    assert np.all(hits <= 196)


def test_exceedance_of_rayleigh_speeds() -> None:
    r = record(rayleigh(np.random.default_rng(1), 200_000))
    found = exceedance(r, [0.0, 0.5, 1.0, 2.0, 3.0])
    exact = np.exp(-0.5 * found.speed_m_s**2)
    assert np.all((found.low <= exact + 1e-12) & (exact <= found.high + 1e-12))
    assert np.all(found.high - found.low < 0.06)
    usual = exceedance(r)
    assert usual.share[-1] == 0.0
    assert np.all(np.diff(usual.share) <= 0)


def test_spectrum_of_a_known_process_through_gaps() -> None:
    """First-order process: density from its exact transfer function."""
    n, a = 400_000, 0.9
    rng = np.random.default_rng(4)
    x = signal.lfilter([1.0], [1.0, -a], rng.standard_normal(n + 500))[500:] + 20.0
    keep = np.ones(n, bool)
    for start in rng.integers(0, n - 700, 60):
        keep[start : start + rng.integers(1, 600)] = False
    found = record_spectrum(record(x, keep), segment_s=40.0)
    exact = 2 * DT / np.abs(1 - a * np.exp(-2j * np.pi * found.frequency_hz * DT)) ** 2
    ratio = found.density[2:-1] / exact[2:-1]
    assert abs(ratio.mean() - 1.0) < 0.02
    assert ratio.std() < 2.0 * found.relative_error
    assert 0.8 < found.used_share <= 1.0


def test_spectrum_without_gaps_is_that_of_scipy() -> None:
    x = np.random.default_rng(5).standard_normal(6000)
    found = record_spectrum(record(x + 5.0), segment_s=60.0)
    f, density = signal.welch(x - x.mean(), 1 / DT, "hann", 600, detrend=False)
    assert_allclose(found.frequency_hz, f)
    scale = x.var() / (density.sum() * f[1])  # the project's estimate sums to the variance
    assert_allclose(found.density, density * scale, rtol=1e-9)


def test_jitter_hardly_moves_the_low_frequencies() -> None:
    rng = np.random.default_rng(6)
    time = DT * np.arange(60_000) + rng.uniform(-0.02, 0.02, 60_000)
    wave = np.sin(2 * np.pi * 0.5 * time)
    r = record(5 + wave, jitter=time - DT * np.arange(60_000))
    found = record_spectrum(r, segment_s=60.0)
    near = np.abs(found.frequency_hz - 0.5) < 0.06
    assert np.sum(found.density[near]) * found.frequency_hz[1] == pytest.approx(0.5, rel=0.03)


def test_a_record_of_pieces_has_no_spectrum() -> None:
    keep = np.arange(2000) % 100 != 0
    with pytest.raises(ValueError, match=r"the longest stretch without a gap is 9\.9 s"):
        record_spectrum(record(np.ones(2000), keep), segment_s=20.0)


def passes(times: list[float], lane: list[int] | None = None) -> Passes:
    n = len(times)
    none = np.zeros(n)
    lanes = np.array(lane if lane else [0] * n, dtype=np.int32)
    return Passes(np.array(times), lanes, np.zeros(n, np.int32), none + 25.0, none, none + 1.0)


def test_isolated_passes() -> None:
    p = passes([0.0, 100.0, 108.0, 300.0, 300.5, 400.0], [0, 0, 0, 0, 1, 1])
    assert isolated(p, 5.0, 10.0).tolist() == [True, False, True, False, False, True]
    near = isolated(p, 5.0, 10.0, np.array([0]))
    assert near.tolist() == [True, False, True, True, False, True]


def test_average_finds_a_pulse_in_noise() -> None:
    """A known pulse under noise with a memory; the interval must hold it as often as it says."""
    rng = np.random.default_rng(8)
    n = 120_000
    time = DT * np.arange(n)
    noise = signal.lfilter([0.5], [1.0, -0.8], rng.standard_normal(n))
    moments = np.cumsum(rng.uniform(40.0, 80.0, 190))
    keep = rng.random(n) > 0.05

    def pulse(t: np.ndarray) -> np.ndarray:
        t = np.maximum(t, 0.0)
        return 1.5 * t * np.exp(-t / 1.5)

    total = 4.0 + noise + sum(pulse(time - m) for m in moments)
    r = record(total, keep)
    p = passes((moments - time[keep][0]).tolist())
    found = pass_average(
        r, p, np.ones(190, bool), window_s=(-3.0, 12.0), bin_s=0.5, baseline_s=(-8.0, -1.0)
    )
    exact = special.roots_legendre(8)  # means over the bins, by quadrature
    inner = found.time_s[:, None] + 0.25 * exact[0]
    truth = (pulse(inner) * exact[1]).sum(axis=1) / 2
    inside = np.mean((found.low <= truth) & (truth <= found.high))
    assert inside > 0.7  # neighbouring bins share their noise
    assert np.max(np.abs(found.mean - truth)) < 0.25
    assert found.passes > 180
    assert_allclose(found.sd.mean(), noise.std(), rtol=0.35)


def test_too_few_passes_are_told() -> None:
    r = record(np.ones(3000))
    p = passes([50.0, 100.0, 150.0, 151.0])
    with pytest.raises(ValueError, match="2 of 4 passes have no other vehicle"):
        pass_average(r, p, np.ones(4, bool))
