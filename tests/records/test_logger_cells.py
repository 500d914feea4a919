"""Files as loggers and offices write them: headers, units, decimal commas, dates of all kinds."""

from __future__ import annotations

import os
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from wakesim.case.load import load_case
from wakesim.errors import CaseError
from wakesim.records.anemometer import AnemometerRecord, read_anemometer
from wakesim.records.logger import ReadOptions, column_names
from wakesim.records.passing_log import read_passing_log
from wakesim.runtime import cases_path

N, STEP = 800, 0.1
RNG = np.random.default_rng(3)
U, V = np.round(RNG.normal(0.3, 0.5, (2, N)), 3)
START = datetime(2025, 6, 1, 1, 0, tzinfo=UTC)
MOMENTS = [START + timedelta(seconds=STEP * i) for i in range(N)]
UTC_ZONE = ReadOptions(time_zone="UTC")


def read(
    path: Path, text: str, options: ReadOptions = UTC_ZONE, **more: object
) -> AnemometerRecord:
    path = path / "r.csv"
    path.write_bytes(text.encode("cp1252" if "°" in text else "utf-8"))
    return read_anemometer(path, options=options, **more)  # type: ignore[arg-type]


def refused(path: Path, text: str, options: ReadOptions = UTC_ZONE) -> str:
    with pytest.raises(CaseError) as caught:
        read(path, text, options)
    assert caught.value.exit_status == 2
    return "\n".join(caught.value.problems)


def rows(times: list[str], sep: str = ",", comma: bool = False, tail: str = "") -> str:
    """Lines of a time and two numbers; ``comma``: decimal commas in the numbers."""
    numbers = [f"{u:.3f}{sep}{v:.3f}" for u, v in zip(U, V, strict=True)]
    numbers = [n.replace(".", ",") if comma else n for n in numbers]
    return "".join(f"{t}{sep}{n}{tail}\n" for t, n in zip(times, numbers, strict=True))


def stamps(form: str) -> list[str]:
    """Moments in a form of strftime, %f with two digits."""
    return [m.strftime(form.replace("%f", f"{m.microsecond // 10000:02d}")) for m in MOMENTS]


def right(record: AnemometerRecord) -> None:
    assert record.u_m_s is not None
    assert record.v_m_s is not None
    assert_allclose(record.u_m_s, U)
    assert_allclose(record.v_m_s, V)
    assert_allclose(record.time_s, STEP * np.arange(N), atol=2e-6)


ISO = "%Y-%m-%dT%H:%M:%S.%f"
TOA5 = (
    '"TOA5","mast 1","CR1000X","1234","CR1000X.Std.05","CPU:wind.CR1X","4711","fast"\n'
    '"TIMESTAMP","RECORD","Ux","Uy","batt_volt"\n'
    '"TS","RN","m/s","m/s","Volts"\n'
    '"","","Smp","Smp","Smp"\n'
)


def toa5(missing: str = "NAN") -> str:
    lines = [
        f'"{t}",{i},{u},{v},12.4'
        for i, (t, u, v) in enumerate(zip(stamps("%Y-%m-%d %H:%M:%S.%f"), U, V, strict=True))
    ]
    lines.insert(400, f'"{stamps("%Y-%m-%d %H:%M:%S.%f")[399]}5",400,"{missing}","{missing}",12.4')
    return TOA5 + "\n".join(lines) + "\n"


def test_a_header_of_four_lines_with_units_below_the_names(tmp_path: Path) -> None:
    record = read(tmp_path, toa5())
    right(record)
    assert record.start == START
    told = " | ".join(record.warnings)
    assert "columns are named in line 2; the lines above are not read" in told
    assert "'Ux' (m/s) is read as u_m_s" in told
    assert "not read: RECORD, batt_volt" in told


def test_lines_of_mistakes_are_those_of_the_file(tmp_path: Path) -> None:
    text = toa5().splitlines()
    text[100] = text[100].replace(",12.4", ",12.4,7,8")
    assert ":101: has 7 cells; the header names 5" in refused(tmp_path, "\n".join(text))
    text = toa5().splitlines()
    text[50:50] = ["# a comment, with, many, commas, in, it", ""]
    text[300] = text[300].replace(text[300].split(",")[2], "calm")
    assert ':301: Ux = "calm": must be a number' in refused(tmp_path, "\n".join(text))
    text[300] = "\n".join(text[300].rsplit(",", 2)[:1])
    assert ":301: has 3 cells; the header names 5" in refused(tmp_path, "\n".join(text))


def test_a_free_header_of_words(tmp_path: Path) -> None:
    head = "Station: Hollin Bridge\nSerial no.: 17, firmware 3.1\n\nheight above road: 1,5 m\n"
    right(read(tmp_path, head + "time,u_m_s,v_m_s\n" + rows(stamps(ISO))))
    said = ReadOptions(time_zone="UTC", header_line=5)
    right(read(tmp_path, head + "time,u_m_s,v_m_s\n" + rows(stamps(ISO)), said))
    wrong = ReadOptions(time_zone="UTC", header_line=3)
    assert "r.csv:3: there is no text in this line" in refused(tmp_path, head + "time\n", wrong)


@pytest.mark.parametrize(("sep", "kind"), [(";", "commas"), ("\t", "commas"), ("\t", "points")])
def test_decimal_commas(tmp_path: Path, sep: str, kind: str) -> None:
    text = rows(stamps(ISO), sep, kind == "commas")
    record = read(tmp_path, sep.join(["time", "u_m_s", "v_m_s"]) + "\n" + text)
    right(record)
    assert any("decimal comma" in note for note in record.warnings) == (kind == "commas")


def test_decimal_commas_between_commas(tmp_path: Path) -> None:
    quoted = [t.replace(".", ",") for t in stamps(ISO)]
    text = rows([f'"{t}"' for t in quoted], ";", True).replace('";', '","').replace(";", '","')
    right(read(tmp_path, "time,u_m_s,v_m_s\n" + text.replace("\n", '"\n')))
    bare = "time,u_m_s,v_m_s\n" + rows(stamps(ISO), ",", True)
    told = refused(tmp_path, bare)
    assert ":2: has 5 cells; the header names 3" in told
    assert "decimal commas need semicolons" in told


def test_columns_lined_up_with_spaces(tmp_path: Path) -> None:
    text = "".join(
        f"{m:%Y-%m-%d} {m:%H:%M:%S}.{m.microsecond // 1000:03d}   {u:8.3f} {v:8.3f}\n"
        for m, u, v in zip(MOMENTS, U, V, strict=True)
    )
    right(read(tmp_path, "date       time           u_m_s    v_m_s\n" + text))


@pytest.mark.parametrize(
    ("name", "factor", "digits"),
    [("epoch", 1.0, 2), ("epoch_s", 1.0, 3), ("Unix time", 1e3, 0), ("time", 1e6, 0),
     ("timestamp", 1e9, 0)],
)  # fmt: skip
def test_seconds_since_1970(tmp_path: Path, name: str, factor: float, digits: int) -> None:
    times = [f"{m.timestamp() * factor:.{digits}f}" for m in MOMENTS]
    record = read(tmp_path, f"{name},u_m_s,v_m_s\n" + rows(times), ReadOptions())
    right(record)
    assert record.start == START
    assert record.offset_min == 0


DATES = {
    "iso with slashes": ("%Y/%m/%d %H:%M:%S.%f", ""),
    "day first, points": ("%d.%m.%Y %H:%M:%S.%f", "the day first"),
    "american, half days": ("%m/%d/%Y %I:%M:%S.%f %p", "the month first"),
    "short year": ("%d.%m.%y %H:%M:%S.%f", "the day first"),
}


@pytest.mark.parametrize("kind", DATES)
def test_dates_that_say_what_they_are(tmp_path: Path, kind: str) -> None:
    form, words = DATES[kind]
    record = read(tmp_path, "time,u_m_s,v_m_s\n" + rows(stamps(form)))
    right(record)
    assert record.start == START
    assert any(words in note for note in record.warnings) == bool(words)


def test_dates_that_may_be_read_in_two_ways(tmp_path: Path) -> None:
    text = "time,u_m_s,v_m_s\n" + rows(stamps("%m/%d/%Y %H:%M:%S.%f"))
    told = refused(tmp_path, text)
    assert ":2: time = 06/01/2025 01:00:00.00" in told
    assert "--date-order dmy or --date-order mdy" in told
    record = read(tmp_path, text, ReadOptions(time_zone="UTC", date_order="mdy"))
    assert record.start == START
    other = read(tmp_path, text, ReadOptions(time_zone="UTC", date_order="dmy"))
    assert other.start == datetime(2025, 1, 6, 1, tzinfo=UTC)
    # a number above 12 says it
    late = text.replace("06/01/2025", "06/13/2025")
    assert read(tmp_path, late).start == START + timedelta(days=12)


def test_date_and_time_in_two_columns(tmp_path: Path) -> None:
    halves = [f"{m:%Y-%m-%d},{m:%H:%M:%S}.{m.microsecond // 10000:02d}" for m in MOMENTS]
    record = read(tmp_path, "date,time,u_m_s,v_m_s\n" + rows(halves))
    right(record)
    assert record.start == START
    named = "Datum;Uhrzeit;u_m_s;v_m_s\n"
    german = [f"{m:%d.%m.%Y};{m:%H:%M:%S},{m.microsecond // 10000:02d}" for m in MOMENTS]
    right(read(tmp_path, named + rows(german, ";", True)))
    told = refused(tmp_path, "time,u_m_s,v_m_s\n" + rows([h.split(",")[1] for h in halves]))
    assert ':2: time = "01:00:00.00": must be a date and time' in told


def test_units_in_brackets_and_of_other_names(tmp_path: Path) -> None:
    text = "".join(
        f"{t},{np.hypot(u, v) * 3.6:.4f},{w:.1f}\n"
        for t, u, v, w in zip(stamps(ISO), U, V, RNG.uniform(0, 360, N), strict=True)
    )
    record = read(
        tmp_path, "Time,WS [km/h],Wind Direction (°)\n" + text, road_bearing_deg=10.0
    )  # fmt: skip
    assert_allclose(record.speed_m_s, np.hypot(U, V), atol=1e-4)
    assert record.u_m_s is not None
    told = refused(tmp_path, "Time,WS,dir\n" + text)
    assert "unknown column 'WS'; did you mean 'speed_m_s'?" in told
    assert "--column speed_m_s=WS" in told
    said = ReadOptions(
        time_zone="UTC", columns=column_names(["speed_kmh=WS", "direction_deg=dir"])
    )  # fmt: skip
    assert_allclose(read(tmp_path, "Time,WS,dir\n" + text, said).speed_m_s, record.speed_m_s)
    with pytest.raises(CaseError, match="--column wind=WS: must be KEY=NAME"):
        column_names(["wind=WS"])


def test_marks_for_missing_values_can_be_said(tmp_path: Path) -> None:
    told = refused(tmp_path, toa5("-999"))
    assert "Ux = -999 m/s" in told
    assert "--missing=-999" in told
    right(read(tmp_path, toa5("-999"), ReadOptions(time_zone="UTC", missing=("-999",))))
    assert "--missing=ERR" in refused(tmp_path, toa5("ERR"))
    right(read(tmp_path, toa5("ERR"), ReadOptions(time_zone="UTC", missing=("ERR",))))


def test_pipes_and_folders_are_refused_without_waiting(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(CaseError, match="is not a regular file"):
        read_anemometer(tmp_path / "pipe")


def test_a_quotation_mark_that_does_not_end(tmp_path: Path) -> None:
    text = "time,u_m_s,v_m_s,note\n" + rows(stamps(ISO), tail=",x")
    text = text.replace(",x\n", ',"x\n', 1)
    assert "a quoted cell does not end in its line" in refused(tmp_path, text)


def test_a_log_of_an_office(tmp_path: Path) -> None:
    """American dates, a header of words, semicolons, decimal commas, a unit in brackets."""
    case = load_case(cases_path("expressway-post.toml"))
    record = read(tmp_path, "time,u_m_s,v_m_s\n" + rows(stamps(ISO)))
    path = tmp_path / "log.csv"
    path.write_text(
        "Counting on Sunday\n"
        "Date;Time;class;lane;Speed [km/h];offset (m)\n"
        "6/1/2025;1:00:20,5 AM;suv;near 1;95,5;0,2\n"
        "6/1/2025;1:00:40 AM;coach;far 2;88;\n",
        encoding="utf-8",
    )
    options = ReadOptions(time_zone="UTC")
    log = read_passing_log(path, case, record, options=options)
    assert_allclose(log.passes.time_s, [20.5, 40.0])
    assert_allclose(log.passes.speed_m_s, np.array([95.5, 88.0]) / 3.6)
    assert_allclose(log.passes.wander_m, [0.2, 0.0])
    assert any("the month first" in note for note in log.warnings)
