"""Years drawn in blocks: season, hour of the day, order within a block, mean and variance."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from wakesim.air.bootstrap import block_bootstrap

YEAR_H = 8760


def season_distance(a, b):
    apart = np.abs(a - b) % 365
    return np.minimum(apart, 365 - apart)


@pytest.mark.parametrize("n_hours", [YEAR_H - 24 * 20, YEAR_H, YEAR_H + 24, 2 * YEAR_H + 4007])
def test_season_and_hour_of_the_day_are_kept(n_hours):
    at = block_bootstrap(n_hours, 40, np.random.default_rng(1))
    own = np.arange(YEAR_H)
    assert at.shape == (40, YEAR_H)
    assert at.min() >= 0
    assert at.max() < n_hours
    assert np.all(at % 24 == own % 24)
    off = season_distance(at // 24, own // 24)
    # a record shorter than a year goes on at its start: 20 days of season are skipped there
    assert off.max() <= 30 + (20 if n_hours < YEAR_H else 0)
    assert (off[:, ::240] <= 30).all()
    assert off.max() > 25


def test_days_of_a_block_follow_each_other():
    at = block_bootstrap(YEAR_H, 30, np.random.default_rng(2), block_days=7)
    step = np.diff(at, axis=1) % YEAR_H
    starts = np.arange(1, YEAR_H) % (7 * 24) == 0
    assert np.all(step[:, ~starts] == 1)
    assert np.mean(step[:, starts] == 1) < 0.05  # one in 61 by chance


def test_every_hour_is_drawn_as_often():
    """Each of 61 starts has the same chance, so of 365 blocks of one day each day has one."""
    years = 3000
    at = block_bootstrap(YEAR_H, years, np.random.default_rng(3), block_days=1)
    count = np.bincount(at[:, ::24].ravel() // 24, minlength=365)
    z = (count - years) / np.sqrt(years * (1.0 - 1.0 / 61.0))
    assert abs(z).max() < 4.5
    assert np.std(z) == pytest.approx(1.0, abs=0.15)


def test_all_years_of_a_record_are_drawn():
    at = block_bootstrap(3 * YEAR_H, 200, np.random.default_rng(4))
    share = np.bincount(at.ravel() // YEAR_H, minlength=3) / at.size
    np.testing.assert_allclose(share, 1.0 / 3.0, atol=0.02)


def test_the_mean_of_a_year_varies_as_that_of_a_known_process():
    """First-order autoregression of days, phi = 0.6, on a season: variance of a mean of n days is
    (1 + phi)/(1 - phi)/n of the process's (Priestley 1981), of which blocks of ten days lose
    2 phi/(1 - phi)^2/10/n where they cut what links days; the season adds its variance within 61
    days, ten days at a time."""
    phi, rng = 0.6, np.random.default_rng(5)
    days = np.arange(365)
    season = np.cos(2.0 * np.pi * days / 365.0)
    spread, mean_error = [], []
    for _ in range(60):
        noise = rng.normal(size=365 + 200) * np.sqrt(1.0 - phi**2)
        record = signal.lfilter([1.0], [1.0, -phi], noise)[200:] + 3.0 * season
        at = block_bootstrap(YEAR_H, 200, rng)[:, ::24] // 24
        means = record[at].mean(axis=1)
        spread.append(means.var())
        mean_error.append(means.mean() - record.mean())
    blocks = (1.0 + phi) / (1.0 - phi) - 2.0 * phi / (1.0 - phi) ** 2 / 10.0
    season_part = np.var(3.0 * season) * (1.0 - np.sinc(61 / 365.0) ** 2) * 10.0
    expected = (blocks + season_part) / 365.0
    assert np.mean(spread) == pytest.approx(expected, rel=0.12)
    uneven = 0.01  # the last block of a year has five days
    assert abs(np.mean(mean_error)) < 4.0 * np.sqrt(expected / 200 / 60) + uneven


def test_equal_seeds_draw_equal_years_and_short_records_are_refused():
    draws = [block_bootstrap(YEAR_H, 3, np.random.default_rng(seed)) for seed in (6, 6, 7)]
    assert np.array_equal(draws[0], draws[1])
    assert not np.array_equal(draws[0], draws[2])
    block_bootstrap(305 * 24, 1, np.random.default_rng(1))
    with pytest.raises(ValueError, match="at least 305 days"):
        block_bootstrap(304 * 24 + 23, 1, np.random.default_rng(1))
    with pytest.raises(ValueError, match="at least 1"):
        block_bootstrap(YEAR_H, 0, np.random.default_rng(1))
