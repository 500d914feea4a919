"""Steady turbulence of a cross-section: k and eps at rest in time, for a given mean flow u.

The balances of ``closure`` with nothing changing in time, sources S, and a slow loss phi/T for air
that the traffic has moved for a mean age T only (as of u in ``drift``):

    div(w k - (nu_t/sigma_k + nu_a) grad k) = P - eps + S_k - k/T          (eps alike)

Each sweep adds what brings the balance nearer to closing, by approximate factorisation
(R. M. Beam and R. F. Warming, AIAA J. 16 (1978) 393): with R the sum of all terms and A the
implicit diffusion and first-order advection of one direction,

    (D + A_y) D^-1 (D + A_z) change = R,      D = rate of destruction + 1/(pseudo time step),

so the steady state has R = 0 whatever D, the split and the step are, unlike a march in time, whose
splitting leaves an error of the step (k in one cell up to 20 % in a crosswind at steps of 1 s;
tests/section/test_steady.py). The pseudo time step is a few of each cell's own k/eps, and short
enough for the front of a plume in still air, where larger ones ran away. Diffusion, advection and
road are those of ``march``; k and eps are nowhere below still air's.
"""

from __future__ import annotations

import numpy as np

from wakesim.arrays import kernel
from wakesim.section.closure import LEAST_EPS, LEAST_K, VON_KARMAN
from wakesim.section.march import across, faces, shear, transpose, viscosity, weak_shear

_KAPPA = VON_KARMAN
_LEAST_K, _LEAST_EPS = LEAST_K, LEAST_EPS
_PACE, _LONGEST_STEP_S, _COURANT = 5.0, 30.0, 2.5  # pseudo time step: over k/eps, s, of crosswind
_LEAST_LOSS = 0.09**0.75 / 50.0  # 1/m; no eddy is longer than 50 m, near the height of a section
_MOST_FALL = 0.3  # of a value that one sweep may leave at least


@kernel(part=True)
def _diffusion(phi, face, edges, rest, out):
    """Minus the divergence along axis 0 of the diffusion of phi (n, m), to ``out``; ``face``
    (n + 1, m) conductance over the distance; beyond the ends phi is ``rest``."""
    n, m = phi.shape
    for j in range(m):
        out[0, j] = face[0, j] * (rest - phi[0, j])
    for i in range(1, n + 1):
        inverse = 1.0 / (edges[i] - edges[i - 1])
        for j in range(m):
            flux = face[i, j] * (phi[i - 1, j] - (phi[i, j] if i < n else rest))
            out[i - 1, j] = (out[i - 1, j] - flux) * inverse
            if i < n:
                out[i, j] = flux


@kernel(part=True)
def _implicit(right, face, speed, edges, diagonal, up):
    """Solve (D + A) x = right along axis 0, in place: A first-order advection and diffusion,
    ``diagonal`` (n, m) D; ``up`` (n, m) is overwritten."""
    n, m = right.shape
    for i in range(n):
        inverse = 1.0 / (edges[i + 1] - edges[i])
        for j in range(m):
            low = (face[i, j] + max(speed[i, j], 0.0)) * inverse
            high = (face[i + 1, j] + max(-speed[i + 1, j], 0.0)) * inverse
            away = (face[i + 1, j] + max(speed[i + 1, j], 0.0)) * inverse
            away += (face[i, j] + max(-speed[i, j], 0.0)) * inverse
            pivot = diagonal[i, j] + away
            value = right[i, j]
            if i > 0:
                pivot -= low * up[i - 1, j]
                value += low * right[i - 1, j]
            factor = 1.0 / pivot
            up[i, j] = high * factor
            right[i, j] = value * factor
    for i in range(n - 2, -1, -1):
        for j in range(m):
            right[i, j] += up[i, j] * right[i + 1, j]


@kernel(part=True)
def _outflow(phi, turned, face_y, face_z, flow_y, flow_z, moves, rises, place, place_z, rest, rate):
    """Minus the divergence of diffusion and advection of phi (ny, nz), to ``rate``; ``place`` and
    ``place_z``: centres, edges, inverse areas and work of each direction; ``turned`` is phi's
    transpose on return."""
    y, y_edge, inverse, flux, slope, carried = place
    z, z_edge, inverse_z, flux_z, slope_z, carried_z = place_z
    ny, nz = phi.shape
    _diffusion(phi, face_y, y_edge, rest, rate)
    transpose(phi, turned)
    if rises:
        across(turned, flow_z, z, z_edge, inverse_z, flux_z, slope_z, carried_z)
    if moves:
        across(phi, flow_y, y, y_edge, inverse, flux, slope, carried)
        for i in range(ny):
            for j in range(nz):
                rate[i, j] += carried[i, j] + (carried_z[j, i] if rises else 0.0)
    _diffusion(turned, face_z, z_edge, rest, carried_z)
    for i in range(ny):
        for j in range(nz):
            rate[i, j] += carried_z[j, i]


@kernel()
def settle(
    u, k, eps, g, nu, s_k, s_eps, sweeps, lasting,
    y, z, y_edge, z_edge, closed, closed_z, z0, more, wall_u, flow_y, flow_z,
    c_mu, c1, c2, sigma_k, sigma_eps, weak,
):  # fmt: skip
    """``sweeps`` sweeps of k and eps (ny, nz), in place, for the mean flow ``u``.

    ``g`` and ``nu`` are left with the weak-shear factor and the eddy viscosity; ``s_k``, ``s_eps``:
    sources a second; ``lasting`` s; else as in ``march.advance``."""
    ny, nz = u.shape
    square, total, turned = np.empty((ny, nz)), np.empty((ny, nz)), np.empty((nz, ny))
    face_y, face_z = np.empty((ny + 1, nz)), np.empty((nz + 1, ny))
    rate, rate_z = np.empty((ny, nz)), np.empty((nz, ny))
    diagonal, diagonal_z = np.empty((ny, nz)), np.empty((nz, ny))
    up, up_z = np.empty((ny, nz)), np.empty((nz, ny))
    speed_y, speed_z = np.zeros((ny + 1, nz)), np.zeros((nz + 1, ny))
    flow_up = np.zeros((nz + 1, ny))
    inverse, inverse_z, passing = np.empty((ny, nz)), np.empty((nz, ny)), np.empty((ny, nz))
    moves, rises = False, False
    for i in range(ny):
        for j in range(nz):
            inverse[i, j] = 1.0 / ((y_edge[i + 1] - y_edge[i]) * (z_edge[j + 1] - z_edge[j]))
            inverse_z[j, i] = inverse[i, j]
            flow_up[j + 1, i] = flow_z[i, j + 1]
            speed_z[j + 1, i] = flow_z[i, j + 1] / (y_edge[i + 1] - y_edge[i])
            rises = rises or flow_z[i, j + 1] != 0.0
            out = max(abs(flow_y[i, j]), abs(flow_y[i + 1, j]))
            out += max(abs(flow_z[i, j]), abs(flow_z[i, j + 1]))
            passing[i, j] = out * inverse[i, j] / _COURANT + 1.0 / lasting
    for i in range(ny + 1):
        for j in range(nz):
            speed_y[i, j] = flow_y[i, j] / (z_edge[j + 1] - z_edge[j])
            moves = moves or flow_y[i, j] != 0.0
    moves = moves or rises
    place = (y, y_edge, inverse, np.empty((2, nz)), np.empty((2, nz)), np.zeros((ny, nz)))
    place_z = (z, z_edge, inverse_z, np.empty((2, ny)), np.empty((2, ny)), np.zeros((nz, ny)))
    shear(u, y, z, closed, closed_z, z0, square)
    c_road, stress = c_mu**0.75 / (_KAPPA * z[0]), np.zeros(ny)  # stress over u_tau
    for i in range(ny):
        if z0[i] > 0.0:
            stress[i] = _KAPPA / np.log(z[0] / z0[i]) * u[i, 0]
    for _ in range(sweeps):
        weak_shear(k, eps, square, z0, c_mu, weak, g)
        viscosity(k, eps, g, c_mu, nu)
        for number in range(2):
            phi, sigma, rest = k, sigma_k, _LEAST_K
            if number == 1:
                phi, sigma, rest = eps, sigma_eps, _LEAST_EPS
            faces(nu, more, y, z, closed, closed_z, sigma, total, turned, face_y, face_z)
            face_y[0], face_y[ny] = 0.0, 0.0
            _outflow(
                phi, turned, face_y, face_z, flow_y, flow_up, moves, rises, place, place_z, rest,
                rate,
            )  # fmt: skip
            for i in range(ny):
                rough = z0[i] > 0.0
                for j in range(nz):
                    loss = eps[i, j] / k[i, j]
                    pace = max(loss / _PACE, 1.0 / _LONGEST_STEP_S) + passing[i, j]
                    if number == 0:
                        rate[i, j] += nu[i, j] * square[i, j] - eps[i, j] + s_k[i, j]
                        diagonal[i, j] = loss + pace
                    else:
                        rate[i, j] += c1 * c_mu * g[i, j] * k[i, j] * square[i, j] + s_eps[i, j]
                        rate[i, j] -= c2 * loss * eps[i, j]
                        diagonal[i, j] = 2.0 * c2 * loss + pace
                    rate[i, j] -= (phi[i, j] - rest) / lasting
                if rough and number == 0:
                    u_tau = np.sqrt(np.sqrt(c_mu) * k[i, 0] + wall_u * wall_u)
                    loss = c_road * np.sqrt(k[i, 0])
                    rate[i, 0] -= nu[i, 0] * square[i, 0] - eps[i, 0]
                    rate[i, 0] += u_tau * stress[i] * stress[i] / (_KAPPA * z[0]) - loss * k[i, 0]
                    diagonal[i, 0] = loss * (1.5 + 1.0 / _PACE) + passing[i, 0]
                elif rough:  # set by k
                    rate[i, 0] = 0.0
            _implicit(rate, face_y, speed_y, y_edge, diagonal, up)
            for i in range(ny):
                for j in range(nz):
                    rate[i, j] *= diagonal[i, j]
            transpose(rate, rate_z)
            transpose(diagonal, diagonal_z)
            _implicit(rate_z, face_z, speed_z, z_edge, diagonal_z, up_z)
            for i in range(ny):
                for j in range(nz):
                    new = max(phi[i, j] + rate_z[j, i], _MOST_FALL * phi[i, j], rest)
                    if number == 1:
                        new = max(new, _LEAST_LOSS * k[i, j] * np.sqrt(k[i, j]))
                    phi[i, j] = new
                if z0[i] > 0.0:
                    eps[i, 0] = c_road * k[i, 0] * np.sqrt(k[i, 0])
    weak_shear(k, eps, square, z0, c_mu, weak, g)
    viscosity(k, eps, g, c_mu, nu)
