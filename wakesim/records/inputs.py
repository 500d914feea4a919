"""What a comparison starts from: case, record, passing log, instrument and its place."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from wakesim.case.instrument import Instrument
from wakesim.case.mounts import Mount
from wakesim.case.schema import Case
from wakesim.errors import CaseError, closest, one_line, shorten
from wakesim.records.ambient_mast import AmbientMast, known_at
from wakesim.records.anemometer import AnemometerRecord, other_instrument, read_anemometer
from wakesim.records.instrument import SPEED_ONLY, instrument_mount, read_instrument
from wakesim.records.logger import ReadOptions
from wakesim.records.passing_log import PassingLog, read_passing_log
from wakesim.time_zones import zone

_HEAD_BYTES = 65536
_MAST_M = 3.0  # height of an ambient mast where nothing is said
_LOWEST_MAST_M, _HIGHEST_MAST_M = 0.5, 200.0


@dataclass(frozen=True)
class Anemometer:
    """An anemometer's record with the log on its clock, and where and what it was."""

    record: AnemometerRecord
    log: PassingLog
    mount: Mount
    instrument: Instrument


@dataclass(frozen=True)
class Beside:
    """What may be given beside a record: a second anemometer and an ambient mast (paths).

    The second one hangs at ``second_mount``, or where its [instrument] says.
    """

    second: str | None = None
    second_instrument: str | None = None
    second_mount: str | None = None
    mast: str | None = None
    mast_height_m: float | None = None


@dataclass(frozen=True)
class Inputs:
    """Everything a comparison needs, read and checked.

    ``mount`` is where the instrument hangs. ``hours`` (n,) is the local clock hour of each sample,
    None for a record without moments. ``notes`` says what was taken for granted,
    ``other_instrument`` why the record may be that of another one than the described, "" if not.
    ``second`` is an anemometer at another height, ``mast`` one out of the traffic's reach.
    """

    case: Case
    record: AnemometerRecord
    log: PassingLog | None
    mount: Mount
    instrument: Instrument
    hours: NDArray[np.int64] | None
    invented: bool
    notes: tuple[str, ...]
    other_instrument: str = ""
    second: Anemometer | None = None
    mast: AmbientMast | None = None

    @property
    def first(self) -> Anemometer:
        """The anemometer of the main record; needs a log."""
        assert self.log is not None
        return Anemometer(self.record, self.log, self.mount, self.instrument)


def read_inputs(
    case: Case,
    record_path: str | os.PathLike[str],
    *,
    passes_path: str | os.PathLike[str] | None = None,
    instrument_path: str | os.PathLike[str] | None = None,
    mount: str | None = None,
    road_bearing_deg: float | None = None,
    mount_side: Literal["left", "right"] = "left",
    options: ReadOptions = ReadOptions(),  # noqa: B008
    beside: Beside = Beside(),
) -> Inputs:
    """Read record, log and instrument for a loaded case, and what is given ``beside`` them.

    Raises CaseError with one line for every problem.
    """
    if case.traffic is None:
        raise CaseError(
            f'{case.path}: study = "{case.study}": a record is compared with a case of traffic, '
            'study = "traffic"'
        )
    place = chosen_mount(case, mount)
    given = case.instrument if instrument_path is None else read_instrument(instrument_path)

    def read(path: str | os.PathLike[str], options: ReadOptions) -> AnemometerRecord:
        return read_anemometer(
            path, road_bearing_deg=road_bearing_deg, mount_side=mount_side, options=options
        )

    record = read(record_path, options)
    others = replace(options, header_line=0)
    notes, doubt = [], ""
    if given is not None:
        has_both = record.u_m_s is not None and record.v_m_s is not None
        doubt = other_instrument(record.speed_m_s, record.dt_s, has_both, given)
    if given is None:
        given = Instrument(kind="other", averaging_s=round(record.dt_s, 6))
        notes.append(
            "no [instrument] is described: each value is taken as the mean over the step of "
            f"{record.dt_s:.3g} s that ends at its time, without noise"
        )
    if passes_path is None:
        log = None
    else:
        log = read_passing_log(passes_path, case, record, options=others)
    hours, note = _local_hours(record, options.time_zone)
    return Inputs(
        case=case,
        record=record,
        log=log,
        mount=instrument_mount(given, place),
        instrument=given,
        hours=hours,
        invented=case.invented_data or _says_invented(record_path),
        notes=(*notes, *note),
        other_instrument=doubt,
        second=_second(beside, case, place, given, read, passes_path, others),
        mast=_mast(beside, case, record, read, others),
    )


Read = Callable[[str, ReadOptions], AnemometerRecord]


def _second(
    beside: Beside,
    case: Case,
    place: Mount,
    first: Instrument,
    read: Read,
    passes_path: str | os.PathLike[str] | None,
    options: ReadOptions,
) -> Anemometer | None:
    """The second anemometer; the log is laid on its own clock."""
    if beside.second is None:
        return None
    if passes_path is None:
        raise CaseError("--second needs a passing log (--passes): the profile is that of wakes")
    mount = chosen_mount(case, beside.second_mount) if beside.second_mount else place
    instrument = first.model_copy(update={"height_m": None, "offset_m": None})
    if beside.second_instrument is not None:
        instrument = read_instrument(beside.second_instrument)
    mount = instrument_mount(instrument, mount)
    if mount.height_m == instrument_mount(first, place).height_m:
        raise CaseError(
            f"{one_line(beside.second)}: both anemometers are at {mount.height_m:g} m: say with "
            "height_m in --second-instrument, or with --second-mount, where the second one is"
        )
    record = read(beside.second, options)
    log = read_passing_log(passes_path, case, record, options=options)
    if record.u_m_s is None or instrument.kind in SPEED_ONLY:
        raise CaseError(f"{record.path}: a second record needs u_m_s and v_m_s")
    return Anemometer(record, log, mount, instrument)


def _mast(
    beside: Beside, case: Case, record: AnemometerRecord, read: Read, options: ReadOptions
) -> AmbientMast | None:
    """The ambient mast on the clock of the record."""
    if beside.mast is None:
        return None
    wind = case.air.wind
    height = beside.mast_height_m
    if height is None:
        height = _MAST_M if wind is None else wind.reference_height_m
    if not _LOWEST_MAST_M <= height <= _HIGHEST_MAST_M:
        raise CaseError(
            f"--ambient-height = {height:g} m: must be at least {_LOWEST_MAST_M:g} m and at most "
            f"{_HIGHEST_MAST_M:g} m"
        )
    mast = read(beside.mast, options)
    if mast.u_m_s is None:
        raise CaseError(
            f"{mast.path}: an ambient mast needs u_m_s and v_m_s, or speed and direction with "
            "--road-bearing"
        )
    if (mast.start is None) != (record.start is None):
        raise CaseError(
            f"{mast.path}: the times of record and ambient mast must be of one kind: both dates "
            "and times, or both time_s"
        )
    found = AmbientMast(mast, height, mast.ahead_of(record))
    if not known_at(found, record.time_s).any():
        raise CaseError(f"{mast.path}: the ambient mast has no samples during the record")
    return found


def chosen_mount(case: Case, name: str | None) -> Mount:
    """The mount of that name, or the only one. Raises CaseError."""
    names = [mount.name for mount in case.mounts]
    if name is None:
        if len(names) == 1:
            return case.mounts[0]
        listed = ", ".join(names)
        raise CaseError(
            f"{case.path}: has {len(names)} mounts: say with --mount beside which of them the "
            f"anemometer stood: {listed}"
        )
    for mount in case.mounts:
        if mount.name == name:
            return mount
    guess = closest(name, names)
    hint = f"did you mean '{guess}'?" if guess else f"one of {', '.join(names)}"
    raise CaseError(f"{case.path}: has no mount '{shorten(name)}'; {hint}")


def _head(path: str | os.PathLike[str]) -> str:
    with Path(path).open("rb") as file:
        return file.read(_HEAD_BYTES).decode("utf-8", errors="replace")


def _says_invented(path: str | os.PathLike[str]) -> bool:
    """Whether a comment line of the file calls its data invented."""
    comments = [line for line in _head(path).splitlines() if line.startswith("#")]
    return any("invented" in line.casefold() for line in comments)


def _local_hours(
    record: AnemometerRecord, time_zone: str | None
) -> tuple[NDArray[np.int64] | None, Sequence[str]]:
    """Clock hour of each sample at the place, (n,), and what was assumed for it."""
    if record.start is None:
        return None, ()
    note: Sequence[str] = ()
    if time_zone is not None:
        start = record.start.astimezone(zone(time_zone))
    else:
        start = record.start + timedelta(minutes=record.offset_min or 0)
        if not record.offset_min:
            note = (
                "the record's times are in UTC and taken as the place's clock hours; say the time "
                "zone if they differ",
            )
    seconds = start.hour * 3600.0 + start.minute * 60.0 + start.second
    return np.floor((seconds + record.time_s) / 3600.0).astype(np.int64) % 24, note


def with_invented(case: Case, invented: bool) -> Case:
    """The case marked as one of invented data where the record says so."""
    return replace(case, invented_data=case.invented_data or invented)
