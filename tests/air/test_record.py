"""Wind records: what is read, how time is kept, and every refusal as the user reads it."""

from __future__ import annotations

import math
import re
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from wakesim.air.record import Gap, WindRecord, filled, read_wind_record
from wakesim.air.rose import Sector, WindRose
from wakesim.errors import CaseError
from wakesim.runtime import cases_path

HEAD = "time,wind_speed_m_s,wind_from_deg"
BERLIN = ZoneInfo("Europe/Berlin")


@pytest.fixture
def read(tmp_path, monkeypatch):
    """Reads a text as the file wind.csv."""
    monkeypatch.chdir(tmp_path)

    def reader(text: str | bytes, **options) -> WindRecord:
        data = text if isinstance(text, bytes) else text.encode()
        Path("wind.csv").write_bytes(data)
        return read_wind_record("wind.csv", **options)

    return reader


def hours(n: int, start: str = "2025-01-01T00:00", cells: str = "3.5,200") -> list[str]:
    """Rows of n hours in UTC."""
    first = datetime.fromisoformat(start)
    return [f"{(first + timedelta(hours=i)).isoformat()}Z,{cells}" for i in range(n)]


def table(*rows: str, head: str = HEAD) -> str:
    return "\n".join([head, *rows]) + "\n"


# --- what is read ----------------------------------------------------------------------------


def test_a_plain_record(read):
    rows = [
        "2025-01-01T00:00Z,3.0,90,5.5,1013.25,80",
        "2025-01-01T01:00Z,4.0,360,,1010,",
        "2025-01-01T02:00Z,0.0,0,5.0,NaN,75.5",
    ]
    head = HEAD + ",temperature_c,pressure_hpa,relative_humidity_percent"
    record = read("﻿# station 1\n\n" + table(*rows, head=head))
    assert record.time_utc.tolist() == [datetime(2025, 1, 1, h) for h in range(3)]
    assert record.speed_m_s.tolist() == [3.0, 4.0, 0.0]
    assert record.from_deg[:2].tolist() == [90.0, 360.0]
    assert math.isnan(record.from_deg[2])
    np.testing.assert_array_equal(record.temperature_c, [5.5, np.nan, 5.0])
    np.testing.assert_allclose(record.pressure_pa, [101325.0, 101000.0, np.nan])
    np.testing.assert_allclose(record.relative_humidity, [0.8, np.nan, 0.755])
    assert (record.coverage, record.expected, record.gaps) == (1.0, 3, ())
    assert record.calm_share == pytest.approx(1 / 3)
    assert record.mean_m_s == pytest.approx(7 / 3)
    assert record.mean_cube == pytest.approx((27 + 64) / 3)
    assert record.warnings == ("the record spans 0.125 days, not a year: seasons are not balanced",)


@pytest.mark.parametrize(
    ("column", "cell", "metres"),
    [
        ("wind_speed_m_s", "5", 5.0),
        ("wind_speed_kmh", "18", 5.0),
        ("wind_speed_kn", "10", 10 * 1852 / 3600),  # the international nautical mile
        ("wind_speed_mph", "10", 10 * 1609.344 / 3600),  # the international mile
    ],
)
def test_units_of_speed(read, column, cell, metres):
    record = read(table(*hours(2, cells=f"{cell},10"), head=f"time,{column},wind_from_deg"))
    assert record.speed_m_s.tolist() == pytest.approx([metres] * 2, rel=1e-12)
    assert record.pressure_pa is None


@pytest.mark.parametrize("mark", [";", "\t"])
def test_other_separators_and_column_orders(read, mark):
    text = mark.join(["wind_from_deg", "note", "time", "wind_speed_m_s"])
    text += (
        "\r\n" + mark.join(['"90"', "windy, cold", "2025-01-01 00:00:00+01:00", "3.25"]) + "\r\n"
    )
    record = read(text)
    assert record.speed_m_s.tolist() == [3.25]
    assert record.time_utc.tolist() == [datetime(2024, 12, 31, 23)]
    assert record.warnings[0] == "columns that are not read: note"


def test_times_may_mark_the_end_of_the_hour(read):
    text = table(*hours(3))
    start, end = (read(text, time_marks=marks) for marks in ("start", "end"))
    assert (start.time_utc - end.time_utc == np.timedelta64(1, "h")).all()


def test_ten_minute_records_when_asked_for(read):
    rows = [f"2025-01-01T00:{m:02d}Z,3,10" for m in range(0, 60, 10)]
    assert read(table(*rows), step_s=600.0).coverage == 1.0


# --- gaps, calm, missing values --------------------------------------------------------------


def test_gaps_are_listed_and_left_out(read):
    rows = hours(40)
    rows[5] = rows[5].replace("3.5,200", ",200")
    rows[6] = rows[6].replace("3.5", "nan")
    rows[20] = rows[20].replace(",200", ",")
    del rows[39], rows[7]
    record = read(table(*rows), max_missing_share=0.2)
    assert record.gaps == (
        Gap(np.datetime64("2025-01-01T05:00:00"), 3),
        Gap(np.datetime64("2025-01-01T20:00:00"), 1),
    )
    assert record.expected == 39
    assert record.coverage == pytest.approx(35 / 39)
    assert record.speed_m_s.shape == record.from_deg.shape == record.time_utc.shape == (35,)
    assert record.warnings[:2] == (
        "4 of 39 intervals have no wind and are left out (coverage 89.7 %)",
        "1 of them have a speed and no direction",
    )
    with pytest.raises(CaseError) as caught:
        read(table(*rows))
    assert caught.value.problems == [
        "wind.csv: 4 of 39 intervals have no wind (10.3 %), the longest 3 in a row from "
        "2025-01-01T05:00:00 UTC; at most 10 % may be missing (max_missing_share)"
    ]


def test_missing_ends_count_as_gaps(read):
    rows = hours(10)
    rows[0] = rows[0].replace("3.5", "")
    rows[-1] = rows[-1].replace("3.5", "")
    record = read(table(*rows), max_missing_share=0.5)
    assert [gap.steps for gap in record.gaps] == [1, 1]
    assert record.coverage == 0.8


def test_calm_needs_no_direction_and_wind_does(read):
    rows = hours(3)
    rows[1] = rows[1].replace("3.5,200", "0.3,")
    record = read(table(*rows))
    assert record.coverage == 1.0
    assert math.isnan(record.from_deg[1])
    with pytest.raises(CaseError, match="1 of 3 intervals have no wind"):
        read(table(*rows), calm_below_m_s=0.2)


def test_declared_marks_are_missing_values(read):
    rows = hours(30)
    rows[3] = rows[3].replace("3.5,200", "99.9,999")
    rows[4] = rows[4].replace("3.5", "M")
    record = read(table(*rows), missing=("99.9", "999", "m"))
    assert record.gaps == (Gap(np.datetime64("2025-01-01T03:00:00"), 2),)


def test_pressure_may_be_999(read):
    rows = [row + ",999" for row in hours(2)]
    assert read(table(*rows, head=HEAD + ",pressure_hpa")).pressure_pa.tolist() == [99900.0] * 2


def test_doubtful_records_are_flagged(read):
    fast = read(table(*hours(30, cells="30,200"))).warnings
    assert fast[-2] == "the mean speed is 30 m/s: is the unit of the column right?"
    assert fast[-1] == "30 readings in a row are equal: a stuck sensor?"
    assert len(read(table(*hours(23))).warnings) == 1


def test_a_missing_month_is_one_line(read):
    rows = hours(24 * 365)
    del rows[24 * 59 : 24 * 90]  # March
    with pytest.raises(CaseError) as caught:
        read(table(*rows))
    assert caught.value.problems == [
        "wind.csv: 744 intervals in a row from 2025-03-01T00:00:00 UTC have no wind; at most "
        "168 h may be missing in a row (most_missing_in_a_row_h)"
    ]
    assert read(table(*rows), most_missing_in_a_row_h=744).gaps[0].steps == 744


def test_swapped_columns_are_one_line(read):
    rows = [f"{row[:20]},{40 * i % 360},{3 + i % 5}" for i, row in enumerate(hours(30))]
    with pytest.raises(CaseError) as caught:
        read(table(*rows))
    (line,) = caught.value.problems
    assert "wind_speed_m_s = 80 m/s: must be at least 0 m/s and at most 75 m/s" in line
    assert "are the columns wind_speed_m_s and wind_from_deg swapped?" in line


def test_a_light_wind_in_the_wrong_unit_is_flagged(read):
    rows = [row.replace("3.5", f"{3.6 * (3 + i % 2):.1f}") for i, row in enumerate(hours(20))]
    assert "is the unit of the column right?" in read(table(*rows)).warnings[-1]


@pytest.mark.parametrize(
    ("column", "cell", "intensity"),
    [
        ("turbulence_intensity", "0.2", 0.2),
        ("turbulence_intensity_percent", "20", 0.2),
        ("wind_speed_sd_m_s", "0.7", 0.2),
        ("wind_speed_sd_kmh", "2.52", 0.2),
    ],
)
def test_turbulence_by_intensity_or_standard_deviation(read, column, cell, intensity):
    rows = [f"{row},{cell}" for row in hours(4)]
    rows[1] = rows[1].rpartition(",")[0] + ","
    rows[2] = rows[2].replace("3.5,200", "0,200")
    record = read(table(*rows, head=f"{HEAD},{column}"))
    still = math.nan if column.startswith("wind_speed_sd") else intensity
    expected = [intensity, math.nan, still, intensity]
    np.testing.assert_allclose(record.turbulence_intensity, expected, rtol=1e-12)
    assert read(table(*hours(3))).turbulence_intensity is None


def test_short_gaps_are_filled_along_the_components(read):
    """West 3 m/s to south 4 m/s in four steps, as numpy interpolates it."""
    rows = hours(6, cells="3,270")
    rows[1:4] = [f"{row[:20]},," for row in rows[1:4]]
    rows[4:] = [f"{row[:20]},4,180" for row in rows[4:]]
    whole = filled(read(table(*rows), max_missing_share=0.5))
    u, v = np.interp(np.arange(6), [0, 4], [3.0, 0.0]), np.interp(np.arange(6), [0, 4], [0.0, 4.0])
    np.testing.assert_allclose(whole.speed_m_s, np.hypot(u, v), atol=1e-12)
    np.testing.assert_allclose(whole.from_deg, np.degrees(np.arctan2(-u, -v)) % 360.0, atol=1e-9)
    assert whole.filled.tolist() == [False, True, True, True, False, False]


def test_long_gaps_and_ends_take_the_nearest_day(read):
    """The speed tells the hour it is of: the day plus a hundredth of the hour."""
    stamps = [datetime(2025, 1, 1) + timedelta(hours=i) for i in range(24 * 10)]
    gone = {*range(24 * 4 + 10, 24 * 6 + 12), 0, 24 * 10 - 1}
    cells = [f"{s.day + s.hour / 100:.2f},{10 * s.day}" for s in stamps]
    rows = [
        f"{s.isoformat()}Z,{'' if i in gone else cell}{',' if i in gone else ''}"
        for i, (s, cell) in enumerate(zip(stamps, cells, strict=True))
    ]
    whole = filled(read(table(*rows), max_missing_share=0.5))
    assert whole.time_utc.tolist() == stamps
    expected = [s.day + s.hour / 100 for s in stamps]
    for i in gone:  # day 5 from 10 h, day 6, day 7 to 12 h; the earlier day when both are as near
        d, h = stamps[i].day, stamps[i].hour
        source = {1: 2, 10: 9, 5: 4, 6: 5 if h < 10 else 7 if h >= 12 else 4, 7: 8}[d]
        expected[i] = source + h / 100
    np.testing.assert_allclose(whole.speed_m_s, expected)
    np.testing.assert_allclose(whole.from_deg, 10.0 * np.floor(expected))
    assert set(np.flatnonzero(whole.filled)) == gone


def test_what_is_not_wind_is_filled_for_itself_and_a_vane_rests(read):
    rows = [f"{row},{10 + i},0.1" for i, row in enumerate(hours(6))]
    rows[0] = rows[0].replace("3.5,200", "0.2,")
    rows[2] = rows[2].replace("12,0.1", ",")
    rows[3] = rows[3].replace("3.5,200", "0,90")
    head = f"{HEAD},temperature_c,turbulence_intensity"
    whole = filled(read(table(*rows, head=head)))
    np.testing.assert_allclose(whole.temperature_c, np.arange(10.0, 16.0))
    assert np.flatnonzero(np.isnan(whole.turbulence_intensity)).tolist() == [2]
    assert whole.from_deg.tolist() == [200.0] * 6
    assert not whole.filled.any()
    assert whole.pressure_pa is None


def test_temperatures_read_by_day_alone_are_linear_at_night(read):
    rows = [f"{row},{i / 2 if i % 24 > 8 else ''}" for i, row in enumerate(hours(96))]
    whole = filled(read(table(*rows, head=f"{HEAD},temperature_c")))
    np.testing.assert_allclose(whole.temperature_c[9:], np.arange(9.0, 96.0) / 2.0)


def test_a_time_of_day_that_is_never_there_cannot_be_filled(read):
    rows = [row if i % 24 >= 8 else f"{row[:20]},," for i, row in enumerate(hours(72))]
    with pytest.raises(CaseError, match="one time of the day"):
        filled(read(table(*rows), max_missing_share=0.5))


# --- time ------------------------------------------------------------------------------------


def local_rows(start: datetime, n: int, offset: bool) -> list[str]:
    """Rows of n hours as a clock in Berlin shows them."""
    stamps = [(start + timedelta(hours=i)).astimezone(BERLIN) for i in range(n)]
    times = [s.isoformat() if offset else s.replace(tzinfo=None).isoformat() for s in stamps]
    return [f"{time},{2.0 + i % 7},200" for i, time in enumerate(times)]


@pytest.mark.parametrize("offset", [False, True])
@pytest.mark.parametrize(
    "start", [datetime(2025, 3, 29, tzinfo=UTC), datetime(2025, 10, 25, tzinfo=UTC)]
)
def test_local_time_through_both_clock_changes(read, start, offset):
    rows = local_rows(start, 72, offset)
    record = read(table(*rows), time_zone=None if offset else "Europe/Berlin")
    expected = [(start + timedelta(hours=i)).replace(tzinfo=None) for i in range(72)]
    assert record.time_utc.tolist() == expected
    assert record.coverage == 1.0


def test_half_hours_through_the_repeated_hour(read):
    clock = ["01:30", "02:00", "02:30", "02:00", "02:30", "03:00"]
    rows = [f"2025-10-26T{time},3,10" for time in clock]
    record = read(table(*rows), time_zone="Europe/Berlin", step_s=1800.0)
    first = datetime(2025, 10, 25, 23, 30)
    assert record.time_utc.tolist() == [first + timedelta(minutes=30 * i) for i in range(6)]


def test_winter_time_all_year(read):
    start = datetime(2025, 10, 25, 20)
    rows = [f"{(start + timedelta(hours=i)).isoformat()},3,10" for i in range(12)]
    record = read(table(*rows), time_zone="+01:00")
    assert record.time_utc[0] == np.datetime64("2025-10-25T19:00:00")
    assert record.coverage == 1.0


def test_hours_of_the_day_are_local(read):
    """The speed is the local clock hour, through a year with both clock changes."""
    start = datetime(2025, 1, 1, tzinfo=UTC)
    stamps = [start + timedelta(hours=i) for i in range(24 * 365)]
    rows = [f"{s.isoformat()},{s.astimezone(BERLIN).hour},200" for s in stamps]
    record = read(table(*rows))
    by_hour = record.by_hour_of_day("Europe/Berlin")
    assert by_hour.count.sum() == 24 * 365
    assert by_hour.count[2] == 365  # one lost in spring, one gained in autumn
    np.testing.assert_allclose(by_hour.mean_m_s, np.arange(24.0))
    np.testing.assert_allclose(by_hour.mean_cube, np.arange(24.0) ** 3)
    assert not np.allclose(record.by_hour_of_day("UTC").mean_m_s, np.arange(24.0))


def test_hours_without_a_reading_are_nan(read):
    by_hour = read(table(*hours(3))).by_hour_of_day("Asia/Kolkata")  # 5 h 30 min ahead
    assert np.flatnonzero(by_hour.count).tolist() == [5, 6, 7]
    assert np.isnan(by_hour.mean_m_s).sum() == 21


# --- refusals --------------------------------------------------------------------------------

ROW = "2025-01-01T00:00Z,3.5,200"
REFUSED = {
    "impossible speed": (
        table(ROW, "2025-01-01T01:00Z,250,200"),
        {},
        "wind.csv:3: wind_speed_m_s = 250 m/s: must be at least 0 m/s and at most 75 m/s",
    ),
    "negative speed": (
        table("2025-01-01T00:00Z,-1.5,200"),
        {},
        "wind.csv:2: wind_speed_m_s = -1.5 m/s: must be at least 0 m/s and at most 75 m/s",
    ),
    "infinite speed": (
        table("2025-01-01T00:00Z,inf,200"),
        {},
        "wind.csv:2: wind_speed_m_s = inf m/s: must be at least 0 m/s and at most 75 m/s",
    ),
    "direction": (
        table("2025-01-01T00:00Z,3,365"),
        {},
        "wind.csv:2: wind_from_deg = 365 °: must be at least 0 ° and at most 360 °",
    ),
    "mark of a missing speed": (
        table("2025-01-01T00:00Z,99.9,200"),
        {},
        "wind.csv:2: wind_speed_m_s = 99.9 m/s: looks like a missing-value mark; "
        "declare it as missing",
    ),
    "mark that could be a speed": (
        table("2025-01-01T00:00Z,99.9,200", head="time,wind_speed_kmh,wind_from_deg"),
        {},
        "wind.csv:2: wind_speed_kmh = 99.9 km/h: looks like a missing-value mark; "
        "declare it as missing, or write 99.90 if it was measured",
    ),
    "mark of a missing direction": (
        table("2025-01-01T00:00Z,3,999"),
        {},
        "wind.csv:2: wind_from_deg = 999 °: looks like a missing-value mark; declare it as missing",
    ),
    "text": (
        table("2025-01-01T00:00Z,M,200"),
        {},
        'wind.csv:2: wind_speed_m_s = "M": must be a number; if it marks a missing value, declare '
        "it as missing",
    ),
    "decimal comma": (
        "time;wind_speed_m_s;wind_from_deg\n2025-01-01T00:00Z;3,5;200\n",
        {},
        'wind.csv:2: wind_speed_m_s = "3,5": must be a number; numbers use a point: 3.5',
    ),
    "kelvin": (
        table(ROW + ",288.15", head=HEAD + ",temperature_c"),
        {},
        "wind.csv:2: temperature_c = 288.15 °C: must be at least -60 °C and at most 60 °C; "
        "288.15 looks like kelvin",
    ),
    "hPa as Pa": (
        table(ROW + ",1013", head=HEAD + ",pressure_pa"),
        {},
        "wind.csv:2: pressure_pa = 1013 Pa: must be at least 40000 Pa and at most 110000 Pa; "
        "it looks like hPa: name the column pressure_hpa",
    ),
    "Pa as hPa": (
        table(ROW + ",101300", head=HEAD + ",pressure_hpa"),
        {},
        "wind.csv:2: pressure_hpa = 101300 hPa: must be at least 400 hPa and at most 1100 hPa; "
        "it looks like Pa: name the column pressure_pa",
    ),
    "humidity in percent": (
        table(ROW + ",80", head=HEAD + ",relative_humidity"),
        {},
        "wind.csv:2: relative_humidity = 80: must be at least 0 and at most 1; it looks like a "
        "percentage: name the column relative_humidity_percent",
    ),
    "no unit": (
        table(ROW, head="time,wind_speed,wind_from_deg"),
        {},
        "wind.csv:1: unknown column 'wind_speed'; did you mean 'wind_speed_m_s'? "
        "(the unit is part of the name)",
    ),
    "column missing": (
        table("2025-01-01T00:00Z,3", head="time,wind_speed_m_s"),
        {},
        "wind.csv:1: column 'wind_from_deg' is missing (degrees clockwise from north)",
    ),
    "two speeds": (
        table(ROW + ",7", head=HEAD + ",wind_speed_kn"),
        {},
        "wind.csv:1: column 'wind_speed_kn': the same quantity is in column 'wind_speed_m_s' "
        "already",
    ),
    "cells": (
        table(ROW, "2025-01-01T01:00Z,3"),
        {},
        "wind.csv:3: has 2 cells; the header names 3",
    ),
    "no time": (
        table("noon,3,200"),
        {},
        'wind.csv:2: time = "noon": must be a date and time in ISO 8601, as 2025-03-30T14:00Z',
    ),
    "date alone": (
        table("2025-01-01,3,200"),
        {},
        'wind.csv:2: time = "2025-01-01": must be a date and time in ISO 8601, '
        "as 2025-03-30T14:00Z",
    ),
    "no offset": (
        table("2025-01-01T00:00,3,200"),
        {},
        "wind.csv:2: time = 2025-01-01T00:00:00: has no offset from UTC (Z or +01:00); add it, or "
        "say which time zone the record is in",
    ),
    "some with offset": (
        table(ROW, "2025-01-01T01:00,3,200"),
        {"time_zone": "UTC"},
        "wind.csv:3: time: has no offset from UTC, other lines have one",
    ),
    "skipped hour": (
        table("2025-03-30T01:00,3,200", "2025-03-30T02:00,3,200"),
        {"time_zone": "Europe/Berlin"},
        "wind.csv:3: time = 2025-03-30T02:00:00: does not exist in Europe/Berlin, the clocks skip "
        "it; if the record keeps winter time all year, give that offset as time zone",
    ),
    "repeated hour once": (
        table("2025-10-26T01:00,3,200", "2025-10-26T02:00,3,200", "2025-10-26T03:00,3,200"),
        {"time_zone": "Europe/Berlin"},
        "wind.csv:3: time = 2025-10-26T02:00:00: occurs twice in Europe/Berlin (clocks go back) "
        "and once in the file; add the offset from UTC, or give that of winter time as time zone "
        "if the record keeps it all year",
    ),
    "duplicate": (
        table(ROW, ROW),
        {},
        "wind.csv:3: time = 2025-01-01T00:00Z: is there already in the line before",
    ),
    "unsorted": (
        table("2025-01-01T02:00Z,3,10", "2025-01-01T00:00Z,3,10", "2025-01-01T01:00Z,3,10"),
        {},
        "wind.csv:3: time = 2025-01-01T00:00Z: is before the line above; sort the record by time",
    ),
    "ten minutes": (
        table(*(f"2025-01-01T00:{m:02d}Z,3,10" for m in range(0, 60, 10))),
        {},
        "wind.csv:3: time = 2025-01-01T00:10Z: does not fit steps of 3600 s (5 of 6 lines); most "
        "lines are 600 s apart; give that as step_s, or average the record",
    ),
    "one odd time": (
        table(*hours(3), "2025-01-01T03:20Z,3,10"),
        {},
        "wind.csv:5: time = 2025-01-01T03:20Z: does not fit steps of 3600 s (1 of 4 lines); every "
        "time must be a whole number of steps after the first",
    ),
    "long ago": (
        table("0001-01-01T00:00+14:00,3,10"),
        {},
        "wind.csv:2: time = 0001-01-01T00:00+14:00: must be from 1900 to 2199",
    ),
    "unknown zone": (
        table(ROW),
        {"time_zone": "Europe/Berln"},
        "unknown time zone 'Europe/Berln'; did you mean 'Europe/Berlin'?",
    ),
    "no lines": (table(), {}, "wind.csv: holds no line after the header"),
    "empty": ("", {}, "wind.csv: is empty; a record starts with the names of its columns"),
    "nothing but gaps": (
        table("2025-01-01T00:00Z,,"),
        {},
        "wind.csv: 1 of 1 intervals have no wind (100.0 %), the longest 1 in a row from "
        "2025-01-01T00:00:00 UTC; at most 10 % may be missing (max_missing_share)",
    ),
    "Latin-1": (
        table(ROW).encode() + "# Straße\n".encode("latin-1"),
        {},
        "wind.csv:3: is not UTF-8 text; save the file as UTF-8",
    ),
    "binary": (b"time\0", {}, "wind.csv: is not a text file"),
}


@pytest.mark.parametrize("label", REFUSED)
def test_refused_in_one_line(read, label):
    text, options, message = REFUSED[label]
    with pytest.raises(CaseError) as caught:
        read(text, **options)
    assert caught.value.problems == [message]


def test_a_mistake_of_many_lines_is_said_once_a_column(read):
    rows = hours(40)
    rows[9:] = [row.replace("3.5,200", "250,400") for row in rows[9:]]
    with pytest.raises(CaseError) as caught:
        read(table(*rows))
    assert [re.findall(r"\b\d+\b", line)[0] for line in caught.value.problems] == ["11", "11"]
    assert all("(also lines 12, 13, 14, 15 and 26 more)" in line for line in caught.value.problems)


def test_no_file_and_a_folder(tmp_path):
    for path, part in ((tmp_path / "none.csv", "no such file"), (tmp_path, "is a folder")):
        with pytest.raises(CaseError, match=re.escape(f"{path}: {part}")):
            read_wind_record(path)


@pytest.mark.parametrize(
    "options",
    [{"time_marks": "middle"}, {"step_s": 0.0}, {"max_missing_share": 1.0}, {"calm_below_m_s": 0}],
)
def test_impossible_options_are_refused(read, options):
    with pytest.raises(ValueError, match="must"):
        read(table(ROW), **options)


@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_damaged_files_give_a_record_or_lines(data, tmp_path_factory):
    raw = bytearray(table(*hours(6)).encode())
    for _ in range(data.draw(st.integers(1, 3))):
        start = data.draw(st.integers(0, len(raw)))
        end = start + data.draw(st.sampled_from([0, 1, 3]))
        raw[start:end] = data.draw(
            st.one_of(st.binary(max_size=3), st.sampled_from([b'"', b"\n", b",,", b"\xe2\x80\xa8"]))
        )
    path = tmp_path_factory.getbasetemp() / "damaged.csv"
    path.write_bytes(raw)
    try:
        record = read_wind_record(path, max_missing_share=0.9, time_zone="Europe/Berlin")
    except CaseError as error:
        for line in error.problems:
            assert line.startswith(str(path))
            assert line.isprintable()
            assert len(line) < len(str(path)) + 300
    else:
        assert np.all((record.speed_m_s >= 0.0) & (record.speed_m_s <= 75.0))
        assert 0.0 < record.coverage <= 1.0


# --- the shipped year ------------------------------------------------------------------------


def test_the_invented_year_of_winds_is_a_plausible_one():
    """What is said of light inland winds: shape 1.5 to 2, days warmer and windier, slow changes."""
    path = cases_path("year", "winds.csv")
    record = read_wind_record(path)
    whole = filled(record)
    frame = pd.read_csv(path, comment="#")
    known = frame[frame.wind_from_deg.notna() | (frame.wind_speed_m_s == 0)]
    np.testing.assert_array_equal(record.speed_m_s, known.wind_speed_m_s)
    first = datetime(2027, 1, 1)
    assert whole.time_utc.tolist() == [first + timedelta(hours=i) for i in range(8760)]
    gaps = re.search(r"Gaps, (\d+) h", path.read_text(encoding="utf-8"))
    assert whole.filled.sum() == int(gaps[1]) == 8760 - len(known)
    assert len(record.warnings) == 1  # the gaps
    assert record.mean_m_s == pytest.approx(3.6, abs=0.05)
    moving = known.wind_speed_m_s[known.wind_speed_m_s > 0.0]
    shape, _, scale = stats.weibull_min.fit(moving, floc=0.0)
    assert 1.5 < shape < 2.0
    assert stats.kstest(moving[::48], stats.weibull_min(shape, 0.0, scale).cdf).pvalue > 0.01
    lagged = [np.corrcoef(whole.speed_m_s[:-k], whole.speed_m_s[k:])[0, 1] for k in (1, 12, 48)]
    assert 0.85 < lagged[0] < 0.95
    assert 0.2 < lagged[1] < 0.6
    assert lagged[2] < 0.25
    by_hour = whole.speed_m_s.reshape(365, 24).mean(axis=0)
    assert 12 <= by_hour.argmax() <= 16
    assert by_hour.max() > 1.2 * by_hour.min()
    sectors = np.histogram(whole.from_deg, np.arange(0.0, 361.0, 30.0))[0]
    assert 180 <= 30 * sectors.argmax() <= 240
    assert 0.005 < record.calm_share < 0.1
    assert not np.isnan(whole.temperature_c).any()


# --- to a rose -------------------------------------------------------------------------------


def test_a_year_of_winds_gives_back_its_rose(read):
    true = WindRose(
        (
            Sector(0.0, 0.1, 4.0, 1.7),
            Sector(90.0, 0.2, 5.0, 2.0),
            Sector(180.0, 0.3, 6.0, 2.2),
            Sector(270.0, 0.4, 8.0, 2.4),
        )
    )
    speed, from_deg = true.sample(8760, np.random.default_rng(12))
    start = datetime(2025, 1, 1, tzinfo=UTC)
    rows = [
        f"{(start + timedelta(hours=i)).isoformat()},{3.6 * v:.3f},{'' if v < 0.5 else round(d)}"
        for i, (v, d) in enumerate(zip(speed, from_deg, strict=True))
    ]
    record = read(table(*rows, head="time,wind_speed_kmh,wind_from_deg"))
    assert record.warnings == ()
    rose = record.rose(n_sectors=4, reference_height_m=12.0)
    assert rose.reference_height_m == 12.0
    count = 8760 * true.frequency
    np.testing.assert_allclose(rose.frequency, true.frequency, atol=0.02)
    error = 1.053 * true.scale_m_s / true.shape / np.sqrt(count)
    assert np.all(np.abs(rose.scale_m_s - true.scale_m_s) < 4.0 * error)
    assert np.all(np.abs(rose.shape - true.shape) < 4.0 * 0.78 * true.shape / np.sqrt(count))
    assert rose.mean_cube == pytest.approx(record.mean_cube, rel=0.03)
