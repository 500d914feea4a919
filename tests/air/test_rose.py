"""Weibull distributions and wind roses against closed forms, scipy and known parameters."""

from __future__ import annotations

import csv
import math

import numpy as np
import pytest
from scipy import integrate, stats

from wakesim.air import weibull
from wakesim.air.rose import Sector, WindRose, fit_rose, road_angle_deg
from wakesim.errors import CaseError
from wakesim.runtime import shared_path

with shared_path("reference", "epf_checks.csv").open(encoding="utf-8") as _file:
    CHECKS = [{key: float(text) for key, text in row.items()} for row in csv.DictReader(_file)]


def eight(**changes) -> WindRose:
    """Eight sectors, no two alike, the first from north."""
    frequency = np.array([5, 8, 12, 10, 15, 25, 18, 7]) / 100
    scale = np.linspace(3.0, 8.0, 8)
    shape = np.linspace(1.6, 2.6, 8)
    sectors = [
        Sector(45.0 * i, *map(float, values))
        for i, values in enumerate(zip(frequency, scale, shape, strict=True))
    ]
    return WindRose(tuple(sectors), **changes)


def alone(scale: float, shape: float) -> WindRose:
    return WindRose((Sector(0.0, 1.0, scale, shape),))


# --- distribution ----------------------------------------------------------------------------


@pytest.mark.parametrize("row", CHECKS, ids=lambda row: f"k={row['k']:g}")
def test_energy_pattern_factors_of_the_reference(row):
    assert weibull.energy_pattern_factor(row["k"]) == pytest.approx(row["EPF_weibull"], abs=1e-6)
    rose = alone(6.3, row["k"])
    assert rose.energy_pattern_factor == pytest.approx(row["EPF_weibull"], abs=1e-6)
    root = rose.mean_cube ** (1 / 3) / rose.mean_m_s
    assert root == pytest.approx(row["rmc_over_mean"], abs=1e-6)


def test_rayleigh_closed_form():
    assert weibull.energy_pattern_factor(2.0) == pytest.approx(6.0 / math.pi, rel=1e-14)


@pytest.mark.parametrize(("scale", "shape"), [(4.0, 1.3), (7.5, 2.2)])
def test_moments_and_exceedance_against_scipy(scale, shape):
    other = stats.weibull_min(shape, scale=scale)
    for order in (1, 2, 3):
        assert weibull.moment(order, scale, shape) == pytest.approx(other.moment(order), rel=1e-10)
    speed = np.linspace(-1.0, 20.0, 40)
    np.testing.assert_allclose(weibull.exceedance(speed, scale, shape), other.sf(speed), rtol=1e-12)


@pytest.mark.parametrize("shape", [0.7, 1.0, 1.5, 2.0, 4.0])
@pytest.mark.parametrize("n", [1, 2, 6, 12, 25])
def test_nodes_are_exact_for_polynomials(n, shape):
    speed, share = weibull.nodes(n, shape)
    assert np.all(share > 0.0)
    assert np.all(np.diff(speed) > 0.0)
    for order in range(2 * n):
        exact = math.gamma(1.0 + order / shape)
        assert share @ speed**order == pytest.approx(exact, rel=1e-11)


def test_nodes_of_the_exponential_distribution_are_those_of_laguerre():
    speed, share = weibull.nodes(8, 1.0)
    other_speed, other_share = np.polynomial.laguerre.laggauss(8)
    np.testing.assert_allclose(speed, other_speed, rtol=1e-10)
    np.testing.assert_allclose(share, other_share, rtol=1e-8)


def test_nodes_average_a_power_curve_with_cut_in():
    """A kinked function: the error must fall with the number of nodes."""
    other = stats.weibull_min(2.0, scale=6.0)

    def power(v):
        return np.where(v > 3.0, v**3 - 27.0, 0.0)

    exact, _ = integrate.quad(lambda v: float(power(v)) * other.pdf(v), 3.0, 60.0)
    errors = []
    for n in (6, 24):
        speed, share = weibull.nodes(n, 2.0)
        errors.append(abs(share @ power(6.0 * speed) / exact - 1.0))
    assert errors[0] < 0.02
    assert errors[1] < 0.002


@pytest.mark.parametrize("n", [0, 26])
def test_numbers_of_nodes_out_of_range_are_refused(n):
    with pytest.raises(ValueError, match="number of speeds"):
        weibull.nodes(n, 2.0)


# --- fit -------------------------------------------------------------------------------------


@pytest.mark.parametrize(("scale", "shape", "size"), [(5.0, 1.9, 3000), (9.0, 3.5, 200)])
def test_fit_is_that_of_scipy(scale, shape, size):
    speed = scale * np.random.default_rng(1).weibull(shape, size)
    found = weibull.fit(speed)
    k, _, c = stats.weibull_min.fit(speed, floc=0.0)
    assert found == pytest.approx((c, k), rel=1e-3)
    # The likelihood is at least as great as the other's.
    ours = stats.weibull_min(found[1], scale=found[0]).logpdf(speed).sum()
    assert ours >= stats.weibull_min(k, scale=c).logpdf(speed).sum() - 1e-9


def test_fit_with_calms_is_that_of_scipy_for_censored_data():
    speed = 3.0 * np.random.default_rng(2).weibull(1.6, 4000)
    calm = speed < 1.0
    found = weibull.fit(speed[~calm], float(calm.sum()), 1.0)
    data = stats.CensoredData(uncensored=speed[~calm], left=np.full(calm.sum(), 1.0))
    k, _, c = stats.weibull_min.fit(data, floc=0.0)
    assert found == pytest.approx((c, k), rel=1e-3)
    assert found == pytest.approx((3.0, 1.6), rel=0.06)


def test_scale_for_a_known_shape_is_that_of_the_full_fit():
    speed = 5.0 * np.random.default_rng(3).weibull(2.0, 500)
    scale, shape = weibull.fit(speed)
    assert weibull.scale_for_shape(speed, shape) == pytest.approx(scale, rel=1e-9)


@pytest.mark.parametrize(
    ("speed", "calms", "below"),
    [
        ([3.0], 0, 0),
        ([3.0, 3.0], 0, 0),
        ([3.0, 0.0], 0, 0),
        ([3.0, math.nan], 0, 0),
        ([3, 4], 2, 0),
    ],
)
def test_what_cannot_be_fitted_is_refused(speed, calms, below):
    with pytest.raises(ValueError, match="need"):
        weibull.fit(speed, calms, below)


def test_hopeless_data_still_give_finite_parameters():
    for speed, calms in (([1.0, 1.001], 1e3), ([0.6, 30.0], 1e4), ([5.0, 5.0001], 1.0)):
        scale, shape = weibull.fit(speed, calms, 0.5)
        assert math.isfinite(scale)
        assert 0.0 < shape <= 100.0 * (1 + 1e-9)


def test_rose_of_a_sample_recovers_its_parameters():
    """Ten years of hours; each parameter within four of its standard errors.

    Standard errors of a Weibull fit: c (1.053/k)/sqrt(n), k 0.780/sqrt(n).
    """
    true = eight()
    speed, from_deg = true.sample(87_600, np.random.default_rng(7))
    from_deg = np.where(speed < 0.5, np.nan, from_deg)
    found = fit_rose(speed, from_deg, n_sectors=8)
    n = speed.size * true.frequency
    error = np.sqrt(true.frequency * (1.0 - true.frequency) / speed.size)
    assert np.all(np.abs(found.frequency - true.frequency) < 4.0 * error + 2e-4)
    scale_error = 1.053 * true.scale_m_s / true.shape / np.sqrt(n)
    assert np.all(np.abs(found.scale_m_s - true.scale_m_s) < 4.0 * scale_error)
    assert np.all(np.abs(found.shape - true.shape) < 4.0 * 0.78 * true.shape / np.sqrt(n))
    assert found.mean_cube == pytest.approx(np.mean(speed**3), rel=0.01)


def test_sectors_with_few_readings_borrow():
    rng = np.random.default_rng(8)
    speed = 5.0 * rng.weibull(2.0, 1010)
    from_deg = np.full(1010, 180.0)
    from_deg[:10] = 90.0
    rose = fit_rose(speed, from_deg, n_sectors=4)
    assert rose.frequency.tolist() == pytest.approx([0.0, 10 / 1010, 1000 / 1010, 0.0], abs=2e-3)
    whole = weibull.fit(speed[speed >= 0.5], float(np.sum(speed < 0.5)), 0.5)
    assert (rose.scale_m_s[0], rose.shape[0]) == pytest.approx(whole)
    assert rose.shape[1] == rose.shape[0]
    assert rose.scale_m_s[1] == pytest.approx(
        weibull.scale_for_shape(speed[:10], whole[1]), rel=0.03
    )


def test_north_gathers_both_sides_of_0_degrees():
    speed = np.linspace(2.0, 8.0, 400)
    rose = fit_rose(speed, np.tile([350.0, 0.0, 10.0, 360.0], 100), n_sectors=12)
    assert rose.frequency[0] == 1.0


def test_wind_without_direction_is_refused():
    with pytest.raises(ValueError, match="direction"):
        fit_rose([3.0, 4.0, 5.0], [10.0, math.nan, 20.0])


# --- rose ------------------------------------------------------------------------------------


def test_overall_figures_are_weighted_by_frequency():
    rose = eight()
    parts = [stats.weibull_min(s.weibull_shape, scale=s.weibull_scale_m_s) for s in rose.sectors]
    mean = sum(s.frequency * p.mean() for s, p in zip(rose.sectors, parts, strict=True))
    cube = sum(s.frequency * p.moment(3) for s, p in zip(rose.sectors, parts, strict=True))
    assert rose.mean_m_s == pytest.approx(mean, rel=1e-10)
    assert rose.mean_cube == pytest.approx(cube, rel=1e-10)
    assert rose.energy_pattern_factor == pytest.approx(cube / mean**3, rel=1e-10)
    speed = np.array([[-1.0, 0.0], [4.0, 9.0]])
    expected = sum(s.frequency * p.sf(speed) for s, p in zip(rose.sectors, parts, strict=True))
    np.testing.assert_allclose(rose.exceedance(speed), expected, rtol=1e-12)
    for i, part in enumerate(parts):
        assert rose.sector_mean_m_s[i] == pytest.approx(part.mean(), rel=1e-10)
        assert rose.sector_mean_cube[i] == pytest.approx(part.moment(3), rel=1e-10)
        assert rose.sector_energy_pattern_factor[i] == pytest.approx(
            part.moment(3) / part.mean() ** 3, rel=1e-10
        )


@pytest.mark.parametrize("n", [2, 6, 10])
def test_states_keep_mean_and_mean_cube(n):
    rose = eight()
    states = rose.states(n, road_heading_deg=30.0)
    assert states.probability.shape == states.speed_m_s.shape == states.angle_deg.shape == (8 * n,)
    assert states.probability.sum() == pytest.approx(1.0, abs=1e-12)
    assert states.probability @ states.speed_m_s == pytest.approx(rose.mean_m_s, rel=1e-10)
    assert states.probability @ states.speed_m_s**3 == pytest.approx(rose.mean_cube, rel=1e-10)


def test_sectors_that_do_not_occur_have_no_states():
    rose = WindRose((Sector(0.0, 1.0, 5.0, 2.0), Sector(180.0, 0.0, 5.0, 2.0)))
    states = rose.states(3, road_heading_deg=0.0)
    assert states.angle_deg.tolist() == [-180.0] * 3 or states.angle_deg.tolist() == [180.0] * 3


@pytest.mark.parametrize(
    ("from_deg", "heading", "left", "right"),
    [
        (270.0, 90.0, 0.0, 0.0),  # a west wind follows an eastbound road
        (90.0, 90.0, 180.0, 180.0),  # an east wind meets it
        (180.0, 90.0, 90.0, -90.0),  # a south wind blows to the left of it
        (0.0, 90.0, -90.0, 90.0),
        (225.0, 0.0, -45.0, 45.0),  # a south-west wind on a northbound road: ahead, to the right
        (360.0, 350.0, 170.0, -170.0),
    ],
)
def test_directions_in_the_axes_of_the_road(from_deg, heading, left, right):
    for verge, expected in (("left", left), ("right", right)):
        angle = float(road_angle_deg(from_deg, heading, verge))
        assert abs((angle - expected + 180.0) % 360.0 - 180.0) < 1e-9
        assert -180.0 <= angle <= 180.0


def test_road_angle_against_vectors():
    """The same turn by east and north components."""
    rng = np.random.default_rng(4)
    from_deg, heading = rng.uniform(0, 360, 50), rng.uniform(0, 360, 50)
    to = np.radians(from_deg + 180.0)
    east, north = np.sin(to), np.cos(to)
    ahead = np.array([np.sin(np.radians(heading)), np.cos(np.radians(heading))])
    u = east * ahead[0] + north * ahead[1]
    v = -east * ahead[1] + north * ahead[0]  # to the left of the road
    angle = [float(road_angle_deg(f, h)) for f, h in zip(from_deg, heading, strict=True)]
    np.testing.assert_allclose(np.degrees(np.arctan2(v, u)), angle, atol=1e-9)


def test_a_sample_follows_the_rose():
    rose = eight()
    speed, from_deg = rose.sample(40_000, np.random.default_rng(5))
    assert np.all((from_deg >= 0.0) & (from_deg < 360.0))
    sector = np.floor(from_deg / 45.0 + 0.5).astype(int) % 8
    count = np.bincount(sector, minlength=8)
    assert stats.chisquare(count, 40_000 * rose.frequency).pvalue > 1e-4
    for i in (0, 5):
        part = stats.weibull_min(rose.shape[i], scale=rose.scale_m_s[i])
        assert stats.kstest(speed[sector == i], part.cdf).pvalue > 1e-4
        offset = (from_deg[sector == i] - 45.0 * i + 180.0) % 360.0 - 180.0
        assert stats.kstest(offset, stats.uniform(-22.5, 45.0).cdf).pvalue > 1e-4


def test_rounded_frequencies_are_scaled_to_one():
    rose = WindRose((Sector(0.0, 0.4995, 5.0, 2.0), Sector(180.0, 0.4998, 5.0, 2.0)))
    assert rose.frequency.sum() == pytest.approx(1.0, abs=1e-15)


BAD = {
    "sum": (
        [Sector(0.0, 0.5, 5.0, 2.0), Sector(180.0, 0.4, 5.0, 2.0)],
        "wind rose: the frequencies sum to 0.9; they must sum to 1",
    ),
    "percent": (
        [Sector(0.0, 60.0, 5.0, 2.0), Sector(180.0, 40.0, 5.0, 2.0)],
        "wind rose: sectors[1].frequency = 60: must be at least 0 and at most 1",
    ),
    "spacing": (
        [Sector(0.0, 0.5, 5.0, 2.0), Sector(90.0, 0.5, 5.0, 2.0)],
        "wind rose: sectors[2].from_deg = 90 °: must be 180 ° (2 sectors of 180 °, clockwise)",
    ),
    "shape": (
        [Sector(0.0, 1.0, 5.0, 0.1)],
        "wind rose: sectors[1].weibull_shape = 0.1: must be at least 0.5 and at most 20",
    ),
    "scale": (
        [Sector(0.0, 1.0, math.nan, 2.0)],
        "wind rose: sectors[1].weibull_scale_m_s = nan m/s: must be at least 0.01 m/s and at most "
        "40 m/s",
    ),
    "none": ([], "wind rose: needs at least one sector"),
}


@pytest.mark.parametrize("label", BAD)
def test_impossible_roses_are_refused_in_one_line(label):
    sectors, message = BAD[label]
    with pytest.raises(CaseError) as caught:
        WindRose(tuple(sectors))
    assert caught.value.problems[0] == message


def test_first_sector_may_point_anywhere_and_height_must_be_real():
    rose = WindRose(tuple(Sector(a, 0.25, 5.0, 2.0) for a in (315.0, 45.0, 135.0, 225.0)))
    assert rose.from_deg.tolist() == [315.0, 45.0, 135.0, 225.0]
    with pytest.raises(CaseError, match="reference_height_m = 0 m"):
        eight(reference_height_m=0.0)
    with pytest.raises(ValueError, match="verge"):
        rose.states(4, 0.0, "middle")
