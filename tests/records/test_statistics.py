"""Statistics of gappy records against closed forms, scipy and their own coverage."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import signal, special

from wakesim.records.anemometer import AnemometerRecord
from wakesim.records.judgement import compare
from wakesim.records.pass_average import isolated, pass_average
from wakesim.records.statistics import (
    block_edges,
    exceedance,
    record_spectrum,
    running_mean,
    usual_block_s,
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


def lost(n: int, share: float, rng: np.random.Generator) -> np.ndarray:
    """Which of n samples are there when so many are missing here and there."""
    return rng.random(n) >= share


def test_blocks_are_spans_of_time_whatever_is_missing() -> None:
    rng = np.random.default_rng(0)
    for share in (0.0, 0.01, 0.05, 0.3):
        r = record(np.ones(36_000), lost(36_000, share, rng))
        edges = block_edges(r, 150.0)
        assert edges.size - 1 == 24
        starts = r.time_s[edges[:-1]]
        assert np.max(np.abs(np.diff(starts) - 150.0)) < 1.0


def test_a_block_has_half_of_its_samples_or_is_joined() -> None:
    keep = np.ones(6000, bool)
    keep[700:2300] = False  # 70 to 230 s: 20 s of samples from 60 to 240 s
    keep[5450:5980] = False  # 7 s of them from 540 s on
    edges = block_edges(record(np.ones(6000), keep), 60.0)
    time = record(np.ones(6000), keep).time_s
    assert_allclose(time[edges[:-1]], [0.0, 60.0, 300.0, 360.0, 420.0, 480.0], atol=DT)
    assert np.diff(edges).min() >= 300
    assert edges[-1] == keep.sum()


def test_a_gap_of_hours_makes_no_blocks() -> None:
    time = np.concatenate([DT * np.arange(6000), 90_000.0 + DT * np.arange(6000)])
    r = record(np.ones(12_000))
    r = AnemometerRecord(time, r.speed_m_s, None, None, None, DT, None, 0.9, "", "")
    assert block_edges(r, 60.0).size - 1 in (19, 20)


def test_running_mean_is_that_of_the_samples_around() -> None:
    """Against the mean written out, with scattered gaps and a long one."""
    rng = np.random.default_rng(3)
    keep = lost(900, 0.1, rng)
    keep[400:470] = False
    time = DT * np.arange(900)[keep]
    values = rng.standard_normal(time.size)
    found = running_mean(time, values, 4.0, DT)
    for i in range(0, time.size, 7):
        near = np.abs(time - time[i]) < 2.0 + 0.5 * DT
        before, after = (np.sum(near & side) for side in (time < time[i], time > time[i]))
        if min(before, after) < 10:
            assert np.isnan(found[i])
        else:
            assert found[i] == pytest.approx(values[near].mean())
    assert np.isfinite(found).mean() > 0.8


MEAN = math.sqrt(math.pi / 2)
TRUTH = [MEAN, (3.0 * MEAN) ** (1 / 3), math.sqrt(2.0 - MEAN**2), math.exp(-0.5 * 1.2**2)]
"""Of Rayleigh speeds of mean square 2: mean, effective speed, deviation, share above 1.2 m/s."""


@pytest.mark.parametrize("share", [0.0, 0.01, 0.05])
def test_intervals_hold_the_truth_with_samples_missing(share: float) -> None:
    """40 records of 20 min with a memory of 10 s: 90 % intervals cover 83 % or more.

    The four values of each record, and their ratios to those of another record.
    """
    inside, ratios, widths = np.zeros(4), np.zeros(4), []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        one, two = (rayleigh(rng, 12_000, 100.0) for _ in range(2))
        mine = record(one, lost(12_000, share, rng))
        found = compare(mine, [record(two)], 1.2, usual_block_s(1200.0), False, together=False)
        low, high = found.record_interval[:, :4]
        inside += (low <= TRUTH) & (high >= TRUTH)
        low, high = found.ratio_interval[:, :4]
        ratios += (low <= 1.0) & (high >= 1.0)
        whole = compare(record(one), [record(two)], 1.2, 60.0, False, together=False)
        widths.append(np.ptp(found.record_interval, axis=0) / np.ptp(whole.record_interval, axis=0))
    assert np.all(inside / 40 >= 0.83)
    assert np.all(ratios / 40 >= 0.83)
    assert np.mean([*inside, *ratios]) / 40 <= 0.96
    # the missing samples say nothing of their own: as wide as with all of them
    assert np.abs(np.mean(widths, axis=0)[:4] - 1.0).max() < 0.03


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


def test_spectrum_with_single_samples_missing() -> None:
    """White noise is the worst case: straight lines take half of the missing variance away."""
    rng = np.random.default_rng(4)
    x = rng.standard_normal(60_000)
    keep = lost(x.size, 0.05, rng)
    found = record_spectrum(record(x + 9.0, keep), segment_s=40.0)
    total = found.density.sum() * found.frequency_hz[1]
    assert total == pytest.approx(1.0 - 0.5 * 0.05, abs=0.02)
    assert found.used_share > 0.94


def test_a_record_of_pieces_has_no_spectrum() -> None:
    keep = np.arange(2000) % 100 > 9
    with pytest.raises(ValueError, match=r"the longest stretch without a gap is 8\.9 s"):
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
