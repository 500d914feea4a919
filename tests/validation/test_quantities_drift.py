"""Drift quantities against the closed forms, worked out with mpmath."""

from __future__ import annotations

import mpmath
import numpy as np
import pytest
from quantity_values import KNOWN, compute, from_file

from wakesim.case.vehicle import Vehicle
from wakesim.errors import CaseError
from wakesim.validation.metrics import metrics
from wakesim.validation.verdict import verdict

CAR = Vehicle("car", 4.5, 1.8, 1.5, 0.2, 2.2, 0.32)
ROUTES = (("line_drift_balance", 0.01), ("line_drift_wakes", 1e-6))


def closed(y, z, force, k, wind, height):
    """Line force over a no-slip road; Carslaw and Jaeger 1959, section 10.7, with the image."""
    near, far = mpmath.hypot(y, z - height), mpmath.hypot(y, z + height)
    scale = force / (2 * mpmath.pi * k)
    if wind == 0:
        return float(scale * mpmath.log(far / near))
    a = mpmath.mpf(wind) / (2 * k)
    bessel = mpmath.besselk(0, abs(a) * near) - mpmath.besselk(0, abs(a) * far)
    return float(scale * mpmath.exp(a * y) * bessel)


@pytest.mark.parametrize(("route", "limit"), ROUTES)
@pytest.mark.parametrize(("k", "wind"), [(0.3, 0.0), (0.4, 0.7), (0.4, -0.7)])
def test_line_force(route, limit, k, wind):
    y, z = np.array([2.0, 3.5, 5.0]), np.array([0.6, 1.2, 2.5])
    conditions = {
        "y_m": y, "z_m": z, "force_m3_s2": [3.0], "diffusivity_m2_s": [k], "crosswind_m_s": [wind],
    }  # fmt: skip
    exact = np.array([closed(a, b, 3.0, k, wind, 1.1) for a, b in zip(y, z, strict=True)])
    found = compute(route, conditions, source_z_m=1.1)
    assert np.abs(found - exact).max() < limit * exact.max()
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
    found = compute("traffic_drift_wakes", conditions, CAR)
    assert found[0] == pytest.approx(closed(2.5, 1.5, force, 0.15, 0, 0.75), rel=1e-6)
    assert 0.3 < found[0] < 2.0


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
    found = KNOWN[c.quantity].function(c)
    assert verdict(c, metrics(c.measured, found, c.uncertainty)).word == "verified"


@pytest.mark.parametrize(
    ("change", "options", "words"),
    [
        ({"diffusivity_m2_s": [0.0]}, {}, "diffusivity_m2_s"),
        ({"z_m": [-0.1]}, {}, "z_m"),
        ({"y_m": [np.inf]}, {}, "y_m"),
        ({"y_m": [0.0], "z_m": [1.0]}, {}, "lies on the line source"),
        ({}, {"source_z_m": 0.0}, "source_z_m"),
    ],
)
@pytest.mark.parametrize("route", [route for route, _ in ROUTES])
def test_nonsense_is_refused(route, change, options, words):
    conditions = {
        "y_m": [3.0], "z_m": [1.0], "force_m3_s2": [3.0], "diffusivity_m2_s": [0.3],
    }  # fmt: skip
    with pytest.raises(CaseError, match=r"here\.toml") as error:
        compute(route, conditions | change, **options)
    assert words in str(error.value)


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
