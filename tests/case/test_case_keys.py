"""The reference of keys against the tables themselves."""

from __future__ import annotations

import json
import re
import tomllib
from typing import Any

import pytest
from case_texts import TEXTS
from pydantic import AfterValidator, BaseModel

from wakesim.case.keys import CHECKS, explained, matching, reference
from wakesim.case.load import load_case_text
from wakesim.case.schema import CaseFile
from wakesim.case.schema_errors import models_in, unwrap
from wakesim.cli import main
from wakesim.errors import CaseError

KEYS = {key.path: key for key in matching()}


def fields(model: type[BaseModel], path: str = "") -> dict[str, Any]:
    """Every key below a model by its path, tables left out; walked apart from the reference."""
    found: dict[str, Any] = {}
    for name, field in model.model_fields.items():
        inner = list(models_in(field.annotation))
        named = ".<name>" if "dict[" in str(field.annotation) else ""
        if inner:
            found |= fields(inner[0], f"{path}{name}{named}.")
        else:
            found[path + name] = field
    return found


def test_every_key_stands_in_it_once_and_says_what_it_means() -> None:
    assert set(KEYS) == set(fields(CaseFile))
    assert len(KEYS) == len(matching()) > 150
    assert [path for path, key in KEYS.items() if len(key.meaning) < 4] == []
    assert [path for path, key in KEYS.items() if "`" in key.meaning] == []


def test_required_and_default_are_those_of_the_tables() -> None:
    assert sum(key.default.startswith("default") for key in KEYS.values()) > 60
    for path, field in fields(CaseFile).items():
        key = KEYS[path]
        assert key.required == field.is_required() == (key.default == "needed")
        value = None if key.required else field.get_default(call_default_factory=True)
        if isinstance(value, float) and key.default.startswith("default"):
            number, *unit = key.default.removeprefix("default ").split()
            assert float(number) == value
            assert " ".join(unit) == key.unit


@pytest.mark.parametrize(
    ("path", "kind", "unit", "limits"),
    [
        ("mounts.height_m", "number", "m", "above 0 m and at most 50 m"),
        ("air.wind.angle_deg", "number", "deg", "-360 to 360 deg"),
        ("compute.max_rounds", "whole number", "", "1 to 100"),
        ("traffic.flows.hourly_veh_h", "list of 24 numbers", "veh/h", "each 0 to 20000 veh/h"),
        ("traffic.flows.heavy_share", "number or list of 24 numbers", "", "0 to 1"),
        ("map.hour", 'whole number or "busiest"', "", "0 to 23"),
        ("pass_table.clearance_m", "list of 1 to 400 rising numbers", "m", "each 0.05 to 100 m"),
        ("model.open_tail", "true or false", "", ""),
        ("rotor.kind", '"drag" or "lift" or "hybrid"', "", ""),
        ("traffic.flows.light_mix", "table of numbers by name", "", "at least 0"),
    ],
)
def test_type_unit_and_range(path: str, kind: str, unit: str, limits: str) -> None:
    key = KEYS[path]
    assert (key.type, key.unit, key.range) == (kind, unit, limits)


def test_a_value_beyond_a_range_that_is_shown_is_refused_and_its_ends_are_not() -> None:
    """The ranges are those that are checked, seen through the program's own reading."""
    text = TEXTS["expressway-post.toml"]
    found = 0
    for path, key in KEYS.items():
        table, _, name = path.partition(".")
        ends = re.fullmatch(r"(\S+) to (\S+)( \S+)?", key.range)
        if table not in ("compute", "model") or key.type != "number" or ends is None:
            continue
        found += 1
        for end, beyond in ((float(ends[1]), -1.0), (float(ends[2]), 1.0)):
            base = re.sub(rf"(?m)^{name} = .*\n", "", text)
            head = "" if f"[{table}]" in base else f"\n[{table}]\n"
            line = f"{head}{name} = {{}}\n"
            whole = base.replace(f"[{table}]\n", f"[{table}]\n{line}") if not head else base + line
            load_case_text(whole.replace("{}", repr(end)), "ok")
            with pytest.raises(CaseError, match=name):
                load_case_text(whole.replace("{}", repr(end + beyond)), "bad")
    assert found >= 8


def test_every_check_by_a_function_has_its_words() -> None:
    """A new kind of value cannot be shown as plain text."""
    met = set()

    def look(annotation: Any, metadata: list[Any]) -> None:
        met.update(m.func.__name__ for m in metadata if isinstance(m, AfterValidator))
        for part in getattr(annotation, "__args__", ()):
            look(*unwrap(part))

    for field in fields(CaseFile).values():
        inner, metadata = unwrap(field.annotation)
        look(inner, [*field.metadata, *metadata])
    assert met
    assert met <= set(CHECKS)


def test_every_key_of_every_example_is_found() -> None:
    def used(table: dict[str, Any], path: str = "") -> Any:
        for name, value in table.items():
            for part in value if isinstance(value, list) else [value]:
                if isinstance(part, dict):
                    yield from used(part, f"{path}{name}.")
            yield path + name

    known = {re.sub(r"<name>", "*", path) for path in KEYS}
    tables = {re.sub(r"<name>", "*", h.table.strip("[]")) for h, _ in reference()}
    for text in TEXTS.values():
        for path in used(tomllib.loads(text)):
            starred = re.sub(r"^(vehicles|traffic\.speeds)\.[^.]+", r"\1.*", path)
            parent = starred.rpartition(".")[0]
            assert starred in known | tables or parent in known, path
            # a mix or an axis given by from, to and count is one key


@pytest.mark.parametrize(
    ("pattern", "found"),
    [
        ("air.wind.speed", {"air.wind.speed_m_s", "air.wind.speed_kmh", "air.wind.speed_mph"}),
        ("[road]", {p for p in KEYS if "road" in p}),
        ("BATTERY", {"energy.load.battery_kwh", "energy.load.battery_efficiency"}),
        ("road.*", {p for p in KEYS if p.startswith("road.")}),
        ("*_rpm", {"rotor.shaft_speed_rpm"}),
        ("?itle", {"title"}),
        ("Weibull", {"energy.wind_rose.shape", "year.sectors.shape"}),
        ("", set(KEYS)),
    ],
)
def test_patterns(pattern: str, found: set[str]) -> None:
    assert {key.path for key in matching(pattern)} == found


def test_no_match_is_one_line_with_a_guess(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["keys", "rotor_widht_m"]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count("\n") == 1
    assert "rotor_width_m" in err
    assert main(["keys", "x" * 100_000]) == 2
    assert len(capsys.readouterr().err) < 200


def test_printed_by_table_and_as_json(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["keys", "mounts"]) == 0
    out = capsys.readouterr().out
    assert out.startswith("[[mounts]]")
    assert "above 0 m and at most 50 m" in out
    assert main(["keys", "--json"]) == 0
    assert [k["name"] for k in json.loads(capsys.readouterr().out)] == [k.name for k in matching()]
    for width in (40, 80, 200):
        assert max(map(len, explained(matching(), width))) <= max(width, 80)
