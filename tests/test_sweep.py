"""Sweeps: order, resumption after kills, failures, and disks that do not take any more."""

from __future__ import annotations

import errno
import os
import random
import signal
import subprocess
import sys
import textwrap
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
import sweep_tasks

from wakesim import sweep as sweep_module
from wakesim.errors import CaseError, OutputError
from wakesim.progress import duration, log_duration
from wakesim.sweep import SweepOutcome, Task, content_key, sweep
from wakesim.workers import cluster_executor

HERE = Path(__file__).parent


def tasks(count: int, **more: object) -> list[Task]:
    out = []
    for i in range(count):
        payload = {"x": float(i), **more}
        out.append(Task(content_key(float(i)), payload))
    return out


def equal(a: SweepOutcome, b: SweepOutcome) -> bool:
    def same(left: object, right: object) -> bool:
        if left is None or right is None:
            return left is right
        return left.keys() == right.keys() and all(  # type: ignore[union-attr]
            np.array_equal(left[k], right[k])
            for k in left  # type: ignore[index, union-attr]
        )

    return len(a.results) == len(b.results) and all(map(same, a.results, b.results))


def marks(folder: Path) -> dict[str, int]:
    return {path.name: len(path.read_text()) for path in folder.iterdir()}


def test_results_come_in_the_order_of_the_tasks(tmp_path: Path) -> None:
    found = sweep(sweep_tasks.square, tasks(11), tmp_path, chunk_size=3)
    assert [r["square"] for r in found.results if r] == [float(i * i) for i in range(11)]
    assert found.computed == 11
    with ThreadPoolExecutor(3) as pool:
        again = sweep(sweep_tasks.square, tasks(11), tmp_path / "b", executor=pool, chunk_size=2)
    assert equal(found, again)


def test_nothing_is_computed_twice(tmp_path: Path) -> None:
    made = tmp_path / "marks"
    made.mkdir()
    first = sweep(sweep_tasks.slow_square, tasks(8, marks=str(made), pause_s=0), tmp_path / "s")
    more = tasks(8, marks=str(made), pause_s=0)
    second = sweep(sweep_tasks.slow_square, more, tmp_path / "s")
    assert (second.computed, second.reused) == (0, 8)
    assert equal(first, second)
    assert set(marks(made).values()) == {1}


def test_other_inputs_do_not_match(tmp_path: Path) -> None:
    sweep(sweep_tasks.square, tasks(4), tmp_path)
    other = [Task(content_key("other", t.key), {"x": 2.0 * t.payload["x"]}) for t in tasks(4)]
    found = sweep(sweep_tasks.square, other, tmp_path)
    assert found.reused == 0
    assert found.results[3]["square"] == 36.0
    assert content_key(0.1) != content_key(0.1 + 1e-17 + 2e-17)
    assert content_key({"a": 1, "b": np.float64(2)}) == content_key({"b": 2.0, "a": 1})


def test_failed_points_are_recorded_and_the_rest_completes(tmp_path: Path) -> None:
    found = sweep(sweep_tasks.fails_at_three, tasks(6), tmp_path)
    assert [r is None for r in found.results] == [False, False, False, True, False, False]
    (failure,) = found.failures
    assert failure.index == 3
    assert failure.reason == "ValueError: three is not possible at all"
    text = (tmp_path / "failures.csv").read_text()
    assert "4," in text
    assert "three is not possible" in text
    sweep(sweep_tasks.square, tasks(2), tmp_path, what="another")
    assert (tmp_path / "failures.csv").read_text() == text
    again = sweep(sweep_tasks.fails_at_three, tasks(6), tmp_path)
    assert (again.reused, again.computed, len(again.failures)) == (5, 0, 1)
    assert (tmp_path / "failures.csv").read_text() == text
    sweep(sweep_tasks.square, tasks(6), tmp_path)
    assert not (tmp_path / "failures.csv").exists()


def test_a_damaged_shard_is_computed_again(tmp_path: Path) -> None:
    first = sweep(sweep_tasks.square, tasks(8), tmp_path, chunk_size=4)
    shards = sorted((tmp_path / "shards").glob("*.npz"))
    shards[0].write_bytes(shards[0].read_bytes()[:-30])
    shards[1].write_bytes(b"")
    again = sweep(sweep_tasks.square, tasks(8), tmp_path, chunk_size=4)
    assert again.computed == 8
    assert equal(first, again)


def test_a_worker_that_dies_once_is_replaced(tmp_path: Path) -> None:
    found = sweep(
        sweep_tasks.dies_once, tasks(8, marks=str(tmp_path)), tmp_path / "s", workers=2,
        chunk_size=2,
    )  # fmt: skip
    assert not found.failures
    assert (tmp_path / "died").exists()
    assert equal(found, sweep(sweep_tasks.square, tasks(8), tmp_path / "plain"))


def test_a_point_that_kills_every_worker_is_found(tmp_path: Path) -> None:
    found = sweep(sweep_tasks.kills_its_worker, tasks(6), tmp_path, workers=2, chunk_size=1)
    assert [f.index for f in found.failures] == [3]
    assert "worker died" in found.failures[0].reason
    assert sum(r is not None for r in found.results) == 5


def test_an_interrupt_keeps_what_is_done(tmp_path: Path) -> None:
    with pytest.raises(KeyboardInterrupt):
        sweep(sweep_tasks.interrupts, tasks(6), tmp_path, chunk_size=1)
    assert len(list((tmp_path / "shards").glob("*.npz"))) == 3


RUN = """
    import sys
    sys.path.insert(0, {here!r})
    import sweep_tasks, test_sweep
    from wakesim.sweep import sweep
    if __name__ == "__main__":
        todo = test_sweep.tasks(24, marks={made!r}, pause_s=0.03)
        sweep(sweep_tasks.slow_square, todo, {folder!r}, workers={workers}, chunk_size=2)
"""


@pytest.mark.parametrize("workers", [1, 2])
def test_kill_at_a_random_moment_then_resume(tmp_path: Path, workers: int) -> None:
    made, folder = tmp_path / "marks", tmp_path / "s"
    made.mkdir()
    script = tmp_path / "run.py"
    text = RUN.format(here=str(HERE), made=str(made), folder=str(folder), workers=workers)
    script.write_text(textwrap.dedent(text))
    process = subprocess.Popen([sys.executable, str(script)], start_new_session=True)
    deadline = time.monotonic() + 60.0
    while not list(folder.glob("shards/*.npz")) and time.monotonic() < deadline:
        time.sleep(0.01)
    time.sleep(random.uniform(0.0, 0.3))
    os.killpg(process.pid, signal.SIGKILL)
    process.wait()
    kept = len(list(folder.glob("shards/*.npz")))
    assert kept > 0
    before = marks(made)
    todo = tasks(24, marks=str(made), pause_s=0.0)
    resumed = sweep(sweep_tasks.slow_square, todo, folder, chunk_size=2)
    assert resumed.reused == 2 * kept
    plain = sweep(sweep_tasks.square, tasks(24), tmp_path / "plain", chunk_size=2)
    assert equal(resumed, plain)
    # only points of unfinished chunks were computed again
    after = marks(made)
    assert sum(after.values()) - sum(before.values()) == 24 - 2 * kept


@pytest.mark.skipif(sys.platform == "win32", reason="needs signals")
@pytest.mark.parametrize("ending", ["SIGKILL", "SIGTERM"])
def test_no_worker_outlives_its_parent(tmp_path: Path, ending: str) -> None:
    script = tmp_path / "run.py"
    text = RUN.format(here=str(HERE), made=str(tmp_path), folder=str(tmp_path / "s"), workers=2)
    script.write_text(textwrap.dedent(text).replace("slow_square", "waits"))
    process = subprocess.Popen([sys.executable, str(script)], stderr=subprocess.DEVNULL)
    assert _soon(lambda: len(list(tmp_path.glob("*.pid"))) == 2, 60.0)  # each has a task
    workers = [int(path.stem) for path in tmp_path.glob("*.pid")]
    assert all(map(_runs, workers))
    process.send_signal(getattr(signal, ending))
    process.wait()
    ended = _soon(lambda: not any(map(_runs, workers)), 10.0)
    for worker in filter(_runs, workers):
        os.kill(worker, signal.SIGKILL)
    assert ended


def _soon(condition: Callable[[], bool], seconds: float) -> bool:
    deadline = time.monotonic() + seconds
    while not condition() and time.monotonic() < deadline:
        time.sleep(0.01)
    return condition()


def _runs(process: int) -> bool:
    """Whether a process is there, and not only waits to be collected."""
    done = subprocess.run(
        ["ps", "-o", "stat=", "-p", str(process)], capture_output=True, text=True, check=False
    )
    return bool(done.stdout.strip()) and not done.stdout.strip().startswith("Z")


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (5.0, "1 min"), (89.0, "1 min"), (1500.0, "25 min"), (5400.0, "1 h 30 min"),
        (7300.0, "2 h"), (30_000.0, "8 h 20 min"), (100_000.0, "28 h"), (500_000.0, "6 days"),
    ],
)  # fmt: skip
def test_durations_in_words(seconds: float, words: str) -> None:
    assert duration(seconds) == words


def test_how_long_a_sweep_takes_is_told_once_from_its_first_tasks(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """A first task of 100 s, then 30 s each: 4 done, 16 left on one process."""
    clock = iter([t for k in range(20) for t in (1e3 * k, 1e3 * k + (30.0 if k else 100.0))])
    monkeypatch.setattr(sweep_module.time, "perf_counter", lambda: next(clock))
    shares: list[float] = []
    with caplog.at_level("INFO", logger="wakesim"):
        found = sweep(
            sweep_tasks.square, tasks(20), tmp_path, chunk_size=4, what="states",
            progress=lambda share, _: shares.append(share),
        )  # fmt: skip
    (line,) = caplog.messages
    assert line == "states: 16 points take about 8 min on 1 process"
    assert shares[0] == 4 / 20
    assert found.seconds_a_task == 30.0
    caplog.clear()
    with caplog.at_level("INFO", logger="wakesim"):
        again = sweep(sweep_tasks.square, tasks(20), tmp_path, chunk_size=4)
    assert caplog.messages == []  # nothing is left to do
    assert np.isnan(again.seconds_a_task)


def test_processes_share_the_time_that_is_told(caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level("INFO", logger="wakesim"):
        assert log_duration("states", 4, 1000, 3.6) == 900.0
        assert log_duration("states", 4, 2, 90.0) == 90.0
        assert log_duration("states", 4, 100, 2.0) == 50.0  # not long
    assert caplog.messages == [
        "states: 1000 points take about 15 min on 4 processes",
        "states: 2 points take about 2 min on 2 processes",
    ]


def test_the_last_bits_are_rounded_away_and_nothing_else(tmp_path: Path) -> None:
    third = 1.0 / 3.0
    todo = [
        Task(content_key(k), {"x": x})
        for k, x in enumerate([third, np.nextafter(third, 1.0), -1e-300, np.inf, np.nan, 0.0])
    ]
    found = [r["square"] for r in sweep(sweep_tasks.itself, todo, tmp_path).results if r]
    assert found[0] == found[1]
    assert found[0] == pytest.approx(third, rel=2.0**-29, abs=0.0)
    assert found[2] == pytest.approx(-1e-300, rel=2.0**-29, abs=0.0)
    assert found[3] == np.inf
    assert np.isnan(found[4])
    assert found[5] == 0.0


def test_two_runs_do_not_share_a_folder(tmp_path: Path) -> None:
    code = (
        "import sys; from wakesim.folders import hold\n"
        "with hold(sys.argv[1]):\n    print('held', flush=True); sys.stdin.read()"
    )
    holder = subprocess.Popen(
        [sys.executable, "-c", code, str(tmp_path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    )
    assert holder.stdout is not None
    assert holder.stdout.readline().strip() == b"held"
    with pytest.raises(OutputError, match="another run"):
        sweep(sweep_tasks.square, tasks(2), tmp_path)
    holder.kill()  # the system lets go
    holder.wait()
    assert sweep(sweep_tasks.square, tasks(2), tmp_path).computed == 2


def test_a_full_disk_is_one_clear_line_and_loses_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    count = 0
    real = os.fsync

    def full(descriptor: int) -> None:
        nonlocal count
        count += 1
        if count > 2:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        real(descriptor)

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OutputError) as caught:
        sweep(sweep_tasks.square, tasks(8), tmp_path, chunk_size=2)
    assert "No space left on device" in str(caught.value)
    assert "\n" not in str(caught.value)
    monkeypatch.undo()
    assert not list((tmp_path / "shards").glob("*.part"))
    again = sweep(sweep_tasks.square, tasks(8), tmp_path, chunk_size=2)
    assert again.reused == 4


def test_a_folder_that_cannot_be_made(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(OutputError, match="is a file"):
        sweep(sweep_tasks.square, tasks(2), tmp_path / "file")
    (tmp_path / "shards").write_text("")
    with pytest.raises(OutputError, match="cannot be made"):
        sweep(sweep_tasks.square, tasks(2), tmp_path)


def test_nonsense_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="same key"):
        sweep(sweep_tasks.square, [*tasks(1), *tasks(1)], tmp_path)
    with pytest.raises(ValueError, match="at least 1"):
        sweep(sweep_tasks.square, tasks(1), tmp_path, workers=0)


def test_no_scheduler_is_said() -> None:
    pytest.importorskip("distributed")
    with pytest.raises(CaseError, match="cluster"), cluster_executor("not an address"):
        pass


CLUSTER = """
    import os, signal, sys
    import distributed
    import sweep_tasks, test_sweep
    from wakesim.sweep import sweep
    from wakesim.workers import cluster_executor

    def main():
        made, folder, plain = sys.argv[1:]
        todo = test_sweep.tasks(24, marks=made, pause_s=0.05)
        killed = []
        with distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
        ) as cluster:
            victim = next(iter(cluster.workers.values())).pid

            def kill_once(done, _):
                if not killed and done > 0.2:
                    os.kill(victim, signal.SIGKILL)
                    killed.append(done)

            with cluster_executor(cluster.scheduler_address) as executor:
                found = sweep(
                    sweep_tasks.slow_square, todo, folder, executor=executor, chunk_size=2,
                    progress=kill_once,
                )
        right = sweep(sweep_tasks.square, test_sweep.tasks(24), plain, chunk_size=2)
        print(f"killed {len(killed)} failed {len(found.failures)} {test_sweep.equal(found, right)}")

    if __name__ == "__main__":
        main()
"""


def test_a_cluster_worker_killed_at_a_random_moment(tmp_path: Path) -> None:
    """In an interpreter of its own: a cluster's event loop does not like company."""
    pytest.importorskip("distributed")
    made = tmp_path / "marks"
    made.mkdir()
    script = tmp_path / "cluster.py"
    script.write_text(textwrap.dedent(CLUSTER))
    path = os.pathsep.join([str(HERE), os.environ.get("PYTHONPATH", "")])
    done = subprocess.run(
        [sys.executable, str(script), str(made), str(tmp_path / "s"), str(tmp_path / "plain")],
        env=os.environ | {"PYTHONPATH": path}, capture_output=True, text=True, timeout=240,
    )  # fmt: skip
    assert done.stdout.strip() == "killed 1 failed 0 True", done.stderr
