"""Publishes small results again and again, killed one step later each time; run as a script.

A step is a call that changes files; with "lines" as the last argument each line of the publisher's
functions too. After each kill the folder is read as a reader of this program does (``published``)
and as any other program does, then a later run takes it. Prints what was seen as JSON; any mixture
of old and new ends the script.
"""

from __future__ import annotations

import errno
import json
import os
import shutil
import sys
from collections.abc import Callable
from pathlib import Path
from types import FrameType
from typing import Any

from wakesim import folders
from wakesim.errors import OutputError

KILLED = 77
FOREIGN = {"notes.txt": "mine", "figures/mine.txt": "mine too", "deep/er/data.csv": "1,2\n"}
STEPS = {  # functions that change files, or call those that do
    "hold", "_locked", "_unlock", "_take_away", "_remove_staging", "publish", "replace_file",
    "_move_in", "_finish", "_put_back", "_unmark", "_to_disk",
}  # fmt: skip
CHANGES = {"os.rename", "os.remove", "os.rmdir", "os.mkdir", "os.link", "os.truncate", "open"}
Files = dict[str, str]


def result(manifest: str, names: list[str], text: str) -> Files:
    """Files of a small result, and its list of them."""
    files = {name: f"{name} {text}" for name in names}
    return files | {manifest: json.dumps({"files": [*names, manifest], "text": text})}


PLACES: dict[str, tuple[Files, Files, str]] = {  # old, new, folders.Kind
    "result": (
        result("summary.json", ["result.h5", "series.csv", "figures/a.png"], "old"),
        result("summary.json", ["result.h5", "map.csv", "figures/b.png"], "new"),
        "RESULT",
    ),
    "scorecard": (
        {"REPORT.md": "old", "one/x.png": "old", "deep/y.png": "old"},
        {"REPORT.md": "new", "one/x.png": "new", "deep/y.png": "new", "two/z.png": "new"},
        "SCORECARD",
    ),
}


def put(folder: Path, files: Files) -> list[str]:
    for name, text in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(text)
    return list(files)


def killed_at(step: int, action: Callable[[], Any], lines: bool) -> bool:
    """Run in a child that ends before its step of this number; whether it got that far."""
    child = os.fork()
    if child:
        status = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        assert status in (0, KILLED), status
        return status == KILLED
    count = 0

    def stepped() -> None:
        nonlocal count
        count += 1
        if count == step:
            os._exit(KILLED)

    def trace(frame: FrameType, event: str, argument: Any) -> Any:
        code = frame.f_code
        if code.co_filename != folders.__file__ or code.co_name not in STEPS:
            return None
        if event == "line":
            stepped()
        return trace

    def hear(event: str, arguments: tuple[Any, ...]) -> None:
        if event in CHANGES and (event != "open" or _writes(arguments)):
            stepped()

    sys.addaudithook(hear)
    if lines:
        sys.settrace(trace)
    try:
        action()
    except OutputError:  # a move that was made to fail
        pass
    except BaseException:
        import traceback

        traceback.print_exc()
        os._exit(1)
    os._exit(0)


def _writes(arguments: tuple[Any, ...]) -> bool:
    _, mode, flags = arguments
    if isinstance(mode, str):
        return any(letter in mode for letter in "wxa+")
    return bool((flags or 0) & (os.O_WRONLY | os.O_RDWR | os.O_CREAT))


def plain(folder: Path) -> Files:
    """What any program sees, besides what is hidden."""
    return {
        path.relative_to(folder).as_posix(): path.read_text()
        for path in folder.rglob("*")
        if path.is_file() and not path.relative_to(folder).parts[0].startswith(".")
    }


def read(folder: Path, names: set[str]) -> Files:
    """What a reader of this program sees of the files at the top."""
    found = {}
    for name in names:
        try:
            found[name] = folders.published(folder / name).read_text()
        except (OutputError, FileNotFoundError):
            continue
    return found


def state(folder: Path, old: Files, new: Files) -> str:
    """Whether a folder holds the old or the new result; ends the script when it holds neither."""
    everything = plain(folder)
    assert {n: t for n, t in everything.items() if n in FOREIGN} == FOREIGN, everything
    top = {name for name in {*old, *new} if "/" not in name}
    seen = read(folder, top)
    known = {"old": old, "new": new}
    (found,) = (k for k, files in known.items() if seen == {n: files[n] for n in top & set(files)})
    if not (folder / folders.MARKER).exists():
        assert everything == FOREIGN | known[found], (found, everything)
    return found


def later_run(folder: Path, files: Files) -> None:
    """The next run that takes the folder leaves exactly one result and nothing of the killed."""
    with folders.hold(folder):
        pass
    assert plain(folder) == FOREIGN | files, plain(folder)
    assert not list(folder.glob(".wakesim-*")), list(folder.iterdir())


def main(place: str, scratch: Path, lines: bool) -> None:
    os.fsync = lambda descriptor: None  # what a kill leaves does not depend on it
    old, new, kind = PLACES[place]
    known = getattr(folders, kind)
    assert known in folders.KINDS
    folder, seen = scratch / "out", []

    def fresh() -> None:
        shutil.rmtree(folder, ignore_errors=True)
        put(folder, FOREIGN | old)

    def new_one() -> None:
        folders.publish(folder, known, lambda where: put(where, new), force=True)

    committed = None
    for step in range(1, 10_000):
        fresh()
        killed = killed_at(step, new_one, lines)
        found = state(folder, old, new)
        seen.append(found)
        if committed is None and (folder / folders.MARKER).exists():
            committed = scratch / "committed"
            shutil.copytree(folder, committed)
        later_run(folder, old if found == "old" else new)
        if not killed:
            break
    assert committed is not None

    recovered = 0
    for recovered in range(1, 10_000):  # the later run killed too, at each of its steps
        shutil.rmtree(folder)
        shutil.copytree(committed, folder)
        killed = killed_at(recovered, lambda: later_run(folder, new), lines)
        assert state(folder, old, new) == "new"
        if not killed:
            break
        later_run(folder, new)

    undone = 0
    replace = os.replace

    def failing(source: Any, target: Any) -> None:
        """The last file cannot be moved in, once: the moves are undone."""
        if Path(target) == folder / list(new)[-1] and folders._NEW in Path(source).parts:
            os.replace = replace
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))
        replace(source, target)

    for undone in range(1, 10_000):  # killed on its way back to the old result
        os.replace = replace
        fresh()
        os.replace = failing
        killed = killed_at(undone, new_one, lines)
        os.replace = replace
        found = state(folder, old, new)
        if not killed:
            assert found == "old"
        later_run(folder, old if found == "old" else new)
        if not killed:
            break

    fresh()
    new_one()
    assert plain(folder) == FOREIGN | new
    print(json.dumps({"seen": seen, "recovered": recovered, "undone": undone}))


if __name__ == "__main__":
    main(sys.argv[1], Path(sys.argv[2]), "lines" in sys.argv)
