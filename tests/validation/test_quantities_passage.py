"""Passages and traffic against exact integrals: quadrature of the wake law, closed forms."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable

import numpy as np
import pytest
from quantity_values import compute
from scipy.integrate import dblquad, quad
from scipy.special import erf

from wakesim.arrays import Array
from wakesim.case.vehicle import Vehicle, vehicle
from wakesim.errors import CaseError
from wakesim.validation.quantities import passage
from wakesim.vehicle.wake import SHARE_W, AirState, WakeConstants, vehicle_wake

LORRY, CAR = vehicle("artic_lorry_eu"), vehicle("small_car")
LAWS = ("couple", "momentum")


def values(name: str, conditions: dict, body: Vehicle | None = LORRY, **options: object) -> Array:
    return compute(name, conditions, body, **options)


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
    result = values("wake_deficit", at, law=law, **front)
    assert result == pytest.approx([over_front(lambda u: u)], rel=1e-6)
    # drag of a follower: even air of this deficit would give it the same
    by_drag = values("wake_deficit", at, law=law, average="drag", **front)
    assert (1.0 - by_drag) ** 2 == pytest.approx([over_front(lambda u: (1.0 - u) ** 2)], rel=1e-6)


def test_deficit_of_the_couple_wake_in_closed_form() -> None:
    """Published law integrated by hand: an error function across, 1 - exp upwards."""
    behind, width, top = 60.0, 2.5, 4.0
    at = {"behind_m": [behind]}
    result = values("wake_deficit", at, law="couple", width_m=width, z_low_m=0.0, z_high_m=top)
    s_y, s_z = map(float, vehicle_wake(LORRY, WakeConstants(law="couple")).spread(behind))
    couple = 0.5 * drag_area(LORRY) * 0.5 * LORRY.height_m
    across = np.sqrt(2.0 * np.pi) * s_y * erf(0.5 * width / (np.sqrt(2.0) * s_y))
    upward = s_z**2 * (1.0 - np.exp(-0.5 * (top / s_z) ** 2))
    exact = couple / (np.pi * s_y * s_z**3) * across * upward / (width * top)
    assert result == pytest.approx([exact], rel=1e-9)
    probe = values("wake_deficit", at, law="couple", at_height_m=2.0)
    exact = couple / (np.pi * s_y * s_z**3) * 2.0 * np.exp(-0.5 * (2.0 / s_z) ** 2)
    assert probe == pytest.approx([exact], rel=1e-9)


def test_a_front_that_holds_the_whole_momentum_wake_meets_its_momentum() -> None:
    """Momentum theorem: the integral of u over the half plane is half the drag area times V."""
    for area in (drag_area(CAR), 2.0):
        result = values(
                "wake_deficit", {"behind_m": [20.0], "drag_area_m2": [area]}, CAR, law="momentum",
                width_m=20.0, z_low_m=0.0, z_high_m=12.0,
            )  # fmt: skip
        assert result * 20.0 * 12.0 == pytest.approx([0.5 * area], rel=3e-3)


def test_the_own_front_is_the_default() -> None:
    at = {"behind_m": [25.0]}
    own = values("wake_deficit", at)
    named = values(
        "wake_deficit", at, width_m=LORRY.width_m, z_low_m=LORRY.clearance_m,
        z_high_m=LORRY.height_m,
    )  # fmt: skip
    assert own == named


@pytest.mark.parametrize(
    ("options", "text"),
    [
        ({"z_low_m": 2.0, "z_high_m": 1.0}, "z_high_m = 1: must be above z_low_m = 2 m"),
        ({"at_height_m": 2.0, "width_m": 1.0}, "options.at_height_m and options.width_m exclude"),
        ({"average": "mean"}, "must be one of 'speed', 'drag'"),
    ],
)
def test_fronts_that_make_no_sense_are_refused(options: dict[str, object], text: str) -> None:
    with pytest.raises(CaseError, match=text):
        values("wake_deficit", {"behind_m": [5.0]}, **options)


# --- energy of a passage ------------------------------------------------------------------------


@pytest.mark.parametrize("law", LAWS)
@pytest.mark.parametrize(("z", "y", "start"), [(1.5, 0.0, 0.0), (4.0, 1.0, 0.0), (6.0, 0.0, 4.0)])
def test_energy_is_the_integral_over_time(law: str, z: float, y: float, start: float) -> None:
    speed, memory, mixing = 25.0, 20.0, 0.01
    result = values(
            "tke_per_passage", {"z_m": [z], "y_m": [y], "speed_m_s": [speed]}, law=law,
            x_from_m=start, memory_s=memory, diffusivity_over_speed_m=mixing,
        )  # fmt: skip
    wake = vehicle_wake(LORRY, WakeConstants(law=law), AirState(mixing))

    def k(t: float) -> float:
        return speed**2 * float(wake.turbulence(speed * t, y, z))

    joints = np.unique([start / speed, 0.02, 0.04, 0.2, 0.4, 1.0, 4.0, memory])
    joints = joints[joints >= start / speed]
    exact = sum(quad(k, a, b, epsrel=1e-9, limit=200)[0] for a, b in itertools.pairwise(joints))
    assert result == pytest.approx([exact], rel=1e-4)


def test_energy_across_the_lane_in_closed_form() -> None:
    """Over all y a Gaussian gives sqrt(2 pi) s_y: here with the published law of k, at one z."""
    speed, memory, z = 20.0, 5.0, 1.0
    y = np.linspace(-25.0, 25.0, 1001)
    n = y.size
    result = values(
            "tke_per_passage",
            {"z_m": [z] * n, "y_m": list(y), "speed_m_s": [speed] * n},
            CAR, law="couple", x_from_m=10.0, memory_s=memory,
        )  # fmt: skip
    wake = vehicle_wake(CAR, WakeConstants(law="couple"))

    def strip(x: float) -> float:
        s_y = 1.1 * float(wake.spread(x)[0])
        return float(wake.turbulence(x, 0.0, z)) * np.sqrt(2.0 * np.pi) * s_y

    exact = speed * quad(strip, 10.0, speed * memory, epsrel=1e-9)[0]
    assert np.trapezoid(result, y) == pytest.approx(exact, rel=1e-4)


def test_energy_grows_with_the_speed_when_the_same_wake_passes() -> None:
    """In still air k goes as V^2 and the time as 1/V."""
    slow = values(
        "tke_per_passage", {"z_m": [2.0], "speed_m_s": [15.0]}, memory_s=20.0, x_from_m=1.0
    )
    fast = values(
        "tke_per_passage", {"z_m": [2.0], "speed_m_s": [30.0]}, memory_s=10.0, x_from_m=1.0
    )
    assert fast == pytest.approx(2.0 * slow)


def test_energy_beside_the_body_counts_for_a_point_out_of_its_path(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A wake of even k from the nose to 5 m behind the tail: k V times the length that passes."""
    monkeypatch.setattr(passage, "wake_of", lambda c, air: Even(LORRY.length_m, 5.0))
    at = {"y_m": [0.0, 3.0, 0.0], "z_m": [1.0, 1.0, 5.0], "speed_m_s": [20.0] * 3}
    result = values("tke_per_passage", at)
    whole = 0.02 * 20.0 * (LORRY.length_m + 5.0)
    assert result == pytest.approx([0.02 * 20.0 * 5.0, whole, whole], rel=5e-3)


class Even:
    """Turbulence of 0.02 V^2 from the nose to a distance behind the tail."""

    def __init__(self, length_m: float, behind_m: float) -> None:
        self.ends = (-length_m, behind_m)

    def turbulence(self, x: np.ndarray, y: float, z: float) -> np.ndarray:
        return np.where((x >= self.ends[0]) & (x <= self.ends[1]), 0.02, 0.0)


def test_nothing_left_to_pass_is_refused() -> None:
    with pytest.raises(CaseError, match="must be less than speed times memory_s"):
        values("tke_per_passage", {"z_m": [2.0], "speed_m_s": [10.0]}, memory_s=2.0, x_from_m=50.0)


# --- vertical spread ------------------------------------------------------------------------------


def test_spread_of_the_wakes_in_closed_form() -> None:
    """Mean square height: 2 s^2 of z exp(-z^2/2 s^2), s^2 + z_w^2 of a Gaussian and its image."""
    speed, age, k = 30.0, [2.0, 10.0, 30.0], 0.3
    at = {"residence_time_s": age, "speed_m_s": [speed] * 3}
    for law in LAWS:
        result = values("first_vertical_spread", at, CAR, law=law, diffusivity_m2_s=k)
        wake = vehicle_wake(CAR, WakeConstants(law=law), AirState(k / speed))
        s = wake.spread(speed * np.array(age))[1]
        middle = 0.5 * (CAR.height_m + CAR.clearance_m)
        exact = np.sqrt(2.0) * s if law == "couple" else np.hypot(s, middle)
        assert result == pytest.approx(exact, rel=1e-5)


def test_spread_by_mixing_alone() -> None:
    """A line at half height that diffuses: variance (h/2)^2 + 2 K t, K by hand from the traffic."""
    flow, speed, road = 3000.0, 30.0, 7.3
    share = flow / 3600.0 * CAR.length_m * CAR.width_m / (speed * road)
    k = 0.3 * (0.3 * speed * np.sqrt(share)) * 0.5 * CAR.height_m
    at = {
        "residence_time_s": [0.0, 10.0], "speed_m_s": [speed] * 2, "flow_veh_h": [flow] * 2,
        "road_width_m": [road] * 2,
    }  # fmt: skip
    result = values("first_vertical_spread", at, CAR, by="mixing", mixing_by="formula")
    half = 0.5 * CAR.height_m
    assert result == pytest.approx([half, np.sqrt(half**2 + 20.0 * k)], rel=1e-9)


def test_no_road_holds_more_vehicles_than_its_area() -> None:
    at = {"residence_time_s": [1.0], "speed_m_s": [1.0], "flow_veh_h": [30_000.0]}
    with pytest.raises(CaseError, match="cover more than the road"):
        values("first_vertical_spread", at)


# --- turbulence of traffic ----------------------------------------------------------------------

ROAD = {"flow_veh_h": [3000.0], "speed_m_s": [30.0], "road_width_m": [7.3]}


def test_the_road_s_own_viscosity_scales_with_the_speed_at_one_spacing():
    """Over the speed it depends on the vehicles per metre alone, but for the little motion of air
    that passes for still and the time to settle; at one speed it grows with the flow."""
    at = {"flow_veh_h": [1500.0, 3000.0, 3000.0], "speed_m_s": [15.0, 15.0, 30.0],
          "road_width_m": [7.3] * 3}  # fmt: skip
    slow, dense, fast = compute("road_viscosity", at, CAR)
    assert fast == pytest.approx(2.0 * slow, rel=0.06)
    assert 1.2 * slow < dense < 2.0 * slow


class TestTurbulence:
    def test_scaling_by_hand(self):
        # 3000 cars/h at 30 m/s on 7.3 m: D = q A/(V w)
        share = 3000 / 3600 * 4.05 * 1.75 / (30 * 7.3)
        result = compute("traffic_sigma_w", ROAD, CAR)
        assert result == pytest.approx(0.3 * 30 * math.sqrt(share))
        diffusivity = compute("traffic_diffusivity", ROAD, CAR)
        assert diffusivity == pytest.approx(0.3 * result * 0.5 * 1.48)

    def test_wakes_carry_the_integral_of_their_energy(self):
        wake = vehicle_wake(CAR, WakeConstants(law="couple"))
        x = np.arange(0.005, 30.0 * 30.0, 0.01)  # midpoints of a plain sum

        def over_x(y):
            return float(wake.turbulence(x, y, 0.74).sum() * 0.01)

        y = 3.65 * (np.arange(40) + 0.5) / 40
        energy = 2 * np.mean([over_x(v) for v in y]) * 3.65 / 7.3
        expected = math.sqrt(2 * SHARE_W * 3000 / 3600 * 30 * energy)
        assert compute("wakes_sigma_w", ROAD, CAR, law="couple") == pytest.approx(
            expected, rel=5e-3
        )

    def test_variance_is_proportional_to_the_flow_and_falls_with_width(self):
        one, four = (
            compute("wakes_sigma_w", ROAD | {"flow_veh_h": [q]}, CAR)[0] for q in (500, 2000)
        )
        assert four == pytest.approx(2 * one)
        wide = compute("wakes_sigma_w", ROAD | {"road_width_m": [40.0]}, CAR)[0]
        assert wide < 0.6 * compute("wakes_sigma_w", ROAD, CAR)[0]

    def test_energy_of_a_pass_with_speed(self):
        place = {"beside_m": [1.0], "at_height_m": [1.0]}
        speeds = {"from_speed_m_s": [20.0], "to_speed_m_s": [30.0]}
        peak = compute("pass_energy_exponent", place | speeds, CAR, measure="peak")
        assert peak == pytest.approx(2.0, abs=1e-3)
        # over a window the pass outlasts the mean is over length, so one power of speed less
        long, short = (
            compute("pass_energy_exponent", place | speeds, CAR, window_s=w)[0] for w in (200, 2)
        )
        assert 1.0 < long < short < 2.0
        assert long < 1.2

    @pytest.mark.parametrize(
        ("name", "change", "text"),
        [
            (
                "traffic_sigma_w",
                {"flow_veh_h": [40000.0], "speed_m_s": [1.0]},
                "more than the road",
            ),
            ("traffic_sigma_w", {"road_width_m": [0.0]}, "road_width_m"),
            ("wakes_sigma_w", {"speed_m_s": [0.0]}, "speed_m_s"),
        ],
    )
    def test_refusals(self, name, change, text):
        with pytest.raises(CaseError) as error:
            compute(name, ROAD | change, CAR)
        assert text in str(error.value)

    def test_speeds_must_differ(self):
        conditions = {
            "beside_m": [1.0], "at_height_m": [1.0],
            "from_speed_m_s": [30.0], "to_speed_m_s": [30.0],
        }  # fmt: skip
        with pytest.raises(CaseError, match="to_speed_m_s"):
            compute("pass_energy_exponent", conditions, CAR)
