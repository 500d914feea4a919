"""Times of this program against those of an earlier commit, alternating, and of one worker against
two; with growth and equality these are the table of README.md.

    python tests/benchmarks/side_by_side.py --write
"""

from __future__ import annotations

import argparse
import os
import signal
import statistics
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from benchmark_cases import CASES, FULL, LEAST_SAMPLES, SHORT, TINY
from programs import BEFORE, ONE_THREAD, ROOT, Program, Used, program_of, this_program
from rows import Row, from_json, said, write

MEMORY_MB = 400.0
BUSY = 1.0  # load before the first run from which the rows say so


@dataclass(frozen=True)
class Bench:
    """What the benchmarks share: the two programs, the size of cases, how often, and where to."""

    before: Program
    now: Program
    size: str
    times: int
    busy: str

    def text(self, case: str, size: str | None = None) -> str:
        """A case as the earlier commit has it, so that both compute the same."""
        example, make = CASES[case]
        return make(self.before.case_text(example), size or self.size)

    def row(
        self, name: str, what: str, measured: str, value: float, mark: float | None = None,
        **more: object,
    ) -> Row:  # fmt: skip
        """A row that tells when the machine was busy before."""
        return Row(name, what, measured + self.busy, value, mark, **more)  # type: ignore[arg-type]


Runs = Mapping[str, Callable[[], Used]]


def alternate(runs: Runs, times: int) -> dict[str, list[Used]]:
    """Each run ``times`` times, in turn; every other round in the other order."""
    found: dict[str, list[Used]] = {name: [] for name in runs}
    for number in range(times):
        for name in list(runs)[:: -1 if number % 2 else 1]:
            used = runs[name]()
            found[name].append(used)
            print(
                f"  {name}: {used.wall_s:.2f} s, CPU {used.cpu_s:.2f} s, {used.peak_mb:.0f} MB",
                file=sys.stderr, flush=True,
            )  # fmt: skip
    return found


def wall(found: Sequence[Used]) -> float:
    """Median of the wall clock, s."""
    return statistics.median(used.wall_s for used in found)


def cpu(found: Sequence[Used]) -> float:
    """Median of the processor time, s."""
    return statistics.median(used.cpu_s for used in found)


def peak(found: Sequence[Used]) -> float:
    """Largest memory of a process, MB."""
    return max(used.peak_mb for used in found)


def less(whole_s: float, rest_s: float) -> float:
    """What a part takes, s; no number, which meets no mark, where noise hides it."""
    return whole_s - rest_s if whole_s > rest_s else float("nan")


def two(first: Sequence[Used], second: Sequence[Used]) -> str:
    """Two medians side by side."""
    quickest = [min(used.wall_s for used in found) for found in (first, second)]
    return (
        f"{wall(first):.2f} s → {wall(second):.2f} s (quickest {quickest[0]:.2f} → "
        f"{quickest[1]:.2f}), CPU {cpu(first):.2f} s → {cpu(second):.2f} s"
    )


# --- against the earlier commit -------------------------------------------------------------------


def _against(bench: Bench, case: str) -> dict[str, list[Used]]:
    text = bench.text(case)
    runs = {"before": lambda: bench.before.run(text), "now": lambda: bench.now.run(text)}
    return alternate(runs, bench.times)


def main_case(bench: Bench) -> Iterator[Row]:
    """The main case, with nothing kept from earlier runs."""
    found = _against(bench, "main")
    before, now = found["before"], found["now"]
    ratio = wall(now) / wall(before)
    yield bench.row("main", "day beside the expressway", two(before, now), ratio, 0.35)
    memory = f"{peak(before):.0f} MB → {peak(now):.0f} MB"
    yield bench.row("main", "its peak memory", memory, peak(now), MEMORY_MB, unit=" MB")


def moved(bench: Bench) -> Iterator[Row]:
    """The main case with the mount half a metre further out, after a run where it was."""
    with tempfile.TemporaryDirectory(prefix="wakesim-benchmark-") as folder:
        kept = Path(folder) / "kept"
        bench.now.run(bench.text("main"), keep=kept)
        text = bench.text("moved")
        runs = {
            "before": lambda: bench.before.run(text),
            "now": lambda: bench.now.run(text, kept=kept),
        }
        found = alternate(runs, bench.times)
    ratio = wall(found["now"]) / wall(found["before"])
    measured = two(found["before"], found["now"])
    yield bench.row("moved", "the same again, mount moved 0.5 m", measured, ratio, 0.25)


def mounting_map(bench: Bench) -> Iterator[Row]:
    """The map of places."""
    found = _against(bench, "map")
    ratio = wall(found["now"]) / wall(found["before"])
    measured = two(found["before"], found["now"])
    yield bench.row("map", "map of 40 × 30 places", measured, ratio, 0.5)


def lookup_table(bench: Bench) -> Iterator[Row]:
    """The table of states."""
    for program in (bench.before, bench.now):
        program.run(bench.text("table", TINY))  # compiled, sooner than in a whole run
    found = _against(bench, "table")
    ratio = wall(found["now"]) / wall(found["before"])
    measured = two(found["before"], found["now"])
    yield bench.row("table", "table of 33 600 states", measured, ratio, 0.4)


def uncertain_yield(bench: Bench) -> Iterator[Row]:
    """The samples of a yield: a run with them less one without, and the whole run."""
    with_text, without = bench.text("yield"), bench.text("certain")
    runs = {
        "before": lambda: bench.before.run(with_text),
        "now": lambda: bench.now.run(with_text),
        "before, no samples": lambda: bench.before.run(without),
        "now, no samples": lambda: bench.now.run(without),
    }
    found = alternate(runs, bench.times)
    before, now = found["before"], found["now"]
    before_0, now_0 = found["before, no samples"], found["now, no samples"]
    old, new = less(wall(before), wall(before_0)), less(wall(now), wall(now_0))
    old_cpu, new_cpu = cpu(before) - cpu(before_0), cpu(now) - cpu(now_0)
    measured = f"{old:.2f} s → {new:.2f} s, CPU {old_cpu:.2f} s → {new_cpu:.2f} s"
    what = f"{LEAST_SAMPLES} samples: run with less run without"
    yield bench.row("yield", what, measured, new / old, 0.3)
    what = f"whole run with {LEAST_SAMPLES} samples"
    yield bench.row("yield", what, two(before, now), wall(now) / wall(before))
    what = "whole run without samples"
    yield bench.row("yield", what, two(before_0, now_0), wall(now_0) / wall(before_0))


# --- workers --------------------------------------------------------------------------------------


def workers(bench: Bench) -> Iterator[Row]:
    """Two workers against one, each with one thread, as workers have."""
    small = TINY if bench.size != TINY else SHORT
    texts = {
        "table": bench.text("table"), "few states": bench.text("table", small),
        "map": bench.text("map"), "yield": bench.text("yield"), "certain": bench.text("certain"),
    }  # fmt: skip

    def run(case: str, number: str) -> Callable[[], Used]:
        return lambda: bench.now.run(texts[case], ["--workers", number], variables=ONE_THREAD)

    found = {}
    for case in texts:
        runs = {f"{case}, {number}": run(case, number) for number in "12"}
        found |= alternate(runs, bench.times)
    one, second = found["table, 1"], found["table, 2"]
    yield bench.row("workers", "table", two(one, second), wall(one) / wall(second), 1.9, least=True)
    for what, all_, rest, mark in (
        ("states of the table: run with all less run with few", "table", "few states", 1.9),
        ("samples of the yield: run with less run without", "yield", "certain", 1.9),
    ):
        t = [less(wall(found[f"{all_}, {n}"]), wall(found[f"{rest}, {n}"])) for n in "12"]
        c = [cpu(found[f"{all_}, {n}"]) - cpu(found[f"{rest}, {n}"]) for n in "12"]
        measured = f"{t[0]:.2f} s → {t[1]:.2f} s, CPU {c[0]:.2f} s → {c[1]:.2f} s"
        yield bench.row("workers", what, measured, t[0] / t[1], mark, least=True)
    for what, case in (("map", "map"), ("uncertain yield, whole run", "yield")):
        one, second = found[f"{case}, 1"], found[f"{case}, 2"]
        yield bench.row("workers", what, two(one, second), wall(one) / wall(second))


def year_of_posts(bench: Bench) -> Iterator[Row]:
    """A year of hours at many posts: one worker over two, each with one thread."""
    example, make = CASES["posts"]
    text = make(bench.now.case_text(example), bench.size)

    def run(number: str) -> Callable[[], Used]:
        return lambda: bench.now.run(text, ["--workers", number], variables=ONE_THREAD)

    found = alternate({number: run(number) for number in "12"}, bench.times)
    one, second = found["1"], found["2"]
    measured, ratio = two(one, second), wall(one) / wall(second)
    yield bench.row("posts", "year at 100 posts", measured, ratio, 1.9, least=True)


# --- others ---------------------------------------------------------------------------------------


def _other(script: str, *arguments: str) -> list[Row]:
    """Rows of a script of this folder that has a command of its own."""
    command = [sys.executable, str(Path(__file__).with_name(script)), "--json", *arguments]
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    done = subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True, env=environment)
    return from_json(done.stdout)


BENCHMARKS: dict[str, Callable[[Bench], Iterator[Row]]] = {
    "main": main_case, "moved": moved, "map": mounting_map, "table": lookup_table,
    "yield": uncertain_yield, "workers": workers, "posts": year_of_posts,
}  # fmt: skip
SCRIPTS = {"growth": "growth.py", "equal": "equal.py"}
ORDER = (*BENCHMARKS, *SCRIPTS)


def _names(text: str) -> list[str]:
    names = [name.strip() for name in text.split(",")]
    for name in names:
        if name not in ORDER:
            raise argparse.ArgumentTypeError(f"{name}: must be of {', '.join(ORDER)}")
    return names


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.split(";")[0])
    parser.add_argument("--only", type=_names, metavar="NAMES", default=list(ORDER),
                        help=f"of {', '.join(ORDER)}; default all")  # fmt: skip
    parser.add_argument("--times", type=int, default=3, help="runs of each program (default 3)")
    parser.add_argument("--write", action="store_true", help="put the rows into README.md")
    parser.add_argument("--short", action="store_true", help="smaller cases, to try")
    parser.add_argument("--tiny", action="store_true", help="the smallest, to test this command")
    parser.add_argument("--old", type=Path, metavar="DIR",
                        help="where earlier programs are built and found again "
                        "(default: below the user's cache folder)")  # fmt: skip
    parser.add_argument("--commit", default=BEFORE, help=f"the earlier program (default {BEFORE})")
    options = parser.parse_args()
    if options.write and (options.short or options.tiny or options.commit != BEFORE):
        parser.error("--write is for full cases against the default commit")
    return options


def main() -> int:
    """Run the command; 1 when a mark is not met."""
    options = _options()
    signal.signal(signal.SIGTERM, signal.default_int_handler)  # ends the run that is timed
    size = TINY if options.tiny else SHORT if options.short else FULL
    load = os.getloadavg()[0] if hasattr(os, "getloadavg") else 0.0
    busy = f"; machine busy before: load {load:.1f}" if load > BUSY else ""
    rows: list[Row] = []
    for name in options.only:
        print(f"{name} ...", file=sys.stderr, flush=True)
        try:
            if name in SCRIPTS:
                folder = ["--old", str(options.old)] if options.old and name == "equal" else []
                found = _other(SCRIPTS[name], *folder)
            else:
                before = program_of(options.commit, options.old)
                bench = Bench(before, this_program(), size, options.times, busy)
                found = list(BENCHMARKS[name](bench))
        except (RuntimeError, subprocess.CalledProcessError) as error:
            print(error, file=sys.stderr, flush=True)
            found = [Row(name, "a run failed", "nothing", float("nan"), 0.0)]
        rows += found
        print(said(found), flush=True)
        if options.write:
            write(found, [name], ORDER)
    return int(any(row.met is False for row in rows))


if __name__ == "__main__":
    sys.exit(main())
