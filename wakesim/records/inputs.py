"""What a comparison starts from: case, record, passing log, instrument and its place."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from wakesim.air.record_times import zone
from wakesim.case.instrument import Instrument
from wakesim.case.mounts import Mount
from wakesim.case.problems import shorten
from wakesim.case.schema import Case
from wakesim.case.suggest import closest
from wakesim.errors import CaseError
from wakesim.records.anemometer import AnemometerRecord, read_anemometer
from wakesim.records.instrument import instrument_mount, read_instrument
from wakesim.records.logger_cells import ReadOptions
from wakesim.records.passing_log import PassingLog, read_passing_log
from wakesim.records.record_checks import other_instrument

_HEAD_BYTES = 65536


@dataclass(frozen=True)
class Inputs:
    """Everything a comparison needs, read and checked.

    ``mount`` is where the instrument hangs. ``hours`` (n,) is the local clock hour of each sample,
    None for a record without moments. ``notes`` says what was taken for granted,
    ``other_instrument`` why the record may be that of another one than the described, "" if not.
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
) -> Inputs:
    """Read record, log and instrument for a loaded case.

    Raises CaseError with one line for every problem.
    """
    if case.traffic is None:
        raise CaseError(
            f'{case.path}: study = "{case.study}": a record is compared with a case of traffic, '
            'study = "traffic"'
        )
    place = chosen_mount(case, mount)
    given = case.instrument if instrument_path is None else read_instrument(instrument_path)
    record = read_anemometer(
        record_path,
        road_bearing_deg=road_bearing_deg,
        mount_side=mount_side,
        options=options,
    )
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
        log = read_passing_log(passes_path, case, record, options=replace(options, header_line=0))
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
    )


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
