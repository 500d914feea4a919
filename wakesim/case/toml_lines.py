"""On which line of a TOML text every key stands.

``tomllib`` checks and reads the text; this scanner only finds positions and trusts that the text
is valid. Paths are tuples of keys and of positions in lists, counted from 0.
"""

from __future__ import annotations

import re
import tomllib
from bisect import bisect_right

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
