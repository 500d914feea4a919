"""Exact or spectrally accurate plan-plane flows for the tests: no panels anywhere.

Everything is the motion of bodies at unit speed along +x in still air, as u - iv = dF/dz.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


def as_complex(points):
    points = np.asarray(points, dtype=float)
    return points[:, 0] + 1j * points[:, 1]


def as_points(z):
    z = np.atleast_1d(z)
    return np.column_stack((z.real, z.imag))


@dataclass(frozen=True)
class EllipseMap:
    """z = centre + exp(i turn) (zeta + k/zeta), the body being |zeta| <= radius."""

    centre: complex
    semi_x: float
    semi_y: float
    turn: float = 0.0

    @property
    def radius(self):
        return 0.5 * (self.semi_x + self.semi_y)

    @property
    def k(self):
        return 0.25 * (self.semi_x**2 - self.semi_y**2)

    def zeta(self, z):
        w = (np.asarray(z, dtype=complex) - self.centre) * np.exp(-1j * self.turn)
        root = np.sqrt(w * w - 4.0 * self.k)
        plus, minus = 0.5 * (w + root), 0.5 * (w - root)
        return np.where(abs(plus) >= abs(minus), plus, minus)

    def z(self, zeta):
        return self.centre + np.exp(1j * self.turn) * (zeta + self.k / zeta)

    def slope(self, zeta):
        return np.exp(1j * self.turn) * (1.0 - self.k / zeta**2)


def single_ellipse(body: EllipseMap, points):
    """Closed form: the stream -1 past the ellipse (circle theorem in zeta), plus 1."""
    zeta = body.zeta(as_complex(points))
    phase = np.exp(1j * body.turn)
    relative = -(phase - body.radius**2 / (phase * zeta**2)) / body.slope(zeta)
    w = 1.0 + relative
    return np.column_stack((w.real, -w.imag))


def circles(bodies, points, generations=60):
    """Several circles (centre, radius): images of images by Milne-Thomson's circle theorem.

    Returns velocities (m, 2) and the total dipole strength sum(D), far field F ~ -D/z, which is
    (area + added mass)/(2 pi) summed over the bodies.
    """
    z = as_complex(points)
    w = np.zeros_like(z)
    dipole = 0.0
    current = [(c, -(a**2) + 0j, k) for k, (c, a) in enumerate(bodies)]
    for _ in range(generations):
        for z0, mu, _owner in current:
            w += -mu / (z - z0) ** 2
            dipole -= mu
        current = [
            (c + a**2 / np.conj(z0 - c), -np.conj(mu) * a**2 / np.conj(z0 - c) ** 2, k)
            for z0, mu, owner in current
            for k, (c, a) in enumerate(bodies)
            if k != owner and abs(mu) > 1e-18
        ]
    return np.column_stack((w.real, -w.imag)), dipole.real


def several_ellipses(bodies, points, terms=60, samples=400):
    """Series in powers of 1/zeta about each ellipse, fitted to psi = y + constant on all of them.

    Returns velocities (m, 2) and the largest residual of psi on the outlines.
    """
    zeta_b = [b.radius * np.exp(2j * np.pi * np.arange(samples) / samples) for b in bodies]
    rows, right = [], []
    for k, body in enumerate(bodies):
        z = body.z(zeta_b[k])
        basis = np.concatenate([_powers(b, z, terms) for b in bodies], axis=1)
        constants = np.zeros((samples, len(bodies)))
        constants[:, k] = -1.0
        rows.append(np.concatenate((basis.imag, basis.real, constants), axis=1))
        right.append(z.imag)
    matrix, target = np.concatenate(rows), np.concatenate(right)
    fit, *_ = np.linalg.lstsq(matrix, target, rcond=None)
    residual = float(np.max(abs(matrix @ fit - target)))
    n = terms * len(bodies)
    coefficients = fit[:n] + 1j * fit[n : 2 * n]
    z = as_complex(points)
    w = np.zeros_like(z)
    for k, body in enumerate(bodies):
        zeta = body.zeta(z)
        order = np.arange(1, terms + 1)
        c = coefficients[k * terms : (k + 1) * terms]
        powers = (body.radius / zeta[:, None]) ** order
        w += (powers * (-order * c)).sum(axis=1) / (zeta * body.slope(zeta))
    return np.column_stack((w.real, -w.imag)), residual


def _powers(body, z, terms):
    return (body.radius / body.zeta(z)[:, None]) ** np.arange(1, terms + 1)
