"""Closed surfaces of quads with exact solutions, for the panel tests."""

from __future__ import annotations

import numpy as np


def spheroid(semi_x: float, semi_r: float, n: int, centre=(0.0, 0.0, 0.0)) -> np.ndarray:
    """Spheroid of revolution about x, about 1.4 n x n quads, outward, triangles at the poles."""
    theta = np.linspace(0.0, np.pi, n + 1)
    phi = np.linspace(0.0, 2.0 * np.pi, round(1.4 * n) + 1)
    radius = semi_r * np.sin(theta)
    radius[[0, -1]] = 0.0
    nodes = np.stack(
        [
            np.repeat(semi_x * np.cos(theta)[:, None], phi.size, axis=1),
            radius[:, None] * np.cos(phi),
            radius[:, None] * np.sin(phi),
        ],
        axis=-1,
    ) + np.asarray(centre)
    quads = np.stack([nodes[:-1, :-1], nodes[1:, :-1], nodes[1:, 1:], nodes[:-1, 1:]], axis=2)
    return quads.reshape(-1, 4, 3)


def cube_sphere(n: int, radius: float = 1.0, centre=(0.0, 0.0, 0.0)) -> np.ndarray:
    """Sphere of 6 n x n nearly equal quads."""
    t = np.tan(np.linspace(-0.25 * np.pi, 0.25 * np.pi, n + 1))
    a, b = np.meshgrid(t, t, indexing="ij")
    faces = []
    for axis in range(3):
        for sign in (1.0, -1.0):
            point = np.empty((*a.shape, 3))
            point[..., axis] = sign
            point[..., (axis + 1) % 3] = a
            point[..., (axis + 2) % 3] = b
            point /= np.linalg.norm(point, axis=-1, keepdims=True)
            quads = np.stack([point[:-1, :-1], point[1:, :-1], point[1:, 1:], point[:-1, 1:]], 2)
            quads = quads.reshape(-1, 4, 3)
            faces.append(quads if sign > 0 else quads[:, ::-1])
    return radius * np.concatenate(faces) + np.asarray(centre)


def observed_orders(size, error) -> np.ndarray:
    """Order of convergence between neighbouring resolutions."""
    size, error = np.asarray(size, dtype=float), np.abs(error)
    return np.log(error[1:] / error[:-1]) / np.log(size[1:] / size[:-1])
