"""Velocity of flat quadrilaterals with constant source strength.

Exact field (Hess and Smith 1967, Prog. Aeronaut. Sci. 8, 1; Katz and Plotkin 2001, Low-Speed
Aerodynamics, section 10.4), written with vectors: with P the field point, n the unit normal,
nu_k the in-plane outward normal of edge k, L_k = integral of dl/r along edge k and Omega the
solid angle of the quad seen from P (positive on the side of n),

    u(P) = (1/4 pi) [ sum_k nu_k L_k + n Omega ].

Beyond NEAR diagonals four Gauss points carry the strength, and beyond a further distance one point
does. In the matrix that distance is FAR_MATRIX diagonals, so as not to disturb the second order at
4000 panels (measured: with 2.5 and 9 diagonals the added mass of a sphere stalls at an error of
3e-4); for the field it is FAR_FIELD, where one point is within 1e-3 of its panel.
"""

from __future__ import annotations

import math

import numba
import numpy as np

from wakesim.arrays import kernel

NEAR = 4.0
FAR_MATRIX = 40.0
FAR_FIELD = 12.0
_FOUR_PI = 4.0 * math.pi
_GAUSS = 1.0 / math.sqrt(3.0)


def panel_geometry(quads: np.ndarray) -> dict[str, np.ndarray]:
    """Planar panel data of quads (n, 4, 3) m, counter-clockwise seen from outside.

    Corners are projected on the mean plane (normal to the cross product of the diagonals through
    the mean corner). Returns ``corners`` (n, 4, 3), area centroids ``centres`` (n, 3), ``normals``
    (n, 3), ``areas`` (n,), ``gauss`` points (n, 4, 3), ``gauss_share`` (n, 4), ``diagonal`` (n,).
    """
    diagonal_1 = quads[:, 2] - quads[:, 0]
    diagonal_2 = quads[:, 3] - quads[:, 1]
    cross = np.cross(diagonal_1, diagonal_2)
    twice = np.linalg.norm(cross, axis=1)
    if not np.all(twice > 0.0):
        raise ValueError(f"panel {int(np.argmin(twice > 0.0))} has no area")
    normals = cross / twice[:, None]
    mean = quads.mean(axis=1)
    offset = np.einsum("nkc,nc->nk", quads - mean[:, None], normals)
    corners = quads - offset[..., None] * normals[:, None]

    def triangle(a: int, b: int, c: int) -> tuple[np.ndarray, np.ndarray]:
        edge = np.cross(corners[:, b] - corners[:, a], corners[:, c] - corners[:, a])
        area = 0.5 * np.einsum("nc,nc->n", edge, normals)
        return area, (corners[:, a] + corners[:, b] + corners[:, c]) / 3.0

    area_1, centroid_1 = triangle(0, 1, 2)
    area_2, centroid_2 = triangle(0, 2, 3)
    areas = area_1 + area_2
    centres = (area_1[:, None] * centroid_1 + area_2[:, None] * centroid_2) / areas[:, None]

    gauss = np.empty_like(corners)
    share = np.empty(corners.shape[:2])
    for k, (s, t) in enumerate(((-1, -1), (1, -1), (1, 1), (-1, 1))):
        s, t = s * _GAUSS, t * _GAUSS
        shape = 0.25 * np.array(
            [(1 - s) * (1 - t), (1 + s) * (1 - t), (1 + s) * (1 + t), (1 - s) * (1 + t)]
        )
        along_s = 0.25 * np.array([-(1 - t), 1 - t, 1 + t, -(1 + t)])
        along_t = 0.25 * np.array([-(1 - s), -(1 + s), 1 + s, 1 - s])
        gauss[:, k] = np.einsum("j,njc->nc", shape, corners)
        jacobian = np.cross(
            np.einsum("j,njc->nc", along_s, corners), np.einsum("j,njc->nc", along_t, corners)
        )
        share[:, k] = np.linalg.norm(jacobian, axis=1)
    share /= share.sum(axis=1, keepdims=True)
    return {
        "corners": np.ascontiguousarray(corners),
        "centres": centres,
        "normals": normals,
        "areas": areas,
        "gauss": gauss,
        "gauss_share": share,
        "diagonal": np.maximum(
            np.linalg.norm(diagonal_1, axis=1), np.linalg.norm(diagonal_2, axis=1)
        ),
    }


@kernel(inline="always")
def _solid_angle(ax, ay, az, bx, by, bz, cx, cy, cz, a, b, c):
    """Solid angle of a triangle from the vectors to its corners (Van Oosterom, Strackee 1983)."""
    det = ax * (by * cz - bz * cy) + ay * (bz * cx - bx * cz) + az * (bx * cy - by * cx)
    ab = ax * bx + ay * by + az * bz
    bc = bx * cx + by * cy + bz * cz
    ca = cx * ax + cy * ay + cz * az
    return -2.0 * math.atan2(det, a * b * c + ab * c + bc * a + ca * b)


@kernel()
def _near_field(px, py, pz, corners, normal):
    """Exact velocity at P of one quad (4, 3) of unit strength."""
    u = 0.0
    v = 0.0
    w = 0.0
    nx, ny, nz = normal[0], normal[1], normal[2]
    for k in range(4):
        m = (k + 1) % 4
        ax, ay, az = corners[k, 0] - px, corners[k, 1] - py, corners[k, 2] - pz
        bx, by, bz = corners[m, 0] - px, corners[m, 1] - py, corners[m, 2] - pz
        ex, ey, ez = bx - ax, by - ay, bz - az
        length = math.sqrt(ex * ex + ey * ey + ez * ez)
        if length < 1e-14:
            continue
        total = math.sqrt(ax * ax + ay * ay + az * az) + math.sqrt(bx * bx + by * by + bz * bz)
        gap = total - length
        if gap < 1e-12 * length:
            gap = 1e-12 * length
        strength = math.log((total + length) / gap) / length
        u += (ey * nz - ez * ny) * strength
        v += (ez * nx - ex * nz) * strength
        w += (ex * ny - ey * nx) * strength
    ax, ay, az = corners[0, 0] - px, corners[0, 1] - py, corners[0, 2] - pz
    bx, by, bz = corners[1, 0] - px, corners[1, 1] - py, corners[1, 2] - pz
    cx, cy, cz = corners[2, 0] - px, corners[2, 1] - py, corners[2, 2] - pz
    dx, dy, dz = corners[3, 0] - px, corners[3, 1] - py, corners[3, 2] - pz
    a = math.sqrt(ax * ax + ay * ay + az * az)
    b = math.sqrt(bx * bx + by * by + bz * bz)
    c = math.sqrt(cx * cx + cy * cy + cz * cz)
    d = math.sqrt(dx * dx + dy * dy + dz * dz)
    omega = _solid_angle(ax, ay, az, bx, by, bz, cx, cy, cz, a, b, c)
    omega += _solid_angle(ax, ay, az, cx, cy, cz, dx, dy, dz, a, c, d)
    return (
        (u + nx * omega) / _FOUR_PI,
        (v + ny * omega) / _FOUR_PI,
        (w + nz * omega) / _FOUR_PI,
    )


@kernel()
def _panel_velocity(px, py, pz, j, corners, centres, normals, areas, gauss, share, diagonal, far):
    """Velocity at P of panel j of unit strength."""
    rx, ry, rz = px - centres[j, 0], py - centres[j, 1], pz - centres[j, 2]
    r2 = rx * rx + ry * ry + rz * rz
    d2 = diagonal[j] * diagonal[j]
    if r2 > far * far * d2:
        s = areas[j] / (_FOUR_PI * r2 * math.sqrt(r2))
        return s * rx, s * ry, s * rz
    if r2 > NEAR * NEAR * d2:
        u = 0.0
        v = 0.0
        w = 0.0
        for k in range(4):
            gx, gy, gz = px - gauss[j, k, 0], py - gauss[j, k, 1], pz - gauss[j, k, 2]
            g2 = gx * gx + gy * gy + gz * gz
            s = share[j, k] / (g2 * math.sqrt(g2))
            u += s * gx
            v += s * gy
            w += s * gz
        s = areas[j] / _FOUR_PI
        return s * u, s * v, s * w
    return _near_field(px, py, pz, corners[j], normals[j])


@kernel(inline="always")
def _with_images(
    px, py, pz, j, corners, centres, normals, areas, gauss, share, diagonal, far, road, wall, wall_y
):
    """Velocity at P of panel j and of its images in the road z = 0 and the wall y = wall_y."""
    u, v, w = _panel_velocity(
        px, py, pz, j, corners, centres, normals, areas, gauss, share, diagonal, far
    )
    if road:
        a, b, c = _panel_velocity(
            px, py, -pz, j, corners, centres, normals, areas, gauss, share, diagonal, far
        )
        u += a
        v += b
        w -= c
    if wall:
        qy = 2.0 * wall_y - py
        a, b, c = _panel_velocity(
            px, qy, pz, j, corners, centres, normals, areas, gauss, share, diagonal, far
        )
        u += a
        v -= b
        w += c
        if road:
            a, b, c = _panel_velocity(
                px, qy, -pz, j, corners, centres, normals, areas, gauss, share, diagonal, far
            )
            u += a
            v -= b
            w -= c
    return u, v, w


@kernel(parallel=True)
def influence_matrix(corners, centres, normals, areas, gauss, share, diagonal, road, wall, wall_y):
    """Normal velocity M (n, n) at panel i's centre from panel j of unit strength, with images.

    The diagonal follows from the discrete Gauss law, sum_i A_i M_ij = A_j: all of a panel's
    outflow crosses the closed surface. It makes the field second order in panel size, where the
    textbook value 1/2 leaves it first order.
    """
    n = areas.size
    matrix = np.empty((n, n))
    for j in numba.prange(n):
        flux = 0.0
        for i in range(n):
            if i != j:
                u, v, w = _with_images(
                    centres[i, 0], centres[i, 1], centres[i, 2], j,
                    corners, centres, normals, areas, gauss, share, diagonal, FAR_MATRIX,
                    road, wall, wall_y,
                )  # fmt: skip
                value = u * normals[i, 0] + v * normals[i, 1] + w * normals[i, 2]
                matrix[i, j] = value
                flux += areas[i] * value
        matrix[j, j] = (areas[j] - flux) / areas[j]
    return matrix


@kernel(parallel=True)
def velocity_sum(
    points, strengths, corners, centres, normals, areas, gauss, share, diagonal, road, wall, wall_y
):
    """Velocity (m, 3) at points (m, 3) of all panels with their strengths (n,), with images."""
    out = np.empty((points.shape[0], 3))
    for i in numba.prange(points.shape[0]):
        u = 0.0
        v = 0.0
        w = 0.0
        for j in range(areas.size):
            a, b, c = _with_images(
                points[i, 0], points[i, 1], points[i, 2], j,
                corners, centres, normals, areas, gauss, share, diagonal, FAR_FIELD,
                road, wall, wall_y,
            )  # fmt: skip
            u += strengths[j] * a
            v += strengths[j] * b
            w += strengths[j] * c
        out[i, 0] = u
        out[i, 1] = v
        out[i, 2] = w
    return out
