"""Fluxes through the cell faces as matrices: diffusion and advection, finite volumes.

Diffusion: the flux between two cell centres is their difference over the resistance, the integral
of dn/K between them, which is exact for a flux that does not change on the way, for any K. Heights
are integrated in ln z, so that K proportional to z (log law) is exact too.

Advection: the value carried through a face is a blend of the linear interpolation between its two
cells and the linear extrapolation from the two cells upstream, both second order,

    U_face = b U_interpolated + (1 - b) U_extrapolated,   b = min(1, G / (|Q| w)),

G the diffusive conductance, Q the volume flow and w the weight of the downstream cell. With this b
the downstream cell never enters with the wrong sign. On a uniform grid with cell Peclet number
p = |Q|/G the steady solution is made of powers r^i with r = 1 or
    (1 - b p/2) r^2 - (1 + p (3/2 - b)) r + p (1 - b)/2 = 0,
whose discriminant 1 + p + p^2 ((3/2 - b)^2 + b (1 - b)) and coefficients are positive for
b p <= 2: no power is negative, so nothing oscillates at any Peclet number. Central differences
alone (b = 1) oscillate for p > 2.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy import sparse

from wakesim.arrays import Array
from wakesim.section.grid import CrossSectionGrid

# A number, a function of y and z, or values (ny, nz) at the cell centres: linear between them,
# the nearest beyond them, and proportional to z below the lowest.
Diffusivity = float | Callable[[Array, Array], Array] | Array

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(6)
_GROUND_NODES, _GROUND_WEIGHTS = np.polynomial.legendre.leggauss(32)


def diffusivity_at(diffusivity: Diffusivity, y: Array, z: Array) -> Array:
    """K at points, m2/s, shape of y and z together. Raises ValueError unless positive."""
    y, z = np.broadcast_arrays(y, z)
    value = diffusivity(y, z) if callable(diffusivity) else diffusivity
    k = np.broadcast_to(np.asarray(value, dtype=np.float64), y.shape)
    if not np.all((k > 0.0) & np.isfinite(k)):
        raise ValueError("diffusivity must be above 0 m2/s everywhere, also on a smooth road")
    return k


def ground_resistance(diffusivity: Diffusivity, y: Array, z: Array, roughness_m: Array) -> Array:
    """Integral of dz/K from the roughness length to z, s/m, shape of ``y``; 0 below it.

    Roughness 0 is a smooth no-slip road, for which K must be positive down to z = 0 (ValueError).
    """
    y, z, rough = np.broadcast_arrays(y, z, roughness_m)
    if not callable(diffusivity):
        return np.maximum(z - rough, 0.0) / diffusivity_at(diffusivity, y, z)
    smooth = rough <= 0.0
    if smooth.any():
        diffusivity_at(diffusivity, y[smooth], np.zeros(int(smooth.sum())))
    low = np.where(smooth, 1.0, rough)
    high = np.where(smooth, 1.0, np.maximum(z, low))
    log_half = 0.5 * np.log(high / low)
    t = 0.5 * (1.0 + _GROUND_NODES)
    along = np.where(
        smooth[..., None],
        z[..., None] * t,
        low[..., None] * np.exp(2.0 * log_half[..., None] * t),
    )
    weight = np.where(smooth[..., None], 0.5 * z[..., None], log_half[..., None] * along)
    return (weight / diffusivity_at(diffusivity, y[..., None], along)) @ _GROUND_WEIGHTS


def conductances(
    grid: CrossSectionGrid, diffusivity: Diffusivity, roughness_m: Array
) -> tuple[Array, Array]:
    """Diffusive conductance of the faces per metre of road: (ny + 1, nz) and (ny, nz + 1), m2/s.

    At the sides, the top and the road it is that between the cell centre and the boundary.
    """
    y, z = grid.y, grid.z
    sides = np.concatenate((grid.y_edges[:1], y, grid.y_edges[-1:]))
    beside = 0.5 * np.diff(sides)
    stops = np.log(np.concatenate((z, grid.z_edges[-1:])))
    half = 0.5 * np.diff(stops)
    heights = np.exp(stops[:-1, None] + half[:, None] * (1.0 + _NODES))
    if isinstance(diffusivity, np.ndarray):
        cells = diffusivity_at(lambda _y, _z: diffusivity, y[:, None], z)
        share = 0.5 * (1.0 + _NODES)
        wide = np.concatenate((cells[:1], cells, cells[-1:]))
        k_y = wide[:-1, :, None] + (wide[1:] - wide[:-1])[:, :, None] * share
        high = np.concatenate((cells, cells[:, -1:]), axis=1)
        ahead = np.append(z[1:], grid.z_edges[-1])
        up = (heights - z[:, None]) / (ahead - z)[:, None]
        k_z = high[:, :-1, None] + (high[:, 1:] - high[:, :-1])[:, :, None] * up
        with np.errstate(divide="ignore"):
            ground = z[0] / cells[:, 0] * np.log(z[0] / roughness_m)
    else:
        along = sides[:-1, None, None] + beside[:, None, None] * (1.0 + _NODES)
        k_y = diffusivity_at(diffusivity, along, z[:, None])
        k_z = diffusivity_at(diffusivity, y[:, None, None], heights)
        ground = ground_resistance(diffusivity, y, np.full(y.size, z[0]), roughness_m)
    across = np.diff(grid.z_edges) / (beside[:, None] * ((1.0 / k_y) @ _WEIGHTS))
    resistance = half * ((heights / k_z) @ _WEIGHTS)
    if not np.all((ground > 0.0) & (ground < np.inf)):
        raise ValueError(f"roughness length must be less than the first cell's centre, {z[0]:g} m")
    width = np.diff(grid.y_edges)[:, None]
    return across, width / np.concatenate((ground[:, None], resistance), axis=1)


def _downstream(edges: Array, flow: Array, conductance: Array, closed: Array) -> Array:
    """Weights of the cells f-2, f-1, f in the flux at faces f with flow > 0, (3, n + 1, m).

    Axis 0 of ``flow``, ``conductance`` and ``closed`` runs over the n + 1 faces.
    """
    n = edges.size - 1
    centre = 0.5 * (edges[1:] + edges[:-1])
    ahead = np.concatenate((centre, edges[-1:]))[1:]
    behind = np.concatenate((edges[:1], centre))[:-1]
    reach = (edges[1:] - centre)[:, None]
    outer = np.maximum(flow[1:], 0.0)
    weight = reach / (ahead - centre)[:, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        blend = np.minimum(1.0, conductance[1:] / (outer * weight))
    blend = np.where(outer > 0.0, blend, 0.0)
    blend[-1] = 0.0  # nothing is known beyond the side
    slope = (1.0 - blend) * np.where(closed[:-1], 0.0, reach / (centre - behind)[:, None])
    out = np.zeros((3, n + 1, flow.shape[1]))
    out[0, 1:] = -outer * slope
    out[1, 1:] = outer * (1.0 - blend * weight + slope)
    out[2, 1:] = outer * blend * weight
    return out


def flux_stencil(edges: Array, flow: Array, conductance: Array, closed: Array) -> Array:
    """Weights of the cells f-2 .. f+1 in the flux through face f along axis 0, (4, n + 1, m).

    Outside the grid, and carried in by inflow, is U = 0. Cells that do not exist weigh nothing.
    """
    out = np.zeros((4, *flow.shape))
    if flow.any():
        out[:3] = _downstream(edges, flow, conductance, closed)
        mirrored = _downstream(-edges[::-1], -flow[::-1], conductance[::-1], closed[::-1])
        out[1:] -= mirrored[::-1, ::-1]
    out[1] += conductance
    out[2] -= conductance
    n = edges.size - 1
    out[0, :2] = out[1, 0] = 0.0
    out[2, n] = out[3, n - 1 :] = 0.0
    return out


def through_faces(stencil: Array, field: Array) -> Array:
    """Fluxes (n + 1, m) through the faces along axis 0 of ``field`` (n, m), by its stencil."""
    faces = stencil.shape[1]
    cells = np.pad(field, ((2, 2), (0, 0)))
    return np.sum([stencil[k] * cells[k : k + faces] for k in range(4)], axis=0)


def net_outflow(stencil_y: Array, stencil_z: Array, diagonal: Array) -> sparse.dia_matrix:
    """Matrix (ny nz, ny nz) of the fluxes that leave each cell, plus ``diagonal`` (ny, nz).

    ``stencil_y`` (4, ny + 1, nz) and ``stencil_z`` (4, nz + 1, ny) as of ``flux_stencil``.
    """
    ny, nz = diagonal.shape
    band = {0: diagonal.copy()}
    for stencil, step in ((stencil_y, nz), (stencil_z.transpose(0, 2, 1), 1)):
        out, into = (stencil[:, 1:], stencil[:, :-1]) if step == nz else (
            stencil[:, :, 1:], stencil[:, :, :-1]
        )  # fmt: skip
        for k in range(4):
            for face, sign, offset in ((out[k], 1.0, k - 1), (into[k], -1.0, k - 2)):
                if face.any():
                    place = band.setdefault(offset * step, np.zeros((ny, nz)))
                    place += sign * face
    n = ny * nz
    data = np.zeros((len(band), n))
    for row, (offset, values) in zip(data, band.items(), strict=True):
        flat = values.ravel()
        if offset >= 0:
            row[offset:] = flat[: n - offset]
        else:
            row[:offset] = flat[-offset:]
    return sparse.dia_matrix((data, list(band)), shape=(n, n))
