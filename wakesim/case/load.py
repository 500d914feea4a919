"""Loading a case: every problem of the file found at once, then one immutable object."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from pydantic import TypeAdapter, ValidationError

from wakesim.case.air import AirTable, air_key_problems, wind_problems
from wakesim.case.build import build_case
from wakesim.case.energy import energy_key_problems
from wakesim.case.instrument import instrument_key_problems
from wakesim.case.messages import Problem, render
from wakesim.case.mounts import (
    Mount,
    mount_problems,
    wall_key_problems,
)
from wakesim.case.reading import parse, read_text
from wakesim.case.road import Road, road_key_problems, road_problems
from wakesim.case.schema import Case, CaseFile
from wakesim.case.schema_errors import explain
from wakesim.case.studies import PassTableTable
from wakesim.case.study_rules import pass_table_problems, study_key_problems
from wakesim.case.traffic import (
    FlowTable,
    SinglePassTable,
    TrafficTable,
    VehicleTable,
    flow_problems,
    single_pass_key_problems,
    single_pass_problems,
    speed_problems,
    traffic_key_problems,
)
from wakesim.case.vehicle import Vehicle, aliases, catalogue, vehicle_problems
from wakesim.errors import CaseError, one_line


def load_case(path: str | os.PathLike[str]) -> Case:
    """The case in a TOML file.

    Raises CaseError with one line for every problem: file, line, key, value, what is allowed.
    """
    return load_case_text(read_text(path), os.fsdecode(path))


def load_case_text(text: str, name: str = "<text>") -> Case:
    """The case in a TOML text; ``name`` stands in messages where a file name would.

    Raises CaseError as ``load_case`` does.
    """
    source = one_line(name)
    text = text.replace("\r\n", "\n")
    if not text.strip():
        raise CaseError(f"{source}: is empty; 'wakesim new' writes a case to start from")
    raw, lines = parse(text, source)
    file, problems = _validate(raw)
    tables = _salvage(raw, file)
    problems += _key_problems(raw)
    known, vehicle_trouble = _known_vehicles(tables.vehicles)
    problems += vehicle_trouble
    problems += _rule_problems(raw, tables, known)
    if file is not None and not problems:
        case, problems = build_case(file, known, text, name)
        if not problems:
            return case
    raise CaseError(render(problems, source, lines))


@dataclass(frozen=True)
class _Tables:
    """The parts of a file that are valid on their own; lists keep their positions."""

    road: Road | None
    vehicles: Mapping[str, VehicleTable]
    traffic: TrafficTable | None
    flows: Mapping[int, FlowTable]
    single_pass: SinglePassTable | None
    air: AirTable | None
    mounts: Mapping[int, Mount]
    pass_table: PassTableTable | None


def _validate(raw: dict[str, Any]) -> tuple[CaseFile | None, list[Problem]]:
    try:
        return CaseFile.model_validate(raw), []
    except ValidationError as error:
        details = error.errors(include_url=False, include_input=False)
        return None, explain(details, raw, CaseFile)


def _salvage(raw: dict[str, Any], file: CaseFile | None) -> _Tables:
    """Whatever is valid in itself, so that rules between tables are checked as far as possible."""
    if file is not None:
        flows = file.traffic.flows if file.traffic else ()
        return _Tables(
            file.road,
            file.vehicles,
            file.traffic,
            dict(enumerate(flows)),
            file.single_pass,
            file.air,
            dict(enumerate(file.mounts)),
            file.pass_table,
        )
    traffic = raw.get("traffic")
    raw_flows = traffic.get("flows") if isinstance(traffic, dict) else None
    raw_vehicles = raw.get("vehicles")
    return _Tables(
        road=_valid(Road, raw.get("road")),
        vehicles=_valid_items(
            VehicleTable, raw_vehicles.items() if isinstance(raw_vehicles, dict) else ()
        ),
        traffic=_valid(TrafficTable, traffic),
        flows=_valid_items(FlowTable, _numbered(raw_flows)),
        single_pass=_valid(SinglePassTable, raw.get("single_pass")),
        air=_valid(AirTable, raw.get("air")),
        mounts=_valid_items(Mount, _numbered(raw.get("mounts"))),
        pass_table=_valid(PassTableTable, raw.get("pass_table")),
    )


def _valid(kind: Any, value: Any) -> Any:
    try:
        return TypeAdapter(kind).validate_python(value)
    except ValidationError:
        return None


def _valid_items(kind: Any, items: Any) -> dict[Any, Any]:
    checked = {key: _valid(kind, value) for key, value in items}
    return {key: value for key, value in checked.items() if value is not None}


def _numbered(values: Any) -> Any:
    return enumerate(values) if isinstance(values, list) else ()


def _key_problems(raw: dict[str, Any]) -> Iterator[Problem]:
    """Keys that need or exclude each other, found even where values are wrong."""
    yield from study_key_problems(raw)
    yield from road_key_problems(raw.get("road"))
    yield from traffic_key_problems(raw.get("traffic"))
    yield from single_pass_key_problems(raw.get("single_pass"))
    yield from air_key_problems(raw.get("air"))
    yield from wall_key_problems(raw.get("mounts"))
    yield from instrument_key_problems(raw.get("instrument"))
    yield from energy_key_problems(raw)
    own = raw.get("vehicles")
    for name in own if isinstance(own, dict) else ():
        if trouble := _name_trouble(name):
            yield Problem(("vehicles", name), trouble)


def _known_vehicles(own: Mapping[str, VehicleTable]) -> tuple[dict[str, Vehicle], list[Problem]]:
    """The catalogue and the valid own vehicles, and what is wrong with the others."""
    known, problems = catalogue(), []
    for name, table in own.items():
        if _name_trouble(name):
            continue
        values = table.model_dump() | {"name": name, "label": table.label or ""}
        trouble = vehicle_problems(values | {"mean_speed_m_s": None, "speed_sd_m_s": 0.0})
        for key, text in trouble:
            problems.append(Problem(("vehicles", name, key), text, about=("vehicles", name)))
        if not trouble:
            known[name] = Vehicle(**values)
    return known, problems


def _name_trouble(name: str) -> str:
    """Why an own vehicle cannot have this name; empty when it can."""
    if name in catalogue() or name in aliases():
        return "the catalogue has a vehicle of this name; choose another one"
    # "ambient" is the part of the result that no vehicle causes.
    if not name.isidentifier() or name == "ambient" or len(name) > 40:
        return "a vehicle's name must be letters, digits and '_' (not 'ambient'), 40 at most"
    return ""


def _rule_problems(
    raw: dict[str, Any], tables: _Tables, known: Mapping[str, Vehicle]
) -> Iterator[Problem]:
    """Rules between tables, as far as the tables are valid."""
    # An own vehicle that is itself wrong must not be reported as unknown as well.
    own = raw.get("vehicles")
    named = dict(known)
    stand_in = next(iter(known.values()))
    for name in own if isinstance(own, dict) else ():
        named.setdefault(name, stand_in)
    if tables.road is not None:
        yield from road_problems(tables.road)
    yield from flow_problems(tables.flows, tables.road, named)
    if tables.traffic is not None:
        yield from speed_problems(tables.traffic, tables.road, named)
    if tables.single_pass is not None:
        yield from single_pass_problems(tables.single_pass, tables.road, named)
    if tables.pass_table is not None:
        yield from pass_table_problems(tables.pass_table, named)
    if tables.air is not None:
        yield from wind_problems(tables.air, tables.mounts)
    yield from mount_problems(tables.mounts, tables.road)
