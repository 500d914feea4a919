"""Every vehicle of an hour in one nonlinear march, against the superposition of passes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import wakesim
from wakesim.case.traffic import Headway
from wakesim.runtime import cases_path
from wakesim.traffic.point_statistics import point_statistics
from wakesim.traffic.scene import one_hour

PLACES = {
    ("expressway-post", 7): ((4.5, 0.8), (4.5, 2.0), (4.5, 4.0), (1.5, 2.0), (8.0, 3.0)),
    ("central-reservation", 8): ((-9.55, 1), (-9.55, 2), (-9.55, 4), (-8.6, 2), (-9, 3)),
    ("overhead-bridge", 10): ((-1.825, 5.0), (-1.825, 6.2), (-1.825, 8.0), (-5.0, 5.5), (2.0, 5.0)),
}  # fmt: skip


def independent(name, hour):
    """An hour of a shipped case with negative exponential headways."""
    case = wakesim.load_case(cases_path(f"{name}.toml"))
    headway = Headway()
    return one_hour(replace(case, traffic=replace(case.traffic, headway=headway)), hour)


def at_places(march, values, places):
    return np.array([march.at(values, *place) for place in places])


def test_a_short_march_gives_consistent_statistics():
    case = independent("expressway-post", 7)
    march = wakesim.march_section(case, 7, duration_s=20.0, run_in_s=10.0)
    assert 10 <= march.passes <= 60  # 3540 in 75 min, that is 24 expected
    assert march.mean_u.shape == (march.y.size, march.z.size)
    assert march.k.min() > 0.0
    assert 0.6 < march.drag_factor < 1.0
    cube = march.mean_cube
    assert np.all(cube >= np.abs(march.mean_u) ** 3 * (1.0 - 1e-9))
    np.testing.assert_allclose(march.effective_speed_m_s**3, cube, rtol=1e-12)
    i, j = march.y.size // 2, 7
    assert march.at(cube, march.y[i], march.z[j]) == pytest.approx(cube[i, j], rel=1e-12)
    middle = 0.5 * (march.y[i] + march.y[i + 1])
    assert march.at(cube, middle, march.z[j]) == pytest.approx(cube[i : i + 2, j].mean())


@pytest.mark.slow
@pytest.mark.parametrize(("name", "hour"), PLACES)
def test_superposition_meets_the_whole_hour(name, hour):
    """About 1.5 min each. The hull's pulse, which the march does not hold, is left out."""
    case, places = independent(name, hour), PLACES[name, hour]
    steady = point_statistics(case, np.array(places), excluding=["pulse"])
    march = wakesim.march_section(case, hour)
    mean = at_places(march, march.mean_u, places)
    effective = np.cbrt(at_places(march, march.mean_cube, places))
    np.testing.assert_allclose(steady.effective_speed_m_s[0], effective, rtol=0.10)
    # Between the carriageways two directions cancel in the mean: over the effective speed there.
    scale = effective if name == "central-reservation" else mean
    assert np.all(np.abs(steady.mean_u_m_s[0] - mean) < 0.10 * scale)
