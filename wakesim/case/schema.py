"""The whole case: the tables of the file, and the resolved object the program works on."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Annotated, Literal

from pydantic import Field, Strict

from wakesim.case.air import Air, AirTable, Wind
from wakesim.case.energy import ClaimTable, EnergyTable, PowerPoints, RotorTable
from wakesim.case.instrument import Instrument
from wakesim.case.mounts import Mount
from wakesim.case.road import Carriageway, Lane, Road
from wakesim.case.settings import Compute, ModelConstants, Outputs
from wakesim.case.studies import LookupTableTable, MapTable, PassTableTable
from wakesim.case.tables import Line, Table
from wakesim.case.traffic import (
    Headway,
    SinglePass,
    SinglePassTable,
    Traffic,
    TrafficState,
    TrafficTable,
    VehicleTable,
    traffic_state,
    vehicles_of_lanes,
)
from wakesim.case.vehicle import Vehicle


class CaseFile(Table):
    """A case file as written; see the example cases for a commented one of each kind.

    ``invented_data``: counts and place are made up, and every output says so.
    """

    title: Line = Field(description="one line, shown on every output")
    study: Literal[
        "traffic", "single_pass", "mounting_map", "lookup_table", "single_pass_table"
    ] = Field(
        description='"traffic", "single_pass", "mounting_map", "lookup_table" or '
        '"single_pass_table"'
    )
    invented_data: bool = False
    road: Road = Field(description="the road and its [[road.carriageways]]")
    vehicles: dict[str, VehicleTable] = Field(default_factory=dict)
    traffic: TrafficTable | None = None
    single_pass: SinglePassTable | None = None
    air: AirTable = AirTable()
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
    table: LookupTableTable | None = None
    pass_table: PassTableTable | None = None


@dataclass(frozen=True)
class Case:
    """A validated case, SI units.

    ``text`` is the file as read and ``sha256`` its digest. ``vehicles`` holds every class that
    can occur, in a fixed order and with its speed. ``traffic`` is None in studies of single passes,
    ``single_pass`` in the others; ``map``, ``table`` and ``pass_table`` are the grids of studies of
    many states. ``instrument`` matters only where a measured record is held against the case.
    ``rotor`` hangs at every mount (``power_curve``: its file, as read), ``energy`` says what its
    yield is asked for, ``claim`` holds stated figures to check. ``warnings`` lists what is allowed
    and doubtful, ``mount_warnings``, by the name of the mount, where one hangs beyond what
    the model knows.
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
    table: LookupTableTable | None = None
    pass_table: PassTableTable | None = None
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
