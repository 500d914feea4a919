"""Constants fitted to made-up records: recovered, with intervals that cover the truth."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from one_lane_road import text_of
from scipy import stats
from synthetic_record import Site, Truth

from wakesim.case.load import load_case_text
from wakesim.errors import CaseError
from wakesim.records.alignment import Clock
from wakesim.records.blocks import Cells, jackknife, student
from wakesim.records.fit import PARAMETERS, FittedConstant, find_time_error, fit
from wakesim.records.fitted_case import fitted_text
from wakesim.records.forward import TIME_ERRORS_S, LogErrors, spread_nodes

NAMES = ("pulse_factor", "couple_spread", "turbulence_factor")
SECONDS = 1200.0


@cache
def site(**options):
    return Site(SECONDS, **options)


@cache
def model():
    """The log's times are not known to be off: the fit has to find that out."""
    return site().forward(margin_s=5.0, errors=LogErrors())


@cache
def found(seed=0, **options):
    return fit(site().record(seed), model(), **options)


def coverage(draws, speed):
    """Share of draws whose interval holds the truth, mean and spread of the values, by constant."""
    truth = dict(zip(NAMES, (Truth.pulse, Truth.spread, Truth.turbulence), strict=True))
    inside = {name: [] for name in NAMES}
    values = {name: [] for name in NAMES}
    for seed in range(draws):
        result = fit(site().record(seed, speed=speed), model(), scalar_average=False)
        assert result.converged
        for name in NAMES:
            constant = result.constants[name]
            values[name].append(constant.value)
            if constant.status == "fitted":
                inside[name].append(constant.low <= truth[name] <= constant.high)
    return truth, inside, values


def check_coverage(draws, speed):
    """90 % intervals: the count within the central 99 % of its binomial distribution.

    0.82 to 0.97 of 100 draws. Values: the mean within three standard errors and 2 % of the truth
    (the spread enters by its logarithm: 6 %).
    """
    truth, inside, values = coverage(draws, speed)
    low, high = stats.binom.interval(0.99, draws, 0.90)
    for name in NAMES:
        hits = inside[name]
        assert len(hits) >= 0.9 * draws, name
        assert low * len(hits) / draws <= sum(hits) <= max(high, 0.97 * draws), name
        error = np.std(values[name]) / math.sqrt(draws)
        allowed = (0.06 if "spread" in name else 0.02) * truth[name]
        assert abs(np.mean(values[name]) - truth[name]) < 3 * error + allowed, name


def test_constants_are_recovered_and_covered():
    check_coverage(14, speed=False)


@pytest.mark.slow
@pytest.mark.parametrize("speed", [False, True])
def test_ninety_per_cent_intervals_cover_ninety_per_cent(speed):
    check_coverage(100, speed=speed)


@pytest.mark.slow
def test_intervals_hold_from_one_hour_of_traffic_to_another():
    """Other passes in every draw, not only other air."""
    inside = {name: [] for name in NAMES}
    truth = dict(zip(NAMES, (Truth.pulse, Truth.spread, Truth.turbulence), strict=True))
    for seed in range(40):
        here = Site(SECONDS, seed=100 + seed)
        result = fit(here.record(seed), here.forward(margin_s=5.0, errors=LogErrors()))
        for name in NAMES:
            constant = result.constants[name]
            if constant.status == "fitted":
                inside[name].append(constant.low <= truth[name] <= constant.high)
    for name in NAMES:
        assert len(inside[name]) >= 36
        assert 0.77 <= np.mean(inside[name]) <= 1.0, name


def test_speed_alone_gives_the_same_constants():
    of_speed = fit(site().record(0, speed=True), model(), scalar_average=False)
    assert of_speed.components == "speed"
    assert found().components == "u, v"
    for name in NAMES:
        one, other = found().constants[name], of_speed.constants[name]
        assert other.low < one.high
        assert one.low < other.high
        assert one.status == other.status == "fitted"


def test_errors_and_offset_of_the_log_are_found_along():
    assert found().time_error_s == pytest.approx(Truth.time_sd_s, abs=0.02)
    record = site().record(0)
    late = replace(record, time_s=record.time_s + 0.12)
    moved = fit(late, model())
    assert moved.clock.offset_s - found().clock.offset_s == pytest.approx(0.12, abs=0.003)
    for name in NAMES:
        value = found().constants[name].value
        assert moved.constants[name].value == pytest.approx(value, rel=0.01)
    low, high = found().clock_interval_s
    assert low < 0.0 < high


def test_a_wrong_log_error_would_bias_the_pulse():
    """What fitting the error of the log is good for."""
    believed = fit(site().record(0), model(), fit_time_error=False)
    assert believed.time_error_s == 0.0
    assert believed.constants["pulse_factor"].high < Truth.pulse
    constant = found().constants["pulse_factor"]
    assert constant.low < Truth.pulse < constant.high


@pytest.mark.parametrize("true_s", [0.0, 0.1])
def test_the_scatter_of_the_logs_times_is_found(true_s):
    """With pulses and turbulence of other strength than the model's."""
    here = Site(SECONDS, truth=replace(Truth(), time_sd_s=true_s, spread=1.1))
    of = here.forward(
        margin_s=5.0, errors=LogErrors(), spreads=None, time_errors_s=TIME_ERRORS_S
    )  # fmt: skip
    errors = []
    for seed in range(2):
        record = here.record(seed)
        one = find_time_error(record, of, Clock(), "u, v", False, 0.0)
        assert one.origin == "record"
        assert one.interval_s[0] <= one.sd_s <= one.interval_s[1]
        errors.append(one.sd_s - true_s)
    assert np.abs(errors).max() < 0.03 + 0.15 * true_s
    # never below the rounding of the stamps, which is all that a short record tells
    assert find_time_error(record, of, Clock(), "u, v", False, 1.0).sd_s >= 1.0 / math.sqrt(12.0)
    short = replace(
        record, **{n: getattr(record, n)[:900] for n in ("time_s", "speed_m_s", "u_m_s", "v_m_s")}
    )
    assert find_time_error(short, of, Clock(), "u, v", False, 0.1).origin == "stamps"


def test_more_record_means_narrower_intervals():
    here = Site(2400.0, far="", far_flow="")
    wide = here.forward(margin_s=5.0)
    record = here.record(0)
    third = replace(
        record,
        **{
            name: getattr(record, name)[record.time_s < 780.0]
            for name in ("time_s", "speed_m_s", "u_m_s", "v_m_s")
        },
    )
    whole, part = fit(record, wide), fit(third, wide)
    for name in ("pulse_factor", "turbulence_factor"):
        one, other = whole.constants[name], part.constants[name]
        assert one.high - one.low < 0.8 * (other.high - other.low)
    assert whole.blocks == 40
    assert part.blocks == 13


def test_held_constants_are_the_case_s_and_said():
    result = found(parameters=("pulse_factor",))
    assert result.names == ("pulse_factor",)
    held = result.constants["couple_spread"]
    assert (held.status, held.value) == ("held", 1.1)
    assert math.isnan(held.low)
    assert any("couple_spread, turbulence_factor held" in note for note in result.notes)


def test_a_record_that_says_nothing_gets_no_interval():
    """An anemometer of loud noise far from the road: no wake can be told from the wind."""
    far = Site(
        SECONDS, truth=Truth(slow_sd_m_s=1.0, gust_sd_m_s=1.5, noise_m_s=1.0), offset=40.0,
        far="", far_flow="", flow=120, heavy=0.05,
    )  # fmt: skip
    result = fit(far.record(0), far.forward(margin_s=5.0))
    for name in ("couple_spread", "turbulence_factor"):
        constant = result.constants[name]
        assert constant.status in ("not identified", "cannot be fitted"), name
        assert math.isnan(constant.low)
        assert constant.note
        assert any(note.startswith(name) for note in result.notes)


def test_a_factor_outside_its_range_is_no_number():
    """A record whose components are both reversed asks for pulses of the other sign."""
    record = site().record(0)
    turned = replace(record, u_m_s=-record.u_m_s, v_m_s=-record.v_m_s)
    constant = fit(turned, model()).constants["pulse_factor"]
    assert constant.status == "cannot be fitted"
    assert math.isnan(constant.value)
    assert math.isnan(constant.low)
    assert "below 0" in constant.note
    case = load_case_text(PLAIN, "mine.toml")
    _, left_out = fitted_text(case, fit(turned, model()))
    assert any("pulse_factor: cannot be fitted" in text for text in left_out)


def test_few_passes_of_a_class_are_said():
    scarce = replace(model(), counts={"small_car": 300, "artic_lorry_eu": 3})
    result = fit(site().record(0), scarce)
    assert any("artic_lorry_eu: 3 passes only" in note for note in result.notes)


def test_what_cannot_be_fitted_is_refused():
    record = site().record(0)
    with pytest.raises(CaseError, match="needs a passing log"):
        fit(record, None)
    with pytest.raises(CaseError, match=r"drag.*must be one of pulse_factor"):
        fit(record, model(), ("drag",))
    with pytest.raises(CaseError, match="no parameter"):
        fit(record, model(), ())
    with pytest.raises(CaseError, match="at least 10"):
        fit(record, model(), block_s=300.0)
    with pytest.raises(CaseError, match="no direction"):
        fit(site().record(0, speed=True), model(), components="u, v")
    with pytest.raises(ValueError, match="tabulated"):
        fit(record, replace(model(), spread=np.array([1.1]), wake=model().wake[:1]))


# --- the arithmetic of blocks ---------------------------------------------------------------------


def grouped_problem(seed=0, blocks=15, size=40):
    rng = np.random.default_rng(seed)
    n = blocks * size
    block = np.repeat(np.arange(blocks), size)
    x = rng.standard_normal((n, 2)) * rng.uniform(0.5, 2.0, blocks)[block][:, None]
    weight = rng.uniform(0.5, 2.0, n)
    y = x @ [1.0, -0.5] + rng.standard_normal(blocks)[block] + rng.standard_normal(n)
    return block, x, weight, y


def test_jackknife_is_that_of_leaving_blocks_out():
    """Every block left out and the regression with block means done anew by numpy's lstsq."""
    block, x, weight, y = grouped_problem()
    cells = Cells.of_labels(np.zeros(block.size, np.int64), block)
    one = np.ones((block.size, 1))
    both = cells.without_local(np.column_stack([x, y]), one, weight)
    xx, yy = both[:, :2], both[:, 2]
    theta = np.linalg.solve(xx.T @ (weight[:, None] * xx), xx.T @ (weight * yy))
    score = cells.block_sums(xx * (weight * (yy - xx @ theta))[:, None])
    information = np.stack(
        [cells.block_sums(weight[:, None] * xx * xx[:, [j]]) for j in range(2)], axis=1
    )
    got = jackknife(score, information).covariance

    left_out = []
    for b in range(15):
        keep = block != b
        dummies = (block[keep, None] == np.delete(np.arange(15), b)).astype(float)
        design = np.column_stack([x[keep], dummies]) * np.sqrt(weight[keep])[:, None]
        left_out.append(np.linalg.lstsq(design, y[keep] * np.sqrt(weight[keep]), rcond=None)[0][:2])
    moved = np.array(left_out) - np.mean(left_out, axis=0)
    assert got == pytest.approx(14 / 15 * moved.T @ moved, rel=1e-6)


def test_effective_blocks_count_equal_blocks_and_see_a_heavy_one():
    even = np.tile(np.eye(2), (12, 1, 1))
    assert jackknife(np.zeros((12, 2)), even).effective_blocks == pytest.approx([12, 12])
    heavy = even.copy()
    heavy[0, 0, 0] = 1000.0
    effective = jackknife(np.zeros((12, 2)), heavy).effective_blocks
    assert effective[0] < 1.1
    assert effective[1] == pytest.approx(12)
    assert student(0.9, 12.0) == pytest.approx(stats.t.ppf(0.95, 11))


def test_local_basis_is_taken_out_cell_by_cell():
    block, _, weight, y = grouped_problem(1)
    channel = np.repeat([0, 1], block.size // 2)
    cells = Cells.of_labels(channel, block)
    basis = np.column_stack([np.ones(y.size), np.linspace(-1, 1, y.size)])
    got = cells.without_local(y[:, None], basis, weight)[:, 0]
    for c in range(cells.start.size):
        mine = cells.of == c
        root = np.sqrt(weight[mine])
        own = np.linalg.lstsq(basis[mine] * root[:, None], y[mine] * root, rcond=None)[0]
        assert got[mine] == pytest.approx(y[mine] - basis[mine] @ own, abs=1e-5)
    assert cells.blocks == 15


# --- the case with fitted constants ---------------------------------------------------------------


def with_values(**values):
    """A fit whose constants have these values and are all "fitted"."""
    constants = dict(found().constants)
    for name, value in values.items():
        constants[name] = FittedConstant(name, value, 0.9 * value, 1.1 * value, 1.0, "fitted", 20.0)
    return replace(found(), constants=constants, record_path="some/where/day 1.csv")


PLAIN = text_of()
WITHOUT = PLAIN.replace("[model]\nturbulence_factor = 1.0\nwake_memory_s = 12\n", "")
TEXTS = {
    "key present": PLAIN.replace(
        "turbulence_factor = 1.0", "turbulence_factor = 1.0  # mine\ncouple_spread=1.2#too"
    ),
    "key absent": PLAIN,
    "no table": WITHOUT,
    "no table, no newline": WITHOUT.rstrip(),
    "inline": "model = { wake_memory_s = 12.0, couple_spread = 1.0 } # all\n" + WITHOUT,
    "inline, empty": "model = {}\n" + WITHOUT,
    "dotted": "model.turbulence_factor = 0.9\nmodel.wake_memory_s = 12.0\n" + WITHOUT,
    "windows line ends": PLAIN.replace("\n", "\r\n"),
}


@pytest.mark.parametrize("kind", TEXTS)
def test_fitted_constants_go_into_a_copy_of_the_case(kind):
    case = load_case_text(TEXTS[kind], "mine.toml")
    text, left_out = fitted_text(case, with_values(couple_spread=0.81234, turbulence_factor=1.0))
    copy = load_case_text(text, "fitted.toml")
    assert copy.model.couple_spread == 0.8123
    assert copy.model.turbulence_factor == 1.0
    assert copy.model.wake_memory_s == case.model.wake_memory_s
    assert copy.mounts == case.mounts
    assert any(reason.startswith("pulse_factor: fitted") for reason in left_out)
    assert "# fitted to a record, day 1.csv: couple_spread 0.8123, 90 % interval" in text
    for comment in ("# mine", "#too", "# all"):
        assert (comment in text) == (comment in TEXTS[kind])


def test_a_second_fit_replaces_the_comment_of_the_first():
    text = PLAIN
    for value in (0.8, 0.9):
        text, _ = fitted_text(load_case_text(text, "mine.toml"), with_values(couple_spread=value))
    assert text.count(": couple_spread ") == 1
    assert load_case_text(text).model.couple_spread == 0.9


@pytest.mark.parametrize(
    ("name", "value", "limits"),
    [
        ("couple_spread", 2.5, "at least 0.5 and at most 2"),
        ("turbulence_factor", 3.2, "at least 0 and at most 3"),
    ],
)
def test_values_out_of_range_are_refused(name, value, limits):
    case = load_case_text(PLAIN, "mine.toml")
    with pytest.raises(CaseError, match=rf"mine.toml: model.{name} = {value}.*{limits}"):
        fitted_text(case, with_values(**{name: value}))


def test_only_what_was_fitted_is_written():
    case = load_case_text(PLAIN, "mine.toml")
    constants = {
        name: replace(c, status="not identified", low=math.nan, high=math.nan)
        for name, c in found().constants.items()
    }
    with pytest.raises(CaseError, match=r"no constant to write.*not identified"):
        fitted_text(case, replace(found(), constants=constants))
    constants["turbulence_factor"] = found().constants["turbulence_factor"]
    text, left = fitted_text(case, replace(found(), constants=constants))
    assert "couple_spread: not identified, left as it is" in left
    assert load_case_text(text).model.couple_spread == case.model.couple_spread


def test_momentum_wakes_have_their_own_constant():
    text = text_of().replace("[model]", '[model]\nwake_law = "momentum"')
    case = load_case_text(text, "mine.toml")
    nodes = spread_nodes(case)
    assert nodes[[0, -1]] == pytest.approx([0.05, 1.0])
    assert PARAMETERS[1] == "spread"
