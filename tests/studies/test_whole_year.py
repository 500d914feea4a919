"""The shipped year against its hours one by one, computed and simulated, and its own rose."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import wakesim
from wakesim.air import weibull
from wakesim.air.record import read_wind_record
from wakesim.energy.bounds import BETZ
from wakesim.energy.year_air import moments_of
from wakesim.runtime import cases_path

pytestmark = pytest.mark.slow

HOURS, SIMULATED = 50, 10


def shipped():
    """The year at the post by the road, without draws and model interval."""
    case = wakesim.load_case(cases_path("year.toml"))
    year = case.year.model_copy(update={"years": 0})
    compute = case.compute.model_copy(update={"model_interval": False})
    return replace(case, year=year, compute=compute, mounts=case.mounts[:1])


@pytest.fixture(scope="module")
def result():
    return wakesim.run(shipped())


@pytest.fixture(scope="module")
def sample(result):
    return np.random.default_rng(11).choice(len(result.hours), HOURS, replace=False)


def test_hours_one_by_one(result, sample):
    """Measured: the sum of the cubes within 1.1 %, single hours 1 % in the median."""
    cube = np.array([moments_of(result.hours.case(n))[0][0] for n in sample])
    of_year = result.posts[0].effective_speed_m_s[sample]
    assert np.sum(of_year**3) == pytest.approx(cube.sum(), rel=0.02)
    miss = np.abs(of_year / np.cbrt(cube) - 1.0)
    assert np.median(miss) < 0.02
    assert np.quantile(miss, 0.9) < 0.06


def test_hours_simulated_vehicle_by_vehicle(result, sample):
    """Each sampled to 1 %; what the year interpolates is held against computed hours above."""
    hours, post = result.hours, result.posts[0]
    found, half = np.empty(SIMULATED), np.empty(SIMULATED)
    few = sample[:SIMULATED]
    for k, n in enumerate(few):
        case = hours.case(n)
        compute = case.compute.model_copy(
            update={"duration_h": 1.0, "start_hour": 0, "tolerance": 0.01, "max_rounds": 30}
        )
        alone = replace(case, study="traffic", rotor=None, energy=None, year=None, compute=compute)
        statistics = wakesim.run(alone).mounts[0].statistics
        found[k] = statistics.effective_speed_m_s
        half[k] = 0.5 * np.ptp(statistics.sampling_interval_m_s)
    of_year = post.effective_speed_m_s[few]
    assert np.sum(of_year**3) == pytest.approx(np.sum(found**3), rel=0.02)
    # within 95 % of the sampling and of the median miss between computed hours, together
    allowed = np.hypot(half, 2.0 * np.median(np.abs(post.interpolation)) * found)
    assert np.count_nonzero(np.abs(of_year - found) < allowed) >= SIMULATED - 2


def test_a_rose_of_sectors_fitted_to_the_record(result):
    """Measured: 2.9 % less energy, half of it because no Weibull of two parameters has the
    record's mean and its mean cube, the rest because a rose has no temperatures."""
    case = shipped()
    rose = read_wind_record(cases_path("year") / "winds.csv").rose(12)
    sectors = [
        {
            "from_deg": float(s.from_deg),
            "share": float(s.frequency),
            "mean_speed_m_s": float(weibull.moment(1, s.weibull_scale_m_s, s.weibull_shape)),
            "shape": float(s.weibull_shape),
        }
        for s in rose.sectors
    ]
    year = case.year.model_dump(exclude_none=True) | {"sectors": sectors}
    del year["winds"]
    by_rose = wakesim.run(replace(case, year=type(case.year).model_validate(year)))
    (a,), (b,) = by_rose.posts, result.posts
    assert a.annual_kwh == pytest.approx(b.annual_kwh, rel=0.04)
    density = result.hours.winds.density_kg_m3
    same_air = a.annual_kwh * np.average(density, weights=b.effective_speed_m_s**3)
    same_air /= by_rose.hours.winds.density_kg_m3[0]
    assert same_air == pytest.approx(b.annual_kwh, rel=0.03)


def test_no_hour_passes_betz(result):
    (post,) = result.posts
    flux = 0.5 * result.hours.winds.density_kg_m3 * post.rotor.area_m2
    assert np.all(post.with_traffic_w <= BETZ * flux * post.effective_speed_m_s**3)
    assert np.all(post.without_traffic_w <= BETZ * flux * post.ambient_speed_m_s**3)
