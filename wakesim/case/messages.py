"""What is wrong in a case file, in one line: where it stands, what was meant, how it is said.

``tomllib`` checks and reads the text; ``LineMap`` only finds on which line every key stands and
trusts that the text is valid. Paths are tuples of keys and of positions in lists, counted from 0.
"""

from __future__ import annotations

import math
import re
import tomllib
from bisect import bisect_right
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any

from wakesim.errors import closest, one_line, shorten

Path = tuple[str | int, ...]

_BLANK = re.compile(r"[ \t]*")
_FILLER = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_BASIC = re.compile(r'"(?:[^"\\\n]|\\.)*"')
_LITERAL = re.compile(r"'[^'\n]*'")
_LONG_BASIC = re.compile(r'"""(?:[^\\]|\\.)*?"""(?:"{0,2})(?!")', re.DOTALL)
_LONG_LITERAL = re.compile(r"'''.*?'''(?:'{0,2})(?!')", re.DOTALL)
_SCALAR = re.compile(r"[^,\]}\n#]+")


class LineMap:
    """Line numbers (from 1) of the keys of one valid TOML text."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._starts = [0, *(m.end() for m in re.finditer("\n", text))]
        self._lines: dict[Path, int] = {}
        self._list_sizes: dict[Path, int] = {}
        self._scan()

    def line_of(self, path: Path) -> int | None:
        """Line of the key at ``path`` or of the nearest table around it; None at the top level."""
        while path:
            if path in self._lines:
                return self._lines[path]
            path = path[:-1]
        return None

    def paths(self) -> set[Path]:
        """Every path found."""
        return set(self._lines)

    def _scan(self) -> None:
        text, pos = self._text, 0
        table: Path = ()
        while (pos := self._skip(_FILLER, pos)) < len(text):
            if text[pos] == "[":
                table, pos = self._header(pos)
            else:
                pos = self._pair(pos, table)

    def _skip(self, pattern: re.Pattern[str], pos: int) -> int:
        match = pattern.match(self._text, pos)
        return match.end() if match else pos

    def _mark(self, path: Path, pos: int) -> None:
        self._lines.setdefault(path, bisect_right(self._starts, pos))

    def _header(self, pos: int) -> tuple[Path, int]:
        start = pos
        brackets = 2 if self._text.startswith("[[", pos) else 1
        keys, pos = self._keys(pos + brackets)
        path: Path = ()
        for key in keys[:-1]:
            path = (*path, key)
            self._mark(path, start)
            if path in self._list_sizes:
                path = (*path, self._list_sizes[path] - 1)
        path = (*path, keys[-1])
        self._mark(path, start)
        if brackets == 2:
            self._list_sizes[path] = self._list_sizes.get(path, 0) + 1
            path = (*path, self._list_sizes[path] - 1)
            self._mark(path, start)
        return path, self._skip(_BLANK, pos) + brackets

    def _keys(self, pos: int) -> tuple[list[str], int]:
        """A dotted key from ``pos`` on, and the position after it."""
        keys = []
        while True:
            pos = self._skip(_BLANK, pos)
            quote = self._text[pos]
            pattern = _BASIC if quote == '"' else _LITERAL if quote == "'" else _BARE_KEY
            end = self._skip(pattern, pos)
            word = self._text[pos:end]
            keys.append(tomllib.loads(f"k={word}")["k"] if quote in "\"'" else word)
            pos = self._skip(_BLANK, end)
            if not self._text.startswith(".", pos):
                return keys, pos
            pos += 1

    def _pair(self, pos: int, table: Path) -> int:
        start = pos
        keys, pos = self._keys(pos)
        path = table
        for key in keys:
            path = (*path, key)
            self._mark(path, start)
        return self._value(self._skip(_BLANK, pos + 1), path)

    def _value(self, pos: int, path: Path) -> int:
        text = self._text
        if text.startswith('"""', pos):
            return self._skip(_LONG_BASIC, pos)
        if text.startswith("'''", pos):
            return self._skip(_LONG_LITERAL, pos)
        if text[pos] == '"':
            return self._skip(_BASIC, pos)
        if text[pos] == "'":
            return self._skip(_LITERAL, pos)
        if text[pos] == "[":
            return self._list(pos + 1, path)
        if text[pos] == "{":
            return self._inline_table(pos + 1, path)
        return self._skip(_SCALAR, pos)

    def _list(self, pos: int, path: Path) -> int:
        count = 0
        while not self._text.startswith("]", pos := self._skip(_FILLER, pos)):
            item = (*path, count)
            self._mark(item, pos)
            pos = self._skip(_FILLER, self._value(pos, item))
            pos += self._text.startswith(",", pos)
            count += 1
        return pos + 1

    def _inline_table(self, pos: int, path: Path) -> int:
        while not self._text.startswith("}", pos := self._skip(_FILLER, pos)):
            pos = self._skip(_FILLER, self._pair(pos, path))
            pos += self._text.startswith(",", pos)
        return pos + 1


# Suffix of a key: unit as shown. Longest first, so that `_m2_s` is not read as `_s`.
UNITS: dict[str, str] = {
    "_kg_m2": "kg m²",
    "_m2_s": "m²/s",
    "_veh_h": "veh/h",
    "_veh": "veh",
    "_m_s": "m/s",
    "_kmh": "km/h",
    "_mph": "mph",
    "_deg": "deg",
    "_pa": "Pa",
    "_hz": "Hz",
    "_kwh": "kWh",
    "_rpm": "rev/min",
    "_w": "W",
    "_m2": "m²",
    "_m": "m",
    "_s": "s",
    "_h": "h",
    "_c": "°C",
}

# Suffixes people write, and the one that is accepted for the same unit or quantity.
_OTHER_SUFFIXES: dict[str, str] = {
    "_km_h": "_kmh",
    "_kmph": "_kmh",
    "_kph": "_kmh",
    "_mps": "_m_s",
    "_ms": "_m_s",
    "_mi_h": "_mph",
    "_miles_h": "_mph",
    "_metres": "_m",
    "_meters": "_m",
    "_metre": "_m",
    "_meter": "_m",
    "_mm": "_m",
    "_cm": "_m",
    "_ft": "_m",
    "_in": "_m",
    "_km": "_m",
    "_degrees": "_deg",
    "_rad": "_deg",
    "_hpa": "_pa",
    "_kpa": "_pa",
    "_mbar": "_pa",
    "_bar": "_pa",
    "_celsius": "_c",
    "_degc": "_c",
    "_deg_c": "_c",
    "_k": "_c",
    "_f": "_c",
    "_sec": "_s",
    "_seconds": "_s",
    "_min": "_s",
    "_minutes": "_s",
    "_hours": "_h",
    "_hrs": "_h",
    "_veh_hour": "_veh_h",
    "_vph": "_veh_h",
    "_sqm": "_m2",
    "_kw": "_w",
    "_watt": "_w",
    "_watts": "_w",
    "_wh": "_kwh",
    "_kgm2": "_kg_m2",
}


def split_unit(key: str) -> tuple[str, str]:
    """A key as (stem, accepted unit suffix); the suffix is empty when the key has none."""
    for suffix in UNITS:
        if key.endswith(suffix) and len(key) > len(suffix):
            return key.removesuffix(suffix), suffix
    return key, ""


def unit_of(key: str) -> str:
    """The unit a key carries, as shown to the user; empty for a pure number."""
    return UNITS.get(split_unit(key)[1], "")


def _spelled(key: str) -> tuple[str, str]:
    """(stem, accepted suffix) of a key that may carry an unusual unit suffix."""
    low = key.casefold().replace("-", "_").replace(" ", "_")
    for suffix in sorted(_OTHER_SUFFIXES, key=len, reverse=True):
        if low.endswith(suffix) and len(low) > len(suffix):
            return low.removesuffix(suffix), _OTHER_SUFFIXES[suffix]
    return split_unit(low)


def suggest_key(word: str, known: Iterable[str]) -> list[str]:
    """Keys the user may have meant, best guess first; several when only the unit is missing."""
    names = list(known)
    stem, suffix = _spelled(word)
    if stem + suffix in names:
        return [stem + suffix]
    same_stem = [name for name in names if split_unit(name)[0] == stem]
    if same_stem:
        return same_stem
    near = closest(word, names)
    if near:
        return [near]
    stems = {split_unit(name)[0]: name for name in names}
    near_stem = closest(stem, stems, cutoff=0.75)
    return [stems[near_stem]] if near_stem else []


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

    def below(self, key: str | int) -> Problem:
        """The same problem with all its paths seen from one table farther out."""
        return replace(
            self,
            path=(key, *self.path),
            about=None if self.about is None else (key, *self.about),
            guessed=tuple((key, *path) for path in self.guessed),
            missing=tuple((key, *path) for path in self.missing),
        )

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
    reported = [problem for problem in problems if guessed.isdisjoint(problem.missing)]

    def order(problem: Problem) -> int:
        return (lines.line_of(problem.path) if lines else None) or 0

    return list(dict.fromkeys(p.line(source, lines) for p in sorted(reported, key=order)))


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
