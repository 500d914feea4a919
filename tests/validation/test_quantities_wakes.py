"""Wakes: conserved momentum, published laws and exponents, similarity, definitions, peaks."""

from __future__ import annotations

import csv
import math

import numpy as np
import pytest
from quantity_values import compute, computed, from_file
from scipy.integrate import quad, solve_ivp
from scipy.optimize import brentq

from wakesim.case.vehicle import Vehicle
from wakesim.errors import CaseError
from wakesim.runtime import shared_path
from wakesim.section.closure import Closure
from wakesim.validation.quantities.wakes import (
    free_deficit,
    free_half_radius,
    marched_free_wake,
    plane_deficit,
    plane_half_width,
)
from wakesim.vehicle.wake import WakeConstants, vehicle_wake

# --- close behind a body ------------------------------------------------------------------------


def body(scale=1.0, **changes):
    sizes = {"length_m": 4.5, "width_m": 1.8, "height_m": 1.5, "clearance_m": 0.2}
    sizes = {key: scale * value for key, value in sizes.items()}
    area = 2.2 * scale**2
    return Vehicle("car", frontal_area_m2=area, drag_coefficient=0.32, **(sizes | changes))


CAR = body()


def test_couple_law_far_behind_is_the_published_law():
    # Eskridge and Hunt 1979: largest velocity 2 A V (x/h)^(-3/4)
    h, spread = CAR.height_m, 1.1
    couple = 0.32 * 2.2 / h**2 * 0.5
    amplitude = (couple / (32 * math.pi * math.sqrt(math.e) * spread**3)) ** 0.25
    x = np.array([1000.0, 4000.0]) * h
    result = compute("near_wake_peak_deficit", {"behind_m": x}, CAR, law="couple", highest_m=30.0)
    assert result == pytest.approx(2 * amplitude * (x / h) ** -0.75, rel=0.01)


def test_momentum_law_far_behind_is_pope_with_the_image_merged():
    area, spread = 2 * 0.32 * 2.2, 0.4
    x = np.array([2000.0, 8000.0])
    radius = (3 * spread * math.log(2) / (2 * math.pi) * area * x) ** (1 / 3)
    result = compute("near_wake_peak_deficit", {"behind_m": x}, CAR, law="momentum")
    assert result == pytest.approx(math.log(2) * area / (2 * math.pi * radius**2), rel=0.03)


@pytest.mark.parametrize("law", ["couple", "momentum"])
def test_the_peak_at_the_end_of_the_bubble_is_the_bodys_speed(law):
    end = 1.1 * CAR.height_m
    options = {"law": law, "bubble_length_m": end}
    result = compute("near_wake_peak_deficit", {"behind_m": end}, CAR, **options)
    assert result == pytest.approx(1.0, abs=2e-3)


@pytest.mark.parametrize(
    "name",
    ["near_wake_peak_deficit", "near_wake_peak_turbulent_energy", "near_wake_peak_u_rms"],
)
def test_a_larger_body_has_the_same_wake_at_the_same_heights_behind(name):
    x = np.array([0.5, 1.5, 4.0, 20.0])
    small, large = (compute(name, {"behind_m": s * x}, body(s)) for s in (0.25, 1.0))
    assert small[:3] == pytest.approx(large[:3], rel=2e-3)
    # far behind the friction of the road shows, whose roughness does not grow along
    assert small[3] == pytest.approx(large[3], rel=0.1)


def test_u_rms_is_within_what_the_energy_allows():
    x = {"behind_m": [0.5, 3.0]}
    energy = compute("near_wake_peak_turbulent_energy", x, CAR)
    rms = compute("near_wake_peak_u_rms", x, CAR)
    # the along-stream part lies between a third (isotropic) and a half of the whole
    assert np.all((rms**2 > 2 * energy / 3) & (rms**2 < energy))


def test_turbulence_factor_acts_on_the_rms():
    x = {"behind_m": [2.0]}
    one, two = (compute("near_wake_peak_u_rms", x, CAR, turbulence_factor=f) for f in (1.0, 2.0))
    assert two == pytest.approx(2 * one)


def test_displacement_is_added_and_fades_behind():
    x = {"behind_m": [1.0, 60.0]}
    alone = compute("near_wake_peak_deficit", x, CAR)
    both = compute("near_wake_peak_deficit", x, CAR, with_displacement=True)
    assert abs(both[0] - alone[0]) > 0.02
    # far behind what is left is a net source 1/2 C_D A_f and its image: Q/(2 pi x^2)
    source = 0.5 * 0.32 * 2.2 / (2 * math.pi * (60.0) ** 2)
    assert abs(both[1] - alone[1]) < 2 * source


def test_nothing_far_beside():
    x = {"behind_m": [1.0, 3.0]}
    assert compute("near_wake_peak_deficit", x, CAR, lateral_m=12.0) == pytest.approx(0, abs=1e-9)


class TestRecirculation:
    def test_axis_against_a_root_finder(self):
        wake = vehicle_wake(CAR, WakeConstants(law="momentum"))
        mid = 0.5 * (CAR.height_m + CAR.clearance_m)
        root = brentq(lambda x: float(wake.velocity(x, 0.0, mid)) - 1.0, 1.5, 4.0)
        result = compute("recirculation_length", {}, CAR, law="momentum", where="mid_height")
        assert result[0] * (CAR.height_m - CAR.clearance_m) == pytest.approx(root, abs=2e-3)

    def test_reversal_on_the_axis_lies_within_that_anywhere(self):
        for law in ("couple", "momentum"):
            axis, whole = (
                compute("recirculation_length", {}, CAR, law=law, where=where)[0]
                for where in ("mid_height", "anywhere")
            )
            assert 0.0 < axis <= whole + 0.02

    def test_it_grows_with_the_bubble(self):
        lengths = [
            compute("recirculation_length", {}, CAR, bubble_length_heights=b)[0]
            for b in (0.7, 1.0, 1.6)
        ]
        assert lengths[0] < lengths[1] < lengths[2]


class TestAhmedBody:
    """Peaks measured by Lienhart and Becker 2003 behind the 25 degree body."""

    def test_published_laws_within_a_factor_of_two(self):
        for law in ("couple", "momentum"):
            measured, values = computed(f"ahmed-near-wake/deficit-{law}")
            ratio = values / measured
            assert np.all((ratio > 0.45) & (ratio < 2.0)), law

    def test_turbulence_within_a_factor_of_two(self):
        measured, values = computed("ahmed-near-wake/u-rms")
        ratio = values / measured
        # 0.43 where the bubble ends and the marched wake starts, at vehicles' level
        assert np.all((ratio > 0.4) & (ratio < 2.0))


@pytest.mark.parametrize(
    ("options", "text"),
    [
        ({"law": "both"}, "options.law"),
        ({"couple_spread": 50.0}, "options.couple_spread"),
        ({"momentum_spread": True}, "options.momentum_spread"),
        ({"reversed_flow": -0.1}, "options.reversed_flow"),
        ({"bubble_length_m": 1.0, "bubble_length_heights": 1.0}, "exclude each other"),
        ({"bubble_length_m": 100.0}, "from 0.075 to 7.5 m"),
        ({"highest_m": 0.0}, "options.highest_m"),
        ({"with_displacement": 1}, "true or false"),
    ],
)
def test_bad_options_are_refused_with_file_and_key(options, text):
    with pytest.raises(CaseError, match=r"here\.toml") as error:
        compute("near_wake_peak_deficit", {"behind_m": [1.0]}, CAR, **options)
    assert text in str(error.value)
    assert "\n" not in str(error.value)


def test_bad_conditions_are_refused():
    with pytest.raises(CaseError, match="behind_m"):
        compute("near_wake_peak_deficit", {"behind_m": [1.0, 0.0]}, CAR)
    with pytest.raises(CaseError, match="behind_m"):
        compute("near_wake_peak_u_rms", {"behind_m": [np.nan]}, CAR)
    with pytest.raises(CaseError, match="body"):
        compute("near_wake_peak_deficit", {"behind_m": [1.0]})


# --- free wakes ---------------------------------------------------------------------------------

BODY = Vehicle(
    name="block", length_m=0.2, width_m=0.05, height_m=2.95, clearance_m=2.9,
    frontal_area_m2=0.0025, drag_coefficient=0.8,
)  # fmt: skip
AREA, CENTRE_M = 0.8 * 0.0025, 2.925
LN2 = math.log(2.0)


def test_free_wake_is_the_vehicles_wake_far_above_the_road():
    # alone in free air half the drag area grows the wake that grows body and image together
    bubble = 0.15
    constants = WakeConstants(
        law="momentum", momentum_spread=0.2, bubble_length_heights=bubble / BODY.height_m
    )
    wake = vehicle_wake(BODY, constants)
    x = np.array([0.15, 0.3, 1.5, 6.0, 20.0])
    options = {"momentum_spread": 0.4, "start_m": bubble}
    deficit = compute("free_wake_deficit", {"behind_m": x}, BODY, **options)
    assert deficit == pytest.approx(wake.velocity(x, 0.0, CENTRE_M), rel=1e-6)
    width = compute("free_wake_half_width", {"behind_m": x}, BODY, **options)
    half = wake.velocity(x, width, CENTRE_M)
    assert half == pytest.approx(0.5 * deficit, rel=1e-6)


@pytest.mark.parametrize("full", [False, True])
def test_the_momentum_of_the_profile_is_the_drag(full):
    radius = 0.03
    u = float(free_deficit(radius, AREA, full))

    def flux(r):
        f = u * math.exp(-LN2 * (r / radius) ** 2)
        return 2 * math.pi * r * f * (1 - f if full else 1)

    assert quad(flux, 0, 0.5)[0] == pytest.approx(0.5 * AREA, rel=1e-8)


@pytest.mark.parametrize("full", [False, True])
def test_the_momentum_of_the_plane_profile_is_the_thickness(full):
    width, thickness = 0.05, 0.02
    u = float(plane_deficit(width, thickness, full))

    def flux(y):
        f = u * math.exp(-LN2 * (y / width) ** 2)
        return f * (1 - f if full else 1)

    assert quad(flux, -1.0, 1.0)[0] == pytest.approx(thickness, rel=1e-8)


def test_widths_follow_their_growth_equations():
    # Pope 2000, section 5.4: dr/dx = S u, the deficit u from the width of the moment
    x = np.array([0.5, 2.0, 10.0])
    for width, deficit, strength in (
        (free_half_radius, free_deficit, AREA),
        (plane_half_width, plane_deficit, 0.02),
    ):
        solved = solve_ivp(
            lambda _, r, d=deficit, s=strength: 0.3 * d(r, s),
            (0.1, 10.0), [0.06], t_eval=x, rtol=1e-10, atol=1e-12,
        ).y[0]  # fmt: skip
        assert width(x, strength, 0.3, 0.1, 0.06) == pytest.approx(solved, rel=1e-7)


def test_plane_wake_tends_to_the_classical_constants():
    # b = 0.29 sqrt(theta x), u = 1.63 sqrt(theta/x) (from memory)
    conditions = {"behind_m": [1e4], "momentum_thickness_m": [1.0]}
    width = compute("plane_wake_half_width", conditions)
    deficit = compute("plane_wake_deficit", conditions)
    assert width / 100.0 == pytest.approx(0.29, abs=0.003)
    assert deficit * 100.0 == pytest.approx(1.63, abs=0.02)


def test_without_a_start_the_wake_begins_at_the_speed_of_the_body():
    near = compute("free_wake_deficit", {"behind_m": [1e-9]}, BODY)
    assert near == pytest.approx(1.0, abs=1e-6)
    near = compute("plane_wake_deficit", {"behind_m": [1e-9], "momentum_thickness_m": [0.3]})
    assert near == pytest.approx(1.0, abs=1e-6)


def test_drag_coefficient_may_come_with_each_point():
    conditions = {"half_width_m": [0.1, 0.1], "drag_coefficient": [0.8, 0.4]}
    result = compute("free_wake_deficit_of_width", conditions, BODY)
    assert result[0] == pytest.approx(2 * result[1])


@pytest.mark.parametrize(
    ("law", "value", "exponent"),
    [
        ("couple", "deficit", -3 / 4), ("couple", "width", 1 / 4), ("couple", "turbulence", -1.2),
        ("momentum", "deficit", -2 / 3), ("momentum", "width", 1 / 3),
    ],
)  # fmt: skip
def test_exponents_tend_to_the_published_ones(law, value, exponent):
    car = Vehicle("car", 4.5, 1.8, 1.5, 0.2, 2.2, 0.32)
    options = {"law": law, "value": value}
    near, far = (
        compute("wake_decay_exponent", {"from_m": [a], "to_m": [10 * a]}, car, **options)[0]
        for a in (15.0, 5000.0)
    )
    assert far == pytest.approx(exponent, abs=0.005)
    assert abs(near - exponent) < 0.1


# --- marched by the closure ---------------------------------------------------------------------

STANDARD = Closure()


def test_the_closure_s_far_wakes_keep_their_momentum():
    x = np.array([0.0, 1000.0, 10000.0])
    peak, half = marched_free_wake(x, 0.05, 1.0, 0.01, True, STANDARD)
    assert peak[0] == pytest.approx(0.05, rel=1e-3)
    assert half[0] == pytest.approx(1.0, rel=2e-3)
    # similar profiles far behind: momentum is peak times half-width, and times its square
    assert peak[2] * half[2] == pytest.approx(peak[1] * half[1], rel=0.02)
    peak, half = marched_free_wake(x, 0.05, 1.0, 0.01, False, STANDARD)
    assert peak[2] * half[2] ** 2 == pytest.approx(peak[1] * half[1] ** 2, rel=0.03)


def test_the_standard_closure_spreads_a_plane_wake_as_published():
    """b falls to 0.256 sqrt(theta x) in the usual measure, with b where the deficit is half."""
    x = np.array([2000.0, 20000.0])
    peak, half = marched_free_wake(x, 0.05, 1.0, 0.01, True, STANDARD)
    theta = peak[1] * half[1] * math.sqrt(math.pi / LN2)
    growth = math.sqrt((half[1] ** 2 - half[0] ** 2) / (theta * (x[1] - x[0])))
    assert growth == pytest.approx(0.256, rel=0.08)


@pytest.mark.parametrize("plane", [True, False])
def test_weak_shear_widens_the_closure_s_wakes(plane):
    x = np.array([50.0])
    widths = [
        marched_free_wake(x, 0.1, 1.0, 0.02, plane, Closure(c2=2.2, weak_shear=w))[1][0]
        for w in (0.0, 1.5, 4.0)
    ]
    assert widths[0] < widths[1] < widths[2]


def test_the_closure_s_start_is_the_station_left_out():
    for name, file, station, columns, size in (
        ("spheroid-wake/{}-closure", "chevray1968_spheroid_wake.csv", "1.00",
         ("centre_deficit_over_U", "half_radius_over_D", "max_vrms_over_U"), 0.254),
        ("plane-wake/{}-closure", "nakayama1985_plane_near_wake.csv", "1.05",
         ("centre_deficit_over_Uinf", "half_width_over_c", "max_vv"), 0.61),
    ):  # fmt: skip
        lines = shared_path("reference", file).read_text().splitlines()
        rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
        row = next(row for row in rows if next(iter(row.values())) == station)
        deficit, half, rms = (float(row[column]) for column in columns)
        for kind in ("deficit", "half-width"):
            options = from_file(name.format(kind)).options
            assert options["start_deficit"] == deficit
            assert options["start_half_width_m"] == pytest.approx(size * half, rel=1e-3)
            level = options["start_rms"] ** (2 if "vv" in columns[2] else 1)
            assert level == pytest.approx(rms, rel=2e-3)


class TestPublishedWakes:
    @pytest.mark.parametrize(
        ("name", "limit"),
        [
            ("plane-wake/deficit-of-width-full", 0.12), ("plane-wake/half-width", 0.15),
            ("spheroid-wake/deficit-of-width-full", 0.25), ("spheroid-wake/half-width", 0.33),
            ("spheroid-wake/half-width-closure", 0.33), ("plane-wake/half-width-closure", 0.3),
        ],
    )  # fmt: skip
    def test_within(self, name, limit):
        measured, result = computed(name)
        assert np.abs(result / measured - 1.0).max() < limit

    def test_the_momentum_term_left_out_matters_where_the_deficit_is_large(self):
        measured, linear = computed("plane-wake/deficit-of-width")
        full = computed("plane-wake/deficit-of-width-full")[1]
        assert abs(full[0] / measured[0] - 1.0) < abs(linear[0] / measured[0] - 1.0)
        assert linear[-1] == pytest.approx(full[-1], rel=0.1)

    def test_starts_are_the_stations_left_out(self):
        for name, file, station, column, size in (
            ("spheroid-wake/half-width", "chevray1968_spheroid_wake.csv", "1.00",
             "half_radius_over_D", 0.254),
            ("plane-wake/half-width", "nakayama1985_plane_near_wake.csv", "1.05",
             "half_width_over_c", 0.61),
        ):  # fmt: skip
            lines = shared_path("reference", file).read_text().splitlines()
            rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
            first = next(iter(rows[0]))
            row = next(row for row in rows if row[first] == station)
            options = from_file(name).options
            assert options["start_half_width_m"] == pytest.approx(
                size * float(row[column]), rel=1e-3
            )
            origin = 1.0 if "plane" in name else 0.0
            assert options["start_m"] == pytest.approx(size * (float(station) - origin))


@pytest.mark.parametrize(
    ("name", "conditions", "options", "text"),
    [
        ("free_wake_deficit", {"behind_m": [-1.0]}, {}, "behind_m"),
        ("free_wake_deficit", {"behind_m": [1.0]}, {"momentum_spread": 0.0}, "momentum_spread"),
        ("free_wake_deficit", {"behind_m": [1.0]}, {"momentum": "square"}, "'linear', 'full'"),
        ("free_wake_deficit_of_width", {"half_width_m": [0.01]}, {"momentum": "full"}, "narrow"),
        ("free_wake_deficit_of_width", {"half_width_m": [0.0]}, {}, "half_width_m"),
        ("free_wake_deficit", {"behind_m": [1.0]}, {"law": "section"}, "start_half_width_m"),
        (
            "free_wake_deficit", {"behind_m": [1.0]},
            {"law": "section", "start_m": 2.0, "start_half_width_m": 0.1, "start_deficit": 0.2,
             "start_rms": 0.02},
            "lies before",
        ),
        ("wake_decay_exponent", {"from_m": [10.0], "to_m": [11.0]}, {}, "1.2 times"),
        ("wake_decay_exponent", {"from_m": [1.0], "to_m": [9.0]}, {"value": "speed"}, "value"),
    ],
)  # fmt: skip
def test_nonsense_is_refused(name, conditions, options, text):
    with pytest.raises(CaseError, match=r"here\.toml") as error:
        compute(name, conditions, BODY, **options)
    assert text in str(error.value)
    assert "\n" not in str(error.value)


def test_plane_wake_needs_a_thickness_above_zero():
    with pytest.raises(CaseError, match="momentum_thickness_m"):
        compute("plane_wake_half_width", {"behind_m": [1.0], "momentum_thickness_m": [0.0]})
