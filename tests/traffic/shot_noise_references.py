"""Independent references for shot noise: exact sums over counts, closed forms, and simulation."""

from __future__ import annotations

import itertools

import numpy as np
from scipy import special, stats

ROUNDING = 1e-13


def exponential_pulse(tau: float, dt: float, amplitude=(1.0, 0.0)) -> np.ndarray:
    t = np.arange(0.0, 40.0 * tau, dt)
    return np.exp(-t / tau)[:, None] * np.asarray(amplitude)


def gaussian_pulse(sd: float, dt: float, amplitude=(1.0, 0.0)) -> np.ndarray:
    t = np.arange(-9.0 * sd, 9.0 * sd + 0.5 * dt, dt)
    return np.exp(-0.5 * (t / sd) ** 2)[:, None] * np.asarray(amplitude)


def sphere_pulse(b: float, dt: float, radius=1.0, speed=1.0, reach=200.0) -> np.ndarray:
    """u and v at lateral distance b of a sphere that passes along +x (potential dipole)."""
    x = np.arange(-reach, reach + 0.5 * speed * dt, speed * dt)
    r = np.hypot(x, b)
    moment = 0.5 * speed * radius**3
    u = moment * (3.0 * x**2 / r**5 - 1.0 / r**3)
    return np.column_stack([u, -moment * 3.0 * x * b / r**5])


def sum_over_counts(velocity, weight, power, mean=(0.0, 0.0), variance=None, ambient=0.0) -> float:
    """E|X|^power of few nodes by summing over how many passes are at each (Poisson counts).

    ``variance`` and ``ambient``: the same along u and v, so that the speed given the counts has a
    Rice distribution, E R^p = (2 s^2)^(p/2) Gamma(1 + p/2) 1F1(-p/2; 1; -c^2/2 s^2).
    """
    velocity = np.asarray(velocity, dtype=float)
    variance = np.zeros(len(velocity)) if variance is None else np.asarray(variance)
    counts = [np.arange(int(stats.poisson.isf(ROUNDING, w)) + 2) for w in weight]
    chance = [stats.poisson.pmf(c, w) for c, w in zip(counts, weight, strict=True)]
    number = np.array(list(itertools.product(*counts)))
    p = np.prod([chance[i][number[:, i]] for i in range(len(weight))], axis=0)
    centre = np.hypot(*(number @ velocity + np.asarray(mean)).T)
    square = number @ variance + ambient
    spread = np.where(square > 0.0, square, 1.0)
    rice = (2.0 * spread) ** (power / 2) * special.gamma(1.0 + power / 2)
    rice = rice * special.hyp1f1(-power / 2, 1.0, -(centre**2) / (2.0 * spread))
    return float(np.sum(p * np.where(square > 0.0, rice, centre**power)))


def simulate(pulses, rates, dt, n, rng, turbulence=None) -> np.ndarray:
    """Independent snapshots (n, 2) of a Poisson stream, by drawing every pass that is felt."""
    out = np.zeros((n, 2))
    variance = np.zeros((n, 2))
    for i, (pulse, rate) in enumerate(zip(pulses, rates, strict=True)):
        span = dt * (len(pulse) - 1)
        number = rng.poisson(rate * span, n)
        owner = np.repeat(np.arange(n), number)
        position = rng.uniform(0.0, len(pulse) - 1, owner.size)
        grid = np.arange(len(pulse))
        for c in range(2):
            value = np.interp(position, grid, pulse[:, c])
            out[:, c] += np.bincount(owner, value, n)
            if turbulence is not None:
                value = np.interp(position, grid, turbulence[i][:, c])
                variance[:, c] += np.bincount(owner, value, n)
    return out + np.sqrt(variance) * rng.standard_normal((n, 2))
