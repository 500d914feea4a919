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
_SMALL = 0.25  # argument up to which 13 terms of artanh and arctan are exact to the last bit
_PANELS = 32  # in a block of the sum at a point
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
def _odd_series(x, square):
    """x (1 + s/3 + s^2/5 + ...): artanh x with s = x^2, arctan x with s = -x^2; |x| < _SMALL."""
    total = 1.0 / 25.0
    for n in range(23, 0, -2):
        total = total * square + 1.0 / n
    return x * total


@kernel(inline="always")
def _edge(nx, ny, nz, ax, ay, az, bx, by, bz, a, b):
    """In-plane outward normal of the edge from A to B, vectors from P of length a and b, times its
    integral of dl/r."""
    ex, ey, ez = bx - ax, by - ay, bz - az
    length = math.sqrt(ex * ex + ey * ey + ez * ez)
    if length < 1e-14:
        return 0.0, 0.0, 0.0
    total = a + b
    ratio = length / total
    if ratio < _SMALL:
        strength = 2.0 * _odd_series(ratio, ratio * ratio) / length
    else:
        strength = math.log((total + length) / max(total - length, 1e-12 * length)) / length
    return (
        (ey * nz - ez * ny) * strength,
        (ez * nx - ex * nz) * strength,
        (ex * ny - ey * nx) * strength,
    )


@kernel(inline="always")
def _solid_angle(ax, ay, az, bx, by, bz, cx, cy, cz, a, b, c):
    """Solid angle of a triangle from the vectors to its corners (Van Oosterom, Strackee 1983)."""
    det = ax * (by * cz - bz * cy) + ay * (bz * cx - bx * cz) + az * (bx * cy - by * cx)
    ab = ax * bx + ay * by + az * bz
    bc = bx * cx + by * cy + bz * cz
    ca = cx * ax + cy * ay + cz * az
    rest = a * b * c + ab * c + bc * a + ca * b
    if abs(det) < _SMALL * rest:
        tangent = det / rest
        return -2.0 * _odd_series(tangent, -tangent * tangent)
    return -2.0 * math.atan2(det, rest)


@kernel(part=True)
def _near_field(px, py, pz, corners, normal):
    """Exact velocity at P of one quad (4, 3) of unit strength."""
    nx, ny, nz = normal[0], normal[1], normal[2]
    ax, ay, az = corners[0, 0] - px, corners[0, 1] - py, corners[0, 2] - pz
    bx, by, bz = corners[1, 0] - px, corners[1, 1] - py, corners[1, 2] - pz
    cx, cy, cz = corners[2, 0] - px, corners[2, 1] - py, corners[2, 2] - pz
    dx, dy, dz = corners[3, 0] - px, corners[3, 1] - py, corners[3, 2] - pz
    a = math.sqrt(ax * ax + ay * ay + az * az)
    b = math.sqrt(bx * bx + by * by + bz * bz)
    c = math.sqrt(cx * cx + cy * cy + cz * cz)
    d = math.sqrt(dx * dx + dy * dy + dz * dz)
    u, v, w = _edge(nx, ny, nz, ax, ay, az, bx, by, bz, a, b)
    e, f, g = _edge(nx, ny, nz, bx, by, bz, cx, cy, cz, b, c)
    u, v, w = u + e, v + f, w + g
    e, f, g = _edge(nx, ny, nz, cx, cy, cz, dx, dy, dz, c, d)
    u, v, w = u + e, v + f, w + g
    e, f, g = _edge(nx, ny, nz, dx, dy, dz, ax, ay, az, d, a)
    u, v, w = u + e, v + f, w + g
    omega = _solid_angle(ax, ay, az, bx, by, bz, cx, cy, cz, a, b, c)
    omega += _solid_angle(ax, ay, az, cx, cy, cz, dx, dy, dz, a, c, d)
    return (
        (u + nx * omega) / _FOUR_PI,
        (v + ny * omega) / _FOUR_PI,
        (w + nz * omega) / _FOUR_PI,
    )


@kernel(inline="always")
def _gauss_point(x, y, z, g):
    """Velocity (u, v, w) at distance (x, y, z) from a point of strength ``g`` (over 4 pi)."""
    r2 = x * x + y * y + z * z
    s = g / (r2 * math.sqrt(r2))
    return s * x, s * y, s * z


@kernel(part=True)
def _packed(strengths, centres, areas, gauss, share, diagonal, far):
    """Panels (22, n), a row a quantity: centre, strength times area over 4 pi, the squares of the
    distances within which four points and the exact field are needed, and x, y, z and strength of
    the four points."""
    n = areas.size
    out = np.empty((22, n))
    for j in range(n):
        d2 = diagonal[j] * diagonal[j]
        source = strengths[j] * areas[j] / _FOUR_PI
        for c in range(3):
            out[c, j] = centres[j, c]
        out[3, j] = source
        out[4, j] = far * far * d2
        out[5, j] = NEAR * NEAR * d2
        for k in range(4):
            for c in range(3):
                out[6 + 4 * k + c, j] = gauss[j, k, c]
            out[9 + 4 * k, j] = source * share[j, k]
    return out


@kernel(part=True)
def _velocity_at(px, py, pz, panels, strengths, corners, normals):
    """Velocity at P of all panels, without images; ``panels`` as in ``_packed``.

    Loops over blocks of panels without branches, so that they run on vector registers: one point
    for those beyond the far distance, four for the rest, and the exact field for the nearest.
    """
    u = 0.0
    v = 0.0
    w = 0.0
    n = strengths.size
    for first in range(0, n, _PANELS):
        last = min(first + _PANELS, n)
        close = 0.0
        for j in range(first, last):
            x, y, z = px - panels[0, j], py - panels[1, j], pz - panels[2, j]
            r2 = x * x + y * y + z * z
            far = r2 > panels[4, j]
            s = panels[3, j] / (r2 * math.sqrt(r2)) if far else 0.0
            close += 0.0 if far else 1.0
            u += s * x
            v += s * y
            w += s * z
        if close == 0.0:
            continue
        nearest = 0.0
        for j in range(first, last):
            x, y, z = px - panels[0, j], py - panels[1, j], pz - panels[2, j]
            r2 = x * x + y * y + z * z
            a, b, c = _gauss_point(
                px - panels[6, j], py - panels[7, j], pz - panels[8, j], panels[9, j]
            )
            d, e, f = _gauss_point(
                px - panels[10, j], py - panels[11, j], pz - panels[12, j], panels[13, j]
            )
            g, h, i = _gauss_point(
                px - panels[14, j], py - panels[15, j], pz - panels[16, j], panels[17, j]
            )
            k, o, q = _gauss_point(
                px - panels[18, j], py - panels[19, j], pz - panels[20, j], panels[21, j]
            )
            middle = (r2 <= panels[4, j]) & (r2 > panels[5, j])
            u += a + d + g + k if middle else 0.0
            v += b + e + h + o if middle else 0.0
            w += c + f + i + q if middle else 0.0
            nearest += 1.0 if r2 <= panels[5, j] else 0.0
        if nearest == 0.0:
            continue
        for j in range(first, last):
            x, y, z = px - panels[0, j], py - panels[1, j], pz - panels[2, j]
            if x * x + y * y + z * z <= panels[5, j]:
                a, b, c = _near_field(px, py, pz, corners[j], normals[j])
                u += strengths[j] * a
                v += strengths[j] * b
                w += strengths[j] * c
    return u, v, w


@kernel(parallel=True)
def velocity_sum(
    points, strengths, corners, centres, normals, areas, gauss, share, diagonal, road, wall, wall_y
):
    """Velocity (m, 3) at points (m, 3) of all panels with their strengths (n,), with images in
    the road z = 0 and the wall y = wall_y."""
    out = np.empty((points.shape[0], 3))
    panels = _packed(strengths, centres, areas, gauss, share, diagonal, FAR_FIELD)
    for i in numba.prange(points.shape[0]):
        u = 0.0
        v = 0.0
        w = 0.0
        for side in range(2 if wall else 1):
            y = points[i, 1] if side == 0 else 2.0 * wall_y - points[i, 1]
            turn_y = 1.0 if side == 0 else -1.0
            for below in range(2 if road else 1):
                turn_z = 1.0 if below == 0 else -1.0
                a, b, c = _velocity_at(
                    points[i, 0], y, turn_z * points[i, 2], panels, strengths, corners, normals
                )
                u += a
                v += turn_y * b
                w += turn_z * c
        out[i, 0] = u
        out[i, 1] = v
        out[i, 2] = w
    return out


@kernel(inline="always")
def _gauss_flux(x, y, z, nx, ny, nz, g):
    """Velocity along a normal at distance (x, y, z) from a point of strength ``g``."""
    r2 = x * x + y * y + z * z
    return g * (x * nx + y * ny + z * nz) / (r2 * math.sqrt(r2))


@kernel(part=True)
def _add_column(at, turn_y, shift_y, turn_z, panel, corners, normal, out):
    """Add to out (m,) the normal velocity of one panel of unit strength, a column of
    ``_packed``, at places ``at`` (6, m): x, y, z and normal, turned and shifted to an image."""
    x0, y0, z0, source, far, near = panel[0], panel[1], panel[2], panel[3], panel[4], panel[5]
    ax, ay, az, a = panel[6], panel[7], panel[8], panel[9]
    bx, by, bz, b = panel[10], panel[11], panel[12], panel[13]
    cx, cy, cz, c = panel[14], panel[15], panel[16], panel[17]
    dx, dy, dz, d = panel[18], panel[19], panel[20], panel[21]
    nearest = 0.0
    for i in range(out.size):
        px, py, pz = at[0, i], shift_y + turn_y * at[1, i], turn_z * at[2, i]
        nx, ny, nz = at[3, i], turn_y * at[4, i], turn_z * at[5, i]
        x, y, z = px - x0, py - y0, pz - z0
        r2 = x * x + y * y + z * z
        one = source * (x * nx + y * ny + z * nz) / (r2 * math.sqrt(r2))
        four = _gauss_flux(px - ax, py - ay, pz - az, nx, ny, nz, a)
        four += _gauss_flux(px - bx, py - by, pz - bz, nx, ny, nz, b)
        four += _gauss_flux(px - cx, py - cy, pz - cz, nx, ny, nz, c)
        four += _gauss_flux(px - dx, py - dy, pz - dz, nx, ny, nz, d)
        value = one if r2 > far else four
        out[i] += value if r2 > near else 0.0
        nearest += 0.0 if r2 > near else 1.0
    if nearest == 0.0:
        return
    for i in range(out.size):
        px, py, pz = at[0, i], shift_y + turn_y * at[1, i], turn_z * at[2, i]
        x, y, z = px - x0, py - y0, pz - z0
        if x * x + y * y + z * z <= near:
            u, v, w = _near_field(px, py, pz, corners, normal)
            out[i] += u * at[3, i] + turn_y * v * at[4, i] + turn_z * w * at[5, i]


@kernel(parallel=True)
def influence_matrix(
    corners, centres, normals, areas, gauss, share, diagonal, own, paired, road, wall, wall_y
):
    """Normal velocity M (m, m) at the centres of panels ``own`` (m,) from panels of unit strength,
    with images in the road and the wall.

    A panel that is ``paired`` (m,) has a mirror image of the same strength in the plane y = 0,
    which is not one of ``own``; without symmetry ``own`` is all panels and none is paired.

    The diagonal follows from the discrete Gauss law, sum_i A_i M_ij = A_j over all panels: all of a
    panel's outflow crosses the closed surface. It makes the field second order in panel size,
    where the textbook value 1/2 leaves it first order.
    """
    m = own.size
    one = np.ones(areas.size)
    panels = _packed(one, centres, areas, gauss, share, diagonal, FAR_MATRIX)
    at = np.empty((6, m))
    for i in range(m):
        for c in range(3):
            at[c, i] = centres[own[i], c]
            at[3 + c, i] = normals[own[i], c]
    columns = np.empty((m, m))  # a row for each column: written and solved without a copy
    for j in numba.prange(m):
        p = own[j]
        panel = panels[:, p].copy()
        same, across = np.zeros(m), np.zeros(m)
        for side in range(2 if wall else 1):
            turn_y, shift_y = (1.0, 0.0) if side == 0 else (-1.0, 2.0 * wall_y)
            for below in range(2 if road else 1):
                turn_z = 1.0 if below == 0 else -1.0
                _add_column(at, turn_y, shift_y, turn_z, panel, corners[p], normals[p], same)
                if m < areas.size:
                    _add_column(at, -turn_y, shift_y, turn_z, panel, corners[p], normals[p], across)
        flux = across[j] * areas[p] if paired[j] else 0.0
        for i in range(m):
            if i != j:
                flux += areas[own[i]] * (same[i] + (across[i] if paired[i] else 0.0))
        same[j] = (areas[p] - flux) / areas[p]
        for i in range(m):
            columns[j, i] = same[i] + (across[i] if paired[j] else 0.0)
    return columns.T
