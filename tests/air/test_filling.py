"""Holes of a record, against a plain search and pandas."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from wakesim.air.filling import fill_short, nearest_day, runs


@pytest.mark.parametrize("seed", range(5))
def test_the_nearest_day_is_that_of_a_plain_search(seed):
    rng = np.random.default_rng(seed)
    hours = np.arange(24 * 20 + 5)
    day, label = hours // 24, hours % 24 + 24 * (hours // 24 % 7 > 4)
    given = rng.random(hours.size) > 0.6
    wanted = np.flatnonzero(~given)
    expected = []
    for i in wanted:
        alike = [j for j in hours if given[j] and label[j] == label[i]]
        alike.sort(key=lambda j: (abs(day[j] - day[i]), day[j]))
        expected.append(alike[0] if alike else -1)
    assert nearest_day(wanted, given, label, day).tolist() == expected
    assert -1 in nearest_day(wanted, given & (label != 3), label, day)


@pytest.mark.parametrize("seed", range(5))
def test_short_holes_are_filled_and_no_others(seed):
    rng = np.random.default_rng(seed)
    values = rng.normal(size=300)
    for start in rng.integers(0, 300, 30):
        values[start : start + rng.integers(1, 7)] = np.nan
    series = pd.Series(values)
    hole = series.isna()
    length = hole.groupby((hole != hole.shift()).cumsum()).transform("sum")
    whole = series.interpolate(limit_area="inside").where(~hole | (length <= 3))
    np.testing.assert_allclose(fill_short(values, 3), whole, rtol=1e-12)


def test_runs():
    starts, lengths = runs(np.array([1, 1, 0, 1, 0, 0, 1, 1, 1], dtype=bool))
    assert starts.tolist() == [0, 3, 6]
    assert lengths.tolist() == [2, 1, 3]
    assert runs(np.zeros(3, dtype=bool))[0].size == 0
