"""Rows of the table in README.md: what was measured, against its mark, and on which machine."""

from __future__ import annotations

import json
import os
import platform
import subprocess
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from importlib import metadata
from pathlib import Path

README = Path(__file__).with_name("README.md")
BEGIN, END = "<!-- written by side_by_side.py -->", "<!-- end of what is written -->"
COLUMNS = ("benchmark", "what", "measured", "value", "mark", "met", "date", "commit")


@dataclass(frozen=True)
class Row:
    """A value of a benchmark; ``mark`` is the most it may be, with ``least`` the least."""

    benchmark: str
    what: str
    measured: str
    value: float
    mark: float | None = None
    least: bool = False
    unit: str = ""

    @property
    def met(self) -> bool | None:
        """Whether the mark is met, None without one; not by a value that is no number."""
        if self.mark is None:
            return None
        return self.value >= self.mark if self.least else self.value <= self.mark

    def cells(self) -> tuple[str, ...]:
        """Value, mark and verdict as they are written."""
        sign = "≥" if self.least else "≤"
        mark = "" if self.mark is None else f"{sign} {self.mark:g}{self.unit}"
        verdict = {None: "", True: "yes", False: "**no**"}[self.met]
        value = f"{self.value:.3g}{self.unit}"
        return self.benchmark, self.what, self.measured, value, mark, verdict


def to_json(rows: Iterable[Row]) -> str:
    """Rows as another process reads them."""
    return json.dumps([asdict(row) for row in rows])


def from_json(text: str) -> list[Row]:
    """Rows as another process wrote them."""
    return [Row(**row) for row in json.loads(text)]


def said(rows: Iterable[Row]) -> str:
    """Rows as lines to read."""
    lines = []
    for row in rows:
        name, what, measured, value, mark, verdict = row.cells()
        judged = f" (mark {mark}: {'met' if row.met else 'NOT MET'})" if verdict else ""
        lines.append(f"{name}: {what}: {value}{judged}\n    {measured}")
    return "\n".join(lines)


def machine() -> str:
    """Processor, cores and libraries; nothing that names the machine."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    model = platform.processor() or platform.machine()
    if Path("/proc/cpuinfo").is_file():
        for line in Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines():
            if line.startswith("model name"):
                model = line.split(":", 1)[1].strip()
                break
    libraries = ", ".join(f"{n} {metadata.version(n)}" for n in ("numpy", "scipy", "numba"))
    return f"{cores} cores, {model}; Python {platform.python_version()}, {libraries}."


def commit() -> str:
    """The commit measured, with a + where files differ from it."""

    def git(*arguments: str) -> str:
        command = ["git", "-C", str(README.parent), *arguments]
        return subprocess.run(command, check=True, capture_output=True, text=True).stdout.strip()

    differs = git("status", "--porcelain", "--untracked-files=no", ":/wakesim", ":/shared")
    return git("rev-parse", "--short=7", "HEAD") + ("+" if differs else "")


def write(rows: Sequence[Row], measured: Sequence[str], order: Sequence[str]) -> None:
    """Put the rows of the benchmarks ``measured`` into the table of README.md.

    Those of other benchmarks stay when they are of the same machine and libraries. ``order`` is
    that of the benchmarks.
    """
    text = README.read_text(encoding="utf-8")
    head, _, rest = text.partition(BEGIN)
    old, _, tail = rest.partition(END)
    lines = [line for line in old.splitlines() if line.startswith("| ")][1:]
    kept = [tuple(c.strip() for c in line.strip("|").split("|")) for line in lines]
    kept = [c for c in kept if c[0] in order and c[0] not in measured and machine() in old]
    when = f"{datetime.now(UTC):%Y-%m-%d}"
    table = kept + [(*row.cells(), when, commit()) for row in rows]
    table.sort(key=lambda cells: order.index(cells[0]))
    block = [machine(), "", "| " + " | ".join(COLUMNS) + " |", "|---" * len(COLUMNS) + "|"]
    block += ["| " + " | ".join(cells) + " |" for cells in table]
    written = "\n".join([BEGIN, *block, END])
    README.write_text(f"{head}{written}{tail}", encoding="utf-8")
