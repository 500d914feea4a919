"""Time grows at most about in proportion to what is asked; where runs share what is dear, less."""

from __future__ import annotations

import pytest
from growth import GROWTH, measure


@pytest.mark.parametrize("name", GROWTH)
def test_growth(name: str) -> None:
    (row,) = measure([name])
    print(f"\n{row.what}: {row.value:.2f} ({row.measured})")
    assert row.met
