"""Records of counts: what is read, how holes are filled, holidays, and what is refused.

Against pandas, the zones of the standard library, and the profiles of a real motorway.
"""

from __future__ import annotations

import csv
import datetime
import re
import time
import tomllib
from datetime import UTC, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wakesim.errors import CaseError
from wakesim.runtime import cases_path, shared_path
from wakesim.traffic.counts import SATURDAY, SUNDAY, WEEKDAY, CountStream, read_counts

LONDON = ZoneInfo("Europe/London")
HEAD = "time,carriageway,class,flow_veh_h,speed_kmh"
ROAD = {"near": 2, "far": 2}
# New Year, Good Friday, Easter Monday, two in May, one in August, Christmas and the day after it
# (on a Monday and Tuesday) of an invented calendar of 2027.
HOLIDAYS = tuple(
    datetime.date(2027, *day)
    for day in ((1, 1), (3, 26), (3, 29), (5, 3), (5, 31), (8, 30), (12, 27), (12, 28))
)


def real_profiles() -> np.ndarray:
    """Flows (3 kinds of day, 24, light and heavy) of the motorway A115, veh/h."""
    text = shared_path("reference/hourly_profile_A115.csv").read_text(encoding="utf-8")
    rows = list(csv.DictReader(line for line in text.splitlines() if not line.startswith("#")))
    out = np.empty((3, 24, 2))
    for kind, name in enumerate(("weekday", "sat", "sun")):
        flow = np.array([float(row[f"{name}_mean_vph"]) for row in rows])
        share = np.array([float(row[f"{name}_hgv_share"]) for row in rows])
        out[kind] = np.stack([flow * (1.0 - share), flow * share], axis=1)
    return out


def stamps(days: int = 365, first: datetime.date = datetime.date(2027, 1, 1)) -> list:
    """The hours of a stretch of days as a clock in London shows them."""
    start = datetime.datetime.combine(first, datetime.time(), LONDON).astimezone(UTC)
    end = datetime.datetime.combine(first + timedelta(days=days), datetime.time(), LONDON)
    hours = int((end.astimezone(UTC) - start).total_seconds() // 3600)
    return [(start + timedelta(hours=i)).astimezone(LONDON) for i in range(hours)]


def kind_of(day: datetime.date, holidays=()) -> int:
    if day in holidays or day.weekday() == 6:
        return SUNDAY
    return SATURDAY if day.weekday() == 5 else WEEKDAY


def year_rows(rng: np.random.Generator, size: float, holidays=HOLIDAYS, season: float = 0.2):
    """(local time, carriageway, class, flow) of a year of Poisson counts with a season."""
    mean = size * real_profiles()
    for stamp in stamps():
        swing = 1.0 + season * np.cos(2.0 * np.pi * stamp.timetuple().tm_yday / 365.0)
        for name in ROAD:
            for k, kind in enumerate(("light", "heavy")):
                flow = swing * mean[kind_of(stamp.date(), holidays), stamp.hour, k]
                yield stamp.replace(tzinfo=None), name, kind, int(rng.poisson(flow))


def text_of(rows, head: str = "time,carriageway,class,flow_veh_h") -> str:
    return "\n".join([head, *(",".join(map(str, row)) for row in rows)]) + "\n"


def plain(days: int = 28, flow=lambda stamp, name, kind: 100, cells: str = ",90"):
    """Lines of a record, one list of cells each, of ``flow``."""
    return [
        [f"{s:%Y-%m-%dT%H:%M}", name, kind, f"{flow(s, name, kind)}{cells}"]
        for s in stamps(days)
        for name in ROAD
        for kind in ("light", "heavy")
    ]


@pytest.fixture
def read(tmp_path, monkeypatch):
    """Reads a text as the file counts.csv, in London's time unless said."""
    monkeypatch.chdir(tmp_path)

    def reader(text: str, **options):
        (tmp_path / "counts.csv").write_text(text, encoding="utf-8")
        settings = {"carriageways": ROAD, "classes": ["suv", "coach"], "time_zone": "Europe/London"}
        return read_counts("counts.csv", **(settings | options))

    return reader


def refused(read, text: str, **options) -> list[str]:
    with pytest.raises(CaseError) as caught:
        read(text, **options)
    return caught.value.problems


# --- what is read ----------------------------------------------------------------------------


@pytest.fixture(scope="module")
def year():
    return list(year_rows(np.random.default_rng(3), 0.5))


def test_a_year_is_that_of_pandas_and_of_the_clock(read, year, tmp_path):
    text = "# invented\n" + text_of(
        (t.isoformat(), name, kind, flow, f"{60 + flow % 50}") for t, name, kind, flow in year
    ).replace("flow_veh_h\n", "flow_veh_h,speed_mph\n")
    record = read(text)
    assert record.streams == tuple(
        CountStream(name, None, kind) for name in ROAD for kind in ("light", "heavy")
    )
    hours = stamps()
    assert len(hours) == 8760
    assert record.time_utc.tolist() == [s.astimezone(UTC).replace(tzinfo=None) for s in hours]
    assert record.local_hour.tolist() == [s.hour for s in hours]
    first = datetime.date(2027, 1, 1)
    assert record.local_day.tolist() == [(s.date() - first).days for s in hours]
    assert record.day_kind.tolist() == [kind_of(s.date(), HOLIDAYS) for s in hours]
    frame = pd.read_csv(tmp_path / "counts.csv", comment="#")
    for i, stream in enumerate(record.streams):
        rows = frame[(frame.carriageway == stream.carriageway) & (frame["class"] == stream.kind)]
        np.testing.assert_array_equal(record.flow_veh_h[:, i], rows.flow_veh_h)
        np.testing.assert_allclose(record.speed_m_s[:, i], rows.speed_mph * 1609.344 / 3600.0)
    assert not record.filled.any()
    assert record.warnings == ()


def test_a_year_is_read_fast(read, year):
    text = text_of((t.isoformat(), name, kind, flow) for t, name, kind, flow in year)
    times = []
    for _ in range(3):
        start = time.perf_counter()
        read(text)
        times.append(time.perf_counter() - start)
    assert min(times) < 2.0


@pytest.mark.parametrize("zone", [None, "Europe/London"])
def test_offsets_speak_for_themselves(read, zone):
    hours = stamps(3, datetime.date(2027, 10, 30))  # the clocks go back on the 31st
    rows = [
        (s.isoformat(), n, k, 10 + s.hour) for n in ROAD for k in ("light", "heavy") for s in hours
    ]
    record = read(text_of(rows), time_zone=zone)
    assert record.time_utc.size == 73
    assert record.local_hour.tolist() == [s.hour for s in hours]
    np.testing.assert_array_equal(record.flow_veh_h[:, 2], [10 + s.hour for s in hours])


@pytest.mark.parametrize("by_stream", [False, True])
def test_lines_may_be_in_order_of_time_or_of_streams(read, by_stream):
    hours = stamps(3, datetime.date(2027, 10, 30))
    rows = [
        (f"{s:%Y-%m-%dT%H:%M}", n, k, 100 * j + i)
        for i, s in enumerate(hours)
        for j, (n, k) in enumerate((n, k) for n in ROAD for k in ("light", "heavy"))
    ]
    rows = sorted(rows, key=lambda row: row[1:3]) if by_stream else rows
    record = read(text_of(rows))
    np.testing.assert_array_equal(record.flow_veh_h, np.arange(73)[:, None] + 100 * np.arange(4))
    assert record.speed_m_s is None


def test_lanes_and_classes(read):
    head = "class,lane,time,carriageway,flow_veh_h,speed_m_s,note"
    rows = [
        (
            kind,
            lane,
            f"{s:%Y-%m-%d %H:%M}",
            name,
            10 * lane + s.hour,
            "" if lane == 2 else 25.5,
            "x",
        )
        for s in stamps(7)
        for name in ROAD
        for lane in (2, 1)
        for kind in ("coach", "suv")
    ]
    record = read(text_of(rows, head))
    assert [(s.carriageway, s.lane, s.kind) for s in record.streams] == [
        (name, lane, kind) for name in ROAD for lane in (1, 2) for kind in ("suv", "coach")
    ]
    np.testing.assert_array_equal(record.flow_veh_h[5], [15, 15, 25, 25] * 2)
    np.testing.assert_array_equal(record.speed_m_s[5], [25.5, 25.5, np.nan, np.nan] * 2)
    assert record.warnings[0] == "columns that are not read: note"


# --- holes -----------------------------------------------------------------------------------


def test_holes_take_the_nearest_day_of_their_kind(read):
    """The flow is 100 times the day of the month plus the hour: the source can be read off it."""
    rows = plain(28, lambda s, name, kind: 100 * s.day + s.hour)  # 1 January 2027 is a Friday
    text = text_of(rows, HEAD)
    for gone in (
        "2027-01-13T05:00,near,light,1305",  # Wednesday: from Tuesday, the earlier of two
        "2027-01-18T06:00,near,light,1806",  # Monday: from Tuesday, three days nearer than Friday
        "2027-01-17T07:00,near,light,1707",  # Sunday: from the Sunday before
        "2027-01-02T08:00,near,light,208",  # first Saturday: from the next
    ):
        assert gone in text
        text = text.replace(gone, gone.rpartition(",")[0] + ",")
    text = text.replace("2027-01-13T05:00,far,heavy,1305,90\n", "")
    text = text.replace("2027-01-14T05:00,far,heavy,1405,", "2027-01-14T05:00,far,heavy,NaN,")
    record = read(text)
    at = {s: i for i, s in enumerate(record.time_utc.tolist())}
    near, far = record.flow_veh_h[:, 0], record.flow_veh_h[:, 3]
    moment = lambda day, hour: at[datetime.datetime(2027, 1, day, hour)]  # noqa: E731
    assert near[moment(13, 5)] == 1205
    assert near[moment(18, 6)] == 1906
    assert near[moment(17, 7)] == 1007
    assert near[moment(2, 8)] == 908
    assert far[moment(13, 5)] == 1205
    assert far[moment(14, 5)] == 1505
    assert np.flatnonzero(record.filled).tolist() == sorted(
        moment(*x) for x in ((2, 8), (13, 5), (14, 5), (17, 7), (18, 6))
    )
    assert np.isnan(record.speed_m_s[moment(13, 5), 3])
    assert record.warnings[0].startswith("5 of 672 hours lack a flow (0.7 %); 6 flows are filled")


def test_too_many_holes_and_too_long_ones_are_one_line(read):
    rows = plain(100)
    every_fifth = [row for i, row in enumerate(rows) if (i // 4) % 5]
    (line,) = refused(read, text_of(every_fifth[4:], HEAD))
    assert "at most 10 % may be missing (max_missing_share)" in line
    assert read(text_of(every_fifth[4:], HEAD), max_missing_share=0.25).filled.mean() > 0.19
    without_february = [row for row in rows if not row[0].startswith("2027-02")]
    (line,) = refused(read, text_of(without_february, HEAD))
    assert line.startswith("counts.csv: 672 hours in a row from 2027-02-01T00:00:00 local time")
    assert "(all of February 2027)" in line
    (line,) = refused(read, text_of(without_february, HEAD), most_missing_in_a_row_h=672)
    assert "max_missing_share" in line
    emptied = [[*row[:3], ","] if row[0].startswith("2027-02") else row for row in rows]
    (line,) = refused(read, text_of(emptied, HEAD))
    assert "(all of February 2027)" in line


def test_an_hour_that_no_day_has_cannot_be_filled(read):
    rows = [row for row in plain(14) if "T03:00" not in row[0] or row[1:3] != ["near", "heavy"]]
    assert len(refused(read, text_of(rows, HEAD), max_missing_share=0.5)) == 1


# --- holidays --------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("size", [0.02, 0.5])  # about 600 and 16,000 vehicles a day and carriageway
def test_holidays_are_found_and_no_others(read, size, seed):
    rows = year_rows(np.random.default_rng(seed), size)
    record = read(text_of((t.isoformat(), *row) for t, *row in rows))
    assert record.holidays == HOLIDAYS


@pytest.mark.parametrize("holidays", [(), HOLIDAYS])
def test_quiet_days_and_closed_nights_are_no_holidays(read, holidays):
    """Half the traffic for a fortnight, and 21 h to 5 h of ten weekdays without any."""
    rng = np.random.default_rng(8)
    rows = []
    for t, name, kind, flow in year_rows(rng, 0.3, holidays):
        quiet = t.month == 8 and 9 <= t.day <= 22
        closed = t.month in (2, 6) and t.day in (8, 9, 10, 11, 12) and (t.hour < 5 or t.hour >= 21)
        rows.append((t.isoformat(), name, kind, 0 if closed else flow // 2 if quiet else flow))
    assert read(text_of(rows)).holidays == tuple(holidays)


def test_a_road_without_a_week_has_no_holidays(read):
    rng = np.random.default_rng(5)
    record = read(text_of(plain(120, lambda s, n, k: rng.poisson(200 + 20 * s.hour)), HEAD))
    assert record.holidays == ()


# --- the shipped year ------------------------------------------------------------------------


def test_the_invented_year_is_what_its_comments_say():
    path = cases_path("year", "counts.csv")
    comments = " ".join(
        line.lstrip("# ")
        for line in path.read_text(encoding="utf-8").splitlines()
        if line[:1] == "#"
    )
    assert comments.startswith("INVENTED DATA")
    record = read_counts(path, ROAD, (), time_zone="Europe/London")
    assert record.time_utc.size == 8760
    assert record.time_utc.tolist() == [s.astimezone(UTC).replace(tzinfo=None) for s in stamps()]
    said = re.findall(r"\d{4}-\d\d-\d\d", comments.partition("holidays")[2])
    assert [str(day) for day in record.holidays] == said
    assert f"Not counted, {record.filled.sum()} h" in comments
    assert len(record.warnings) == 1  # the filled hours
    frame = pd.read_csv(path, comment="#")
    kept = frame[~frame.time.isin(local_texts(record, record.filled))]
    assert kept.flow_veh_h.sum() == record.flow_veh_h[~record.filled].sum()
    assert path.stat().st_size < 1.6e6
    night = [f"2027-09-{day}T{hour:02d}:00" for day, hour in ((14, 21), (14, 23), (15, 0), (15, 4))]
    closed = frame[frame.time.isin(night) & (frame.carriageway == "near")]
    assert len(closed) == 8
    assert not closed.flow_veh_h.any()


def local_texts(record, mask) -> list[str]:
    """The times of some hours as the file has them."""
    moments = [moment.replace(tzinfo=UTC) for moment in record.time_utc[mask].tolist()]
    return [f"{moment.astimezone(LONDON):%Y-%m-%dT%H:%M}" for moment in moments]


def test_weekdays_of_the_invented_year_are_those_of_the_main_case():
    """Mean flow of weekdays by hour, against the profile in the case."""
    record = read_counts(cases_path("year", "counts.csv"), ROAD, (), time_zone="Europe/London")
    case = tomllib.loads(cases_path("expressway-post.toml").read_text(encoding="utf-8"))
    open_road = (record.day_kind == WEEKDAY) & ~record.filled
    for i, flow in enumerate(case["traffic"]["flows"]):
        both = record.flow_veh_h[:, 2 * i : 2 * i + 2].sum(axis=1)
        mean = [both[open_road & (record.local_hour == h)].mean() for h in range(24)]
        np.testing.assert_allclose(mean, flow["hourly_veh_h"], rtol=0.1)


# --- refusals --------------------------------------------------------------------------------


def changed(old: str, new: str, count: int = -1):
    text = text_of(plain(7), HEAD)
    assert old in text
    return text.replace(old, new, count)


def autumn(keep=lambda stamp: True):
    """Lines of two days through the end of summer time."""
    return [
        (f"{s:%Y-%m-%dT%H:%M}", n, k, 1)
        for s in stamps(2, datetime.date(2027, 10, 30))
        for n in ROAD
        for k in ("light", "heavy")
        if keep(s)
    ]


REFUSED = {
    "carriageway": (
        lambda: changed(",far,", ",fare,"),
        'counts.csv:4: carriageway = "fare": is not in the case; did you mean \'far\'? (also lines '
        "5, 8, 9, 12 and 331 more)",
    ),
    "class": (
        lambda: changed("02T03:00,far,heavy", "02T03:00,far,lorries"),
        'counts.csv:113: class = "lorries": is not in the case; known: light, heavy, suv, coach',
    ),
    "two ways": (
        lambda: changed("02T03:00,far,heavy", "02T03:00,far,coach"),
        "counts.csv:113: class: light and heavy in some lines and names of vehicle classes in "
        "others; the whole record must be in one way",
    ),
    "no such carriageway in the file": (
        lambda: text_of([row for row in plain(7) if row[1] == "near"], HEAD),
        "counts.csv: carriageway 'far' of the case has no lines",
    ),
    "light alone": (
        lambda: text_of([row for row in plain(7) if row[1] == "near" or row[2] != "heavy"], HEAD),
        "counts.csv: carriageway 'far' has no lines of class heavy; write 0 where none passed",
    ),
    "duplicate": (
        lambda: text_of([*plain(7), *plain(1)[:5]], HEAD),
        "counts.csv:674: time = 2027-01-01T00:00: 'near' light of this hour is in line 2 already "
        "(also lines 675, 676, 677, 678)",
    ),
    "unsorted": (
        lambda: text_of([*plain(7)[4:], *plain(7)[:4]], HEAD),
        "counts.csv:670: time = 2027-01-01T00:00: 'near' light has a later time above; sort the "
        "record by time",
    ),
    "off the grid": (
        lambda: changed("2027-01-02T03:00,", "2027-01-02T03:20,"),
        "counts.csv:110: time = 2027-01-02T03:20: must be a full hour, the start of the hour "
        "counted (also lines 111, 112, 113)",
    ),
    "half hours": (
        lambda: changed(":00,", ":30,"),
        "counts.csv:2: time = 2027-01-01T00:30: must be a full hour, the start of the hour "
        "counted (also lines 3, 4, 5, 6 and 667 more)",
    ),
    "flow and speed swapped": (
        lambda: text_of(
            plain(7, lambda s, n, k: 90, ",1500"), HEAD
        ),
        "counts.csv:2: speed_kmh = 1500 km/h: must be at least 3.6 km/h and at most 252 km/h; are "
        "the columns speed_kmh and flow_veh_h swapped? (also lines 3, 4, 5, 6 and 667 more)",
    ),
    "km/h as m/s": (
        lambda: changed("speed_kmh", "speed_m_s"),
        "counts.csv:2: speed_m_s = 90 m/s: must be at least 1 m/s and at most 70 m/s; 90 looks "
        "like km/h: name the column speed_kmh (also lines 3, 4, 5, 6 and 667 more)",
    ),
    "speed of none": (
        lambda: changed("02T03:00,far,heavy,100,90", "02T03:00,far,heavy,0,0"),
        "counts.csv:113: speed_kmh = 0 km/h: must be at least 3.6 km/h and at most 252 km/h; leave "
        "the cell empty where no vehicle passed",
    ),
    "too large": (
        lambda: changed("02T03:00,far,heavy,100", "02T03:00,far,heavy,20001"),
        "counts.csv:113: flow_veh_h = 20001 veh/h: must be at least 0 veh/h and at most 20000 "
        "veh/h",
    ),
    "mark": (
        lambda: changed("02T03:00,far,heavy,100", "02T03:00,far,heavy,-99"),
        "counts.csv:113: flow_veh_h = -99 veh/h: looks like a missing-value mark; leave the cell "
        "empty",
    ),
    "no unit": (
        lambda: changed("flow_veh_h", "flow"),
        "counts.csv:1: unknown column 'flow'; did you mean 'flow_veh_h'? (the unit is part of the "
        "name)",
    ),
    "time and class swapped": (
        lambda: text_of([[r[2], r[1], r[0], r[3]] for r in plain(7)], HEAD),
        'counts.csv:2: class = "2027-01-01T00:00": is not in the case; known: light, heavy, suv, '
        "coach (also lines 3, 4, 5, 6 and 667 more)",
    ),
    "carriageway and class swapped": (
        lambda: text_of([[r[0], r[2], r[1], r[3]] for r in plain(7)], HEAD),
        'counts.csv:2: carriageway = "light": is not in the case; known: near, far (also lines '
        "3, 4, 5, 6 and 667 more)",
    ),
    "a file twice, through the repeated hour": (
        lambda: text_of([*autumn(), *autumn()]),
        "counts.csv:198: time = 2027-10-30T00:00: 'near' light of this hour is in line 2 already "
        "(also lines 199, 200, 201, 202 and 191 more)",
    ),
    "flow and speed swapped, with 999 vehicles": (
        lambda: text_of(plain(7, lambda *_: 90, ",999"), HEAD).replace(",90,999", ",90,800", 9),
        "counts.csv:2: speed_kmh = 800 km/h: must be at least 3.6 km/h and at most 252 km/h; are "
        "the columns speed_kmh and flow_veh_h swapped? (also lines 3, 4, 5, 6 and 4 more)",
    ),
    "no times": (
        lambda: text_of([["noon", *r[1:]] for r in plain(7)], HEAD),
        'counts.csv:2: time = "noon": must be a date and time in ISO 8601, as 2025-03-30T14:00Z '
        "(also lines 3, 4, 5, 6 and 667 more)",
    ),
    "clocks that go back, once": (
        lambda: text_of(autumn(lambda s: not s.fold)),
        "counts.csv:102: time = 2027-10-31T01:00:00: occurs twice in Europe/London (clocks go "
        "back) and once in the file; add the offset from UTC, or give that of winter time as time "
        "zone if the record keeps it all year",
    ),
}  # fmt: skip


@pytest.mark.parametrize("label", REFUSED)
def test_refused_in_one_line(read, label):
    text, message = REFUSED[label]
    assert refused(read, text()) == [message]


@pytest.mark.parametrize("lane", ["0", "3", "1.5", "outer"])
def test_lanes_that_are_not_there(read, lane):
    rows = [
        (f"{s:%Y-%m-%dT%H:%M}", n, lane if s.hour == 5 else 1 + i, k, 10)
        for s in stamps(2)
        for n in ROAD
        for i in range(2)
        for k in ("light", "heavy")
    ]
    (line,) = refused(read, text_of(rows, "time,carriageway,lane,class,flow_veh_h"))[:1]
    assert line.startswith(f"counts.csv:42: lane = {lane}: must be a whole number, at least 1")


def test_lanes_in_some_lines_only_and_lanes_without_lines(read):
    def rows(lanes, last=""):
        return [
            (f"{s:%Y-%m-%dT%H:%M}", n, last if last and s.hour == 5 else lane, k, 10)
            for s in stamps(2)
            for n in ROAD
            for lane in lanes
            for k in ("light", "heavy")
        ]

    head = "time,carriageway,lane,class,flow_veh_h"
    (line,) = refused(
        read, text_of(rows([1, 2]), head).replace("02T03:00,far,2,", "02T03:00,far,,")
    )
    assert line.startswith("counts.csv:224: lane: a lane in some lines and none in others")
    assert len(refused(read, text_of(rows([1]), head))) == 2  # lane 2 of both carriageways
    assert read(text_of(rows([1, "2.0"]), head)).streams[2].lane == 2
    assert {stream.lane for stream in read(text_of(rows([""]), head)).streams} == {None}


@pytest.mark.parametrize(
    ("flow", "cells", "head", "part"),
    [
        (lambda s, n, k: 70 if k == "heavy" else 30, ",90", HEAD, "70 % of the vehicles are heavy"),
        (lambda s, n, k: 100, ",60", HEAD.replace("kmh", "m_s"), "are above 60 m/s"),
        (lambda s, n, k: 100, ",25", HEAD, "are above 25 km/h"),
        (lambda s, n, k: 0 if s.day in (3, 4) else 100, ",90", HEAD, "48 flows of 0 in a row"),
    ],
)
def test_doubtful_records_are_flagged(read, flow, cells, head, part):
    assert part in read(text_of(plain(28, flow, cells), head)).warnings[1]
    assert len(read(text_of(plain(28), HEAD)).warnings) == 1


def test_flows_within_the_range_of_speeds_may_be_swapped(read):
    """A small road, whose flows could be speeds: what varies over the day is the flow."""
    swapped = [
        [f"{s:%Y-%m-%dT%H:%M}", n, k, 80 + s.hour % 3, 10 + 12 * min(s.hour, 24 - s.hour)]
        for s in stamps(28)
        for n in ROAD
        for k in ("light", "heavy")
    ]
    assert "swapped?" in read(text_of(swapped, HEAD)).warnings[1]


@pytest.mark.parametrize("options", [{"max_missing_share": 1.0}, {"most_missing_in_a_row_h": -1}])
def test_impossible_options_are_refused(read, options):
    with pytest.raises(ValueError, match="must"):
        read(text_of(plain(1), HEAD), **options)


@settings(max_examples=100, deadline=None)
@given(data=st.data())
def test_damaged_files_give_a_record_or_lines(data, tmp_path_factory):
    raw = bytearray(text_of(plain(2), HEAD).encode())
    for _ in range(data.draw(st.integers(1, 3))):
        start = data.draw(st.integers(0, len(raw)))
        end = start + data.draw(st.sampled_from([0, 1, 3]))
        raw[start:end] = data.draw(
            st.one_of(st.binary(max_size=3), st.sampled_from([b'"', b"\n", b",,", b"9", b"-"]))
        )
    path = tmp_path_factory.getbasetemp() / "damaged.csv"
    path.write_bytes(raw)
    try:
        record = read_counts(path, ROAD, (), time_zone="Europe/London", max_missing_share=0.9)
    except CaseError as error:
        for line in error.problems:
            assert line.startswith(str(path))
            assert line.isprintable()
    else:
        assert record.flow_veh_h.shape == (record.time_utc.size, 4)
        assert np.all((record.flow_veh_h >= 0.0) & (record.flow_veh_h <= 20000.0))
