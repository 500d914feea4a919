"""Mean of diffusing wakes against closed forms and an adaptive quadrature of many digits."""

from __future__ import annotations

import math

import mpmath as mp
import numpy as np
import pytest
from line_force import line_drift

from wakesim.validation.quantities.diffusing_wakes import PassingSource, mean_drift


def exact(source, y, z, k, v, oldest=math.inf):
    """The integral over age by mpmath, split so that every feature lies in a panel."""

    def rate(log_age):
        t = mp.e**log_age
        var_y, var_z = source.sigma_y_m**2 + 2 * k * t, source.sigma_z_m**2 + 2 * k * t
        across = mp.exp(-((y - source.y_m - v * t) ** 2) / (2 * var_y))
        upper, lower = (mp.exp(-((z - s * source.z_m) ** 2) / (2 * var_z)) for s in (1, -1))
        return t * across * (upper - lower) / (2 * mp.pi * mp.sqrt(var_y * var_z))

    end = 24.0 if oldest == math.inf else math.log(oldest)
    panels = np.concatenate((np.arange(-34.0, min(6.0, end) - 0.01, 0.5), np.arange(6.0, end, 2.0)))
    return float(source.force_m3_s2 * mp.quad(rate, [*panels, end], maxdegree=6))


@pytest.mark.parametrize(
    ("k", "v"),
    [(0.5, 0.0), (0.15, 0.0), (0.15, 1.0), (0.15, 8.0), (1.5, 3.0), (0.5, -3.0), (0.05, 20.0)],
)
def test_line_limits(k, v):
    rng = np.random.default_rng(5)
    y, z = rng.uniform(-30.0, 30.0, 200), rng.uniform(0.01, 10.0, 200)
    closed = line_drift(4.0, -1.8, 0.7, y, z, k, v)
    found = mean_drift([PassingSource(0.4, 10.0, -1.8, 0.7)], y, z, k, v)
    seen = closed > 1e-9 * closed.max()
    assert seen.sum() > 10
    np.testing.assert_allclose(found[seen], closed[seen], rtol=1e-6)


@pytest.mark.parametrize(
    ("sigma_y", "sigma_z", "height", "y", "z", "k", "v"),
    [
        (0.8, 0.6, 0.7, 4.5, 2.0, 0.5, 0.0),
        (0.8, 0.6, 0.7, 4.5, 2.0, 0.5, 0.01),
        (0.2, 0.3, 0.5, 4.5, 0.05, 0.15, 3.0),
        (3.0, 0.3, 1.5, 28.0, 2.0, 0.15, 8.0),
        (1.2, 1.3, 2.0, -6.0, 3.0, 1.5, 1.0),
        (0.0, 0.5, 0.7, 0.5, 0.7, 0.5, 1.0),
        (0.6, 0.0, 0.7, -1.8, 1.5, 0.5, 0.0),
        (0.5, 0.5, 0.7, -1.8, 0.7, 0.15, 0.0),
    ],
)  # fmt: skip
def test_quadrature_to_one_in_a_million(sigma_y, sigma_z, height, y, z, k, v):
    source = PassingSource(0.4, 10.0, -1.8, height, sigma_y, sigma_z)
    assert mean_drift([source], y, z, k, v) == pytest.approx(exact(source, y, z, k, v), rel=1e-6)


def test_points_together_are_as_exact_as_alone():
    source = PassingSource(0.4, 10.0, -1.8, 0.7, 0.4, 0.3)
    y, z = np.meshgrid([-1.8, -1.0, 4.5, 30.0, 120.0], [0.0, 0.7, 2.0, 6.0])
    together = mean_drift([source], y, z, 0.15, 4.0)
    assert together.shape == y.shape
    alone = [
        float(mean_drift([source], a, b, 0.15, 4.0)) for a, b in zip(y.flat, z.flat, strict=True)
    ]
    np.testing.assert_allclose(together.ravel(), alone, rtol=1e-6)
    assert np.all(together[0] == 0.0)  # no slip


def test_sources_add_and_have_signs():
    one = PassingSource(0.4, 10.0, -1.8, 0.7, 0.8, 0.6)
    other = PassingSource(0.3, -12.0, -12.0, 0.9, 0.8, 0.6)
    place = ([4.5, -7.0], [2.0, 1.0], 0.5, 1.0)
    both = mean_drift([one, other], *place)
    np.testing.assert_allclose(both, mean_drift([one], *place) + mean_drift([other], *place))
    assert np.all(mean_drift([other], *place)[0] < 0.0)
    assert np.all(mean_drift([], *place) == 0.0)


def test_unit_of_the_force_by_the_friction_on_the_road():
    # K dU/dz on the road, summed across it, is the drag per metre over the density: f = q m.
    source = PassingSource(0.4, 10.0, 0.0, 1.0)
    angle = (np.arange(2000) + 0.5) / 2000 * math.pi - 0.5 * math.pi
    y = np.tan(angle)
    stress = 0.5 * mean_drift([source], y, 1e-6, 0.5) / 1e-6
    assert np.mean(stress * (1.0 + y**2)) * math.pi == pytest.approx(4.0, rel=1e-4)


def test_line_drift_is_symmetric_in_the_wind():
    args = 4.0, -1.8, 0.7
    np.testing.assert_allclose(
        line_drift(*args, -1.8 + 3.0, 2.0, 0.5, 1.5), line_drift(*args, -1.8 - 3.0, 2.0, 0.5, -1.5)
    )
    faint = line_drift(*args, 2.0, 2.0, 0.5, 1e-7)
    assert faint == pytest.approx(float(line_drift(*args, 2.0, 2.0, 0.5)), rel=1e-5)


def test_refuses_nonsense():
    good = PassingSource(0.4, 10.0, -1.8, 0.7)
    for values in ((-0.1, 10.0, 0.0, 1.0), (0.1, math.nan, 0.0, 1.0), (0.1, 1.0, 0.0, 0.0)):
        with pytest.raises(ValueError, match=r"source|rate"):
            PassingSource(*values)
    with pytest.raises(ValueError, match="diffusivity"):
        mean_drift([good], 1.0, 1.0, 0.0)
    with pytest.raises(ValueError, match="above the road"):
        mean_drift([good], 1.0, -1.0, 0.5)
    with pytest.raises(ValueError, match="without spread"):
        mean_drift([good], -1.8, 0.7, 0.5)
