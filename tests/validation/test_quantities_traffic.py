"""Traffic quantities against distributions of scipy, Campbell's integrals and plain sums."""

from __future__ import annotations

import math

import numpy as np
import pytest
from quantity_values import KNOWN, compute, from_file
from scipy import integrate, stats

from wakesim.case.traffic import Headway
from wakesim.case.vehicle import Vehicle, vehicle
from wakesim.errors import CaseError
from wakesim.validation.metrics import metrics
from wakesim.validation.quantities import traffic
from wakesim.validation.quantities.traffic import _times, pulse_record
from wakesim.validation.verdict import verdict

CAR = vehicle("small_car")


def m3_survival(t, flow, minimum, share):
    """Cowan's M3, written out."""
    rate = share * flow / (1 - minimum * flow)
    return 1.0 if t < minimum else share * math.exp(-rate * (t - minimum))


class TestHeadways:
    def test_exponential_is_scipys(self):
        flow = 900.0
        law = stats.expon(scale=3600.0 / flow)
        one = {"lane_flow_veh_h": [flow]}
        assert compute("headway_mean", one, model="exponential") == pytest.approx(law.mean())
        assert compute("headway_sd", one, model="exponential") == pytest.approx(law.std())
        result = compute("headway_share_above", one | {"threshold_s": [2.5]}, model="exponential")
        assert result == pytest.approx(law.sf(2.5))

    @pytest.mark.parametrize(
        ("flow", "minimum", "options", "share"),
        [
            (1200.0, 1.5, {"tanner": True}, 1 - 0.5),
            (800.0, 1.0, {"bunching_s": 7.5}, math.exp(-7.5 / 4.5)),
            (1000.0, 2.0, {"bunching_factor": 0.6}, math.exp(-0.6 / 1.8)),
        ],
    )
    def test_bunched_moments_by_integration(self, flow, minimum, options, share):
        q = flow / 3600.0
        conditions = {"lane_flow_veh_h": [flow], "minimum_s": [minimum]}

        def integral(power):
            tail = integrate.quad(
                lambda t: power * t ** (power - 1) * m3_survival(t, q, minimum, share),
                minimum, 400.0, limit=400,
            )[0]  # fmt: skip
            return minimum**power + tail

        mean = integral(1)
        assert mean == pytest.approx(1 / q, rel=1e-6)
        assert compute("headway_mean", conditions, **options) == pytest.approx(mean, rel=1e-6)
        sd = math.sqrt(integral(2) - mean**2)
        assert compute("headway_sd", conditions, **options) == pytest.approx(sd, rel=1e-6)
        # the free share given as a condition is the same model
        given = compute("headway_sd", conditions | {"free_share": [share]})
        assert given == pytest.approx(sd, rel=1e-6)
        above = compute("headway_share_above", conditions | {"threshold_s": [3.0]}, **options)
        assert above == pytest.approx(m3_survival(3.0, q, minimum, share))

    def test_simulated_streams(self):
        conditions = {
            "lane_flow_veh_h": [600.0, 1400.0], "minimum_s": [1.0, 1.5], "free_share": [0.5, 0.6],
        }  # fmt: skip
        n = 40_000
        options = {"simulated": True, "vehicles": n}
        sd = compute("headway_sd", conditions)
        mean = compute("headway_mean", conditions, **options)
        expected = 3600.0 / np.array(conditions["lane_flow_veh_h"])
        assert np.all(np.abs(mean - expected) < 4 * sd / math.sqrt(n))
        assert compute("headway_sd", conditions, **options) == pytest.approx(sd, rel=0.05)
        above = conditions | {"threshold_s": [2.0]}
        exact, drawn = (compute("headway_share_above", above, **o) for o in ({}, options))
        assert np.all(np.abs(drawn - exact) < 4 * np.sqrt(exact * (1 - exact) / n))
        assert not np.array_equal(drawn, exact)

    def test_seed_decides(self):
        one = {"lane_flow_veh_h": [600.0], "free_share": [0.5]}
        a, b, c = (
            compute("headway_sd", one, simulated=True, vehicles=500, seed=s) for s in (1, 1, 2)
        )
        assert a == b
        assert a != c

    @pytest.mark.parametrize(
        ("conditions", "options", "text"),
        [
            ({"lane_flow_veh_h": [500.0]}, {}, "needs the condition free_share or one of"),
            ({"lane_flow_veh_h": [500.0]}, {"tanner": True, "bunching_s": 7.5}, "one of"),
            ({"lane_flow_veh_h": [500.0]}, {"model": "normal"}, "options.model"),
            ({"lane_flow_veh_h": [0.0]}, {"tanner": True}, "lane_flow_veh_h"),
            ({"lane_flow_veh_h": [3900.0]}, {"tanner": True}, "too much"),
            ({"lane_flow_veh_h": [500.0], "free_share": [0.0]}, {}, "free_share"),
            ({"lane_flow_veh_h": [500.0]}, {"tanner": True, "vehicles": 3}, "vehicles"),
        ],
    )
    def test_refusals(self, conditions, options, text):
        with pytest.raises(CaseError) as error:
            compute("headway_sd", conditions, **options)
        assert text in str(error.value)


class TestHourlyCounts:
    def test_random_traffic_has_poisson_counts(self):
        hours = 400
        flow = np.array([500.0, 4000.0])
        result = compute("hourly_count_sd", {"road_flow_veh_h": flow}, hours=hours, lanes=2)
        assert np.all(np.abs(result / np.sqrt(flow) - 1) < 4 / math.sqrt(2 * hours))

    def test_bunched_traffic_follows_renewal_theory(self):
        # Cox 1962: the variance of a count tends to its mean times the squared variation of gaps
        flow, hours = 1600.0, 400
        one = {"lane_flow_veh_h": [flow / 2]}
        variation = compute("headway_sd", one, bunching_s=7.5)[0] * flow / 2 / 3600.0
        result = compute(
            "hourly_count_sd", {"road_flow_veh_h": [flow]}, hours=hours, model="cowan_m3"
        )
        assert result[0] == pytest.approx(variation * math.sqrt(flow), rel=4 / math.sqrt(2 * hours))
        assert variation > 1.5


class TestSpeeds:
    def test_share_is_that_of_a_truncated_normal(self):
        limit = np.array([25.0, 31.0, 36.0])
        conditions = {"threshold_m_s": limit, "mean_m_s": [30.0], "sd_m_s": [4.0]}
        n = 50_000
        result = compute("share_above_speed", conditions, vehicles=n)
        law = stats.truncnorm(-3, 3, loc=30.0, scale=4.0).sf(limit)
        assert np.all(np.abs(result - law) < 4 * np.sqrt(law * (1 - law) / n))

    def test_the_catalogue_gives_mean_and_spread(self):
        result = compute("share_above_speed", {"threshold_m_s": [70 * 0.44704]}, CAR)
        assert result[0] == pytest.approx(0.45, abs=0.01)  # the published share it was made from

    def test_a_body_without_a_speed_is_refused(self):
        block = Vehicle("block", 4.0, 1.8, 1.5, 0.2, 2.2, 0.3)
        with pytest.raises(CaseError, match="mean_m_s"):
            compute("share_above_speed", {"threshold_m_s": [30.0]}, block)


class TestShotNoise:
    def test_record_is_the_plain_sum(self):
        result = pulse_record(0.5, 2.0, 0.7, 60, 3)
        headway = Headway()
        times = _times(headway, 0.5, 60 / 0.5, 3)
        t = 0.14 * np.arange(150, 150 + result.size)
        age = t[:, None] - times
        plain = np.where(age >= 0, 2.0 * np.exp(-np.clip(age, 0, None) / 0.7), 0.0).sum(axis=1)
        assert result == pytest.approx(plain, abs=2.0 * (1 / 25) ** 2 / 8 * 4)

    @pytest.mark.parametrize("order", [1, 2, 3])
    def test_cumulants_are_campbells(self, order):
        rate, height, decay = 0.8, 1.5, 0.6
        moment = integrate.quad(lambda t: (height * math.exp(-t / decay)) ** order, 0, 50)[0]
        conditions = {
            "order": [order], "rate_per_s": [rate], "amplitude_m_s": [height], "decay_s": [decay],
        }  # fmt: skip
        result = compute("shot_noise_cumulant", conditions, vehicles=30_000)
        assert result == pytest.approx(rate * moment, rel=(0.025, 0.04, 0.1)[order - 1])

    @pytest.mark.parametrize(
        ("change", "options", "text"),
        [
            ({"order": [1.5]}, {}, "1, 2 or 3"),
            ({"order": [4.0]}, {}, "order"),
            ({"decay_s": [0.0]}, {}, "decay_s"),
            ({"rate_per_s": [1e-3]}, {"vehicles": 2_000_000}, "lower vehicles"),
        ],
    )
    def test_refusals(self, change, options, text):
        conditions = {
            "order": [1.0], "rate_per_s": [1.0], "amplitude_m_s": [1.0], "decay_s": [1.0],
        }  # fmt: skip
        with pytest.raises(CaseError) as error:
            compute("shot_noise_cumulant", conditions | change, **options)
        assert text in str(error.value)


# --- frequencies beside the road ------------------------------------------------------------------


def test_share_above_a_frequency_needs_a_case() -> None:
    with pytest.raises(CaseError, match=r"needs options\.case"):
        compute("variance_share_above", {"from_hz": [0.5]})


def test_share_above_a_frequency_of_sines(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two sines of known variances: 1/2 at 0.1 Hz and 9/2 at 2 Hz."""
    t = np.arange(0.0, 3600.0, 0.05)
    u = 1.3 + np.sin(2.0 * np.pi * 0.1 * t) + 3.0 * np.sin(2.0 * np.pi * 2.0 * t)
    monkeypatch.setattr(traffic, "_velocity", lambda case: u)
    traffic._spectrum.cache_clear()
    result = compute(
            "variance_share_above", {"from_hz": [0.0, 0.5, 5.0]},
            case="cases/expressway-post.toml",
        )  # fmt: skip
    traffic._spectrum.cache_clear()
    assert result == pytest.approx([1.0, 0.9, 0.0], abs=2e-3)


# --- the project's own reference files ----------------------------------------------------------


@pytest.mark.parametrize("name", ["sd", "share-above-2s", "simulated-share-above-2s"])
def test_headway_files_are_verified(name):
    c = from_file(f"headways/{name}")
    result = KNOWN[c.quantity].function(c)
    assert verdict(c, metrics(c.measured, result, c.uncertainty)).word == "verified"


def test_campbell_files_hold_the_closed_form():
    for name in ("mean", "variance", "third-cumulant"):
        c = from_file(f"campbell/{name}")
        order = c.conditions["order"]
        exact = (
            c.conditions["rate_per_s"] * c.conditions["amplitude_m_s"] ** order
            * c.conditions["decay_s"] / order
        )  # fmt: skip
        assert c.measured == pytest.approx(exact, rel=1e-9)
