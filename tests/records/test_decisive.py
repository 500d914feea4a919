"""Decay and profile of wakes, and the ambient mast, on made-up air whose truth is known."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from wakesim.air.profiles import log_profile
from wakesim.case.load import load_case
from wakesim.records.ambient_mast import AmbientMast, known_at, reached, slow_wind, with_wind_of
from wakesim.records.anemometer import AnemometerRecord
from wakesim.records.decisive import Along, decisive, large_classes, ratio_of_means
from wakesim.runtime import cases_path
from wakesim.traffic.stream import Passes

PLAIN = load_case(cases_path("expressway-post.toml"))
CASE = replace(PLAIN, model=PLAIN.model.model_copy(update={"wake_memory_s": 80.0}))
NAMES = list(CASE.vehicles)
LORRY, CAR = NAMES.index("artic_lorry_eu"), NAMES.index("small_car")
DT = 0.2


def record(u: np.ndarray, v: np.ndarray | None = None, dt: float = DT) -> AnemometerRecord:
    v = np.zeros_like(u) if v is None else v
    time = dt * np.arange(u.size)
    return AnemometerRecord(time, np.hypot(u, v), u, v, None, dt, None, 0.0, "r.csv", "")


def traffic(seconds: float, rng: np.random.Generator) -> Passes:
    """Lorries and cars in the near outer lane, at random times."""
    time = np.sort(rng.uniform(20.0, seconds - 70.0, int(seconds / 30.0)))
    n = time.size
    kind = np.where(rng.random(n) < 0.6, LORRY, CAR).astype(np.int32)
    none = np.zeros(n)
    return Passes(time, np.zeros(n, np.int32), kind, none + 25.0, none, none + 1.0)


def wakes(passes: Passes, seconds: float, strength: float, decay_s: float) -> np.ndarray:
    """Sum of what lorries leave: exponential decay from the nose on."""
    time = DT * np.arange(round(seconds / DT))
    out = np.zeros(time.size)
    for moment in passes.time_s[passes.vehicle == LORRY]:
        since = time - moment
        out += np.where(since > 0.0, strength * np.exp(-np.maximum(since, 0.0) / decay_s), 0.0)
    return out


def along(height: float, strong: float, rng: np.random.Generator, noise: float = 0.05) -> Along:
    """Measured: wakes that last 60 s; the model has them, the other law wakes of 8 s."""
    seconds = 3600.0
    passes = traffic(seconds, np.random.default_rng(5))
    lasting, short = (wakes(passes, seconds, strong, s) for s in (60.0, 8.0))
    measured = lasting + noise * rng.standard_normal(lasting.size)
    mount = CASE.mounts[0].model_copy(update={"height_m": height})
    return Along(record(measured), passes, mount, measured, lasting, short)


def test_the_air_after_lorries_tells_how_wakes_decay() -> None:
    first = along(2.0, 0.3, np.random.default_rng(1))
    found, notes = decisive(CASE, first, None)
    assert not notes
    assert [j.key for j in found] == [
        "decay_15_to_30_s_artic_lorry_eu", "decay_30_to_60_s_artic_lorry_eu",
    ]  # fmt: skip
    for judgement in found:
        assert judgement.verdict == "agrees"
        low, high = judgement.record_interval
        assert low < judgement.model < high
    wrong, _ = decisive(CASE, first._replace(model=first.other, other=first.model), None)
    for judgement in wrong:
        assert judgement.verdict == "too low"
        assert "with the other wake law it agrees" in judgement.text


def test_wakes_that_are_not_followed_for_as_long_are_not_judged() -> None:
    model = CASE.model.model_copy(update={"wake_memory_s": 40.0})
    found, _ = decisive(replace(CASE, model=model), along(2.0, 0.3, np.random.default_rng(1)), None)
    assert [j.verdict for j in found] == ["agrees", "cannot be judged"]
    assert "model.wake_memory_s must be at least 60" in found[1].text


def test_two_heights_give_the_profile_without_the_strength() -> None:
    """Half as strong at the lower height, whatever the strength of the lorries is."""
    rng = np.random.default_rng(2)
    low, high = along(0.5, 0.15, rng), along(3.0, 0.3, rng)
    stronger = [at._replace(measured=1.7 * at.measured) for at in (low, high)]
    for first, second in ((low, high), (high, low), stronger):
        found, _ = decisive(CASE, first, second)
        profile = next(j for j in found if j.key.startswith("profile"))
        assert profile.verdict == "agrees"
        assert profile.record == pytest.approx(0.5, abs=0.03)
        assert profile.model == pytest.approx(0.5)


def test_only_the_classes_with_the_largest_drag_are_looked_at() -> None:
    assert [name for _, name in large_classes(CASE, traffic(3600.0, np.random.default_rng(5)))] == [
        "artic_lorry_eu"
    ]


def test_too_few_passes_are_said() -> None:
    first = along(2.0, 0.3, np.random.default_rng(1))
    few = first._replace(passes=first.passes.take(np.arange(len(first.passes)) < 4))
    found, notes = decisive(CASE, few, None)
    assert not found
    assert "too few passes" in notes[0]


def test_a_profile_in_strong_wind_is_not_judged() -> None:
    rng = np.random.default_rng(3)
    low, high = along(0.5, 0.02, rng), along(3.0, 0.02, rng)
    gusts = np.repeat(rng.standard_normal((2, 180)), 100, axis=1)
    windy = [
        at._replace(measured=at.measured + g) for at, g in zip((low, high), gusts, strict=True)
    ]
    found, _ = decisive(CASE, *windy)
    profile = next(j for j in found if j.key.startswith("profile"))
    assert profile.verdict == "cannot be judged"


def test_intervals_of_ratios_hold_as_often_as_they_say() -> None:
    """Two means with a common scatter, clusters of four: 90 % of 400, binomial sd 1.5 %."""
    rng = np.random.default_rng(4)
    hits = 0
    for _ in range(400):
        common = np.repeat(rng.normal(0.0, 0.4, 25), 4) + rng.normal(0.0, 0.2, 100)
        x = 0.4 + common + rng.normal(0.0, 0.1, 100)
        y = 0.8 + common + rng.normal(0.0, 0.1, 100)
        ratio, (low, high) = ratio_of_means(x, y, np.repeat(np.arange(25), 4))
        assert low <= ratio <= high
        hits += low <= 0.5 <= high
    assert 0.86 <= hits / 400 <= 0.94
    ratio, ends = ratio_of_means(x, y - y.mean() + 0.01, np.repeat(np.arange(25), 4))
    assert all(map(math.isnan, ends))


# --- the ambient mast ---------------------------------------------------------------------------


def mast(u: np.ndarray, v: np.ndarray, ahead_s: float = -30.0, dt: float = 1.0) -> AmbientMast:
    return AmbientMast(record(u, v, dt), 3.0, ahead_s)


def test_the_masts_wind_at_the_instrument() -> None:
    """A mean, a slow wave of ten minutes and gusts: the wave is found at another height."""
    rng = np.random.default_rng(6)
    time = np.arange(4000.0)
    wave = 0.5 * np.sin(2.0 * np.pi * time / 600.0)
    gusts = 0.3 * rng.standard_normal((2, time.size))
    one = mast(0.6 + wave + gusts[0], 0.8 + gusts[1])
    case = with_wind_of(CASE, one, (0.0, 3600.0))
    wind = case.air.wind
    assert wind is not None
    assert wind.speed_m_s == pytest.approx(1.0, abs=0.03)
    assert wind.angle_deg == pytest.approx(math.degrees(math.atan2(0.8, 0.6)), abs=3.0)
    assert wind.turbulence_intensity == pytest.approx(0.3, abs=0.03)
    slow = slow_wind(case, one, 1.5, 100.0)
    share = float(log_profile(1.5, 1.0, 3.0, 0.03))
    at = np.arange(300.0, 3000.0, 7.0)  # on a clock that begins 100 s after the record
    expected = share * 0.5 * np.sin(2.0 * np.pi * (at + 100.0 + 30.0) / 600.0)
    # a running mean of 60 s leaves sinc(60/600) of the wave
    assert_allclose(slow.at(at)[0], np.sinc(0.1) * expected, atol=0.15)
    assert np.std(slow.at(at)[0] - np.sinc(0.1) * expected) < 0.05
    assert abs(slow.at(at)[1].mean()) < 0.02


def test_where_the_mast_has_samples() -> None:
    one = mast(np.ones(500), np.zeros(500), ahead_s=10.0)
    gap = replace(one.record, time_s=one.record.time_s + 300.0 * (one.record.time_s > 250.0))
    known = known_at(replace(one, record=gap), np.array([0.0, 20.0, 300.0, 600.0, 900.0]))
    assert known.tolist() == [False, True, False, True, False]


@pytest.mark.parametrize(("strength", "words"), [(0.0, "shows nothing"), (0.2, "reaches")])
def test_a_mast_that_the_traffic_reaches_is_told(strength: float, words: str) -> None:
    rng = np.random.default_rng(7)
    passes = traffic(3600.0, rng)
    air = wakes(passes, 3600.0, strength, 20.0)
    u = air + 0.1 * rng.standard_normal(air.size)
    one = AmbientMast(record(u), 3.0, 0.0)
    assert words in reached(one, passes, passes.vehicle == LORRY, "lorries")
