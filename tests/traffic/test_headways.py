from __future__ import annotations

import csv
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy import integrate, stats

from wakesim.errors import CaseError
from wakesim.runtime import shared_path
from wakesim.traffic.headways import (
    check_flow,
    equilibrium_interval,
    free_share,
    minimum_headway,
    parameters,
    sample_headways,
    standard_deviation,
    survival,
)


def headway(model="cowan_m3", minimum_s=1.0, **kind):
    settings = {"bunching_s": None, "bunching_factor": None, "tanner": False}
    return SimpleNamespace(model=model, minimum_s=minimum_s, **(settings | kind))


EXPONENTIAL = headway("exponential", 0.0)
NAMED = {
    "negexp": EXPONENTIAL,
    "shifted_D1.0": headway("shifted_exponential", 1.0),
    "M3_A7.5_D1.0": headway(minimum_s=1.0, bunching_s=7.5),
    "M3_single_D1.5_b0.6": headway(minimum_s=1.5, bunching_factor=0.6),
    "M3_Tanner_D1.5": headway(minimum_s=1.5, tanner=True),
}


def _table():
    lines = shared_path("reference", "headway_checks.csv").read_text().splitlines()
    return [row for row in csv.DictReader(lines) if not row["model"].startswith("#")]


def test_reference_table_to_its_printed_digits():
    rows = _table()
    assert {row["model"] for row in rows} == set(NAMED)
    for row in rows:
        settings = NAMED[row["model"]]
        flow = float(row["lane_flow_vph"]) / 3600.0
        minimum, share, rate = parameters(settings, flow)
        assert minimum == pytest.approx(float(row["Delta_s"]))
        assert share == pytest.approx(float(row["alpha_free"]), abs=5.1e-6)
        assert rate == pytest.approx(float(row["lambda_per_s"]), abs=5.1e-7)
        assert minimum + share / rate == pytest.approx(float(row["mean_s"]), abs=5.1e-6)
        assert standard_deviation(settings, flow) == pytest.approx(float(row["sd_s"]), abs=5.1e-5)
        assert survival(settings, flow, 2.0) == pytest.approx(
            float(row["P_headway_gt_2s"]), abs=5.1e-6
        )


@pytest.mark.parametrize("name", NAMED)
@pytest.mark.parametrize("flow_veh_h", [20.0, 700.0, 1900.0])
def test_mean_and_spread_are_integrals_of_the_survival(name, flow_veh_h):
    settings, flow = NAMED[name], flow_veh_h / 3600.0
    minimum, _, rate = parameters(settings, flow)
    far = minimum + 60.0 / rate

    def moment(power):
        def weight(t):
            return power * t ** (power - 1) * float(survival(settings, flow, t))

        return sum(
            integrate.quad(weight, a, b, epsabs=1e-12, epsrel=1e-12, limit=200)[0]
            for a, b in (
                (0.0, minimum),
                (minimum, minimum + 5.0 / rate),
                (minimum + 5.0 / rate, far),
            )
        )

    assert moment(1) == pytest.approx(1.0 / flow, rel=1e-9)
    spread = np.sqrt(moment(2) - moment(1) ** 2)
    assert spread == pytest.approx(standard_deviation(settings, flow), rel=1e-8)


@given(
    flow=st.floats(1e-4, 0.9),
    minimum=st.floats(0.0, 3.0),
    kind=st.sampled_from(
        [{"tanner": True}, {"bunching_s": 6.0}, {"bunching_factor": 0.8}, {"model": "exponential"}]
    ),
)
def test_mean_is_one_over_flow(flow, minimum, kind):
    assume(flow * minimum < 0.99)
    settings = headway(minimum_s=minimum, **kind)
    least, share, rate = parameters(settings, flow)
    assert 0.0 < share <= 1.0
    assert least + share / rate == pytest.approx(1.0 / flow, rel=1e-12)


@pytest.mark.parametrize("name", NAMED)
def test_sampled_headways(name):
    settings, flow, n = NAMED[name], 0.3, 200_000
    values = sample_headways(settings, flow, n, np.random.default_rng(4))
    spread = standard_deviation(settings, flow)
    minimum, share, _ = parameters(settings, flow)
    assert values.shape == (n,)
    assert values.min() >= minimum
    assert values.mean() == pytest.approx(1.0 / flow, abs=4.0 * spread / np.sqrt(n))
    for t in (0.5, 2.0, 5.0, 20.0):
        chance = float(survival(settings, flow, t))
        error = np.sqrt(chance * (1.0 - chance) / n)
        assert np.mean(values > t) == pytest.approx(chance, abs=4.0 * error + 1e-12)
    followers = np.mean(values == minimum)
    error = np.sqrt(share * (1.0 - share) / n)
    assert followers == pytest.approx(1.0 - share, abs=4.0 * error + 1e-12)


@pytest.mark.parametrize("name", NAMED)
def test_equilibrium_interval_has_the_residual_distribution(name):
    """Both parts have density q S(t); the whole is length-biased: mean q E[h^2]."""
    settings, flow, n = NAMED[name], 0.25, 8000
    rng = np.random.default_rng(6)
    parts = np.array([equilibrium_interval(settings, flow, rng) for _ in range(n)])

    grid = np.linspace(0.0, 400.0, 400_001)
    density = flow * survival(settings, flow, grid)
    cumulative = integrate.cumulative_trapezoid(density, grid, initial=0.0)
    for column in parts.T:
        result = stats.kstest(column, lambda t: np.interp(t, grid, cumulative))
        assert result.pvalue > 1e-4
    second = standard_deviation(settings, flow) ** 2 + 1.0 / flow**2
    whole = parts.sum(axis=1)
    assert whole.mean() == pytest.approx(flow * second, abs=4.0 * whole.std() / np.sqrt(n))


def test_free_share_laws():
    assert free_share(EXPONENTIAL, 0.4) == 1.0
    assert free_share(NAMED["shifted_D1.0"], 0.4) == 1.0
    assert free_share(NAMED["M3_A7.5_D1.0"], 0.4) == pytest.approx(np.exp(-3.0))
    assert free_share(NAMED["M3_single_D1.5_b0.6"], 0.4) == pytest.approx(np.exp(-0.36))
    assert free_share(NAMED["M3_Tanner_D1.5"], 0.4) == pytest.approx(0.4)
    assert minimum_headway(headway("exponential", 2.0)) == 0.0


def test_infeasible_flow_names_place_and_limit():
    with pytest.raises(CaseError, match=r"near 1: flow 2400 veh/h .* below 2400 veh/h"):
        check_flow(headway(minimum_s=1.5, tanner=True), 2400 / 3600, "near 1")
    check_flow(headway(minimum_s=1.5, tanner=True), 2399 / 3600, "near 1")
    check_flow(EXPONENTIAL, 100.0)


def test_impossible_settings_are_refused():
    with pytest.raises(CaseError, match="unknown headway model"):
        minimum_headway(headway("regular"))
    with pytest.raises(CaseError, match="needs bunching_s"):
        free_share(headway(), 0.1)
    with pytest.raises(CaseError, match="no free vehicle"):
        parameters(headway(bunching_s=100.0), 0.5)
    with pytest.raises(ValueError, match="flow"):
        check_flow(EXPONENTIAL, float("nan"))
    with pytest.raises(ValueError, match="flow"):
        check_flow(EXPONENTIAL, -0.1)
    with pytest.raises(ValueError, match="without flow"):
        parameters(EXPONENTIAL, 0.0)
