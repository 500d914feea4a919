"""Stretches of 20 s are too short to share between threads; results do not depend on them."""

from __future__ import annotations

from collections.abc import Iterator

import numba
import pytest


@pytest.fixture(autouse=True, scope="package")
def _one_thread() -> Iterator[None]:
    threads = numba.get_num_threads()
    numba.set_num_threads(1)
    yield
    numba.set_num_threads(threads)
