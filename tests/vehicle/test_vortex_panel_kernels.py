"""The kernels by themselves: against quadrature in high precision, and compiled against plain."""

from __future__ import annotations

import mpmath
import numpy as np
import pytest

from wakesim.vehicle.kernels import vortex_panel as kernels
from wakesim.vehicle.outlines import circle, vehicle_outline

START, END = 0.3 - 0.2j, 0.8 + 0.5j
STRENGTHS = (0.7, -1.9)


def plain(kernel):
    """The Python function behind a kernel (itself when compilation is switched off)."""
    return getattr(kernel, "py_func", kernel)


def one_panel():
    e = 0.5 * (END - START)
    c = START + e
    values = (c.real, c.imag, abs(e), e.real, e.imag, (e * e).real, (e * e).imag)
    return tuple(np.array([v]) for v in values)


def along_panel(integrand, z):
    """Integral of strength times ``integrand`` over the panel, split where the point is nearest."""
    e = mpmath.mpc(END - START)
    foot = float(((z - START) / (END - START)).real)
    knots = sorted({0.0, 1.0, min(max(foot, 0.0), 1.0)})

    def f(t):
        gamma = STRENGTHS[0] + (STRENGTHS[1] - STRENGTHS[0]) * t
        return gamma * integrand(z - START - e * t)

    return abs(e) * mpmath.quad(f, knots)


FAR = 16.0 * 0.5 * abs(END - START)
POINTS = [
    0.55 + 0.15001j,
    0.5 - 0.3j,
    0.9 + 0.6j,
    -3.0 + 2.0j,
    0.55 + 0.15j + FAR * 0.9999 * np.exp(0.4j),
    0.55 + 0.15j + FAR * 1.0001 * np.exp(0.4j),
    400.0 - 700.0j,
    -2e6 + 1e6j,
]


@pytest.mark.parametrize("z", POINTS)
@pytest.mark.parametrize("form", ["compiled", "plain"])
def test_velocity_of_one_panel(z, form):
    kernel = kernels.velocity_serial if form == "compiled" else plain(kernels.velocity_serial)
    mid, diff = np.array([sum(STRENGTHS) / 2]), np.array([STRENGTHS[1] - STRENGTHS[0]])
    out, on = np.empty((1, 2)), np.empty(1, dtype=np.int64)
    kernel(np.array([[z.real, z.imag]]), *one_panel(), mid, diff, out, on)
    exact = complex(along_panel(lambda d: 1 / d, z) / (2j * mpmath.pi))
    assert on[0] == -1
    assert abs(complex(out[0, 0], -out[0, 1]) - exact) < 2e-12 * abs(exact)


@pytest.mark.parametrize("z", [*POINTS[:-1], START, END, 0.5 * (START + END)])
def test_stream_function_of_one_panel_and_its_own_ends(z):
    matrix = np.zeros((1, 2))
    panel = one_panel()[:5]
    kernels.add_stream_influence(
        np.array([z.real]), np.array([z.imag]), *panel, np.array([1]), 1.0, matrix
    )
    exact = -float(along_panel(lambda d: mpmath.log(abs(d)), z)) / (2 * np.pi)
    assert matrix[0] @ STRENGTHS == pytest.approx(exact, rel=1e-10)


def outline_panels(loop):
    e = 0.5 * (np.roll(loop, -1, axis=0) - loop)
    c = loop + e
    return (
        *np.ascontiguousarray(c.T),
        np.hypot(*e.T),
        *np.ascontiguousarray(e.T),
        e[:, 0] ** 2 - e[:, 1] ** 2,
        2 * e[:, 0] * e[:, 1],
    )


def test_compiled_and_plain_sums_agree():
    rng = np.random.default_rng(11)
    panels = outline_panels(vehicle_outline(4.0, 1.8, 0.3, arc_panels=4))
    n = panels[0].size
    mid, diff = rng.normal(size=n), rng.normal(size=n)
    cx, cy, half, ex, ey, _, _ = panels
    for x, y in rng.uniform(-6, 3, (25, 2)):
        np.testing.assert_allclose(
            kernels._far_sum(x, y, *panels, mid, diff),
            plain(kernels._far_sum)(x, y, *panels, mid, diff),
            rtol=1e-11,
            atol=1e-11,
        )
        near = (x, y, cx, cy, half, ex, ey, mid, diff)
        np.testing.assert_allclose(
            kernels._near_sum(*near), plain(kernels._near_sum)(*near), rtol=1e-11, atol=1e-11
        )


def test_compiled_and_plain_influence_agree():
    loop = circle(24)
    panels = outline_panels(loop)[:5]
    x, y = np.ascontiguousarray(loop.T)
    following = np.roll(np.arange(24), -1)
    compiled, python = np.zeros((24, 24)), np.zeros((24, 24))
    kernels.add_stream_influence(x, y, *panels, following, 1.0, compiled)
    plain(kernels.add_stream_influence)(x, y, *panels, following, 1.0, python)
    np.testing.assert_allclose(compiled, python, rtol=1e-11, atol=1e-13)
    # a circle of equal panels: every row is the first one, shifted
    np.testing.assert_allclose(np.roll(compiled[0], 7), compiled[7], atol=1e-13)


def test_serial_and_parallel_sums_are_identical():
    rng = np.random.default_rng(12)
    panels = outline_panels(vehicle_outline(4.0, 1.8, 0.3))
    mid, diff = rng.normal(size=(2, panels[0].size))
    points = rng.uniform(-6, 3, (2000, 2))
    results = []
    for kernel in (kernels.velocity_serial, kernels.velocity_parallel):
        out, on = np.empty_like(points), np.empty(len(points), dtype=np.int64)
        kernel(points, *panels, mid, diff, out, on)
        results.append((out, on))
    np.testing.assert_array_equal(results[0][0], results[1][0])
    np.testing.assert_array_equal(results[0][1], results[1][1])


@pytest.mark.parametrize("form", ["compiled", "plain"])
def test_points_on_panels_are_named(form):
    loop = circle(32)
    panels = outline_panels(loop)
    n = panels[0].size
    kernel = kernels.velocity_serial if form == "compiled" else plain(kernels.velocity_serial)
    points = np.column_stack(panels[:2])
    out, on = np.empty_like(points), np.empty(n, dtype=np.int64)
    kernel(points, *panels, np.ones(n), np.zeros(n), out, on)
    np.testing.assert_array_equal(on, np.arange(n))
    kernel(1.000001 * points, *panels, np.ones(n), np.zeros(n), out, on)
    assert np.all(on == -1)


@pytest.mark.parametrize("form", ["compiled", "plain"])
@pytest.mark.parametrize(
    ("z", "contact"),
    [
        ([0, 1, 1 + 1j, 1j], (-1, -1)),
        ([0, 1, 1j, 1 + 1j], (1, 3)),  # bow tie
        ([0, 2, 2 + 2j, 1 + 2j, 1, 2j], (0, 3)),  # a vertex touches a side
        ([0, 1, 2, 3, 3 + 1j, 1j], (-1, -1)),  # straight side in pieces
        ([0, 2, 1, 1 + 1j, 1j], (0, 1)),  # folded back on itself
    ],
)
def test_first_contact(form, z, contact):
    kernel = kernels.first_contact if form == "compiled" else plain(kernels.first_contact)
    z = np.asarray(z, dtype=complex)
    found = kernel(z.real.copy(), z.imag.copy(), np.roll(np.arange(z.size), -1))
    assert tuple(found) == contact


@pytest.mark.parametrize("form", ["compiled", "plain"])
def test_smallest_gap(form):
    kernel = kernels.smallest_gap if form == "compiled" else plain(kernels.smallest_gap)
    x, y = np.array([0.0, 1.0, 3.0, 4.0]), np.zeros(4)
    half = np.array([0.5, 0.25, 0.5, 0.5])
    assert kernel(x, y, half, np.array([0, 0, 1, 1])) == pytest.approx(4.0)
    assert kernel(x, y, half, np.zeros(4, dtype=np.int64)) == np.inf
