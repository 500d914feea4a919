"""Studies of many states from the command line: killed, resumed, failing, in several processes."""

from __future__ import annotations

import json
import os
import re
import runpy
import signal
import subprocess
import sys
import textwrap
import time
from pathlib import Path

import h5py
import numpy as np
import pytest
from grid_cases import quick, table_text

import wakesim
from wakesim.case.load import load_case_text
from wakesim.cli import main
from wakesim.errors import CaseError
from wakesim.runtime import cases_path
from wakesim.studies import lookup_table

TEXT = quick(
    table_text(
        "[table]\noffset_m = [1.2, 2.5]\nheight_m = [1.2, 2.0]\n"
        "flow_veh_h = [150, 300, 450, 600, 750, 900]\n"
    )
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
    right = lookup_table.state_after

    def sometimes(group, start):  # type: ignore[no-untyped-def]
        if dict(group.values)["flow_veh_h"] == 600.0:
            raise FloatingPointError("no result today")
        return right(group, start)

    monkeypatch.setattr("wakesim.studies.lookup_table.state_after", sometimes)
    assert main(["run", str(case_file), "-o", "out", "--workers", "1"]) == 1
    assert "points could not be computed" in capsys.readouterr().err
    assert "no result today" in Path("out/failures.csv").read_text(encoding="utf-8")
    data = json.loads(Path("out/summary.json").read_text(encoding="utf-8"))
    assert data["run"]["failed"] == len(data["failed"]) > 0
    assert "flow_veh_h = 600" in data["failed"][0]
    assert "FloatingPointError: no result today" in data["failed"][0]
    with h5py.File("out/table.h5") as file:
        speed = file["effective_speed"][:]
    assert np.isnan(speed[:, :, 3]).all()
    assert np.isfinite(np.delete(speed, 3, axis=2)).all()


def test_refinement_adds_flows_where_they_are_needed() -> None:
    body = "[table]\nflow_veh_h = [50, 2000]\ntolerance = 0.002\nmost_states = 40\n"
    text = quick(table_text(body))
    shares: list[float] = []
    result = wakesim.run(load_case_text(text), lambda share, _: shares.append(share), workers=1)
    assert shares == sorted(shares)  # never backwards, round after round
    assert len({round(share, 2) for share in shares}) >= 5
    assert 1 <= len(result.added["flow_veh_h"]) <= 7
    assert set(result.axes["flow_veh_h"]) == {50.0, 2000.0, *result.added["flow_veh_h"]}
    assert result.interpolation.largest < 0.006
    assert not any("tolerance" in text for text in result.warnings)


def test_what_a_large_table_needs_is_told_before_anything_is_computed(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """A million states: memory at once, time with the first of them, then the rest."""
    monkeypatch.chdir(tmp_path)
    axes = "offset_m = [1.2, 1.5, 1.8, 2.0]\nheight_m = [1.4, 2.2, 3.5]\n"
    axes += f"flow_veh_h = {[50 + 5 * k for k in range(350)]}\n"
    axes += f"speed_factor = [0.8, 1.0, 1.15]\nheavy_share = {[0.01 * k for k in range(80)]}\n"
    Path("big.toml").write_text(
        table_text(f"[table]\nmost_states = 2000000\n{axes}"), encoding="utf-8"
    )

    def stopped(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("wakesim.studies.lookup_table.state_groups", stopped)
    assert main(["run", "big.toml"]) == 130
    printed, interrupted = capsys.readouterr().err.splitlines()
    assert interrupted == "interrupted"
    assert "1008000 states" in printed
    gigabytes = float(re.search(r"about (\S+) GB", printed)[1])
    assert 0.3 < gigabytes < 3.0
    assert main(["run", "big.toml", "-q"]) == 130
    assert capsys.readouterr().err == "interrupted\n"


@pytest.mark.slow
def test_the_memory_that_is_told_is_what_a_table_needs(tmp_path: Path) -> None:
    """A table of 0.3 million states whose values cost nothing, computed and written."""
    code = textwrap.dedent("""
        import resource, sys
        from pathlib import Path
        import numpy as np
        from grid_cases import quick, table_text
        from wakesim.case.load import load_case_text
        from wakesim.progress import silent
        from wakesim.studies import lookup_table
        from wakesim.studies.registry import Options

        def free(group):
            names = ("effective_speed", "mean_speed", "sd_speed", "drift", "power_density")
            speed = 1.0 + sum(x for _, x in group.values) * np.arange(1.0, 1 + len(group.places))
            return dict.fromkeys(names, speed)

        def free_intervals(chain):
            speed = np.array([free(group)["effective_speed"] for group in chain.groups])
            return {"below": 0.1 * speed, "above": 0.1 * speed, "base": speed}

        lookup_table.state_after = lambda group, start: (free(group), None)
        lookup_table.compute_intervals = free_intervals
        axes = f"height_m = {[1.0 + 0.1 * k for k in range(30)]}\\n"
        axes += f"flow_veh_h = {[50 + 5 * k for k in range(100)]}\\n"
        axes += f"heavy_share = {[0.01 * k for k in range(100)]}\\n"
        text = table_text("[table]\\nmost_states = 400000\\n" + axes)
        text = text.replace("model_interval = false", "model_interval = true")
        case, folder = load_case_text(text), Path(sys.argv[1])
        lookup_table.lookup_table(case, Options(1, None, folder), silent).save(folder)
        most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        status = Path("/proc/self/status")  # the other figure begins at that of who started it
        if status.exists():
            lines = status.read_text().splitlines()
            most = next(int(line.split()[1]) for line in lines if line.startswith("VmHWM"))
        print(1024 * most)
        print(lookup_table._log_memory(300_000))
    """)
    path = os.pathsep.join([str(Path(__file__).parent), str(Path(wakesim.__file__).parents[1])])
    done = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path / "out")], check=True, capture_output=True,
        text=True, env=os.environ | {"PYTHONPATH": path},
    )  # fmt: skip
    measured, printed = map(float, done.stdout.split())
    assert printed == pytest.approx(measured, rel=0.3)


def test_the_worked_example_reads_a_table(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A year of hourly counts; the sum of the cubes is done here by hand."""
    body = "[table]\nheight_m = [1.5, 2.5]\nflow_veh_h = [50, 300, 800, 1900]\n"
    text = quick(table_text(body))
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


def test_the_worked_example_takes_the_rotor_s_power(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """No power coefficient is assumed where the table has one; the sum is done here by hand."""
    body = "[table]\nheight_m = [2.2, 2.4]\nflow_veh_h = [0, 100, 600, 1900]\n"
    rotor = '[rotor]\nkind = "drag"\nresponse = "quasi_steady"\ncut_in_m_s = 0.9\n'
    wakesim.run(load_case_text(quick(table_text(body + rotor))), workers=1).save(tmp_path)
    data = json.loads((tmp_path / "summary.json").read_text(encoding="utf-8"))
    assert data["rotor"]["cut_in_m_s"] == 0.9
    assert data["rotor"]["area_m2"] == pytest.approx(0.6 * 1.5)
    path = str(tmp_path / "table.h5")
    example = runpy.run_path(str(cases_path("yearly-energy.py")))
    found = example["main"](path)
    printed = capsys.readouterr().out
    assert "drag type" in printed
    assert "assumed" not in printed
    flow = np.clip(example["year_of_hours"]()["flow_veh_h"], 0.0, 1900.0)
    with h5py.File(path) as file:
        share, nodes = file["power_coefficient"][0], np.sqrt(file["flow_veh_h"][:])
        density = file.attrs["air_density_kg_m3"]
    speed = wakesim.open_table(path).effective_speed(flow_veh_h=flow, height_m=2.2)
    power = np.interp(np.sqrt(flow), nodes, share) * 0.5 * density * 0.9 * speed**3
    assert found["kwh"] == pytest.approx(np.sum(power) / 1000.0, rel=0.05)
    assert found["kwh_straight"] == pytest.approx(found["kwh"], rel=0.15)
    assert found["kwh_least_traffic"] == 0.0  # calm and empty
    below = speed < 0.9
    assert np.sum(power[below]) > 0.0  # what a power curve of effective speeds would lose


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
