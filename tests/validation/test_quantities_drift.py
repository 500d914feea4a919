"""Drift quantities against closed forms and an adaptive quadrature of many digits."""

from __future__ import annotations

import math

import mpmath
import numpy as np
import pytest
from closed_drift import line_drift
from quantity_values import KNOWN, compute, from_file

from wakesim.case.vehicle import Vehicle
from wakesim.errors import CaseError
from wakesim.validation.metrics import metrics
from wakesim.validation.quantities.drift import PassingSource, mean_drift
from wakesim.validation.verdict import verdict

CAR = Vehicle("car", 4.5, 1.8, 1.5, 0.2, 2.2, 0.32)
ROUTES = (("line_drift_balance", 0.01), ("line_drift_wakes", 1e-6))


def closed(y, z, force, k, wind, height):
    return float(line_drift(force, 0.0, height, y, z, k, wind))


@pytest.mark.parametrize(("route", "limit"), ROUTES)
@pytest.mark.parametrize(("k", "wind"), [(0.3, 0.0), (0.4, 0.7), (0.4, -0.7)])
def test_line_force(route, limit, k, wind):
    y, z = np.array([2.0, 3.5, 5.0]), np.array([0.6, 1.2, 2.5])
    conditions = {
        "y_m": y, "z_m": z, "force_m3_s2": [3.0], "diffusivity_m2_s": [k], "crosswind_m_s": [wind],
    }  # fmt: skip
    exact = np.array([closed(a, b, 3.0, k, wind, 1.1) for a, b in zip(y, z, strict=True)])
    result = compute(route, conditions, source_z_m=1.1)
    assert np.abs(result - exact).max() < limit * exact.max()
    # moved along the road's cross-section with its line, and reversed with the force
    moved = conditions | {"y_m": y - 4.0, "force_m3_s2": [-3.0]}
    again = compute(route, moved, source_z_m=1.1, source_y_m=-4.0)
    assert np.abs(again + exact).max() < limit * exact.max()


@pytest.mark.parametrize("route", [route for route, _ in ROUTES])
def test_points_of_several_settings_are_kept_apart(route):
    conditions = {
        "y_m": [3.0, 3.0, 3.0], "z_m": [1.0, 1.0, 1.0],
        "force_m3_s2": [3.0, 6.0, 3.0], "diffusivity_m2_s": [0.3, 0.3, 0.6],
    }  # fmt: skip
    one, twice, half = compute(route, conditions)
    assert twice == pytest.approx(2 * one)
    assert half == pytest.approx(0.5 * one)


def test_finer_cells_come_closer():
    conditions = {
        "y_m": [2.0, 3.0, 6.0], "z_m": [1.0, 1.5, 1.0],
        "force_m3_s2": [3.0], "diffusivity_m2_s": [0.3],
    }  # fmt: skip
    exact = [closed(y, z, 3.0, 0.3, 0, 1.0) for y, z in zip((2, 3, 6), (1, 1.5, 1), strict=True)]
    coarse, fine = (
        np.abs(compute("line_drift_balance", conditions, finest_m=h) - exact).max()
        for h in (0.4, 0.1)
    )
    assert fine < 0.5 * coarse


def test_traffic_drift_takes_its_force_from_the_drag():
    # 1500 cars/h at 30 m/s in K = 0.15 m2/s: 1/2 C_D A V q of force at half the car's height
    force = 1500 / 3600 * 0.5 * 0.32 * 2.2 * 30
    conditions = {
        "y_m": [2.5], "z_m": [1.5], "flow_veh_h": [1500.0], "speed_m_s": [30.0],
        "diffusivity_m2_s": [0.15],
    }  # fmt: skip
    result = compute("traffic_drift_wakes", conditions, CAR)
    assert result[0] == pytest.approx(closed(2.5, 1.5, force, 0.15, 0, 0.75), rel=1e-6)
    assert 0.3 < result[0] < 2.0


@pytest.mark.parametrize("name", ["balance", "wakes", "balance-crosswind", "wakes-crosswind"])
def test_files_hold_the_closed_form_and_are_verified(name):
    c = from_file(f"drift-closed-form/{name}")
    wind = c.conditions.get("crosswind_m_s", np.zeros(c.size))
    for i in range(c.size):
        y, z, force, k = (
            c.conditions[key][i] for key in ("y_m", "z_m", "force_m3_s2", "diffusivity_m2_s")
        )
        exact = closed(y, z, force, k, wind[i], c.options["source_z_m"])
        assert c.measured[i] == pytest.approx(exact, rel=1e-8)
    result = KNOWN[c.quantity].function(c)
    assert verdict(c, metrics(c.measured, result, c.uncertainty)).word == "verified"


@pytest.mark.parametrize(
    ("change", "options", "text"),
    [
        ({"diffusivity_m2_s": [0.0]}, {}, "diffusivity_m2_s"),
        ({"z_m": [-0.1]}, {}, "z_m"),
        ({"y_m": [np.inf]}, {}, "y_m"),
        ({"y_m": [0.0], "z_m": [1.0]}, {}, "lies on the line source"),
        ({}, {"source_z_m": 0.0}, "source_z_m"),
    ],
)
@pytest.mark.parametrize("route", [route for route, _ in ROUTES])
def test_nonsense_is_refused(route, change, options, text):
    conditions = {
        "y_m": [3.0], "z_m": [1.0], "force_m3_s2": [3.0], "diffusivity_m2_s": [0.3],
    }  # fmt: skip
    with pytest.raises(CaseError, match=r"here\.toml") as error:
        compute(route, conditions | change, **options)
    assert text in str(error.value)


def test_only_the_finite_volumes_know_a_cell():
    conditions = {
        "y_m": [3.0], "z_m": [1.0], "force_m3_s2": [3.0], "diffusivity_m2_s": [0.3],
    }  # fmt: skip
    with pytest.raises(CaseError, match="finest_m"):
        compute("line_drift_balance", conditions, finest_m=0.001)
    with pytest.raises(CaseError, match="body"):
        compute(
            "traffic_drift_wakes",
            {"y_m": [3.0], "z_m": [1.0], "flow_veh_h": [1.0], "speed_m_s": [30.0],
             "diffusivity_m2_s": [0.3]},
        )  # fmt: skip


# --- diffusing wakes ----------------------------------------------------------------------------


def exact(source, y, z, k, v):
    """The integral over age by mpmath, split so that every feature lies in a panel."""

    def rate(log_age):
        t = mpmath.e**log_age
        var_y, var_z = source.sigma_y_m**2 + 2 * k * t, source.sigma_z_m**2 + 2 * k * t
        across = mpmath.exp(-((y - source.y_m - v * t) ** 2) / (2 * var_y))
        upper, lower = (mpmath.exp(-((z - s * source.z_m) ** 2) / (2 * var_z)) for s in (1, -1))
        return t * across * (upper - lower) / (2 * mpmath.pi * mpmath.sqrt(var_y * var_z))

    panels = [*np.arange(-34.0, 5.99, 0.5), *np.arange(6.0, 24.1, 2.0)]
    return float(source.force_m3_s2 * mpmath.quad(rate, panels, maxdegree=6))


@pytest.mark.parametrize(
    ("k", "v"),
    [(0.5, 0.0), (0.15, 0.0), (0.15, 1.0), (0.15, 8.0), (1.5, 3.0), (0.5, -3.0), (0.05, 20.0)],
)
def test_line_limits(k, v):
    rng = np.random.default_rng(5)
    y, z = rng.uniform(-30.0, 30.0, 200), rng.uniform(0.01, 10.0, 200)
    closed = line_drift(4.0, -1.8, 0.7, y, z, k, v)
    result = mean_drift([PassingSource(0.4, 10.0, -1.8, 0.7)], y, z, k, v)
    seen = closed > 1e-9 * closed.max()
    assert seen.sum() > 10
    np.testing.assert_allclose(result[seen], closed[seen], rtol=1e-6)


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


def test_sources_that_make_no_sense_are_refused():
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
