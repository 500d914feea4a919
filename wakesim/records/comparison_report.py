"""comparison.html: one file that needs no network, the verdicts first; and the lines printed.

What both, and comparison.json, say in sentences stands in ``templates/sentences.txt.j2``.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import Any

import jinja2

from wakesim import runtime
from wakesim.outputs import wording
from wakesim.outputs.figures import Rendered
from wakesim.outputs.page import environment, inline_svg, provenance_rows
from wakesim.records.alignment import axes_mistake
from wakesim.records.comparison import Comparison

_TEMPLATES = Path(__file__).resolve().parent / "templates"
_VERDICTS = {
    "too low": "model too low",
    "too high": "model too high",
    "agrees": "agreement within the intervals",
    "cannot be judged": "cannot be judged",
}


def sentences(result: Comparison, left_out: Sequence[str] = ()) -> dict[str, list[str]]:
    """What is to be said: ``answer``, ``needs_log``, ``method``, ``limits``, ``fit_notes``,
    ``caution`` about fitted constants.

    ``left_out``: constants that the fitted case could not take.
    """
    found: Any = _templates().get_template("sentences.txt.j2").module
    number = Counter(judgement.verdict for judgement in result.judgements)
    counts = [f"{text} {number[key]}" for key, text in _VERDICTS.items() if key in number]
    main = next(j for j in result.judgements if j.key == "effective_speed")
    axes = "" if result.logged is None else axes_mistake(result.logged.clock.axes)
    texts = {
        "answer": found.answer(result, counts, main, axes),
        "needs_log": found.needs_log(result),
        "method": found.method(result),
        "limits": found.limits(result),
        "fit_notes": found.fit_notes(result, left_out),
        "caution": found.fitted_caution(),
    }
    return {key: _paragraphs(text) for key, text in texts.items()}


def write_report(
    result: Comparison, figures: Sequence[Rendered], left_out: Sequence[str], path: Path
) -> None:
    """Write the page; ``left_out``: constants that the fitted case could not take.

    Raises OSError when the file cannot be written.
    """
    drawn = {
        f.stem: {"svg": inline_svg(f.svg, f"{f.stem}-", f.caption), "caption": f.caption}
        for f in figures
    }
    page = _templates().get_template("comparison.html.j2")
    text = page.render(
        c=result,
        figures=drawn,
        wake_law=wording.WAKE_LAWS[result.case.model.wake_law],
        cautions=wording.CAUTIONS,
        provenance=provenance_rows(provenance(result), ("case_text",)),
        **sentences(result, left_out),
    )
    path.write_text(text, encoding="utf-8")


def printed(result: Comparison, left_out: Sequence[str], folder: Path, files: int) -> list[str]:
    """The comparison in a few plain lines for the terminal."""
    text = (
        _templates()
        .get_template("comparison.txt.j2")
        .render(
            c=result,
            invented_banner=wording.INVENTED_BANNER,
            cautions=wording.CAUTIONS,
            folder=folder,
            files=files,
            **sentences(result, left_out),
        )
    )
    return text.rstrip("\n").split("\n")


def ends(values: tuple[float, float] | None) -> str:
    """An interval for reading; a dash when it is not known."""
    if values is None or not all(map(math.isfinite, values)):
        return "–"
    return wording.interval(values, 2)


@cache
def _templates() -> jinja2.Environment:
    found = environment(_TEMPLATES)
    found.filters["ends"] = ends
    found.filters["known"] = lambda value: "–" if value is None else wording.number(value)
    found.filters["plain"] = lambda value, digits: f"{value:.{digits}f}"
    return found


def _paragraphs(text: str) -> list[str]:
    parts = re.split(r"\n\s*\n", text)
    return [wording.one_line(part) for part in parts if part.strip()]


def provenance(result: Comparison) -> dict[str, Any]:
    """Where the figures come from."""
    case, inputs = result.case, result.inputs
    seed = case.traffic.seed if case.traffic else 0
    hashes = {"record": inputs.record.sha256}
    if inputs.log is not None:
        hashes["log"] = inputs.log.sha256
    if inputs.second is not None:
        hashes["second"] = inputs.second.record.sha256
    if inputs.mast is not None:
        hashes["ambient_mast"] = inputs.mast.record.sha256
    return runtime.provenance(case.text, seed) | {"files_sha256": hashes}
