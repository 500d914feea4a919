"""Templates of pages and texts: their environment, sentences, provenance, figures within a page.

Templates stand in ``templates/``: pages of HTML, escaped, and texts (``.txt.j2``), not escaped.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import jinja2
from markupsafe import Markup, escape

from wakesim.outputs import wording

if TYPE_CHECKING:
    from wakesim.case.schema import Case

_TEMPLATES = Path(__file__).resolve().parent / "templates"
_FILTERS = (
    wording.number,
    wording.significant,
    wording.interval,
    wording.place,
    wording.change,
    wording.energy,
    wording.share,
    wording.count,
    wording.implied_value,
)


@cache
def environment(*folders: Path) -> jinja2.Environment:
    """Templates of these folders and of the package's own, strict, with the forms of numbers."""
    made = jinja2.Environment(
        loader=jinja2.FileSystemLoader([*folders, _TEMPLATES]),
        autoescape=lambda name: name is None or not name.endswith(".txt.j2"),
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters |= {form.__name__: form for form in _FILTERS}
    made.filters |= {"a_day": _a_day, "at": _at, "ends": _ends, "product": math.prod}
    made.tests["finite"] = _finite
    made.globals |= {
        "wording": wording,
        "sentences": sentences,
        "statement": statement,
        "nan": math.nan,
        "pi": math.pi,
        "BETZ": 16.0 / 27.0,
    }
    return made


def text(template: str, **context: Any) -> str:
    """A text template as it stands."""
    return environment().get_template(f"{template}.txt.j2").render(context)


def sentences(template: str, **context: Any) -> list[str]:
    """Paragraphs of a text template, which blank lines part, each on one line."""
    parts = re.split(r"\n\s*\n", text(template, **context))
    return [wording.one_line(part) for part in parts if part.strip()]


def statement(name: str) -> str:
    """A statement that data files and pages share."""
    return sentences("statement", name=name)[0]


def limits(case: Case) -> tuple[str, ...]:
    """What is not modelled or not sure in a case, in sentences."""
    return tuple(sentences("limits", case=case))


def _finite(value: float | Sequence[float]) -> bool:
    return all(map(math.isfinite, value)) if isinstance(value, Sequence) else math.isfinite(value)


def _a_day(energy: Any) -> float:
    """Energy of an average day of the year, kWh."""
    return float(24.0 * energy.year.annual_kwh / energy.year.hours.hour.size)


def _at(variables: Mapping[str, Any], place: tuple[int, ...]) -> dict[str, float]:
    """The value of every variable at one place."""
    return {name: float(values[place]) for name, values in variables.items()}


def _ends(values: Any) -> tuple[float, float]:
    """Lowest and highest of an array, what is not finite left out; NaN where nothing is."""
    known = [value for value in values.ravel().tolist() if math.isfinite(value)]
    return min(known, default=math.nan), max(known, default=math.nan)


def provenance_rows(
    provenance: Mapping[str, Any], leave_out: tuple[str, ...]
) -> list[tuple[str, str]]:
    """Key and text of everything known about where a result comes from."""
    rows = []
    for key, value in provenance.items():
        if key in leave_out:
            continue
        if isinstance(value, dict):
            shown = ", ".join(f"{name} {item}" for name, item in value.items())
        else:
            shown = value if isinstance(value, str) else json.dumps(value, default=str)
        rows.append((key.replace("_", " "), shown))
    return rows


def inline_svg(svg: str, prefix: str, label: str) -> Markup:
    """An SVG file's text made fit for a page with other figures: unique ids, scalable, named.

    The XML head is dropped, every id and every reference to one gets ``prefix``, and the fixed
    size gives way to the page's width.
    """
    body = svg[svg.index("<svg") :]
    body = re.sub(r"<metadata>.*?</metadata>", "", body, count=1, flags=re.DOTALL)
    body = re.sub(r'\bid="', f'id="{prefix}', body)
    body = re.sub(r'\b(?:xlink:)?href="#', f'href="#{prefix}', body)
    body = body.replace("url(#", f"url(#{prefix}")
    head, rest = body.split(">", 1)
    head = re.sub(r'\s(?:width|height|xmlns(?::xlink)?|version)="[^"]*"', "", head)
    return Markup(f'{head} role="img" aria-label="{escape(label)}">{rest}')
