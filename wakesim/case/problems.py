"""One mistake in a case file, and its line of text."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from wakesim.case.suggest import unit_of
from wakesim.case.toml_lines import LineMap, Path
from wakesim.errors import one_line as one_line
from wakesim.errors import shorten as shorten

_NOTHING = object()
_PLAIN_KEY = re.compile(r"[\w-]{1,60}")


@dataclass(frozen=True)
class Problem:
    """What is wrong, in plain words, at a path of the file.

    ``value`` is shown when set. ``about`` is the path shown to the user when it is not the one
    that gives the line: an unknown key is reported about the table that holds it. ``guessed`` are
    paths an unknown key may have meant, ``missing`` those whose absence is the problem.
    """

    path: Path
    text: str
    value: Any = _NOTHING
    about: Path | None = None
    guessed: tuple[Path, ...] = ()
    missing: tuple[Path, ...] = ()

    def line(self, source: str, lines: LineMap | None) -> str:
        """The one line shown to the user: ``file:line: key = value unit: text``."""
        number = lines.line_of(self.path) if lines else None
        place = f"{source}:{number}" if number else source
        head = where(self.path if self.about is None else self.about)
        if head and self.value is not _NOTHING:
            head += f" = {shown(self.value, self.unit)}"
        parts = [place, head, self.text] if head else [place, self.text]
        return one_line(": ".join(parts))

    @property
    def unit(self) -> str:
        """Unit of the value at the path, from the last key in it."""
        keys = [part for part in self.path if isinstance(part, str)]
        return unit_of(keys[-1]) if keys else ""


def render(problems: Iterable[Problem], source: str, lines: LineMap | None) -> list[str]:
    """All problems as lines, in the order of the file, each once.

    A missing key is left out where an unknown key beside it is taken for it: one mistake, one line.
    """
    problems = list(problems)
    guessed = {path for problem in problems for path in problem.guessed}
    told = [problem for problem in problems if guessed.isdisjoint(problem.missing)]

    def order(problem: Problem) -> int:
        return (lines.line_of(problem.path) if lines else None) or 0

    return list(dict.fromkeys(p.line(source, lines) for p in sorted(told, key=order)))


def where(path: Path) -> str:
    """A path as the user would say it, positions counted from 1: ``mounts[1].height_m``."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part + 1}]"
        else:
            text += ("." if text else "") + key_text(part)
    return text


def key_text(key: str) -> str:
    """A key, quoted and shortened when it is not a plain word."""
    return key if _PLAIN_KEY.fullmatch(key) else f'"{shorten(one_line(key))}"'


def shown(value: Any, unit: str = "") -> str:
    """A value as it stands in the file, shortened, with its unit when it is a number."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        text = repr(value) if math.isfinite(value) else str(value)
        return f"{text} {unit}".strip()
    if isinstance(value, int):
        small = abs(value) < 10**20
        text = str(value) if small else f"an integer of about 2^{value.bit_length()}"
        return f"{text} {unit}".strip()
    if isinstance(value, str):
        return f'"{shorten(one_line(value))}"'
    return shorten(str(value))
