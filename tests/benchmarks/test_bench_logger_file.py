"""Reading a fast logger's file, against the general-purpose reader of numpy."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from timing import least_cpu

from wakesim.records.anemometer import read_anemometer


def test_reader_keeps_up_with_loadtxt(tmp_path: Path) -> None:
    """With its checks, digest and gaps, of which loadtxt has none."""
    n = 300_000
    rng = np.random.default_rng(0)
    table = np.column_stack([0.02 * np.arange(n), np.round(rng.normal(size=(n, 3)), 3)])
    path = tmp_path / "fast.csv"
    np.savetxt(path, table, "%.3f", ",", header="time_s,u_m_s,v_m_s,w_m_s", comments="")
    theirs = np.loadtxt(path, delimiter=",", skiprows=1)
    np.testing.assert_array_equal(read_anemometer(path).u_m_s, theirs[:, 1])
    ours = least_cpu(lambda: read_anemometer(path))
    ratio = least_cpu(lambda: np.loadtxt(path, delimiter=",", skiprows=1)) / ours
    print(f"numpy.loadtxt takes {ratio:.1f} times as long")
    assert ratio > 0.3
