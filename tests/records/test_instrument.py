"""Instruments against exact answers, scipy and published behaviour of cups."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import integrate, signal

from wakesim.air.noise import von_karman_noise
from wakesim.case.instrument import Instrument
from wakesim.errors import CaseError
from wakesim.records.instrument import (
    apply_response,
    first_order,
    instrument_mount,
    linear_response,
    read_instrument,
    recorded,
    time_constant,
    transfer,
)

DT = 0.01


def test_step_has_the_exact_answer() -> None:
    tau = 0.7
    x = np.ones(500)
    x[0] = 0.0  # linear rise over the first step
    t = DT * np.arange(x.size)
    # Answer to a ramp of length DT that stays at one: exact convolution.
    exact = 1.0 - tau / DT * (np.exp(-(t - DT) / tau) - np.exp(-t / tau))
    assert_allclose(first_order(x, DT, tau)[1:], exact[1:], atol=1e-13)


def test_any_signal_agrees_with_scipy() -> None:
    x = np.random.default_rng(1).normal(size=2000)
    x[0] = 0.0
    _, expected, _ = signal.lsim(([1.0], [0.3, 1.0]), x, DT * np.arange(x.size), interp=True)
    assert_allclose(first_order(x, DT, 0.3), expected, atol=1e-11)


@pytest.mark.parametrize("frequency", [0.05, 0.5, 2.0])
def test_sine_is_damped_and_late_as_it_should(frequency: float) -> None:
    tau, t = 0.25, 0.002 * np.arange(40_000)
    y = first_order(np.sin(2 * np.pi * frequency * t), 0.002, tau)
    w = 2 * np.pi * frequency
    gain, phase = 1 / math.hypot(1, w * tau), math.atan(w * tau)
    late = t > 10.0
    assert_allclose(y[late], gain * np.sin(w * t[late] - phase), atol=1e-4)


def test_instant_answer_changes_nothing() -> None:
    u = np.random.default_rng(0).normal(size=100)
    shown = apply_response(u, 2 * u, DT, Instrument(kind="sonic"))
    assert shown.u is not None
    assert_allclose(shown.u, u)
    assert_allclose(shown.speed, np.hypot(u, 2 * u))


def test_cup_follows_its_equation() -> None:
    def wind(t: float) -> float:
        return 3.0 + 2.0 * math.sin(2.0 * t) + 0.5 * math.sin(7.1 * t)

    t = 0.002 * np.arange(10_000)
    speed = np.array([wind(x) for x in t])
    cup = Instrument(kind="cup", distance_constant_m=3.0)
    ours = apply_response(speed, np.zeros_like(speed), 0.002, cup)
    theirs = integrate.solve_ivp(
        lambda now, y: wind(now) / 3.0 * (wind(now) - y), (0, t[-1]), [speed[0]],
        t_eval=t, rtol=1e-9, atol=1e-10, max_step=0.05,
    )  # fmt: skip
    assert ours.u is None
    assert_allclose(ours.speed, theirs.y[0], atol=1e-5)


def test_slow_cup_reads_too_much() -> None:
    """Busch and Kristensen 1976: mean reading U (1 + I^2) when the cup is much slower."""
    rng = np.random.default_rng(3)
    u = np.abs(5.0 + 1.0 * von_karman_noise(400_000, 0.05, 0.2, rng))
    cup = Instrument(kind="cup", distance_constant_m=50.0)
    shown = apply_response(u, 0.0 * u, 0.05, cup).speed[20_000:]
    u = u[20_000:]
    # Variance of the signal that is linear between its samples.
    squares = (u[1:] ** 2 + u[1:] * u[:-1] + u[:-1] ** 2) / 3.0
    intensity_squared = squares.mean() / u.mean() ** 2 - 1.0
    over = shown.mean() / u.mean() - 1.0
    # Slow, not endlessly: 1 - T/tau with the integral time 0.2 s and tau = L/U = 10 s.
    assert over == pytest.approx(0.98 * intensity_squared, rel=0.015)
    quick = Instrument(kind="cup", distance_constant_m=0.05)
    small = apply_response(u, 0.0 * u, 0.05, quick).speed.mean() / u.mean() - 1.0
    assert abs(small) < 0.1 * over


def test_cup_stands_below_its_starting_speed() -> None:
    cup = Instrument(kind="cup", distance_constant_m=2.0, starting_speed_m_s=0.5)
    u = np.concatenate([np.full(2000, 0.4), np.full(2000, 4.0), np.full(3000, 0.3)])
    shown = apply_response(u, 0.0 * u, 0.05, cup).speed
    assert_allclose(shown[:2000], 0.0)
    assert shown[3999] == pytest.approx(4.0, abs=1e-6)
    # It runs down at the rate of the starting speed: 4 exp(-t U_s / L).
    assert shown[4000 + 200] == pytest.approx(4.0 * math.exp(-200 * 0.05 * 0.5 / 2.0), rel=0.06)


def test_vane_turns_over_its_distance_constant() -> None:
    """A vane in a steady wind of U that turns by 90 degrees passes 45 after L/U ln(2)... of air.

    Both components relax at the same rate: tan(angle) = (1 - a)/a, 45 degrees where a = 1/2.
    """
    n, dt, length, speed = 4000, 0.001, 1.5, 3.0
    u = np.where(np.arange(n) < 1000, speed, 0.0)
    v = speed - u
    shown = apply_response(u, v, dt, Instrument(kind="vane_cup", distance_constant_m=length))
    assert shown.u is not None
    assert shown.v is not None
    assert_allclose(np.hypot(shown.u, shown.v), shown.speed, atol=1e-12)
    crossing = dt * int(np.argmax(shown.v > shown.u)) - 1.0
    assert crossing == pytest.approx(length / speed * math.log(2.0), abs=2 * dt)


def test_path_and_averaging_have_the_gain_of_their_length() -> None:
    f, mean, t = 0.8, 2.0, DT * np.arange(20_000)
    u = mean + 0.01 * np.sin(2 * np.pi * f * t)  # small: the local speed is the mean
    for instrument, time in (
        (Instrument(kind="sonic", path_length_m=0.9), 0.45),
        (Instrument(kind="sonic", averaging_s=0.73), 0.73),
    ):
        shown = apply_response(u, 0.0 * u, DT, instrument)
        assert shown.u is not None
        gain = (shown.u[5000:15000].std()) / u[5000:15000].std()
        assert gain == pytest.approx(np.sinc(f * time), rel=2e-3)
        assert gain**2 == pytest.approx(float(transfer(f, instrument, mean)), rel=4e-3)


@pytest.mark.parametrize(
    "instrument",
    [
        Instrument(kind="sonic", path_length_m=0.15, averaging_s=0.1),
        Instrument(kind="other", response_time_s=0.4, averaging_s=1.0),
        Instrument(kind="other", distance_constant_m=1.2),
    ],
    ids=lambda i: i.kind,
)
def test_energy_that_passes_is_that_of_the_transfer_function(instrument: Instrument) -> None:
    """Parseval: the variance of the answer to noise is the integral of |H|^2 S."""
    mean, n = 3.0, 1 << 17
    rng = np.random.default_rng(5)
    u = mean + 0.02 * von_karman_noise(n, DT, 0.3, rng)
    shown = apply_response(u, 0.0 * u, DT, instrument)
    assert shown.u is not None
    f = np.fft.rfftfreq(n, DT)
    power = np.abs(np.fft.rfft(u - u.mean())) ** 2
    share = float(np.sum(power * transfer(f, instrument, mean)) / power.sum())
    inner = slice(5000, -5000)
    assert shown.u[inner].var() / u[inner].var() == pytest.approx(share, rel=0.02)
    again = linear_response(instrument, mean)(u, 0.0 * u, DT)[0]
    assert_allclose(again[inner], shown.u[inner], atol=2e-3)


def test_running_mean_at_the_stamps_is_the_block_mean() -> None:
    """At every stamp the shown value is the mean over the time that the stamp marks."""
    x = np.cumsum(np.random.default_rng(2).normal(size=4000)) * 0.05
    starts = np.arange(1.0, 38.0, 1.0)
    for marks, shift in (("start", 0.0), ("middle", 0.5), ("end", 1.0)):
        instrument = Instrument(kind="sonic", averaging_s=1.0, time_marks=marks)
        shown = apply_response(x, 0.0 * x, DT, instrument).u
        ours = np.interp(starts + shift, DT * np.arange(x.size), shown)
        # Trapezoidal mean of the samples from t to t + 1 s.
        exact = [np.trapezoid(x[i : i + 101], dx=DT) for i in (100 * starts).astype(int)]
        assert_allclose(ours, exact, atol=1e-10)


def test_noise_and_steps() -> None:
    instrument = Instrument(kind="sonic", noise_m_s=0.05, resolution_m_s=0.01)
    got = recorded(np.zeros(40_000), instrument, np.random.default_rng(0))
    assert_allclose(got / 0.01, np.round(got / 0.01), atol=1e-9)
    # Sheppard: rounding adds the variance of a step, q^2 / 12.
    assert got.var() == pytest.approx(0.05**2 + 0.01**2 / 12, rel=0.03)


def test_time_constant_of_a_cup() -> None:
    assert time_constant(Instrument(kind="cup", distance_constant_m=3.0), 6.0) == 0.5


def test_table_in_a_file(tmp_path: Path) -> None:
    path = tmp_path / "sonic.toml"
    path.write_text('kind = "sonic"\npath_length_m = 0.15\naveraging_s = 0.1\nheight_m = 1.5\n')
    bare = read_instrument(path)
    path.write_text('[instrument]\nkind = "sonic"\npath_length_m = 0.15\naveraging_s = 0.1\n'
                    "height_m = 1.5\n")  # fmt: skip
    assert read_instrument(path) == bare
    assert bare.height_m == 1.5


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ('kind = "cup"\n', None, "'distance_constant_m' is missing"),
        ('kind = "sonik"\n', 1, 'did you mean "sonic"?'),
        ('kind = "sonic"\naveraging = 1.0\n', 2, "did you mean 'averaging_s'"),
        ('kind = "sonic"\n\nnoise_m_s = 3.0\n', 3, "must be at least 0 m/s and at most 1 m/s"),
        ('kind = "sonic"\nstarting_speed_m_s = 0.3\n', 2, 'only for kind = "cup" or "vane_cup"'),
        ('kind = "other"\nresponse_time_s = 1.0\ndistance_constant_m = 1.0\n', 3, "not both"),
        ("height_m = 1.5\n", None, "'kind' is missing"),
        ("", None, "is empty"),
    ],
)
def test_mistakes_in_a_table(tmp_path: Path, text: str, line: int | None, words: str) -> None:
    path = tmp_path / "instrument.toml"
    path.write_text(text)
    with pytest.raises(CaseError) as caught:
        read_instrument(path)
    message = str(caught.value)
    assert "\n" not in message
    assert words in message
    assert f"instrument.toml:{line}:" in message if line else "instrument.toml:" in message


def test_table_in_a_case(tmp_path: Path) -> None:
    from wakesim.case.load import load_case, load_case_text
    from wakesim.runtime import cases_path

    text = cases_path("expressway-post.toml").read_text(encoding="utf-8")
    assert load_case(cases_path("expressway-post.toml")).instrument is None
    added = '\n[instrument]\nkind = "vane_cup"\ndistance_constant_m = 2.5\noffset_m = 5.2\n'
    case = load_case_text(text + added)
    assert case.instrument is not None
    mount = instrument_mount(case.instrument, case.mounts[0])
    assert (mount.offset_m, mount.height_m) == (5.2, case.mounts[0].height_m)
    with pytest.raises(CaseError, match="distance_constant_m' is missing"):
        load_case_text(text + '\n[instrument]\nkind = "cup"\n')
