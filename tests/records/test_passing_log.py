"""Passing logs: placed on the record's clock, lanes and classes found, mistakes told."""

from __future__ import annotations

from datetime import datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from wakesim.case.load import load_case
from wakesim.case.schema import Case
from wakesim.errors import CaseError
from wakesim.records.anemometer import AnemometerRecord
from wakesim.records.passing_log import PassingLog, read_passing_log
from wakesim.runtime import cases_path

START = datetime(2025, 6, 1, 9, 0, tzinfo=timezone(timedelta(hours=1)))


@pytest.fixture(scope="module")
def case() -> Case:
    return load_case(cases_path("expressway-post.toml"))


def record(start: datetime | None = START, clock: float = 0.0) -> AnemometerRecord:
    t = 0.1 * np.arange(6000)
    return AnemometerRecord(t, 0.0 * t + 1, None, None, None, 0.1, start, 0.0, "r", "", clock)


def read(folder: Path, case: Case, text: str, of: AnemometerRecord | None = None) -> PassingLog:
    path = folder / "log.csv"
    path.write_text(text)
    return read_passing_log(path, case, of or record())


HEAD = "time,class,carriageway,lane,speed_kmh\n"


def test_a_log_becomes_passes(tmp_path: Path, case: Case) -> None:
    log = read(
        tmp_path, case,
        "# camera on the bridge\ntime,class,lane,speed_kmh,offset_m\n"
        "2025-06-01T08:00:20Z,artic_lorry,near 1,90,-0.2\n"
        "2025-06-01T09:00:10.25+01:00,small_car,far 2,120,\n"
        "2025-06-01T09:05+01:00,Coach,NEAR 2,72,0.3\n",
    )  # fmt: skip
    names = list(log.case.vehicles)
    assert_allclose(log.passes.time_s, [10.25, 20.0, 300.0])
    assert [names[i] for i in log.passes.vehicle] == ["small_car", "artic_lorry_eu", "coach"]
    lanes = [case.road.lanes[i].name for i in log.passes.lane]
    assert lanes == ["far 2", "near 1", "near 2"]
    assert_allclose(log.passes.speed_m_s, [120 / 3.6, 25.0, 20.0])
    assert_allclose(log.passes.wander_m, [0.0, -0.2, 0.3])
    assert_array_equal(log.passes.wake_factor, 1.0)
    assert log.span_s == (10.25, 300.0)
    assert log.counts == {"small_car": 1, "coach": 1, "artic_lorry_eu": 1}
    told = " | ".join(log.warnings)
    assert "no vehicle is logged in lane far 1" in told
    assert "no vehicle is logged" in told


def test_numbers_of_lanes_and_seconds(tmp_path: Path, case: Case) -> None:
    text = "time_s,class,carriageway,lane,speed_mph\n1010,suv,far,1,70\n1020,suv,near,2,60\n"
    log = read(tmp_path, case, text, record(None, 1000.0))
    assert_allclose(log.passes.time_s, [10.0, 20.0])
    assert [case.road.lanes[i].name for i in log.passes.lane] == ["far 1", "near 2"]
    assert_allclose(log.passes.speed_m_s, [70 * 0.44704, 60 * 0.44704])


def test_vehicles_of_the_catalogue_join_the_case(tmp_path: Path, case: Case) -> None:
    text = HEAD + "2025-06-01T08:00:20Z,drawbar_lorry,near,1,85\n"
    log = read(tmp_path, case, text)
    assert "drawbar_lorry" not in case.vehicles
    assert list(log.case.vehicles) == [*case.vehicles, "drawbar_lorry"]
    assert list(log.case.vehicles)[log.passes.vehicle[0]] == "drawbar_lorry"
    # The flows of the case stay as they are.
    assert_allclose(log.case.traffic_state(8).mix[:, :-1], case.traffic_state(8).mix, atol=0.0)


ROW = "2025-06-01T08:00:20Z,suv,near,1,90\n"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "is empty; a passing log starts with"),
        (HEAD, "holds no line after the header"),
        ("time,class,lane\n", ":1: column 'speed_kmh' (or _mph, _m_s) is missing"),
        ("time,vehicle,lane,speed_kmh\n", "unknown column 'vehicle'; did you mean 'class'?"),
        ("time,class,lane,speed\n", "unknown column 'speed'; did you mean 'speed_kmh'?"),
        ("time_s,class,lane,speed_kmh\n1,suv,near 1,90\n", "file has a date and time; both need"),
        (HEAD + ROW.replace("suv", "coch"), ":2: class: unknown vehicle 'coch'; did you mean"),
        (HEAD + ROW.replace("near", "nearr"), "is none of the road; did you mean 'near'?"),
        (HEAD + ROW.replace(",1,", ",3,"), 'lane = "3": must be a lane of the road: near 1'),
        (HEAD.replace("carriageway,", "") + ROW.replace("near,", ""), "needs a column 'carriage"),
        (HEAD + ROW.replace("90", "900"), "speed_kmh = 900 km/h: must be at least 5 km/h"),
        (HEAD + ROW.replace("90", "fast"), 'speed_kmh = "fast": must be a number'),
        (HEAD + ROW.replace("90", ""), "speed_kmh: is missing"),
        (HEAD + ROW.replace("2025-06-01T08:00:20Z", "8 h"), 'time = "8 h": must be a date'),
        (HEAD + ROW.replace("Z", ""), "say which time zone"),
        (HEAD + ROW.replace("T08", "T09"), "no pass lies within the record of 599.9 s: the log"),
        (HEAD + ROW + ROW, ":3: the same time and lane ('near 1') as in line 2"),
        (HEAD + ROW.replace(",90", ""), ":2: has 4 cells; the header names 5"),
    ],
    ids=lambda value: value[-28:].strip(),
)
def test_mistakes(tmp_path: Path, case: Case, text: str, words: str) -> None:
    with pytest.raises(CaseError) as caught:
        read(tmp_path, case, text)
    assert words in caught.value.problems[0]
    assert caught.value.problems[0].startswith(str(tmp_path))


def test_the_step_of_the_stamps_is_seen(tmp_path: Path, case: Case) -> None:
    """A log to full seconds has the error of its rounding, and may give two vehicles one time."""
    for step, digits in ((1.0, 0), (0.1, 1), (0.0, 3)):
        times = np.round(np.random.default_rng(1).uniform(0.0, 500.0, 40), digits)
        rows = "".join(f"{t:.3f},suv,near,1,90\n" for t in [*times, *times[: 2 if step else 0]])
        log = read(tmp_path, case, "time_s,class,carriageway,lane,speed_kmh\n" + rows, record(None))
        assert log.stamp_step_s == step


def test_all_mistakes_at_once(tmp_path: Path, case: Case) -> None:
    with pytest.raises(CaseError) as caught:
        read(tmp_path, case, HEAD + "x,lory,near,9,a\n" + ROW)
    assert len(caught.value.problems) == 4


def test_seconds_need_a_record_in_seconds(tmp_path: Path, case: Case) -> None:
    with pytest.raises(CaseError, match="the anemometer's file has time_s"):
        read(tmp_path, case, HEAD + ROW, record(None))


def test_doubts(tmp_path: Path, case: Case) -> None:
    rows = ROW + ROW.replace("20Z", "20.1Z") + ROW.replace("T08", "T11")
    rows += "2025-06-01T08:01:00Z,suv,far,1,12\n"
    told = " | ".join(read(tmp_path, case, HEAD + rows).warnings)
    assert "1 of 4 passes lie outside the time of the record" in told
    assert "1 vehicles follow another in their lane by less than 0.2 s" in told
    assert "1 passes are slower than 5 m/s" in told
    assert "for 560 of the record's 600 s" in told
