"""Distribution of the horizontal speed of Poisson-superposed passes.

The intensity measure is laid on a grid of velocities (u, v); its Fourier sum gives the logarithm of
the characteristic function, and the transform of the exponential gives the joint distribution of
u and v, of which the speed's is collected in rings (compound Poisson sums by Fourier transform;
P. Embrechts and M. Frei, Math. Methods Oper. Res. 69 (2009), from memory).

- Each sample is shared by 3 x 3 grid points so that weight, mean and second moments are kept.
- Local variances enter as a factor exp(-(k_u^2 s_u + k_v^2 s_v)/2) for groups of similar variance.
- The grid reaches as far as a Chernoff bound of 1e-9 asks, so that nothing wraps around.
- Without ambient turbulence the air keeps exactly the ambient mean for a share of the time, that
  in which no pass is felt: an atom, exp(-intensity), kept apart from the density.

Detail below a cell (``resolution``) is smeared. A signature without turbulence has a density with
edges and peaks, of which the smeared form is shown; the distribution function is hardly touched.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import fft

from wakesim.arrays import Array, kernel
from wakesim.traffic.measure import Measure, cut

_CELLS = 1024  # a side of the grid
_TAIL = math.log(1e9)  # the Chernoff bound of what lies outside is exp(-_TAIL) on each side
_EDGE = 4  # spare cells at each end
_VARIANCE_GROUPS = 24
_FINE_SPEEDS = 2000
_PARTS = 4  # of a cell, each way, when it is shared among rings


@dataclass(frozen=True, eq=False)
class SpeedDistribution:
    """``speed`` (n,) m/s increasing, ``cdf`` (n,) with the atom, ``pdf`` (n,) s/m without it.

    ``atom_speed`` m/s and ``atom_share`` 0..1: the speed the air keeps exactly, and how often.
    ``resolution`` m/s: detail of the density below it is smeared.
    """

    speed: Array
    cdf: Array
    pdf: Array
    atom_speed: float
    atom_share: float
    resolution: float

    def _continuous(self, speed: Array) -> Array:
        own = self.cdf - self.atom_share * (self.speed >= self.atom_speed)
        return np.interp(speed, self.speed, own, left=0.0)

    def at(self, speeds: ArrayLike) -> SpeedDistribution:
        """The same on other speeds (n,), increasing, m/s."""
        values = np.asarray(speeds, dtype=np.float64)
        if values.ndim != 1 or values.size == 0 or not np.all(np.isfinite(values)):
            raise ValueError("speeds must be a list of finite numbers, in m/s")
        if values[0] < 0.0 or np.any(np.diff(values) <= 0.0):
            raise ValueError("speeds must increase from at least 0 m/s")
        cdf = self._continuous(values) + self.atom_share * (values >= self.atom_speed)
        pdf = np.interp(values, self.speed, self.pdf, right=0.0)
        return SpeedDistribution(
            values, cdf, pdf, self.atom_speed, self.atom_share, self.resolution
        )

    def share_above(self, speed: float) -> float:
        """Share of the time with a speed above ``speed`` (m/s), 0..1."""
        if not speed >= 0.0:
            raise ValueError("a speed must be at least 0 m/s")
        below = self._continuous(np.array([speed]))[0] + self.atom_share * (
            speed >= self.atom_speed
        )
        return float(min(max(1.0 - below, 0.0), 1.0))


def invert(
    passes: Measure, mean: Array, covariance: Array, cells: int = _CELLS
) -> SpeedDistribution:
    """The speed's distribution for passes, a constant mean (2,) and normal turbulence (2, 2)."""
    still = not np.any(covariance)
    share = math.exp(-passes.intensity) if still else 0.0
    atom = (float(np.hypot(*mean)), share)
    axes = [_axis(passes, covariance, i, cells) for i in range(2)]
    if all(step == 0.0 for _, step in axes):
        return _only_atom(atom[0])
    steps = np.array([step if step > 0.0 else max(a[1] for a in axes) for _, step in axes])
    lowest = np.array(
        [low if step > 0.0 else -_EDGE * s for (low, step), s in zip(axes, steps, strict=True)]
    )
    mass = _joint_mass(passes, covariance, steps, cells)
    # The sums start from zero velocity; unwrap so that the axis begins at its lowest value.
    start = np.floor(lowest / steps).astype(np.int64)
    mass = np.roll(mass, (-start[0], -start[1]), axis=(0, 1))
    origin = start * steps + mean
    corners = np.abs([origin, origin + cells * steps]).max(axis=0)
    width = float(np.hypot(*corners)) / _FINE_SPEEDS
    ring = rings(mass, origin[0], origin[1], steps[0], steps[1], width, _FINE_SPEEDS)
    ring *= (1.0 - share) / ring.sum()
    return _collected(ring, width, atom, float(steps.max()))


def _only_atom(speed: float) -> SpeedDistribution:
    grid = np.linspace(0.0, 2.0 * speed if speed > 0.0 else 1.0, 11)
    cdf = (grid >= speed).astype(np.float64)
    return SpeedDistribution(grid, cdf, np.zeros(grid.size), speed, 1.0, 0.0)


def _collected(
    ring: Array, width: float, atom: tuple[float, float], resolution: float
) -> SpeedDistribution:
    """Distribution from the masses at equally spaced speeds, up to where nothing is left."""
    below = np.cumsum(ring) - 0.5 * ring
    below[0] = 0.0  # no speed is below zero
    density = ring / width
    density[0] *= 2.0
    last = int(np.searchsorted(below, below[-1] * (1.0 - 1e-12))) + 2
    last = max(last, math.ceil(atom[0] / width) + 2)
    speed = width * np.arange(last)
    cdf, pdf = np.full(last, below[-1]), np.zeros(last)
    n = min(last, ring.size)
    cdf[:n], pdf[:n] = below[:n], density[:n]
    cdf += atom[1] * (speed >= atom[0])
    return SpeedDistribution(speed, cdf, pdf, atom[0], atom[1], resolution)


def _axis(passes: Measure, covariance: Array, i: int, cells: int) -> tuple[float, float]:
    """Lowest velocity and step of one axis, without the ambient mean."""
    low = -_chernoff(passes, covariance[i, i], i, -1.0)
    high = _chernoff(passes, covariance[i, i], i, 1.0)
    step = (high - low) / (cells - 2 * _EDGE)
    return low - _EDGE * step, step


def _chernoff(passes: Measure, ambient: float, i: int, sign: float) -> float:
    """Bound that sign x velocity exceeds with a probability of less than exp(-_TAIL)."""
    along = sign * passes.nodes[:, i]
    variance = passes.nodes[:, 2 + i]
    deviation = math.sqrt(float(passes.covariance[i, i]) + ambient)
    if deviation == 0.0:
        return max(0.0, float(sign * passes.mean[i]))
    best = math.inf
    largest = max(float(np.max(np.abs(along), initial=0.0)), deviation)
    for s in np.geomspace(1e-2 / largest, 50.0 / deviation, 60):
        exponent = s * along + 0.5 * s * s * variance
        if np.max(exponent, initial=0.0) > 200.0:
            break
        grown = float(np.sum(passes.weight * np.expm1(exponent))) + 0.5 * s * s * ambient
        best = min(best, (grown + _TAIL) / s)
    return max(best, 0.0)


def _joint_mass(passes: Measure, covariance: Array, steps: Array, cells: int) -> Array:
    """Probability on the grid (cells, cells) of the velocity of all passes, without the atom."""
    k_u = 2.0 * math.pi * fft.fftfreq(cells, steps[0])[:, None]
    k_v = 2.0 * math.pi * fft.rfftfreq(cells, steps[1])[None, :]
    exponent = np.zeros((cells, cells // 2 + 1), dtype=np.complex128)
    for own in _by_variance(passes):
        grid = np.zeros((cells, cells))
        lay_out(own.nodes, own.weight, steps[0], steps[1], grid)
        part = fft.rfft2(grid)
        s_u, s_v, s_uv = np.average(own.nodes[:, 2:], axis=0, weights=own.weight)
        if s_u > 0.0 or s_v > 0.0:
            part *= np.exp(-0.5 * k_u**2 * s_u - 0.5 * k_v**2 * s_v - k_u * k_v * s_uv)
        exponent += part
    if np.any(covariance):
        (c_u, c_uv), (_, c_v) = covariance
        smooth = -0.5 * k_u**2 * c_u - 0.5 * k_v**2 * c_v - k_u * k_v * c_uv
        transform = np.exp(exponent - passes.intensity + smooth)
    else:
        transform = math.exp(-passes.intensity) * np.expm1(exponent)
    return fft.irfft2(transform, s=(cells, cells))


def _by_variance(passes: Measure) -> list[Measure]:
    """The measure in groups of similar local variance."""
    if len(passes) == 0:
        return []
    features = np.zeros((4, len(passes)))
    features[:2] = np.sqrt(passes.nodes[:, 2:4].T)
    order, first = cut(features, passes.weight.copy(), _VARIANCE_GROUPS)
    parts = [order[first[g] : first[g + 1]] for g in range(first.size - 1)]
    return [Measure(passes.weight[p], passes.nodes[p]) for p in parts]


# --- compiled loops ---


@kernel()
def lay_out(nodes, weight, step_u, step_v, grid):
    """Add nodes to a periodic grid from zero on; mean and second moments are kept."""
    rows, columns = grid.shape
    share_u = np.empty(3)
    share_v = np.empty(3)
    for n in range(weight.size):
        u = nodes[n, 0] / step_u
        v = nodes[n, 1] / step_v
        i = math.floor(u + 0.5)
        j = math.floor(v + 0.5)
        u -= i
        v -= j
        share_u[0], share_u[1], share_u[2] = 0.5 * u * (u - 1.0), 1.0 - u * u, 0.5 * u * (u + 1.0)
        share_v[0], share_v[1], share_v[2] = 0.5 * v * (v - 1.0), 1.0 - v * v, 0.5 * v * (v + 1.0)
        for a in range(3):
            for b in range(3):
                grid[(i + a - 1) % rows, (j + b - 1) % columns] += (
                    weight[n] * share_u[a] * share_v[b]
                )


@kernel()
def rings(mass, u0, v0, step_u, step_v, width, count):
    """Mass at the speeds 0, width, 2 width ..., each cell spread over its area.

    A part of a cell is shared by the two nearest speeds in proportion, so that speed adds up.
    """
    out = np.zeros(count)
    share = 1.0 / (_PARTS * _PARTS)
    for i in range(mass.shape[0]):
        for j in range(mass.shape[1]):
            m = mass[i, j]
            if abs(m) < 1e-18:
                continue
            for a in range(_PARTS):
                u = u0 + (i + (a + 0.5) / _PARTS - 0.5) * step_u
                for b in range(_PARTS):
                    v = v0 + (j + (b + 0.5) / _PARTS - 0.5) * step_v
                    position = min(math.sqrt(u * u + v * v) / width, count - 1.001)
                    ring = int(position)
                    upper = m * share * (position - ring)
                    out[ring] += m * share - upper
                    out[ring + 1] += upper
    return out
