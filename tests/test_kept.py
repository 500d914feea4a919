"""Values kept on disk: the same bits, whatever happens to the files, and room for no more."""

from __future__ import annotations

import errno
import io
import os
import stat
import subprocess
import sys
import textwrap
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from one_lane_road import text_of

from wakesim import kept
from wakesim.arrays import Array
from wakesim.case.load import load_case_text
from wakesim.cli import main
from wakesim.kept import keep, reading_only

ROOT = Path(kept.__file__).parent.parent


@dataclass(frozen=True)
class Flow:
    u: Array
    at: Array
    length_m: float
    first: int


@dataclass(frozen=True)
class Start:
    share: float
    profile: Array


class Marching:
    """A function to keep that counts its calls."""

    def __init__(self) -> None:
        self.calls = 0
        self.flow: Callable[..., Flow] = keep("wake", Flow)(self._flow)
        self.strengths: Callable[..., Array] = keep("hull")(self._strengths)

    def _flow(self, share: float, size: int = 40, start: object = None) -> Flow:
        self.calls += 1
        u = np.random.default_rng(size).normal(share, 1.0, (3, size)).astype(np.float32)
        return Flow(u, np.arange(size) / 3.0, np.float64(share) / 3.0, 2)  # type: ignore[arg-type]

    def _strengths(self, matrix: Array) -> Array:
        self.calls += 1
        return matrix.T[::2]  # neither of the two orders of an array


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv(kept.FOLDER, str(tmp_path / "kept"))
    monkeypatch.setattr(kept, "_written", kept._Written())
    return tmp_path / "kept"


def files(place: Path) -> list[Path]:
    return sorted(place.iterdir()) if place.is_dir() else []


def equal(a: Flow, b: Flow) -> bool:
    return all(
        type(x) is type(y)
        and (x.dtype == y.dtype and x.strides == y.strides and x.tobytes() == y.tobytes()
             if isinstance(x, np.ndarray) else x == y)
        for x, y in ((getattr(a, n), getattr(b, n)) for n in ("u", "at", "length_m", "first"))
    )  # fmt: skip


def test_kept_read_and_not_kept_are_the_same_bits(
    place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    m = Marching()
    first, second = m.flow(0.1), m.flow(0.1)
    one, two = (m.strengths(np.arange(30.0).reshape(5, 6)) for _ in range(2))
    assert m.calls == 2
    monkeypatch.setenv(kept.FOLDER, "off")
    assert equal(first, second)
    assert equal(first, m.flow(0.1))
    without = m.strengths(np.arange(30.0).reshape(5, 6))
    assert one.tobytes() == two.tobytes() == without.tobytes()
    assert one.strides == two.strides == without.strides
    assert m.calls == 4
    assert len(files(place)) == 2


def test_off_makes_no_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    monkeypatch.delenv(kept.FOLDER)
    assert kept.folder() == tmp_path / "wakesim" / "fields"
    for name, value in ((kept.FOLDER, "off"), (kept.FOLDER, "OFF "), (kept.BOUND, "0")):
        with monkeypatch.context() as patch:
            patch.setenv(name, value)
            Marching().flow(0.1)
            assert kept.folder() is None
    assert files(tmp_path) == []


def test_every_bit_of_the_arguments_counts(place: Path) -> None:
    profile = np.linspace(0.0, 1.0, 5)
    less = profile.copy()
    less[2] = np.nextafter(less[2], 0.0)
    starts = [
        None, "a", ("a",), (("a",),), Start(0.1, profile), Start(0.1, less),
        Start(np.nextafter(0.1, 1.0), profile), Start(0.1, profile.reshape(5, 1)),
        Start(0.1, profile.view(np.int64)), Start(1, profile), Start(1.0, profile),
        Start(True, profile),
    ]  # fmt: skip
    m = Marching()
    for _ in range(2):
        for start in starts:
            m.flow(0.1, 4, start)
        m.flow(np.float64(0.1), np.int64(4), None)
    assert m.calls == len(starts)
    with pytest.raises(TypeError, match="cannot name"):
        m.flow(0.1, 4, {0.1})


def test_only_what_the_owner_may_read_and_no_pickle(place: Path) -> None:
    Marching().flow(0.1)
    (path,) = files(place)
    if os.name == "posix":
        assert stat.S_IMODE(place.stat().st_mode) == 0o700
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
    with path.open("rb") as file:
        assert file.readline().decode().startswith(path.stem.partition("-")[2])
        found = [np.lib.format.read_array(file, allow_pickle=False) for _ in range(4)]
    assert [part.dtype for part in found] == [np.float32, np.float64, np.float64, np.int64]


class Trap:
    """Makes a file when it is unpickled."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def __reduce__(self) -> tuple[Callable[..., None], tuple[str]]:
        return os.mkdir, (str(self.path),)


def test_broken_and_foreign_files_are_computed_again(place: Path, tmp_path: Path) -> None:
    m = Marching()
    right = m.flow(0.1)
    m.flow(0.2)
    names = [entry.path for entry in kept.entries()]
    own, other = sorted(names, key=lambda path: path.stat().st_mtime_ns)
    whole = own.read_bytes()
    broken = [whole[:n] for n in (0, 1, 100, len(whole) // 2, len(whole) - 1)]
    for at in range(0, len(whole), 7):
        broken.append(whole[:at] + bytes([whole[at] ^ 4]) + whole[at + 1 :])
    broken += [b"\0" * len(whole), whole + b"\0", other.read_bytes()]
    stream = io.BytesIO()
    np.save(stream, np.array([Trap(tmp_path / "sprung")], dtype=object))
    broken.append(kept._head(own.stem.partition("-")[2], stream.getvalue()) + stream.getvalue())
    for calls, data in enumerate(broken, start=3):
        own.write_bytes(data)
        assert equal(m.flow(0.1), right)
        assert m.calls == calls
        assert own.read_bytes() == whole
    assert not (tmp_path / "sprung").exists()


@pytest.mark.parametrize("how", ["a file is in the way", "read-only", "full"])
def test_without_room_values_are_computed(
    how: str, place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    if how == "a file is in the way":
        place.write_text("mine")
    elif how == "read-only":
        place.mkdir()
        place.chmod(0o500)
        if os.access(place, os.W_OK):
            pytest.skip("this user may write everywhere")
    else:

        def full(*_: object) -> None:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

        monkeypatch.setattr(os, "replace", full)
    m = Marching()
    assert equal(m.flow(0.1), m.flow(0.1))
    assert m.calls == 2
    assert kept.entries() == []
    assert main(["cache", "--clear"]) == 0
    if how == "a file is in the way":
        assert place.read_text() == "mine"


def test_the_longest_unread_make_room(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    m = Marching()
    m.flow(0.0, 1000)
    one = sum(path.stat().st_size for path in files(place))
    bound = 20.5 * one
    monkeypatch.setenv(kept.BOUND, repr(bound / 1e6))
    (favourite,) = files(place)
    foreign = place / "wake-notes.txt"
    foreign.write_text("mine")
    for n in range(1, 60):
        for old in files(place):
            about = old.stat()
            os.utime(old, (about.st_atime, about.st_mtime - 10.0))
        m.flow(float(n), 1000)
        m.flow(0.0, 1000)  # read, so not unread
        assert sum(entry.size for entry in kept.entries()) <= 1.05 * bound
    assert m.calls == 60
    assert favourite.exists()
    assert foreign.read_text() == "mine"
    assert len(files(place)) > 12


def test_unfinished_files_of_killed_processes_go_in_time(place: Path) -> None:
    place.mkdir()
    old, new = place / "unfinished-abcdefgh", place / "unfinished-12345678"
    for path, age in ((old, 7200.0), (new, 5.0)):
        path.write_bytes(b"half")
        os.utime(path, (time.time() - age,) * 2)
    Marching().flow(0.1)
    assert not old.exists()
    assert new.exists()


def test_reading_only_reads_and_keeps_nothing(place: Path) -> None:
    m = Marching()
    m.flow(0.1)
    with reading_only():
        m.flow(0.1)
        m.flow(0.2)
    assert m.calls == 2
    assert len(files(place)) == 1
    m.flow(0.2)
    assert len(files(place)) == 2


def test_the_source_is_part_of_the_key(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(kept, "_PACKAGE", tmp_path)
    for name in ("section/march.py", "constants.py", "outputs/tables.py"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text("A = 1\n")
    assert kept._method.__wrapped__() is None  # edited while this process runs
    monkeypatch.setattr(kept, "_STARTED_S", time.time() + 60.0)
    before = kept._method.__wrapped__()
    (tmp_path / "outputs/tables.py").write_text("A = 2\n")
    assert kept._method.__wrapped__() == before
    for name in ("section/march.py", "constants.py"):
        (tmp_path / name).write_text("A = 2\n")
        after = kept._method.__wrapped__()
        assert after != before
        before = after


WRITER = """
    import sys, time
    from test_kept import Marching
    m = Marching()
    while time.time() < float(sys.argv[1]):
        pass
    for n in range(60):
        m.flow(n / 7.0, 3000)
    print(sum(float(m.flow(n / 7.0, 3000).u.sum()) for n in range(60)))
"""


def started(at: float) -> subprocess.Popen[str]:
    path = os.pathsep.join([str(ROOT), str(Path(__file__).parent)])
    return subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(WRITER), repr(at)],
        env=os.environ | {"PYTHONPATH": path}, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip


def test_processes_write_the_same_values_at_once_and_one_is_killed(place: Path) -> None:
    at = time.time() + 6.0
    *others, victim = (started(at) for _ in range(3))
    time.sleep(max(0.0, at - time.time()) + 0.1)
    victim.kill()
    victim.wait()
    texts = {other.communicate()[0] for other in others}
    m = Marching()
    mine = sum(float(m.flow(n / 7.0, 3000).u.sum()) for n in range(60))
    assert texts == {f"{mine}\n"}
    assert m.calls == 0
    whole = [path for path in files(place) if path.suffix == ".arrays"]
    assert len(whole) == 60
    assert len(files(place)) <= 61  # of the killed one


def test_cache_command(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["cache"]) == 0
    m = Marching()
    m.flow(0.1)
    m.strengths(np.eye(3))
    (place / "unfinished-abcdefgh").write_bytes(b"half")
    (place / "mine.arrays").write_text("mine")
    capsys.readouterr()
    assert main(["cache"]) == 0
    said = capsys.readouterr().out
    assert str(place) in said
    assert "of at most 500 MB" in said
    assert main(["cache", "--clear", "--json"]) == 0
    assert '"removed": 3' in capsys.readouterr().out
    assert [path.name for path in files(place)] == ["mine.arrays"]
    m.flow(0.1)
    assert m.calls == 3


ROAD = """
    import sys
    from wakesim.case.load import load_case
    from wakesim.measures.model_interval import coarse
    from wakesim.traffic.point_statistics import point_statistics, pulse_tables
    from wakesim.traffic.scene import field_settings
    case = load_case(sys.argv[1])
    settings = coarse(field_settings(case))
    found = point_statistics(
        case, [[1.5, 1.5]], hours=[0, 1], settings=settings, pulses=pulse_tables(settings)
    )
    print(found.mean_cube_m3_s3.tobytes().hex())
"""


def test_statistics_of_a_road_empty_full_and_off(place: Path, tmp_path: Path) -> None:
    text = text_of()
    load_case_text(text, "test.toml")
    (tmp_path / "road.toml").write_text(text, encoding="utf-8")

    def computed(folder: str) -> str:
        environment = os.environ | {"PYTHONPATH": str(ROOT), kept.FOLDER: folder}
        return subprocess.run(
            [sys.executable, "-c", textwrap.dedent(ROAD), str(tmp_path / "road.toml")],
            env=environment, capture_output=True, text=True, check=True,
        ).stdout  # fmt: skip

    computed("off")  # kernels compiled now and compiled before can differ in the last bit
    empty = computed(str(place))
    assert {entry.kind for entry in kept.entries()} == set(kept.KINDS)
    written = {path: path.stat().st_ino for path in files(place)}
    full = computed(str(place))
    assert written == {path: path.stat().st_ino for path in files(place)}
    assert len(empty) > 16
    assert empty == full == computed("off")
