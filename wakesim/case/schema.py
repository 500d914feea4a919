"""The whole case: the tables of the file, and the resolved object the program works on."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import Field, Strict

from wakesim.case.air import Air, Wind
from wakesim.case.energy import ClaimTable, EnergyTable, PowerPoints, RotorTable
from wakesim.case.instrument import Instrument
from wakesim.case.messages import Problem
from wakesim.case.mounts import Mount
from wakesim.case.road import Carriageway, Lane, Road
from wakesim.case.settings import Compute, ModelConstants, Outputs
from wakesim.case.studies import GRID_STUDIES, STUDY_TABLES, MapTable, PassTable, StateTable
from wakesim.case.tables import HOURS, Line, Table, given
from wakesim.case.traffic import (
    Headway,
    SinglePass,
    SinglePassTable,
    Traffic,
    TrafficState,
    TrafficTable,
    traffic_state,
    vehicles_of_lanes,
)
from wakesim.case.vehicle import Vehicle, VehicleTable, name_trouble
from wakesim.case.year import YearTable

if TYPE_CHECKING:
    _StudyName = str
else:
    _StudyName = Literal[tuple(STUDY_TABLES)]
*_FIRST, _LAST = (f'"{name}"' for name in STUDY_TABLES)


class CaseFile(Table):
    """A case file as written; see the example cases for a commented one of each kind.

    ``invented_data``: counts and place are made up, and every output says so.
    """

    title: Line = Field(description="one line, shown on every output")
    study: _StudyName = Field(description=f"{', '.join(_FIRST)} or {_LAST}")
    invented_data: bool = False
    road: Road = Field(description="the road and its [[road.carriageways]]")
    vehicles: dict[str, VehicleTable] = Field(default_factory=dict)
    traffic: TrafficTable | None = None
    single_pass: SinglePassTable | None = None
    air: Air = Air()
    mounts: Annotated[tuple[Mount, ...], Strict(False)] = Field(
        min_length=1, description="where the rotor hangs, one table for each"
    )
    model: ModelConstants = ModelConstants()
    compute: Compute = Compute()
    outputs: Outputs = Outputs()
    instrument: Instrument | None = None
    rotor: RotorTable | None = None
    energy: EnergyTable | None = None
    claim: ClaimTable | None = None
    map: MapTable | None = None
    table: StateTable | None = None
    pass_table: PassTable | None = None
    year: YearTable | None = None

    @classmethod
    def key_rules(cls, raw: Mapping[str, Any]) -> Iterator[Problem]:
        """Tables that a study needs, one mount for a grid, names of own vehicles."""
        study = raw.get("study")
        for name in STUDY_TABLES.get(study, ()) if isinstance(study, str) else ():
            if name not in raw:
                text = f'table [{name}] is missing; study = "{study}" needs it'
                yield Problem((), text, missing=((name,),))
        mounts = raw.get("mounts")
        if study in GRID_STUDIES and isinstance(mounts, list) and len(mounts) > 1:
            text = f'study = "{study}" takes the rotor of one mount: give one [[mounts]]'
            yield Problem(("mounts", 1), text)
        for name in given(raw, "energy", "claim") if study == "traffic" else ():
            if "rotor" not in raw:
                yield Problem((name,), "needs a table [rotor]", missing=(("rotor",),))
        claim = raw.get("claim")
        if isinstance(claim, dict) and not set(claim) - {"count", "loads"}:
            text = "states nothing: give power_w, speed_m_s or another figure"
            yield Problem(("claim",), text)
        own = raw.get("vehicles")
        for name in own if isinstance(own, dict) else ():
            if trouble := name_trouble(name):
                yield Problem(("vehicles", name), trouble)

    @property
    def grid(self) -> MapTable | StateTable | PassTable | None:
        """The places and states of a study of many states."""
        grids = {"mounting_map": self.map, "lookup_table": self.table}
        return grids.get(self.study, self.pass_table if self.study in GRID_STUDIES else None)

    @property
    def hours_used(self) -> tuple[int, ...]:
        """Clock hours whose traffic is computed, in the order of the round.

        A yield and the search for the busiest hour go through the whole day.
        """
        if isinstance(self.grid, MapTable | StateTable):
            hour = self.grid.hour
            return (hour,) if isinstance(hour, int) else tuple(range(HOURS))
        return self.compute.hours if self.rotor is None else tuple(range(HOURS))

    def unused(self, vehicles: Mapping[str, Vehicle]) -> Iterator[str]:
        """Warnings of tables and own vehicles that the study leaves unused."""
        by_rotor = {
            "traffic": ("rotor", "energy", "claim"),
            "mounting_map": ("rotor",),
            "lookup_table": ("rotor",),
            "year": ("energy", "claim"),
        }
        used = (*STUDY_TABLES[self.study], *by_rotor.get(self.study, ()))
        for table in ("traffic", "single_pass", "map", "table", "pass_table", "year"):
            if table not in used and getattr(self, table) is not None:
                yield f'[{table}] is not used: the case has study = "{self.study}"'
        for name in self.vehicles:
            if name not in vehicles:
                yield f"[vehicles.{name}] is not used"
        for table in ("rotor", "energy", "claim"):
            if table not in used and getattr(self, table) is not None:
                yield f'[{table}] is not used: the case has study = "{self.study}"'


# What a case holds as its file has it.
AS_WRITTEN = (
    "title", "study", "invented_data", "road", "air", "mounts", "model", "compute", "outputs",
    "instrument", "rotor", "energy", "claim", "map", "table", "pass_table", "year",
)  # fmt: skip


@dataclass(frozen=True)
class Case:
    """A validated case, SI units.

    ``text`` is the file as read and ``sha256`` its digest. ``vehicles`` holds every class that
    can occur, in a fixed order and with its speed. ``traffic`` is None in studies of single passes,
    ``single_pass`` in the others; ``map``, ``table`` and ``pass_table`` are the grids of studies of
    many states, ``year`` the hours of one. ``instrument`` matters only where a measured record is
    held against the case. ``rotor`` hangs at every mount (``power_curve``: its file, as read),
    ``energy`` says what its yield is asked for, ``claim`` holds stated figures to check.
    ``warnings`` lists what is allowed and doubtful, ``mount_warnings``, by the name of the mount,
    where one hangs beyond what the model knows.
    """

    title: str
    study: str
    invented_data: bool
    road: Road
    vehicles: dict[str, Vehicle]
    traffic: Traffic | None
    single_pass: SinglePass | None
    air: Air
    mounts: tuple[Mount, ...]
    model: ModelConstants
    compute: Compute
    outputs: Outputs
    text: str = field(repr=False)
    path: str
    sha256: str = field(repr=False)
    warnings: list[str]
    instrument: Instrument | None = None
    rotor: RotorTable | None = None
    energy: EnergyTable | None = None
    claim: ClaimTable | None = None
    power_curve: PowerPoints | None = None
    map: MapTable | None = None
    table: StateTable | None = None
    pass_table: PassTable | None = None
    year: YearTable | None = None
    mount_warnings: dict[str, tuple[str, ...]] = field(default_factory=dict)

    def traffic_state(self, hour: int) -> TrafficState:
        """Stationary traffic of a clock hour. Raises ValueError in a single-pass study."""
        if self.traffic is None:
            raise ValueError("a single-pass study has no traffic")
        return traffic_state(self.traffic, self.road, self.vehicles, hour)

    def lane_vehicles(self) -> dict[int, list[Vehicle]]:
        """Vehicles that drive in each lane at any hour, by lane index; none without traffic."""
        if self.traffic is None:
            return {}
        return vehicles_of_lanes(self.traffic, self.road, self.vehicles)


__all__ = [
    "Air",
    "Carriageway",
    "Case",
    "CaseFile",
    "Compute",
    "Headway",
    "Instrument",
    "Lane",
    "ModelConstants",
    "Mount",
    "Outputs",
    "Road",
    "SinglePass",
    "Traffic",
    "TrafficState",
    "Vehicle",
    "Wind",
]
