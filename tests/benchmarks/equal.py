"""Results of this program against those of the last commit that changed numbers on purpose.

    python tests/benchmarks/equal.py

Summary and variables are compared one by one; the largest relative differences are printed. The
scale of a difference is the largest value of its variable.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import h5py
import numpy as np
from benchmark_cases import SHORT, TINY, changed, lookup_table, main, mounting_map
from programs import program_of, this_program
from rows import Row, said, to_json

NUMBERS = "c7ff3c1"  # the last commit that changed numbers on purpose
MARK = 1e-6
_ASIDE = ("provenance", "wall_time_s", "threads", "created_utc")  # differ from run to run


def wall_face(text: str, size: str) -> str:
    """An hour of the rotor on a wall, or three minutes."""
    return changed(text, duration_h=f"{1.0 if size == SHORT else 0.05}\nmax_rounds = 1")


def as_it_is(text: str, size: str) -> str:
    """The example itself."""
    return text


CASES: dict[str, tuple[str, Callable[[str, str], str]]] = {
    "single pass": ("single-pass", as_it_is),
    "single passes": ("single-pass-table", as_it_is),
    "hour beside the expressway": ("expressway-post", main),
    "hour at a wall": ("wall-face", wall_face),
    "map": ("mounting-map", mounting_map),
    "table": ("lookup-table", lookup_table),
}


def summary_numbers(value: Any, name: str = "summary") -> Iterator[tuple[str, np.ndarray]]:
    """Numbers of a summary by their place in it."""
    if isinstance(value, Mapping):
        for key, part in value.items():
            if key not in _ASIDE:
                yield from summary_numbers(part, f"{name}/{key}")
    elif isinstance(value, list):
        for number, part in enumerate(value):
            yield from summary_numbers(part, f"{name}/{number}")
    elif isinstance(value, int | float) and not isinstance(value, bool):
        yield name, np.asarray(float(value))


def file_numbers(path: Path) -> Iterator[tuple[str, np.ndarray]]:
    """Variables of numbers of an HDF5 file by their path."""
    found: dict[str, np.ndarray] = {}

    def visit(name: str, item: h5py.Group | h5py.Dataset) -> None:
        if isinstance(item, h5py.Dataset) and item.dtype.kind in "biuf":
            found[name] = np.asarray(item[()], dtype=float)

    with h5py.File(path) as file:
        file.visititems(visit)
    yield from found.items()


def numbers(folder: Path) -> dict[str, np.ndarray]:
    """All numbers of a folder of results."""
    summary = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
    found = dict(summary_numbers(summary))
    for path in sorted(folder.glob("*.h5")):
        found |= {f"{path.name}/{name}": value for name, value in file_numbers(path)}
    return found


def difference(before: np.ndarray, now: np.ndarray) -> float:
    """Largest difference over the largest value; infinite where shapes or gaps differ."""
    if before.shape != now.shape or not np.array_equal(np.isfinite(before), np.isfinite(now)):
        return np.inf
    finite = np.isfinite(before)
    gap = np.max(np.abs(now - before), where=finite, initial=0.0)
    scale = np.max(np.abs(before), where=finite, initial=0.0)
    return float(gap / scale) if scale else float(np.inf if gap else 0.0)


def main_command() -> int:
    """Run the command; 1 when results differ by more than the mark."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--only", metavar="NAMES", help=f"of {', '.join(CASES)}; default all")
    parser.add_argument("--tiny", action="store_true", help="smallest cases, to test the command")
    parser.add_argument("--old", type=Path, metavar="DIR", help="where the other is built")
    parser.add_argument("--commit", default=NUMBERS, help=f"the other (default {NUMBERS})")
    parser.add_argument("--most", type=int, default=8, help="differences shown of a case")
    parser.add_argument("--json", action="store_true", help="print the rows as JSON")
    options = parser.parse_args()
    names = options.only.split(",") if options.only else list(CASES)
    before, now = program_of(options.commit, options.old), this_program()
    rows = []
    for name in names:
        example, make = CASES[name]
        text = make(before.case_text(example), TINY if options.tiny else SHORT)
        with tempfile.TemporaryDirectory(prefix="wakesim-benchmark-") as folder:
            for program, place in ((before, "before"), (now, "now")):
                program.run(text, output=Path(folder, place))
            old, new = numbers(Path(folder, "before")), numbers(Path(folder, "now"))
        both = sorted(old.keys() & new.keys(), key=lambda n: -difference(old[n], new[n]))
        worst = {n: difference(old[n], new[n]) for n in both}
        for other in sorted(old.keys() ^ new.keys()):
            print(f"  {other}: only {'before' if other in old else 'now'}", file=sys.stderr)
        for n in both[: options.most]:
            print(f"  {n}: {worst[n]:.1e}", file=sys.stderr)
        beyond = sum(value > MARK for value in worst.values())
        what = f"{name}: largest relative difference from {options.commit}"
        measured = f"{len(both)} quantities, {beyond} beyond; largest of {both[0]}"
        rows.append(Row("equal", what, measured, worst[both[0]], MARK))
    print(to_json(rows) if options.json else said(rows))
    return int(not options.json and any(row.met is False for row in rows))


if __name__ == "__main__":
    sys.exit(main_command())
