"""Cost of the drift: one state, many sources at once, one step in time, and the mean of wakes.

Run with: pytest tests/benchmarks -s
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.sparse.linalg import spsolve
from timing import fastest

from wakesim.section.drift import DriftModel
from wakesim.section.grid import CrossSectionGrid
from wakesim.validation.quantities.drift import PassingSource, mean_drift

LANES = (-1.825, -5.475, -12.0, -15.65)


def sources_on(grid):
    """Thirty-two sources, eight in each lane."""
    return np.array([grid.source(y, 0.8, 4.4, 0.8, 0.6) for y in np.repeat(LANES, 8)])


@pytest.mark.parametrize(("k", "v"), [(0.5, 0.0), (0.5, 3.0), (0.15, 8.0)])
def test_steady_state_on_the_default_grid(k, v, capsys):
    grid = CrossSectionGrid.around(LANES, [(4.5, 2.0)])
    sources = sources_on(grid)
    model = DriftModel(grid, k, v)
    whole = fastest(lambda: DriftModel(grid, k, v).solve(sources[0]))
    many = fastest(lambda: model.responses(sources))
    right = (sources[0] * grid.areas).ravel()
    operator = model._operator.tocsc()
    bare = fastest(lambda: spsolve(operator, right), 3)
    with capsys.disabled():
        print(
            f"\n{grid.shape[0]} x {grid.shape[1]} cells, K {k}, crosswind {v}: state "
            f"{1e3 * whole:.0f} ms ({whole / bare:.1f} times a bare sparse solve), "
            f"{len(sources)} further sources {1e3 * many:.0f} ms"
        )
    assert whole < 4.0 * bare
    assert many < 10.0 * whole


def test_step_in_time(capsys):
    grid = CrossSectionGrid.around(LANES, [(4.5, 2.0)])
    model, source = DriftModel(grid, 0.5, 1.0), grid.source(LANES[0], 0.8, 4.4, 0.8, 0.6)
    state = fastest(lambda: DriftModel(grid, 0.5, 1.0).solve(source))
    hour = fastest(lambda: model.march(np.zeros(grid.shape), lambda t: source, 20.0, 180), 1)
    with capsys.disabled():
        print(f"\n180 steps {1e3 * hour:.0f} ms, {hour / 180 / state:.2f} states a step")
    assert hour / 180 < state


def test_mean_of_wakes(capsys):
    sources = [PassingSource(0.1, 10.0, y, 0.8, 0.8, 0.6) for y in np.repeat(LANES, 8)]
    y, z = np.meshgrid([4.0, 4.5, 5.0], [1.3, 2.0, 2.7])
    grid = CrossSectionGrid.around(LANES, [(4.5, 2.0)])
    state = fastest(lambda: DriftModel(grid, 0.15, 1.0).solve(sources_on(grid)[0]))
    for v in (0.0, 1.0, 8.0):
        taken = fastest(lambda v=v: mean_drift(sources, y, z, 0.15, v))
        with capsys.disabled():
            print(f"\n32 sources, 9 points, crosswind {v}: {taken / state:.2f} states")
        assert taken < 3.0 * state
