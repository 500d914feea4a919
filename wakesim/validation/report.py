"""REPORT.md: one page that is enough on its own, the scorecard, and every comparison in full.

Comparisons are ranked by what they mean at a roadside. What is counted are comparisons of the
program as shipped with values that do not come from it; the others are listed apart. The text
depends on the reference files and the computed numbers alone: no time, no path of a machine;
numbers have three figures.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

from wakesim.folders import SCORECARD
from wakesim.runtime import shared_path
from wakesim.validation.comparison import Comparison
from wakesim.validation.markdown import image, paragraph, table
from wakesim.validation.outcome import GROUPS, Outcome
from wakesim.validation.schema import PARTS, ROADSIDE
from wakesim.validation.scorecard import Scorecard
from wakesim.validation.table import read_table
from wakesim.validation.verdict import LEAST_POINTS, VERDICTS, mark_text
from wakesim.validation.words import (
    condition_head,
    numbered,
    points_text,
    result_text,
    short,
    shown_unit,
    span,
)
from wakesim.validation.wrong_models import WRONG_MODELS

MAX_POINTS = 40
TO_OBTAIN = "data_to_obtain.csv"
NOT_TESTED = "not_tested.csv"
CONSTANTS = "empirical_constants.csv"

_LIMITS = (
    "No published measurement known to us gives the air velocity beside a road at a known "
    "clearance and height well enough to call a roadside prediction validated: these comparisons "
    "test parts of the model, not its answer."
)
_MEANINGS = {
    "fails": "the pass mark is not met",
    "unvalidated": "no pass mark was set beforehand; the errors are shown",
    "consistent": (
        "the mark is met, but the reference is from memory or second hand, or it is a bound, or it "
        f"has fewer than {LEAST_POINTS} independent points, or a deliberately wrong model meets "
        "the mark too"
    ),
    "validated": (
        "the mark is met by measured values that were read or derived from figures read, with at "
        f"least {LEAST_POINTS} independent points, and deliberately wrong models miss it"
    ),
    "verified": "an exact solution is met: the program solves its equations; no measurement",
}
ROADSIDE_WORDS = {
    "mount": "air at a mount: mean wakes at driving distance, gusts and turbulence beside or over "
    "the traffic",
    "input": "what that is computed from: pulse of the hull, start and decay of wakes, mixing, "
    "traffic",
    "other": "other flows with the same laws: trains, airfoils, slender bodies, cubes",
    "equations": "exact solutions: no measurement",
}
GROUP_WORDS = {
    "variant": "by laws and options that the program does not use by default",
    "own law": "with a law or constant that the model itself uses",
    "fitted": "with data that constants of the model were fitted to",
}
_METRICS = (
    "n is the number of points, in brackets that of independent ones where they are fewer: one "
    "value given as several points is one point. Ratio is computed over measured. FB, NMSE, VG and "
    "FAC2 are those of Chang and Hanna (2004, Meteorol. Atmos. Phys. 87, 167): fractional bias "
    "(above 0: the model computes too little), normalised mean square error, geometric variance "
    "and share of points within a factor of two; the hit rate is the share of points within 25 % "
    "or within the stated uncertainty. A dash stands where a measure is not defined, as VG without "
    "positive values."
)


def report(scorecard: Scorecard, extra: list[str] | None = None) -> str:
    """The report as Markdown; ``extra`` are the lines of a calibration section."""
    lines = [SCORECARD.first_line, ""]
    lines += paragraph("Written by `wakesim validate`; do not edit.")
    lines += ["", *_first_page(scorecard), "", *_summary(scorecard), "", *_card(scorecard), ""]
    lines += _sections(scorecard)
    lines += _constants()
    if extra:
        lines += ["", "## Calibration", "", *extra]
    lines += _to_obtain(scorecard.folder)
    return "\n".join(lines).rstrip() + "\n"


# --- the first page -----------------------------------------------------------------------------


def _first_page(scorecard: Scorecard) -> Iterator[str]:
    """What is tested, what fails and what that does to a roadside figure, what no row tests."""
    counted = scorecard.of_group(GROUPS[0])
    yield "## In one page"
    yield ""
    yield from paragraph(_LIMITS)
    yield ""
    yield from paragraph(_tested(scorecard))
    yield ""
    yield from table(
        ["what it means at a roadside", "comparisons", "independent values", *VERDICTS],
        [_level_row(counted, level) for level in ROADSIDE],
    )
    failed = [o for o in counted if o.verdict.word == "fails"]
    yield ""
    yield "What fails, and what that does to a figure at a roadside, the weightiest first:"
    yield ""
    yield from _failures(failed)
    if not failed:
        yield "- nothing that is counted"
    yield ""
    yield from _not_tested(scorecard)


def _tested(scorecard: Scorecard) -> str:
    number = sum(scorecard.counts().values())
    rest = [(len(scorecard.of_group(group)), GROUP_WORDS[group]) for group in GROUPS[1:]]
    text = (
        f"Counted: {number} comparison{'s' if number != 1 else ''} of the program as shipped with "
        "values that do not come from it."
    )
    apart = ", ".join(f"{count} {words}" for count, words in rest if count)
    return f"{text} Listed apart and not counted: {apart}." if apart else text


def _level_row(outcomes: Sequence[Outcome], level: str) -> list[str]:
    mine = [o for o in outcomes if o.comparison.roadside == level]
    words = [o.verdict.word for o in mine]
    values = sum(o.comparison.independent_points for o in mine if o.comparison.status != "exact")
    counts = [str(words.count(word) or "–") for word in VERDICTS]
    return [ROADSIDE_WORDS[level], str(len(mine)), str(values or "–"), *counts]


def _failures(failed: Sequence[Outcome]) -> Iterator[str]:
    """A bullet for each consequence, with every comparison that has it."""
    by_consequence: dict[str, list[Outcome]] = {}
    for outcome in failed:
        by_consequence.setdefault(outcome.comparison.consequence, []).append(outcome)
    for consequence, outcomes in by_consequence.items():
        rows = "; ".join(map(_failure, outcomes))
        yield from _bullet(f"**{consequence}** {rows}." if consequence else f"{rows}.")


def _failure(outcome: Outcome) -> str:
    """Title, result, the range of computed over measured, and the mark."""
    c, m, result = outcome.comparison, outcome.metrics, result_text(outcome)
    if m.low_ratio is not None and not result.startswith("ratio"):
        result += f", ratio {span(m.low_ratio, m.high_ratio)}"
    return f"{c.title}: {result} (mark: {mark_text(c.mark, c.unit)})"


def _bullet(text: str) -> Iterator[str]:
    first, *rest = paragraph(text, 98)
    yield f"- {first}"
    yield from (f"  {line}" for line in rest)


def _not_tested(scorecard: Scorecard) -> Iterator[str]:
    """Parts of the model without a measured value, and what the folder's own list names."""
    tested = {
        o.comparison.part
        for o in scorecard.of_group(GROUPS[0])
        if o.comparison.status != "exact" and o.comparison.mark is not None
    }
    missing = [part for part in PARTS if part not in tested]
    yield "What no row tests:"
    yield ""
    if missing:
        words = "parts of the model that are counted with no measured value under a mark"
        yield from _bullet(f"{words}: {', '.join(missing)}.")
    path = scorecard.folder / NOT_TESTED
    for what, *remains in read_table(path).rows if path.is_file() else ():
        yield from _bullet(f"{what}; open: {', '.join(remains)}.")
    if not missing and not path.is_file():
        yield "- nothing is named"


# --- summary ------------------------------------------------------------------------------------


def _summary(scorecard: Scorecard) -> Iterator[str]:
    groups = [scorecard.counts(group) for group in GROUPS]
    yield "## Summary"
    yield ""
    yield from table(
        ["verdict", *GROUPS, "meaning"],
        [[word, *(str(counts[word]) for counts in groups), _MEANINGS[word]] for word in VERDICTS],
    )
    yield ""
    yield from paragraph(_wrong_models_text())
    yield ""
    yield "Counted, by part of the model:"
    yield ""
    yield from table(["part of the model", *VERDICTS], _part_rows(scorecard))


def _wrong_models_text() -> str:
    names = ", ".join(model.name for model in WRONG_MODELS)
    return (
        "A comparison that nothing else keeps from being called validated is computed again with "
        f"deliberately wrong models: the body or the conditions with {names}, as far as the "
        "comparison gives them. Its mark must fail every one that moves the computed values by a "
        "tenth or more, and at least one wrong body where there is a body."
    )


def _part_rows(scorecard: Scorecard) -> Iterator[list[str]]:
    """A row for each part of the model, also for those that nothing tests."""
    counted = scorecard.of_group(GROUPS[0])
    for part in PARTS:
        words = [o.verdict.word for o in counted if o.comparison.part == part]
        yield [part, *(str(words.count(word) or "–") for word in VERDICTS)]


# --- scorecard ----------------------------------------------------------------------------------


def _card(scorecard: Scorecard) -> Iterator[str]:
    yield "## Scorecard"
    yield ""
    yield from paragraph(_METRICS)
    counted = scorecard.of_group(GROUPS[0])
    for level in ROADSIDE:
        mine = [o for o in counted if o.comparison.roadside == level]
        yield from _card_table(_capital(ROADSIDE_WORDS[level]), mine)
    for group in GROUPS[1:]:
        words = f"Not counted: comparisons {GROUP_WORDS[group]}"
        yield from _card_table(words, scorecard.of_group(group))


def _card_table(heading: str, outcomes: Sequence[Outcome]) -> Iterator[str]:
    if not outcomes:
        return
    yield ""
    yield f"### {heading}"
    yield ""
    head = ["verdict", "comparison", "part", "n", "mark", "result"]
    head += ["ratio", "FB", "NMSE", "VG", "FAC2", "hit rate"]
    yield from table(head, map(_card_row, outcomes))


def _card_row(outcome: Outcome) -> list[str]:
    c, m = outcome.comparison, outcome.metrics
    ratio = span(m.low_ratio, m.high_ratio)
    variance = short(m.geometric_variance)
    if m.geometric_variance is not None and m.positive < m.n:
        variance += f" ({m.positive} of {m.n})"
    word = outcome.verdict.word
    return [
        "FAILS" if word == "fails" else word,
        c.title,
        c.part,
        points_text(c),
        mark_text(c.mark, c.unit),
        result_text(outcome),
        ratio,
        short(m.fractional_bias),
        short(m.nmse),
        variance,
        short(m.fac2),
        short(m.hit_rate),
    ]


# --- one comparison -----------------------------------------------------------------------------


def _sections(scorecard: Scorecard) -> Iterator[str]:
    """Every comparison, those that are not counted too, by what it means at a roadside."""
    for level in ROADSIDE:
        chosen = [o for o in scorecard.outcomes if o.comparison.roadside == level]
        if not chosen:
            continue
        yield f"## {_capital(ROADSIDE_WORDS[level])}"
        yield ""
        for outcome in chosen:
            yield from section(outcome, scorecard.folder)


def section(outcome: Outcome, folder: Path) -> Iterator[str]:
    """Source, verdict, note, figure and points of one comparison, as lines."""
    c = outcome.comparison
    yield f"### {c.title}"
    yield ""
    place = c.path.relative_to(folder).as_posix()
    yield f"File `{place}`, {c.part}, quantity `{c.quantity}` ({shown_unit(c.unit)})."
    yield ""
    yield from paragraph(_origin(c))
    yield ""
    yield from paragraph(_judgement(outcome))
    if c.note:
        yield ""
        yield from paragraph(c.note)
    yield ""
    yield image(c.title, figure_name(c, folder))
    yield ""
    yield from _points(outcome)
    yield ""


def figure_name(comparison: Comparison, folder: Path) -> str:
    """Path of the figure below the folder: beside the reference file, with its name."""
    return comparison.path.relative_to(folder).with_suffix(".png").as_posix()


def _origin(c: Comparison) -> str:
    status = {
        "read": "values read in the source",
        "derived": "values derived from figures read",
        "second hand": "values read at second hand",
        "from memory": "values from memory, not read",
        "exact": "exact solution",
    }[c.status]
    fitted = "; constants of the model were fitted to these data" if c.fitted else ""
    own = "; a law or constant that the model itself uses" if c.own_law else ""
    return f"Source: {c.source.rstrip('.')} ({status}{fitted}{own})."


def _judgement(outcome: Outcome) -> str:
    c, m, found = outcome.comparison, outcome.metrics, outcome.verdict
    unit = f" {shown_unit(c.unit)}" if c.unit not in ("", "1") else ""
    reason = f" ({found.reason})" if found.met and found.reason else ""
    unseen = [t.model.name for t in outcome.trials if t.met and not t.seen]
    text = f"Verdict: **{found.word}**{reason}. {_capital(result_text(outcome))}"
    if not result_text(outcome).startswith("rms error"):
        text += f"; rms error {short(m.rms)}{unit}"
    text += f"; mean error {short(m.bias)}{unit}. "
    if c.mark is None:
        return text + "No pass mark."
    text += f"Mark: {mark_text(c.mark, c.unit)}. Why: {c.mark.reason.rstrip('.')}."
    return text + (f" The comparison cannot see {', '.join(unseen)}." if unseen else "")


def _capital(text: str) -> str:
    return text[0].upper() + text[1:]


def _points(outcome: Outcome) -> list[str]:
    c = outcome.comparison
    constant = {n for n, v in c.conditions.items() if c.size > 1 and (v == v[0]).all()}
    varied = [name for name in c.conditions if name not in constant]
    plain = numbered(c)
    head = [*([] if plain else ["point"]), *(condition_head(name) for name in varied)]
    head += ["exact" if c.status == "exact" else "reference", "computed", "ratio"]
    rows = []
    for i in range(min(c.size, MAX_POINTS)):
        measured, computed = float(c.measured[i]), float(outcome.computed[i])
        value = short(measured)
        if c.uncertainty is not None:
            value += f" ± {short(float(c.uncertainty[i]))}"
        row = [] if plain else [c.labels[i]]
        row += [short(float(c.conditions[name][i])) for name in varied]
        ratio = short(computed / measured) if measured else "–"
        rows.append([*row, value, short(computed), ratio])
    lines = table(head, rows)
    if c.size > MAX_POINTS:
        lines += ["", f"The first {MAX_POINTS} of {c.size} points."]
    if constant:
        same = ", ".join(
            f"{condition_head(n)} = {short(float(c.conditions[n][0]))}"
            for n in c.conditions
            if n in constant
        )
        lines += ["", f"For all points: {same}."]
    return lines


# --- constants and data to obtain -----------------------------------------------------------------


def _constants() -> list[str]:
    path = shared_path(CONSTANTS)
    if not path.is_file():
        return []
    intro = "Every constant of the model that is no law of nature, with its range and its origin."
    return ["", "## Empirical constants", "", intro, "", *_csv_table(path)]


def _to_obtain(folder: Path) -> list[str]:
    path = folder / TO_OBTAIN
    if not path.is_file():
        return []
    intro = "Measurements that exist or could be made, and the gap each would fill."
    return ["", "## Data to obtain next", "", intro, "", *_csv_table(path)]


def _csv_table(path: Path) -> list[str]:
    data = read_table(path)
    return table([name.replace("_", " ") for name in data.header], data.rows)
