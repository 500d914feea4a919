"""Plan outlines: dimensions, direction, and spacing."""

from __future__ import annotations

import numpy as np
import pytest

from wakesim.vehicle.outlines import circle, ellipse, vehicle_outline


def signed_area(loop):
    x, y = loop.T
    return 0.5 * np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)


def lengths(loop):
    return np.linalg.norm(np.roll(loop, -1, axis=0) - loop, axis=1)


def test_circle():
    loop = circle(90, 2.0, (1.0, -3.0))
    np.testing.assert_allclose(np.hypot(*(loop - (1.0, -3.0)).T), 2.0, rtol=1e-14)
    assert signed_area(loop) == pytest.approx(4.0 * np.pi, rel=2e-3)
    np.testing.assert_allclose(lengths(loop), lengths(loop)[0], rtol=1e-12)


def test_turned_ellipse_lies_on_its_equation():
    loop = ellipse(50, 2.0, 0.5, 30.0, (0.2, 0.1)) - (0.2, 0.1)
    c, s = np.cos(np.pi / 6), np.sin(np.pi / 6)
    along, across = loop @ (c, s), loop @ (-s, c)
    np.testing.assert_allclose((along / 2.0) ** 2 + (across / 0.5) ** 2, 1.0, rtol=1e-12)
    assert loop[0] == pytest.approx((2.0 * c, 2.0 * s))
    assert signed_area(loop) > 0.0


@pytest.mark.parametrize("radius", [0.1, 0.4, 0.9])
@pytest.mark.parametrize("arc_panels", [4, 8, 20])
def test_vehicle_outline(radius, arc_panels):
    loop = vehicle_outline(4.4, 1.8, radius, arc_panels=arc_panels, nose_m=(1.0, -2.0))
    assert loop.max(axis=0) == pytest.approx((1.0, -1.1))
    assert loop.min(axis=0) == pytest.approx((-3.4, -2.9))
    exact = 4.4 * 1.8 - (4.0 - np.pi) * radius**2
    assert signed_area(loop) == pytest.approx(exact, rel=0.01 * (4 / arc_panels))
    arc = 0.5 * np.pi * radius / arc_panels
    panels = lengths(loop)
    # cosine spacing starts 1 : 3, nothing changes faster than that
    ratio = panels / np.roll(panels, 1)
    assert panels.min() > 0.3 * arc
    assert ratio.max() < 3.05
    assert ratio.min() > 1.0 / 3.05


def test_a_stadium_has_no_flat_nose():
    loop = vehicle_outline(4.0, 2.0, 1.0, arc_panels=6)
    assert np.count_nonzero(np.abs(loop[:, 0]) < 1e-12) == 1
    assert len(np.unique(np.round(loop, 12), axis=0)) == len(loop)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((0.0, 1.0, 0.1), "length and width"),
        ((4.0, -1.0, 0.1), "length and width"),
        ((4.0, 1.0, 0.0), "corner radius"),
        ((4.0, 1.0, 0.6), "corner radius"),
        ((np.nan, 1.0, 0.1), "length and width"),
    ],
)
def test_impossible_vehicles_are_refused(arguments, message):
    with pytest.raises(ValueError, match=message):
        vehicle_outline(*arguments)


def test_other_refusals():
    with pytest.raises(ValueError, match="arc_panels"):
        vehicle_outline(4.0, 2.0, 0.2, arc_panels=1)
    with pytest.raises(ValueError, match="semi-axes"):
        ellipse(20, 1.0, 0.0)
