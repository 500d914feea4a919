"""Covariance of renewal streams against simulation and closed forms."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pytest
from shot_noise_references import exponential_pulse, gaussian_pulse

from wakesim.errors import CaseError
from wakesim.traffic.headways import sample_headways
from wakesim.traffic.renewal import headway_spectrum, poisson_only, renewal_covariance
from wakesim.traffic.stationary import shot_noise


def headway(model, minimum=0.0, bunching=None, tanner=False):
    return SimpleNamespace(
        model=model, minimum_s=minimum, bunching_s=bunching, bunching_factor=None, tanner=tanner
    )


EXPONENTIAL = headway("exponential")
SHIFTED = headway("shifted_exponential", 1.5)
PLATOONS = headway("cowan_m3", 1.2, bunching=4.0)


def test_only_exponential_headways_are_poisson():
    assert poisson_only(EXPONENTIAL)
    assert poisson_only(headway("shifted_exponential", 0.0))
    assert not poisson_only(SHIFTED)
    assert not poisson_only(PLATOONS)
    assert not poisson_only(headway("cowan_m3", 0.0, bunching=4.0))
    with pytest.raises(CaseError, match="unknown headway model"):
        poisson_only(headway("erlang"))


def test_exponential_headways_are_shot_noise():
    pulses = [gaussian_pulse(0.5, 0.05, (1.0, -0.3)), gaussian_pulse(0.3, 0.05, (-0.4, 0.6))]
    extra = [0.1 * p**2 for p in pulses]
    noise = shot_noise(pulses, [0.2, 0.1], 0.05, turbulence=extra)
    found = renewal_covariance(pulses, [0.2, 0.1], 0.05, EXPONENTIAL, turbulence=extra)
    assert found == pytest.approx(noise.covariance, rel=1e-9)


def test_spectrum_limits():
    w = np.array([0.0, 1e-3, 1.0, 1e4])
    assert headway_spectrum(EXPONENTIAL, 0.3, w) == pytest.approx(np.full(4, 0.3), rel=1e-6)
    flow, minimum = 0.3, SHIFTED.minimum_s
    variation = (1.0 - minimum * flow) ** 2  # of the shifted exponential, cv^2
    found = headway_spectrum(SHIFTED, flow, w)
    assert found[:2] == pytest.approx(flow * variation, rel=1e-4)
    assert found[3] == pytest.approx(flow, rel=1e-3)


def test_shifted_exponential_and_exponential_pulse():
    # Laplace form: C = q/(2 s) (1 + 2 g/(1 - g)) - (q/s)^2 with g = E exp(-s h), s = 1/tau.
    tau, flow, dt = 2.0, 0.3, 0.005
    s = 1.0 / tau
    rate = flow / (1.0 - flow * SHIFTED.minimum_s)
    g = math.exp(-s * SHIFTED.minimum_s) * rate / (rate + s)
    exact = flow / (2.0 * s) * (1.0 + 2.0 * g / (1.0 - g)) - (flow / s) ** 2
    found = renewal_covariance([exponential_pulse(tau, dt)], flow, dt, SHIFTED)
    assert found[0, 0] == pytest.approx(exact, rel=1e-3)
    assert shot_noise([exponential_pulse(tau, dt)], flow, dt).covariance[0, 0] > 1.2 * exact


@pytest.mark.parametrize("kind", [SHIFTED, PLATOONS])
def test_against_a_simulated_lane(kind):
    rng = np.random.default_rng(3)
    dt, rates, starts = 0.1, np.array([0.2, 0.08]), np.array([-2.0, 1.0])
    pulses = [gaussian_pulse(0.8, dt, (1.0, 0.4)), gaussian_pulse(1.5, dt, (0.6, -0.8))]
    flow = rates.sum()
    exact = renewal_covariance(pulses, rates, dt, kind, starts_s=starts)
    times = np.cumsum(sample_headways(kind, flow, 30_000, rng))
    n = int(times[-1] / dt)
    classes = (rng.random(times.size) > rates[0] / flow).astype(int)
    x = np.zeros((n, 2))
    for j, pulse in enumerate(pulses):
        position = (times[classes == j] + starts[j]) / dt
        cell = np.floor(position).astype(int)
        inside = (cell >= 0) & (cell < n - 1)
        cell, part = cell[inside], (position - np.floor(position))[inside]
        arrivals = np.bincount(cell, 1.0 - part, n) + np.bincount(cell + 1, part, n)
        size = 1 << (n + len(pulse)).bit_length()
        transform = np.fft.rfft(arrivals, size)
        for c in range(2):
            x[:, c] += np.fft.irfft(transform * np.fft.rfft(pulse[:, c], size), size)[:n]
    x = x[1000:] - flow * sum(dt * r / flow * p.sum(0) for r, p in zip(rates, pulses, strict=True))
    blocks = np.array([b.T @ b / len(b) for b in np.array_split(x, 60)])
    error = blocks.std(0) / math.sqrt(60)
    poisson = shot_noise(pulses, rates, dt).covariance
    assert np.all(np.abs(blocks.mean(0) - exact) < 4.0 * error)
    assert np.any(np.abs(blocks.mean(0) - poisson) > 8.0 * error)  # the correction is needed


def test_no_traffic_and_bad_input():
    pulse = gaussian_pulse(0.5, 0.05)
    assert not renewal_covariance([pulse], 0.0, 0.05, SHIFTED).any()
    with pytest.raises(CaseError, match="too much"):
        renewal_covariance([pulse], 0.8, 0.05, SHIFTED)
    with pytest.raises(ValueError, match="dt must be"):
        renewal_covariance([pulse], 0.1, 0.0, SHIFTED)
