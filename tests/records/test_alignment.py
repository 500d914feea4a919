"""The clock of the log against that of made-up records of known offset."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from synthetic_record import Site, Truth

from wakesim.errors import CaseError
from wakesim.records.alignment import Clock, align

OFFSET_S = 7.313
REACH_S = 20.0


@cache
def site(seed=1, seconds=900.0, offset_s=OFFSET_S):
    return Site(seconds, truth=Truth(offset_s=offset_s), seed=seed, far="", far_flow="")


@cache
def model(seed=1, seconds=900.0):
    return site(seed, seconds).forward(margin_s=30.0, spreads=None)


def channels(record, speed=False):
    return [record.speed_m_s] if speed else [record.u_m_s, record.v_m_s]


def aligned(record, of=None, speed=False, reach_s=REACH_S):
    return align(
        record.time_s, channels(record, speed), of or model(), largest_offset_s=reach_s
    )  # fmt: skip


@pytest.mark.parametrize("speed", [False, True])
def test_offset_is_found_to_a_fraction_of_a_sample(speed):
    """Samples 0.1 s apart, 5 to 10 % of them missing; the model has not the true constants."""
    errors, widths, inside = [], [], []
    for seed in range(12):
        found = aligned(site().record(seed), speed=speed)
        assert found.significant
        assert not found.notes
        low, high = found.offset_interval_s
        errors.append(found.clock.offset_s - OFFSET_S)
        widths.append(high - low)
        inside.append(low <= OFFSET_S <= high)
    assert np.std(errors) < 0.04
    assert np.max(np.abs(errors)) < 0.1
    assert np.mean(widths) < 0.2
    assert np.mean(inside) >= 0.75


def test_gaps_in_the_values_are_gaps():
    record = site().record(1)
    holes = record.u_m_s.copy()
    holes[2000:2600] = np.nan
    kept = np.isfinite(holes)
    part = replace(record, time_s=record.time_s[kept], u_m_s=holes[kept], v_m_s=record.v_m_s[kept])
    marked = aligned(replace(record, u_m_s=holes))
    assert marked.clock.offset_s == pytest.approx(aligned(part).clock.offset_s, abs=1e-9)
    filled = np.where(kept, holes, 25.0)  # a stuck logger would be another matter
    assert aligned(replace(record, u_m_s=filled)).correlation < marked.correlation


def test_traffic_of_another_hour_does_not_match():
    found = []
    for seed in (11, 12, 13, 14):
        record = site(seed).record(seed)
        for speed in (False, True):
            one = aligned(record, speed=speed)
            found.append(one.significant)
            assert one.significant or "do not match" in one.notes[0]
    assert not any(found)


def test_noise_alone_does_not_match():
    record = site().record(1)
    noise = np.random.default_rng(0).standard_normal((2, record.time_s.size))
    assert not aligned(replace(record, u_m_s=noise[0], v_m_s=noise[1])).significant


def test_offset_beyond_the_reach_is_not_believed():
    found = aligned(site().record(2), reach_s=5.0)
    assert not found.significant
    assert found.notes


@cache
def long(seed=5):
    """A record of 40 min, and its model."""
    return site(1, 2400.0).record(seed), model(1, 2400.0)


@pytest.mark.parametrize(("ppm", "speed"), [(200.0, False), (-200.0, False), (200.0, True)])
def test_drift_of_the_clock_is_found_and_taken_out(ppm, speed):
    record, of = long()
    rate = 1e-6 * ppm
    drifting = replace(record, time_s=record.time_s * (1.0 + rate))
    found = aligned(drifting, of, speed)
    assert found.significant
    assert found.clock.rate == pytest.approx(rate, abs=6e-5)
    low, high = found.rate_interval
    assert low < rate < high
    # the clock turns the record's times back into those of the log
    log = found.clock.log_time(drifting.time_s)
    assert log == pytest.approx(record.time_s - OFFSET_S, abs=0.1)
    assert found.clock.record_time(log) == pytest.approx(drifting.time_s, abs=1e-9)
    assert any("ppm" in note for note in found.notes)


def test_a_clock_that_runs_evenly_is_left_as_it_is():
    for seed in range(2):
        record, of = long(seed)
        found = aligned(record, of)
        assert found.clock.rate == 0.0
        assert found.rate_interval[1] < 1.5e-4


AXES = {
    "own": [[1, 0], [0, 1]],
    "u reversed": [[-1, 0], [0, 1]],
    "v reversed": [[1, 0], [0, -1]],
    "half a turn": [[-1, 0], [0, -1]],
    "exchanged": [[0, 1], [1, 0]],
    "a quarter turn": [[0, 1], [-1, 0]],
}


@pytest.mark.parametrize("kind", AXES)
def test_axes_are_found_from_the_passes(kind):
    """The offset is that of the record as it should be, whatever was done to its axes."""
    record = site(1, 1200.0).record(0)
    turned = np.array(AXES[kind], float) @ np.array(channels(record))
    found = aligned(replace(record, u_m_s=turned[0], v_m_s=turned[1]), model(1, 1200.0))
    assert found.significant
    np.testing.assert_allclose(found.axes @ turned, channels(record))
    assert found.clock.offset_s == pytest.approx(OFFSET_S, abs=0.05)
    assert bool(found.notes) == (kind != "own")


def test_a_clock_that_jumps_is_refused():
    record, of = long()
    for jump in (2.0, -9.0):
        late = replace(record, time_s=record.time_s + jump * (record.time_s > 1200.0))
        if jump < 0.0:
            keep = np.concatenate([[True], np.diff(np.maximum.accumulate(late.time_s)) > 0.0])
            late = replace(
                late, **{n: getattr(late, n)[keep] for n in ("time_s", "u_m_s", "v_m_s")}
            )
        with pytest.raises(CaseError, match=r"from \d+ to \d+ min its clock is ahead.*jumps"):
            aligned(late, of)


def test_an_instrument_that_was_turned_is_refused():
    record, of = long()
    later = record.time_s > 1200.0
    turned = [np.where(later, -c, c) for c in channels(record)]
    with pytest.raises(CaseError, match=r"from \d+ to \d+ min.*both reversed.*was the instrument"):
        aligned(replace(record, u_m_s=turned[0], v_m_s=turned[1]), of)


def test_clock_turns_times():
    clock = Clock(offset_s=2.0, rate=0.01, middle_s=100.0)
    assert clock.log_time(np.array([100.0, 200.0])) == pytest.approx([98.0, 197.0])
    assert clock.record_time(np.array([98.0, 197.0])) == pytest.approx([100.0, 200.0])


@pytest.mark.parametrize("part", [slice(0, 300), slice(0, 0)])
def test_too_little_to_align_is_refused(part):
    record = site().record(1)
    with pytest.raises(CaseError, match="to align"):
        align(record.time_s[part], [c[part] for c in channels(record)], model())
