"""Time march of along-road velocity u, turbulent energy k and dissipation eps over y and z.

    du/dt + div(w u) = div((nu_t + nu_a) grad u) + S_u        (k and eps: ``closure``)

with w = (v, w) the crosswind through the cell faces and nu_a a given further eddy viscosity.
Finite volumes on a rectangular grid; closed faces (barriers, a vehicle's sides) carry no flux. Each
step is Strang's splitting (SIAM J. Numer. Anal. 5 (1968) 506): advection, reaction, diffusion
across, diffusion upwards and back, each second order:

    diffusion  the two-stage L-stable Runge-Kutta scheme of Alexander (1977), gamma = 1 - 1/sqrt(2);
               where it would leave k or eps negative in a line, the implicit Euler step is taken
    reaction   the exact solution for the shear of the moment (``closure``)
    advection  limited linear reconstruction (van Leer), Heun's two stages, as many parts of a step
               as a Courant number of 1/2 asks for; then nothing becomes negative
    nu_t       extrapolated to the middle of the step from this and the last one.

The conductance of a face is (4 sqrt(ab) + a + b)/6 of the two eddy viscosities over the distance,
within 0.1 % the logarithmic mean for a ratio up to 8: a layer with nu ~ z carries its log law.
Road: u_tau^2 = c_mu^(1/2) k + u_a^2, stress u_tau kappa u/ln(z/z0) for the first cell's centre z,
its production stress^2/(kappa u_tau z), eps = c_mu^(3/4) k^(3/2)/(kappa z) there, no flux of k.
"""

from __future__ import annotations

import math

import numba
import numpy as np

from wakesim.arrays import kernel
from wakesim.section.closure import LEAST_EPS, LEAST_K, RODI_B, RODI_W, VON_KARMAN

_GAMMA = 1.0 - 1.0 / math.sqrt(2.0)
_LEAST_U = -1e300
_ROUNDING = 1e-9  # of a field at its floor; it is no reason to take the implicit Euler step


@kernel()
def _transpose(a, out):
    for i in range(a.shape[0]):
        for j in range(a.shape[1]):
            out[j, i] = a[i, j]


@kernel()
def _diffuse(phi, face, size, sink, dt, least, low, factor, first):
    """Diffusion along axis 0 over dt, in place: phi (n, m), face (n + 1, m) conductance over the
    distance, size (n,) of the cells, sink (n, m) 1/s. Outside the end faces phi is 0."""
    n, m = phi.shape
    lag = _GAMMA_ * dt
    # factorise (1 + lag A): low (n, m) multipliers, factor (n, m) inverse pivots
    for i in range(n):
        s = lag / size[i]
        for j in range(m):
            pivot = 1.0 + s * (face[i, j] + face[i + 1, j]) + lag * sink[i, j]
            if i > 0:
                # super-diagonal of row i-1 is -lag/size[i-1] face[i]
                pivot -= s * face[i, j] * low[i - 1, j]
            factor[i, j] = 1.0 / pivot
            low[i, j] = s * face[i + 1, j] * factor[i, j]
    # stage one: first = (1 + lag A)^-1 phi
    for i in range(n):
        s = lag / size[i]
        for j in range(m):
            right = phi[i, j]
            if i > 0:
                right += s * face[i, j] * first[i - 1, j]
            first[i, j] = right * factor[i, j]
    for i in range(n - 2, -1, -1):
        for j in range(m):
            first[i, j] += low[i, j] * first[i + 1, j]
    share = (dt - lag) / lag
    second = first  # in place: right side of stage two
    positive = True
    for i in range(n):
        s = lag / size[i]
        for j in range(m):
            right = phi[i, j] + share * (first[i, j] - phi[i, j])
            if i > 0:
                right += s * face[i, j] * second[i - 1, j]
            second[i, j] = right * factor[i, j]
    for i in range(n - 2, -1, -1):
        for j in range(m):
            second[i, j] += low[i, j] * second[i + 1, j]
    for i in range(n):
        for j in range(m):
            if not second[i, j] >= least - _ROUNDING * abs(least):
                positive = False
    if positive:
        for i in range(n):
            for j in range(m):
                phi[i, j] = max(second[i, j], least)
        return
    # implicit Euler
    for i in range(n):
        s = dt / size[i]
        for j in range(m):
            pivot = 1.0 + s * (face[i, j] + face[i + 1, j]) + dt * sink[i, j]
            right = phi[i, j]
            if i > 0:
                pivot -= s * face[i, j] * low[i - 1, j]
                right += s * face[i, j] * phi[i - 1, j]
            factor[i, j] = 1.0 / pivot
            low[i, j] = s * face[i + 1, j] * factor[i, j]
            phi[i, j] = right * factor[i, j]
    for i in range(n - 2, -1, -1):
        for j in range(m):
            phi[i, j] += low[i, j] * phi[i + 1, j]
    for i in range(n):
        for j in range(m):
            phi[i, j] = max(phi[i, j], least)


_GAMMA_ = _GAMMA


@kernel()
def _mean_viscosity(a, b):
    return (4.0 * np.sqrt(a * b) + a + b) / 6.0


@kernel()
def _viscosity(k, eps, g, c_mu, nu):
    for i in range(k.shape[0]):
        for j in range(k.shape[1]):
            nu[i, j] = c_mu * g[i, j] * k[i, j] * k[i, j] / eps[i, j]


@kernel()
def shear(u, y, z, closed, closed_z, z0, square):
    """|grad u|^2 (ny, nz) as the mean over opposite faces; the road's face is not in it.

    Over a rough road (z0 > 0) upwards as differences in ln z, exact in a log layer, where those in
    z would put the second cell's production 1.7 times too high."""
    ny, nz = u.shape
    scale_up, scale_down = np.ones(nz), np.ones(nz)
    for j in range(1, nz):
        middle = (z[j] - z[j - 1]) / np.log(z[j] / z[j - 1])
        scale_down[j], scale_up[j - 1] = middle / z[j], middle / z[j - 1]
    for i in range(ny):
        for j in range(nz):
            low, high = 0.0, 0.0
            if i > 0 and not closed[i, j]:
                low = (u[i, j] - u[i - 1, j]) / (y[i] - y[i - 1])
            if i + 1 < ny and not closed[i + 1, j]:
                high = (u[i + 1, j] - u[i, j]) / (y[i + 1] - y[i])
            square[i, j] = 0.5 * (low * low + high * high)
            up, down = 0.0, 0.0
            if j + 1 < nz and not closed_z[j + 1, i]:
                up = (u[i, j + 1] - u[i, j]) / (z[j + 1] - z[j])
            if j > 0 and not closed_z[j, i]:
                down = (u[i, j] - u[i, j - 1]) / (z[j] - z[j - 1])
            if z0[i] > 0.0:
                up *= scale_up[j]
                down *= scale_down[j]
            square[i, j] += 0.5 * (up * up + down * down)


@kernel()
def _weak_shear(k, eps, square, z0, c_mu, amount, g):
    """g(p), 1 in the first cells over a rough road, with p = P/eps = c_mu g(p) |grad u|^2
    (k/eps)^2, by secant steps (g falls with p)."""
    at_one = 1.0 - (1.0 - _B) / _W
    fall = ((1.0 - 1.0 / _W) / (at_one * (1.0 - 1.0 / _W) ** 2) - 1.0) * amount
    for i in range(k.shape[0]):
        for j in range(k.shape[1]):
            t = k[i, j] / eps[i, j]
            pull = c_mu * square[i, j] * t * t
            g_now = 1.0
            if amount > 0.0 and pull < 1.0 and (j > 0 or z0[i] <= 0.0):
                p = pull * (1.0 + fall) / (1.0 + pull * fall)
                for _ in range(3):
                    d = 1.0 + (p - 1.0) / _W
                    g_now = 1.0 + amount * ((1.0 - (1.0 - _B * p) / _W) / (at_one * d * d) - 1.0)
                    p -= (p - pull * g_now) / (1.0 + pull * fall)
            g[i, j] = max(g_now, 1.0)


_B, _W = RODI_B, RODI_W
_KAPPA = VON_KARMAN


@kernel()
def _react(k, eps, g, square, z0, dt, c_mu, c1, c2, floor_k, floor_eps):
    a = c2 - 1.0
    for i in range(k.shape[0]):
        for j in range(1 if z0[i] > 0.0 else 0, k.shape[1]):
            grow = c_mu * g[i, j] * square[i, j]
            b = (c1 - 1.0) * grow
            t0 = k[i, j] / eps[i, j]
            s = np.sqrt(a * b)
            x = s * dt
            if x < 1e-4:
                tau = dt
                gain = b * dt * (t0 + 0.5 * a * dt)
            elif x < 15.0:
                ex = np.exp(-2.0 * x)
                th = (1.0 - ex) / (1.0 + ex)
                tau = th / s
                gain = x + np.log(0.5 * (1.0 + ex)) + np.log(1.0 + b * t0 * tau)
            else:
                tau = 1.0 / s
                gain = x - 0.6931471805599453 + np.log(1.0 + b * t0 * tau)
            t1 = (t0 + a * tau) / (1.0 + b * t0 * tau)
            rise = gain * (1.0 / (c1 - 1.0) - 1.0 / a) - np.log(t1 / t0) / a
            k[i, j] = max(k[i, j] * np.exp(min(rise, 50.0)), floor_k)
            eps[i, j] = max(k[i, j] / t1, floor_eps)


@kernel()
def _road(u, k, eps, z0, z_first, wall_u, dt, c_mu):
    """Turbulence of the first cells over the road."""
    for i in range(k.shape[0]):
        if z0[i] <= 0.0:
            continue
        c = c_mu**0.75 / (_KAPPA * z_first)
        u_tau = np.sqrt(np.sqrt(c_mu) * k[i, 0] + wall_u * wall_u)
        stress = u_tau * _KAPPA * u[i, 0] / np.log(z_first / z0[i])
        made = stress * stress / (_KAPPA * u_tau * z_first)
        loss = c * np.sqrt(k[i, 0])
        k[i, 0] = (k[i, 0] + dt * made) / (1.0 + dt * loss)
        eps[i, 0] = c * k[i, 0] ** 1.5


@kernel()
def _faces(nu, more, y, z, closed, closed_z, sigma, side, face_y, face_z):
    """Conductances over the distance: across (ny + 1, nz), up (nz + 1, ny)."""
    ny, nz = nu.shape
    inverse = 1.0 / sigma
    for i in range(1, ny):
        d = 1.0 / (y[i] - y[i - 1])
        for j in range(nz):
            a = inverse * nu[i - 1, j] + more[i - 1, j]
            b = inverse * nu[i, j] + more[i, j]
            face_y[i, j] = 0.0 if closed[i, j] else d * _mean_viscosity(a, b)
    for j in range(nz):
        face_y[0, j] = side[0, j] * (inverse * nu[0, j] + more[0, j])
        face_y[ny, j] = side[1, j] * (inverse * nu[ny - 1, j] + more[ny - 1, j])
    for j in range(1, nz):
        d = 1.0 / (z[j] - z[j - 1])
        for i in range(ny):
            a = inverse * nu[i, j - 1] + more[i, j - 1]
            b = inverse * nu[i, j] + more[i, j]
            face_z[j, i] = 0.0 if closed_z[j, i] else d * _mean_viscosity(a, b)
    for i in range(ny):
        face_z[0, i] = 0.0
        face_z[nz, i] = 0.0


@kernel()
def _limited(a, b, c, ab, bc, width):
    """Slope of the middle of three values at distances ab and bc, van Leer's harmonic mean; at the
    faces of the cell, ``width`` apart, no value beyond the neighbours, so that none is negative."""
    left, right = (b - a) / ab, (c - b) / bc
    if left * right <= 0.0:
        return 0.0
    slope = 2.0 * left * right / (left + right)
    most = 2.0 * min(abs(b - a), abs(c - b)) / width
    return min(max(slope, -most), most)


@kernel()
def _advection_rate(phi, flow_y, flow_z, y, z, y_edge, z_edge, rate):
    """Minus the divergence of the advective flux over the cell area, (ny, nz)."""
    ny, nz = phi.shape
    rate[:] = 0.0
    for i in range(ny + 1):
        for j in range(nz):
            q = flow_y[i, j]
            if q == 0.0:
                continue
            up = i - 1 if q > 0.0 else i
            if up < 0 or up >= ny:
                continue  # still air enters
            value = phi[up, j]
            if 0 < up < ny - 1:
                slope = _limited(
                    phi[up - 1, j], value, phi[up + 1, j], y[up] - y[up - 1], y[up + 1] - y[up],
                    y_edge[up + 1] - y_edge[up],
                )  # fmt: skip
                value += slope * (y_edge[i] - y[up])
            if i > 0:
                rate[i - 1, j] -= q * value
            if i < ny:
                rate[i, j] += q * value
    for i in range(ny):
        for j in range(1, nz + 1):
            q = flow_z[i, j]
            if q == 0.0:
                continue
            up = j - 1 if q > 0.0 else j
            if up >= nz:
                continue
            value = phi[i, up]
            if 0 < up < nz - 1:
                slope = _limited(
                    phi[i, up - 1], value, phi[i, up + 1], z[up] - z[up - 1], z[up + 1] - z[up],
                    z_edge[up + 1] - z_edge[up],
                )  # fmt: skip
                value += slope * (z_edge[j] - z[up])
            rate[i, j - 1] -= q * value
            if j < nz:
                rate[i, j] += q * value
    for i in range(ny):
        for j in range(nz):
            rate[i, j] /= (y_edge[i + 1] - y_edge[i]) * (z_edge[j + 1] - z_edge[j])


@kernel()
def _advect(phi, flow_y, flow_z, y, z, y_edge, z_edge, dt, parts, rate, middle):
    step = dt / parts
    for _ in range(parts):
        _advection_rate(phi, flow_y, flow_z, y, z, y_edge, z_edge, rate)
        for i in range(phi.shape[0]):
            for j in range(phi.shape[1]):
                middle[i, j] = phi[i, j] + step * rate[i, j]
        _advection_rate(middle, flow_y, flow_z, y, z, y_edge, z_edge, rate)
        for i in range(phi.shape[0]):
            for j in range(phi.shape[1]):
                phi[i, j] = 0.5 * (phi[i, j] + middle[i, j] + step * rate[i, j])


@kernel()
def _content(phi, size_y, size_z):
    """Integral over the section."""
    total = 0.0
    for i in range(phi.shape[0]):
        for j in range(phi.shape[1]):
            total += phi[i, j] * size_y[i] * size_z[j]
    return total


@kernel()
def _diffuse_both(
    phi, face_y, face_z, size_y, size_z, no_sink, sink, dt, least,
    low_y, factor_y, work_y, low_z, factor_z, work_z, turned,
):  # fmt: skip
    """Half a step across, a step upward with the ground's ``sink``, half a step across, in place;
    returns what the upward step has taken out per second."""
    _diffuse(phi, face_y, size_y, no_sink, 0.5 * dt, least, low_y, factor_y, work_y)
    before = _content(phi, size_y, size_z)
    _transpose(phi, turned)
    _diffuse(turned, face_z, size_z, sink, dt, least, low_z, factor_z, work_z)
    _transpose(turned, phi)
    taken = before - _content(phi, size_y, size_z)
    _diffuse(phi, face_y, size_y, no_sink, 0.5 * dt, least, low_y, factor_y, work_y)
    return taken / dt


@kernel()
def advance(
    u, k, eps, g, nu_last, dt_last, dt, s_u, s_k, s_eps,
    y, z, y_edge, z_edge, closed, closed_z, side, side_k, z0, more, wall_u,
    flow_y, flow_z, parts, turbulent, c_mu, c1, c2, sigma_k, sigma_eps, weak,
):  # fmt: skip
    """One step of all three fields (ny, nz), in place; returns the road's friction, m3/s2, its
    mean over the step. ``s_u``, ``s_k``, ``s_eps`` (ny, nz): sources per second. ``side`` and
    ``side_k`` (2, nz): 1/m, inverse distance to the air at rest beyond the sides, 0 for none.
    ``nu_last`` (ny, nz): nu_t of the last step, replaced by this one's (``dt_last`` 0: none).
    ``turbulent`` False: u alone moves, in the eddy viscosity ``more``."""
    ny, nz = u.shape
    nu, square = np.empty((ny, nz)), np.empty((ny, nz))
    rate, middle = np.empty((ny, nz)), np.empty((ny, nz))
    face_y, face_z = np.empty((ny + 1, nz)), np.empty((nz + 1, ny))
    size_y, size_z = np.empty(ny), np.empty(nz)
    for i in range(ny):
        size_y[i] = y_edge[i + 1] - y_edge[i]
    for j in range(nz):
        size_z[j] = z_edge[j + 1] - z_edge[j]
    low_y, factor_y, work_y = np.empty((ny, nz)), np.empty((ny, nz)), np.empty((ny, nz))
    low_z, factor_z, work_z = np.empty((nz, ny)), np.empty((nz, ny)), np.empty((nz, ny))
    turned = np.empty((nz, ny))
    no_sink, friction = np.zeros((ny, nz)), np.zeros((nz, ny))
    half = 0.5 * dt

    if parts > 0:
        _advect(u, flow_y, flow_z, y, z, y_edge, z_edge, half, parts, rate, middle)
    if turbulent:
        if parts > 0:
            _advect(k, flow_y, flow_z, y, z, y_edge, z_edge, half, parts, rate, middle)
            _advect(eps, flow_y, flow_z, y, z, y_edge, z_edge, half, parts, rate, middle)
            for i in range(ny):
                for j in range(nz):
                    k[i, j] = max(k[i, j], _LEAST_K)
                    eps[i, j] = max(eps[i, j], _LEAST_EPS)
        shear(u, y, z, closed, closed_z, z0, square)
        _weak_shear(k, eps, square, z0, c_mu, weak, g)
        _viscosity(k, eps, g, c_mu, nu)
        if dt_last > 0.0:
            ahead = half / dt_last
            for i in range(ny):
                for j in range(nz):
                    now = nu[i, j]
                    nu[i, j] = max(now + ahead * (now - nu_last[i, j]), 0.5 * now)
                    nu_last[i, j] = now
        else:
            nu_last[:] = nu
        _react(k, eps, g, square, z0, half, c_mu, c1, c2, _LEAST_K, _LEAST_EPS)
        _road(u, k, eps, z0, z[0], wall_u, half, c_mu)
        for i in range(ny):
            for j in range(nz):
                k[i, j] += half * s_k[i, j]
                eps[i, j] += half * s_eps[i, j]
    else:
        nu[:] = 0.0
    for i in range(ny):
        for j in range(nz):
            u[i, j] += half * s_u[i, j]

    # friction of the road as a sink of the first cells
    for i in range(ny):
        u_tau = np.sqrt(np.sqrt(c_mu) * (k[i, 0] if turbulent else 0.0) + wall_u * wall_u)
        if z0[i] > 0.0:
            friction[0, i] = u_tau * _KAPPA / (np.log(z[0] / z0[i]) * size_z[0])
    _faces(nu, more, y, z, closed, closed_z, 1.0, side, face_y, face_z)
    road = _diffuse_both(
        u, face_y, face_z, size_y, size_z, no_sink, friction, dt, _LEAST_U,
        low_y, factor_y, work_y, low_z, factor_z, work_z, turned,
    )  # fmt: skip
    for i in range(ny):
        for j in range(nz):
            u[i, j] += half * s_u[i, j]

    if turbulent:
        friction[0, :] = 0.0
        for field in range(2):
            phi = k if field == 0 else eps
            sigma = sigma_k if field == 0 else sigma_eps
            least = _LEAST_K if field == 0 else _LEAST_EPS
            _faces(nu, more, y, z, closed, closed_z, sigma, side_k, face_y, face_z)
            _diffuse_both(
                phi, face_y, face_z, size_y, size_z, no_sink, friction, dt, least,
                low_y, factor_y, work_y, low_z, factor_z, work_z, turned,
            )  # fmt: skip
            source = s_k if field == 0 else s_eps
            for i in range(ny):
                for j in range(nz):
                    phi[i, j] += half * source[i, j]
        shear(u, y, z, closed, closed_z, z0, square)
        _react(k, eps, g, square, z0, half, c_mu, c1, c2, _LEAST_K, _LEAST_EPS)
        _road(u, k, eps, z0, z[0], wall_u, half, c_mu)
        if parts > 0:
            _advect(k, flow_y, flow_z, y, z, y_edge, z_edge, half, parts, rate, middle)
            _advect(eps, flow_y, flow_z, y, z, y_edge, z_edge, half, parts, rate, middle)
            for i in range(ny):
                for j in range(nz):
                    k[i, j] = max(k[i, j], _LEAST_K)
                    eps[i, j] = max(eps[i, j], _LEAST_EPS)
    if parts > 0:
        _advect(u, flow_y, flow_z, y, z, y_edge, z_edge, half, parts, rate, middle)
    return road


_LEAST_K, _LEAST_EPS = LEAST_K, LEAST_EPS


@kernel()
def _sample_one(xs, ys, zs, u, k, rough, log_first, x, y, z):
    """u and k of a table (n, ny, nz) at one point; 0 outside it."""
    n, ny, nz = u.shape
    side = abs(y)
    if x < xs[0] or x > xs[n - 1] or z < 0.0 or side > ys[ny - 1] or z > zs[nz - 1]:
        return 0.0, 0.0
    a = min(max(np.searchsorted(xs, x) - 1, 0), n - 2)
    b = min(max(np.searchsorted(ys, side) - 1, 0), ny - 2)
    c = min(max(np.searchsorted(zs, z) - 1, 0), nz - 2)
    fa = (x - xs[a]) / (xs[a + 1] - xs[a])
    fb = min(max((side - ys[b]) / (ys[b + 1] - ys[b]), 0.0), 1.0)
    fc = min(max((z - zs[c]) / (zs[c + 1] - zs[c]), 0.0), 1.0)
    su, sk = 0.0, 0.0
    for i in range(2):
        wi = fa if i else 1.0 - fa
        for j in range(2):
            wj = wi * (fb if j else 1.0 - fb)
            low, high = wj * (1.0 - fc), wj * fc
            su += low * u[a + i, b + j, c] + high * u[a + i, b + j, c + 1]
            sk += low * k[a + i, b + j, c] + high * k[a + i, b + j, c + 1]
    if z < zs[0]:
        su *= max(np.log(max(z, rough) / rough) / log_first, 0.0)
    return su, sk


@kernel(parallel=True)
def sample(xs, ys, zs, u, k, rough, x, y, z, out_u, out_k):
    """A table (n, ny, nz) at points (m,): linear in x, |y| and z, ln z below the first centre."""
    log_first = np.log(zs[0] / rough)
    for p in numba.prange(x.size):
        out_u[p], out_k[p] = _sample_one(xs, ys, zs, u, k, rough, log_first, x[p], y[p], z[p])


@kernel()
def sample_few(xs, ys, zs, u, k, rough, x, y, z, out_u, out_k):
    """``sample`` on one thread."""
    log_first = np.log(zs[0] / rough)
    for p in range(x.size):
        out_u[p], out_k[p] = _sample_one(xs, ys, zs, u, k, rough, log_first, x[p], y[p], z[p])
