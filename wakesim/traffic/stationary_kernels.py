"""Compiled loops of the stationary statistics: characteristic functions on a logarithmic grid.

For one direction theta and one sample of a pass let x = k f.e be the phase and y = k^2 s/2 the
damping by its local variance s along e. The logarithm of the characteristic function is
psi(k) = sum w (exp(i x - y) - 1); what is wanted are its parts beyond mean and variance,

    a(k) = Re psi + k^2 kappa_2/2 = sum w [(1-d) q + e + x^2 d/2]        >= 0, O(k^4)
    b(k) = Im psi - k kappa_1     = -sum w [(1-d) p + x d]               O(k^3)

with q = cos x - 1 + x^2/2, p = x - sin x, d = 1 - exp(-y), e = y - d. Wave numbers are
k = k_0 2^(j/M). From one octave to the next nothing transcendental is needed, and no digits are
lost however small k is: with c = 1 - cos x and s = sin x

    q <- 4 q + 2 c^2,   p <- 2 p + 2 c s,   s <- 2 s (1 - c),   c <- 2 s_old^2,   x <- 2 x,
    twice:  e <- 2 e + d^2,   d <- d (2 - d).

Headways other than exponential add their correction (``bunching``) to variance, a and b.

Moments of the speed come from the difference between the characteristic function and that of a
reference of known moments (two normal distributions with the same mass, mean and variance), which
is O(k^4) at small k and vanishes at large k: no tail has to be added.
"""

from __future__ import annotations

import math

import numba
import numpy as np

from wakesim.arrays import kernel

_BLOCK = 256
_SERIES_A, _SERIES_B = 0.05, 0.3
_BENT = 3.0  # k^2 C up to which the correction beyond C is small beside it
_GONE = 60.0  # exponent of a factor that leaves nothing


@kernel()
def _start(x, y, state, i):
    """Series of all parts at the smallest wave number, where |x| and y are small."""
    xx = x * x
    q = xx * xx / 24.0 * (1.0 - xx / 30.0 * (1.0 - xx / 56.0))
    p = x * xx / 6.0 * (1.0 - xx / 20.0 * (1.0 - xx / 42.0))
    e = 0.5 * y * y * (1.0 - y / 3.0 * (1.0 - y / 4.0 * (1.0 - y / 5.0 * (1.0 - y / 6.0))))
    state[0, i] = x
    state[1, i] = q
    state[2, i] = p
    state[3, i] = 0.5 * xx - q
    state[4, i] = x - p
    state[5, i] = y - e
    state[6, i] = e


@kernel()
def _octave(state, weight, first, count):
    """Sums of a and b over a block, and the step to twice the wave number. Everything is reached
    through the one array ``state``, which lets the loop be vectorised."""
    total_a = 0.0
    total_b = 0.0
    for i in range(count):
        x, q, p = state[0, i], state[1, i], state[2, i]
        c, s, d, e = state[3, i], state[4, i], state[5, i], state[6, i]
        w = weight[first + i]
        total_a += w * ((1.0 - d) * q + e + 0.5 * x * x * d)
        total_b -= w * ((1.0 - d) * p + x * d)
        state[1, i] = 4.0 * q + 2.0 * c * c
        state[2, i] = 2.0 * p + 2.0 * c * s
        state[4, i] = 2.0 * s * (1.0 - c)
        state[3, i] = 2.0 * s * s
        state[0, i] = 2.0 * x
        e2 = 2.0 * e + d * d
        d2 = d * (2.0 - d)
        state[6, i] = 2.0 * e2 + d2 * d2
        state[5, i] = d2 * (2.0 - d2)
    return total_a, total_b


@kernel()
def _octave_still(state, weight, first, count):
    """The same without local variance."""
    total_a = 0.0
    total_b = 0.0
    for i in range(count):
        q, p, c, s = state[1, i], state[2, i], state[3, i], state[4, i]
        w = weight[first + i]
        total_a += w * q
        total_b -= w * p
        state[1, i] = 4.0 * q + 2.0 * c * c
        state[2, i] = 2.0 * p + 2.0 * c * s
        state[4, i] = 2.0 * s * (1.0 - c)
        state[3, i] = 2.0 * s * s
        state[0, i] = 2.0 * state[0, i]
    return total_a, total_b


@kernel()
def _log_characteristic(nodes, weight, cosine, sine, k0, voices, octaves, part_a, part_b):
    """a and b of one direction at k0 2^(j/voices), j < voices x octaves."""
    n = weight.size
    state, seen = np.empty((7, _BLOCK)), np.empty((2, _BLOCK))
    part_a[:] = 0.0
    part_b[:] = 0.0
    still = True
    for i in range(n):
        still = still and nodes[i, 2] == 0.0 and nodes[i, 3] == 0.0 and nodes[i, 4] == 0.0
    for first in range(0, n, _BLOCK):
        count = min(_BLOCK, n - first)
        for i in range(count):
            node = nodes[first + i]
            seen[0, i] = node[0] * cosine + node[1] * sine
            variance = node[2] * cosine * cosine + node[3] * sine * sine
            seen[1, i] = 0.5 * max(variance + 2.0 * node[4] * cosine * sine, 0.0)
        for voice in range(voices):
            k = k0 * 2.0 ** (voice / voices)
            for i in range(count):
                _start(k * seen[0, i], k * k * seen[1, i], state, i)
            for octave in range(octaves):
                if still:
                    a, b = _octave_still(state, weight, first, count)
                else:
                    a, b = _octave(state, weight, first, count)
                part_a[octave * voices + voice] += a
                part_b[octave * voices + voice] += b


@kernel()
def _beyond_second(damping, a, phase, b):
    """Re exp(a - damping + i (phase + b)) - 1 + damping + phase^2/2 without cancellation."""
    exponent = a - damping
    if exponent < -_GONE:
        return damping + 0.5 * phase * phase - 1.0
    angle = phase + b
    if exponent > -_SERIES_A:
        x = exponent
        curve = 0.5 * x * x * (1.0 + x / 3.0 * (1.0 + x / 4.0 * (1.0 + x / 5.0 * (1.0 + x / 6.0))))
        grown = curve + x
    else:
        grown = math.exp(exponent) - 1.0
        curve = grown - exponent
    if abs(angle) < _SERIES_B:
        z = angle * angle
        quartic = z * z / 24.0
        quartic *= 1.0 - z / 30.0 * (1.0 - z / 56.0 * (1.0 - z / 90.0 * (1.0 - z / 132.0)))
        turned = quartic - 0.5 * z
    else:
        turned = math.cos(angle) - 1.0
        quartic = turned + 0.5 * angle * angle
    return curve + a + grown * turned + quartic - phase * b - 0.5 * b * b


@kernel()
def _along(matrix, cosine, sine):
    """Variance along a direction of a covariance (uu, vv, uv)."""
    value = matrix[0] * cosine * cosine + matrix[1] * sine * sine + 2.0 * matrix[2] * cosine * sine
    return max(value, 0.0)


@kernel()
def _direction(state, cosine, sine, k0, voices, part_a, part_b, out):
    """Integrals over k of one direction: k^-4 D and k^-2 D, D the difference to the reference.

    ``state``: rows of mean u, mean v, var u, var v, cov uv and mass: of the velocity itself, of the
    air without a pass, of the normal reference for the rest. ``out``: cube with all and with every
    second wave number, then speed likewise. Trapezoidal rule in log k; below k0 the sum goes on as
    a geometric series of the two leading powers.
    """
    means = state[:, 0] * cosine + state[:, 1] * sine
    variance = np.empty(3)
    for r in range(3):
        variance[r] = _along(state[r, 2:5], cosine, sine)
    sums = np.zeros((2, 2))
    lowest = np.zeros(2)
    for j in range(part_a.size):
        k = k0 * 2.0 ** (j / voices)
        kk = k * k
        difference = _beyond_second(0.5 * kk * variance[0], part_a[j], k * means[0], part_b[j])
        for r in range(1, 3):
            if state[r, 5] > 0.0:
                difference -= state[r, 5] * _beyond_second(
                    0.5 * kk * variance[r], 0.0, k * means[r], 0.0
                )
        if j == 0:
            lowest[0] = difference / (kk * kk)
        elif j == voices:
            lowest[1] = difference / (kk * kk)
        parity = j % 2
        sums[0, parity] += difference / (kk * k)
        sums[1, parity] += difference / k
    beta = (lowest[1] - lowest[0]) / 3.0  # D/k^4 = alpha + beta (k/k0)^2
    alpha = lowest[0] - beta
    for stride in range(1, 3):
        r = 2.0 ** (stride / voices)
        step = math.log(r)
        cube = sums[0, 0] + (sums[0, 1] if stride == 1 else 0.0)
        speed = sums[1, 0] + (sums[1, 1] if stride == 1 else 0.0)
        cube += k0 * (alpha / (r - 1.0) + beta / (r**3 - 1.0))
        speed += k0**3 * (alpha / (r**3 - 1.0) + beta / (r**5 - 1.0))
        out[stride - 1] = step * cube
        out[stride + 1] = step * speed


@kernel()
def _add_bunching(covariance, first, even, odd, theta, k0, voices, part_a, part_b):
    """Adds the correction d of one state, beyond its covariance, along a direction.

    ``even`` and ``odd`` (4, octaves), at wave numbers first 2^o: over the directions by the Fourier
    series that meets all four (with period pi, and with the sign turned after pi). Over ln k by
    cubics: of these values up to k^2 C = ``_BENT``, then of d itself, which levels off. Below the
    first wave number they are constant, above the last d is.
    """
    octaves = even.shape[1]
    value, along_k = np.zeros((4, octaves)), np.empty(octaves)
    for n in range(4):
        turn = theta - 0.25 * math.pi * n
        own = 0.25 * (1.0 + 2.0 * math.cos(2.0 * turn) + math.cos(4.0 * theta) * (1 - 2 * (n % 2)))
        turned = 0.5 * (math.cos(turn) + math.cos(3.0 * turn))
        for o in range(octaves):
            value[0, o] += own * even[n, o]
            value[1, o] += turned * odd[n, o]
    c, s = math.cos(theta), math.sin(theta)
    along = covariance[0] * c * c + covariance[1] * s * s + 2.0 * covariance[2] * c * s
    for o in range(octaves):
        k = first * 2.0**o
        along_k[o] = k
        value[2, o] = value[0, o] * k**4 - 0.5 * along * k * k
        value[3, o] = value[1, o] * k**3
    for j in range(part_a.size):
        k = k0 * 2.0 ** (j / voices)
        x = min(max(math.log2(k / first), 0.0), octaves - 1.0)
        i = min(int(x), octaves - 2)
        x -= i
        # Hermite's cubic with the slopes of parabolas, of which the next node has a share
        before, after = max(i - 1, 0), min(i + 2, octaves - 1)
        s0, s1 = 0.5 * x * (1.0 - x) ** 2, 0.5 * x * x * (x - 1.0)
        w0 = (1.0 + 2.0 * x) * (1.0 - x) ** 2 - s1
        w1 = x * x * (3.0 - 2.0 * x) + s0
        m = 0 if abs(along) * along_k[i + 1] ** 2 < _BENT else 2
        even_k, odd_k = value[m], value[m + 1]
        a = w0 * even_k[i] + w1 * even_k[i + 1] - s0 * even_k[before] + s1 * even_k[after]
        b = w0 * odd_k[i] + w1 * odd_k[i + 1] - s0 * odd_k[before] + s1 * odd_k[after]
        if m == 0 and k <= along_k[octaves - 1]:
            part_a[j] += a * k**4
            part_b[j] += b * k**3
        elif m == 0:
            part_a[j] += value[2, octaves - 1] + 0.5 * along * k * k
            part_b[j] += value[3, octaves - 1]
        else:
            part_a[j] += a + 0.5 * along * k * k
            part_b[j] += b


@kernel()
def _normal_moments(row, angle, directions):
    """E|u|^3 and E|u| of a bivariate normal, by its folded projections on many directions."""
    cube, speed = 0.0, 0.0
    root = math.sqrt(2.0 / math.pi)
    for n in range(directions):
        theta = angle + math.pi * n / directions
        c, s = math.cos(theta), math.sin(theta)
        mean = abs(row[0] * c + row[1] * s)
        variance = _along(row[2:5], c, s)
        sigma = math.sqrt(variance)
        if sigma > 1e-12 * mean and sigma > 0.0:
            z = mean / sigma
            bell = sigma * root * math.exp(-0.5 * z * z)
            inside = math.erf(z / math.sqrt(2.0))
        else:
            bell, inside = 0.0, 1.0
        speed += bell + mean * inside
        cube += (mean * mean + 2.0 * variance) * bell
        cube += mean * (mean * mean + 3.0 * variance) * inside
    return 0.75 * math.pi * cube / directions, 0.5 * math.pi * speed / directions


@kernel()
def _combine(state, angle, normal_directions, parts):
    """Mean cube and mean speed, each with the differences to half the wave numbers and angles."""
    directions = parts.shape[0]
    result = np.empty(6)
    cube, speed = 0.0, 0.0
    for r in range(1, 3):
        if state[r, 5] > 0.0:
            own_cube, own_speed = _normal_moments(state[r], angle, normal_directions)
            cube += state[r, 5] * own_cube
            speed += state[r, 5] * own_speed
    for m in range(2):
        factor = 9.0 if m == 0 else -1.0
        power = 16.0 if m == 0 else 4.0
        full, half_k, half_angle = 0.0, 0.0, 0.0
        for n in range(directions):
            full += parts[n, 2 * m]
            half_k += parts[n, 2 * m + 1]
            if n % 2 == 0:
                half_angle += 2.0 * parts[n, 2 * m]
        full *= factor / directions
        half_k *= factor / directions
        half_angle *= factor / directions
        # Richardson: the error of the angles is that of |cos|^3 or |cos| when air moves one way
        result[3 * m] = full + (full - half_angle) / (power - 1.0)
        result[3 * m + 1] = full - half_k
        result[3 * m + 2] = (full - half_angle) / (power - 1.0)
    result[0] += cube
    result[3] += speed
    return result


@kernel()
def summary(nodes, weight, first, out):
    """Of every state, (n, 7): sum of the weights, of u and v, of the second moments uu, vv and uv,
    and the largest speed of a node plus its standard deviation; state i owns nodes first[i] to
    first[i + 1]."""
    for i in range(out.shape[0]):
        mass, u, v, uu, vv, uv, reach = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
        for n in range(first[i], first[i + 1]):
            w, a, b = weight[n], nodes[n, 0], nodes[n, 1]
            mass += w
            u += w * a
            v += w * b
            uu += w * (a * a + nodes[n, 2])
            vv += w * (b * b + nodes[n, 3])
            uv += w * (a * b + nodes[n, 4])
            reach = max(reach, np.sqrt(a * a + b * b) + np.sqrt(nodes[n, 2] + nodes[n, 3]))
        out[i, 0], out[i, 1], out[i, 2], out[i, 6] = mass, u, v, reach
        out[i, 3], out[i, 4], out[i, 5] = uu, vv, uv


@kernel()
def _octaves_felt(still, cosine, sine, k0, octaves):
    """Octaves of k up to where the air's own fluctuation, which all of phi and of the references
    has, leaves nothing of them along a direction; ``still``: row of the air without a pass."""
    variance = _along(still[2:5], cosine, sine)
    if variance <= 0.0:
        return octaves
    last = math.ceil(math.log2(math.sqrt(2.0 * _GONE / variance) / k0)) + 1
    return min(max(last, 2), octaves)


@kernel(parallel=True)
def moments_of_one(
    nodes, weight, state, angle, k0, voices, octaves, directions, normal_directions
):  # fmt: skip
    """Mean cube and mean speed of one state, its directions in parallel.

    ``nodes`` (n, 5), ``weight`` (n,): see Measure; ``state`` (3, 6): see ``_direction``; ``angle``
    is where the directions start. Returns (6,): mean cube, what halving the wave numbers changes,
    and what the extrapolation over the directions changes; then the same of the mean speed.
    """
    parts = np.zeros((directions, 4))
    for n in numba.prange(directions):
        theta = angle + math.pi * n / directions
        cosine, sine = math.cos(theta), math.sin(theta)
        felt = _octaves_felt(state[1], cosine, sine, k0, octaves)
        part_a = np.empty(voices * felt)
        part_b = np.empty(voices * felt)
        _log_characteristic(nodes, weight, cosine, sine, k0, voices, felt, part_a, part_b)
        _direction(state, cosine, sine, k0, voices, part_a, part_b, parts[n])
    return _combine(state, angle, normal_directions, parts)


@kernel(parallel=True)
def moments_of_many(
    nodes, weight, first, state, angle, k0, voices, octaves, directions, normal_directions,
    covariance, bunched_k, even, odd, out,
):  # fmt: skip
    """The same for many states in parallel; state i owns nodes first[i] to first[i + 1].
    ``covariance``, ``bunched_k``, ``even``, ``odd``: the arrays of ``bunching.Bunching``."""
    for i in numba.prange(angle.size):
        parts = np.zeros((directions, 4))
        part_a = np.empty(voices * octaves[i])
        part_b = np.empty(voices * octaves[i])
        own = slice(first[i], first[i + 1])
        if octaves[i] > 0:
            for n in range(directions):
                theta = angle[i] + math.pi * n / directions
                cosine, sine = math.cos(theta), math.sin(theta)
                felt = _octaves_felt(state[i, 1], cosine, sine, k0[i], octaves[i])
                a, b = part_a[: voices * felt], part_b[: voices * felt]
                _log_characteristic(
                    nodes[own], weight[own], cosine, sine, k0[i], voices, felt, a, b
                )
                if bunched_k[i] > 0.0:
                    _add_bunching(
                        covariance[i], bunched_k[i], even[i], odd[i], theta, k0[i], voices, a, b
                    )
                _direction(state[i], cosine, sine, k0[i], voices, a, b, parts[n])
        out[i] = _combine(state[i], angle[i], normal_directions, parts)
