"""Passages against exact integrals: quadrature of the wake law, closed-form Gaussian integrals."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import dblquad, quad
from scipy.special import erf

from wakesim.case.vehicle import Vehicle, vehicle
from wakesim.errors import CaseError
from wakesim.validation.comparison import Comparison, FigureSpec
from wakesim.validation.quantities import passage, quantities, roadside
from wakesim.vehicle.wake import AirState, WakeConstants, vehicle_wake

LORRY, CAR = vehicle("artic_lorry_eu"), vehicle("small_car")
LAWS = ("couple", "momentum")


def comparison(
    quantity: str,
    conditions: dict[str, list[float]],
    body: Vehicle | None = LORRY,
    **options: object,
) -> Comparison:
    n = len(next(iter(conditions.values())))
    return Comparison(
        name="test", title="test", part="far wake", quantity=quantity, unit="1", source="test",
        status="exact", note="", fitted=False, own_law=False, variant=False,
        independent_points=n, roadside="input", consequence="",
        measured=np.ones(n), uncertainty=None,
        conditions={name: np.array(values) for name, values in conditions.items()},
        labels=tuple(map(str, range(n))), body=body, nose_radius_m=None, options=dict(options),
        mark=None, figure=FigureSpec(), path=Path("test.toml"),
    )  # fmt: skip


def drag_area(v: Vehicle) -> float:
    return v.drag_coefficient * v.frontal_area_m2


# --- deficit met by a follower ------------------------------------------------------------------


@pytest.mark.parametrize("law", LAWS)
@pytest.mark.parametrize("behind", [4.0, 30.0, 120.0])
def test_deficit_is_the_mean_of_the_wake_over_the_front(law: str, behind: float) -> None:
    front = {"width_m": 1.8, "z_low_m": 0.2, "z_high_m": 1.5, "diffusivity_over_speed_m": 0.01}
    wake = vehicle_wake(LORRY, WakeConstants(law=law), AirState(0.01))

    def over_front(value: Callable[[float], float]) -> float:
        whole = dblquad(
            lambda z, y: value(float(wake.velocity(behind, y, z))), -0.9, 0.9, 0.2, 1.5,
            epsabs=1e-9,
        )  # fmt: skip
        return whole[0] / (1.8 * 1.3)

    at = {"behind_m": [behind]}
    found = passage.wake_deficit(comparison("wake_deficit", at, law=law, **front))
    assert found == pytest.approx([over_front(lambda u: u)], rel=1e-6)
    # drag of a follower: even air of this deficit would give it the same
    by_drag = passage.wake_deficit(comparison("wake_deficit", at, law=law, average="drag", **front))
    assert (1.0 - by_drag) ** 2 == pytest.approx([over_front(lambda u: (1.0 - u) ** 2)], rel=1e-6)


def test_deficit_of_the_couple_wake_in_closed_form() -> None:
    """Published law integrated by hand: an error function across, 1 - exp upwards."""
    behind, width, top = 60.0, 2.5, 4.0
    at = {"behind_m": [behind]}
    found = passage.wake_deficit(
        comparison("wake_deficit", at, law="couple", width_m=width, z_low_m=0.0, z_high_m=top)
    )
    s_y, s_z = map(float, vehicle_wake(LORRY, WakeConstants(law="couple")).spread(behind))
    couple = 0.5 * drag_area(LORRY) * 0.5 * LORRY.height_m
    across = np.sqrt(2.0 * np.pi) * s_y * erf(0.5 * width / (np.sqrt(2.0) * s_y))
    upward = s_z**2 * (1.0 - np.exp(-0.5 * (top / s_z) ** 2))
    exact = couple / (np.pi * s_y * s_z**3) * across * upward / (width * top)
    assert found == pytest.approx([exact], rel=1e-9)
    probe = passage.wake_deficit(comparison("wake_deficit", at, law="couple", at_height_m=2.0))
    exact = couple / (np.pi * s_y * s_z**3) * 2.0 * np.exp(-0.5 * (2.0 / s_z) ** 2)
    assert probe == pytest.approx([exact], rel=1e-9)


def test_a_front_that_holds_the_whole_momentum_wake_meets_its_momentum() -> None:
    """Momentum theorem: the integral of u over the half plane is half the drag area times V."""
    for area in (drag_area(CAR), 2.0):
        found = passage.wake_deficit(
            comparison(
                "wake_deficit", {"behind_m": [20.0], "drag_area_m2": [area]}, CAR, law="momentum",
                width_m=20.0, z_low_m=0.0, z_high_m=12.0,
            )
        )  # fmt: skip
        assert found * 20.0 * 12.0 == pytest.approx([0.5 * area], rel=3e-3)


def test_the_own_front_is_the_default() -> None:
    at = {"behind_m": [25.0]}
    own = comparison("wake_deficit", at)
    named = comparison(
        "wake_deficit", at, width_m=LORRY.width_m, z_low_m=LORRY.clearance_m,
        z_high_m=LORRY.height_m,
    )  # fmt: skip
    assert passage.wake_deficit(own) == passage.wake_deficit(named)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"z_low_m": 2.0, "z_high_m": 1.0}, "z_high_m = 1: must be above z_low_m = 2 m"),
        ({"at_height_m": 2.0, "width_m": 1.0}, "options.at_height_m and options.width_m exclude"),
        ({"average": "mean"}, "must be one of 'speed', 'drag'"),
    ],
)
def test_fronts_that_make_no_sense_are_refused(options: dict[str, object], words: str) -> None:
    with pytest.raises(CaseError, match=words):
        passage.wake_deficit(comparison("wake_deficit", {"behind_m": [5.0]}, **options))


# --- energy of a passage ------------------------------------------------------------------------


@pytest.mark.parametrize("law", LAWS)
@pytest.mark.parametrize(("z", "y", "start"), [(1.5, 0.0, 0.0), (4.0, 1.0, 0.0), (6.0, 0.0, 4.0)])
def test_energy_is_the_integral_over_time(law: str, z: float, y: float, start: float) -> None:
    speed, memory, mixing = 25.0, 20.0, 0.01
    found = passage.tke_per_passage(
        comparison(
            "tke_per_passage", {"z_m": [z], "y_m": [y], "speed_m_s": [speed]}, law=law,
            x_from_m=start, memory_s=memory, diffusivity_over_speed_m=mixing,
        )
    )  # fmt: skip
    wake = vehicle_wake(LORRY, WakeConstants(law=law), AirState(mixing))

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
            CAR, law="couple", x_from_m=10.0, memory_s=memory,
        )
    )  # fmt: skip
    wake = vehicle_wake(CAR, WakeConstants(law="couple"))

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


def test_energy_beside_the_body_counts_for_a_point_out_of_its_path(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A wake of even k from the nose to 5 m behind the tail: k V times the length that passes."""
    monkeypatch.setattr(passage, "wake_of", lambda c, air: Even(LORRY.length_m, 5.0))
    at = {"y_m": [0.0, 3.0, 0.0], "z_m": [1.0, 1.0, 5.0], "speed_m_s": [20.0] * 3}
    found = passage.tke_per_passage(comparison("tke_per_passage", at))
    whole = 0.02 * 20.0 * (LORRY.length_m + 5.0)
    assert found == pytest.approx([0.02 * 20.0 * 5.0, whole, whole], rel=5e-3)


class Even:
    """Turbulence of 0.02 V^2 from the nose to a distance behind the tail."""

    def __init__(self, length_m: float, behind_m: float) -> None:
        self.ends = (-length_m, behind_m)

    def turbulence(self, x: np.ndarray, y: float, z: float) -> np.ndarray:
        return np.where((x >= self.ends[0]) & (x <= self.ends[1]), 0.02, 0.0)


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
    for law in LAWS:
        found = passage.first_vertical_spread(
            comparison("first_vertical_spread", at, CAR, law=law, diffusivity_m2_s=k)
        )
        wake = vehicle_wake(CAR, WakeConstants(law=law), AirState(k / speed))
        s = wake.spread(speed * np.array(age))[1]
        middle = 0.5 * (CAR.height_m + CAR.clearance_m)
        exact = np.sqrt(2.0) * s if law == "couple" else np.hypot(s, middle)
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
    found = passage.first_vertical_spread(
        comparison("first_vertical_spread", at, CAR, by="mixing", mixing_by="formula")
    )
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
