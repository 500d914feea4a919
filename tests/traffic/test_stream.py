from __future__ import annotations

import time
from dataclasses import fields
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import stats

from wakesim.errors import CaseError
from wakesim.traffic.stream import Passes, drafting_factor, draw_passes, join_passes

LANES = [SimpleNamespace(name="near 1"), SimpleNamespace(name="near 2")]
VEHICLES = [
    SimpleNamespace(name="small_car", length_m=4.0),
    SimpleNamespace(name="coach", length_m=12.2),
    SimpleNamespace(name="artic_lorry", length_m=16.5),
]
SEED = np.random.SeedSequence(2026)


def headway(model="exponential", minimum_s=0.0, **kind):
    settings = {"bunching_s": None, "bunching_factor": None, "tanner": False}
    return SimpleNamespace(model=model, minimum_s=minimum_s, **(settings | kind))


BUNCHED = headway("cowan_m3", 1.0, bunching_s=7.5)


def state(flow=(0.3, 0.2), mix=None, mean=None, sd=None):
    shape = (len(flow), 3)
    return SimpleNamespace(
        flow_veh_s=np.array(flow, dtype=float),
        mix=np.broadcast_to([0.7, 0.1, 0.2] if mix is None else mix, shape).astype(float),
        mean_speed_m_s=np.broadcast_to([31.0, 26.7, 24.2] if mean is None else mean, shape),
        speed_sd_m_s=np.broadcast_to([3.5, 1.9, 1.3] if sd is None else sd, shape),
    )


def draw(seed=SEED, *, duration=3600.0, model=BUNCHED, wander=0.25, drafting=False, **traffic):
    settings = state(**traffic)
    lanes = LANES[: settings.flow_veh_s.size]
    return draw_passes(settings, lanes, VEHICLES, model, wander, drafting, duration, seed)


def same(a: Passes, b: Passes) -> bool:
    return all(getattr(a, f.name).tobytes() == getattr(b, f.name).tobytes() for f in fields(Passes))


def test_record_is_sorted_typed_and_inside_the_duration():
    passes = draw()
    assert np.all(np.diff(passes.time_s) >= 0.0)
    assert passes.time_s[0] >= 0.0
    assert passes.time_s[-1] < 3600.0
    assert passes.lane.dtype == passes.vehicle.dtype == np.int32
    for item in fields(Passes):
        assert getattr(passes, item.name).shape == (len(passes),)
    np.testing.assert_array_equal(passes.wake_factor, 1.0)


def test_same_seed_same_bytes_and_seed_left_untouched():
    seed = np.random.SeedSequence(5)
    first, again = draw(seed), draw(seed)
    assert same(first, again)
    assert seed.n_children_spawned == 0
    assert not same(first, draw(np.random.SeedSequence(6)))
    assert not same(first, draw(seed.spawn(1)[0]))


def test_lanes_do_not_notice_each_other():
    both = draw()
    quiet = draw(flow=(0.3, 0.0))
    dense = draw(flow=(0.3, 0.5))
    first = both.take(both.lane == 0)
    assert same(first, quiet)
    assert same(first, dense.take(dense.lane == 0))
    assert same(both.take(both.lane == 1), draw(flow=(0.0, 0.2)))


def test_lane_counts_are_uncorrelated():
    counts = np.array(
        [
            np.bincount(draw(child, duration=60.0).lane, minlength=2)
            for child in np.random.SeedSequence(1).spawn(1500)
        ]
    )
    assert abs(np.corrcoef(counts.T)[0, 1]) < 4.0 / np.sqrt(1500)


def test_wander_changes_nothing_else():
    narrow, wide = draw(wander=0.0), draw(wander=0.5)
    np.testing.assert_array_equal(narrow.time_s, wide.time_s)
    np.testing.assert_array_equal(narrow.speed_m_s, wide.speed_m_s)
    np.testing.assert_array_equal(narrow.vehicle, wide.vehicle)
    np.testing.assert_array_equal(narrow.wander_m, 0.0)
    np.testing.assert_allclose(wide.wander_m, 2.0 * draw().wander_m, rtol=1e-12)


def test_wander_is_a_truncated_normal():
    wander = draw(duration=60_000.0).wander_m
    assert np.abs(wander).max() <= 0.75
    expected = stats.truncnorm(-3.0, 3.0, scale=0.25)
    assert stats.kstest(wander, expected.cdf).pvalue > 1e-4


def test_speeds_by_class_are_truncated_normals():
    passes = draw(duration=60_000.0)
    for number, (mean, sd) in enumerate(((31.0, 3.5), (26.7, 1.9), (24.2, 1.3))):
        speeds = passes.speed_m_s[passes.vehicle == number]
        assert speeds.size > 1000
        assert np.abs(speeds - mean).max() <= 3.0 * sd
        assert stats.kstest(speeds, stats.truncnorm(-3, 3, mean, sd).cdf).pvalue > 1e-4


def test_slow_speeds_stop_at_five_metres_a_second():
    slow = draw(duration=40_000.0, mean=[6.0] * 3, sd=[2.0] * 3).speed_m_s
    assert slow.min() >= 5.0
    assert slow.max() <= 12.0
    assert stats.kstest(slow, stats.truncnorm(-0.5, 3, 6.0, 2.0).cdf).pvalue > 1e-4
    np.testing.assert_array_equal(draw(sd=[0.0] * 3, mean=[20.0] * 3).speed_m_s, 20.0)


def test_class_mix():
    passes = draw(duration=60_000.0, mix=[0.75, 0.25, 0.0])
    counts = np.bincount(passes.vehicle, minlength=3)
    n = counts.sum()
    assert counts[2] == 0
    assert counts[0] / n == pytest.approx(0.75, abs=4.0 * np.sqrt(0.75 * 0.25 / n))


def test_unused_class_may_be_undefined():
    passes = draw(mix=[0.5, 0.5, 0.0], mean=[31.0, 26.0, np.nan], sd=[3.0, 2.0, np.nan])
    assert np.all(np.isfinite(passes.speed_m_s))


def test_exponential_stream_is_poisson():
    passes = draw(duration=200_000.0, model=headway(), flow=(0.25,))
    counts = np.histogram(passes.time_s, np.arange(0.0, 200_001.0, 20.0))[0]
    n = counts.size
    assert counts.mean() == pytest.approx(5.0, abs=4.0 * np.sqrt(5.0 / n))
    ratio = counts.var(ddof=1) / counts.mean()
    assert ratio == pytest.approx(1.0, abs=4.0 * np.sqrt(2.0 / n))


@pytest.mark.parametrize(
    "model",
    [
        headway(),
        headway("shifted_exponential", 1.5),
        BUNCHED,
        headway("cowan_m3", 1.5, tanner=True),
    ],
)
def test_stream_is_stationary_from_the_start(model):
    """Arrivals in the first and in a later ten seconds, over many seeds, against flow times ten."""
    children = np.random.SeedSequence(8).spawn(3000)
    early, late = [], []
    for child in children:
        times = draw(child, duration=50.0, model=model, flow=(0.3,)).time_s
        early.append(np.count_nonzero(times < 10.0))
        late.append(np.count_nonzero(times >= 40.0))
    for counts in (early, late):
        error = np.std(counts) / np.sqrt(len(counts))
        assert np.mean(counts) == pytest.approx(3.0, abs=4.0 * error)


@pytest.mark.parametrize("model", [headway(), BUNCHED])
def test_long_run_flow(model):
    duration = 100_000.0
    passes = draw(duration=duration, model=model)
    for lane, flow in enumerate((0.3, 0.2)):
        times = passes.time_s[passes.lane == lane]
        error = np.sqrt(duration * flow**3) * np.diff(times).std()
        assert times.size == pytest.approx(flow * duration, abs=4.0 * error)


def test_drafting_factor_at_the_published_points():
    assert drafting_factor(0.5 * 6.0, 6.0) == pytest.approx(0.57)
    assert drafting_factor(0.0, 6.0) == pytest.approx(0.57)
    assert drafting_factor(-3.0, 6.0) == pytest.approx(0.57)
    # Mean of both vehicles -20 % at three lengths, the rear one's part as at half a length.
    assert 1.0 - drafting_factor(18.0, 6.0) == pytest.approx(0.20 * 43.0 / 36.5, abs=0.005)
    gaps = np.linspace(3.0, 600.0, 200)
    assert np.all(np.diff(drafting_factor(gaps, 6.0)) > 0.0)
    assert drafting_factor(600.0, 6.0) == pytest.approx(1.0, abs=1e-6)


def test_drafting_follows_gap_to_the_leader():
    passes = draw(flow=(0.3,), drafting=True, duration=2000.0)
    lengths = np.array([vehicle.length_m for vehicle in VEHICLES])[passes.vehicle]
    for i in range(1, len(passes)):
        spacing = passes.speed_m_s[i - 1] * (passes.time_s[i] - passes.time_s[i - 1])
        gap = max((spacing - lengths[i - 1]) / lengths[i], 0.5)
        expected = 1.0 - 0.43 * np.exp(-(gap - 0.5) / 4.2)
        assert passes.wake_factor[i] == pytest.approx(expected, rel=1e-12)
    alone = draw(flow=(0.3,), drafting=False, duration=2000.0)
    np.testing.assert_array_equal(passes.time_s, alone.time_s)
    np.testing.assert_array_equal(passes.speed_m_s, alone.speed_m_s)


def test_first_vehicle_may_follow_one_from_before_the_start():
    """A followed interval spans t = 0 with probability q (1 - a) D = 0.27 in equilibrium."""
    only_cars = {"mix": [1.0, 0.0, 0.0], "mean": [31.0] * 3, "sd": [0.0] * 3}
    firsts = [
        draw(child, flow=(0.3,), drafting=True, duration=40.0, **only_cars).wake_factor[:1]
        for child in np.random.SeedSequence(3).spawn(1000)
    ]
    followers = np.isclose(np.concatenate(firsts), drafting_factor(31.0 - 4.0, 4.0), rtol=1e-9)
    chance = 0.3 * (1.0 - np.exp(-2.25))
    error = np.sqrt(chance * (1.0 - chance) / 1000)
    assert followers.mean() == pytest.approx(chance, abs=4.0 * error)


def test_joining_hours():
    first, second = draw(), draw(np.random.SeedSequence(9))
    day = join_passes([first, second], [0.0, 3600.0])
    assert len(day) == len(first) + len(second)
    assert np.all(np.diff(day.time_s) >= 0.0)
    assert same(day.take(slice(0, len(first))), first)
    np.testing.assert_array_equal(day.time_s[len(first) :], second.time_s + 3600.0)
    assert len(join_passes([])) == 0
    with pytest.raises(ValueError, match="start time"):
        join_passes([first], [0.0, 1.0])


def test_no_flow_or_no_time_gives_no_passes():
    for empty in (draw(flow=(0.0, 0.0)), draw(duration=0.0)):
        assert len(empty) == 0
        assert empty.lane.dtype == np.int32


def test_a_day_is_quick():
    def day():
        hours = [
            draw(np.random.SeedSequence(1, spawn_key=(hour,)), flow=(0.25, 0.22), drafting=True)
            for hour in range(24)
        ]
        return join_passes(hours, [3600.0 * hour for hour in range(24)])

    best = np.inf
    for _ in range(3):
        start = time.perf_counter()
        passes = day()
        best = min(best, time.perf_counter() - start)
    assert len(passes) > 38_000
    assert best < 0.4  # 0.02 s on an idle machine; the rest is allowance for a busy one


def test_impossible_streams_are_refused():
    with pytest.raises(CaseError, match="near 2: flow 4320 veh/h"):
        draw(flow=(0.3, 1.2))
    with pytest.raises(CaseError, match="near 1: coach with mean speed 2 m/s"):
        draw(mean=[31.0, 2.0, 24.0], sd=[3.0, 0.5, 1.0])
    with pytest.raises(CaseError, match="near 1: small_car"):
        draw(mean=[np.nan, 26.0, 24.0])
    with pytest.raises(CaseError, match="no class mix"):
        draw(mix=[0.0, 0.0, 0.0])
    bad = state()
    bad.mix = bad.mix[:1]
    with pytest.raises(ValueError, match="mix must have shape"):
        draw_passes(bad, LANES, VEHICLES, BUNCHED, 0.25, False, 10.0, SEED)
    with pytest.raises(ValueError, match="flow_veh_s must have shape"):
        draw_passes(state(), LANES[:1], VEHICLES, BUNCHED, 0.25, False, 10.0, SEED)
    with pytest.raises(ValueError, match="duration"):
        draw(duration=float("nan"))
    with pytest.raises(ValueError, match="wander"):
        draw(wander=-0.1)
