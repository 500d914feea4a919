"""The hours of a year: traffic and wind of each, as counted and measured or as a case states them.

Every hour is a case of its own (``HoursOfYear.case``), so that whatever is computed for it is what
any other study computes. Where there are no counts the flows are those of the case by clock hour
and day type, in the calendar of energy.year; where there are no winds they are drawn from the rose,
hour by hour and in spells, or the air is that of the case.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from wakesim.air import weibull
from wakesim.air.bootstrap import SHORTEST_DAYS
from wakesim.air.density import density_of, moist_air_density
from wakesim.air.record import WindRecord, filled, read_wind_record
from wakesim.air.rose import Sector, WindRose, road_angle_deg
from wakesim.arrays import Array, Index, Mask
from wakesim.case.air import OPEN_LAND, Wind
from wakesim.case.energy import EnergyTable
from wakesim.case.mounts import Mount
from wakesim.case.schema import Case
from wakesim.case.traffic import Flow, Traffic
from wakesim.case.year import YearTable
from wakesim.energy import yields
from wakesim.errors import CaseError
from wakesim.time_zones import zone
from wakesim.traffic.counts import CountRecord, CountStream, read_counts

_ROSE_YEARS = 4
SHARED_HOURS = 24 * 300  # that counts and winds must have in common
_SLOWEST, _FASTEST = 0.3, 1.5  # measured speeds over those of the case that are taken


@dataclass(frozen=True)
class Winds:
    """Winds of hours (n,): ``velocity_m_s`` (n, 2) along and across the road at the height of the
    winds, turbulence ``intensity``, ``density_kg_m3``, and which were ``filled`` in."""

    velocity_m_s: Array
    intensity: Array
    density_kg_m3: Array
    filled: Mask

    def take(self, numbers: Index) -> Winds:
        """The winds of some hours."""
        parts = (self.velocity_m_s, self.intensity, self.density_kg_m3, self.filled)
        return Winds(*(part[numbers] for part in parts))


@dataclass(frozen=True)
class HoursOfYear:
    """Traffic and winds of hours (n,) in order.

    ``time_utc`` and ``start`` are the moment at which each begins and what the road's clock says,
    ``month`` 1 to 12, ``day`` from 0, ``clock_hour`` 0 to 23. ``flow_veh_h`` (n, streams) of
    ``streams``; ``speed_factor`` (n, carriageways) on the speeds of the case. ``flow_filled``:
    hours of which a flow was filled.
    ``recorded`` are all winds of the record, from which other years are drawn, or some years of a
    rose; ``recorded_start`` are the local times of the record. None without either.
    """

    case_: Case
    time_utc: NDArray[np.datetime64]
    start: NDArray[np.datetime64]
    month: Index
    day: Index
    clock_hour: Index
    streams: tuple[CountStream, ...]
    flow_veh_h: Array
    speed_factor: Array
    flow_filled: Mask
    winds: Winds
    holidays: tuple[object, ...]
    warnings: tuple[str, ...]
    recorded: Winds | None = None
    recorded_start: NDArray[np.datetime64] | None = None

    def __len__(self) -> int:
        return int(self.start.size)

    @cached_property
    def carriageways(self) -> tuple[str, ...]:
        """Names of the carriageways, in their order."""
        return tuple(way.name for way in self.case_.road.carriageways)

    @cached_property
    def split(self) -> list[dict[tuple[int, str], float]]:
        """Of one vehicle of each stream the share by (number of the lane, class)."""
        return [_shares(self.case_, stream) for stream in self.streams]

    def counted(self, hour: int) -> dict[str, dict[tuple[int, str], float]]:
        """Vehicles an hour by carriageway, and there by (number of the lane, class)."""
        found: dict[str, dict[tuple[int, str], float]] = {name: {} for name in self.carriageways}
        for stream, shares, flow in zip(
            self.streams, self.split, self.flow_veh_h[hour], strict=True
        ):
            own = found[stream.carriageway]
            for key, share in shares.items():
                own[key] = own.get(key, 0.0) + share * float(flow)
        return found

    def case(self, hour: int, mounts: Sequence[Mount] | None = None) -> Case:
        """The case of one hour alone, at clock hour 0: its traffic, speeds and wind."""
        case = self.case_
        traffic = case.traffic
        assert traffic is not None
        counted, factors = self.counted(hour), self.speed_factor[hour]
        flows = {flow.carriageway: flow for flow in traffic.flows}
        heavy = {name for name, vehicle in case.vehicles.items() if vehicle.heavy}
        new = []
        for name, by_class in counted.items():
            if name not in flows:
                continue
            total = sum(by_class.values())
            lorries = sum(q for (_, vehicle), q in by_class.items() if vehicle in heavy)
            share = lorries / total if total > 0.0 else 0.0
            new.append(
                replace(
                    flows[name],
                    hourly_veh_h=(total,) * 24,
                    heavy_share=(share,) * 24,
                    counted=by_class,
                )
            )
        lanes = {
            name: tuple(
                float(factors[k]) * traffic.speed_factor(lane)
                for lane in case.road.lanes
                if lane.carriageway == name
            )
            for k, name in enumerate(self.carriageways)
        }
        compute = case.compute.model_copy(update={"start_hour": 0, "duration_h": 1.0})
        return replace(
            case,
            traffic=replace(traffic, flows=tuple(new), lane_speed_factor=lanes),
            air=case.air.in_wind(self.wind(hour)),
            mounts=case.mounts if mounts is None else tuple(mounts),
            compute=compute,
        )

    def wind(self, hour: int) -> Wind | None:
        """The wind of one hour, None where the air is still."""
        return wind_of(self.case_, self.winds, hour)

    @property
    def heavy_share(self) -> Array:
        """Share of heavy vehicles of all carriageways together, (n,); 0 without any vehicle."""
        total = self.flow_veh_h.sum(axis=1)
        lorries = self.flow_veh_h[:, self.heavy_streams].sum(axis=1)
        return np.divide(lorries, total, out=np.zeros(total.size), where=total > 0.0)

    @cached_property
    def heavy_streams(self) -> Mask:
        """Streams that count heavy vehicles."""
        known = self.case_.vehicles
        return np.array(
            [s.kind == "heavy" or (s.kind in known and known[s.kind].heavy) for s in self.streams],
            dtype=bool,
        )

    @property
    def all_flow_veh_h(self) -> Array:
        """Vehicles an hour on all carriageways, (n,)."""
        return np.asarray(self.flow_veh_h.sum(axis=1))

    @property
    def wind_speed_m_s(self) -> Array:
        """Wind speed at its reference height, (n,)."""
        return np.hypot(*self.winds.velocity_m_s.T)

    @property
    def wind_angle_deg(self) -> Array:
        """Direction the wind blows to, 0 along +x, -180 to 180, (n,)."""
        return np.degrees(np.arctan2(self.winds.velocity_m_s[:, 1], self.winds.velocity_m_s[:, 0]))

    @property
    def filled(self) -> Index:
        """Bit 1: a flow, bit 2: the wind was filled in, (n,)."""
        return self.flow_filled.astype(np.int64) + 2 * self.winds.filled

    @property
    def vehicles(self) -> float:
        """Vehicles in all hours together."""
        return float(self.flow_veh_h.sum())


def wind_of(case: Case, winds: Winds, hour: int) -> Wind | None:
    """A wind by its number, with height and profile of the case's."""
    along, across = map(float, winds.velocity_m_s[hour])
    speed = math.hypot(along, across)
    if speed == 0.0:
        return None
    changes = {
        "speed_m_s": speed,
        "angle_deg": math.degrees(math.atan2(across, along)),
        "turbulence_intensity": float(winds.intensity[hour]),
    }
    return (case.air.wind or OPEN_LAND).model_copy(update=changes)


def _shares(case: Case, stream: CountStream) -> dict[tuple[int, str], float]:
    """Where one counted vehicle of a stream drives and what it is."""
    traffic = case.traffic
    assert traffic is not None
    flow = next(flow for flow in traffic.flows if flow.carriageway == stream.carriageway)
    heavy = stream.kind == "heavy"
    mix = flow.heavy_mix if heavy else flow.light_mix
    if stream.kind not in ("light", "heavy"):
        mix, heavy = {stream.kind: 1.0}, case.vehicles[stream.kind].heavy
    lanes = flow.heavy_lane_share if heavy else flow.light_lane_share
    by_lane = {k + 1: share for k, share in enumerate(lanes)}
    if stream.lane is not None:
        by_lane = {stream.lane: 1.0}
    return {
        (lane, vehicle): share * part
        for lane, share in by_lane.items()
        for vehicle, part in mix.items()
        if share * part > 0.0
    }


# --- from files and case --------------------------------------------------------------------------


def year_table(case: Case) -> YearTable:
    """The case's [year]. Raises ValueError when it has none."""
    if case.year is None:
        raise ValueError("the case has no year")
    return case.year


def hours_of_year(case: Case) -> HoursOfYear:
    """The hours of the case's [year], its files read.

    Raises CaseError, a line a problem, for files that are wrong or share too few hours.
    """
    table, traffic = year_table(case), case.traffic
    assert traffic is not None
    record = None
    if table.winds is not None:
        record = read_wind_record(
            table.beside(case.path, table.winds), time_zone=table.time_zone,
            max_missing_share=table.most_missing_share,
        )  # fmt: skip
    if table.counts is None:
        hours = _stated_hours(case, table)
    else:
        ways = {way.name: way.lanes for way in case.road.carriageways}
        counts = read_counts(
            table.beside(case.path, table.counts), ways, list(case.vehicles),
            time_zone=table.time_zone, max_missing_share=table.most_missing_share,
        )  # fmt: skip
        hours = _counted_hours(case, table, counts)
    if record is not None:
        return _with_record(hours, case, table, record)
    return _without_record(case, table, hours)


def _still(case: Case, n: int) -> Winds:
    none = np.zeros(n)
    return Winds(np.zeros((n, 2)), none, np.full(n, density_of(case.air)), np.zeros(n, dtype=bool))


def _local(time_utc: NDArray[np.datetime64], time_zone: str) -> tuple[Index, ...]:
    """Month, day from 0, clock hour of moments on the road's clock, and the clock itself."""
    from datetime import datetime

    place = zone(time_zone)
    moments = [datetime.fromtimestamp(m, place) for m in time_utc.astype(np.int64).tolist()]
    first = moments[0].date().toordinal()
    month = np.array([m.month for m in moments])
    day = np.array([m.date().toordinal() - first for m in moments])
    hour = np.array([m.hour for m in moments])
    clock = np.array([m.replace(tzinfo=None) for m in moments], dtype="datetime64[s]")
    return month, day, hour, clock


def _counted_hours(case: Case, table: YearTable, counts: CountRecord) -> HoursOfYear:
    month, day, hour, clock = _local(counts.time_utc, table.time_zone)
    names = [way.name for way in case.road.carriageways]
    known = {flow.carriageway for flow in case.traffic.flows} if case.traffic else set()
    for stream in counts.streams:
        if stream.carriageway not in known:
            raise CaseError(
                f"{table.counts}: carriageway = {stream.carriageway}: has no [[traffic.flows]] in "
                "the case, which says what its vehicles are"
            )
    hours = HoursOfYear(
        case_=case,
        time_utc=counts.time_utc,
        start=clock,
        month=month,
        day=day,
        clock_hour=hour,
        streams=counts.streams,
        flow_veh_h=counts.flow_veh_h,
        speed_factor=np.ones((clock.size, len(names))),
        flow_filled=counts.filled,
        winds=_still(case, clock.size),
        holidays=counts.holidays,
        warnings=counts.warnings,
    )
    if counts.speed_m_s is None:
        return hours
    return replace(hours, speed_factor=_speed_factors(case, counts, names))


def _speed_factors(case: Case, counts: CountRecord, names: list[str]) -> Array:
    """Measured mean speeds over those of the case, by hour and carriageway, weighed by the flows
    of the streams; 1 where nothing was measured."""
    assert counts.speed_m_s is not None
    state = case.traffic_state(0)
    kinds = list(case.vehicles)
    usual = []
    for stream in counts.streams:
        weight = speed = 0.0
        for (number, vehicle), share in _shares(case, stream).items():
            lane = next(
                k
                for k, lane in enumerate(case.road.lanes)
                if (lane.carriageway, lane.number) == (stream.carriageway, number)
            )
            weight += share
            speed += share * float(state.mean_speed_m_s[lane, kinds.index(vehicle)])
        usual.append(speed / weight)
    ratio = counts.speed_m_s / np.array(usual)
    weight = np.where(np.isfinite(ratio), np.maximum(counts.flow_veh_h, 1e-9), 0.0)
    out = np.ones((len(ratio), len(names)))
    for k, name in enumerate(names):
        mine = [i for i, stream in enumerate(counts.streams) if stream.carriageway == name]
        total = weight[:, mine].sum(axis=1)
        summed = (np.where(np.isfinite(ratio), ratio, 0.0) * weight)[:, mine].sum(axis=1)
        out[:, k] = np.divide(summed, total, out=np.ones(len(ratio)), where=total > 0.0)
    return np.clip(out, _SLOWEST, _FASTEST)


def _stated_hours(case: Case, table: YearTable) -> HoursOfYear:
    """The calendar of energy.year, with the flows of the case by clock hour and day type."""
    energy, traffic = case.energy or EnergyTable(), case.traffic
    assert traffic is not None
    calendar = yields.year_hours(energy.year)
    days = (
        (1.0, 1.0),
        (energy.saturday_flow, energy.saturday_heavy),
        (energy.sunday_flow, energy.sunday_heavy),
    )
    streams, columns = [], []
    for flow in traffic.flows:
        light, heavy = _by_day(flow, traffic, days)
        for kind, values in (("light", light), ("heavy", heavy)):
            if values.any():
                streams.append(CountStream(flow.carriageway, None, kind))
                columns.append(values[calendar.day_type, calendar.hour])
    n = calendar.hour.size
    start = np.datetime64(f"{energy.year}-01-01T00", "s") + np.arange(n) * np.timedelta64(3600, "s")
    return HoursOfYear(
        case_=case,
        time_utc=start,
        start=start,
        month=calendar.month,
        day=calendar.day,
        clock_hour=calendar.hour,
        streams=tuple(streams),
        flow_veh_h=np.column_stack(columns) if columns else np.zeros((n, 0)),
        speed_factor=np.ones((n, len(case.road.carriageways))),
        flow_filled=np.zeros(n, dtype=bool),
        winds=_still(case, n),
        holidays=(),
        warnings=(),
    )


def _by_day(
    flow: Flow, traffic: Traffic, days: Sequence[tuple[float, float]]
) -> tuple[Array, Array]:
    """Light and heavy vehicles an hour, (days, 24) each."""
    light, heavy = [], []
    for factor, more in days:
        on = next(
            f for f in traffic.on_day(factor, more).flows if f.carriageway == flow.carriageway
        )
        total, share = np.array(on.hourly_veh_h), np.array(on.heavy_share)
        light.append(total * (1.0 - share))
        heavy.append(total * share)
    return np.array(light), np.array(heavy)


def _without_record(case: Case, table: YearTable, hours: HoursOfYear) -> HoursOfYear:
    """The hours in the air of the case, or in winds of its rose: spells of equal length in drawn
    order, the rose's winds evenly; as many years more to draw other years from."""
    n = len(hours)
    winds = _still(case, n)
    if table.sectors:
        energy = case.energy or EnergyTable()
        rng = np.random.default_rng([case.traffic.seed if case.traffic else 0, 1])
        spell = max(1, round(energy.wind_spell_h))
        spells = -(-n // spell)
        speed, from_deg = rose_of(table).spread(spells)
        velocity = _velocity(table, speed, from_deg)
        orders = [rng.permutation(spells) for _ in range(_ROSE_YEARS)]
        many = np.concatenate([np.repeat(velocity[order], spell, axis=0)[:n] for order in orders])
        recorded = Winds(
            many,
            np.full(len(many), table.turbulence_intensity),
            np.full(len(many), density_of(case.air)),
            np.zeros(len(many), dtype=bool),
        )
        return replace(hours, winds=recorded.take(np.arange(n)), recorded=recorded)
    if case.air.wind is None:
        return replace(hours, winds=winds)
    wind, z = case.air.wind, case.mounts[0].height_m
    angle = math.radians(wind.angle_deg)
    velocity = wind.speed_m_s * np.array([math.cos(angle), math.sin(angle)])
    winds = replace(
        winds,
        velocity_m_s=np.tile(velocity, (n, 1)),
        intensity=np.full(n, wind.intensity(z)),
    )
    return replace(hours, winds=winds)


def rose_of(table: YearTable) -> WindRose:
    """The rose of the case's sectors."""
    sectors = [
        Sector(
            s.from_deg, s.share, s.mean_speed_m_s / float(weibull.moment(1, 1.0, s.shape)), s.shape
        )
        for s in table.sectors
    ]
    total = sum(s.frequency for s in sectors)
    return WindRose(tuple(replace(s, frequency=s.frequency / total) for s in sectors))


def _velocity(table: YearTable, speed: Array, from_deg: Array) -> Array:
    """Along and across the road, (n, 2) m/s; calm without a direction is still."""
    assert table.road_heading_deg is not None
    angle = np.radians(road_angle_deg(from_deg, table.road_heading_deg, table.verge))
    velocity = np.column_stack([speed * np.cos(angle), speed * np.sin(angle)])
    return np.where(np.isfinite(velocity), velocity, 0.0)


def winds_of_record(
    case: Case, table: YearTable, record: WindRecord
) -> tuple[Winds, Array, list[str]]:
    """Winds of every hour from the first to the last of a record, the times at which they begin,
    and what was filled in."""
    whole = filled(record)
    intensity = np.full(whole.speed_m_s.size, table.turbulence_intensity)
    measured = whole.turbulence_intensity
    if measured is not None:
        intensity = np.where(np.isfinite(measured), np.clip(measured, 0.0, 1.0), intensity)
    density = np.full(whole.speed_m_s.size, density_of(case.air))
    if whole.temperature_c is not None and case.air.pressure_pa is not None:
        warm = np.where(
            np.isfinite(whole.temperature_c), whole.temperature_c, case.air.temperature_c
        )
        density = moist_air_density(warm, case.air.pressure_pa, case.air.relative_humidity)
    winds = Winds(
        _velocity(table, whole.speed_m_s, whole.from_deg), intensity, density, whole.filled
    )
    holes = int(np.count_nonzero(whole.filled))
    told = []
    if holes:
        told.append(
            f"{table.winds}: {holes} of {whole.filled.size} hours without a wind are filled in: "
            "gaps up to 3 h between their ends, longer ones by the same hour of the nearest day"
        )
    return winds, whole.time_utc, told


def _with_record(
    hours: HoursOfYear, case: Case, table: YearTable, record: WindRecord
) -> HoursOfYear:
    """The hours with the winds of the record: at the same moments where it has them, else at the
    same clock hours of the year."""
    winds, time_utc, told = winds_of_record(case, table, record)
    if table.years and time_utc.size < 24 * SHORTEST_DAYS:
        raise CaseError(
            f"{table.winds}: spans {time_utc.size / 24:.0f} days: must be at least "
            f"{SHORTEST_DAYS} days to draw other years from; give year.years = 0 to draw none"
        )
    clock = _local(time_utc, table.time_zone)[3]
    number = {moment: k for k, moment in enumerate(clock.astype(np.int64).tolist())}
    wanted = hours.start.astype(np.int64).tolist()
    found = np.array([number.get(moment, -1) for moment in wanted])
    keep = found >= 0
    if table.counts is not None and keep.sum() < SHARED_HOURS:
        found = _same_season(hours.start, clock)
        keep = np.ones(len(hours), dtype=bool)
        told.append(
            "counts and winds are not of the same time: each hour has the wind of the same clock "
            "hour and day of the year in the record, so weather and traffic count as independent"
        )
    elif table.counts is None:
        found = _same_season(hours.start, clock)
        keep = np.ones(len(hours), dtype=bool)
    lost = int(np.count_nonzero(~keep))
    if lost:
        told.append(f"{lost} of {len(hours)} hours have counts and no wind and are left out")
    picked = np.flatnonzero(keep)
    return replace(
        hours,
        time_utc=hours.time_utc[picked],
        start=hours.start[picked],
        month=hours.month[picked],
        day=hours.day[picked],
        clock_hour=hours.clock_hour[picked],
        flow_veh_h=hours.flow_veh_h[picked],
        speed_factor=hours.speed_factor[picked],
        flow_filled=hours.flow_filled[picked],
        winds=winds.take(found[picked]),
        warnings=(*hours.warnings, *told),
        recorded=winds,
        recorded_start=clock,
    )


def _same_season(start: NDArray[np.datetime64], clock: NDArray[np.datetime64]) -> Index:
    """Of each hour the one of the record with the same clock hour, nearest in the year."""
    key, known = hour_of_year(start), hour_of_year(clock)
    order = np.argsort(known, kind="stable")
    place = np.clip(np.searchsorted(known[order], key), 0, order.size - 1)
    before = np.maximum(place - 1, 0)
    nearer = np.abs(known[order][before] - key) < np.abs(known[order][place] - key)
    chosen = np.where(nearer, before, place)
    return order[chosen]


def hour_of_year(clock: NDArray[np.datetime64]) -> Index:
    """Hours since the start of the year, (n,)."""
    year = clock.astype("datetime64[Y]")
    return ((clock - year.astype("datetime64[s]")) // np.timedelta64(3600, "s")).astype(np.int64)
