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
from wakesim.elementary import exp, log
from wakesim.section.closure import LEAST_EPS, LEAST_K, RODI_B, RODI_W, VON_KARMAN

_GAMMA = 1.0 - 1.0 / math.sqrt(2.0)
_SHARE = (1.0 - _GAMMA) / _GAMMA
_LEAST_U = -1e300
_LEAST_K, _LEAST_EPS = LEAST_K, LEAST_EPS
_ROUNDING = 1e-9  # of a field at its floor; it is no reason to take the implicit Euler step


@kernel(part=True)
def transpose(a, out):
    for i in range(a.shape[0]):
        for j in range(a.shape[1]):
            out[j, i] = a[i, j]


@kernel(part=True)
def _factorise(face, size, sink, lag, low, up, factor):
    """LU factors of (1 + lag A) along axis 0, A the diffusion: ``face`` (n + 1, m) conductance over
    the distance, ``size`` (n,) of the cells, ``sink`` (m,) 1/s in the first of them; ``low``,
    ``up`` and ``factor`` (n, m). Outside the end faces the field is 0."""
    n, m = factor.shape
    s = lag / size[0]
    for j in range(m):
        factor[0, j] = 1.0 / (1.0 + s * (face[0, j] + face[1, j]) + lag * sink[j])
        low[0, j] = s * face[1, j] * factor[0, j]
        up[0, j] = 0.0
    for i in range(1, n):
        s = lag / size[i]
        for j in range(m):
            back = s * face[i, j]
            ahead = s * face[i + 1, j]
            pivot = 1.0 / (1.0 + back + ahead - back * low[i - 1, j])
            factor[i, j] = pivot
            low[i, j] = ahead * pivot
            up[i, j] = back * pivot


@kernel(part=True)
def _diffuse(phi, low, up, factor, share, least, first):
    """Two-stage diffusion of phi (n, m) with the factors of a step's lag, in place; ``share``:
    (step - lag)/lag. Returns False, and changes nothing, where a value would be below ``least``."""
    n, m = phi.shape
    rest = 1.0 - share
    for j in range(m):
        first[0, j] = phi[0, j] * factor[0, j]
    for i in range(1, n):
        for j in range(m):
            first[i, j] = phi[i, j] * factor[i, j] + up[i, j] * first[i - 1, j]
    for i in range(n - 2, -1, -1):
        for j in range(m):
            first[i, j] += low[i, j] * first[i + 1, j]
    for j in range(m):
        first[0, j] = (rest * phi[0, j] + share * first[0, j]) * factor[0, j]
    for i in range(1, n):
        for j in range(m):
            right = rest * phi[i, j] + share * first[i, j]
            first[i, j] = right * factor[i, j] + up[i, j] * first[i - 1, j]
    lowest = np.inf
    for j in range(m):
        lowest = min(lowest, first[n - 1, j])
    for i in range(n - 2, -1, -1):
        for j in range(m):
            first[i, j] += low[i, j] * first[i + 1, j]
            lowest = min(lowest, first[i, j])
    if not lowest >= least - _ROUNDING * abs(least):
        return False
    for i in range(n):
        for j in range(m):
            phi[i, j] = max(first[i, j], least)
    return True


@kernel(part=True)
def _diffuse_once(phi, face, size, sink, dt, least, low, up, factor):
    """One implicit Euler step, in place; arguments as in ``_factorise``."""
    _factorise(face, size, sink, dt, low, up, factor)
    n, m = phi.shape
    for j in range(m):
        phi[0, j] *= factor[0, j]
    for i in range(1, n):
        for j in range(m):
            phi[i, j] = phi[i, j] * factor[i, j] + up[i, j] * phi[i - 1, j]
    for i in range(n - 2, -1, -1):
        for j in range(m):
            phi[i, j] += low[i, j] * phi[i + 1, j]
    for i in range(n):
        for j in range(m):
            phi[i, j] = max(phi[i, j], least)


@kernel(part=True)
def viscosity(k, eps, g, c_mu, nu):
    for i in range(k.shape[0]):
        for j in range(k.shape[1]):
            nu[i, j] = c_mu * g[i, j] * k[i, j] * k[i, j] / eps[i, j]


@kernel(part=True)
def shear(u, y, z, closed, closed_z, z0, square):
    """|grad u|^2 (ny, nz) as the mean over opposite faces; the road's face is not in it.

    Over a rough road (z0 > 0) upwards as differences in ln z, exact in a log layer, where those in
    z would put the second cell's production 1.7 times too high."""
    ny, nz = u.shape
    up, down, inverse = np.ones(nz), np.ones(nz), np.empty(nz)
    for j in range(1, nz):
        inverse[j - 1] = 1.0 / (z[j] - z[j - 1])
        middle = (z[j] - z[j - 1]) / np.log(z[j] / z[j - 1])
        down[j], up[j - 1] = (middle / z[j]) ** 2, (middle / z[j - 1]) ** 2
    rise = np.empty(nz)
    for i in range(ny):
        for j in range(nz):
            square[i, j] = 0.0
        if i > 0:
            scale = 1.0 / (y[i] - y[i - 1])
            for j in range(nz):
                slope = 0.0 if closed[i, j] else (u[i, j] - u[i - 1, j]) * scale
                square[i - 1, j] += 0.5 * slope * slope
                square[i, j] = 0.5 * slope * slope
    for i in range(ny):
        for j in range(nz - 1):
            slope = 0.0 if closed_z[j + 1, i] else (u[i, j + 1] - u[i, j]) * inverse[j]
            rise[j] = 0.5 * slope * slope
        if z0[i] > 0.0:
            for j in range(nz - 1):
                square[i, j] += up[j] * rise[j]
            for j in range(1, nz):
                square[i, j] += down[j] * rise[j - 1]
        else:
            for j in range(nz - 1):
                square[i, j] += rise[j]
            for j in range(1, nz):
                square[i, j] += rise[j - 1]


@kernel(part=True)
def weak_shear(k, eps, square, z0, c_mu, amount, g):
    """g(p), 1 in the first cells over a rough road, with p = P/eps = c_mu g(p) |grad u|^2
    (k/eps)^2, by secant steps (g falls with p)."""
    if amount <= 0.0:
        g[:] = 1.0
        return
    at_one = 1.0 - (1.0 - _B) / _W
    fall = ((1.0 - 1.0 / _W) / (at_one * (1.0 - 1.0 / _W) ** 2) - 1.0) * amount
    base, slope, scale = 1.0 - 1.0 / _W, _B / _W, 1.0 / at_one
    for i in range(k.shape[0]):
        for j in range(k.shape[1]):
            t = k[i, j] / eps[i, j]
            pull = min(c_mu * square[i, j] * t * t, 1.0)
            inverse = 1.0 / (1.0 + pull * fall)
            p = pull * (1.0 + fall) * inverse
            g_now = 1.0
            for _ in range(3):
                d = base + p / _W
                g_now = 1.0 + amount * (scale * (base + slope * p) / (d * d) - 1.0)
                p -= (p - pull * g_now) * inverse
            g[i, j] = max(g_now, 1.0)
        if z0[i] > 0.0:
            g[i, 0] = 1.0


_B, _W = RODI_B, RODI_W
_KAPPA = VON_KARMAN


@kernel(part=True)
def _react(k, eps, g, square, z0, dt, c_mu, c1, c2, floor_k, floor_eps):
    """Production and dissipation over dt at constant shear, in place (``closure``): with x = s dt,
    tau = tanh(x)/s and h = (1 - e^(-2x))/s everything is written in e^(-2x)."""
    a = c2 - 1.0
    power = 1.0 / (c1 - 1.0) - 1.0 / a
    for i in range(k.shape[0]):
        for j in range(1 if z0[i] > 0.0 else 0, k.shape[1]):
            b = (c1 - 1.0) * c_mu * g[i, j] * square[i, j]
            t0 = k[i, j] / eps[i, j]
            s = np.sqrt(a * b)
            x = s * dt
            fall = exp(-2.0 * min(x, 300.0))
            series = 2.0 * dt * (1.0 - x * (1.0 - x * (2.0 / 3.0 - x / 3.0)))
            h = series if x < 1e-4 else (1.0 - fall) / s
            above = 1.0 + fall + b * t0 * h
            below = t0 * (1.0 + fall) + a * h
            rate = above / below
            rise = power * (x + log(0.5 * above)) + log(rate * t0) / a
            now = max(k[i, j] * exp(min(max(rise, -300.0), 50.0)), floor_k)
            k[i, j] = now
            eps[i, j] = max(now * rate, floor_eps)


@kernel(part=True)
def _road(u, k, eps, z0, z_first, wall_u, dt, c_mu):
    """Turbulence of the first cells over the road."""
    c = c_mu**0.75 / (_KAPPA * z_first)
    for i in range(k.shape[0]):
        if z0[i] <= 0.0:
            continue
        u_tau = np.sqrt(np.sqrt(c_mu) * k[i, 0] + wall_u * wall_u)
        stress = u_tau * _KAPPA * u[i, 0] / np.log(z_first / z0[i])
        made = stress * stress / (_KAPPA * u_tau * z_first)
        loss = c * np.sqrt(k[i, 0])
        k[i, 0] = (k[i, 0] + dt * made) / (1.0 + dt * loss)
        eps[i, 0] = c * k[i, 0] * np.sqrt(k[i, 0])


@kernel(part=True)
def _inner_faces(viscosity, at, closed, face):
    """Conductance over the distance of the faces between rows of ``viscosity`` (n, m), at places
    ``at`` (n,); closed (n + 1, m) ones carry nothing."""
    n, m = viscosity.shape
    root, before = np.empty(m), np.empty(m)
    for j in range(m):
        before[j] = np.sqrt(viscosity[0, j])
    for i in range(1, n):
        d = 1.0 / (6.0 * (at[i] - at[i - 1]))
        for j in range(m):
            root[j] = np.sqrt(viscosity[i, j])
            mean = 4.0 * before[j] * root[j] + viscosity[i - 1, j] + viscosity[i, j]
            face[i, j] = 0.0 if closed[i, j] else d * mean
            before[j] = root[j]


@kernel(part=True)
def faces(nu, more, y, z, closed, closed_z, sigma, total, turned, face_y, face_z):
    """Conductances over the distance, across (ny + 1, nz) and up (nz + 1, ny), of the inner faces
    and of road and top; ``total`` and ``turned`` are left with the viscosity."""
    ny, nz = nu.shape
    inverse = 1.0 / sigma
    for i in range(ny):
        for j in range(nz):
            total[i, j] = inverse * nu[i, j] + more[i, j]
    transpose(total, turned)
    _inner_faces(total, y, closed, face_y)
    _inner_faces(turned, z, closed_z, face_z)
    face_z[0, :] = 0.0
    face_z[nz, :] = 0.0


@kernel(part=True)
def _sides(total, side, face_y):
    """Faces of the two sides, to the air at rest ``side`` (2, nz) 1/m away."""
    ny, nz = total.shape
    for j in range(nz):
        face_y[0, j] = side[0, j] * total[0, j]
        face_y[ny, j] = side[1, j] * total[ny - 1, j]


@kernel(part=True)
def _slopes(before, here, after, back, ahead, width, slope):
    """Slopes (n,) of a row of cells between two others, van Leer's harmonic mean; at the faces of
    the cell no value beyond the neighbours, so that none is negative. ``back`` and ``ahead``:
    inverse distances, ``width``: inverse of half the cell's width, 1/m."""
    for j in range(here.size):
        low, high = here[j] - before[j], after[j] - here[j]
        left, right = low * back, high * ahead
        both = left * right
        mean = 2.0 * both / (left + right)
        most = width * min(abs(low), abs(high))
        slope[j] = min(max(mean, -most), most) if both > 0.0 else 0.0


@kernel(part=True)
def across(phi, flow, y, y_edge, area, flux, slope, rate):
    """Minus the divergence of the advective flux across the rows of phi (n, m) over the cell area
    ``area`` (n, m), to ``rate``; ``flow`` (n + 1, m) through the faces. Still air enters. ``flux``
    and ``slope`` (2, m) are overwritten."""
    n, m = phi.shape
    flux[:] = 0.0
    slope[:] = 0.0
    for i in range(n + 1):
        now, last = i % 2, 1 - i % 2
        if 0 < i < n - 1:
            back, ahead = 1.0 / (y[i] - y[i - 1]), 1.0 / (y[i + 1] - y[i])
            width = 2.0 / (y_edge[i + 1] - y_edge[i])
            _slopes(phi[i - 1], phi[i], phi[i + 1], back, ahead, width, slope[now])
        else:
            slope[now] = 0.0
        through, former = flux[now], flux[last]
        from_left, from_right = slope[last], slope[now]
        if i == 0:
            to_right = y_edge[0] - y[0]
            for j in range(m):
                through[j] = min(flow[i, j], 0.0) * (phi[i, j] + from_right[j] * to_right)
            continue
        to_left = y_edge[i] - y[i - 1]
        if i < n:
            to_right = y_edge[i] - y[i]
            for j in range(m):
                q = flow[i, j]
                through[j] = (
                    max(q, 0.0) * (phi[i - 1, j] + from_left[j] * to_left)
                    + min(q, 0.0) * (phi[i, j] + from_right[j] * to_right)
                )  # fmt: skip
        else:
            for j in range(m):
                through[j] = max(flow[i, j], 0.0) * (phi[i - 1, j] + from_left[j] * to_left)
        for j in range(m):
            rate[i - 1, j] = (former[j] - through[j]) * area[i - 1, j]


@kernel(part=True)
def _advect(u, k, eps, count, flow_y, flow_z, y, z, y_edge, z_edge, dt, parts):
    """Carry the first ``count`` of u, k and eps (ny, nz), side by side in one array, with the
    crosswind for dt, in place; see the module's head."""
    ny, nz = u.shape
    m = count * nz
    step = dt / parts
    phi, middle, rate = np.empty((ny, m)), np.empty((ny, m)), np.empty((ny, m))
    flow, inverse = np.empty((ny + 1, m)), np.empty((ny, m))
    rises = False
    for f in range(count):
        field = u if f == 0 else (k if f == 1 else eps)
        for i in range(ny):
            for j in range(nz):
                phi[i, f * nz + j] = field[i, j]
                area = (y_edge[i + 1] - y_edge[i]) * (z_edge[j + 1] - z_edge[j])
                inverse[i, f * nz + j] = 1.0 / area
                rises = rises or flow_z[i, j + 1] != 0.0
        for i in range(ny + 1):
            for j in range(nz):
                flow[i, f * nz + j] = flow_y[i, j]
    flux, slope = np.empty((2, m)), np.empty((2, m))
    most = ny if rises else 0  # else nothing goes up or down
    turned, turned_area, up = np.empty((nz, most)), np.empty((nz, most)), np.empty((nz, most))
    flow_up, flux_up, slope_up = np.empty((nz + 1, most)), np.empty((2, most)), np.empty((2, most))
    if rises:
        transpose(inverse[:, :nz], turned_area)
        transpose(flow_z, flow_up)
        flow_up[0] = 0.0
    for part in range(2 * parts):
        now = phi if part % 2 == 0 else middle
        across(now, flow, y, y_edge, inverse, flux, slope, rate)
        if rises:
            for f in range(count):
                transpose(now[:, f * nz : (f + 1) * nz], turned)
                across(turned, flow_up, z, z_edge, turned_area, flux_up, slope_up, up)
                for i in range(ny):
                    for j in range(nz):
                        rate[i, f * nz + j] += up[j, i]
        if part % 2 == 0:
            for i in range(ny):
                for j in range(m):
                    middle[i, j] = phi[i, j] + step * rate[i, j]
        else:
            for i in range(ny):
                for j in range(m):
                    phi[i, j] = 0.5 * (phi[i, j] + middle[i, j] + step * rate[i, j])
    for f in range(count):
        field = u if f == 0 else (k if f == 1 else eps)
        for i in range(ny):
            for j in range(nz):
                field[i, j] = phi[i, f * nz + j]


@kernel(part=True)
def _content(phi, size_y, size_z):
    """Integral over the section."""
    total = 0.0
    for i in range(phi.shape[0]):
        for j in range(phi.shape[1]):
            total += phi[i, j] * size_y[i] * size_z[j]
    return total


@kernel(part=True)
def _diffuse_both(
    phi, face_y, face_z, size_y, size_z, no_sink, sink, dt, least, counted, work_y, work_z, turned,
):  # fmt: skip
    """Half a step across, a step upward with the ground's ``sink`` (ny,), half a step across, in
    place; returns what the upward step has taken out per second, if that is ``counted``.
    ``work_y`` (4, ny, nz), ``work_z`` (4, nz, ny) and ``turned`` (nz, ny) are overwritten."""
    kept, taken = True, 0.0
    for stage in range(3):  # one place for each loop keeps the machine code small
        upward = stage == 1
        field, face = (turned, face_z) if upward else (phi, face_y)
        low, up, factor, first = work_z if upward else work_y
        size, ground = (size_z, sink) if upward else (size_y, no_sink)
        step = dt if upward else 0.5 * dt
        if upward:
            transpose(phi, turned)
            taken = _content(phi, size_y, size_z) if counted else 0.0
        if stage < 2 or not kept:
            _factorise(face, size, ground, _GAMMA * step, low, up, factor)
        done = _diffuse(field, low, up, factor, _SHARE, least, first)
        if not done:
            _diffuse_once(field, face, size, ground, step, least, low, up, factor)
        if upward:
            transpose(turned, phi)
            if counted:
                taken -= _content(phi, size_y, size_z)
        else:
            kept = done
    return taken / dt


@kernel(part=True)
def _hold(phi, least):
    """phi nowhere below ``least``."""
    for i in range(phi.shape[0]):
        for j in range(phi.shape[1]):
            phi[i, j] = max(phi[i, j], least)


@kernel(part=True)
def _add(phi, amount, source):
    for i in range(phi.shape[0]):
        for j in range(phi.shape[1]):
            phi[i, j] += amount * source[i, j]


@kernel(part=True)
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
    nu, square, total = np.empty((ny, nz)), np.empty((ny, nz)), np.empty((ny, nz))
    face_y, face_z = np.empty((ny + 1, nz)), np.empty((nz + 1, ny))
    size_y, size_z = np.empty(ny), np.empty(nz)
    for i in range(ny):
        size_y[i] = y_edge[i + 1] - y_edge[i]
    for j in range(nz):
        size_z[j] = z_edge[j + 1] - z_edge[j]
    work_y, work_z, turned = np.empty((4, ny, nz)), np.empty((4, nz, ny)), np.empty((nz, ny))
    no_sink, friction = np.zeros(max(ny, nz)), np.zeros(ny)
    half = 0.5 * dt

    carried = 3 if turbulent else 1
    if parts > 0:
        _advect(u, k, eps, carried, flow_y, flow_z, y, z, y_edge, z_edge, half, parts)
    if turbulent:
        if parts > 0:
            _hold(k, _LEAST_K)
            _hold(eps, _LEAST_EPS)
        shear(u, y, z, closed, closed_z, z0, square)
        weak_shear(k, eps, square, z0, c_mu, weak, g)
        viscosity(k, eps, g, c_mu, nu)
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
        _add(k, half, s_k)
        _add(eps, half, s_eps)
    else:
        nu[:] = 0.0
    _add(u, half, s_u)

    # friction of the road as a sink of the first cells
    for i in range(ny):
        u_tau = np.sqrt(np.sqrt(c_mu) * (k[i, 0] if turbulent else 0.0) + wall_u * wall_u)
        if z0[i] > 0.0:
            friction[i] = u_tau * _KAPPA / (np.log(z[0] / z0[i]) * size_z[0])
    road = 0.0
    for number in range(3 if turbulent else 1):
        phi, source, sigma, least = u, s_u, 1.0, _LEAST_U
        beside, sink = side, friction
        if number == 1:
            phi, source, sigma, least, beside, sink = k, s_k, sigma_k, _LEAST_K, side_k, no_sink
        elif number == 2:
            phi, source, sigma, least = eps, s_eps, sigma_eps, _LEAST_EPS
            beside, sink = side_k, no_sink
        if number != 1 or sigma != 1.0:  # else the faces of u are those of k
            faces(nu, more, y, z, closed, closed_z, sigma, total, turned, face_y, face_z)
        _sides(total, beside, face_y)
        taken = _diffuse_both(
            phi, face_y, face_z, size_y, size_z, no_sink, sink, dt, least, number == 0,
            work_y, work_z, turned,
        )  # fmt: skip
        if number == 0:
            road = taken
        _add(phi, half, source)
    if turbulent:
        shear(u, y, z, closed, closed_z, z0, square)
        _react(k, eps, g, square, z0, half, c_mu, c1, c2, _LEAST_K, _LEAST_EPS)
        _road(u, k, eps, z0, z[0], wall_u, half, c_mu)
    if parts > 0:
        _advect(u, k, eps, carried, flow_y, flow_z, y, z, y_edge, z_edge, half, parts)
        if turbulent:
            _hold(k, _LEAST_K)
            _hold(eps, _LEAST_EPS)
    return road


@kernel()
def place_section(content, own_y, own_z, y_edge, z_edge, out):
    """Cell means ``out`` (f, ny, nz), which begin at 0, of fields given by their integrals
    ``content`` (f, my, mz) over the cells with edges ``own_y`` from 0, mirrored in y = 0, and
    ``own_z``; even within a cell. ``y_edge`` (ny + 1,) about the middle of the fields."""
    fields, my, mz = content.shape
    ny, nz = y_edge.size - 1, z_edge.size - 1
    for i in range(ny):
        for mirror in range(2):
            low = y_edge[i] if mirror == 0 else -y_edge[i + 1]
            high = y_edge[i + 1] if mirror == 0 else -y_edge[i]
            if high <= 0.0 or low >= own_y[my]:
                continue
            a = max(np.searchsorted(own_y, max(low, 0.0), side="right") - 1, 0)
            while a < my and own_y[a] < high:
                part = min(high, own_y[a + 1]) - max(low, own_y[a])
                share_y = part / (own_y[a + 1] - own_y[a])
                b = 0
                for j in range(nz):
                    while b < mz and own_z[b + 1] <= z_edge[j]:
                        b += 1
                    c = b
                    while c < mz and own_z[c] < z_edge[j + 1]:
                        over = min(z_edge[j + 1], own_z[c + 1]) - max(z_edge[j], own_z[c])
                        share = share_y * over / (own_z[c + 1] - own_z[c])
                        for f in range(fields):
                            out[f, i, j] += share * content[f, a, c]
                        c += 1
                a += 1
    for f in range(fields):
        for i in range(ny):
            for j in range(nz):
                out[f, i, j] /= (y_edge[i + 1] - y_edge[i]) * (z_edge[j + 1] - z_edge[j])


# What happens in a step of a wake's march: beside the vehicle; the section after it is kept; the
# bubble ends; the wake enters the road's balance; it has entered before.
BESIDE, KEPT, OPENING, ENTRY, AFTER_ENTRY = 1, 2, 4, 8, 16


@kernel(part=True)
def _rim(u, k, ny, nz):
    """Whether the outermost cells, across and up, of a window onto (ny, nz) cells feel the wake."""
    wy, wz = u.shape
    most = 0.0
    for i in range(wy):
        for j in range(wz):
            most = max(most, abs(u[i, j]))
    least_u, least_k = _FELT * most, (1.0 + _FELT_K) * _LEAST_K
    across, up = False, False
    for i in range(max(wy - _RIM, 0), wy if wy < ny else 0):
        for j in range(wz):
            across = across or abs(u[i, j]) > least_u or k[i, j] > least_k
    for i in range(wy if wz < nz else 0):
        for j in range(max(wz - _RIM, 0), wz):
            up = up or abs(u[i, j]) > least_u or k[i, j] > least_k
    return across, up


@kernel(part=True)
def _widened(a, wy, wz):
    """A window onto more cells (wy, wz), those around the old one like its rim."""
    ny, nz = a.shape
    out = np.empty((wy, wz))
    for i in range(wy):
        for j in range(wz):
            out[i, j] = a[min(i, ny - 1), min(j, nz - 1)]
    return out


# What counts as felt at the rim of a march's window: of the largest u, and of k over its floor; how
# many cells the rim has, and by how many the window grows.
_FELT, _FELT_K, _RIM, _WIDEN = 1e-10, 1e-6, 2, 4


@kernel()
def march_from_nose(
    u, k, eps, along, base, base_k, base_eps, step, kind, flow, energy, entry,
    y, z, y_edge, z_edge, closed_y, closed_z, rough, background, wall,
    c_mu, c1, c2, sigma_k, sigma_eps, weak, first_y, first_z,
):  # fmt: skip
    """March one vehicle's wake from the section at its nose, per unit speed, over steps (n,) m.

    ``u``, ``k``, ``eps`` (ny, nz) at the nose; ``along`` source of u beside the vehicle, 1/m;
    ``base``, ``base_k``, ``base_eps`` what comes where the bubble ends; ``kind`` (n,) see above;
    ``closed_y``, ``closed_z``: faces closed by the body until then; ``background`` (nz,) eddy
    viscosity of the air around. Kept sections go to ``flow`` and ``energy`` (m, ny, nz), the wake's
    entry to ``entry`` (5, ny, nz) (see ``wake.WakeTable``).

    Air that the wake has not reached stays as it was: only a window of cells, ``first_y`` across
    and ``first_z`` up at the nose, is marched, and widened as soon as its rim feels the wake."""
    ny, nz = u.shape
    wy, wz = min(first_y, ny), min(first_z, nz)
    flow[:] = 0.0
    energy[:] = _LEAST_K
    flow[0] = u
    energy[0] = k
    entry[:] = 0.0
    u, k, eps = u[:wy, :wz].copy(), k[:wy, :wz].copy(), eps[:wy, :wz].copy()
    nu = np.zeros((wy, wz))
    last, opened, kept, n = 0.0, False, 1, 0
    while n < step.size:
        none, still, calm = np.zeros((wy, wz)), np.zeros((2, wz)), np.zeros((wy + 1, wz))
        no_rise, g = np.zeros((wy, wz + 1)), np.ones((wy, wz))
        more, square = np.empty((wy, wz)), np.empty((wy, wz))
        open_y, open_z = np.zeros((wy + 1, wz), np.bool_), np.zeros((wz + 1, wy), np.bool_)
        shut_y, shut_z = open_y.copy(), open_z.copy()
        beside = along[:wy, :wz].copy()
        shut_y[:wy], shut_z[:wz] = closed_y[:wy, :wz], closed_z[:wz, :wy]
        across, up = False, False
        while n < step.size and not (across or up):
            for i in range(wy):
                for j in range(wz):
                    own = nu[i, j]
                    more[i, j] = np.sqrt(own * own + background[j] * background[j]) - own
            source = beside if kind[n] & BESIDE else none
            now_y = open_y if opened else shut_y
            now_z = open_z if opened else shut_z
            advance(
                u, k, eps, g, nu, last, step[n], source, none, none,
                y[:wy], z[:wz], y_edge[: wy + 1], z_edge[: wz + 1], now_y, now_z, still, still,
                rough[:wy], more, wall, calm, no_rise, 0, True, c_mu, c1, c2, sigma_k, sigma_eps,
                weak,
            )  # fmt: skip
            last = step[n]
            if kind[n] & ENTRY:
                entry[0, :wy, :wz] = u
                entry[1], entry[2] = _LEAST_K, _LEAST_EPS
                entry[1, :wy, :wz] = k
                entry[2, :wy, :wz] = eps
            if kind[n] & AFTER_ENTRY:
                shear(u, y[:wy], z[:wz], open_y, open_z, rough[:wy], square)
                for i in range(wy):
                    for j in range(wz):
                        made = step[n] * nu[i, j] * square[i, j]
                        entry[3, i, j] += made
                        entry[4, i, j] += c1 * made * eps[i, j] / k[i, j]
            if kind[n] & KEPT:
                flow[kept, :wy, :wz] = u
                energy[kept, :wy, :wz] = k
                kept += 1
            if kind[n] & OPENING:
                opened, last = True, 0.0
                for i in range(wy):
                    for j in range(wz):
                        u[i, j] += base[i, j]
                        k[i, j] += base_k[i, j]
                        eps[i, j] += base_eps[i, j]
                flow[kept, :wy, :wz] = u
                energy[kept, :wy, :wz] = k
                kept += 1
            across, up = _rim(u, k, ny, nz)
            n += 1
        wy = min(wy + _WIDEN, ny) if across else wy
        wz = min(wz + _WIDEN, nz) if up else wz
        before, u = u, np.zeros((wy, wz))
        u[: before.shape[0], : before.shape[1]] = before
        k, eps, nu = _widened(k, wy, wz), _widened(eps, wy, wz), _widened(nu, wy, wz)


@kernel(part=True)
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


@kernel()
def pick(xs, low_u, low_k, high_u, high_k, share, x, column, row, out_u, out_k):
    """Two tables (m, ny, nz) blended by the ``share`` of the second, at x (n,), linear in it, and
    at ``column`` (a,) and ``row`` (b,) of their nodes; 0 outside xs (m,)."""
    n = xs.size
    for i in range(x.size):
        if x[i] < xs[0] or x[i] > xs[n - 1]:
            out_u[i] = 0.0
            out_k[i] = 0.0
            continue
        a = min(max(np.searchsorted(xs, x[i]) - 1, 0), n - 2)
        after = (x[i] - xs[a]) / (xs[a + 1] - xs[a])
        w00, w01 = (1.0 - share) * (1.0 - after), (1.0 - share) * after
        w10, w11 = share * (1.0 - after), share * after
        for b in range(column.size):
            for c in range(row.size):
                p, q = column[b], row[c]
                flow = w00 * low_u[a, p, q] + w01 * low_u[a + 1, p, q]
                energy = w00 * low_k[a, p, q] + w01 * low_k[a + 1, p, q]
                if share > 0.0:
                    flow += w10 * high_u[a, p, q] + w11 * high_u[a + 1, p, q]
                    energy += w10 * high_k[a, p, q] + w11 * high_k[a + 1, p, q]
                out_u[i, b, c] = flow
                out_k[i, b, c] = energy


@kernel()
def sum_sections(ys, zs, u, k, weight, shift, rough, y, z, out_u, out_k):
    """Sums with ``weight`` (n,) of sections (n, ny, nz) at y >= 0 and z about a centre ``shift``
    (n,) aside, at points y, z (m,); linear, ln z of u below the first centre, 0 outside."""
    ny, nz = ys.size, zs.size
    for p in range(y.size):
        su, sk = 0.0, 0.0
        if z[p] >= 0.0 and z[p] <= zs[nz - 1]:
            c = min(max(np.searchsorted(zs, z[p]) - 1, 0), nz - 2)
            fc = min(max((z[p] - zs[c]) / (zs[c + 1] - zs[c]), 0.0), 1.0)
            for i in range(weight.size):
                side = abs(y[p] - shift[i])
                if side > ys[ny - 1]:
                    continue
                b = min(max(np.searchsorted(ys, side) - 1, 0), ny - 2)
                fb = min(max((side - ys[b]) / (ys[b + 1] - ys[b]), 0.0), 1.0)
                near, far = weight[i] * (1.0 - fb), weight[i] * fb
                su += (1.0 - fc) * (near * u[i, b, c] + far * u[i, b + 1, c])
                su += fc * (near * u[i, b, c + 1] + far * u[i, b + 1, c + 1])
                sk += (1.0 - fc) * (near * k[i, b, c] + far * k[i, b + 1, c])
                sk += fc * (near * k[i, b, c + 1] + far * k[i, b + 1, c + 1])
        if z[p] < zs[0]:
            su *= max(np.log(max(z[p], rough) / rough) / np.log(zs[0] / rough), 0.0)
        out_u[p], out_k[p] = su, sk
