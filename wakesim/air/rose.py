"""Wind rose: how often the wind blows from each sector, and how strongly.

Meteorological direction: where the wind comes from, degrees clockwise from north. Each sector's
speed is a Weibull distribution (wakesim.air.weibull). The road enters only through the compass
heading of its x axis, when directions are turned into its own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from wakesim.air import weibull
from wakesim.arrays import Array
from wakesim.case.tables import SHARE_TOLERANCE
from wakesim.errors import CaseError

_MIN_READINGS = 50  # fewer do not fix a shape; engineering choice, no published source
_ITERATIONS = 30


@dataclass(frozen=True)
class Sector:
    """One sector, centred on ``from_deg``; its width is 360 degrees over the number of sectors."""

    from_deg: float
    frequency: float
    weibull_scale_m_s: float
    weibull_shape: float


@dataclass(frozen=True)
class WindStates:
    """Winds that stand for a rose, arrays (n,): the share of time, m/s, and road direction.

    ``angle_deg`` is where it blows to in the road's axes, -180 to 180: 0 along +x, 90 along +y.
    """

    probability: Array
    speed_m_s: Array
    angle_deg: Array


def road_angle_deg(
    from_deg: ArrayLike, road_heading_deg: float, verge: Literal["left", "right"] = "left"
) -> Array:
    """Direction a wind blows to in the road's axes, -180 to 180 degrees, shape of ``from_deg``.

    ``road_heading_deg`` is the compass direction of +x, the travel direction of the near-side
    carriageway. ``verge``: the side, seen in that direction, to which +y points; "left" where
    traffic keeps left, "right" (the mirror image) where it keeps right.
    """
    if verge not in ("left", "right"):
        raise ValueError('verge must be "left" or "right"')
    to_left = road_heading_deg - (np.asarray(from_deg, dtype=np.float64) + 180.0)
    angle = to_left if verge == "left" else -to_left
    return angle - 360.0 * np.round(angle / 360.0)


@dataclass(frozen=True)
class WindRose:
    """Sectors of equal width, clockwise, of which the first may be centred anywhere.

    ``reference_height_m`` is the height the speeds hold at. Raises CaseError, one line a problem,
    when frequencies do not sum to 1 (within 1e-3; they are then scaled to do so), sectors are not
    evenly spaced, or a Weibull parameter is out of range.
    """

    sectors: tuple[Sector, ...]
    reference_height_m: float = 10.0

    def __post_init__(self) -> None:
        object.__setattr__(self, "sectors", tuple(self.sectors))
        problems = [f"wind rose: {text}" for text in _problems(self)]
        if problems:
            raise CaseError(problems)

    @property
    def frequency(self) -> Array:
        """Share of time of each sector (n_sectors,), sums to 1."""
        share = np.array([s.frequency for s in self.sectors], dtype=np.float64)
        return share / share.sum()

    @property
    def scale_m_s(self) -> Array:
        """Weibull scale of each sector (n_sectors,)."""
        return np.array([s.weibull_scale_m_s for s in self.sectors], dtype=np.float64)

    @property
    def shape(self) -> Array:
        """Weibull shape of each sector (n_sectors,)."""
        return np.array([s.weibull_shape for s in self.sectors], dtype=np.float64)

    @property
    def from_deg(self) -> Array:
        """Direction of the centre of each sector (n_sectors,)."""
        return np.array([s.from_deg for s in self.sectors], dtype=np.float64)

    @property
    def sector_mean_m_s(self) -> Array:
        """Mean speed of each sector (n_sectors,)."""
        return weibull.moment(1, self.scale_m_s, self.shape)

    @property
    def sector_mean_cube(self) -> Array:
        """Mean cubed speed of each sector (n_sectors,), m3/s3."""
        return weibull.moment(3, self.scale_m_s, self.shape)

    @property
    def sector_energy_pattern_factor(self) -> Array:
        """Mean cube over cubed mean of each sector (n_sectors,)."""
        return weibull.energy_pattern_factor(self.shape)

    @property
    def mean_m_s(self) -> float:
        """Mean speed from all directions."""
        return float(self.frequency @ self.sector_mean_m_s)

    @property
    def mean_cube(self) -> float:
        """Mean cubed speed from all directions, m3/s3."""
        return float(self.frequency @ self.sector_mean_cube)

    @property
    def energy_pattern_factor(self) -> float:
        """Mean cube over cubed mean of the wind from all directions."""
        return self.mean_cube / self.mean_m_s**3

    def exceedance(self, speed_m_s: ArrayLike) -> Array:
        """Share of time with more than this speed from any direction, shape of ``speed_m_s``."""
        speed = np.maximum(np.asarray(speed_m_s, dtype=np.float64), 0.0)[..., None]
        return np.exp(-((speed / self.scale_m_s) ** self.shape)) @ self.frequency

    def states(
        self, n_speeds: int, road_heading_deg: float, verge: Literal["left", "right"] = "left"
    ) -> WindStates:
        """``n_speeds`` winds for each sector that occurs, in its central direction.

        Gauss nodes (``weibull.nodes``): mean speed, mean square and mean cube of every sector are
        exact from n_speeds = 2 on. Raises ValueError for n_speeds not in 1 to 25 or a wrong verge.
        """
        angles = road_angle_deg(self.from_deg, road_heading_deg, verge)
        used = np.flatnonzero(self.frequency > 0.0)
        probability, speed = [], []
        for i in used:
            unit_speed, weight = weibull.nodes(n_speeds, float(self.shape[i]))
            probability.append(self.frequency[i] * weight)
            speed.append(self.scale_m_s[i] * unit_speed)
        return WindStates(
            np.concatenate(probability), np.concatenate(speed), np.repeat(angles[used], n_speeds)
        )

    def spread(self, n: int) -> tuple[Array, Array]:
        """Winds that stand for the rose, each for the same time: speeds (n,) in m/s and directions
        they come from (n,), 0 to 360. The same for the same n.

        Places in the unit square are multiples of the two-dimensional golden ratio (Roberts'
        sequence, from memory), so shares, directions and speeds are even, not drawn.
        """
        k = np.arange(1, n + 1)
        g = 1.32471795724474602596  # the root of g^3 = g + 1
        first, second = (0.5 + k / g) % 1.0, (0.5 + k / g**2) % 1.0
        edges = np.cumsum(self.frequency)
        which = np.minimum(np.searchsorted(edges, first * edges[-1], "right"), edges.size - 1)
        inside = (first * edges[-1] - (edges[which] - self.frequency[which])) / np.maximum(
            self.frequency[which], 1e-12
        )
        speed = self.scale_m_s[which] * (-np.log1p(-second)) ** (1.0 / self.shape[which])
        width = 360.0 / len(self.sectors)
        return speed, (self.from_deg[which] + width * (inside - 0.5)) % 360.0

    def sample(self, n: int, rng: np.random.Generator) -> tuple[Array, Array]:
        """Independent winds: speeds (n,) in m/s and directions they come from (n,), 0 to 360.

        Directions are spread evenly over each sector.
        """
        which = rng.choice(len(self.sectors), size=n, p=self.frequency)
        speed = self.scale_m_s[which] * rng.weibull(self.shape[which])
        width = 360.0 / len(self.sectors)
        return speed, (self.from_deg[which] + width * (rng.random(n) - 0.5)) % 360.0


def _problems(rose: WindRose) -> list[str]:
    sectors, out = rose.sectors, []
    if not sectors:
        return ["needs at least one sector"]
    height = rose.reference_height_m
    if not 0.0 < height <= 500.0:
        out.append(f"reference_height_m = {height:g} m: must be greater than 0 m and at most 500 m")
    for number, s in enumerate(sectors, 1):
        checks = (
            ("from_deg", s.from_deg, 0.0, 360.0, " °"),
            ("frequency", s.frequency, 0.0, 1.0, ""),
            ("weibull_scale_m_s", s.weibull_scale_m_s, 0.01, 40.0, " m/s"),
            ("weibull_shape", s.weibull_shape, weibull.MIN_SHAPE, weibull.MAX_SHAPE, ""),
        )
        for name, value, low, high, unit in checks:
            if not low <= value <= high:
                allowed = f"must be at least {low:g}{unit} and at most {high:g}{unit}"
                out.append(f"sectors[{number}].{name} = {value:g}{unit}: {allowed}")
    if out:
        return out
    total = math.fsum(s.frequency for s in sectors)
    if abs(total - 1.0) > SHARE_TOLERANCE:
        hint = " (percentages? divide by 100)" if abs(total - 100.0) < 1.0 else ""
        out.append(f"the frequencies sum to {total:g}; they must sum to 1{hint}")
    width = 360.0 / len(sectors)
    for number, s in enumerate(sectors, 1):
        expected = (sectors[0].from_deg + (number - 1) * width) % 360.0
        if abs((s.from_deg - expected + 180.0) % 360.0 - 180.0) > 0.01:
            out.append(
                f"sectors[{number}].from_deg = {s.from_deg:g} °: must be {expected:g} ° "
                f"({len(sectors)} sectors of {width:g} °, clockwise)"
            )
            break
    return out


def fit_rose(
    speed_m_s: ArrayLike,
    from_deg: ArrayLike,
    n_sectors: int = 12,
    reference_height_m: float = 10.0,
    calm_below_m_s: float = 0.5,
) -> WindRose:
    """The rose of measured winds (n,), the first sector centred on north.

    Frequencies and Weibull parameters of greatest likelihood. Readings below ``calm_below_m_s``
    only count as being below it. Those without direction (NaN) are shared out over the sectors in
    proportion to how often each is calm by its own distribution, found by iteration (expectation
    maximisation; Dempster et al., J. R. Stat. Soc. B 39 (1977) 1, from memory). A sector with fewer
    than 50 readings takes the shape of the whole record and only its own scale; one without any,
    both.

    Raises ValueError when a wind that is not calm has no direction, or fewer than two different
    speeds are not calm.
    """
    if n_sectors < 1 or not calm_below_m_s > 0.0:
        raise ValueError("number of sectors and calm speed must be greater than 0")
    speed = np.asarray(speed_m_s, dtype=np.float64)
    direction = np.asarray(from_deg, dtype=np.float64)
    calm, known = speed < calm_below_m_s, ~np.isnan(direction)
    if not np.all(calm | known):
        raise ValueError("every wind that is not calm needs a direction")
    width = 360.0 / n_sectors
    sector = np.floor(np.where(known, direction, 0.0) / width + 0.5).astype(np.int64) % n_sectors
    whole = weibull.fit(speed[~calm], float(calm.sum()), calm_below_m_s)
    moving = [speed[~calm & (sector == i)] for i in range(n_sectors)]
    located = np.bincount(sector[known], minlength=n_sectors).astype(np.float64)
    placed = np.bincount(sector[known & calm], minlength=n_sectors)
    loose = float(np.sum(calm & ~known))
    lost = loose * located / located.sum()
    for _ in range(_ITERATIONS):
        fits = np.array(
            [
                _fit_sector(own, float(calms), whole, calm_below_m_s)
                for own, calms in zip(moving, placed + lost, strict=True)
            ]
        )
        share = (located + lost) / speed.size
        often = share * -np.expm1(-((calm_below_m_s / fits[:, 0]) ** fits[:, 1]))
        before, lost = lost, loose * often / often.sum()
        if np.abs(lost - before).max() <= 1e-3 * loose:
            break
    sectors = [
        Sector(i * width, float(share[i]), float(scale), float(shape))
        for i, (scale, shape) in enumerate(fits)
    ]
    return WindRose(tuple(sectors), reference_height_m)


def _fit_sector(
    moving: Array, calms: float, whole: tuple[float, float], calm_below_m_s: float
) -> tuple[float, float]:
    """Scale and shape of one sector, as far as its readings go."""
    scale, shape = whole
    if moving.size >= _MIN_READINGS and np.ptp(moving) > 0.0:
        scale, shape = weibull.fit(moving, calms, calm_below_m_s)
    elif moving.size:
        scale = weibull.scale_for_shape(moving, shape, calms)
    return scale, float(np.clip(shape, weibull.MIN_SHAPE, weibull.MAX_SHAPE))
