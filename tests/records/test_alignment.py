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


@pytest.mark.parametrize("speed", [False, True])
def test_offset_is_found_to_a_fraction_of_a_sample(speed):
    """Samples 0.1 s apart, 5 to 10 % of them missing; the model has not the true constants."""
    errors, widths, inside = [], [], []
    for seed in range(12):
        record = site().record(seed)
        values = record.speed_m_s if speed else record.u_m_s
        found = align(record.time_s, values, model(), largest_offset_s=REACH_S, speed=speed)
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
    marked = align(record.time_s, holes, model(), largest_offset_s=REACH_S)
    missing = align(record.time_s[kept], holes[kept], model(), largest_offset_s=REACH_S)
    assert marked.clock.offset_s == pytest.approx(missing.clock.offset_s, abs=1e-9)
    filled = np.where(kept, holes, 25.0)  # a stuck logger would be another matter
    assert align(record.time_s, filled, model(), largest_offset_s=REACH_S).correlation < (
        marked.correlation
    )


def test_traffic_of_another_hour_does_not_match():
    found = []
    for seed in (11, 12, 13, 14):
        record = site(seed).record(seed)
        for values, speed in ((record.u_m_s, False), (record.speed_m_s, True)):
            aligned = align(record.time_s, values, model(), largest_offset_s=REACH_S, speed=speed)
            found.append(aligned.significant)
            assert aligned.significant or "do not match" in aligned.notes[0]
    assert not any(found)


def test_noise_alone_does_not_match():
    record = site().record(1)
    noise = np.random.default_rng(0).standard_normal(record.time_s.size)
    assert not align(record.time_s, noise, model(), largest_offset_s=REACH_S).significant


def test_offset_beyond_the_reach_is_not_believed():
    record = site().record(1)
    found = align(record.time_s, record.u_m_s, model(), largest_offset_s=5.0)
    assert not found.significant
    assert found.notes


def test_drift_of_the_clock():
    """A record's clock that runs 150 ppm fast, over an hour and a half."""
    rate, seconds = 150e-6, 5400.0
    record = site(1, seconds).record(5)
    drifting = replace(record, time_s=record.time_s * (1.0 + rate))
    found = align(
        drifting.time_s, drifting.u_m_s, model(1, seconds), largest_offset_s=REACH_S, drift=True,
        segment_s=600.0,
    )  # fmt: skip
    assert found.significant
    assert found.clock.rate == pytest.approx(rate, abs=3e-5)
    low, high = found.rate_interval
    assert low < rate < high
    # the clock turns the record's times back into those of the log
    log = found.clock.log_time(drifting.time_s)
    assert log == pytest.approx(record.time_s - OFFSET_S, abs=0.15)
    short = align(record.time_s, record.u_m_s, model(), largest_offset_s=REACH_S, drift=True)
    assert short.rate_interval is None
    assert "segments" in short.notes[0]


def test_clock_turns_times():
    clock = Clock(offset_s=2.0, rate=0.01, middle_s=100.0)
    assert clock.log_time(np.array([100.0, 200.0])) == pytest.approx([98.0, 197.0])


@pytest.mark.parametrize("part", [slice(0, 300), slice(0, 0)])
def test_too_little_to_align_is_refused(part):
    record = site().record(1)
    with pytest.raises(CaseError, match="to align"):
        align(record.time_s[part], record.u_m_s[part], model())
