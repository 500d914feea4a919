"""Tidy CSV tables, which ``pandas.read_csv`` reads as they are.

One header line, whose names end with the unit; numbers in full or with the digits that a table
states; empty cells where a value is missing. The last column of every table says whether the data
are invented, so that it travels with them. What the columns are stands in columns.csv, what each
table holds and where it comes from in summary.json.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from itertools import islice, product, repeat
from math import isnan
from operator import is_
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from wakesim.arrays import Array
from wakesim.energy.rotor import RESPONSES
from wakesim.errors import CaseError
from wakesim.outputs import wording
from wakesim.outputs.summary import wind_record
from wakesim.quantities import AXES, COORDINATES, PASS_AXES, STATES, Quantity, group
from wakesim.results import (
    REASONS,
    GridResult,
    LookupResult,
    MapResult,
    PassTableResult,
    Result,
    YearResult,
)
from wakesim.traffic.scene import wake_memory

if TYPE_CHECKING:
    import pandas

    from wakesim.results import MountResult

STRETCH_S = 600.0
_ROWS_AT_ONCE = 8192
_QUOTED = frozenset(',"\r\n')  # a text with one of them stands in quotes

COLUMNS_FILE = "columns.csv"
INVENTED = Quantity("invented_data", "1", "true where the place or its traffic is made up")

Rows = Iterable[tuple[Any, ...]]
Columns = Mapping[str, Quantity]


@dataclass(frozen=True)
class Table:
    """A table: what each column is, a note, the rows, and the digits of columns not in full."""

    columns: Columns
    note: str
    rows: Callable[[], Rows]
    digits: Mapping[str, str] = field(default_factory=dict)


def tables(result: Result | GridResult) -> dict[str, Table]:
    """The tables a result gives, by the names of their files."""
    if isinstance(result, Result):
        return dict(_run_tables(result))
    if isinstance(result, YearResult):
        return dict(_year_tables(result))
    return dict([_grid_table(result)])


def write_table(result: Result | GridResult, table: Table, path: Path) -> None:
    """Write a table; OSError when it cannot be written. Floats in full read back equal."""
    forms = [table.digits.get(name, "") for name in table.columns]
    invented = _cell(bool(result.case.invented_data))
    rows = iter(table.rows())
    with path.open("w", encoding="utf-8", newline="") as file:
        file.write(",".join([*table.columns, INVENTED.key]) + "\n")
        while some := list(islice(rows, _ROWS_AT_ONCE)):
            file.writelines(_lines(some, forms, invented))


def write_columns(found: Mapping[str, Table], path: Path) -> None:
    """Write what the columns of some tables are, a row a column."""
    lines = ["file,column,unit,meaning\n"]
    for name, table in found.items():
        for key, q in {**table.columns, INVENTED.key: INVENTED}.items():
            cells = (name, key, q.reading_unit, wording.one_line(q.meaning))
            lines.append(",".join(map(_cell, cells)) + "\n")
    path.write_text("".join(lines), encoding="utf-8")


def _lines(rows: list[tuple[Any, ...]], forms: list[str], last: str) -> Iterable[str]:
    """The lines of some rows; a cell that all of them share is written out once."""
    pieces, columns = [], []
    for values, form in zip(zip(*rows, strict=True), forms, strict=True):
        whole = form and not isnan(sum(values))  # no value is missing
        shared = all(map(is_, values, repeat(values[0])))
        if shared:
            cell = f"%{form}" % values[0] if whole else _cell(values[0])
            pieces.append(cell.replace("%", "%%"))
        elif whole:
            pieces.append(f"%{form}")
            columns.append(values)
        else:
            pieces.append("%s")
            columns.append([_cell(v) if v != v or not form else f"%{form}" % v for v in values])
    line = f"{','.join([*pieces, last])}\n"
    if not columns:
        return repeat(line % (), len(rows))
    return map(line.__mod__, zip(*columns, strict=True))


def _cell(value: Any) -> str:
    if isinstance(value, float):
        return "" if isnan(value) else float.__repr__(value)
    text = "" if value is None else str(value)
    if isinstance(value, bool | np.bool_):
        return text.lower()
    if not set(text).isdisjoint(_QUOTED):
        return '"' + text.replace('"', '""') + '"'
    return text


def to_pandas(result: Result | GridResult, name: str | None = None) -> pandas.DataFrame:
    """A table as a data frame, the first one without a name; CaseError for one it does not have."""
    import pandas

    known = tables(result)
    table = known.get(next(iter(known)) if name is None else name)
    if table is None:
        raise CaseError(f'no table "{name}" in this result; it has {", ".join(known)}')
    frame = pandas.DataFrame.from_records(list(table.rows()), columns=list(table.columns))
    frame[INVENTED.key] = bool(result.case.invented_data)
    columns = {**table.columns, INVENTED.key: INVENTED}
    frame.attrs = {key: q.described for key, q in columns.items()}
    return frame


# --- a run at mounts ------------------------------------------------------------------------------


def _run_tables(result: Result) -> Iterator[tuple[str, Table]]:
    mounts = result.mounts
    yield "signatures.csv", _signatures(result)
    if any(mount.statistics for mount in mounts):
        yield "mounts.csv", _mounts(result)
        yield "hourly.csv", _of_mounts(result, group("hour"), "Means over each clock hour.", _hours)
        yield (
            "model-variants.csv",
            _of_mounts(
                result, group("variant"), "One uncertain constant moved at once.", _variants
            ),
        )
        if result.case.outputs.series_csv != "none":
            yield "series.csv", _series(result)
    if any(mount.energy for mount in mounts):
        month = {"month": COORDINATES["month"], **group("month")}
        for name, columns, note, rows in (
            ("energy-hours.csv", _energy_hour_columns(), "Means of each hour.", _energy_hours),
            ("energy-months.csv", month, "The year of the case, in its winds.", _months),
            ("energy-winds.csv", group("year_wind"), "Weekdays in the winds of the year.", _winds),
            ("mount-loads.csv", group("class_load"), "Indicative only, no design values.", _loads),
        ):
            yield name, _of_mounts(result, columns, note, rows)
    sampled = [m.energy.uncertainty for m in mounts if m.energy and m.energy.uncertainty]
    if sampled:
        inputs = {
            "_".join(filter(None, (p.key, p.unit.replace("/", "_")))): Quantity(
                p.key,
                p.unit or "1",
                f"{p.name}: {p.low:g} to {p.high:g}, {p.scale}; {p.origin}",
            )
            for p in sampled[0].parameters
        }
        drawn = group("uncertainty")
        outputs = {key: drawn[key] for key in ("effective_speed_m_s", "annual_kwh")}
        note = "Quasi-random samples of all uncertain inputs, in the air of the case."
        yield "yield-samples.csv", _of_mounts(result, inputs | outputs, note, _samples)


def _of_mounts(
    result: Result, columns: Columns, note: str, rows: Callable[[MountResult], Rows], **digits: str
) -> Table:
    """A table of every mount, its name in the first column."""

    def all_rows() -> Iterator[tuple[Any, ...]]:
        for mount in result.mounts:
            for row in rows(mount):
                yield (mount.mount.name, *row)

    return Table({"mount": COORDINATES["mount"], **columns}, note, all_rows, digits)


def _mounts(result: Result) -> Table:
    place = {key: q for key, q in group("mount").items() if key != "name"}
    ends = {
        f"{interval}_{end}_m_s": Quantity("", q.units, f"{end} end, {q.meaning}")
        for interval, q in (
            (key.removesuffix("_interval_m_s"), q) for key, q in group("interval").items()
        )
        for end in ("low", "high")
    }

    def rows(mount: MountResult) -> Rows:
        s = mount.statistics
        if s is not None:
            measures = (q.of(s) for q in group("measure").values())
            intervals = (end for q in group("interval").values() for end in q.of(s))
            yield (*(q.of(mount.mount) for q in place.values()), *measures, *intervals)

    return _of_mounts(result, {**place, **group("measure"), **ends}, "One row a mount.", rows)


def _signatures(result: Result) -> Table:
    q, series = group("signature"), group("signature_series")
    columns = {
        **{key: q[key] for key in ("vehicle", "lane")},
        "vehicle_speed_m_s": q["speed_m_s"],
        "clearance_m": q["clearance_m"],
        **series,
        **{key: q[key] for key in ("relief_peak", "relief_cube")},
    }

    def rows(mount: MountResult) -> Rows:
        for s in mount.signatures:
            head = (s.vehicle, s.lane, s.speed_m_s, s.clearance_m)
            arrays = (np.asarray(q.of(s)).tolist() for q in series.values())
            for values in zip(*arrays, strict=True):
                yield (*head, *values, s.relief_peak, s.relief_cube)

    digits = dict.fromkeys(series, ".9g") | {"relief_peak": ".6g", "relief_cube": ".6g"}
    note = "One pass of each class, no other air."
    return _of_mounts(result, columns, note, rows, **digits)


def busiest_window(speed_m_s: Array, dt_s: float, length_s: float) -> slice:
    """Samples of the window of ``length_s`` with the highest mean cubed speed.

    A series shorter than the window is returned whole.
    """
    samples = max(1, round(length_s / dt_s))
    if samples >= len(speed_m_s):
        return slice(0, len(speed_m_s))
    total = np.zeros(len(speed_m_s) + 1)
    np.multiply(speed_m_s, speed_m_s, out=total[1:])
    total[1:] *= speed_m_s
    np.cumsum(total, out=total)
    start = int(np.argmax(total[samples:] - total[:-samples]))
    return slice(start, start + samples)


def _series(result: Result) -> Table:
    full = result.case.outputs.series_csv == "full"
    note = (
        "The first simulated round at full sample rate."
        if full
        else f"The {STRETCH_S / 60:.0f} minutes with the highest mean cubed speed at each mount, "
        "at full sample rate: busier than the rest, not typical."
    )
    columns = group("series")

    def rows(mount: MountResult) -> Rows:
        if mount.statistics is None:
            return ()
        series = mount.statistics.series
        window = slice(None)
        if not full:
            window = busiest_window(series.speed_m_s, series.dt_s, STRETCH_S)
        return zip(
            *(np.asarray(q.of(series))[window].tolist() for q in columns.values()), strict=True
        )

    digits = {key: ".6g" for key in columns if key != "hour"} | {"time_s": ".10g"}
    return _of_mounts(result, columns, note, rows, **digits)


def _values(name: str, items: Iterable[Any]) -> Rows:
    """The quantities of a group, a row an item."""
    return (tuple(q.of(item) for q in group(name).values()) for item in items)


def _hours(mount: MountResult) -> Rows:
    return _values("hour", mount.statistics.hourly if mount.statistics else ())


def _variants(mount: MountResult) -> Rows:
    return _values("variant", mount.statistics.variants if mount.statistics else ())


def _winds(mount: MountResult) -> Rows:
    return _values("year_wind", map(wind_record, mount.energy.by_wind if mount.energy else ()))


def _loads(mount: MountResult) -> Rows:
    return _values("class_load", mount.energy.loads if mount.energy else ())


def _energy_hour_columns() -> Columns:
    q = group("energy_hour")
    return {
        "hour": COORDINATES["weekday_hour"],
        "available_w": q["available_w"],
        **{
            f"{name}_w": Quantity("", "W", f"electrical power, response {name.replace('_', ' ')}")
            for name in RESPONSES
        },
        **{key: q[key] for key in ("effective_speed_m_s", "captured_speed_m_s")},
    }


def _energy_hours(mount: MountResult) -> Rows:
    if mount.energy is None:
        return ()
    p = mount.energy.power
    responses = (p.electrical_w.get(name, np.full(24, np.nan)) for name in RESPONSES)
    columns = (p.available_w, *responses, p.effective_speed_m_s, p.captured_speed_m_s)
    return zip(range(24), *columns, strict=True)


def _months(mount: MountResult) -> Rows:
    if mount.energy is None:
        return ()
    year = mount.energy.year
    month = year.hours.month - 1
    sums = (np.bincount(month, wh, minlength=12) for wh in (year.without_traffic_wh, year.net_wh))
    alone, net = (1e-3 * values for values in sums)
    return zip(range(1, 13), year.monthly_kwh(), alone, net, strict=True)


def _samples(mount: MountResult) -> Rows:
    u = mount.energy.uncertainty if mount.energy else None
    if u is None:
        return ()
    return ((*inputs, *outputs) for inputs, outputs in zip(u.values, u.outputs, strict=True))


# --- studies of many states -----------------------------------------------------------------------


def _grid_table(result: GridResult) -> tuple[str, Table]:
    """The table of all states, its name and what it holds."""
    if isinstance(result, MapResult):
        note = f"One row a place, clock hour {result.hour}; empty where no rotor may hang."
        why = "; ".join(f"{code}: {text}" for code, text in REASONS.items())
        columns = {
            **{key: AXES[key] for key in ("height_m", "offset_m")},
            "kind": group("map_place")["kind"],
            "reason": Quantity("reason", "1", why),
        }
        places: Iterable[tuple[Any, ...]] = [
            (z, y, str(kind), int(reason))
            for (z, y), kind, reason in zip(
                product(result.height_m.tolist(), result.offset_m.tolist()),
                result.kind.reshape(-1),
                result.reason.reshape(-1),
                strict=True,
            )
        ]
        return "map.csv", _states(columns, note, places, result.variables)
    if isinstance(result, LookupResult):
        columns = {name: AXES[name] for name in result.axes}
        note = f"One row a state, hour {result.hour} of the case where no axis says otherwise."
        return "table.csv", _states(columns, note, product(*result.axes.values()), result.variables)
    assert isinstance(result, PassTableResult)
    note = (
        "One row a pass of one vehicle, nothing else moving the air; wakes are followed for "
        f"{wake_memory(result.case):g} s."
    )
    axes = product(result.classes, result.speed_m_s, result.clearance_m, result.height_m)
    return "pass-table.csv", _states(PASS_AXES, note, axes, result.variables)


def _states(
    columns: Columns, note: str, places: Iterable[tuple[Any, ...]], variables: Mapping[str, Any]
) -> Table:
    """A row a place: its ``columns``, then the variables in the order of their elements."""
    flat = [np.asarray(v, dtype=float).reshape(-1).tolist() for v in variables.values()]
    places = list(places)

    def rows() -> Rows:
        return ((*place, *values) for place, *values in zip(places, *flat, strict=True))

    return Table({**columns, **{STATES[n].key: STATES[n] for n in variables}}, note, rows)


def _year_tables(result: YearResult) -> Iterator[tuple[str, Table]]:
    """Mounts, months and hours of a year."""
    hours, mount = result.hours, {"mount": COORDINATES["mount"]}
    own = {k: q for k, q in group("year").items() if k not in ("name", "percentiles_kwh", "load")}
    interval = own.pop("model_interval_m_s")
    ends = {
        f"model_{end}_m_s": Quantity("", "m s-1", f"{end} end: {interval.meaning}")
        for end in ("low", "high")
    }
    causes = list(result.posts[0].percentiles)
    drawn = {
        f"{cause}_{p}_kwh": Quantity("", "kW h", f"{p.upper()} of the net energy, {cause} drawn")
        for cause in causes
        for p in ("p90", "p50", "p10")
    }

    def of_posts() -> Rows:
        for post in result.posts:
            found = [getattr(post.percentiles[c], p) for c in causes for p in ("p90", "p50", "p10")]
            values = (q.of(post) for q in own.values())
            yield (post.mount.name, *values, *post.model_interval_m_s, *found)

    note = "One row a mount; energies of the hours of the record."
    yield "year-mounts.csv", Table({**mount, **own, **ends, **drawn}, note, of_posts)

    months = group("year_month")

    def of_months() -> Rows:
        for post in result.posts:
            powers = (post.with_traffic_w, post.without_traffic_w, post.net_w)
            sums = [post.monthly_kwh(power).tolist() for power in powers]
            loads = {one.month: one for one in post.load}
            for month in sorted(set(hours.month.tolist())):
                load = loads.get(month)
                asked = (None,) * 4
                if load is not None:
                    asked = (load.load_kwh, load.met_kwh, load.load_hours, load.unserved_hours)
                yield (post.mount.name, month, *(values[month - 1] for values in sums), *asked)

    yield "year-months.csv", Table({**mount, **months}, "One row a month and mount.", of_months)

    states, values = group("year_state"), group("year_hour")
    clock = {
        "time_utc": Quantity("", "1", "beginning of the hour, UTC"),
        "clock_hour": Quantity("", "h", "what the road's clock says then"),
    }

    def of_hours() -> Rows:
        times = np.datetime_as_string(hours.time_utc, unit="m").tolist()
        shared = [np.asarray(q.of(hours)).tolist() for q in states.values()]
        for post in result.posts:
            own_values = [q.of(post).tolist() for q in values.values()]
            yield from zip(
                repeat(post.mount.name), times, hours.clock_hour.tolist(), *shared, *own_values,
                strict=False,
            )  # fmt: skip

    digits = dict.fromkeys(values, ".6g") | {key: ".6g" for key in states if key != "filled"}
    yield (
        "year-hours.csv",
        Table({**mount, **clock, **states, **values}, "One row an hour.", of_hours, digits),
    )
