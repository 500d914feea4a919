"""A record held against the model: verdicts on invented records whose constants are known."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest
from invented_record import CASE_CONSTANTS, Truth, write
from one_lane_road import text_of

from wakesim.case.load import load_case_text
from wakesim.errors import CaseError
from wakesim.records import comparison, logged
from wakesim.records.anemometer import AnemometerRecord
from wakesim.records.comparison import compare_record
from wakesim.records.comparison_files import as_plain
from wakesim.records.comparison_report import sentences
from wakesim.records.inputs import Beside, chosen_mount, read_inputs
from wakesim.records.judgement import QUANTITIES, compare, judge, judge_difference, without_slow
from wakesim.records.logger import ReadOptions
from wakesim.records.model_range import ModelRange
from wakesim.records.modelled import modelled_records, shortest_run

INSTRUMENT = '\n[instrument]\nkind = "sonic"\naveraging_s = 0.1\nnoise_m_s = 0.03\n'
SECONDS = 720.0
STILL = Truth(
    pulse=1.0, spread=1.1, turbulence=1.0, wind_m_s=(0.0, 0.0), gusts_m_s=0.0, time_sd_s=0.0
)


def a_case(**changes):
    usual = {"hours": 1.0, "memory": 15, "flow": 500, "heavy": 0.3, "wander": 0.2, "offset": 1.5,
             "light_mix": "{ small_car = 1.0 }", "kind": "post",
             "air": "still = true\ndrift = { enabled = false }"}  # fmt: skip
    # the couple wake: its pulses and wakes stand out of the turbulence, whose detection is tested
    law = '[model]\nwake_law = "couple"'
    text = text_of(**(usual | changes)).replace("[model]", law)
    return load_case_text(text + INSTRUMENT, "made-up.toml")


@pytest.fixture(scope="module")
def case():
    return a_case()


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("records")


def no_range(scenario, windows, measure, cache, say):
    """In place of the model interval, which takes most of the time."""
    size = measure(modelled_records(scenario, cache, windows=windows)[0]).size
    return ModelRange(np.zeros(size), np.zeros(size), ())


def compared(
    case, folder, truth, name, log=True, columns="u, v", seed=3, seconds=SECONDS, spoil=None,
    beside=None, there=None, **options,
):  # fmt: skip
    """A comparison with a made-up record, of the air of the case ``there`` (default: the same);
    ``spoil`` (u, v, time) -> (u, v, time) changes it."""
    paths = write(folder, there or case, truth, columns, name, seconds=seconds, seed=seed)
    if spoil:
        head, rows = paths[0].read_text(encoding="utf-8").split("v_m_s\n")
        time, u, v = np.array([r.split(",") for r in rows.split()], float).T
        u, v, time = spoil(u, v, time)
        rows = [f"{t:.4f},{a:.2f},{b:.2f}" for t, a, b in zip(time, u, v, strict=True)]
        paths[0].write_text(head + "v_m_s\n" + "\n".join(rows), encoding="utf-8")
    inputs = read_inputs(
        case, paths[0], passes_path=paths[1] if log else None, beside=beside or Beside()
    )
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(comparison, "model_range", no_range)
        patch.setattr(logged, "DRAWS", 2)
        return compare_record(inputs, **options)


def by_key(result):
    return {j.key: j for j in result.judgements}


@pytest.fixture(scope="module")
def same_world(case, folder):
    return compared(case, folder, STILL, "same")


@pytest.fixture(scope="module")
def faster_world(case, folder):
    truth = Truth(**(STILL.__dict__ | {"scale": 2.0}))
    return compared(case, folder, truth, "faster")


def test_a_record_of_the_models_own_world_agrees(same_world):
    found = by_key(same_world)
    for q in QUANTITIES:
        judgement = found[q.key]
        assert judgement.ratio == pytest.approx(1.0, abs=0.12), q.key
    verdicts = [found[q.key].verdict for q in QUANTITIES]
    assert verdicts.count("agrees") >= 5  # of six, at 90 % each
    assert found["pulse_artic_lorry_eu"].verdict == "agrees"
    points = {p.key: p.values for p in same_world.logged.points}
    assert points["pass_peaks"]["correlation"] > 0.7
    assert points["pass_peaks"]["fac2"] > 0.9


def test_the_logs_clock_is_found_and_taken_out(same_world):
    clock = same_world.logged.clock
    low, high = clock.offset_interval_s
    assert clock.significant
    assert low < STILL.offset_s < high
    # the lorry's bow wave stands where the nose is abreast
    lorry = next(s for s in same_world.logged.signatures if s.vehicle == "artic_lorry_eu")
    curve = lorry.curves["v"].record
    assert abs(curve.time_s[np.nanargmax(curve.mean)]) < 0.3
    assert "0.7" in " ".join(sentences(same_world)["answer"])


def test_twice_the_speed_is_called_too_low_by_two(faster_world):
    found = by_key(faster_world)
    for key in ("mean_speed", "effective_speed", "rms_faster_than_2_s"):
        judgement = found[key]
        low, high = judgement.ratio_interval
        assert judgement.verdict == "too low"
        assert low < 2.0 < high or judgement.ratio == pytest.approx(2.0, rel=0.1)
        factor = float(re.search(r"by a factor of ([\d.]+)", judgement.text)[1])
        assert factor == pytest.approx(2.0, abs=0.25)
    assert "too low" in sentences(faster_world)["answer"][0]


def test_the_residual_of_the_same_world_is_what_the_model_leaves(same_world):
    c = same_world.curves
    middle = (c.frequency_hz > 0.05) & (c.frequency_hz < 2.0)
    ratio = c.residual[middle].sum() / c.model_residual[middle].sum()
    assert 0.75 < ratio < 1.33
    assert c.residual[middle].sum() < 0.95 * c.record_density[middle].sum()


@pytest.mark.slow
def test_times_of_the_log_that_scatter_make_no_verdict(case, folder):
    """A tenth of a second here and there blurs the average pulse, not the physics."""
    jittered = Truth(**(STILL.__dict__ | {"time_sd_s": 0.05}))
    found = compared(case, folder, jittered, "jittered", seed=4, seconds=1500.0)
    assert found.logged.time_error.origin == "record"
    assert found.logged.time_error.sd_s == pytest.approx(0.05, abs=0.012)
    low, high = found.logged.time_error.interval_s
    assert low < 0.05 < high
    assert by_key(found)["pulse_artic_lorry_eu"].verdict == "agrees"
    believed = compared(
        case, folder, jittered, "jittered", seed=4, seconds=1500.0, log_time_error_s=0.0
    )
    sharp = by_key(believed)["pulse_artic_lorry_eu"].model
    assert sharp > 1.04 * by_key(found)["pulse_artic_lorry_eu"].model
    assert as_plain(found)["log_time_error"]["origin"] == "record"


def test_reversed_axes_are_found_and_put_right(case, folder, same_world):
    """The same record with both components turned round gives the same verdicts."""
    turned = compared(case, folder, STILL, "turned", spoil=lambda u, v, t: (-u, -v, t))
    assert turned.logged.clock.axes.tolist() == [[-1.0, 0.0], [0.0, -1.0]]
    mine, theirs = by_key(same_world), by_key(turned)
    for key in ("pulse_artic_lorry_eu", "mean_speed", "rms_faster_than_2_s"):
        assert theirs[key].verdict == mine[key].verdict
        assert theirs[key].record == pytest.approx(mine[key].record, rel=1e-6)
    assert any("both reversed" in note for note in turned.notes)


@pytest.mark.slow
def test_a_drifting_clock_gives_the_verdicts_of_a_good_one(case, folder):
    """200 ppm over an hour: 0.7 s, three times the width of the pulses."""
    drift = compared(
        case, folder, STILL, "drift", seed=4, seconds=3590.0,
        spoil=lambda u, v, t: (u, v, t * 1.0002),
    )  # fmt: skip
    assert drift.logged.clock.clock.rate == pytest.approx(2e-4, abs=4e-5)
    assert drift.logged.time_error.sd_s < 0.05
    assert by_key(drift)["pulse_artic_lorry_eu"].verdict == "agrees"


def test_without_a_log_only_statistics_are_compared(case, folder):
    result = compared(case, folder, STILL, "alone", log=False)
    found = by_key(result)
    assert set(found) == {q.key for q in QUANTITIES}
    assert result.logged is None
    assert found["mean_speed"].ratio == pytest.approx(1.0, abs=0.3)
    plain = as_plain(result)
    assert any("--fit" in text for text in plain["needs_log"])
    assert "other, simulated vehicles" in " ".join(sentences(result)["answer"])
    # unlike vehicles: surely a wider interval than with the same ones
    assert np.ptp(found["mean_speed"].ratio_interval) > 0.05


def test_a_log_of_other_traffic_is_not_believed(case, folder):
    paths = write(folder, case, STILL, "u, v", "mine", seconds=SECONDS, seed=3)
    other = write(folder, case, STILL, "u, v", "other", seconds=SECONDS, seed=9)
    inputs = read_inputs(case, paths[0], passes_path=other[1])
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(comparison, "model_range", no_range)
        patch.setattr(logged, "DRAWS", 2)
        result = compare_record(inputs, fitted=True)
    assert not result.logged.clock.significant
    assert result.fit is None
    assert any("no constants were fitted" in note for note in result.notes)
    for judgement in result.judgements:
        if judgement.key.startswith(("pulse_", "wake_")):
            assert judgement.verdict == "cannot be judged"
    assert as_plain(result)["clock"]["applied"] is False
    assert any("NO MATCH" in text for text in sentences(result)["answer"])


def test_the_slow_wind_of_the_record_can_be_taken_off_both(case, folder):
    windy = Truth(**(STILL.__dict__ | {"wind_m_s": (1.5, 1.0)}))
    result = compared(case, folder, windy, "windy", ambient="record")
    found = by_key(result)
    assert found["mean_speed"].ratio == pytest.approx(1.0, abs=0.12)
    assert found["share_above_cut_in"].verdict == "cannot be judged"
    # a wind of 1.8 m/s that the case does not have
    assert result.inputs.record.speed_m_s.mean() > 1.6
    assert found["mean_speed"].record < 0.55 * result.inputs.record.speed_m_s.mean()


def mast(folder, name="mast", sd_m_s=0.5, mean=(0.6, 0.9)):
    """A wandering wind: the file of a mast 3 m high, what it adds 2 m above the road, and the case
    whose passes stand in its mean."""
    rng = np.random.default_rng(8)
    time = 1.0 * np.arange(-60, 800)
    knots = np.arange(-120.0, 900.0, 90.0)
    wander = [np.interp(time, knots, rng.standard_normal(knots.size)) for _ in mean]
    during = (time >= 0.0) & (time < SECONDS)  # its mean is that which carries the wakes
    slow = [m + sd_m_s * (w - w[during].mean()) for m, w in zip(mean, wander, strict=True)]
    shown = [x + 0.15 * rng.standard_normal(time.size) for x in slow]
    rows = [f"{t + 100:.1f},{a:.3f},{b:.3f}" for t, a, b in zip(time, *shown, strict=True)]
    path = folder / f"{name}.csv"
    path.write_text("time_s,u_m_s,v_m_s\n" + "\n".join(rows), encoding="utf-8")
    moved = math.log(2.0 / 0.03) / math.log(3.0 / 0.03)

    def blow(u, v, t):
        more = [moved * np.interp(t - 100.0, time, w) for w in slow]
        return u + more[0], v + more[1], t

    angle = math.degrees(math.atan2(mean[1], mean[0]))
    there = a_case(
        air=f"drift = {{ enabled = false }}\n[air.wind]\nspeed_m_s = {math.hypot(*mean):.3f}\n"
        f"reference_height_m = 3.0\nangle_deg = {angle:.1f}"
    )
    return Beside(mast=str(path), mast_height_m=3.0), blow, there


def test_an_ambient_mast_tells_the_wind_from_the_traffic(case, folder):
    """A case in still air, a record in a wind of 1 m/s that wanders."""
    beside, blow, there = mast(folder)
    result = compared(case, folder, STILL, "windy", spoil=blow, beside=beside, there=there)
    found = by_key(result)
    assert found["mean_speed"].record > 0.8  # of which 0.5 is the wind's
    for key in ("mean_speed", "effective_speed"):
        assert found[key].ratio == pytest.approx(1.0, abs=0.08)
        low, high = found[key].ratio_interval
        assert max(low - 1.0, 1.0 - high) < 0.5 * (high - low)
    assert result.ambient == "mast"
    assert result.case.air.wind.speed_m_s == pytest.approx(math.hypot(0.6, 0.9), abs=0.35)
    assert any("shows nothing of the traffic" in note for note in result.notes)
    plain = as_plain(result)
    assert plain["ambient_mast"]["height_m"] == 3.0
    with pytest.raises(CaseError, match="the slow wind is that of one of them"):
        compare_record(result.inputs, ambient="record")


def test_what_is_given_beside_the_record_is_checked(case, folder, same_world):
    record, log = same_world.inputs.record.path, same_world.inputs.log.path
    beside, *_ = mast(folder, "other")
    for more, words in (
        ({"second": record}, "both anemometers are at 2 m"),
        ({"mast": beside.mast, "mast_height_m": 0.0}, "--ambient-height = 0 m: must be at least"),
        ({"mast": str(folder / "none.csv")}, "no such file"),
    ):
        with pytest.raises(CaseError, match=words):
            read_inputs(case, record, passes_path=log, beside=Beside(**more))
    with pytest.raises(CaseError, match="--second needs a passing log"):
        read_inputs(case, record, beside=Beside(second=record))


def two_heights(folder, law):
    """Record and log at 3 m, and what is beside them at 0.5 m, of wakes of a law."""

    def there(height, law, memory):
        usual = {"flow": 240, "heavy": 0.5, "memory": memory, "hours": 1.0, "wander": 0.2}
        usual |= {"air": "still = true\ndrift = { enabled = false }", "offset": 1.5,
                  "light_mix": "{ small_car = 1.0 }"}  # fmt: skip
        text = text_of(**usual).replace("height_m = 2.0", f"height_m = {height}")
        text = text.replace("rotor_height_m = 1.5", "rotor_height_m = 0.2")
        text = text.replace("[model]", f'[model]\nwake_law = "{law}"')
        return load_case_text(text + INSTRUMENT, "made-up.toml")

    paths = [
        write(folder, there(height, law, 80), STILL, "u, v", name, seconds=1800.0, seed=3)
        for height, name in ((0.5, "low"), (3.0, "high"))
    ]
    (folder / "low.toml").write_text(f"{INSTRUMENT}height_m = 0.5\n", encoding="utf-8")
    beside = Beside(second=str(paths[0][0]), second_instrument=str(folder / "low.toml"))
    return paths[1], beside, there


@pytest.mark.slow
@pytest.mark.parametrize("truth", ["couple", "section"])
def test_decay_and_profile_decide_between_wake_laws(folder, truth):
    """Half an hour with 60 lorries: the right law stands, the other is ruled out."""
    paths, beside, there = two_heights(folder, truth)
    for law in ("couple", "section"):
        case = there(3.0, law, 80)
        inputs = read_inputs(case, paths[0], passes_path=paths[1], beside=beside)
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(comparison, "model_range", no_range)
            patch.setattr(logged, "DRAWS", 2)
            result = compare_record(inputs)
        found = by_key(result)
        for key in ("decay_15_to_30_s", "decay_30_to_60_s", "profile"):
            judgement = found[f"{key}_artic_lorry_eu"]
            low, high = judgement.record_interval
            near = abs(judgement.model - judgement.record) < high - low  # twice the interval
            assert near == (law == truth), key
            if law != truth:
                assert judgement.verdict == ("too low" if truth == "section" else "too high")
        assert as_plain(result)["second"]["height_m"] == 0.5


def test_a_speed_alone_is_compared_but_not_freed_of_the_wind(case, folder):
    result = compared(case, folder, STILL, "speeds", columns="speed")
    assert by_key(result)["effective_speed"].ratio == pytest.approx(1.0, abs=0.15)
    assert as_plain(result)["record"]["components"] is False
    assert {c for s in result.logged.signatures for c in s.curves} <= {"speed"}
    with pytest.raises(CaseError, match="--ambient record needs u_m_s"):
        compare_record(result.inputs, ambient="record")


def test_a_slow_cup_held_against_a_sonic_says_so(case, folder, same_world):
    """The case describes a sonic with means of 0.1 s."""
    assert same_world.inputs.other_instrument == ""
    paths = write(folder, case, STILL, "speed", "cup", seconds=SECONDS, seed=3)
    lines = paths[0].read_text(encoding="utf-8").splitlines()
    time, speed = np.array([line.split(",") for line in lines[3:]], float).T
    whole = np.isclose(time % 1.0, 0.0, atol=0.01) | np.isclose(time % 1.0, 1.0, atol=0.01)
    starting = np.where(speed < 0.4, 0.0, np.round(speed, 1))
    text = [f"{t:.1f},{s:.1f}" for t, s in zip(time[whole], starting[whole], strict=True)]
    paths[0].write_text("\n".join([*lines[:3], *text]), encoding="utf-8")
    told = read_inputs(case, paths[0]).other_instrument
    for word in ("sonic", "every 1 s", "a speed alone", "exactly 0 m/s", "--instrument"):
        assert word in told
    right = folder / "cup.toml"
    right.write_text('kind = "cup"\naveraging_s = 1.0\ndistance_constant_m = 2.5\n'
                     "starting_speed_m_s = 0.4\n", encoding="utf-8")  # fmt: skip
    assert read_inputs(case, paths[0], instrument_path=right).other_instrument == ""


def test_nonsense_is_refused(case, folder, same_world):
    alone = read_inputs(case, same_world.inputs.record.path)
    with pytest.raises(CaseError, match="--fit needs a passing log"):
        compare_record(alone, fitted=True)
    with pytest.raises(CaseError, match="has no mount 'q'"):
        chosen_mount(case, "q")
    with pytest.raises(CaseError, match="time_s"):
        compare_record(same_world.inputs, log_time_error_s=5.0)


@pytest.mark.slow
@pytest.mark.parametrize("share", [0.0, 0.01, 0.05])
def test_intervals_cover_with_samples_missing(case, folder, share):
    """40 records of the model's own world: 90 % intervals of record over model hold 1 in 83 % or
    more of them (40 s each)."""
    inside, judged, matched = np.zeros(6), {}, 0
    for seed in range(40):
        rng = np.random.default_rng(seed)

        def lose(u, v, t, rng=rng):
            keep = rng.random(t.size) >= share
            return u[keep], v[keep], t[keep]

        result = compared(case, folder, STILL, "lossy", seed=100 + seed, spoil=lose)
        low, high = result.pair.ratio_interval
        inside += (low <= 1.0) & (high >= 1.0)
        matched += result.logged.clock.significant
        for judgement in result.judgements[6:] if result.logged.clock.significant else ():
            ends = judgement.record_interval
            if math.isfinite(ends[0]):
                hit = ends[0] <= judgement.model <= ends[1]
                judged.setdefault(judgement.key.split("_")[0], []).append(hit)
    assert np.all(inside / 40 >= 0.83)
    assert matched >= 36
    for kind in ("pulse", "wake"):
        assert np.mean(judged[kind]) >= 0.83, kind


# --- parts --------------------------------------------------------------------------------------


def a_record(speed, dt=0.1):
    n = speed.size
    return AnemometerRecord(
        time_s=dt * np.arange(n), speed_m_s=speed, u_m_s=None, v_m_s=None, w_m_s=None, dt_s=dt,
        start=None, gap_share=0.0, path="x.csv", sha256="",
    )  # fmt: skip


def test_ratio_intervals_cover_as_often_as_they_say():
    """Independent gamma samples of known means: 90 % intervals of the ratio 1."""
    rng = np.random.default_rng(5)
    hits = np.zeros(3)
    trials = 60
    for _ in range(trials):
        one, two = (a_record(rng.gamma(2.0, 0.5, 1200)) for _ in range(2))
        pair = compare(one, [two], 1.2, 6.0, False, together=False)
        inside = (pair.ratio_interval[0] <= 1.0) & (pair.ratio_interval[1] >= 1.0)
        hits += inside[:3]
    # binomial with p = 0.9 and n = 60: sd 0.039
    assert np.all(hits / trials > 0.79)
    assert np.all(hits / trials < 0.99)


def test_the_same_vehicles_make_the_ratio_surer():
    rng = np.random.default_rng(6)
    traffic = np.repeat(rng.gamma(2.0, 0.5, 40), 60)
    one, two = (a_record(traffic * rng.uniform(0.8, 1.2, traffic.size)) for _ in range(2))
    paired = compare(one, [two], 1.2, 6.0, False, together=True)
    apart = compare(one, [two], 1.2, 6.0, False, together=False)
    assert np.ptp(paired.ratio_interval[:, 0]) < 0.3 * np.ptp(apart.ratio_interval[:, 0])


def test_a_running_mean_takes_slow_motion_away_and_leaves_fast():
    time = 0.1 * np.arange(6000)
    record = a_record(np.ones(6000))
    slow, fast = np.sin(2 * np.pi * time / 300.0), np.sin(2 * np.pi * time / 1.7)
    left = without_slow(record, slow + fast, 20.0)
    # amplitude left of a sine: 1 - sinc(f T)
    assert np.sqrt(2.0) * left[500:-500].std() == pytest.approx(1.0, abs=0.05)
    left = without_slow(record, slow, 20.0)
    inside = left[500:-500]
    assert np.abs(inside).max() == pytest.approx(1.0 - np.sinc(20.0 / 300.0), rel=0.05)


def a_judgement(ratio, ends, model_interval=(math.nan, math.nan), blocks=20):
    return judge(
        "k", "m/s", "w", (ratio, ends), (1.0, (0.95, 1.05)), (ratio, ends), model_interval,
        blocks=blocks,
    )  # fmt: skip


def test_verdicts():
    assert a_judgement(1.02, (0.9, 1.1)).verdict == "agrees"
    low = a_judgement(2.0, (1.8, 2.2), (0.5, 2.5))
    assert low.verdict == "too low"
    assert low.within_model_interval
    assert "by a factor of 2.00 (1.80 to 2.20); the model interval reaches that far" in low.text
    high = a_judgement(0.5, (0.4, 0.6), (0.8, 1.3))
    assert high.verdict == "too high"
    assert "by a factor of 2.00" in high.text
    assert "beyond the model interval too" in high.text
    assert a_judgement(1.0, (0.4, 2.1)).verdict == "cannot be judged"
    assert a_judgement(1.0, (0.9, 1.1), blocks=3).verdict == "cannot be judged"
    assert a_judgement(math.nan, (math.nan, math.nan)).verdict == "cannot be judged"


def test_verdicts_on_differences():
    def verdict(record, ends, model, other=0.0):
        return judge_difference("k", "m/s", "w", (record, ends), model, other)

    assert verdict(0.30, (0.25, 0.35), 0.28).verdict == "agrees"
    assert verdict(0.05, (-0.15, 0.25), 0.1).verdict == "cannot be judged"
    assert "0.70 m/s, is ruled out" in verdict(0.05, (-0.15, 0.25), 0.1, other=0.7).text
    found = verdict(0.30, (0.25, 0.35), 0.05, other=0.28)
    assert found.verdict == "too low"
    assert "by 0.25 m/s" in found.text
    assert "with the other wake law it agrees" in found.text
    assert verdict(0.30, (0.25, 0.35), 0.6).verdict == "too high"
    assert verdict(-0.30, (-0.35, -0.25), 0.1).verdict == "too low"


@pytest.mark.parametrize(
    ("hours", "run"), [([4], (4, 1)), ([22, 23, 0, 1], (22, 4)), ([1, 2, 20], (20, 7))]
)
def test_the_shortest_run_of_hours_around_the_clock(hours, run):
    assert shortest_run(sorted(hours)) == run


@pytest.mark.parametrize(
    ("stamp", "zone", "first"),
    [("2026-03-02T03:30:00.0+02:00", None, 3), ("2026-03-02T03:30:00.0Z", None, 3),
     ("2026-03-02T03:30:00.0Z", "Europe/Athens", 5), ("2026-03-02T03:30:00.0", "+01:00", 3)],
)  # fmt: skip
def test_clock_hours_are_those_of_the_place(tmp_path, case, stamp, zone, first):
    hour, minute = stamp[:13], int(stamp[14:16])
    tail = stamp[21:]
    lines = ["time,speed_m_s"]
    for i in range(36000):  # an hour, half of it in the next
        second = i / 10
        clock = int(hour[-2:]) * 3600 + minute * 60 + second
        text = f"{hour[:11]}{int(clock // 3600):02d}:{int(clock // 60) % 60:02d}:{clock % 60:04.1f}"
        lines.append(f"{text}{tail},{1 + 0.01 * (i % 7):.2f}")
    path = tmp_path / "r.csv"
    path.write_text("\n".join(lines), encoding="utf-8")
    inputs = read_inputs(case, path, options=ReadOptions(time_zone=zone))
    assert inputs.hours[[0, -1]].tolist() == [first, first + 1]
    assert np.mean(inputs.hours == first) == pytest.approx(0.5, abs=0.001)


def test_the_example_is_of_another_world_than_its_case():
    assert Truth() != CASE_CONSTANTS
