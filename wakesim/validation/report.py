"""REPORT.md: the scorecard with its failures on top, and every comparison in full.

The text depends on the reference files and the computed numbers alone: no time, no path of a
machine; numbers have three figures.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from wakesim.runtime import shared_path
from wakesim.validation.comparison import Comparison
from wakesim.validation.markdown import image, paragraph, table
from wakesim.validation.outcome import Outcome
from wakesim.validation.schema import PARTS
from wakesim.validation.scorecard import Scorecard
from wakesim.validation.table import read_table
from wakesim.validation.verdict import LEAST_POINTS, VERDICTS, mark_text
from wakesim.validation.words import condition_head, numbered, result_text, short, shown_unit, span

FIRST_LINE = "# Comparisons with published data"
MAX_POINTS = 40
TO_OBTAIN = "data_to_obtain.csv"
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
        "the mark is met, but the reference is from memory, or the model was fitted to it, or it "
        f"is a design envelope, or it has fewer than {LEAST_POINTS} points, or the program does "
        "not use this variant by default"
    ),
    "validated": (
        "the mark is met by measured values that were read or derived from figures read, with no "
        f"constant fitted to them and at least {LEAST_POINTS} points"
    ),
    "verified": "an exact solution is met: the program solves its equations; no measurement",
}
_METRICS = (
    "Ratio is computed over measured. FB, NMSE, VG and FAC2 are those of Chang and Hanna (2004, "
    "Meteorol. Atmos. Phys. 87, 167): fractional bias (above 0: the model computes too little), "
    "normalised mean square error, geometric variance and share of points within a factor of two; "
    "the hit rate is the share of points within 25 % or within the stated uncertainty. A dash "
    "stands where a measure is not defined, as VG without positive values."
)


def report(scorecard: Scorecard, extra: list[str] | None = None) -> str:
    """The report as Markdown; ``extra`` are the lines of a calibration section."""
    lines = [FIRST_LINE, ""]
    lines += paragraph("Written by `wakesim validate`; do not edit. " + _LIMITS)
    lines += ["", *_summary(scorecard), "", *_card(scorecard), "", *_sections(scorecard)]
    lines += _constants()
    if extra:
        lines += ["", "## Calibration", "", *extra]
    lines += _to_obtain(scorecard.folder)
    return "\n".join(lines).rstrip() + "\n"


# --- summary --------------------------------------------------------------------------------


def _summary(scorecard: Scorecard) -> Iterator[str]:
    counts = scorecard.counts()
    yield "## Summary"
    yield ""
    yield from table(
        ["verdict", "comparisons", "meaning"],
        [[word, str(counts[word]), _MEANINGS[word]] for word in VERDICTS],
    )
    yield ""
    yield from table(["part of the model", *VERDICTS], _part_rows(scorecard))
    failed = [o for o in scorecard.ranked() if o.verdict.word == "fails"]
    if failed:
        yield ""
        yield "Marks that are not met:"
        yield ""
        for outcome in failed:
            yield from _failure(outcome)


def _failure(outcome: Outcome) -> list[str]:
    c = outcome.comparison
    words = f"{c.title}: {result_text(outcome)}; mark: {mark_text(c.mark, c.unit)}."
    first, *rest = paragraph(words, 98)
    return [f"- {first}", *(f"  {line}" for line in rest)]


def _part_rows(scorecard: Scorecard) -> Iterator[list[str]]:
    """A row for each part of the model, also for those that nothing tests."""
    for part in PARTS:
        words = [o.verdict.word for o in scorecard.outcomes if o.comparison.part == part]
        yield [part, *(str(words.count(word) or "–") for word in VERDICTS)]


def _card(scorecard: Scorecard) -> Iterator[str]:
    yield "## Scorecard"
    yield ""
    yield from paragraph(_METRICS)
    yield ""
    head = ["verdict", "comparison", "part", "n", "mark", "result"]
    head += ["ratio", "FB", "NMSE", "VG", "FAC2", "hit rate"]
    yield from table(head, map(_card_row, scorecard.ranked()))


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
        str(m.n),
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
    for part in PARTS:
        chosen = [o for o in scorecard.outcomes if o.comparison.part == part]
        if not chosen:
            continue
        yield f"## {_capital(part)}"
        yield ""
        for outcome in chosen:
            yield from section(outcome, scorecard.folder)


def section(outcome: Outcome, folder: Path) -> Iterator[str]:
    """Source, verdict, note, figure and points of one comparison, as lines."""
    c = outcome.comparison
    yield f"### {c.title}"
    yield ""
    place = c.path.relative_to(folder).as_posix()
    yield f"File `{place}`, quantity `{c.quantity}` ({shown_unit(c.unit)})."
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
        "from memory": "values from memory, not read",
        "exact": "exact solution",
    }[c.status]
    fitted = "; constants of the model were fitted to these data" if c.fitted else ""
    return f"Source: {c.source.rstrip('.')} ({status}{fitted})."


def _judgement(outcome: Outcome) -> str:
    c, m, found = outcome.comparison, outcome.metrics, outcome.verdict
    unit = f" {shown_unit(c.unit)}" if c.unit not in ("", "1") else ""
    reason = f" ({found.reason})" if found.met else ""
    text = f"Verdict: **{found.word}**{reason}. {_capital(result_text(outcome))}"
    if not result_text(outcome).startswith("rms error"):
        text += f"; rms error {short(m.rms)}{unit}"
    text += f"; mean error {short(m.bias)}{unit}. "
    if c.mark is None:
        return text + "No pass mark."
    return text + f"Mark: {mark_text(c.mark, c.unit)}. Why: {c.mark.reason.rstrip('.')}."


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
