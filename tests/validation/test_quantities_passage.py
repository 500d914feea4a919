"""Passages against exact integrals: quadrature of the wake law, closed-form Gaussian integrals."""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import dblquad, quad
from scipy.special import erf

from wakesim.case.catalogue import vehicle
from wakesim.case.vehicle import Vehicle
from wakesim.errors import CaseError
from wakesim.flow.wake import AirState, VehicleWake, WakeConstants
from wakesim.validation.comparison import Comparison, FigureSpec
from wakesim.validation.quantities import passage, quantities, roadside

LORRY, CAR = vehicle("artic_lorry_eu"), vehicle("small_car")
FAMILIES = ("couple", "momentum")


def comparison(
    quantity: str,
    conditions: dict[str, list[float]],
    body: Vehicle | None = LORRY,
    **options: object,
) -> Comparison:
    n = len(next(iter(conditions.values())))
    return Comparison(
        name="test", title="test", part="far wake", quantity=quantity, unit="1", source="test",
        status="exact", note="", fitted=False, variant=False, measured=np.ones(n), uncertainty=None,
        conditions={name: np.array(values) for name, values in conditions.items()},
        labels=tuple(map(str, range(n))), body=body, nose_radius_m=None, options=dict(options),
        mark=None, figure=FigureSpec(), path=Path("test.toml"),
    )  # fmt: skip


def drag_area(v: Vehicle) -> float:
    return v.drag_coefficient * v.frontal_area_m2


# --- fall of the air speed ----------------------------------------------------------------------


@pytest.mark.parametrize("family", FAMILIES)
@pytest.mark.parametrize("behind", [4.0, 30.0, 120.0])
def test_fall_is_the_mean_of_the_wake_over_the_front(family: str, behind: float) -> None:
    found = passage.wake_speed_fall(
        comparison(
            "wake_speed_fall_percent", {"behind_m": [behind]}, family=family,
            width_m=1.8, z_low_m=0.2, z_high_m=1.5, diffusivity_over_speed_m=0.01,
        )
    )  # fmt: skip
    wake = VehicleWake(LORRY, WakeConstants(family=family), AirState(0.01))
    exact = dblquad(
        lambda z, y: float(wake.velocity(behind, y, z)), -0.9, 0.9, 0.2, 1.5, epsabs=1e-9
    )[0] / (1.8 * 1.3)
    assert found == pytest.approx([100.0 * exact], rel=1e-6)


def test_fall_of_the_couple_wake_in_closed_form() -> None:
    """Published law integrated by hand: an error function across, 1 - exp upwards."""
    behind, width, top = 60.0, 2.5, 4.0
    found = passage.wake_speed_fall(
        comparison(
            "wake_speed_fall_percent", {"behind_m": [behind]}, width_m=width, z_low_m=0.0,
            z_high_m=top,
        )
    )  # fmt: skip
    s_y, s_z = map(float, VehicleWake(LORRY).spread(behind))
    couple = 0.5 * drag_area(LORRY) * 0.5 * LORRY.height_m
    across = np.sqrt(2.0 * np.pi) * s_y * erf(0.5 * width / (np.sqrt(2.0) * s_y))
    upward = s_z**2 * (1.0 - np.exp(-0.5 * (top / s_z) ** 2))
    exact = couple / (np.pi * s_y * s_z**3) * across * upward / (width * top)
    assert found == pytest.approx([100.0 * exact], rel=1e-9)


def test_a_front_that_holds_the_whole_momentum_wake_meets_its_momentum() -> None:
    """Momentum theorem: the integral of u over the half plane is half the drag area times V."""
    found = passage.wake_speed_fall(
        comparison(
            "wake_speed_fall_percent", {"behind_m": [20.0]}, CAR, family="momentum",
            width_m=16.0, z_low_m=0.0, z_high_m=9.0,
        )
    )  # fmt: skip
    assert found * 16.0 * 9.0 / 100.0 == pytest.approx([0.5 * drag_area(CAR)], rel=2e-3)


def test_the_own_front_is_the_default() -> None:
    at = {"behind_m": [25.0]}
    own = comparison("wake_speed_fall_percent", at)
    named = comparison(
        "wake_speed_fall_percent", at, width_m=LORRY.width_m, z_low_m=LORRY.clearance_m,
        z_high_m=LORRY.height_m,
    )  # fmt: skip
    assert passage.wake_speed_fall(own) == passage.wake_speed_fall(named)


def test_a_front_upside_down_is_refused() -> None:
    with pytest.raises(CaseError, match="z_high_m = 1: must be above z_low_m = 2 m"):
        passage.wake_speed_fall(
            comparison("wake_speed_fall_percent", {"behind_m": [5.0]}, z_low_m=2.0, z_high_m=1.0)
        )


# --- energy of a passage ------------------------------------------------------------------------


@pytest.mark.parametrize("family", FAMILIES)
@pytest.mark.parametrize(("z", "y", "start"), [(1.5, 0.0, 0.0), (4.0, 1.0, 0.0), (6.0, 0.0, 4.0)])
def test_energy_is_the_integral_over_time(family: str, z: float, y: float, start: float) -> None:
    speed, memory, mixing = 25.0, 20.0, 0.01
    found = passage.tke_per_passage(
        comparison(
            "tke_per_passage", {"z_m": [z], "y_m": [y], "speed_m_s": [speed]}, family=family,
            x_from_m=start, memory_s=memory, diffusivity_over_speed_m=mixing,
        )
    )  # fmt: skip
    wake = VehicleWake(LORRY, WakeConstants(family=family), AirState(mixing))

    def k(t: float) -> float:
        return speed**2 * float(wake.turbulence(speed * t, y, z))

    joints = np.unique([start / speed, 0.02, 0.04, 0.2, 0.4, 1.0, 4.0, memory])
    joints = joints[joints >= start / speed]
    exact = sum(quad(k, a, b, epsrel=1e-9, limit=200)[0] for a, b in itertools.pairwise(joints))
    assert found == pytest.approx([exact], rel=1e-4)


def test_energy_across_the_lane_in_closed_form() -> None:
    """Over all y a Gaussian gives sqrt(2 pi) s_y: here with the published law of k, at one z."""
    speed, memory, z = 20.0, 5.0, 1.0
    y = np.linspace(-25.0, 25.0, 1001)
    n = y.size
    found = passage.tke_per_passage(
        comparison(
            "tke_per_passage",
            {"z_m": [z] * n, "y_m": list(y), "speed_m_s": [speed] * n},
            CAR, x_from_m=10.0, memory_s=memory,
        )
    )  # fmt: skip
    wake = VehicleWake(CAR)

    def strip(x: float) -> float:
        s_y = 1.1 * float(wake.spread(x)[0])
        return float(wake.turbulence(x, 0.0, z)) * np.sqrt(2.0 * np.pi) * s_y

    exact = speed * quad(strip, 10.0, speed * memory, epsrel=1e-9)[0]
    assert np.trapezoid(found, y) == pytest.approx(exact, rel=1e-4)


def test_energy_grows_with_the_speed_when_the_same_wake_passes() -> None:
    """In still air k goes as V^2 and the time as 1/V."""
    slow = comparison(
        "tke_per_passage", {"z_m": [2.0], "speed_m_s": [15.0]}, memory_s=20.0, x_from_m=1.0
    )
    fast = comparison(
        "tke_per_passage", {"z_m": [2.0], "speed_m_s": [30.0]}, memory_s=10.0, x_from_m=1.0
    )
    assert passage.tke_per_passage(fast) == pytest.approx(2.0 * passage.tke_per_passage(slow))


def test_nothing_left_to_pass_is_refused() -> None:
    with pytest.raises(CaseError, match="must be less than speed times memory_s"):
        passage.tke_per_passage(
            comparison(
                "tke_per_passage", {"z_m": [2.0], "speed_m_s": [10.0]}, memory_s=2.0, x_from_m=50.0
            )
        )


# --- vertical spread ------------------------------------------------------------------------------


def test_spread_of_the_wakes_in_closed_form() -> None:
    """Mean square height: 2 s^2 of z exp(-z^2/2 s^2), s^2 + z_w^2 of a Gaussian and its image."""
    speed, age, k = 30.0, [2.0, 10.0, 30.0], 0.3
    at = {"residence_time_s": age, "speed_m_s": [speed] * 3}
    for family in FAMILIES:
        found = passage.first_vertical_spread(
            comparison("first_vertical_spread", at, CAR, family=family, diffusivity_m2_s=k)
        )
        wake = VehicleWake(CAR, WakeConstants(family=family), AirState(k / speed))
        s = wake.spread(speed * np.array(age))[1]
        middle = 0.5 * (CAR.height_m + CAR.clearance_m)
        exact = np.sqrt(2.0) * s if family == "couple" else np.hypot(s, middle)
        assert found == pytest.approx(exact, rel=1e-5)


def test_spread_by_mixing_alone() -> None:
    """A line at half height that diffuses: variance (h/2)^2 + 2 K t, K by hand from the traffic."""
    flow, speed, road = 3000.0, 30.0, 7.3
    share = flow / 3600.0 * CAR.length_m * CAR.width_m / (speed * road)
    k = 0.3 * (0.3 * speed * np.sqrt(share)) * 0.5 * CAR.height_m
    at = {
        "residence_time_s": [0.0, 10.0], "speed_m_s": [speed] * 2, "flow_veh_h": [flow] * 2,
        "road_width_m": [road] * 2,
    }  # fmt: skip
    found = passage.first_vertical_spread(comparison("first_vertical_spread", at, CAR, by="mixing"))
    half = 0.5 * CAR.height_m
    assert found == pytest.approx([half, np.sqrt(half**2 + 20.0 * k)], rel=1e-9)


def test_no_road_holds_more_vehicles_than_its_area() -> None:
    at = {"residence_time_s": [1.0], "speed_m_s": [1.0], "flow_veh_h": [30_000.0]}
    with pytest.raises(CaseError, match="cover more than the road"):
        passage.first_vertical_spread(comparison("first_vertical_spread", at))


# --- frequencies beside the road ------------------------------------------------------------------


def test_share_above_a_frequency_needs_a_case() -> None:
    with pytest.raises(CaseError, match=r"needs options\.case"):
        roadside.variance_share_above(
            comparison("variance_share_above", {"from_hz": [0.5]}, body=None)
        )


def test_share_above_a_frequency_of_sines(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two sines of known variances: 1/2 at 0.1 Hz and 9/2 at 2 Hz."""
    t = np.arange(0.0, 3600.0, 0.05)
    u = 1.3 + np.sin(2.0 * np.pi * 0.1 * t) + 3.0 * np.sin(2.0 * np.pi * 2.0 * t)
    monkeypatch.setattr(roadside, "_velocity", lambda case: u)
    roadside._spectrum.cache_clear()
    found = roadside.variance_share_above(
        comparison(
            "variance_share_above", {"from_hz": [0.0, 0.5, 5.0]}, body=None,
            case="cases/expressway-post.toml",
        )
    )  # fmt: skip
    roadside._spectrum.cache_clear()
    assert found == pytest.approx([1.0, 0.9, 0.0], abs=2e-3)


def test_quantities_are_registered() -> None:
    for quantity in (*passage.QUANTITIES, *roadside.QUANTITIES):
        assert quantities()[quantity.name] is quantity
