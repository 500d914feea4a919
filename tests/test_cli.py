"""The command line: arguments, streams, exit statuses, and what it refuses to overwrite."""

from __future__ import annotations

import json
import logging
import os
import subprocess
import sys
import warnings
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

import wakesim.run
from wakesim import errors
from wakesim.case.starters import KINDS, starter_text
from wakesim.case.vehicle import catalogue
from wakesim.cli import main
from wakesim.errors import CaseError, NumericalError, OutputError
from wakesim.outputs.wording import CAUTION, CAUTIONS, INVENTED_BANNER
from wakesim.runtime import cases_path, version

POST = str(cases_path("expressway-post.toml"))
SINGLE = str(cases_path("single-pass.toml"))


@pytest.fixture(autouse=True)
def _own_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def _statistics(**changes: Any) -> SimpleNamespace:
    values = {
        "effective_speed_m_s": 1.2345,
        "sampling_interval_m_s": (1.21, 1.26),
        "model_interval_m_s": (0.9, 1.6),
        "mean_speed_m_s": 0.8,
        "energy_pattern_factor": 3.67,
        "power_density_w_m2": 0.0673,
        "time_above_cut_in": 0.123,
        "by_mechanism": {
            "pulse": 0.2,
            "wake": 0.4,
            "turbulence": 0.3,
            "drift": 0.1,
            "ambient": 0.0,
        },
    }
    return SimpleNamespace(**(values | changes))


class _Result:
    """What a run gives, without the run."""

    def __init__(self, case: Any) -> None:
        self.case = case
        mount = SimpleNamespace(
            mount=case.mounts[0],
            statistics=_statistics() if case.traffic else None,
            signatures=[
                SimpleNamespace(
                    label="Coach", speed_m_s=25.0, clearance_m=5.0, peak_m_s=0.5, duration_s=1.8
                )
            ],
            warnings=("at the mount",),
            energy=None,
        )
        self.mounts = (mount,)
        self.air_density_kg_m3, self.passes_total, self.simulated_s = 1.2251, 77, 7200.0
        self.warnings = ("of the run", "at the mount")

    def save(self, directory: Path, *, force: bool = False, parquet: bool = False) -> list[Path]:
        directory.mkdir(parents=True, exist_ok=True)
        path = directory / "summary.json"
        path.write_text('{"mounts": []}\n', encoding="utf-8")
        return [path]


@pytest.fixture
def quick_run(monkeypatch: pytest.MonkeyPatch) -> list[Any]:
    """``wakesim.run.run`` replaced by one that reports progress and remembers its cases."""
    seen: list[Any] = []

    def run(case: Any, progress: Callable[[float, str], None], **_: Any) -> _Result:
        seen.append(case)
        progress(0.0, "fields")
        progress(0.05, "fields")
        progress(0.5, "traffic")
        return _Result(case)

    monkeypatch.setattr(sys.modules["wakesim.run"], "run", run)
    return seen


def _raising(monkeypatch: pytest.MonkeyPatch, error: BaseException) -> None:
    def run(case: Any, progress: Any, **_: Any) -> None:
        raise error

    monkeypatch.setattr(sys.modules["wakesim.run"], "run", run)


# --- run ----------------------------------------------------------------------------------------


def test_run_writes_into_a_folder_named_after_the_case(
    quick_run: list[Any], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["run", POST]) == 0
    out, err = capsys.readouterr()
    assert Path("out/expressway-post/summary.json").is_file()
    assert [case.path for case in quick_run] == [POST]
    for part in (
        INVENTED_BANNER,
        "effective speed 1.23 m/s (sampling 1.21 to 1.26, model 0.90 to 1.60 m/s)",
        "  - of the run\n",
        "  Flagged: at the mount\n",
        str(Path("out/expressway-post/report.html")),
    ):
        assert part in out
    assert out.endswith(CAUTION + "\n")
    assert CAUTIONS[0] == CAUTION  # the same words as in the report
    assert err.splitlines() == ["  0 % fields", " 50 % traffic"]


def test_run_summarises_single_passes(
    quick_run: list[Any], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["run", SINGLE, "-o", "here"]) == 0
    out, _ = capsys.readouterr()
    assert "Coach" in out
    assert "90 km/h at  5.00 m: peak  0.50 m/s,  1.8 s above a tenth of it" in out
    assert "one vehicle at a time" in out
    assert len(quick_run) == 1


def test_json_prints_the_summary_file_and_nothing_else(
    quick_run: list[Any], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["run", POST, "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == {"mounts": []}
    assert len(quick_run) == 1


def test_results_are_not_overwritten_without_force_and_nothing_is_computed(
    quick_run: list[Any], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["run", POST, "-o", "r"]) == 0
    capsys.readouterr()
    assert main(["run", POST, "-o", "r"]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert "--force" in err
    assert err.count("\n") == 1
    assert len(quick_run) == 1
    assert main(["run", POST, "-o", "r", "--force"]) == 0
    assert len(quick_run) == 2


def test_an_output_folder_that_is_a_file_is_refused_before_the_run(
    quick_run: list[Any], capsys: pytest.CaptureFixture[str]
) -> None:
    Path("taken").write_text("mine", encoding="utf-8")
    assert main(["run", POST, "-o", "taken"]) == 2
    assert main(["run", POST, "-o", "taken/below"]) == 2
    assert capsys.readouterr().err.count("taken") >= 2
    assert quick_run == []
    assert Path("taken").read_text(encoding="utf-8") == "mine"


def test_a_wrong_case_is_refused_line_by_line_and_nothing_is_written(
    quick_run: list[Any], capsys: pytest.CaptureFixture[str]
) -> None:
    text = Path(POST).read_text(encoding="utf-8")
    text = text.replace("height_m = 2.0 ", "height = 2.0 ").replace("= 20260101", '= "x"')
    Path("bad.toml").write_text(text, encoding="utf-8")
    assert main(["run", "bad.toml", "-o", "r"]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert len(err.splitlines()) == 2
    assert all(line.startswith("bad.toml:") for line in err.splitlines())
    assert [path.name for path in Path().iterdir()] == ["bad.toml"]
    assert quick_run == []


@pytest.mark.parametrize(
    ("error", "status", "message"),
    [
        (CaseError(["x: one", "x: two"]), 2, "x: one\nx: two\n"),
        (OutputError("no room"), 2, "no room\n"),
        (NumericalError("not finite"), 3, "not finite\n"),
        (KeyboardInterrupt(), 130, "interrupted\n"),
        (ZeroDivisionError("oops"), 1, "unforeseen ZeroDivisionError: oops (-vv shows where)\n"),
    ],
)
def test_failures_have_their_status_and_no_traceback(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    error: BaseException,
    status: int,
    message: str,
) -> None:
    _raising(monkeypatch, error)
    assert main(["run", POST, "-v"]) == status
    assert capsys.readouterr() == ("", message)


def test_a_traceback_is_shown_when_asked_for_twice(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    _raising(monkeypatch, NumericalError("not finite"))
    assert main(["run", POST, "-vv"]) == 3
    err = capsys.readouterr().err
    assert "Traceback (most recent call last)" in err
    assert err.endswith("\nnot finite\n")


def test_on_a_terminal_progress_is_a_bar_and_respects_no_color(
    quick_run: list[Any],
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True)
    monkeypatch.setenv("NO_COLOR", "1")
    monkeypatch.setenv("TERM", "xterm-256color")
    assert main(["run", POST]) == 0
    err = capsys.readouterr().err
    assert "traffic" in err
    assert "0 % fields" not in err
    assert "\x1b[3" not in err  # no colour codes
    assert len(quick_run) == 1


@pytest.mark.parametrize(
    ("arguments", "printed"),
    [
        (["run", POST], ""),
        (["run", POST, "--json"], '{"mounts": []}\n'),
        (["new", "post"], ""),
        (["new", "post", "-o", "-"], starter_text("post")),
        (["vehicles"], ""),
        (["keys"], ""),
        (["claim", "--power-w", "100", "--area-m2", "2", "--speed-m-s", "5"], ""),
    ],
)
def test_quiet_prints_nothing_but_what_is_asked_for(
    arguments: list[str],
    printed: str,
    quick_run: list[Any],
    capfd: pytest.CaptureFixture[str],
) -> None:
    """Warnings of Python are silent as well; errors are not."""
    assert main([*arguments, "-q"]) == 0
    assert capfd.readouterr() == (printed, "")
    assert main(["run", "none.toml", "-q"]) == 2
    assert capfd.readouterr().err.count("\n") == 1


def test_quiet_keeps_the_warnings_of_libraries_to_itself(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    def run(case: Any, progress: Callable[[float, str], None], **_: Any) -> _Result:
        warnings.warn("of a library", RuntimeWarning, stacklevel=1)
        logging.getLogger("wakesim").warning("of the program")
        return _Result(case)

    monkeypatch.setattr(sys.modules["wakesim.run"], "run", run)
    with warnings.catch_warnings():
        warnings.simplefilter("default")
        monkeypatch.setattr(
            warnings, "showwarning", lambda *words, **_: print(words[0], file=sys.stderr)
        )
        assert main(["run", POST, "-q"]) == 0
        assert capfd.readouterr() == ("", "")
        assert main(["run", POST, "--force"]) == 0
    assert "of a library" in capfd.readouterr().err


def test_progress_never_runs_backwards(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def run(case: Any, progress: Callable[[float, str], None], **_: Any) -> _Result:
        for share, stage in zip((0.1, 0.5, 0.1, 0.4, 0.6, 0.2, 1.2), "abcdefg", strict=True):
            progress(share, stage)
        return _Result(case)

    monkeypatch.setattr(sys.modules["wakesim.run"], "run", run)
    assert main(["run", POST]) == 0
    shown = [int(line.split(" %")[0]) for line in capsys.readouterr().err.splitlines()]
    assert shown == [10, 50, 50, 50, 60, 60, 100]


def test_counts_do_not_make_a_line_each(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def run(case: Any, progress: Callable[[float, str], None], **_: Any) -> _Result:
        for k in range(1000):
            progress(k / 1000, f"states: {k} of 1000 points")
        return _Result(case)

    monkeypatch.setattr(sys.modules["wakesim.run"], "run", run)
    assert main(["run", POST]) == 0
    assert len(capsys.readouterr().err.splitlines()) == 10


def test_a_second_run_into_a_folder_is_refused_at_its_start(
    quick_run: list[Any], capsys: pytest.CaptureFixture[str]
) -> None:
    """Whichever commands the two are; the first is not disturbed."""
    code = (
        "import sys; from wakesim.folders import hold\n"
        "with hold('out'):\n    print('held', flush=True); sys.stdin.read()"
    )
    first = _process("-c", code, stdin=subprocess.PIPE, env=_environment())
    assert first.stdout is not None
    assert first.stdout.readline().strip() == b"held"
    Path("data").mkdir()
    Path("data/c.toml").write_text("", encoding="utf-8")
    Path("record.csv").write_text("", encoding="utf-8")
    for command in (
        ["run", POST],
        ["run", POST, "--force", "-q"],
        ["validate", "--data", "data"],
        ["compare", POST, "record.csv"],
    ):
        assert main([*command, "-o", "out"]) == 2
        out, err = capsys.readouterr()
        assert out == ""
        assert err.count("\n") == 1
        assert str(first.pid) in err
    assert quick_run == []
    first.kill()
    first.wait()
    assert main(["run", POST, "-o", "out"]) == 0
    assert not list(Path("out").glob(".wakesim*"))


def test_running_twice_does_not_log_twice(
    quick_run: list[Any], capsys: pytest.CaptureFixture[str]
) -> None:
    for _ in range(2):
        assert main(["run", POST, "--force"]) == 0
    assert capsys.readouterr().err.count(" 50 % traffic") == 2
    assert len(logging.getLogger("wakesim").handlers) >= 1
    assert len(quick_run) == 2


# --- new and vehicles ---------------------------------------------------------------------------


@pytest.mark.parametrize("kind", KINDS)
def test_new_writes_a_case_that_loads(kind: str, capsys: pytest.CaptureFixture[str]) -> None:
    from wakesim import load_case

    assert main(["new", kind]) == 0
    out = capsys.readouterr().out
    assert f"wakesim run {kind}.toml" in out
    assert "wakesim keys" in out
    assert "wakesim keys" in Path(f"{kind}.toml").read_text(encoding="utf-8").splitlines()[0]
    assert load_case(f"{kind}.toml").text == starter_text(kind)
    assert "#" in starter_text(kind)


def test_new_puts_the_records_of_a_year_beside_its_case(capsys: pytest.CaptureFixture[str]) -> None:
    from wakesim import load_case
    from wakesim.energy.year_hours import hours_of_year

    assert main(["new", "year", "-o", "mine.toml"]) == 0
    assert len(hours_of_year(load_case("mine.toml"))) == 8760
    own = Path("year/counts.csv")
    own.write_text("mine", encoding="utf-8")
    Path("mine.toml").unlink()
    assert main(["new", "year", "-o", "mine.toml"]) == 2
    assert "counts.csv exists; --force overwrites it" in capsys.readouterr().err
    assert own.read_text(encoding="utf-8") == "mine"
    assert not Path("mine.toml").exists()


def test_new_overwrites_only_when_forced(capsys: pytest.CaptureFixture[str]) -> None:
    Path("mine.toml").write_text("mine", encoding="utf-8")
    assert main(["new", "post", "-o", "mine.toml"]) == 2
    assert "mine.toml exists; --force overwrites it" in capsys.readouterr().err
    assert Path("mine.toml").read_text(encoding="utf-8") == "mine"
    assert main(["new", "post", "-o", "mine.toml", "--force"]) == 0
    assert Path("mine.toml").read_text(encoding="utf-8") == starter_text("post")


def test_new_to_standard_output_and_to_nowhere(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["new", "wall", "-o", "-"]) == 0
    assert capsys.readouterr().out == starter_text("wall")
    assert main(["new", "wall", "-o", "no/such/folder.toml"]) == 2
    assert "no/such/folder.toml cannot be written" in capsys.readouterr().err


def test_vehicles_lists_every_class_with_range_and_source(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert main(["vehicles"]) == 0
    out = capsys.readouterr().out
    for name, vehicle in catalogue().items():
        (row,) = [line for line in out.split("\n") if line.startswith(f"{name} ")]
        low, high = vehicle.drag_range or (0.0, 0.0)
        assert f"{low:.2f}-{high:.2f}" in row
        for part in vehicle.source.split(" | "):
            assert part in out
    assert "artic_lorry: another name of artic_lorry_eu" in out


def test_vehicles_as_json(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["vehicles", "--json"]) == 0
    records = json.loads(capsys.readouterr().out)
    assert [record["name"] for record in records] == list(catalogue())
    assert records[1]["drag_range"] == [0.22, 0.4]


# --- usage --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ([], "usage: wakesim"),
        (["fly"], "invalid choice: 'fly'"),
        (["run"], "CASE"),
        (["new", "tunnel"], "invalid choice: 'tunnel'"),
        (["run", POST, "--forc"], "--forc"),
    ],
)
def test_wrong_usage_is_status_2_on_stderr(
    arguments: list[str], message: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(arguments) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert message in err


def test_help_and_version(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--help"]) == 0
    out = capsys.readouterr().out
    for word in ("run", "new", "vehicles", "structural or road-safety design"):
        assert word in out
    assert main(["--version"]) == 0
    assert capsys.readouterr().out == f"wakesim {version()}\n"
    assert main(["run", "--help"]) == 0
    assert "--json" in capsys.readouterr().out


def test_exit_statuses_stand_in_every_help(capsys: pytest.CaptureFixture[str]) -> None:
    names = {
        value
        for name, value in vars(errors).items()
        if name.startswith("EXIT_") and name != "EXIT_MEANINGS"
    }
    assert set(errors.EXIT_MEANINGS) == names == {0, 1, 2, 3, 130}
    commands = ("run", "new", "keys", "validate", "compare", "claim", "vehicles")
    for arguments in ([], *([name] for name in commands)):
        assert main([*arguments, "--help"]) == 0
        text = " ".join(capsys.readouterr().out.split())
        for status, meaning in errors.EXIT_MEANINGS.items():
            assert f"{status} {meaning}" in text


def _environment() -> dict[str, str]:
    """The package of this tree, whatever folder a process starts in."""
    return {**os.environ, "PYTHONPATH": str(Path(wakesim.__file__).parents[1])}


def _process(*arguments: str, **options: Any) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, *arguments], stdout=subprocess.PIPE, stderr=subprocess.PIPE, **options
    )


def test_a_closed_pipe_is_no_error() -> None:
    process = _process("-m", "wakesim", "vehicles", cwd=Path(__file__).parents[1])
    assert process.stdout is not None
    process.stdout.close()  # before the child writes: it takes far longer to start
    assert process.stderr is not None
    assert process.stderr.read() == b""
    assert process.wait() == 0


def test_a_terminal_without_the_characters_gets_them_escaped() -> None:
    process = _process(
        "-m",
        "wakesim",
        "vehicles",
        cwd=Path(__file__).parents[1],
        env={"PYTHONIOENCODING": "ascii", "PATH": ""},
    )
    out, err = process.communicate()
    assert (process.returncode, err) == (0, b"")
    assert b"m\\xb2" in out


def test_one_real_run_through_the_command_line(capsys: pytest.CaptureFixture[str]) -> None:
    text = starter_text("single-pass").split("\n")
    text = ['vehicles = ["small_car"]' if t.startswith("vehicles = ") else t for t in text]
    Path("one.toml").write_text("\n".join(text), encoding="utf-8")
    assert main(["run", "one.toml"]) == 0
    assert "Small car" in capsys.readouterr().out
    summary = json.loads(Path("out/one/summary.json").read_text(encoding="utf-8"))
    assert summary["mounts"][0]["signatures"][0]["peak_m_s"] > 0.0
    assert main(["run", "one.toml", "-q"]) == 2
    assert wakesim.run(wakesim.load_case("one.toml")).mounts[0].statistics is None
