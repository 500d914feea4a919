"""Whatever is done to a case file, it is a valid case or a list of lines naming the file."""

from __future__ import annotations

import copy
import tempfile
from pathlib import Path
from typing import Any

import pytest
from case_texts import NAMES, TABLES, TEXTS, document, paths_of
from hypothesis import given, settings
from hypothesis import strategies as st

from wakesim.case.load import load_case, load_case_text
from wakesim.case.schema import Case
from wakesim.cli import main
from wakesim.errors import CaseError

STRANGE: list[Any] = [
    True,
    -1,
    0,
    1,
    23,
    10**30,
    10**400,
    1e308,
    5e-324,
    -5.5,
    float("nan"),
    float("inf"),
    float("-inf"),
    "",
    "x",
    "near",
    "small_car",
    "line\nbreak \u202e é",
    [],
    [1],
    ["a"],
    [[]],
    [0.5, 0.5],
    [1.0] * 24,
    {},
    {"a": 1},
    [{}],
    {"small_car": 1},
]


def _parent(tables: dict[str, Any], path: tuple[Any, ...]) -> Any:
    for part in path[:-1]:
        tables = tables[part]
    return tables


@st.composite
def mutated(draw: st.DrawFn) -> str:
    """The text of a shipped case with one to three things deleted, renamed, copied, replaced."""
    tables = copy.deepcopy(TABLES[draw(st.sampled_from(NAMES))])
    for _ in range(draw(st.integers(1, 3))):
        paths = paths_of(tables)
        if not paths:
            break
        path = draw(st.sampled_from(paths))
        holder, key = _parent(tables, path), path[-1]
        action = draw(st.sampled_from(["delete", "rename", "copy", "replace", "scale"]))
        if action == "delete":
            del holder[key]
        elif action == "rename" and isinstance(key, str):
            holder[draw(st.sampled_from([key[:-1], key + "_m", key.upper(), "a b\n"]))] = (
                holder.pop(key)
            )
        elif action == "copy" and isinstance(key, int):
            holder.append(copy.deepcopy(holder[key]))
        elif action == "scale" and isinstance(holder[key], float):
            holder[key] *= draw(st.sampled_from([-1.0, 0.0, 0.1, 3.6, 100.0, 1e6]))
        else:
            holder[key] = copy.deepcopy(draw(st.sampled_from(STRANGE)))
    return document(tables)


def _outcome(text: str) -> Case | list[str]:
    try:
        return load_case_text(text, "dir/x.toml")
    except CaseError as error:
        return error.problems


def _well_formed(lines: list[str], name: str) -> bool:
    return bool(lines) and all(
        line.startswith((f"{name}: ", f"{name}:")) and line.isprintable() and len(line) < 500
        for line in lines
    )


@settings(max_examples=200, deadline=None)
@given(mutated())
def test_changed_tables_give_a_case_or_lines(text: str) -> None:
    outcome = _outcome(text)
    if isinstance(outcome, Case):
        if outcome.traffic is not None:
            outcome.traffic_state(7)
        for mount in outcome.mounts:
            mount.points()
    else:
        assert _well_formed(outcome, "dir/x.toml")


@settings(max_examples=80, deadline=None)
@given(st.sampled_from(NAMES), st.data())
def test_changed_bytes_give_a_case_or_lines(name: str, data: st.DataObject) -> None:
    raw = bytearray(TEXTS[name].encode())
    for _ in range(data.draw(st.integers(1, 4))):
        start = data.draw(st.integers(0, len(raw)))
        end = start + data.draw(st.sampled_from([0, 1, 2, 30]))
        raw[start:end] = data.draw(st.binary(max_size=3))
    if data.draw(st.booleans()):
        del raw[data.draw(st.integers(0, len(raw))) :]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "x.toml")
        path.write_bytes(raw)
        try:
            case: Case | list[str] = load_case(path)
        except CaseError as error:
            case = error.problems
        assert isinstance(case, Case) or _well_formed(case, str(path))


@settings(max_examples=30, deadline=None)
@given(mutated())
def test_every_problem_is_one_line_on_stderr_and_nothing_is_written(text: str) -> None:
    outcome = _outcome(text)
    if isinstance(outcome, Case):
        return
    with tempfile.TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        Path("x.toml").write_text(text, encoding="utf-8")
        lines: list[str] = []
        patch.setattr("wakesim.cli._StderrHandler.emit", lambda _, r: lines.append(r.getMessage()))
        assert main(["run", "x.toml"]) == 2
        assert lines == [line.removeprefix("dir/") for line in outcome]
        assert sorted(path.name for path in Path().iterdir()) == ["x.toml"]
