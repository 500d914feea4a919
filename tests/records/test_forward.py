"""The modelled mean and variance at an instrument, against simulation and quadrature."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from one_lane_road import text_of
from scipy.integrate import quad
from synthetic_record import FINE_S, Site, Truth, mean_of_interval

import wakesim
from wakesim.air.noise import resolved_share, von_karman_noise, von_karman_spectrum
from wakesim.case.load import load_case_text
from wakesim.errors import CaseError
from wakesim.records.forward import (
    LogErrors,
    allowed_range,
    forward,
    logged_scene,
    spread_nodes,
    turbulence_share,
)
from wakesim.traffic.scene import draw_round
from wakesim.traffic.stream import Passes
from wakesim.vehicle.wake import SHARE_U, TURBULENCE_TIME_S, AirState

STILL = "still = true\neddy_diffusivity_m2_s = 0.3\ndrift = { enabled = false }"


def one_pass(time_s=20.0, speed_m_s=25.0, factor=1.0):
    one = np.ones(1)
    return Passes(
        time_s * one, np.zeros(1, np.int32), np.zeros(1, np.int32), speed_m_s * one, 0.0 * one,
        factor * one,
    )  # fmt: skip


def case_of(air=STILL, **changes):
    usual = {
        "air": air,
        "light_mix": "{ small_car = 1.0 }",
        "heavy": 0.0,
        "wander": 0.0,
        "hours": 1,
    }
    return load_case_text(text_of(**(usual | changes)), "test.toml")


def test_one_pass_is_the_frozen_field_of_its_vehicle():
    case = case_of(memory=20)
    found = forward(
        case, case.mounts[0], one_pass(), 0.0, 40.0, errors=LogErrors(lateral_known=True),
        log_span_s=(-20.0, 40.0),
    )  # fmt: skip
    vehicle = case.vehicles["small_car"]
    x = 25.0 * (20.0 - found.time_s)
    lane = case.road.lanes[0].centre_m
    points = np.column_stack([x, np.full_like(x, 1.5 - lane), np.full_like(x, 2.0)])
    near = np.abs(found.time_s - 20.0) < 1.5
    field = wakesim.pass_field(vehicle, air=AirState(0.3 / 25.0))
    here = 25.0 * field.wake(points)[:, 0]
    pulse = 25.0 * field.displacement(points[near])[:, :2]
    assert found.pulse[0][near] == pytest.approx(pulse[:, 0], abs=0.01)
    assert found.pulse[1][near] == pytest.approx(pulse[:, 1], abs=0.01)
    still_followed = x > -25.0 * 0.9 * 20.0  # it fades out beyond
    assert found.wake[0][still_followed] == pytest.approx(here[still_followed], abs=4e-4)
    assert found.wake[0].max() > 0.03


@pytest.mark.parametrize("times", [(0.0, 0.03), (0.08, 0.0)])
def test_mean_and_scatter_are_those_of_many_true_passes(times):
    """The expected velocity given an inexact log, and its variance, against simulations."""
    truth = Truth(
        pulse=1.0, turbulence=1e-6, slow_sd_m_s=0.0, gust_sd_m_s=0.0, noise_m_s=0.0,
        time_sd_s=times[0], speed_sd=times[1],
    )  # fmt: skip
    site = Site(90.0, truth=truth, far="", far_flow="")
    model = site.forward(margin_s=2.0, spreads=np.array([truth.spread]))
    records = [site.record(seed, gaps=False) for seed in range(100)]
    now = model.at(records[0].time_s, truth.spread)
    for drawn, mean, scatter in (
        (np.array([r.u_m_s for r in records]), now.pulse_u + now.wake_u, now.scatter_u),
        (np.array([r.v_m_s for r in records]), now.pulse_v, now.scatter_v),
    ):
        average = drawn.mean(axis=0)
        assert average @ mean / (mean @ mean) == pytest.approx(1.0, abs=0.01)
        assert np.std(average - mean) < 0.07 * np.std(mean)
        square = np.sum((drawn**2).mean(axis=0))
        assert square == pytest.approx(np.sum(mean**2 + scatter), rel=0.015)
        if times[0] > 0.0:  # of a wrong speed only the strength is modelled, not the length
            assert np.sum(drawn.var(axis=0)) == pytest.approx(np.sum(scatter), rel=0.08)


def test_a_log_taken_as_exact_sees_the_pulses_too_strong():
    """Without the errors the pulses of the model are larger than the mean of the true ones."""
    truth = Truth(time_sd_s=0.1)
    site = Site(120.0, truth=truth)
    one = np.array([truth.spread])
    exact = site.forward(errors=LogErrors(), spreads=one).moments()
    mean = site.forward(spreads=one).moments()
    assert np.max(mean.pulse_v) < 0.8 * np.max(exact.pulse_v)
    assert np.sum(mean.pulse_u) == pytest.approx(
        np.sum(exact.pulse_u), abs=1e-3 * exact.pulse_u.size
    )


@cache
def table():
    return Site(60.0).forward()


def test_interpolated_spread_equals_the_computed_one():
    found = table().moments(0.73)
    direct = Site(60.0).forward(spreads=np.array([0.73])).moments(0.73)
    assert found.wake_u == pytest.approx(direct.wake_u, abs=2e-4 * direct.wake_u.max())
    assert found.k == pytest.approx(direct.k, abs=1e-3 * direct.k.max())
    assert found.scatter_v == pytest.approx(direct.scatter_v, abs=0.02 * direct.scatter_v.max())


def test_slope_over_the_spread_is_that_of_its_logarithm():
    model = table()
    step = 1e-4
    between = model.weights(0.9 * math.exp(step)) - model.weights(0.9 * math.exp(-step))
    assert model.weights(0.9, derivative=True) == pytest.approx(between / (2 * step), abs=1e-5)
    assert model.weights(0.9).sum() == pytest.approx(1.0)


def test_share_of_the_turbulence_against_quadrature():
    """Running mean over 0.1 s: |H|^2 = sinc^2; a lag of 0.5 s: 1/(1 + (2 pi f tau)^2)."""

    def lag(u, v, dt_s):
        keep = math.exp(-dt_s / 0.5)
        out = np.zeros_like(u)
        for i in range(1, u.size):
            out[i] = keep * out[i - 1] + (1 - keep) * u[i]
        return out, v

    for respond, power in (
        (mean_of_interval, lambda f: np.sinc(0.1 * f) ** 2),
        (lag, lambda f: 1.0 / (1.0 + (2 * math.pi * f * 0.5) ** 2)),
    ):
        exact = quad(
            lambda f: von_karman_spectrum(f, TURBULENCE_TIME_S) * power(f), 0.0, 200.0, limit=2000  # noqa: B023
        )[0]  # fmt: skip
        assert turbulence_share(respond, FINE_S) == pytest.approx(exact, abs=0.015)


def test_variance_of_a_record_is_the_modelled_one():
    """Turbulence alone, simulated and seen through the instrument, over all of the record."""
    truth = Truth(
        pulse=1.0, slow_sd_m_s=0.0, gust_sd_m_s=0.0, noise_m_s=0.0, time_sd_s=0.0, speed_sd=0.0
    )
    site = Site(900.0, truth=truth, wander=0.0, far="", far_flow="")
    model = site.forward(errors=LogErrors(), spreads=np.array([truth.spread]))
    records = [site.record(seed, gaps=False) for seed in range(12)]
    now = model.at(records[0].time_s, truth.spread)
    square = np.mean([(r.u_m_s - now.pulse_u - now.wake_u) ** 2 for r in records], axis=0)
    modelled = 2 * SHARE_U * truth.turbulence**2 * model.share * now.k
    assert np.mean(square) == pytest.approx(np.mean(modelled), rel=0.05)
    high = modelled > np.quantile(modelled, 0.9)
    assert np.mean(square[high]) == pytest.approx(np.mean(modelled[high]), rel=0.06)


def test_response_is_put_into_the_mean():
    """A running mean of the model's own series is what the instrument shows of it."""
    site = Site(60.0)
    plain = forward(site.case, site.mount, site.logged, 0.0, 60.0, log_span_s=(-30.0, 99.0))
    shown = forward(
        site.case, site.mount, site.logged, 0.0, 60.0, log_span_s=(-30.0, 99.0),
        respond=mean_of_interval,
    )  # fmt: skip
    expected = mean_of_interval(plain.pulse[0], plain.pulse[1], FINE_S)
    assert shown.pulse[1] == pytest.approx(expected[1])
    assert np.max(shown.pulse[1]) < 0.97 * np.max(plain.pulse[1])
    assert plain.share == 1.0
    assert shown.share < 0.9


def test_classes_speeds_and_flows_are_those_of_the_log():
    case = case_of(air="still = true", flow=600, heavy=0.3, hours=1)
    log = draw_round(case, 0, 0.0)
    slow = replace(log, speed_m_s=0.5 * log.speed_m_s)
    scene = logged_scene(case, case.mounts[0], slow, (0.0, 3600.0))
    assert {s.vehicle.name for s in scene.views} == {"small_car", "artic_lorry_eu"}
    assert scene.rates_per_s.shape == (1, 2)
    assert scene.rates_per_s.sum() * 3600.0 == pytest.approx(len(log))
    cars = next(s for s in scene.views if s.vehicle.name == "small_car")
    of_cars = slow.speed_m_s[slow.vehicle == list(case.vehicles).index("small_car")]
    assert cars.mean_speed_m_s == pytest.approx(of_cars.mean())
    # half the traffic, less drift; more than half, for it mixes the air less
    whole = forward(case, case.mounts[0], log, 0.0, 100.0, log_span_s=(-60.0, 3600.0))
    half = log.take(slice(0, None, 2))
    thin = forward(case, case.mounts[0], half, 0.0, 100.0, log_span_s=(-60.0, 3600.0))
    assert 0.45 < thin.drift[0] / whole.drift[0] < 0.9


def test_covered_time_starts_a_wake_memory_after_the_log():
    case = case_of(memory=12)
    passes = one_pass()
    twice = replace(
        Passes(*(np.concatenate([getattr(passes, n)] * 2) for n in vars(passes))),
        time_s=np.array([20.0, 70.0]),
    )
    found = forward(case, case.mounts[0], twice, 0.0, 100.0)
    assert found.covered_s == pytest.approx((32.0, 70.0))
    assert found.counts["small_car"] == 1  # the second; the first passed before


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda c: forward(c, c.mounts[0], one_pass().take(slice(0, 0)), 0.0, 99.0), "no passes"),
        (lambda c: forward(c, c.mounts[0], one_pass(), 0.0, 100.0), "less than 10 s of the record"),
        (lambda c: forward(c, c.mounts[0], one_pass(), 0.0, 4e6), "h can be held against single"),
        (lambda c: LogErrors(time_s=3.0), "time_s = 3 s: must be at least 0 and at most 2 s"),
        (lambda c: LogErrors(strength=-0.1), "strength"),
    ],
)  # fmt: skip
def test_bad_input_is_refused_in_plain_words(make, words):
    with pytest.raises(CaseError, match=words):
        make(case_of())


def test_range_of_the_spread_is_that_of_the_case_file():
    assert allowed_range("couple_spread") == (0.5, 2.0)
    case = case_of()
    model = case.model.model_copy(update={"wake_law": "couple"})
    nodes = spread_nodes(replace(case, model=model))
    assert nodes[0] == pytest.approx(0.5)
    assert nodes[-1] == pytest.approx(2.0)


def test_noise_of_the_tests_has_the_time_scale_of_the_model():
    rng = np.random.default_rng(0)
    noise = von_karman_noise(400_000, FINE_S, TURBULENCE_TIME_S, rng)
    u, _ = mean_of_interval(noise, noise, FINE_S)
    kept = resolved_share(FINE_S, TURBULENCE_TIME_S)
    assert kept * u.var() == pytest.approx(turbulence_share(mean_of_interval, FINE_S), rel=0.02)
