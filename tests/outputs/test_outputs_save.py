"""Saving: all or nothing, nothing overwritten unasked, plain errors."""

from __future__ import annotations

import errno
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from synthetic_result import single_pass_text

from wakesim import folders
from wakesim.errors import OutputError
from wakesim.folders import RESULT, check_target
from wakesim.outputs import save

ROOT = Path(__file__).resolve().parents[2]

pytestmark = pytest.mark.usefixtures("plain_figures")


def snapshot(folder):
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def test_save_returns_what_it_wrote(pass_result, tmp_path):
    paths = save(pass_result, tmp_path / "deep" / "out")
    assert all(path.is_file() for path in paths)
    names = {path.name for path in paths}
    assert {"result.h5", "summary.json", "signatures.csv", "report.html"} <= names
    assert len(paths) == len(snapshot(tmp_path))


def test_nothing_is_overwritten_without_force(pass_result, tmp_path):
    save(pass_result, tmp_path)
    before = snapshot(tmp_path)
    with pytest.raises(OutputError, match="already holds a result"):
        save(pass_result, tmp_path)
    with pytest.raises(OutputError, match="--force"):
        check_target(tmp_path, RESULT)
    assert snapshot(tmp_path) == before
    save(pass_result, tmp_path, force=True)
    check_target(tmp_path, RESULT, force=True)


def test_a_users_figure_is_not_overwritten_without_force(pass_result, tmp_path):
    own = tmp_path / "figures" / "verge-post-signature.png"
    own.parent.mkdir()
    own.write_text("mine")
    with pytest.raises(OutputError, match="verge-post-signature"):
        save(pass_result, tmp_path)
    assert snapshot(tmp_path) == {"figures/verge-post-signature.png": b"mine"}


def test_force_takes_away_what_the_new_result_lacks(traffic_result, pass_result, tmp_path):
    save(traffic_result, tmp_path)
    (tmp_path / "notes.txt").write_text("mine")
    save(pass_result, tmp_path, force=True)
    left = snapshot(tmp_path)
    assert "series.csv" not in left
    assert not any("spectrum" in name for name in left)
    assert left["notes.txt"] == b"mine"
    listed = json.loads(left["summary.json"])["files"]
    assert set(left) == {*listed, "notes.txt"}


def test_a_forged_list_of_files_leads_nowhere_else(pass_result, tmp_path):
    folder = tmp_path / "out"
    folder.mkdir()
    victim = tmp_path / "figures-of-somebody.png"
    victim.write_text("keep")
    inside = folder / "notes.txt"
    inside.write_text("keep")
    names = ["../figures-of-somebody.png", "notes.txt", str(victim), "figures/../notes.txt", 3]
    (folder / "summary.json").write_text(json.dumps({"files": names}))
    save(pass_result, folder, force=True)
    assert victim.read_text() == "keep"
    assert inside.read_text() == "keep"


@pytest.mark.parametrize("step", ["netcdf.write", "tables.write_table", "report.write_report"])
def test_failure_while_writing_leaves_old_results(
    traffic_result, pass_result, tmp_path, monkeypatch, step
):
    save(pass_result, tmp_path)
    before = snapshot(tmp_path)

    def full(*_):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(f"wakesim.outputs.{step}", full)
    with pytest.raises(OutputError, match=r"^[^\n]*No space left on device$"):
        save(traffic_result, tmp_path, force=True)
    assert snapshot(tmp_path) == before
    assert not list(tmp_path.glob(".wakesim-*"))


@pytest.mark.parametrize("moved", [0, 1, 2, 7, 17])
def test_failure_while_moving_puts_the_old_results_back(
    traffic_result, pass_result, tmp_path, monkeypatch, moved
):
    save(pass_result, tmp_path)
    before = snapshot(tmp_path)
    real, count = os.replace, [0]

    def replace(source, target):
        count[0] += 1
        if count[0] == moved + 1:
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))
        real(source, target)

    monkeypatch.setattr(folders.os, "replace", replace)
    with pytest.raises(OutputError, match="Permission denied"):
        save(traffic_result, tmp_path, force=True)
    assert count[0] > moved
    assert snapshot(tmp_path) == before


def test_failure_in_a_new_folder_leaves_no_folder(pass_result, tmp_path, monkeypatch):
    def broken(*_):
        raise ValueError("a bug, not the disk")

    monkeypatch.setattr("wakesim.outputs.summary.write_summary", broken)
    with pytest.raises(ValueError, match="a bug"):
        save(pass_result, tmp_path / "a" / "b")
    assert list(tmp_path.iterdir()) == []


def test_target_that_is_a_file(pass_result, tmp_path):
    (tmp_path / "file").write_text("x")
    for target in (tmp_path / "file", tmp_path / "file" / "below"):
        with pytest.raises(OutputError, match="file"):
            check_target(target, RESULT)
        with pytest.raises(OutputError):
            save(pass_result, target, force=True)
    assert snapshot(tmp_path) == {"file": b"x"}


@pytest.mark.skipif(not Path("/proc/self").is_dir(), reason="needs a folder nobody can write to")
def test_target_that_cannot_be_written():
    with pytest.raises(OutputError, match=r"^/proc/wakesim-out: cannot write results: [^\n]+$"):
        check_target("/proc/wakesim-out", RESULT)


def test_check_changes_nothing_and_loads_nothing_heavy(tmp_path):
    code = (
        "import sys\n"
        "from wakesim.folders import RESULT, check_target\n"
        f"check_target({str(tmp_path / 'new' / 'out')!r}, RESULT)\n"
        "heavy = {'numpy', 'h5py', 'matplotlib', 'jinja2', 'numba', 'scipy'} & set(sys.modules)\n"
        "sys.exit(' '.join(heavy) or 0)\n"
    )
    run = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=False
    )
    assert run.returncode == 0, run.stderr
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(sys.platform == "win32", reason="needs a limit on file size")
def test_a_full_disk_gives_one_line_and_leaves_old_results(tmp_path):
    """Real refusals by the system, at different points of the work with its real figures."""
    text = single_pass_text().split("[[mounts]]")
    (tmp_path / "case.toml").write_text("[[mounts]]".join(text[:2]), encoding="utf-8")
    out = tmp_path / "out"
    limits = (5_000, 25_000, 90_000)
    code = (
        "import resource, signal, sys\n"
        f"sys.path.insert(0, {str(Path(__file__).parent)!r})\n"
        "import synthetic_result\n"
        "from wakesim.errors import OutputError\n"
        "result = synthetic_result.build_result(open(sys.argv[1]).read())\n"
        "result.save(sys.argv[2])\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "_, hard = resource.getrlimit(resource.RLIMIT_FSIZE)\n"
        f"for limit in {limits}:\n"
        "    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, hard))\n"
        "    try:\n"
        "        result.save(sys.argv[2], force=True)\n"
        "    except OutputError as error:\n"
        "        print(error)\n"
    )
    paths = [str(tmp_path / "case.toml"), str(out)]
    run = subprocess.run(
        [sys.executable, "-c", code, *paths], capture_output=True, text=True, cwd=ROOT, check=False
    )
    assert run.returncode == 0, run.stderr
    lines = run.stdout.strip().splitlines()
    assert len(lines) == len(limits)
    for line in lines:
        assert line.startswith(f"{out}: cannot write results: ")
        assert "File too large" in line
    sizes = [len(content) for content in snapshot(out).values()]
    assert max(sizes) > max(limits)
    assert not list(out.glob(".wakesim-*"))
    summary = json.loads((out / "summary.json").read_text(encoding="utf-8"))
    assert set(snapshot(out)) == set(summary["files"])
