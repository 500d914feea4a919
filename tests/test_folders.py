"""Result folders: one run at a time; old or new, whenever the program is killed."""

from __future__ import annotations

import errno
import json
import os
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from wakesim import folders
from wakesim.errors import OutputError
from wakesim.folders import COMPARISON, LOCK, MARKER, RESULT, hold, publish, published

HERE = Path(__file__).parent
OLD = {"result.h5": "old", "series.csv": "old", "figures/a.svg": "old"}
NEW = {"result.h5": "new", "map.csv": "new", "figures/b.svg": "new"}


def written(files):
    """What ``publish`` calls to write these files and the manifest that lists them."""

    def write(place: Path) -> list[str]:
        every = files | {"summary.json": json.dumps({"files": [*files, "summary.json"]})}
        for name, text in every.items():
            (place / name).parent.mkdir(exist_ok=True)
            (place / name).write_text(text)
        return list(every)

    return write


def contents(folder: Path) -> dict[str, str]:
    files = [path for path in sorted(folder.rglob("*")) if path.is_file()]
    return {path.relative_to(folder).as_posix(): path.read_text() for path in files}


def stopped(folder: Path, monkeypatch: pytest.MonkeyPatch, moves: int = 2) -> None:
    """The old result, and a new one of which only so many files have been moved in or out."""
    publish(folder, RESULT, written(OLD), force=True)
    real, made = os.replace, []

    def replace(source, target):
        if (folder / MARKER).exists():
            made.append(target)
            if len(made) > moves:
                raise SystemExit
        real(source, target)

    with monkeypatch.context() as patch:
        patch.setattr(folders.os, "replace", replace)
        patch.setattr(folders, "_put_back", lambda plan: None)
        with pytest.raises(SystemExit):
            publish(folder, RESULT, written(NEW), force=True)
    assert (folder / MARKER).exists()


# --- killed -------------------------------------------------------------------------------------


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
@pytest.mark.parametrize(
    "place",
    ["result", "scorecard", pytest.param("result lines", marks=pytest.mark.slow)],
)
def test_killed_at_every_step_a_folder_holds_the_old_or_the_new_result(place, tmp_path):
    """A kind with a list of its files and one without; also while it goes back or is finished."""
    place, *more = place.split()
    done = subprocess.run(
        [sys.executable, str(HERE / "killed_publication.py"), place, str(tmp_path), *more],
        cwd=HERE.parent, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-3000:]
    found = json.loads(done.stdout)
    first_new = found["seen"].index("new")
    assert first_new > 10
    assert set(found["seen"][:first_new]) == {"old"}
    assert set(found["seen"][first_new:]) == {"new"}
    assert len(found["seen"]) - first_new > 10
    assert min(found["recovered"], found["undone"]) > 10


def test_readers_see_the_new_result_from_the_mark_on(tmp_path, monkeypatch):
    stopped(tmp_path, monkeypatch)
    for name in ("result.h5", "map.csv"):
        assert published(tmp_path / name).read_text() == "new"
    with pytest.raises(OutputError, match=r"series\.csv"):
        published(tmp_path / "series.csv")
    assert published(tmp_path / "notes.txt") == tmp_path / "notes.txt"


def test_a_run_without_force_finishes_what_was_begun_and_keeps_it(tmp_path, monkeypatch):
    stopped(tmp_path, monkeypatch)
    (tmp_path / "notes.txt").write_text("mine")
    with pytest.raises(OutputError, match="already holds a result"):
        publish(tmp_path, RESULT, written(OLD), force=False)
    left = contents(tmp_path)
    assert set(left) == {*NEW, "summary.json", "notes.txt"}
    assert set(left.values()) >= {"new", "mine"}
    assert "old" not in left.values()


def test_a_result_whose_new_files_are_lost_says_so_until_it_is_replaced(tmp_path, monkeypatch):
    stopped(tmp_path, monkeypatch)
    staging = tmp_path / json.loads((tmp_path / MARKER).read_text())["staging"]
    staging.rename(tmp_path / "elsewhere")
    with pytest.raises(OutputError, match="parts of two results"):
        published(tmp_path / "result.h5")
    with pytest.raises(OutputError, match="parts of two results"):
        publish(tmp_path, RESULT, written(OLD), force=False)

    def fails(source, target):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as patch:
        patch.setattr(folders.os, "replace", fails)
        with pytest.raises(OutputError, match="No space"):
            publish(tmp_path, RESULT, written(OLD), force=True)
    assert (tmp_path / MARKER).exists()
    publish(tmp_path, RESULT, written(OLD), force=True)
    (tmp_path / "elsewhere").rename(tmp_path.parent / "elsewhere")
    assert set(contents(tmp_path)) == {*OLD, "summary.json"}


def test_moves_that_can_be_neither_made_nor_undone_stay_marked(tmp_path, monkeypatch):
    publish(tmp_path, RESULT, written(OLD), force=True)
    real = os.replace

    def replace(source, target):
        if (tmp_path / MARKER).exists() and not (tmp_path / "series.csv").exists():
            raise OSError(errno.EROFS, os.strerror(errno.EROFS))
        real(source, target)

    with monkeypatch.context() as patch:
        patch.setattr(folders.os, "replace", replace)
        with pytest.raises(OutputError, match="Read-only"):
            publish(tmp_path, RESULT, written(NEW), force=True)
    assert published(tmp_path / "result.h5").read_text() == "new"
    with hold(tmp_path):
        pass
    assert set(contents(tmp_path)) == {*NEW, "summary.json"}


def test_a_folder_in_the_place_of_a_file_is_kept(tmp_path):
    publish(tmp_path, RESULT, written(OLD), force=True)
    (tmp_path / "map.csv").mkdir()
    (tmp_path / "map.csv" / "mine").write_text("mine")
    before = contents(tmp_path)
    with pytest.raises(OutputError, match=r"map\.csv: is a folder"):
        publish(tmp_path, RESULT, written(NEW), force=True)
    assert contents(tmp_path) == before
    (tmp_path / "figures").rename(tmp_path / "pictures")
    (tmp_path / "figures").write_text("a file")
    with pytest.raises(OutputError, match="figures: is a file"):
        publish(tmp_path, RESULT, written(OLD), force=True)


@pytest.mark.parametrize(
    "changes",
    [
        {"moved": ["../outside.txt"]},
        {"moved": ["/etc/hostname", "a//b", "./x", ""]},
        {"removed": ["notes.txt", "../outside.txt", "figures/../notes.txt", 3]},
        {"moved": 7, "removed": {"a": 1}},
    ],
)
def test_a_forged_list_of_moves_leads_nowhere_else(changes, tmp_path):
    folder = tmp_path / "out"
    staging = folder / ".wakesim-abcdefgh"
    (staging / "new").mkdir(parents=True)
    (staging / "outside.txt").write_text("forged")
    (tmp_path / "outside.txt").write_text("keep")
    (folder / "notes.txt").write_text("keep")
    (folder / MARKER).write_text(json.dumps({"staging": staging.name} | changes))
    with hold(folder):
        pass
    assert contents(tmp_path) == {"outside.txt": "keep", "out/notes.txt": "keep"}


@pytest.mark.parametrize("text", ["", "[]", '{"staging": "../x"}', '{"staging": 3}', "[" * 9999])
def test_a_file_of_another_origin_with_the_name_of_the_mark_is_kept(text, tmp_path):
    (tmp_path / MARKER).write_text(text)
    with pytest.raises(OutputError, match="is no list of this program"):
        publish(tmp_path, RESULT, written(NEW), force=True)
    assert contents(tmp_path) == {MARKER: text}


def test_kinds_share_a_folder(tmp_path):
    publish(tmp_path, RESULT, written(OLD), force=False)
    publish(tmp_path, COMPARISON, lambda place: [_file(place, "points.csv")], force=False)
    assert set(contents(tmp_path)) == {*OLD, "summary.json", "points.csv"}


def _file(place: Path, name: str) -> str:
    (place / name).write_text("compared")
    return name


# --- held ---------------------------------------------------------------------------------------

HOLDER = (
    "import os, sys, tempfile; from wakesim.folders import hold\n"
    "with hold(sys.argv[1]):\n"
    "    tempfile.mkdtemp(prefix='.wakesim-', dir=sys.argv[1])\n"
    "    print(os.getpid(), flush=True); sys.stdin.read()"
)


@contextmanager
def another_run(folder: Path) -> Iterator[subprocess.Popen[str]]:
    """A process that holds a folder and has a staging folder in it."""
    process = subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(folder)], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
        text=True, cwd=HERE.parent,
    )  # fmt: skip
    assert process.stdout is not None
    assert process.stdout.readline().strip() == str(process.pid)
    try:
        yield process
    finally:
        process.kill()
        process.wait()


def test_a_second_run_is_refused_with_one_line_and_touches_nothing(tmp_path):
    folder = tmp_path / "out"
    with another_run(folder) as process:
        before = sorted(folder.iterdir())
        assert len(before) == 2
        with pytest.raises(OutputError) as refused, hold(folder):
            pass
        assert str(process.pid) in str(refused.value)
        assert str(folder) in str(refused.value)
        assert "\n" not in str(refused.value)
        assert sorted(folder.iterdir()) == before


def test_what_a_killed_run_has_left_is_removed_by_the_next_and_nothing_else(tmp_path):
    folder = tmp_path / "out"
    with another_run(folder):
        (folder / ".wakesim-notes").mkdir()
        (folder / "notes.txt").write_text("mine")
        link = folder / ".wakesim-linkedto"
        link.symlink_to(tmp_path, target_is_directory=True)
    assert (folder / LOCK).exists()
    assert len(list(folder.glob(".wakesim-*"))) == 4
    with hold(folder):
        assert not [path for path in folder.iterdir() if path.name.startswith(".wakesim-m")]
    left = {path.name for path in folder.iterdir()}
    assert left == {".wakesim-notes", ".wakesim-linkedto", "notes.txt"}


def test_a_thread_may_hold_a_folder_twice_and_another_thread_may_not(tmp_path):
    refused: list[str] = []

    def other() -> None:
        try:
            with hold(tmp_path):
                pass
        except OutputError as error:
            refused.append(str(error))

    with hold(tmp_path), hold(tmp_path / "." / ""):
        thread = threading.Thread(target=other)
        thread.start()
        thread.join()
    assert len(refused) == 1
    assert list(tmp_path.iterdir()) == []
    with hold(tmp_path):
        pass


def test_a_folder_made_for_nothing_goes_again(tmp_path):
    with hold(tmp_path / "a" / "b"):
        assert (tmp_path / "a" / "b").is_dir()
    assert list(tmp_path.iterdir()) == []


def test_many_runs_that_make_and_remove_one_folder_never_hold_it_together(tmp_path):
    """The lock file and the folder come and go under the feet of the others."""
    folder, inside, worst, counts = tmp_path / "out", [], [], []

    def again_and_again() -> None:
        for _ in range(150):
            try:
                with hold(folder):
                    inside.append(1)
                    worst.append(len(inside))
                    inside.pop()
                    counts.append(1)
            except OutputError:
                continue

    threads = [threading.Thread(target=again_and_again) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert max(worst) == 1
    assert len(counts) > 10
    assert contents(tmp_path) == {}


def test_a_link_in_the_place_of_the_lock_is_not_followed(tmp_path):
    (tmp_path / "mine").write_text("mine")
    folder = tmp_path / "out"
    folder.mkdir()
    (folder / LOCK).symlink_to(tmp_path / "mine")
    with pytest.raises(OutputError), hold(folder):
        pass
    assert (tmp_path / "mine").read_text() == "mine"


def test_without_locks_a_folder_is_written_and_left_alone(tmp_path, monkeypatch, caplog):
    fcntl = pytest.importorskip("fcntl")

    def none(*_: object) -> None:
        raise OSError(errno.ENOLCK, os.strerror(errno.ENOLCK))

    monkeypatch.setattr(fcntl, "flock", none)
    (tmp_path / ".wakesim-abcdefgh").mkdir()
    with caplog.at_level("WARNING", logger="wakesim"):
        publish(tmp_path, RESULT, written(OLD), force=False)
    assert "cannot be locked" in caplog.text
    assert (tmp_path / ".wakesim-abcdefgh").is_dir()  # of nobody knows whom
    assert (tmp_path / "result.h5").read_text() == "old"
