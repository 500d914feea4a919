"""Pieces of Markdown: escaped text, tables, wrapped paragraphs."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterable, Sequence
from urllib.parse import quote

WIDTH = 100
_BOUND = "\x01"


def cell(text: str) -> str:
    """Text that stays inside one cell of a table."""
    return " ".join(text.split()).replace("\\", "\\\\").replace("|", "\\|").replace("<", "&lt;")


def table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> list[str]:
    """A table as lines."""
    return [
        "| " + " | ".join(cell(name) for name in head) + " |",
        "|" + "---|" * len(head),
        *("| " + " | ".join(cell(value) for value in row) + " |" for row in rows),
    ]


def paragraph(text: str, width: int = WIDTH) -> list[str]:
    """A paragraph as wrapped lines; words are never broken."""
    clean = " ".join(text.split()).replace("<", "&lt;")
    # a line that begins like a list or a heading would be read as one: bind it to what precedes
    bound = re.sub(r" (?=[-+#>]|\d+[.)] )", _BOUND, clean)
    lines = textwrap.wrap(bound, width, break_long_words=False, break_on_hyphens=False)
    return [line.replace(_BOUND, " ") for line in lines]


def image(title: str, path: str) -> str:
    """An image with its title as alternative text."""
    words = title.replace("[", "(").replace("]", ")")
    return f"![{words}]({quote(path)})"
