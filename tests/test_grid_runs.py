"""Studies of many states from the command line: killed, resumed, failing, in several processes."""

from __future__ import annotations

import json
import os
import runpy
import signal
import subprocess
import sys
import time
from pathlib import Path

import h5py
import numpy as np
import pytest
from grid_cases import table_text

import wakesim
from wakesim.case.load import load_case_text
from wakesim.cli import main
from wakesim.errors import CaseError
from wakesim.runtime import cases_path

TEXT = table_text(
    "[table]\noffset_m = [1.2, 2.5]\nheight_m = [1.2, 2.0]\n"
    "flow_veh_h = [150, 300, 450, 600, 750, 900]\n"
)


@pytest.fixture
def case_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    path = tmp_path / "table.toml"
    path.write_text(TEXT, encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def whole() -> dict[str, bytes]:
    """Every variable of an uninterrupted run."""
    result = wakesim.run(load_case_text(TEXT, "table.toml"), workers=1)
    return {name: values.tobytes() for name, values in result.variables.items()}


def _variables(folder: Path) -> dict[str, bytes]:
    with h5py.File(folder / "table.h5") as file:
        return {name: np.array(file[name][:], float).tobytes() for name in file if name in file}


def test_killed_and_resumed_is_the_same(case_file: Path, whole: dict[str, bytes]) -> None:
    """kill -9 once a part of the table is on disk; the same command goes on from there."""
    command = [sys.executable, "-m", "wakesim", "run", str(case_file), "-o", "out", "-q"]
    process = subprocess.Popen([*command, "--workers", "1"])
    shards = case_file.parent / "out" / "shards"
    deadline = time.monotonic() + 120.0
    while not list(shards.glob("*.npz")) and process.poll() is None:
        assert time.monotonic() < deadline
        time.sleep(0.01)
    os.kill(process.pid, signal.SIGKILL)
    process.wait()
    kept = {path.name: path.stat().st_mtime_ns for path in shards.glob("*.npz")}
    assert kept
    assert not (case_file.parent / "out" / "table.h5").exists()
    assert main(command[3:]) == 0
    found = _variables(case_file.parent / "out")
    assert {name: found[name] for name in whole} == whole
    after = {path.name: path.stat().st_mtime_ns for path in shards.glob("*.npz")}
    assert {name: after[name] for name in kept} == kept  # nothing computed twice


def test_points_that_fail_are_named_and_the_rest_is_kept(
    case_file: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    import wakesim.grids

    right = wakesim.grids.compute_group

    def sometimes(group):  # type: ignore[no-untyped-def]
        if dict(group.values)["flow_veh_h"] == 600.0:
            raise FloatingPointError("no result today")
        return right(group)

    monkeypatch.setattr("wakesim.grids.compute_group", sometimes)
    assert main(["run", str(case_file), "-o", "out", "--workers", "1"]) == 1
    assert "points could not be computed" in capsys.readouterr().err
    data = json.loads(Path("out/summary.json").read_text(encoding="utf-8"))
    assert data["run"]["failed"] == len(data["failed"]) > 0
    assert "flow_veh_h = 600" in data["failed"][0]
    assert "FloatingPointError: no result today" in data["failed"][0]
    with h5py.File("out/table.h5") as file:
        speed = file["effective_speed"][:]
    assert np.isnan(speed[:, :, 3]).all()
    assert np.isfinite(np.delete(speed, 3, axis=2)).all()


def test_refinement_adds_flows_where_they_are_needed() -> None:
    text = table_text("[table]\nflow_veh_h = [50, 2000]\ntolerance = 0.004\nmost_states = 40\n")
    result = wakesim.run(load_case_text(text), workers=1)
    assert 1 <= len(result.added["flow_veh_h"]) <= 7
    assert set(result.axes["flow_veh_h"]) == {50.0, 2000.0, *result.added["flow_veh_h"]}
    assert result.interpolation.largest < 0.012
    assert not any("tolerance" in text for text in result.warnings)


def test_the_worked_example_reads_a_table(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A year of hourly counts; the sum of the cubes is done here by hand."""
    text = table_text("[table]\nheight_m = [1.5, 2.5]\nflow_veh_h = [50, 300, 800, 1900]\n")
    wakesim.run(load_case_text(text), workers=1).save(tmp_path / "out")
    path = str(tmp_path / "out" / "table.h5")
    example = runpy.run_path(str(cases_path("yearly-energy.py")))
    found = example["main"](path)
    table = wakesim.open_table(path)
    flow = example["year_of_hours"]()["flow_veh_h"]
    speed = table.effective_speed(height_m=2.2, flow_veh_h=np.clip(flow, 50.0, 1900.0))
    kwh = 0.25 * 2.0 * 0.5 * table.air_density_kg_m3 * np.sum(speed**3) / 1000.0
    assert found["kwh"] == pytest.approx(kwh)
    assert found["kwh_straight"] == pytest.approx(kwh, rel=0.08)
    assert found["kwh_least_traffic"] < 0.5 * kwh
    assert found["hours_outside"] == np.count_nonzero((flow < 50.0) | (flow > 1900.0))
    assert "Invented data" in capsys.readouterr().out


@pytest.mark.parametrize("number", ["0", "-1", "two", "1.5"])
def test_the_number_of_workers_must_be_one(number: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["run", "x.toml", "--workers", number]) == 2
    assert "must be a whole number of at least 1" in capsys.readouterr().err


def test_a_cluster_that_does_not_answer_is_one_line(case_file: Path) -> None:
    case = load_case_text(TEXT)
    with pytest.raises(CaseError, match="no scheduler answers"):
        wakesim.run(case, cluster="nowhere")


@pytest.mark.slow
def test_two_processes_give_the_same(whole: dict[str, bytes]) -> None:
    result = wakesim.run(load_case_text(TEXT, "table.toml"), workers=2)
    assert {n: v.tobytes() for n, v in result.variables.items()} == whole


@pytest.mark.slow
def test_a_cluster_gives_the_same(whole: dict[str, bytes]) -> None:
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
    ) as cluster:
        case = load_case_text(TEXT, "table.toml")
        result = wakesim.run(case, cluster=cluster.scheduler_address)
    assert {n: v.tobytes() for n, v in result.variables.items()} == whole
