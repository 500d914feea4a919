"""Headways in the exact statistics: closed forms, the spectrum of counts, renewal streams drawn
with numpy alone, and the series of the program."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from one_lane_road import text_of
from scipy import signal, stats
from walked_rounds import walked_rounds

from wakesim.case.load import load_case, load_case_text
from wakesim.case.traffic import Headway
from wakesim.measures.places import rotor_statistics
from wakesim.traffic.bunching import age_step, bunching
from wakesim.traffic.measure import Measure
from wakesim.traffic.point_statistics import PointAir, point_statistics
from wakesim.traffic.scene import (
    one_hour,
)
from wakesim.traffic.stationary import mean_cubes


def headway(model="cowan_m3", minimum_s=1.0, **kind):
    settings = {"bunching_s": None, "bunching_factor": None, "tanner": False}
    return SimpleNamespace(model=model, minimum_s=minimum_s, **(settings | kind))


HEADWAYS = {
    "few free": (headway(bunching_s=9.0), 0.28),
    "half free": (headway(bunching_s=7.5), 0.1),
    "long minimum": (headway(minimum_s=2.6, bunching_factor=0.9), 0.2),
    "short minimum": (headway(minimum_s=0.3, bunching_s=4.0), 0.25),
    "tanner": (headway(minimum_s=1.5, tanner=True), 0.2),
    "shifted": (headway("shifted_exponential", 1.8), 0.4),
    "thin": (headway(bunching_s=30.0), 0.02),
}


def three_numbers(settings, flow):
    """Minimum, free share and rate, after Cowan (1975)."""
    free = 1.0
    if settings.bunching_s is not None:
        free = np.exp(-settings.bunching_s * flow)
    elif settings.bunching_factor is not None:
        free = np.exp(-settings.bunching_factor * settings.minimum_s * flow)
    elif settings.tanner:
        free = 1.0 - settings.minimum_s * flow
    return settings.minimum_s, free, free * flow / (1.0 - settings.minimum_s * flow)


def wake(step, parts=8):
    """A vehicle's mean velocity and covariance (n, 5) in steps of its age: a rise within seconds, a
    fall within tens. What the velocity changes within a step counts in the covariance."""
    t = -20.0 + (np.arange(round(110.0 / step) * parts) + 0.5) * step / parts
    late = np.maximum(t, 0.0)
    u = 0.9 * late / 4.0 * np.exp(1.0 - late / 4.0)
    u += 0.5 * (1.0 - np.exp(-late)) * np.exp(-late / 15.0)
    v = 0.3 * np.exp(-(((t - 2.0) / 3.0) ** 2)) - 0.3 * np.exp(-(((t - 9.0) / 4.0) ** 2))
    s = 0.5 * late / 5.0 * np.exp(1.0 - late / 5.0)
    felt = np.column_stack([u, v, s + u * u, 0.6 * s + v * v, u * v])
    felt = felt.reshape(-1, parts, 5).mean(axis=1)
    mean_u, mean_v = felt[:, :2].T
    felt[:, 2:] -= np.column_stack([mean_u**2, mean_v**2, mean_u * mean_v])
    return felt


def speeds_of(felt, flow, settings, step, ambient=0.0):
    """The exact moments of one lane."""
    passes = Measure(np.full(len(felt), flow * step), felt)
    return mean_cubes(
        [passes], covariance=ambient * np.eye(2),
        headways=bunching(felt[None, None], np.array([flow]), settings, step),
    )  # fmt: skip


# --- closed forms ---------------------------------------------------------------------------------


def test_gusts_that_never_overlap():
    """Gusts of 4 s at headways of at least 5 s: at most one blows, for 4 q of the time."""
    settings, flow, gust = headway(minimum_s=5.0, bunching_s=6.0), 0.11, np.array([1.5, 0.8])
    step = age_step(settings, flow)
    felt = np.zeros((round(4.0 / step), 5))
    felt[:, :2] = gust
    found, share = speeds_of(felt, flow, settings, step, ambient=0.64), 4.0 * flow
    exact = share * (1.0 - share) * np.outer(gust, gust) + 0.64 * np.eye(2)
    assert found.covariance[0] == pytest.approx(exact, rel=1e-9)
    assert found.mean[0] == pytest.approx(share * gust, rel=1e-12)
    calm, blown = stats.rice(0.0, scale=0.8), stats.rice(np.hypot(*gust) / 0.8, scale=0.8)
    cube, speed = ((1.0 - share) * calm.moment(n) + share * blown.moment(n) for n in (3, 1))
    # two values alone: the hardest for tables over octaves of the wave number
    assert found.mean_cube[0] == pytest.approx(cube, rel=4e-3)
    assert found.mean_speed[0] == pytest.approx(speed, rel=4e-3)
    passes = Measure(np.full(len(felt), flow * step), felt)
    poisson = mean_cubes([passes], covariance=0.64 * np.eye(2))
    assert poisson.mean_cube[0] > 1.5 * found.mean_cube[0]


def test_exponential_headways_correct_nothing():
    felt = wake(0.5)[None, None]
    found = bunching(felt, np.array([0.3]), headway("exponential"), 0.5)
    assert not any(values.any() for values in found)
    # and the solution tends to that where a renewal stream tends to the Poisson stream
    for minimum in (0.02, 0.002):
        settings = headway(minimum_s=minimum, bunching_s=0.0)
        found = bunching(felt, np.array([0.3]), settings, age_step(settings, 0.3))
        # of first order in the minimum: the counts' variance over their mean is (1 - q D)^2
        square = 0.3 * 0.5 * np.sum(felt[0, 0, :, 0] ** 2)
        assert abs(found.covariance[0, 0]) < 2.0 * 0.3 * minimum * 40.0 * square


def test_lanes_add():
    settings, felt = headway(bunching_s=7.5), np.stack([wake(1.0), 0.6 * wake(1.0)])
    felt[1, :, 0] *= -1.0
    both = bunching(felt[None], np.array([0.2, 0.3]), settings, 1.0)
    alone = [
        bunching(f[None, None], np.array([q]), settings, 1.0)
        for f, q in zip(felt, (0.2, 0.3), strict=True)
    ]
    assert both.covariance == pytest.approx(sum(a.covariance for a in alone), rel=1e-9)


def test_a_mirrored_road_mirrors_the_correction():
    settings, felt = headway(bunching_s=7.5), wake(1.0)
    turned = felt * [-1.0, 1.0, 1.0, 1.0, -1.0]
    found = [speeds_of(f, 0.25, settings, 1.0, ambient=0.01) for f in (felt, turned)]
    assert found[0].mean_cube == pytest.approx(found[1].mean_cube, rel=1e-6)
    assert found[0].covariance[0, 0, 1] == pytest.approx(-found[1].covariance[0, 0, 1], rel=1e-9)


# --- the spectrum of counts -----------------------------------------------------------------------


@pytest.mark.parametrize("name", HEADWAYS)
def test_covariance_is_the_integral_over_the_spectrum_of_counts(name):
    """C_ij = (1/2 pi) int f_i(w) conj f_j(w) q 2 Re[h/(1 - h)] dw, h the transform of the density
    of headways (Cox and Lewis, "The Statistical Analysis of Series of Events", 1966, from memory).
    """
    settings, flow = HEADWAYS[name]
    minimum, free, rate = three_numbers(settings, flow)
    step = age_step(settings, flow)
    felt = wake(step)
    found = bunching(felt[None, None], np.array([flow]), settings, step).covariance[0]
    t = np.arange(len(felt)) * step
    w = np.linspace(-6.0, 6.0, 24001)
    w += 0.5 * (w[1] - w[0])  # 0 is a removable singularity
    lines = np.exp(-1j * np.outer(w, t)) @ felt[:, :2] * step
    lines *= np.sinc(w * step / (2.0 * np.pi))[:, None]  # constant within a step
    h = np.exp(-1j * w * minimum) * (1.0 - free + free * rate / (rate + 1j * w))
    spectrum = flow * 2.0 * (h / (1.0 - h)).real
    product = lines[:, :, None] * lines[:, None, :].conj() * spectrum[:, None, None]
    exact = product.real.sum(axis=0) * (w[1] - w[0]) / (2.0 * np.pi)
    scale = abs(exact[0, 0])
    assert scale > 0.02 * flow * step * np.sum(felt[:, 0] ** 2)  # or it would say nothing
    wanted = [exact[0, 0], exact[1, 1], exact[0, 1]]
    assert found == pytest.approx(wanted, abs=0.02 * scale)


# --- streams drawn with numpy alone ---------------------------------------------------------------


def drawn(settings, flow, felt_at, hours, seed, step=0.25):
    """Mean, covariance, E|X|^3 and E|X| of a simulated lane, with the standard error of the last
    two: arrivals counted in steps, convolved with the signature, normal noise of the local
    variance."""
    rng = np.random.default_rng(seed)
    minimum, free, rate = three_numbers(settings, flow)
    rows = []
    for _ in range(hours // 20):
        count = int(72000.0 * flow * 1.1) + 400
        gaps = minimum + np.where(rng.random(count) < free, rng.exponential(1.0 / rate, count), 0.0)
        times = np.cumsum(gaps)
        edges = np.arange(times[0], min(72000.0, times[-1]), step)
        arrivals = np.histogram(times, edges)[0].astype(float)
        felt = felt_at(step)
        u, v, uu, vv = (signal.oaconvolve(arrivals, felt[:, i], mode="valid") for i in range(4))
        noise = rng.standard_normal((2, u.size))
        u = u + np.sqrt(np.maximum(uu, 0.0)) * noise[0]
        v = v + np.sqrt(np.maximum(vv, 0.0)) * noise[1]
        speed = np.hypot(u, v)
        rows.append([u.mean(), np.mean(u**2), np.mean(v**2), np.mean(speed**3), speed.mean()])
    found = np.array(rows)
    return found.mean(axis=0), found.std(axis=0, ddof=1) / np.sqrt(len(found))


@pytest.mark.parametrize("name", HEADWAYS)
def test_agrees_with_streams_drawn_apart_from_the_program(name):
    """Effective speeds that headways change by up to half come out within 1 %, mean speeds within
    2.5 %, where independent vehicles would be off by more."""
    settings, flow = HEADWAYS[name]
    step = age_step(settings, flow)
    felt = wake(step)
    found = speeds_of(felt, flow, settings, step)
    seen, error = drawn(settings, flow, wake, hours=1600, seed=5)
    assert error[3] < 0.012 * seen[3]  # a third of it of the speed
    assert np.cbrt(found.mean_cube[0] / seen[3]) == pytest.approx(1.0, abs=0.01)
    assert found.mean_speed[0] == pytest.approx(seen[4], rel=0.025)
    squares = found.covariance[0].diagonal() + found.mean[0] ** 2
    assert squares == pytest.approx(seen[1:3], rel=0.02)
    poisson = mean_cubes([Measure(np.full(len(felt), flow * step), felt)])
    assert abs(np.cbrt(poisson.mean_cube[0] / seen[3]) - 1.0) > 0.018


# --- the program's own series ---------------------------------------------------------------------

PLACES = {
    "busiest hour": ("expressway-post", None, None),
    "night": ("expressway-post", 3, None),
    "between the carriageways": ("central-reservation", None, None),
    "beside the lorries": ("expressway-post", None, (0.8, 1.5)),
    "light wind from the road": ("expressway-post", None, None, 1.0),
}
HOURS = {"night": 400}


def simulated(case, rounds):
    """Effective speed of the rotor from the series of so many hours, and its standard error."""
    cubes = [
        np.mean([np.mean(part.speed**3) for part in parts]) for parts in walked_rounds(case, rounds)
    ]
    speed = np.cbrt(np.mean(cubes))
    return speed, np.std(cubes, ddof=1) / np.sqrt(rounds) / (3.0 * speed**2)


def shipped(name, hour=None, place=None, wind_m_s=0.0):
    case = load_case(f"cases/{name}.toml")
    if wind_m_s:
        blowing = load_case_text(
            text_of(air=f"wind = {{ speed_m_s = {wind_m_s}, angle_deg = 90.0 }}"), "x.toml"
        )
        case = replace(
            case, air=case.air.model_copy(update={"wind": blowing.air.wind, "still": False})
        )
    flows = [case.traffic_state(h).flow_veh_s.sum() for h in range(24)]
    case = one_hour(case, int(np.argmax(flows)) if hour is None else hour)
    if place is None:
        return case
    moved = {"offset_m": place[0], "height_m": place[1]}
    return replace(case, mounts=(case.mounts[0].model_copy(update=moved),))


@pytest.mark.parametrize("place", PLACES)
def test_agrees_with_the_series(place):
    """Effective speed within 1 %, of which 0.5 % is the drift's and the lines' of the series."""
    case = shipped(*PLACES[place])
    mount = case.mounts[0]
    at = [(mount.offset_m, mount.height_m)]
    exact = rotor_statistics(case, at, 1.2)["effective_speed"][0]
    speed, error = simulated(case, HOURS.get(place, 150))
    assert error < 0.004 * speed
    assert exact == pytest.approx(speed, rel=0.01)
    free = replace(case, traffic=replace(case.traffic, headway=Headway()))
    assert rotor_statistics(free, at, 1.2)["effective_speed"][0] < 0.992 * exact


# --- what the case says, and what PointAir is told ------------------------------------------------


def with_headway(text, **changes):
    case = load_case_text(text_of(**changes), "test.toml")
    return replace(case, traffic=replace(case.traffic, headway=Headway(**text)))


M3 = {"model": "cowan_m3", "minimum_s": 1.0, "bunching_s": 7.5}


def test_lane_flows_are_those_of_the_rates():
    """Rates of its own change what the headways do: as a case with those flows says."""
    at, flows = np.array([[1.5, 2.0]]), (300, 1200)
    few, many = (PointAir(with_headway(M3, flow=flow)) for flow in flows)
    few.rates_per_s = many.rates_per_s
    found = []
    for air in (few, many):
        samples = air.sampler(at, 0.0).samples()
        found.append(air.bunching(samples, 0, np.ones(len(air.views))))
    assert found[0].covariance == pytest.approx(found[1].covariance, rel=1e-12)
    assert found[0].covariance[0, 0] > 0.0


def test_nothing_changes_for_exponential_headways():
    plain, at = with_headway({}), [[1.5, 2.0]]
    air = PointAir(plain)
    samples = air.sampler(np.array(at), 0.0).samples()
    assert air.bunching(samples, 0, np.ones(len(air.views))) is None
    limit = with_headway({"model": "shifted_exponential", "minimum_s": 0.001})
    near, exact = (point_statistics(case, at) for case in (limit, plain))
    assert near.effective_speed_m_s == pytest.approx(exact.effective_speed_m_s, rel=1e-3)
    assert near.mean_u_m_s == pytest.approx(exact.mean_u_m_s, rel=1e-9)


def test_bunched_traffic_keeps_the_mean_and_blows_harder():
    at = [[1.5, 2.0], [6.0, 1.0], [-1.75, 5.0]]
    case = with_headway(M3, flow=1000)
    bunched, free = (point_statistics(c, at) for c in (case, with_headway({}, flow=1000)))
    assert bunched.mean_u_m_s == pytest.approx(free.mean_u_m_s, rel=1e-9)
    assert np.all(bunched.variance_u > free.variance_u)
    more = bunched.effective_speed_m_s / free.effective_speed_m_s
    assert np.all(more > [1.05, 1.001, 1.05])  # the far point has drift more than gusts


def test_more_traffic_than_the_headways_let_pass_is_still_computed():
    """A sample of the yield may have more traffic than its case: as full as can be, not refused."""
    case = with_headway(M3, flow=3400)
    air = PointAir(case)
    air.rates_per_s = 1.2 * air.rates_per_s  # 4080 veh/h at a minimum headway of 1 s
    samples = air.sampler(np.array([[1.5, 2.0]]), 0.0).samples()
    found = air.bunching(samples, 0, np.ones(len(air.views)))
    assert all(np.isfinite(values).all() for values in found)


def test_without_traffic_there_is_nothing_to_correct():
    wind = "wind = { speed_m_s = 3.0, angle_deg = 60.0, turbulence_intensity = 0.2 }"
    cases = (with_headway(text, flow=0, air=wind) for text in (M3, {}))
    bunched, free = (point_statistics(case, [[1.5, 2.0]]) for case in cases)
    assert bunched.effective_speed_m_s == free.effective_speed_m_s
