"""Logger files: read exactly, placed in time, and refused where they make no sense."""

from __future__ import annotations

import hashlib
import math
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from wakesim.errors import CaseError
from wakesim.records.anemometer import read_anemometer
from wakesim.records.clock import NO_OFFSET, read_stamps
from wakesim.records.logger import ReadOptions

N, STEP = 800, 0.1
RNG = np.random.default_rng(7)
U = np.round(RNG.normal(0.4, 0.6, N), 3)
V = np.round(RNG.normal(0.0, 0.4, N), 3)
T = np.round(50.0 + STEP * np.arange(N), 3)


def write(path: Path, header: str, *columns: object, sep: str = ",") -> Path:
    rows = zip(*columns, strict=True)
    path.write_text(header + "\n" + "\n".join(sep.join(map(str, row)) for row in rows) + "\n")
    return path


def refusal(path: Path, **options: object) -> list[str]:
    with pytest.raises(CaseError) as caught:
        read_anemometer(path, **options)  # type: ignore[arg-type]
    assert caught.value.exit_status == 2
    assert all(line.startswith(str(path)) for line in caught.value.problems)
    assert all(line.isprintable() for line in caught.value.problems)
    return caught.value.problems


def test_components_in_seconds(tmp_path: Path) -> None:
    path = write(tmp_path / "a.csv", "# sonic 3\ntime_s,u_m_s,v_m_s", T, U, V)
    record = read_anemometer(path)
    assert_allclose(record.time_s, T - 50.0, atol=1e-9)
    assert_array_equal(record.u_m_s, U)
    assert_array_equal(record.v_m_s, V)
    assert_array_equal(record.speed_m_s, np.hypot(U, V))
    assert (record.w_m_s, record.start, record.gap_share) == (None, None, 0.0)
    assert record.dt_s == pytest.approx(STEP)
    assert record.clock_start_s == 50.0
    assert record.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert record.warnings == ()


@pytest.mark.parametrize(("name", "factor"), [("speed_kmh", 1 / 3.6), ("speed_mph", 0.44704)])
def test_units(tmp_path: Path, name: str, factor: float) -> None:
    speed = np.round(np.abs(U) * 5, 2)
    record = read_anemometer(write(tmp_path / "a.csv", f"{name};time_s", speed, T, sep=";"))
    assert_allclose(record.speed_m_s, speed * factor)
    assert record.u_m_s is None


def stamps(start: datetime, form: str = "milliseconds") -> list[str]:
    times = (start + timedelta(seconds=STEP * i) for i in range(N))
    return [t.isoformat(timespec=form) for t in times]  # type: ignore[arg-type]


def test_times_with_offset_are_moments(tmp_path: Path) -> None:
    start = datetime(2024, 2, 29, 23, 59, 30, tzinfo=timezone(timedelta(hours=-3, minutes=-30)))
    record = read_anemometer(write(tmp_path / "a.csv", "time,u_m_s,v_m_s", stamps(start), U, V))
    assert record.start == start  # over midnight of a leap day
    assert_allclose(record.time_s, STEP * np.arange(N), atol=1e-6)
    assert record.clock_start_s == 0.0


def test_times_of_a_zone(tmp_path: Path) -> None:
    path = write(tmp_path / "a.csv", "time,u_m_s,v_m_s", stamps(datetime(2025, 7, 1, 12)), U, V)
    record = read_anemometer(path, options=ReadOptions(time_zone="Europe/Berlin"))
    assert record.start == datetime(2025, 7, 1, 10, tzinfo=UTC)
    assert "say which time zone" in refusal(path)[0]
    with pytest.raises(CaseError, match="unknown time zone 'Mars'"):
        read_anemometer(path, options=ReadOptions(time_zone="Mars"))


def test_change_of_clocks_is_refused_unless_the_offset_is_given(tmp_path: Path) -> None:
    start = datetime(2025, 10, 26, 2, 59, 30)
    path = write(tmp_path / "a.csv", "time,u_m_s,v_m_s", stamps(start), U, V)
    assert (
        "the clocks of Europe/Berlin change"
        in refusal(path, options=ReadOptions(time_zone="Europe/Berlin"))[0]
    )
    record = read_anemometer(path, options=ReadOptions(time_zone="+01:00"))
    assert record.start == datetime(2025, 10, 26, 1, 59, 30, tzinfo=UTC)


@pytest.mark.parametrize("bearing", [0.0, 37.0, 270.0])
@pytest.mark.parametrize("side", ["left", "right"])
def test_direction_in_road_axes(tmp_path: Path, bearing: float, side: str) -> None:
    """Against the compass: east and north components of the motion, dotted with the axes."""
    speed = np.round(RNG.gamma(2.0, 1.0, N), 3)
    from_deg = np.round(RNG.uniform(0, 360, N), 1)
    path = write(tmp_path / "a.csv", "time_s,speed_m_s,direction_deg", T, speed, from_deg)
    record = read_anemometer(path, road_bearing_deg=bearing, mount_side=side)  # type: ignore[arg-type]
    toward = np.radians(from_deg + 180.0)
    motion = speed * np.array([np.sin(toward), np.cos(toward)])  # east, north
    b = math.radians(bearing)
    x_axis = np.array([math.sin(b), math.cos(b)])
    left = np.array([-x_axis[1], x_axis[0]])  # a quarter turn anticlockwise on the map
    assert_allclose(record.u_m_s, x_axis @ motion, atol=1e-9)
    assert_allclose(record.v_m_s, (left if side == "left" else -left) @ motion, atol=1e-9)


def test_direction_without_bearing_is_left_aside_and_said(tmp_path: Path) -> None:
    path = write(tmp_path / "a.csv", "time_s,speed_m_s,direction_deg", T, np.abs(U), abs(V) * 90)
    record = read_anemometer(path)
    assert record.u_m_s is None
    assert any("bearing of the road is not given" in text for text in record.warnings)


def test_gaps_stay_gaps(tmp_path: Path) -> None:
    """Missing rows, empty cells, NaN and a stated mark: all left out, none filled."""
    speed = [f"{abs(x):.3f}" for x in U]
    lost = {100: "", 101: "NaN", 102: "-999", 103: " nan ", 104: "-999.0"}
    for i, text in lost.items():
        speed[i] = text
    keep = np.ones(N, bool)
    keep[300:450] = False
    rows = [(t, s) for t, s, k in zip(T, speed, keep, strict=True) if k]
    path = write(tmp_path / "a.csv", "# missing: -999\ntime_s,speed_m_s", *zip(*rows, strict=True))
    record = read_anemometer(path)
    keep[list(lost)] = False
    assert_allclose(record.time_s, T[keep] - 50.0, atol=1e-9)
    assert_allclose(record.speed_m_s, np.abs(U)[keep])
    assert record.gap_share == pytest.approx(155 / N)
    assert record.dt_s == pytest.approx(STEP)
    path.write_text(path.read_text().replace("# missing: -999\n", ""))
    assert "'# missing: -999'" in refusal(path)[0]
    assert (
        read_anemometer(path, options=ReadOptions(missing=("-999",))).gap_share == record.gap_share
    )


def test_jitter_and_step(tmp_path: Path) -> None:
    jitter = np.round(T + RNG.uniform(-0.02, 0.02, N), 4)
    record = read_anemometer(write(tmp_path / "a.csv", "time_s,u_m_s,v_m_s", jitter, U, V))
    assert record.dt_s == pytest.approx(STEP, rel=0.01)
    assert record.gap_share < 0.01
    assert_allclose(record.time_s, jitter - jitter[0], atol=1e-9)
    # 30 Hz written to hundredths of a second: steps of 0.03 and 0.04.
    third = np.floor(100 * np.arange(3000) / 30) / 100
    path = write(tmp_path / "b.csv", "time_s,speed_m_s", third, np.resize(np.abs(U), 3000))
    record = read_anemometer(path)
    assert record.dt_s == pytest.approx(1 / 30, rel=1e-3)
    assert record.gap_share < 0.005


def test_a_speed_that_has_all_three_components(tmp_path: Path) -> None:
    w = np.round(RNG.normal(0, 0.4, N), 3)
    whole = np.round(np.sqrt(U**2 + V**2 + w**2), 3)
    path = write(tmp_path / "a.csv", "time_s,speed_m_s,u_m_s,v_m_s,w_m_s", T, whole, U, V, w)
    record = read_anemometer(path)
    assert_allclose(record.speed_m_s, np.hypot(U, V))
    assert any("all three components" in text for text in record.warnings)


H = "time_s,speed_m_s\n"
GOOD = [(f"{t:g}", f"{abs(u):g}") for t, u in zip(T, U, strict=True)]


def body(changes: dict[int, tuple[str, str]], rows: list[tuple[str, str]] = GOOD) -> str:
    return "".join(f"{a},{b}\n" for i, row in enumerate(rows) for a, b in [changes.get(i, row)])


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", [": is empty"]),
        ("# only a comment\n", [": is empty"]),
        (H, ["holds no line after the header"]),
        ("time_s,speed\n1,2\n", [":1: unknown column 'speed'; did you mean 'speed_m_s'?"]),
        ("time_s,speed_kph\n", ["did you mean 'speed_kmh'?"]),
        ("time_s,u_kmh,v_kmh\n", ["did you mean 'u_m_s'?", "did you mean 'v_m_s'?"]),
        ("t,speed_m_s\n", ["did you mean 'time_s'?"]),
        ("speed_m_s\n1\n", ["'epoch' or 'time_s' is missing"]),
        ("time_s,w_m_s\n", ["'u_m_s' and 'v_m_s', is missing"]),
        ("time_s,u_m_s\n1,2\n", [":1: column 'v_m_s' is missing"]),
        ("time_s,speed_m_s,speed_kmh\n", ["is in column 'speed_m_s' already; give it in one unit"]),
        ("time_s,speed_m_s,speed_m_s\n", ["is in column 'speed_m_s' already"]),
        ("time,time_s,speed_m_s\n", ["give the time once"]),
        ("time_s,direction_deg,u_m_s,v_m_s\n1,2,3,4\n", ["give the direction in one way"]),
        (H + body({7: ("50.7", "-0.2")}), [":9: speed_m_s = -0.2 m/s: must be at least 0 m/s"]),
        (H + body({7: ("50.7", "75.1")}), [":9: speed_m_s = 75.1 m/s", "at most 75 m/s"]),
        (H + body({7: ("50.7", "inf")}), [':9: speed_m_s = "inf": must be a number']),
        (H + body({7: ("50.7", "1_0")}), [':9: speed_m_s = "1_0": must be a number']),
        (H + body({7: ("50.7", "calm")}), [':9: speed_m_s = "calm": must be a number']),
        (H.replace(",", ";") + "1;0.5\n2;0.5\n3;0,5\n", ["have a point: 0.5"]),
        (H + body({7: ("50.6", "1")}), [":9: time_s: is the same as in the line above"]),
        (H + body({7: ("50.1", "1")}), [":9: time_s: is 0.5 s before the line above"]),
        (H + body({7: ("", "1")}), [":9: time_s: is missing"]),
        (H + body({7: ("50.7", "1,2")}), [":9: has 3 cells; the header names 2"]),
        (H + body({}, GOOD[:40]), ["holds 40 samples with a speed; at least 50"]),
        (H + body({}, GOOD[:300]), ["spans 29.9 s; at least 60 s"]),
        (H + body({i: (GOOD[i][0], "") for i in range(100, 600)}), ["are missing at its step"]),
        (H + body({i: (GOOD[i][0], "0.31") for i in range(N)}), ["stuck or unplugged sensor"]),
        ("time,speed_m_s\n2025-02-29T10:00Z,1\n", [':2: time = "2025-02-29T10:00Z"']),
        ("time,speed_m_s\n10:00,1\n", [":2: time", "must be a date and time"]),
        ("time,speed_m_s\n2025-02-01T10:00Z,1\n2025-02-01T10:01,1\n", [":3: time: has no offset"]),
        ("a\rb\r", ["lines end in CR alone"]),
    ],
    ids=lambda value: value[:24] if isinstance(value, str) else "",
)
def test_nonsense_is_refused(tmp_path: Path, text: str, words: list[str]) -> None:
    path = tmp_path / "record.csv"
    path.write_bytes(text.encode())
    lines = refusal(path)
    for word in words:
        assert any(word in line for line in lines), lines


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"\x00\x01\x02" * 100, "is not a text file"),
        (b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 40, "is not a text file"),
        (b"\x1f\x8b\x08" + b"abc", "is packed with gzip"),
        (b"PK\x03\x04", "zip (or a spreadsheet)"),
        ("time_s,speed_m_s".encode("utf-16"), "is UTF-16 text"),
        (bytes(range(128, 256)) * 20, "is not UTF-8 text"),
        (b"x" * 200_000, "longer than 100000 characters"),
    ],
)
def test_what_is_no_text_is_refused(tmp_path: Path, data: bytes, words: str) -> None:
    path = tmp_path / "record.csv"
    path.write_bytes(data)
    assert words in refusal(path)[0]


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    assert "no such file" in refusal(tmp_path / "x.csv")[0]
    assert "is a folder" in refusal(tmp_path)[0]


def test_many_mistakes_are_cut_short(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text(H + body({i: (GOOD[i][0], "x") for i in range(700)}))
    lines = refusal(path)
    assert len(lines) == 6
    assert "695 more lines" in "".join(lines)


def test_components_that_do_not_fit_the_speed(tmp_path: Path) -> None:
    h, level = "time_s,speed_m_s,u_m_s,v_m_s", np.round(np.hypot(U, V), 3)
    fits = read_anemometer(write(tmp_path / "a.csv", h, T, level, U, V))
    assert_allclose(fits.speed_m_s, level)
    small = refusal(write(tmp_path / "b.csv", h, T, np.round(level / 3.6, 3), U, V))
    assert "is less than that of u_m_s" in small[0]
    large = refusal(write(tmp_path / "c.csv", h, T, np.round(level * 3.6, 3), U, V))
    assert "3.6 times the speed of u_m_s and v_m_s" in large[0]
    # Means of ten seconds: the mean speed is rightly above the speed of the mean.
    slow = write(tmp_path / "d.csv", h, 100 * T, np.round(2 * level, 3), U, V)
    assert read_anemometer(slow).speed_m_s[0] == round(2 * level[0], 3)


def test_doubts_are_said(tmp_path: Path) -> None:
    speed = np.abs(U)
    speed[60:380] = 0.4
    speed[400:500] = 0.0
    battery = np.full(N, 12.1)
    path = write(tmp_path / "a.csv", "time_s,speed_m_s,battery_v", 2 * T, speed, battery)
    told = " | ".join(read_anemometer(path).warnings)
    assert "columns that are not read: battery_v" in told
    assert "320 readings in a row are equal" in told
    assert "exactly 0 m/s: a cup or propeller" in told


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.datetimes(datetime(1900, 1, 2), datetime(2199, 12, 30)), min_size=1, max_size=9),
    st.sampled_from([None, 0, 60, -210, 14 * 60]),
    st.sampled_from(["T", " "]),
)
def test_times_are_those_of_the_library(
    moments: list[datetime], offset: int | None, sep: str
) -> None:
    zone = None if offset is None else timezone(timedelta(minutes=offset))
    cells = pd.Series([moment.replace(tzinfo=zone).isoformat(sep) for moment in moments])
    found = read_stamps(cells)
    assert not found.bad.any()
    shift = timedelta(minutes=offset or 0)
    expected = [(m - shift - datetime(1970, 1, 1)) // timedelta(microseconds=1) for m in moments]
    assert found.local_us.tolist() == expected
    assert set(found.offset_min) == {NO_OFFSET if offset is None else 0}
    assert found.stated_min == offset


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.binary(max_size=300), st.sampled_from([b"", H.encode(), b"time,u_m_s,v_m_s\n"]))
def test_any_bytes_end_in_a_clear_refusal(tmp_path: Path, data: bytes, head: bytes) -> None:
    path = tmp_path / "noise.csv"
    path.write_bytes(head + data)
    refusal(path)


def test_pieces_join_without_a_seam(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write(tmp_path / "a.csv", "time_s,u_m_s,v_m_s", T, U, V)
    whole = read_anemometer(path)
    path.write_bytes(path.read_bytes().rstrip(b"\n"))  # the last line without its end
    monkeypatch.setattr("wakesim.records.logger.PIECE_BYTES", 257)
    parts = read_anemometer(path)
    assert_array_equal(parts.u_m_s, whole.u_m_s)
    assert_array_equal(parts.time_s, whole.time_s)


def test_quotes_and_line_ends_of_other_programs(tmp_path: Path) -> None:
    rows = "".join(f'"{t}" , {u},\t{v} \r\n' for t, u, v in zip(T, U, V, strict=True))
    path = tmp_path / "a.csv"
    path.write_bytes(b"\xef\xbb\xbf" + f'"time_s","u_m_s","v_m_s"\r\n\r\n{rows}'.encode())
    assert_array_equal(read_anemometer(path).v_m_s, V)
