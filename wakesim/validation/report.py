"""REPORT.md: one page that is enough on its own, the scorecard, and every comparison in full.

Comparisons are ranked by what they mean at a roadside. What is counted are comparisons of the
program as shipped with values that do not come from it; the others are listed apart. The text
depends on the reference files and the computed numbers alone: no time, no path of a machine;
numbers have three figures. The sentences stand in ``templates/``.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any
from urllib.parse import quote

from wakesim import folders
from wakesim.csv_tables import read_csv_table
from wakesim.outputs.page import environment
from wakesim.progress import Progress, silent
from wakesim.runtime import is_checkout, shared_path, validation_path
from wakesim.validation.comparison import (
    Comparison,
    after_number,
    condition_head,
    short,
    shown_unit,
)
from wakesim.validation.quantities import quantities
from wakesim.validation.schema import PARTS, ROADSIDE
from wakesim.validation.scorecard import GROUPS, Outcome, Scorecard
from wakesim.validation.verdict import LEAST_POINTS, VERDICTS
from wakesim.validation.wrong_models import WRONG_MODELS

MAX_POINTS = 40
TO_OBTAIN = "data_to_obtain.csv"
NOT_TESTED = "not_tested.csv"
CONSTANTS = "empirical_constants.csv"
WIDTH = 100
LIST_MARKS = tuple(f"<!-- list of quantities: {mark} -->" for mark in ("begin", "end"))


# --- pieces of Markdown -------------------------------------------------------------------------


def cell(text: str) -> str:
    """Text that stays inside one cell of a table."""
    return " ".join(text.split()).replace("\\", "\\\\").replace("|", "\\|").replace("<", "&lt;")


def table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> list[str]:
    """A table as lines."""
    lines = ["| " + " | ".join(map(cell, row)) + " |" for row in (head, *rows)]
    return [lines[0], "|" + "---|" * len(head), *lines[1:]]


def wrapped(text: str, first: str = "", rest: str = "") -> str:
    """A paragraph in lines of at most ``WIDTH``, these before its lines; no word is broken."""
    clean = " ".join(text.split()).replace("<", "&lt;")
    # a line that begins like a list or a heading would be read as one: bind it to what precedes
    bound = re.sub(r" (?=[-+#>]|\d+[.)] )", "\x01", clean)
    lines = textwrap.wrap(
        bound, WIDTH, initial_indent=first, subsequent_indent=rest, break_long_words=False,
        break_on_hyphens=False,
    )  # fmt: skip
    return "\n".join(lines).replace("\x01", " ")


def rendered(name: str, **context: Any) -> str:
    """Text of a template; runs of empty lines, which mean nothing in Markdown, are one."""
    made = environment(Path(__file__).parent / "templates")
    made.filters |= {
        "wrap": wrapped,
        "bullet": lambda text: wrapped(text, "- ", "  "),
        "cells": lambda row: " | ".join(map(cell, row)),
        "first_capital": lambda text: text[0].upper() + text[1:],
        "condition_head": condition_head,
        "code": "`{}`".format,
    }
    text = made.get_template(f"{name}.txt.j2").render(
        table=lambda head, rows: "\n".join(table(head, rows)),
        short=short,
        shown_unit=shown_unit,
        after_number=after_number,
        **context,
    )
    return re.sub(r"\n{3,}", "\n\n", text).strip() + "\n"


# --- the report ---------------------------------------------------------------------------------


def report(scorecard: Scorecard, calibration: list[str] | None = None) -> str:
    """The report as Markdown; ``calibration`` are the lines of that section."""
    counted = scorecard.of_group(GROUPS[0])
    failures: dict[str, list[Outcome]] = {}
    for outcome in counted:
        if outcome.verdict.word == "fails":
            failures.setdefault(outcome.comparison.consequence, []).append(outcome)
    measured = {
        o.comparison.part
        for o in counted
        if o.comparison.status != "exact" and o.comparison.mark is not None
    }
    not_tested = _csv(scorecard.folder / NOT_TESTED)
    return rendered(
        "report",
        first_line=folders.SCORECARD.first_line,
        outcomes=scorecard.outcomes,
        counted=counted,
        apart={group: scorecard.of_group(group) for group in GROUPS[1:]},
        by_level={
            level: [o for o in counted if o.comparison.roadside == level] for level in ROADSIDE
        },
        failures=failures,
        untested_parts=[part for part in PARTS if part not in measured],
        not_tested=None if not_tested is None else not_tested[1],
        counts={group: scorecard.counts(group) for group in GROUPS},
        parts=PARTS,
        groups=GROUPS,
        verdicts=VERDICTS,
        least_points=LEAST_POINTS,
        wrong_models=WRONG_MODELS,
        max_points=MAX_POINTS,
        varied_conditions=_varied,
        point_table=_point_table,
        place=lambda c: c.path.relative_to(scorecard.folder).as_posix(),
        figure=lambda c: quote(figure_name(c, scorecard.folder)),
        constants=_csv(shared_path(CONSTANTS)),
        calibration=calibration,
        to_obtain=_csv(scorecard.folder / TO_OBTAIN),
    )


def figure_name(comparison: Comparison, folder: Path) -> str:
    """Path of the figure below the folder: beside the reference file, with its name."""
    return comparison.path.relative_to(folder).with_suffix(".png").as_posix()


def _varied(c: Comparison) -> list[str]:
    """Conditions that are not the same for all of several points."""
    return [n for n, values in c.conditions.items() if c.size == 1 or (values != values[0]).any()]


def _point_table(outcome: Outcome, varied: list[str]) -> tuple[list[str], list[list[str]]]:
    """Head and rows of the first ``MAX_POINTS`` points."""
    c = outcome.comparison
    head = [*([] if c.numbered else ["point"]), *map(condition_head, varied)]
    head += ["exact" if c.status == "exact" else "reference", "computed", "ratio"]
    rows = []
    for i, label in enumerate(c.labels[:MAX_POINTS]):
        measured, computed = float(c.measured[i]), float(outcome.computed[i])
        row = [] if c.numbered else [label]
        row += [short(float(c.conditions[name][i])) for name in varied]
        sd = "" if c.uncertainty is None else f" ± {short(float(c.uncertainty[i]))}"
        ratio = short(computed / measured) if measured else "–"
        rows.append([*row, short(measured) + sd, short(computed), ratio])
    return head, rows


def _csv(path: Path) -> tuple[list[str], Sequence[Sequence[str]]] | None:
    """Head and rows of a table beside the comparisons; None without the file."""
    if not path.is_file():
        return None
    data = read_csv_table(path)
    return [name.replace("_", " ") for name in data.header], data.rows


# --- on disk ------------------------------------------------------------------------------------


def default_target(own: bool) -> Path:
    """Where the report goes when nothing is said: for the project's ``own`` comparisons in a
    checkout their folder itself."""
    return validation_path() if own and is_checkout() else Path("validation-report")


def publish(
    scorecard: Scorecard,
    target: Path,
    calibration: list[str] | None = None,
    progress: Progress = silent,
    force: bool = False,
) -> list[Path]:
    """Write REPORT.md and one figure for each comparison below ``target``; the paths written.

    Its own older files are written anew. Raises OutputError as ``folders.publish`` does.
    """
    from wakesim.validation.figures import save_figure

    def write(place: Path) -> list[str]:
        names = []
        total = len(scorecard.outcomes)
        for number, outcome in enumerate(scorecard.outcomes):
            name = figure_name(outcome.comparison, scorecard.folder)
            progress(number / total, f"figure {name}")
            (place / name).parent.mkdir(parents=True, exist_ok=True)
            save_figure(outcome, place / name)
            names.append(name)
        (place / "REPORT.md").write_text(report(scorecard, calibration), encoding="utf-8")
        return [*names, "REPORT.md"]

    return folders.publish(target, folders.SCORECARD, write, force)


# --- the list of quantities ---------------------------------------------------------------------


def with_quantities(readme: str) -> str:
    """The README of the reference files with a fresh list of quantities between its two marks.

    Raises ValueError without the marks.
    """
    before, begin, rest = readme.partition(LIST_MARKS[0])
    _, end, after = rest.partition(LIST_MARKS[1])
    if not begin or not end:
        raise ValueError("the README does not hold the marks of the list")
    known = quantities().values()
    text = rendered(
        "quantities",
        quantities=known,
        needs=_meanings((q.name, q.needs) for q in known),
        options=_meanings((q.name, q.optional) for q in known),
    )
    return f"{before}{begin}\n\n{text}\n{end}{after}"


def _meanings(named: Iterable[tuple[str, dict[str, str]]]) -> list[tuple[str, str, str]]:
    """(name, meaning, quantities); the quantities only where one name has several meanings."""
    users: dict[str, dict[str, list[str]]] = {}
    for quantity, names in named:
        for name, meaning in names.items():
            users.setdefault(name, {}).setdefault(meaning, []).append(f"`{quantity}`")
    return [
        (f"`{name}`", meaning, ", ".join(where) if len(meanings) > 1 else "as listed above")
        for name, meanings in users.items()
        for meaning, where in meanings.items()
    ]
